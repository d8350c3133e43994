"""Chain: what a run wrote, told to people and to machines; and the tables and layers it writes."""

from __future__ import annotations

import datetime as dt
import sqlite3
from collections.abc import Iterable, Mapping
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd

from carnivore_sign.chain.analysis import Analysis
from carnivore_sign.chain.options import AnalysisOptions
from carnivore_sign.chain.units import cells_from_text
from carnivore_sign.errors import InputError
from carnivore_sign.maps import METRIC, Edition, Measures
from carnivore_sign.maps.gis_styles import Rule, as_qml, as_sld
from carnivore_sign.reports import Choices, PageRecord
from carnivore_sign.writing import clear_database, write_whole


@dataclass(frozen=True)
class Outcome:
    """What a run computed and wrote.

    Attributes
    ----------
    title : str
        What was made, in one line.
    numbers : mapping
        The chief numbers by name; missing ones are None.
    files : mapping of str to Path
        What was written, by what it is.
    messages : tuple of str
        What should be known about the numbers.
    """

    title: str
    numbers: Mapping[str, Any] = field(default_factory=dict)
    files: Mapping[str, Path] = field(default_factory=dict)
    messages: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, ready for JSON."""
        return {
            "title": self.title,
            "numbers": {name: plain(value) for name, value in self.numbers.items()},
            "files": {what: str(path) for what, path in self.files.items()},
            "messages": list(self.messages),
        }

    def lines(self) -> list[str]:
        """Return what a person reads on the terminal."""
        width = max((len(what) for what in self.files), default=0)
        return [
            self.title,
            *(f"  {what:<{width}}  {path}" for what, path in self.files.items()),
            *(f"  note: {message}" for message in self.messages if message),
        ]


def plain(value: Any) -> Any:
    """Turn a number of numpy or pandas into one of Python; what is missing becomes None."""
    if isinstance(value, dict):
        return {name: plain(inner) for name, inner in value.items()}
    if isinstance(value, list | tuple):
        return [plain(inner) for inner in value]
    if pd.api.types.is_scalar(value) and pd.isna(value):
        return None
    if isinstance(value, pd.Timestamp):
        return value.isoformat()
    return value.item() if isinstance(value, np.generic) else value


def rows_of(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Turn a frame without geometry into rows that JSON can hold."""
    rows = pd.DataFrame(frame).drop(columns="geometry", errors="ignore").to_dict("records")
    return [{str(name): plain(value) for name, value in row.items()} for row in rows]


def output_folder(path: str | Path) -> Path:
    """Make the folder that a run writes to; a file in its place is an error."""
    folder = Path(path)
    if folder.exists() and not folder.is_dir():
        raise InputError("there is a file of that name", file=folder, remedy="Name a folder.")
    folder.mkdir(parents=True, exist_ok=True)
    return folder


#: Significant digits of numbers in CSV, and decimals of degrees there.
_DIGITS: Final = 6
_DEGREE_DECIMALS: Final = 7

_STYLE_TABLE: Final = """
CREATE TABLE layer_styles (
  id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT(256),
  f_table_schema TEXT(256), f_table_name TEXT(256), f_geometry_column TEXT(256),
  styleName TEXT(30), styleQML TEXT, styleSLD TEXT, useAsDefault BOOLEAN, description TEXT,
  owner TEXT(30), ui TEXT(30), update_time DATETIME
)
"""

#: Folder beside a page that holds the full tables.
TABLES: Final = "tables"


def page_record(
    analysis: Analysis,
    made_on: dt.date | None,
    messages: Iterable[str] = (),
    *,
    edition: Edition | None = None,
    measures: Measures = METRIC,
) -> PageRecord:
    """Say what a page rests on: the season, its inputs, the choices, and what the fit says."""
    today = dt.datetime.now(analysis.season.zone).date()
    return PageRecord(
        season=analysis.season.name,
        time_zone=analysis.season.time_zone,
        made_on=made_on or today,
        receipts=analysis.receipts,
        choices=page_choices(analysis, messages),
        tables=TABLES,
        edition=edition or Edition(),
        measures=measures,
    )


def page_choices(analysis: Analysis, messages: Iterable[str] = ()) -> Choices:
    """Put the choices of an analysis into words."""
    options = analysis.options
    changed = {
        "positions left out as well": ", ".join(options.leave_out),
        "positions counted all the same": ", ".join(options.keep_in),
        "the word of observers is weighed by their answers in": _file_name(options.observer_test),
        "likelihood ratios are moved by the known prints in": _file_name(options.collection),
    }
    return Choices(
        region=options.region.replace("_", " "),
        prior=analysis.region_prior.to_dict(),
        shares=analysis.prior.to_dict() if options.learn_prior else {},
        settings={
            **_units_in_words(options),
            "a position is on a segment within": f"{options.tolerance_m:g} m",
            "walking is no faster than": f"{options.max_speed_m_s:g} m/s",
            "a trail is on a segment within": f"{options.max_offset_m:g} m",
            **{what: flags for what, flags in changed.items() if flags},
        },
        messages=tuple(filter(None, messages)),
    )


def _units_in_words(options: AnalysisOptions) -> dict[str, str]:
    if options.cells:
        return {"units of maps and tables": cells_from_text(options.cells).words}
    if options.areas:
        return {"units of maps and tables": f"the areas in {_file_name(options.areas)}"}
    return {"length of segments": f"{options.segment_length_m:g} m"}


def _file_name(path: str | None) -> str:
    return "" if path is None else Path(path).name


def refuse_wider(folder: Path, tables: Mapping[str, object], *, made_for: str) -> None:
    """Refuse a folder that holds other tables than these, so that none is handed on with them."""
    if made_for == "managers":
        return
    others = sorted({path.stem for path in folder.glob("*.csv")} - set(tables))
    if others:
        raise InputError(
            f"the folder holds tables that are not for this reader ({', '.join(others[:4])})",
            file=folder,
            remedy="Name a new folder, so that what is passed on holds nothing else.",
        )


def write_csv(folder: Path, tables: Mapping[str, pd.DataFrame]) -> dict[str, Path]:
    """Write tables as CSV (UTF-8; positions as well-known text).

    Times are ISO 8601 in UTC to the second, as ``2026-03-04T16:05:00Z``. Numbers have six
    significant digits, and never less than whole ones; degrees and positions have seven
    decimals, about a centimetre. A cell whose text a spreadsheet would run as a formula gets an
    apostrophe in front.
    """
    folder.mkdir(exist_ok=True)
    written = {}
    for name, table in tables.items():
        path = folder / f"{name}.csv"
        write_whole(path, _harmless(_as_printed(table)).to_csv(index=False).encode("utf-8"))
        written[f"table {name}"] = path
    return written


def _as_printed(table: pd.DataFrame) -> pd.DataFrame:
    """Give times, numbers and positions the form in which they are written."""
    frame = table
    if isinstance(table, gpd.GeoDataFrame):
        frame = pd.DataFrame(table.to_wkt(rounding_precision=_DEGREE_DECIMALS))
    printed = {}
    for name in frame:
        column = frame[name]
        if pd.api.types.is_datetime64_any_dtype(column.dtype):
            utc = pd.to_datetime(column, utc=True)
            printed[name] = utc.dt.floor("s").dt.strftime("%Y-%m-%dT%H:%M:%SZ")
        elif pd.api.types.is_float_dtype(column.dtype):
            places = str(name).endswith(("longitude_deg", "latitude_deg"))
            printed[name] = column.round(_DEGREE_DECIMALS) if places else _rounded(column)
    return frame.assign(**printed)


def _rounded(column: pd.Series) -> pd.Series:
    """Round to significant digits, each number by its own size, and never above the units."""
    values = column.to_numpy(dtype=float, na_value=np.nan)
    size = np.abs(np.where(np.isfinite(values) & (values != 0), values, 1.0))
    scale = 10.0 ** np.clip(_DIGITS - 1 - np.floor(np.log10(size)), 0, 22)
    return pd.Series(np.rint(values * scale) / scale, index=column.index)


def _harmless(frame: pd.DataFrame) -> pd.DataFrame:
    texts = [name for name in frame if pd.api.types.is_string_dtype(frame[name].dtype)]
    mended = {
        name: frame[name].where(
            ~frame[name].astype("object").astype(str).str.contains(r"^[=+\-@\t\r]", na=False),
            "'" + frame[name].astype("object").astype(str),
        )
        for name in texts
    }
    return frame.assign(**mended)


def write_layers(
    path: Path,
    layers: Mapping[str, gpd.GeoDataFrame],
    *,
    rules: Mapping[str, tuple[Rule, ...]] | None = None,
    made_on: dt.date | None = None,
) -> Path:
    """Write layers as one GeoPackage, replacing the file whole.

    Parameters
    ----------
    path : Path
        The file.
    layers : mapping of str to GeoDataFrame
        Layers by name; empty ones are left out.
    rules : mapping of str to tuple of Rule, optional
        How a GIS shall show a layer.
    made_on : date, optional
        Date that the file says it was changed on, so that the same layers give the same bytes.
    """
    fresh = path.with_name(f".{path.stem}.new.gpkg")
    clear_database(fresh)
    written = {name: layer for name, layer in layers.items() if len(layer)}
    for name, layer in written.items():
        layer.to_file(fresh, layer=name, driver="GPKG")
    if not written:
        path.unlink(missing_ok=True)
        return path
    moment = f"{made_on or dt.datetime.now(dt.UTC).date()}T00:00:00.000Z"
    with closing(sqlite3.connect(fresh)) as base, base:
        _add_styles(base, {n: r for n, r in (rules or {}).items() if n in written}, moment)
        base.execute("UPDATE gpkg_contents SET last_change = ?", (moment,))
    fresh.replace(path)
    return path


def _add_styles(
    base: sqlite3.Connection, rules: Mapping[str, tuple[Rule, ...]], moment: str
) -> None:
    """Write the table of styles that a GIS looks for beside the layers."""
    if not rules:
        return
    base.execute(_STYLE_TABLE)
    base.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier) "
        "VALUES ('layer_styles', 'attributes', 'layer_styles')"
    )
    base.executemany(
        "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, "
        "f_geometry_column, styleName, styleQML, styleSLD, useAsDefault, description, owner, "
        "update_time) VALUES ('', '', ?, 'geom', ?, ?, ?, 1, '', '', ?)",
        [(name, name, as_qml(of), as_sld(name, of), moment) for name, of in rules.items()],
    )
