"""Settling: rows set aside once that a mended table brings in later.

Who corrects the notebook and imports it once more has corrected the rows that were set aside of it.
They are found by their name (of sign, print, incident), and where a table has no names by the file
and the row. A row that is still faulty in the mended table, word for word, is listed once: as the
later one. A row that was settled, and comes once more as it was (the notebook is imported again
after its rows were corrected by ``set-aside``), is settled by what settled it then.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from typing import Any, Final

import pandas as pd

from carnivore_sign.intake.columns import TABLE_COLUMNS
from carnivore_sign.intake.reading import Reading
from carnivore_sign.intake.sheets import separator_of
from carnivore_sign.records.check import conform, empty
from carnivore_sign.records.season import Season
from carnivore_sign.records.tables import SEASON_TABLES, SETTLED

#: Columns of a row set aside that say what was written, and where it would have gone.
_WORDS: Final = ("table_name", "heading", "content")
#: Columns of a notebook that are called otherwise in the record.
_WRITTEN: Mapping[str, str] = {"print_no": "print"}


def settle_mended(
    season: Season, reading: Reading, fresh: Mapping[str, pd.DataFrame]
) -> pd.DataFrame:
    """Find the rows set aside earlier that a table read now brings in, or sets aside anew.

    Parameters
    ----------
    season : Season
        The season, without the reading.
    reading : Reading
        What a file gave; only a notebook table settles anything.
    fresh : mapping of str to DataFrame
        The rows of it that are new in the season.

    Returns
    -------
    DataFrame
        As table ``settled``.
    """
    name = next(iter(reading.tables), None)
    if name not in TABLE_COLUMNS:
        return empty(SETTLED)
    aside = season.read("set_aside")
    aside["set_aside_no"] = range(1, len(aside) + 1)
    open_ = ~aside["set_aside_no"].isin(season.read("settled")["set_aside_no"])
    aside = aside.loc[open_ & aside["table_name"].eq(name)]
    if not len(aside):
        return empty(SETTLED)
    keys = list(SEASON_TABLES[name].key)
    rows = fresh[name]
    again = aside["content"].notna() & aside["content"].isin(reading.set_aside["content"])
    if keys:
        came = {_plain(row) for row in rows[keys].itertuples(index=False, name=None)}
        names = [_name(row.content, row.heading, name, keys) for row in aside.itertuples()]
        mended = pd.Series([one in came for one in names], index=aside.index, dtype=bool)
    else:
        files = season.read("receipts").drop_duplicates("receipt").set_index("receipt")["file"]
        same = aside["receipt"].map(files).eq(reading.file)
        mended = same & aside["source_row"].isin(rows["source_row"])
    settled = aside.loc[again | mended, ["set_aside_no"]]
    return conform(settled.assign(receipt=reading.receipt).reset_index(drop=True), SETTLED)


def settle_repeated(season: Season, reading: Reading) -> pd.DataFrame:
    """Find the rows that a reading set aside which are, word for word, rows settled before.

    Parameters
    ----------
    season : Season
        The season, with the reading written to it.
    reading : Reading
        What the file gave.

    Returns
    -------
    DataFrame
        As table ``settled``; each with the receipt that settled the row before. Where another
        copy was open until this reading, the row stays open.
    """
    wanted = reading.set_aside["content"].dropna()
    settled = season.read("settled")
    settled = settled[settled["receipt"].ne(reading.receipt)]
    if wanted.empty or settled.empty:
        return empty(SETTLED)
    aside = season.read("set_aside")
    aside["set_aside_no"] = range(1, len(aside) + 1)
    aside = aside.loc[aside["content"].isin(wanted), [*_WORDS, "set_aside_no", "receipt"]]
    aside["by"] = aside["set_aside_no"].map(settled.set_index("set_aside_no")["receipt"])
    ours = aside["receipt"].eq(reading.receipt)
    before = aside[~ours].groupby(list(_WORDS), dropna=False)["by"].agg(_last_if_all)
    fresh = aside[ours & aside["by"].isna()].drop(columns=["receipt", "by"])
    found = fresh.merge(before.rename("receipt").reset_index(), on=list(_WORDS))
    return conform(found.dropna(subset="receipt")[list(SETTLED.names)], SETTLED)


def _last_if_all(receipts: pd.Series) -> Any:
    """Return the last receipt, if every row has one."""
    return receipts.iloc[-1] if receipts.notna().all() else None


def _name(content: Any, heading: Any, table: str, keys: list[str]) -> tuple[str, ...]:
    """Return the name that a row set aside has; nothing if it has none."""
    if not isinstance(content, str) or not isinstance(heading, str):
        return ()
    separator = separator_of(heading)
    header, cells = (
        next(csv.reader([line], delimiter=separator), []) for line in (heading, content)
    )
    places = TABLE_COLUMNS[table].match(header)[0]
    found = [places.get(_WRITTEN.get(key, key), len(cells)) for key in keys]
    return _plain([cells[place] if place < len(cells) else "" for place in found])


def _plain(name: Any) -> tuple[str, ...]:
    words = tuple(str(part).strip() for part in name)
    return words if all(words) else ()
