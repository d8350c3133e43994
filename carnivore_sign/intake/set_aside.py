"""Set aside: the rows that could not be used, listed, written out, corrected and read again.

A row set aside is kept as it came, for good; of a file with very many of them the later ones keep
their number, reason, length and hash, by which the file still has them (`reading.MAX_ORIGINALS`).
Corrected, a row is read by the reader of its kind and gets a receipt of its own that names the
earlier one; the row that it mends is then *settled* by that receipt and no longer listed. A
correction that is still faulty is set aside in its turn.
"""

from __future__ import annotations

import csv
import hashlib
import re
from collections.abc import Callable
from pathlib import Path
from typing import Final

import pandas as pd

from carnivore_sign.errors import FileUnreadable, InputError
from carnivore_sign.intake.clocks import require_zone
from carnivore_sign.intake.columns import TABLE_COLUMNS
from carnivore_sign.intake.gpx import read_gpx
from carnivore_sign.intake.importing import fit_into
from carnivore_sign.intake.nmea import read_nmea
from carnivore_sign.intake.point_table import read_point_table
from carnivore_sign.intake.reading import (
    MAX_CONTENT,
    NOT_KEPT,
    Reading,
    join_set_aside,
    rows_set_aside,
)
from carnivore_sign.intake.source import Source
from carnivore_sign.intake.tables import read_notebook
from carnivore_sign.intake.writing import SeasonWriter
from carnivore_sign.records.check import conform
from carnivore_sign.records.season import Season
from carnivore_sign.records.tables import RECEIPTS, SETTLED

#: Columns of the file of rows set aside; ``corrected`` is for the user to fill.
FILE_COLUMNS: Final = (
    "set_aside_no", "file", "table_name", "source_row", "reason", "heading", "content", "corrected",
)  # fmt: skip
_POINT_HEADING: Final = "lat,lon,time,elevation,name"
_ELEMENT: Final = {"fixes": "trkpt", "waypoints": "wpt", "route_points": "rtept"}
_AROUND: Final = {"fixes": ("trk", "trkseg"), "waypoints": (), "route_points": ("rte",)}
#: Letters that a spreadsheet takes for the beginning of a formula, and our own mark for them.
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r", "'")
_NOT_HERE: Final = "a row of this kind cannot be corrected as text: correct the file and import it"


def list_set_aside(season: Season, *, with_settled: bool = False) -> pd.DataFrame:
    """List the rows of a season that were set aside.

    Parameters
    ----------
    season : Season
        The season.
    with_settled : bool
        List those as well that a later receipt settled.

    Returns
    -------
    DataFrame
        One row each: ``set_aside_no`` (its number in table ``set_aside``, from 1), ``file`` and
        ``kind`` as in its receipt, the columns of table ``set_aside``, and ``settled_by``, the
        receipt that settled it.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> from carnivore_sign import create_season, import_files
    >>> folder = Path(tempfile.mkdtemp())
    >>> season = create_season(folder / "s.gpkg", name="North", time_zone="America/Denver")
    >>> rows = {"sign": ["A", "B"], "date": ["2026-02-14", "2026-02-30"], "time": "07:40"}
    >>> rows |= {"lat": 37.4, "lon": -119.2, "kind": "track"}
    >>> pd.DataFrame(rows).to_csv(folder / "sign.csv", index=False)
    >>> _ = import_files(season, [folder / "sign.csv"])
    >>> list_set_aside(season)[["file", "source_row"]].values.tolist()
    [['sign.csv', 3]]
    """
    aside = season.read("set_aside")
    aside.insert(0, "set_aside_no", range(1, len(aside) + 1))
    receipts = season.read("receipts").drop_duplicates("receipt").set_index("receipt")
    settled = season.read("settled").set_index("set_aside_no")["receipt"]
    listed = aside.assign(
        file=aside["receipt"].map(receipts["file"]),
        kind=aside["receipt"].map(receipts["kind"]),
        settled_by=aside["set_aside_no"].map(settled).astype(aside["receipt"].dtype),
    )
    if not with_settled:
        listed = listed[listed["settled_by"].isna()]
    return listed.reset_index(drop=True)


def write_set_aside(season: Season, path: str | Path) -> Path:
    """Write the rows set aside, and not settled, as CSV with a column to correct them in.

    Parameters
    ----------
    season : Season
        The season.
    path : path-like
        Where to (CSV, UTF-8). ``corrected`` holds the original text where that can be read
        again; otherwise write a row there with the columns of ``heading``. Lines that are not
        to be corrected may stay or go.

    Returns
    -------
    Path
        The file. A cell that a spreadsheet would run as a formula has an apostrophe in front,
        which is taken off when the file is read.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> from carnivore_sign import create_season, import_files
    >>> folder = Path(tempfile.mkdtemp())
    >>> season = create_season(folder / "s.gpkg", name="North", time_zone="America/Denver")
    >>> rows = {"sign": ["A", "B"], "date": ["2026-02-14", "2026-02-30"], "time": "07:40"}
    >>> rows |= {"lat": 37.4, "lon": -119.2, "kind": "track"}
    >>> pd.DataFrame(rows).to_csv(folder / "sign.csv", index=False)
    >>> _ = import_files(season, [folder / "sign.csv"])
    >>> pd.read_csv(write_set_aside(season, folder / "aside.csv"))["corrected"].item()
    'B,2026-02-30,07:40,37.4,-119.2,track'
    """
    path = Path(path)
    rows = list_set_aside(season)
    headings = [_heading(row.table_name, row.heading) for row in rows.itertuples()]
    rows = rows.assign(heading=headings, corrected=[
        row.content if _is_readable(row.table_name, row.heading, row.content) else ""
        for row in rows.itertuples()
    ])  # fmt: skip
    with path.open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(FILE_COLUMNS)
        for row in rows[list(FILE_COLUMNS)].itertuples(index=False, name=None):
            writer.writerow(["" if pd.isna(cell) else _harmless(str(cell)) for cell in row])
    return path


def reimport_set_aside(
    season: Season, path: str | Path, *, time_zone: str | None = None
) -> pd.DataFrame:
    """Read the corrections of rows set aside into the season.

    Parameters
    ----------
    season : Season
        The season; it grows by the rows that are right now, by those that are still faulty and
        set aside anew, by their receipts, and by the settlement of the rows corrected.
    path : path-like
        The file that `write_set_aside` wrote, with ``corrected`` filled where wanted. What is
        blank there, or as it was, is passed over; so is what was read already, as after a run
        that was broken off.
    time_zone : str, optional
        IANA name of the zone of times that carry none; that of the season, unless given.

    Returns
    -------
    DataFrame
        The receipts, as `import_files` gives them; each names the receipt that it corrects.

    Raises
    ------
    FileUnreadable
        If the file is not such a one.
    InputError
        If it corrects a row that the season does not have, or that was settled otherwise.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> from carnivore_sign import create_season, import_files
    >>> folder = Path(tempfile.mkdtemp())
    >>> season = create_season(folder / "s.gpkg", name="North", time_zone="America/Denver")
    >>> rows = {"sign": ["A", "B"], "date": ["2026-02-14", "2026-02-30"], "time": "07:40"}
    >>> rows |= {"lat": 37.4, "lon": -119.2, "kind": "track"}
    >>> pd.DataFrame(rows).to_csv(folder / "sign.csv", index=False)
    >>> _ = import_files(season, [folder / "sign.csv"])
    >>> table = pd.read_csv(write_set_aside(season, folder / "aside.csv"))
    >>> table["corrected"] = table["corrected"].str.replace("02-30", "02-20")
    >>> table.to_csv(folder / "mended.csv", index=False)
    >>> int(reimport_set_aside(season, folder / "mended.csv")["rows_kept"].item())
    1
    >>> len(list_set_aside(season))
    0
    """
    zone = require_zone(time_zone) or season.time_zone
    wanted = _corrections(season, Path(path))
    told: list[pd.DataFrame] = []
    for _, group in wanted.groupby(["receipt", "table_name"], sort=False):
        with SeasonWriter(season) as writer:
            reading, fresh, rows_known = fit_into(writer, _read_again(season, group, zone))
            written = reading.receipts(rows_known=rows_known)
            settled = pd.DataFrame(
                {"receipt": reading.receipt, "set_aside_no": group["set_aside_no"]}
            )
            frames = {**fresh, "set_aside": reading.set_aside, "settled": conform(settled, SETTLED)}
            writer.add(frames, written)
        told.append(written.assign(outcome="imported", problem=None))
    if not told:
        return conform(pd.DataFrame(), RECEIPTS).assign(
            outcome=pd.Series(dtype="object"), problem=pd.Series(dtype="object")
        )
    return pd.concat(told, ignore_index=True)


def _heading(table: str, heading: object) -> str:
    if isinstance(heading, str):
        return heading
    if table in _ELEMENT:
        return _POINT_HEADING
    return ",".join(TABLE_COLUMNS[table].names) if table in TABLE_COLUMNS else ""


def _is_readable(table: str, heading: object, content: object) -> bool:
    """Tell whether the original text of a row can be read again as it stands."""
    if not isinstance(content, str) or len(content) > MAX_CONTENT or content.startswith(NOT_KEPT):
        return False
    return isinstance(heading, str) or _is_element(table, content) or content.startswith("$")


def _is_element(table: str, text: str) -> bool:
    name = _ELEMENT.get(table)
    return name is not None and re.match(rf"\s*<(?:[\w.-]+:)?{name}[\s/>]", text) is not None


def _harmless(cell: str) -> str:
    return "'" + cell if cell.startswith(_FORMULA) else cell


def _original(cell: str) -> str:
    return cell[1:] if cell.startswith("'") and cell[1:].startswith(_FORMULA) else cell


def _corrections(season: Season, path: Path) -> pd.DataFrame:
    """Read the file of corrections; return the rows of `list_set_aside` that it corrects."""
    corrected = _filled(path)
    listed = list_set_aside(season, with_settled=True).set_index("set_aside_no", drop=False)
    strange = [number for number in corrected if number not in listed.index]
    if strange:
        raise InputError(
            f"the season has set aside no row number {strange[0]}",
            file=path,
            remedy="Write the file once more, with --set-aside, from this season.",
        )
    listed["corrected"] = pd.Series(corrected, dtype="object")
    wanted = listed[listed["corrected"].notna()]
    wanted = wanted[wanted["corrected"].ne(wanted["content"].fillna("").astype("object"))]
    wanted = wanted[~_read_before(season, wanted)]
    again = wanted[wanted["settled_by"].notna()]
    if len(again):
        raise InputError(
            f"row number {again['set_aside_no'].iloc[0]} was settled already with another text, "
            f"by receipt {again['settled_by'].iloc[0]}",
            file=path,
            remedy="Take its line out; a correction that was wrong is set aside with a number "
            "of its own.",
        )
    return wanted.reset_index(drop=True)


def _read_before(season: Season, wanted: pd.DataFrame) -> pd.Series:
    """Tell which corrections the season has, word by word: the hash of a receipt is of its text."""
    hashes = season.read("receipts").drop_duplicates("receipt").set_index("receipt")["sha256"]
    known = pd.Series(False, index=wanted.index)
    for settled_by, rows in wanted.groupby("settled_by", sort=False):
        known[rows.index] = _hash_of(rows) == hashes.get(settled_by)
    return known


def _hash_of(group: pd.DataFrame) -> str:
    """Return the hash of the corrections of one table of one receipt."""
    text = "\n".join([str(group["receipt"].iloc[0]), *group["corrected"]])
    return hashlib.sha256(text.encode()).hexdigest()


def _filled(path: Path) -> dict[int, str]:
    """Return the corrections that are not blank, by number."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = list(csv.DictReader(file))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise FileUnreadable(f"it cannot be read ({error})", file=path) from error
    if rows and not {"set_aside_no", "corrected"} <= set(rows[0]):
        raise FileUnreadable(
            "it has no columns set_aside_no and corrected",
            file=path,
            remedy="Write it with --set-aside, and save it as CSV with commas.",
        )
    filled: dict[int, str] = {}
    for place, row in enumerate(rows, start=2):
        number, text = (row["set_aside_no"] or "").strip(), _original(row["corrected"] or "")
        if not text.strip():
            continue
        if not number.isdecimal() or int(number) in filled:
            raise InputError(
                f"'{number}' is not the number of a row set aside, or stands twice",
                file=path,
                row=place,
                remedy="Leave column set_aside_no as it was written.",
            )
        filled[int(number)] = text
    return filled


def _read_again(season: Season, group: pd.DataFrame, zone: str) -> Reading:
    """Read the corrections of one table of one receipt; as a reading with the rows they had."""
    first = group.iloc[0]
    table = str(first["table_name"])
    sha256 = _hash_of(group)
    kept: list[pd.DataFrame] = []
    aside: list[pd.DataFrame] = []
    for row in group.itertuples():
        heading = _heading(table, row.heading)
        good, reason = _read_row(str(row.corrected), table, heading, zone)
        if reason is None:
            kept.append(good.assign(source_row=row.source_row))
        else:
            again = rows_set_aside(
                sha256[:12], table, rows=[row.source_row], reasons=[reason],
                contents=[row.corrected], heading=heading,
            )  # fmt: skip
            aside.append(again)
    from_table = season.read(table)
    frame = pd.concat(kept, ignore_index=True) if kept else from_table.iloc[:0]
    frame = frame.assign(receipt=pd.Series(sha256[:12], frame.index, from_table["receipt"].dtype))
    if table in _ELEMENT:
        frame = _as_of_log(season, from_table, frame, str(first["receipt"]))
    numbers = ", ".join(map(str, group["source_row"].head(20)))
    more = f" and {len(group) - 20} more" if len(group) > 20 else ""
    return Reading(
        file=f"{first['file']}, corrected",
        sha256=sha256,
        kind=str(first["kind"]),
        tables={table: frame},
        rows_in={table: len(group)},
        set_aside=join_set_aside(aside),
        notes=(f"corrects rows {numbers}{more} set aside under receipt {first['receipt']}",),
    )


def _read_row(text: str, table: str, heading: str, zone: str) -> tuple[pd.DataFrame, str | None]:
    """Read one corrected row; return it, or why it cannot be used."""
    try:
        reading = _reader(text, table, heading)(zone)
    except InputError as error:
        return pd.DataFrame(), f"the correction cannot be read: {error.what}"
    if sum(count for name, count in reading.rows_in.items() if name != "logs") != 1:
        return pd.DataFrame(), "the correction must be one row"
    if len(reading.set_aside):
        return pd.DataFrame(), str(reading.set_aside["reason"].iloc[0])
    if not len(reading.tables.get(table, ())):
        return pd.DataFrame(), f"the correction is no row of table {table}"
    return reading.tables[table], None


def _reader(text: str, table: str, heading: str) -> Callable[[str], Reading]:
    """Choose the reader of a corrected row by the look of its text."""
    if _is_element(table, text):
        mark = re.match(r"\s*<((?:[\w.-]+:)?)", text)
        names = [(mark[1] if mark else "") + name for name in ("gpx", *_AROUND[table])]
        opened = "".join(f"<{name}>" for name in names)
        closed = "".join(f"</{name}>" for name in reversed(names))
        return lambda zone: read_gpx(_source(opened + text + closed), time_zone=zone)
    if table in _ELEMENT and text.startswith("$"):
        return lambda zone: read_nmea(_source(text.replace(" $", "\n$")), time_zone=zone)
    lines = _source(f"{heading}\n{text}\n")
    if table in TABLE_COLUMNS:
        return lambda zone: read_notebook(lines, table, time_zone=zone)
    if table in _ELEMENT:
        return lambda zone: read_point_table(lines, time_zone=zone)
    raise InputError(_NOT_HERE)


def _source(text: str) -> Source:
    data = text.encode()
    return Source(Path("correction"), hashlib.sha256(data).hexdigest(), data)


def _as_of_log(
    season: Season, from_table: pd.DataFrame, frame: pd.DataFrame, receipt: str
) -> pd.DataFrame:
    """Give corrected points the log that they came with, and the part of their neighbours."""
    logs = season.read("logs")
    own = logs.loc[logs["receipt"].eq(receipt), "log"]
    name = own.iloc[0] if len(own) else receipt
    frame = frame.assign(log=pd.Series(name, frame.index, from_table["log"].dtype))
    part = next((column for column in ("part", "route") if column in frame), None)
    before = from_table[from_table["receipt"].eq(receipt)].sort_values("source_row")
    if part is None or not len(before) or not len(frame):
        return frame
    at = (
        before["source_row"]
        .to_numpy(dtype=float)
        .searchsorted(frame["source_row"].to_numpy(dtype=float))
    )
    parts = before[part].to_numpy(dtype=int)[(at - 1).clip(0)]
    return frame.assign(**{part: pd.array(parts, dtype="Int64")})
