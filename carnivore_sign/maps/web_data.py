"""Web data: the layers of a season as the small numbers and texts that the web map draws.

Positions are whole hundred-thousandths of a degree, about a metre, each less the one before;
probabilities are thousandths. So a season of thousands of units stays a small file.
"""

from __future__ import annotations

from typing import Any, Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from carnivore_sign.incidents.words import percent
from carnivore_sign.maps import style
from carnivore_sign.maps.areas import are_areas
from carnivore_sign.maps.measures import Measures
from carnivore_sign.records.tables import taxon_column
from carnivore_sign.records.vocabularies import CHARACTERS, NOT_VISIBLE, TAXA
from carnivore_sign.space import STORED_CRS, working_crs

IntArray = npt.NDArray[np.int64]

#: Letters of the states in the strings of a month.
_LETTERS: Final = {"found_sure": "s", "found_likely": "l", "not_found": "n", "not_looked": "x"}
_PER_DEGREE: Final = 100_000
#: Lines are drawn without bends smaller than this, metres.
_SMOOTH_M: Final = 1.5
#: A note longer than this is cut, characters.
_LONGEST_NOTE: Final = 600


def style_of_web() -> dict[str, Any]:
    """Return the colours, weights and symbols of `style`, by the names of the script."""
    return {
        "states": {
            _LETTERS[state]: {
                "color": look.color,
                "edge": look.edge,
                "dotted": look.dotted,
                "label": style.STATE_LABELS[state],
            }
            for state, look in style.STATES.items()
        },
        "weights": [
            {"width": step.width_pt, "core": step.core_share, "label": step.label}
            for step in style.WEIGHTS
        ],
        "trails": [
            {"fill": look.fill, "edge": look.edge, "label": look.label} for look in style.TRAILS
        ],
        "ink": style.INK,
        "quiet": style.QUIET,
        "paper": style.PAPER,
        "hairline": style.HAIRLINE,
        "parcel": style.PARCEL,
        "outline": style.AREA_EDGE,
        "plain": style.PLAIN_PT,
        "tally": style.TALLY_PT,
        "tallyMost": style.TALLY_MOST,
        "arrow": style.ARROW_PT,
    }


def units_of_web(months: gpd.GeoDataFrame, middle: float) -> dict[str, Any]:
    """Return names, outlines and kinds of the units of all months, each unit once."""
    units = months.drop_duplicates("segment").sort_values("segment", ignore_index=True)
    return {
        "names": [str(name) for name in units["segment"]],
        "shapes": outlines(units, middle),
        "area": "".join("1" if areal else "0" for areal in are_areas(units)),
    }


def months_of_web(
    months: gpd.GeoDataFrame, names: list[str], measures: Measures
) -> list[dict[str, Any]]:
    """Return one row of short columns per month, units in the order of `names`."""
    return [
        {
            "period": period,
            "name": pd.Period(period, freq="M").strftime("%B %Y"),
            **_columns(rows.drop_duplicates("segment").set_index("segment").loc[names], measures),
        }
        for period, rows in pd.DataFrame(months).groupby("period", sort=True)
    ]


def _columns(rows: pd.DataFrame, measures: Measures) -> dict[str, Any]:
    return {
        "states": "".join(rows["state"].map(_LETTERS)),
        "step": _steps(rows["p_presence"]),
        "high": _steps(rows["p_presence_high"]),
        "p": _whole(rows["p_presence"], 1000),
        "low": _whole(rows["p_presence_low"], 1000),
        "up": _whole(rows["p_presence_high"], 1000),
        "visits": _whole(rows["visits"], 1),
        "walked": _whole(measures.from_km(rows["effort_km"]), 100),
        "expected": _whole(rows["trails_expected"], 100),
    }


def _steps(probability: pd.Series) -> str:
    values = np.nan_to_num(probability.to_numpy(dtype=float, na_value=np.nan))
    bounds = [step.at_least for step in style.WEIGHTS]
    return "".join(map(str, np.maximum(np.searchsorted(bounds, values, side="right") - 1, 0)))


def _whole(values: pd.Series, times: float) -> list[int]:
    numbers = values.to_numpy(dtype=float, na_value=np.nan) * times
    return np.where(np.isfinite(numbers), np.rint(np.nan_to_num(numbers)), -1).astype(int).tolist()


def trails_of_web(
    trails: gpd.GeoDataFrame, taxon: str, periods: list[str], time_zone: str, middle: float
) -> list[dict[str, Any]]:
    """Return the trails that have a place and a month of the map, with what a popup says."""
    rows = _of_months(trails, periods, time_zone)
    share = rows[taxon_column(taxon)].astype(float)
    looks = _looks(share)
    way = rows["direction_deg"].astype(float).round().fillna(-1).astype(int)
    when = rows["time"].dt.tz_convert(time_zone).dt.strftime("%d %b %Y %H:%M")
    said = _probabilities(rows)
    lines = outlines(rows, middle)
    return [
        {
            "name": f"Trail {row.trail}",
            "month": periods.index(row.period),
            "line": line,
            "way": heading,
            "look": look,
            "rows": [
                ["Found", time],
                ["Probability", told],
                ["Sign and prints", f"{row.sign_count} and {row.print_count}"],
                ["Way", "not known" if heading < 0 else f"{heading}\N{DEGREE SIGN}"],
            ],
        }
        for row, line, heading, look, time, told in zip(
            rows.itertuples(), lines, way, looks, when, said, strict=True
        )
    ]


def sign_of_web(
    sign: gpd.GeoDataFrame, taxon: str, periods: list[str], time_zone: str, middle: float
) -> list[dict[str, Any]]:
    """Return the sign that have a place and a month of the map, with their evidence.

    `sign` is SIGN; columns ``p_<taxon>`` and ``evidence`` (a text) are shown where they are.
    """
    rows = _of_months(sign, periods, time_zone)
    looks = _looks(rows.get(taxon_column(taxon), pd.Series(np.nan, rows.index)).astype(float))
    when = rows["time"].dt.tz_convert(time_zone).dt.strftime("%d %b %Y %H:%M")
    named = rows["named_as"].map(TAXA).astype("object").fillna("not named")
    whose = (" by " + rows["observer"].astype("object")).fillna("")
    sure = rows["confidence"].astype(float)
    told = _probabilities(rows)
    evidence = rows.get("evidence", pd.Series("", rows.index)).fillna("")
    points = outlines(rows.set_geometry(rows.geometry.representative_point()), middle)
    columns = zip(
        rows.itertuples(), points, looks, when, named + whose, sure, told, evidence, strict=True
    )
    return [
        {
            "name": f"{str(row.kind).capitalize()} {row.sign}",
            "month": periods.index(row.period),
            "at": place[0],
            "look": look,
            "rows": [
                ["Found", time],
                ["Named as", name],
                *([] if np.isnan(stated) else [["Observer's own certainty", percent(stated)]]),
                *([["Evidence", shown]] if shown else []),
                *([["Probability", likely]] if likely else []),
            ],
            "note": _note(row.notes),
        }
        for row, place, look, time, name, stated, likely, shown in columns
    ]


def evidence_of(sign: pd.DataFrame, prints: pd.DataFrame) -> pd.Series:
    """Say in words what was noted of the prints of each sign; indexed as `sign`.

    Examples
    --------
    >>> sign = pd.DataFrame({"sign": ["A", "B"]})
    >>> prints = pd.DataFrame({"sign": ["A", "A"], "claws": ["none", "not_visible"]})
    >>> evidence_of(sign, prints).tolist()
    ['2 prints: claws none', 'no print noted']
    """
    names = [name for name in CHARACTERS if name in prints]
    seen = prints[["sign", *names]].astype("object").melt("sign").dropna()
    seen = seen[seen["value"].ne(NOT_VISIBLE)].drop_duplicates()
    words = (seen["variable"] + " " + seen["value"].astype("object")).str.replace("_", " ")
    told = words.groupby(seen["sign"], sort=False).agg("; ".join)
    number = prints["sign"].astype("object").value_counts()
    of_sign = sign["sign"].astype("object")
    counts = of_sign.map(number).fillna(0).astype(int)
    shown = of_sign.map(told).astype("object").fillna("no character visible")
    plural = np.where(counts.eq(1), " print: ", " prints: ")
    return (counts.astype("str").astype("object") + plural + shown).where(
        counts.gt(0), "no print noted"
    )


def places_of_web(frame: gpd.GeoDataFrame, name: str, middle: float) -> list[dict[str, Any]]:
    """Return named lines or outlines, such as transects and parcels."""
    known = frame[~(shapely.is_missing(frame.geometry.to_numpy()) | frame.is_empty.to_numpy())]
    lines = outlines(known, middle)
    return [
        {"name": str(text), "line": line} for text, line in zip(known[name], lines, strict=True)
    ]


def outlines(frame: gpd.GeoDataFrame, middle: float) -> list[list[list[int]]]:
    """Return each geometry as parts of differences, longitude before latitude.

    `middle` is the longitude of the middle of the map; no place lies more than half a turn
    from it, so that a country across the antimeridian is drawn whole.
    """
    if frame.empty:
        return []
    plane = frame.to_crs(working_crs(frame))
    shapes = gpd.GeoSeries(
        shapely.simplify(plane.geometry.to_numpy(), _SMOOTH_M), crs=plane.crs
    ).to_crs(STORED_CRS)
    parts, owner = shapely.get_parts(shapes.to_numpy(), return_index=True)
    areal = shapely.get_type_id(parts) == 3
    parts[areal] = shapely.get_exterior_ring(parts[areal])
    points, part = shapely.get_coordinates(parts, return_index=True)
    points[:, 0] = (points[:, 0] - middle + 180) % 360 - 180 + middle
    whole = np.rint(points * _PER_DEGREE).astype(int)
    steps = np.diff(whole, axis=0, prepend=np.zeros((1, 2), dtype=int))
    first = np.flatnonzero(np.diff(part, prepend=-1))
    steps[first] = whole[first]
    found: list[list[list[int]]] = [[] for _ in range(len(frame))]
    for of, piece, ring in zip(owner, np.split(steps, first[1:]), areal, strict=True):
        found[of].append((piece[:-1] if ring else piece).ravel().tolist())
    return found


def middle_of(frame: gpd.GeoDataFrame) -> float:
    """Longitude of the middle of a frame, taken as a direction."""
    points = shapely.get_coordinates(frame.to_crs(STORED_CRS).geometry.to_numpy())
    angles = np.radians(points[np.isfinite(points).all(axis=1), 0])
    return float(np.degrees(np.arctan2(np.sin(angles).mean(), np.cos(angles).mean())))


def _of_months(frame: gpd.GeoDataFrame, periods: list[str], time_zone: str) -> gpd.GeoDataFrame:
    period = frame["time"].dt.tz_convert(time_zone).dt.strftime("%Y-%m")
    shapes = frame.geometry.to_numpy()
    placed = ~(shapely.is_missing(shapes) | shapely.is_empty(shapes))
    return frame.assign(period=period)[period.isin(periods).to_numpy(dtype=bool) & placed]


def _looks(share: pd.Series) -> list[int]:
    values = share.fillna(0.0).to_numpy(dtype=float)
    return [next(at for at, look in enumerate(style.TRAILS) if p >= look.at_least) for p in values]


def _probabilities(rows: pd.DataFrame) -> list[str]:
    """Say the three most probable taxa of each row."""
    columns = [taxon_column(taxon) for taxon in TAXA if taxon_column(taxon) in rows]
    if not columns:
        return [""] * len(rows)
    values = rows[columns].to_numpy(dtype=float, na_value=np.nan)
    words = [TAXA[column.removeprefix("p_")] for column in columns]
    best = np.argsort(-np.nan_to_num(values), axis=1, kind="stable")[:, :3]
    return [
        "cannot be told"
        if np.isnan(row).all()
        else ", ".join(f"{words[at]} {percent(row[at])}" for at in chosen if row[at] > 0)
        for row, chosen in zip(values, best, strict=True)
    ]


def _note(text: object) -> str:
    if not isinstance(text, str):
        return ""
    words = " ".join(text.split())
    if len(words) <= _LONGEST_NOTE:
        return words
    return words[: _LONGEST_NOTE - 1] + "\N{HORIZONTAL ELLIPSIS}"
