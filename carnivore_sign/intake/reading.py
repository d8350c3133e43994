"""Reading: what one file gave, with every row accounted for.

A `Reading` cannot be built unless, for each table, the rows read are the rows kept plus the
rows set aside. Readers make it through `make_reading`, which sorts rows into the two.
"""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import islice
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd

from carnivore_sign._version import __version__
from carnivore_sign.errors import InputError
from carnivore_sign.intake.log_tables import LogTables, moments
from carnivore_sign.intake.source import Source
from carnivore_sign.records.check import TEXT, conform, empty, split_faults
from carnivore_sign.records.tables import RECEIPTS, SET_ASIDE, Table

#: Longest piece of the original that is kept with a row set aside, in characters.
MAX_CONTENT: Final = 4000
#: Longest reason, in characters: it tells what came, which may be anything.
MAX_REASON: Final = 1000
#: Originals that are kept of the rows set aside of one table of one file, in characters with their
#: headings. Who hands over a file of a million faulty rows needs their numbers, their reasons and
#: some of them; of the others the length and the hash are kept, and the file has them.
MAX_ORIGINALS: Final = 8 * 2**20
#: How the original of such a row begins.
NOT_KEPT: Final = "not kept: "
_PIECE: Final = 20_000
_NOTHING: Final = empty(SET_ASIDE)

#: The receipts of one file as columns of table ``receipts``, a value per table of the file; the
#: time as milliseconds since 1970 UTC.
ReceiptColumns = dict[str, list[Any]]


@dataclass(frozen=True, eq=False)
class Reading:
    """What one file gave.

    Attributes
    ----------
    file : str
        Name of the file, without its folder.
    sha256 : str
        Hash of its content.
    kind : str
        What it was recognised as; a key of `carnivore_sign.intake.kinds.KINDS`.
    tables : mapping of str to DataFrame
        The rows kept, by table, each conformed to its schema with the receipt filled in. Those
        of a log are made when they are first asked for (`LogTables`).
    rows_in : dict of str to int
        The rows read, by table.
    set_aside : DataFrame
        The rows that could not be used, as table ``set_aside``: one row each, with its reason.
    notes : tuple of str
        What was repaired, assumed or left out.
    """

    file: str
    sha256: str
    kind: str
    tables: Mapping[str, pd.DataFrame | gpd.GeoDataFrame]
    rows_in: dict[str, int]
    set_aside: pd.DataFrame = field(default_factory=_NOTHING.copy)
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        aside, rows_kept = self.rows_set_aside, self.rows_kept
        for table, came in self.rows_in.items():
            kept = rows_kept[table]
            if came != kept + aside[table]:
                raise InputError(
                    f"table '{table}': {came} rows came, and {kept} kept and {aside[table]} set "
                    "aside do not make that up",
                    file=self.file,
                )
        strays = set(self.tables) ^ set(self.rows_in) | set(self.set_aside["table_name"]) - set(
            self.tables
        )
        if strays:
            raise InputError(f"rows without a count: {sorted(strays)}", file=self.file)

    @property
    def receipt(self) -> str:
        """Name of the receipt: the first 12 digits of the hash."""
        return self.sha256[:12]

    @property
    def rows_kept(self) -> dict[str, int]:
        """The rows kept, by table."""
        if isinstance(self.tables, LogTables):
            return self.tables.counts
        return {name: len(frame) for name, frame in self.tables.items()}

    @property
    def rows_set_aside(self) -> dict[str, int]:
        """The rows set aside, by table."""
        if not len(self.set_aside):
            return dict.fromkeys(self.tables, 0)
        counts = self.set_aside["table_name"].value_counts()
        return {name: int(counts.get(name, 0)) for name in self.tables}

    def receipts(
        self, *, imported_at: datetime | None = None, rows_known: Mapping[str, int] | None = None
    ) -> pd.DataFrame:
        """Return the receipts of this reading, one row per table.

        Parameters
        ----------
        imported_at : datetime, optional
            When (with a zone); now, unless given.
        rows_known : mapping of str to int, optional
            Of the rows kept, those that the season had already, by table.
        """
        return receipt_frame([self.receipt_columns(imported_at=imported_at, rows_known=rows_known)])

    def receipt_columns(
        self, *, imported_at: datetime | None = None, rows_known: Mapping[str, int] | None = None
    ) -> ReceiptColumns:
        """Return the receipts of this reading as lists, one value per table; see `receipts`."""
        known = rows_known or {}
        aside, kept = self.rows_set_aside, self.rows_kept
        names = list(self.tables)
        same = {
            "receipt": self.receipt,
            "file": self.file,
            "sha256": self.sha256,
            "kind": self.kind,
            "notes": "; ".join(self.notes) or None,
            "imported_at": round((imported_at or datetime.now(UTC)).timestamp() * 1000),
            "library_version": __version__,
        }
        return {
            **{name: [value] * len(names) for name, value in same.items()},
            "table_name": names,
            "rows_in": [self.rows_in[name] for name in names],
            "rows_kept": [kept[name] for name in names],
            "rows_set_aside": [aside[name] for name in names],
            "rows_known": [known.get(name, 0) for name in names],
        }


def receipt_frame(receipts: Sequence[ReceiptColumns]) -> pd.DataFrame:
    """Return receipts of one or more files as table ``receipts``."""
    columns: dict[str, Any] = dict(joined_receipts(receipts))
    columns["imported_at"] = moments(np.array(columns["imported_at"], dtype=np.int64))
    return conform(pd.DataFrame(columns), RECEIPTS)


def joined_receipts(receipts: Sequence[ReceiptColumns]) -> ReceiptColumns:
    """Return the receipts of several files as one."""
    return {
        name: [value for receipt in receipts for value in receipt[name]] for name in RECEIPTS.names
    }


def rows_set_aside(
    receipt: str,
    table: str,
    *,
    rows: Sequence[int],
    reasons: Sequence[str],
    contents: Iterable[str | None],
    heading: str | None = None,
) -> pd.DataFrame:
    """Return rows of table ``set_aside``, the original text cut at `MAX_CONTENT` characters.

    `heading` is the first row of the table that they came from, if it was a table. Behind
    `MAX_ORIGINALS` characters the length and the hash of an original stand in its place.
    """
    if not rows:
        return _NOTHING.copy()
    heading = _shortened(heading)
    originals, whole = _within_budget(contents, len(heading or ""))
    texts = {
        "receipt": pd.array([receipt], dtype=TEXT).repeat(len(rows)),
        "table_name": pd.array([table], dtype=TEXT).repeat(len(rows)),
        "reason": _in_pieces(reason[:MAX_REASON] for reason in reasons),
        "content": originals,
        "heading": pd.array([heading, None], dtype=TEXT).repeat([whole, len(rows) - whole]),
    }
    columns = {**texts, "source_row": pd.array(rows, dtype="Int64")}
    return pd.DataFrame({name: columns[name] for name in SET_ASIDE.names})


def csv_line(cells: Sequence[object], separator: str = ",") -> str:
    """Return cells as a line of CSV without its end.

    Examples
    --------
    >>> csv_line(["S1", "fox, or dog"])
    'S1,"fox, or dog"'
    """
    line = io.StringIO()
    csv.writer(line, delimiter=separator, lineterminator="").writerow(cells)
    return line.getvalue()


def join_set_aside(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Join frames of table ``set_aside``."""
    filled = [frame for frame in frames if len(frame)]
    return pd.concat(filled, ignore_index=True) if filled else _NOTHING.copy()


def sort_rows(
    rows: pd.DataFrame,
    table: Table,
    *,
    faults: pd.DataFrame,
    contents: pd.Series,
    receipt: str,
    heading: str | None = None,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Sort rows into those that keep to `table` and those set aside with their reasons.

    Parameters
    ----------
    rows : DataFrame or GeoDataFrame
        The rows as read, index 0 to n-1, with a column ``source_row``.
    table : Table
        The schema that they are held against.
    faults : DataFrame
        What the reader found wrong already: columns ``row`` (label of `rows`), ``reason``.
    contents : Series of str
        The original text of each row.
    receipt : str
        Name of the receipt.
    heading : str, optional
        First row of the table, as `csv_line` gives it.

    Returns
    -------
    kept : DataFrame or GeoDataFrame
        The good rows, index 0 to m-1.
    set_aside : DataFrame
        One row for each of the others.

    Notes
    -----
    A name that stands in the file twice holds back every row of that name, whatever else is
    wrong with them: what belongs to the name (the prints of a sign) could join the wrong one.
    Only of rows that are the same word for word the first is kept.
    """
    faults = pd.concat([faults[["row", "reason"]], _named_twice(rows, table, contents)])
    sound = ~rows.index.isin(faults["row"])
    kept, more = split_faults(rows.loc[sound], table)
    told = more["column"] + ": " + more["reason"] + _came(more["value"])
    reasons = pd.concat(
        [faults, pd.DataFrame({"row": more["row"], "reason": told})],
        ignore_index=True,
    )
    joined = reasons.groupby("row", sort=True)["reason"].agg(
        lambda some: "; ".join(dict.fromkeys(some))
    )
    aside = rows_set_aside(
        receipt,
        table.name,
        rows=rows.loc[joined.index, "source_row"].tolist(),
        reasons=joined.tolist(),
        contents=contents.loc[joined.index].tolist(),
        heading=heading,
    )
    return kept.reset_index(drop=True), aside


def _named_twice(rows: pd.DataFrame, table: Table, contents: pd.Series) -> pd.DataFrame:
    """List the rows that share their name with another row of the file."""
    keys = [key for key in table.key if key in rows]
    names = pd.DataFrame(rows[keys])
    if len(keys) < len(table.key) or not names.duplicated().any():
        return pd.DataFrame({"row": [], "reason": []}, dtype="object")
    named = rows.loc[rows[keys].notna().all(axis=1), [*keys, "source_row"]].astype("object")
    named["content"] = contents.loc[named.index]
    shared = named[named.duplicated(keys, keep=False)]
    found = [
        (row, reason)
        for names, group in shared.groupby(keys, sort=False)
        for row, reason in zip(group.index, _why_twice(keys, names, group), strict=True)
        if reason
    ]
    return pd.DataFrame(found, columns=["row", "reason"], dtype="object")


def _why_twice(keys: list[str], names: tuple[object, ...], group: pd.DataFrame) -> list[str]:
    """Say for each row of one name why it is held back; nothing for the one that is kept."""
    numbers = group["source_row"].tolist()
    if group["content"].eq(group["content"].iloc[0]).all():
        return ["", *[f"the same as row {numbers[0]}, word for word"] * (len(group) - 1)]
    told = ", ".join(f"{key} {name}" for key, name in zip(keys, names, strict=True))
    shown = ", ".join(map(str, numbers[:10])) + (", ..." if len(numbers) > 10 else "")
    return [
        f"{told} stands in the file more than once (rows {shown}) and says different things, so "
        "that none of them is kept: give each a name of its own, and import the file again"
    ] * len(group)


def make_reading(
    source: Source,
    kind: str,
    *,
    tables: Mapping[str, pd.DataFrame],
    rows_in: dict[str, int],
    set_aside: Sequence[pd.DataFrame],
    notes: Sequence[str],
) -> Reading:
    """Make the reading of a source; `rows_in` is what the reader counted before it sorted."""
    joined = join_set_aside(set_aside)
    return Reading(
        file=source.path.name,
        sha256=source.sha256,
        kind=kind,
        tables=tables,
        rows_in=rows_in,
        set_aside=joined,
        notes=(*source.notes, *notes, *_originals_note(joined)),
    )


def _came(values: pd.Series) -> pd.Series:
    shown = values.map(lambda value: "" if value is None or pd.isna(value) else f" (came: {value})")
    return shown.astype("object")


def _within_budget(
    contents: Iterable[str | None], heading_length: int
) -> tuple[pd.api.extensions.ExtensionArray, int]:
    """Shorten originals, behind `MAX_ORIGINALS` to their hash; say how many come before that."""
    left, whole = MAX_ORIGINALS, 0

    def shortened() -> Iterator[str | None]:
        nonlocal left, whole
        for content in contents:
            short = _shortened(content)
            left -= len(short or "") + heading_length
            whole += left >= 0
            yield short if left >= 0 else _hashed(content)

    originals = _in_pieces(shortened())
    return originals, whole


def _in_pieces(words: Iterable[str | None]) -> pd.api.extensions.ExtensionArray:
    """Return words as an array, of which but a piece stands in memory as single words."""
    coming = iter(words)
    pieces = [pd.array([], dtype=TEXT)]
    while piece := list(islice(coming, _PIECE)):
        pieces.append(pd.array(piece, dtype=TEXT))
    return pd.concat([pd.Series(piece) for piece in pieces], ignore_index=True).array


def _hashed(text: str | None) -> str | None:
    """Return the length and the hash of an original that is not kept."""
    if text is None:
        return None
    digest = hashlib.sha256(text.encode("utf-8", errors="surrogatepass")).hexdigest()
    return f"{NOT_KEPT}{len(text)} characters, sha256 {digest[:16]}"


def _originals_note(set_aside: pd.DataFrame) -> tuple[str, ...]:
    """Say of how many rows set aside the original is not kept."""
    if len(set_aside) == 0:
        return ()
    count = int(set_aside["content"].str.startswith(NOT_KEPT, na=False).sum())
    if not count:
        return ()
    return (
        f"so many rows were set aside that the originals of {count:,} of them are not kept: their "
        "row numbers, reasons, lengths and hashes are, so keep the file",
    )


def _shortened(text: str | None) -> str | None:
    if text is None or len(text) <= MAX_CONTENT:
        return text
    return text[:MAX_CONTENT] + f" ... ({len(text)} characters)"
