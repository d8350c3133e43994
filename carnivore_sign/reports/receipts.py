"""Receipts: what was read, kept and set aside, summed; single files where there is a reason."""

from __future__ import annotations

from typing import Final

import pandas as pd

from carnivore_sign.reports.content import Block, Heading, Paragraph, TableBlock
from carnivore_sign.reports.wording import count

#: The most files that are printed one by one.
MOST_FILES: Final = 15


def receipt_blocks(receipts: pd.DataFrame, *, named: bool = True) -> tuple[Block, ...]:
    """Print the receipts of a season, summed by kind, and the files that need a look.

    Parameters
    ----------
    receipts : DataFrame
        RECEIPTS.
    named : bool
        Whether files are named, and what was repaired in them is told.
    """
    heading = Heading("Data quality")
    if receipts.empty:
        return (heading, Paragraph("No receipt of an import is on record."))
    read, kept, aside = (
        int(receipts[name].sum()) for name in ("rows_in", "rows_kept", "rows_set_aside")
    )
    said = (
        f"{count(int(receipts['sha256'].nunique()), 'file')} gave {count(read, 'row')}: {kept} "
        f"kept, {aside} set aside with a reason."
    )
    single = _single_files(receipts) if named else ()
    return heading, Paragraph(said), _sums(receipts), *single


def _sums(receipts: pd.DataFrame) -> TableBlock:
    """Sum by kind of file and by what the rows are; kinds without a row are passed over."""
    by = receipts[receipts["rows_in"].gt(0)].groupby(["kind", "table_name"], sort=True)
    frame = pd.DataFrame(
        {
            "Files": by["sha256"].nunique(),
            "Read": by["rows_in"].sum(),
            "Kept": by["rows_kept"].sum(),
            "Set aside": by["rows_set_aside"].sum(),
        }
    ).reset_index()
    frame["table_name"] = frame["table_name"].str.replace("_", " ")
    frame = frame.rename(columns={"kind": "Kind of file", "table_name": "What the rows are"})
    return TableBlock(frame, "What was read for the season, in rows.")


def _single_files(receipts: pd.DataFrame) -> tuple[Block, ...]:
    noted = receipts["notes"].notna() & receipts["notes"].ne("")
    marked = receipts[(receipts["rows_set_aside"].gt(0) | noted).to_numpy(dtype=bool)]
    if marked.empty:
        return ()
    marked = marked.sort_values(["rows_set_aside", "file"], ascending=[False, True])
    rows = marked.head(MOST_FILES)
    frame = pd.DataFrame(
        {
            "File": rows["file"],
            "What the rows are": rows["table_name"].str.replace("_", " "),
            "Set aside": rows["rows_set_aside"],
            "Repaired or assumed": rows["notes"].fillna("nothing"),
        }
    )
    rest = len(marked) - len(rows)
    caption = "Files of which rows were set aside, or something was repaired or assumed."
    caption += f" {rest} more {'is' if rest == 1 else 'are'} like these." if rest else ""
    return (TableBlock(frame, caption),)
