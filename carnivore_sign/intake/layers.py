"""Layers: transects and parcels from any vector file that pyogrio reads.

Lines are transects and polygons are parcels, whatever the file is called. Names come from a
column ``transect`` or ``parcel``, or else ``name`` or ``id``. A file without a reference
system is refused unless one is stated: a guess would move every line.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from contextlib import suppress
from typing import Final
from xml.parsers import expat

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import shapely

from carnivore_sign.errors import CrsMissing, FileUnreadable, InputError
from carnivore_sign.intake.cells import words_from_text
from carnivore_sign.intake.reading import Reading, make_reading, sort_rows
from carnivore_sign.intake.source import Source, as_utf8
from carnivore_sign.records.tables import PARCELS, TRANSECTS, Table
from carnivore_sign.records.vocabularies import SURFACES
from carnivore_sign.space import STORED_CRS

_NAMES: Final = {
    "transects": ("transect", "transect_name", "name", "id", "transect_id"),
    "parcels": ("parcel", "parcel_name", "name", "id", "parcel_id"),
}
_OWNER: Final = ("owner_reference", "owner_ref", "reference")
_TABLES: Final[dict[str, Table]] = {"transects": TRANSECTS, "parcels": PARCELS}
_SHAPES: Final = {"LineString": "transects", "Polygon": "parcels"}


def read_layer(source: Source, *, crs: str | None = None) -> Reading:
    """Read transects and parcels.

    Parameters
    ----------
    source : Source
        The file.
    crs : str, optional
        Reference system of a file that states none. What a file states itself is believed.

    Returns
    -------
    Reading
        Tables ``transects`` and ``parcels``, as far as the file has lines and polygons, in
        EPSG:4326, flat. ``source_row`` counts the features of the file from 1. Features that
        are neither, that are empty or invalid, or that have no name are set aside.

    Raises
    ------
    FileUnreadable
        If pyogrio cannot read it, or it holds no feature.
    CrsMissing
        If it states no reference system and none is given.
    InputError
        If no column holds the names.
    """
    features, notes = _read_features(source, crs)
    return layer_reading(source, features, notes=notes)


def layer_reading(
    source: Source, features: gpd.GeoDataFrame, *, notes: Sequence[str] = ()
) -> Reading:
    """Make the reading of a layer from its features.

    Parameters
    ----------
    source : Source
        The file.
    features : GeoDataFrame
        One row per feature, in EPSG:4326, in the order of the file.
    notes : sequence of str
        What was repaired, assumed or left out so far.

    Returns
    -------
    Reading
        As `read_layer`.

    Raises
    ------
    InputError
        If no column holds the names.
    """
    notes = list(notes)
    features = features.reset_index(drop=True)
    features["source_row"] = np.arange(1, len(features) + 1)
    shape = features.geom_type.fillna("").str.removeprefix("Multi")
    kind = shape.map(_SHAPES)
    most = kind.dropna().mode()
    goes_to = kind.fillna(most.iloc[0] if len(most) else "transects")
    tables: dict[str, pd.DataFrame] = {}
    aside: list[pd.DataFrame] = []
    rows_in: dict[str, int] = {}
    for name in dict.fromkeys(goes_to):
        some = features.loc[goes_to.eq(name)]
        tables[name], bad, told = _sorted(some, name, source)
        rows_in[name] = len(some)
        aside.append(bad)
        notes += told
    return make_reading(
        source, "layer", tables=tables, rows_in=rows_in, set_aside=aside, notes=notes
    )


def _read_features(source: Source, crs: str | None) -> tuple[gpd.GeoDataFrame, list[str]]:
    if source.data.lstrip()[:1] == b"<":
        _refuse_entities(source)
    if source.path.suffix.lower() == ".shx":
        raise FileUnreadable(
            "this is the index of a shapefile", file=source.path, remedy="Name the .shp beside it."
        )
    with warnings.catch_warnings(record=True) as warned:
        warnings.simplefilter("always")
        try:
            names = [name for name, shape in pyogrio.list_layers(source.path) if shape is not None]
            frames = [_read_one(source, str(name)) for name in names]
        # The root of every error of pyogrio; and the name of a layer that is not whole UTF-8.
        except (RuntimeError, UnicodeDecodeError) as error:
            raise FileUnreadable(
                f"the layer cannot be read ({error})",
                file=source.path,
                remedy="Open it in a GIS and export it as GeoPackage or GeoJSON.",
            ) from error
    notes = list(dict.fromkeys(str(warning.message) for warning in warned))
    frames = [frame for frame in frames if len(frame)]
    if not frames:
        raise FileUnreadable(
            "it holds no line and no polygon", file=source.path, remedy="Export the layer again."
        )
    placed = [_with_crs(frame, crs, source, notes) for frame in frames]
    features = pd.concat(placed, ignore_index=True)
    if features.has_z.any():
        notes.append("heights were left out")
    features = features.set_geometry(features.geometry.force_2d())
    return features, notes


def _read_one(source: Source, layer: str) -> gpd.GeoDataFrame:
    try:
        frame = pyogrio.read_dataframe(source.path, layer=layer, on_invalid="ignore")
    except UnicodeDecodeError:
        frame = pyogrio.read_dataframe(
            source.path, layer=layer, on_invalid="ignore", encoding="ISO-8859-1"
        )
        warnings.warn("the texts are not whole UTF-8; they were read as Latin-1", stacklevel=1)
    if not isinstance(frame, gpd.GeoDataFrame):
        return gpd.GeoDataFrame(geometry=[])
    return frame


def _with_crs(
    frame: gpd.GeoDataFrame, crs: str | None, source: Source, notes: list[str]
) -> gpd.GeoDataFrame:
    if frame.crs is None and crs is None:
        raise CrsMissing(
            "the layer does not state its coordinate reference system",
            file=source.path,
            remedy="State it: crs='EPSG:...', or --crs EPSG:... on the command line. "
            "Coordinates like -119.2, 37.4 are degrees, EPSG:4326.",
        )
    if frame.crs is None:
        try:
            frame = frame.set_crs(crs)
        except pyproj.exceptions.CRSError as error:
            raise InputError(
                f"'{crs}' is not a coordinate reference system", remedy="Write it as EPSG:4326."
            ) from error
        notes.append(f"the reference system was stated as {crs}")
    elif crs is not None and frame.crs != pyproj.CRS(crs):
        notes.append(f"the file states {frame.crs.name}, which was used, and not {crs}")
    return frame.to_crs(STORED_CRS)


def _sorted(
    features: gpd.GeoDataFrame, name: str, source: Source
) -> tuple[pd.DataFrame, pd.DataFrame, list[str]]:
    """Sort the features of one table into kept and set aside."""
    table = _TABLES[name]
    features = features.reset_index(drop=True)
    column, notes = _name_column(features, name, source)
    rows = features[["geometry", "source_row"]].copy()
    rows["receipt"] = source.receipt
    rows[table.key[0]] = _as_words(features[column])
    faults = [_shape_faults(features)]
    used = {column, "geometry", "source_row"}
    if name == "transects":
        written = _column(features, ("surface",))
        if written is not None:
            used.add(written)
            text = _as_words(features[written]).fillna("").astype("object")
            rows["surface"], unread = words_from_text(text, SURFACES)
            told = "surface: " + unread + " (came: " + text.loc[unread.index] + ")"
            faults.append(pd.DataFrame({"row": unread.index, "reason": told.to_numpy()}))
    else:
        written = _column(features, _OWNER)
        if written is not None:
            used.add(written)
            rows["owner_reference"] = _as_words(features[written])
    extra = [str(other) for other in features.columns if other not in used]
    if extra:
        notes.append(f"{name}: columns not kept: " + ", ".join(extra))
    kept, aside = sort_rows(
        rows,
        table,
        faults=pd.concat(faults, ignore_index=True),
        contents=_contents(features),
        receipt=source.receipt,
    )
    return kept, aside, notes


def _name_column(features: gpd.GeoDataFrame, name: str, source: Source) -> tuple[str, list[str]]:
    column = _column(features, _NAMES[name])
    if column is None:
        seen = [str(one) for one in features.columns if one not in ("geometry", "source_row")]
        raise InputError(
            f"no column holds the names of the {name}; its columns are {', '.join(seen) or 'none'}",
            file=source.path,
            remedy=f"Name one of them '{_NAMES[name][0]}' or 'name'.",
        )
    return column, [f"{name}: names from column '{column}'"]


def _column(features: gpd.GeoDataFrame, wanted: tuple[str, ...]) -> str | None:
    by_plain = {str(column).strip().lower(): str(column) for column in reversed(features.columns)}
    return next((by_plain[name] for name in wanted if name in by_plain), None)


def _as_words(values: pd.Series) -> pd.Series:
    """Return names as text; a whole number that came as a float loses its ``.0``."""
    if pd.api.types.is_float_dtype(values):
        values = values.astype("object").where(values.mod(1).ne(0), values.astype("Int64"))
    words = values.astype("object").where(values.notna(), None)
    text = words.map(lambda word: None if word is None else str(word).strip() or None)
    return text.astype("object")


def _shape_faults(features: gpd.GeoDataFrame) -> pd.DataFrame:
    """List what is wrong with the shapes besides what every table is checked for."""
    shapes = features.geometry.to_numpy()
    there = ~(shapely.is_missing(shapes) | shapely.is_empty(shapes))
    bad = there & ~shapely.is_valid(shapes)
    why = shapely.is_valid_reason(shapes)
    told = [f"the shape is not valid: {why[row]}; mend it in a GIS" for row in np.flatnonzero(bad)]
    return pd.DataFrame({"row": np.flatnonzero(bad), "reason": told})


def _contents(features: gpd.GeoDataFrame) -> pd.Series:
    named = features.drop(columns=["geometry", "source_row"]).astype("object")
    words = [
        ", ".join(f"{name}={value}" for name, value in zip(named.columns, row, strict=True))
        for row in named.itertuples(index=False, name=None)
    ]
    shapes = features.geometry.to_wkt(rounding_precision=6).fillna("no geometry")
    return pd.Series(words, dtype="object") + "; " + shapes.astype("object")


def _refuse_entities(source: Source) -> None:
    """Refuse XML that declares entities, before GDAL sees it."""
    declared = False

    def note(*_: object) -> None:
        nonlocal declared
        declared = True

    parser = expat.ParserCreate(encoding="UTF-8")
    parser.EntityDeclHandler = note
    parser.DefaultHandler = lambda _: None
    with suppress(expat.ExpatError):  # GDAL says what is wrong with it
        parser.Parse(as_utf8(source.data)[0], True)
    if declared:
        raise FileUnreadable(
            "it declares XML entities, which no layer needs and which can harm",
            file=source.path,
            remedy="Export the layer once more.",
        )
