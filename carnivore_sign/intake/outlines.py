"""Outlines: marks of prints that were traced on a photo, from GeoJSON in millimetres.

Such a file is told from a layer of places by its features, which name a part of a print. Its
coordinates lie on a plane of their own, so that no reference system and no place is read from
it. A print is named by its sign and number, ``S014/2``, as in the notebook table of prints.
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from typing import Any, Final

import numpy as np
import pandas as pd
import shapely

from carnivore_sign.errors import FileUnreadable
from carnivore_sign.intake.reading import (
    Reading,
    join_set_aside,
    make_reading,
    rows_set_aside,
    sort_rows,
)
from carnivore_sign.intake.source import Source, as_utf8
from carnivore_sign.records.outline_checks import check_outlines
from carnivore_sign.records.outlines import (
    feature_table,
    features_of,
    millimetres_in,
    part_of,
    scaled,
)
from carnivore_sign.records.tables import OUTLINES
from carnivore_sign.units import METRES

#: Decimals of millimetres that are kept: a thousandth is finer than any photo.
_DECIMALS: Final = 3

_PART: Final = re.compile(
    rb'"part"\s*:\s*"\s*(?:(?:toe|claw)(?:[ _-][1-5])?|(?:(?:main|heel|palm|carpal)[ _-])?pad'
    rb'|carpal|dewclaw)\s*"',
    re.IGNORECASE,
)
_PRINT: Final = re.compile(r"(?P<sign>.+)/(?P<number>[1-9]\d{0,5})")


def is_outlines(data: bytes) -> bool:
    """Tell whether GeoJSON holds outlines of prints: features that name a part of one."""
    return _PART.search(as_utf8(data)[0]) is not None


def read_outline_file(source: Source) -> Reading:
    """Read outlines of prints.

    Parameters
    ----------
    source : Source
        GeoJSON: a feature per mark, with the properties that `read_outlines` reads, and
        ``sign`` and ``print_no`` if the name of the print is not of the form ``S014/2``.

    Returns
    -------
    Reading
        Table ``outlines``, in millimetres as traced: what measuring mends is mended there. Set
        aside are marks of an unknown part or unit, without an outline, and those that cannot
        be measured (see `check_outlines`). ``source_row`` counts the features from 1.

    Raises
    ------
    FileUnreadable
        If it is no GeoJSON.
    """
    content, features, notes = _parsed(source)
    came = feature_table(features)
    rows = _rows(came, source)
    faults, told = _faults(came, rows)
    notes += told
    rows = rows.assign(**_about_tracing(content), receipt=source.receipt)
    rows["outline_mm"] = _as_text(rows.pop("geometry"))
    contents = pd.Series([json.dumps(feature) for feature in features], dtype=object)
    kept, aside = sort_rows(
        rows, OUTLINES, faults=faults, contents=contents, receipt=source.receipt
    )
    return make_reading(
        source, "outlines", tables={"outlines": kept}, rows_in={"outlines": len(rows)},
        set_aside=[aside], notes=notes,
    )  # fmt: skip


def keep_one_tracing(held: pd.DataFrame, reading: Reading) -> Reading:
    """Set aside the marks of prints of which the season holds another tracing.

    Two tracings of one print lie on planes of their own, and are never mixed. A file that was
    opened again and gone on with is no other tracing: what was there says the same.

    Parameters
    ----------
    held : DataFrame
        Table ``outlines`` of the season.
    reading : Reading
        Of a file of outlines.

    Returns
    -------
    Reading
        With the marks in question set aside; those that the season has word for word stay.
    """
    frame = reading.tables["outlines"]
    key = list(OUTLINES.key)
    both = frame.merge(held[[*key, "outline_mm"]], on=key, how="left", suffixes=("", "_held"))
    same = both["outline_mm"].eq(both["outline_mm_held"]).to_numpy()
    differs = both["outline_mm_held"].notna().to_numpy() & ~same
    name = _names(frame)
    photo_held = dict(zip(_names(held), held["photo"].fillna(""), strict=True))
    other = [
        one in photo_held and photo_held[one] != photo
        for one, photo in zip(name, frame["photo"].fillna(""), strict=True)
    ]
    mixed = (name.isin(name[differs]).to_numpy() | np.array(other, dtype=bool)) & ~same
    if not mixed.any():
        return reading
    reasons = [
        f"the season holds another tracing of print {one}"
        + (f", on photo {photo_held[one]}" if photo_held[one] else "")
        + "; two tracings are never mixed: give this one a number of its own, or import it into "
        "a new season"
        for one in name[mixed]
    ]
    aside = rows_set_aside(
        reading.receipt,
        "outlines",
        rows=frame.loc[mixed, "source_row"].tolist(),
        reasons=reasons,
        contents=frame.loc[mixed, "outline_mm"].tolist(),
    )
    kept = frame.loc[~mixed].reset_index(drop=True)
    return replace(
        reading,
        tables={**reading.tables, "outlines": kept},
        set_aside=join_set_aside([reading.set_aside, aside]),
    )


def _parsed(source: Source) -> tuple[Any, list[dict[str, Any]], list[str]]:
    body, notes = as_utf8(source.data)
    try:
        content = json.loads(body)
        return content, features_of(content), list(notes)
    except (ValueError, RecursionError) as error:  # an InputError is a ValueError
        raise FileUnreadable(
            f"it cannot be read as GeoJSON ({error})",
            file=source.path,
            remedy="Save the outlines once more.",
        ) from error


def _rows(came: pd.DataFrame, source: Source) -> pd.DataFrame:
    """Return marks in millimetres, each with the sign and number of its print."""
    stem = source.path.stem
    named = came["print"].where(came["print"].notna(), stem).astype(str).str.strip()
    parts = named.str.extract(f"^{_PRINT.pattern}$")
    sign = came["sign"].where(came["sign"].notna(), parts["sign"].fillna(named))
    number = came["print_no"].where(came["print_no"].notna(), parts["number"].fillna("1"))
    factor = [millimetres_in(unit) or 1.0 for unit in came["unit"]]
    shapes = [scaled(shape, times) for shape, times in zip(came["geometry"], factor, strict=True)]
    foot = came["foot"].astype("object").where(came["foot"].notna(), None)
    plain_foot = foot.map(
        lambda word: None if word is None else re.sub(r"[\s-]+", "_", str(word).strip().lower())
    )
    rows = pd.DataFrame(
        {
            "source_row": range(1, len(came) + 1),
            "sign": sign.astype(str).str.strip(),
            "print_no": pd.array([_whole(one) for one in number], dtype="Int64"),
            "part": part_of(came["part"]),
            "foot": plain_foot.where(plain_foot != "", None),
            "geometry": pd.Series(shapes, index=came.index, dtype=object),
        }
    )
    key = [rows[name].astype(str) for name in ("sign", "print_no", "part")]
    return rows.assign(mark_no=rows.groupby(key).cumcount() + 1)


def _faults(came: pd.DataFrame, rows: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """List the marks that cannot be measured, and tell what measuring will mend."""
    strange = [millimetres_in(unit) is None for unit in came["unit"]]
    reasons = [
        f"unit: '{unit}' is no unit of length, use {', '.join(METRES)}"
        for unit in came["unit"][strange]
    ]
    of_units = pd.DataFrame({"row": rows.index[strange], "reason": reasons}, dtype=object)
    lost = rows["print_no"].isna().to_numpy(dtype=bool)
    told = [f"print_no: '{value}' is no whole number" for value in came["print_no"][lost]]
    of_numbers = pd.DataFrame({"row": rows.index[lost], "reason": told}, dtype=object)
    good = rows.loc[~(np.array(strange, dtype=bool) | lost)]
    checked = check_outlines(good.assign(print=_names(good))).faults
    aside = checked[checked["done"].eq("set aside")]
    of_shapes = pd.DataFrame({"row": aside["row"], "reason": aside["fault"]}, dtype=object)
    mended = checked[checked["done"].eq("kept")]
    notes = [
        f"row {number}, {row.part} of {row.print}: {row.fault}"
        for number, row in zip(
            rows.loc[mended["row"], "source_row"], mended.itertuples(), strict=True
        )
    ]
    return pd.concat([of_units, of_numbers, of_shapes], ignore_index=True), notes


def _whole(value: Any) -> int | None:
    """Return a number of a print, None if it is none."""
    text = str(value).strip()
    return int(text) if re.fullmatch(r"[0-9]{1,9}", text) else None


def _names(rows: pd.DataFrame) -> pd.Series:
    """Return the names of the prints of some marks, such as ``S014/2``."""
    return rows["sign"].astype("object").astype(str) + "/" + rows["print_no"].astype(str)


def _about_tracing(content: Any) -> dict[str, Any]:
    """Return the photo and the error of its scale, as far as the file says."""
    tracing = content.get("tracing") if isinstance(content, dict) else None
    about = tracing if isinstance(tracing, dict) else {}
    error = about.get("scale_error_fraction")
    photo = about.get("photo")
    return {
        "photo": str(photo) if photo else None,
        "scale_error_fraction": error if isinstance(error, float) and 0 <= error <= 1 else None,
    }


def _as_text(shapes: pd.Series) -> list[str | None]:
    texts = shapely.to_wkt(shapes.to_numpy(), rounding_precision=_DECIMALS)
    return [None if text is None else str(text) for text in texts]
