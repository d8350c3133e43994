"""Searching: effort of walks that follow no transect, by the cell or management unit they pass.

Who searches a canyon walks no line twice. What can be told of such a walk is how far it went in
each unit: the length of a strip along its way, each place once. It is effort per km; since when
the ground there collected tracks nobody knows, so that it is none per km-day.
"""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely

from carnivore_sign.errors import InputError
from carnivore_sign.records.check import check_table
from carnivore_sign.records.tables import DETECTIONS, VISITS
from carnivore_sign.space import STORED_CRS, project, working_crs
from carnivore_sign.survey.dating import trails_with_tracks
from carnivore_sign.survey.detections import OFF_TRANSECT
from carnivore_sign.survey.light import sun_height_deg
from carnivore_sign.survey.visits import local_months, observers_of_walks
from carnivore_sign.units import M_PER_KM

#: Ways nearer to each other than this are one way (common practice, no source).
STRIP_M: Final = 60.0
#: Fewer metres in a unit than this are no visit to it (common practice, no source).
LEAST_M: Final = 100.0
#: Corners of the way smaller than this are the noise of the receiver, metres.
_NOISE_M: Final = 8.0
#: What stands behind the name of a visit that was a search.
_SEARCH: Final = "/search"


def search_visits(
    matched: pd.DataFrame,
    areas: gpd.GeoDataFrame,
    logs: pd.DataFrame,
    *,
    time_zone: str,
    strip_m: float = STRIP_M,
    least_m: float = LEAST_M,
    max_gap_s: float = 120.0,
) -> pd.DataFrame:
    """Turn the parts of logs off transects into visits to units.

    Parameters
    ----------
    matched : DataFrame
        From `match_logs`.
    areas : GeoDataFrame
        ``unit`` and polygons: from `grid_cells`, or management units.
    logs : DataFrame
        As `records.tables.LOGS`: ``log`` and ``observer``.
    time_zone : str
        IANA name of the local zone.
    strip_m : float
        Width of the strip along the way. Where ways lie nearer, as there and back, what they
        share counts once.
    least_m : float
        Fewest metres in a unit that make a visit.
    max_gap_s : float
        Longest time between two fixes that is taken as walked, seconds.

    Returns
    -------
    DataFrame
        As `records.tables.VISITS`, one row per walk and unit, in order of time. ``covered_m`` is
        the area of the strip over its width; ``coverage`` is the share of the unit that the
        strip covers, which is small; ``effort_km_days`` is missing.

    Raises
    ------
    InputError
        If the strip has no width.

    Notes
    -----
    Only fixes in state *off transect* count: what lies on a transect is effort there, and
    rides are none. The way is smoothed by 8 m, so that the noise of a receiver at rest makes no
    metres. The area of a strip over its width is the length of its way where that is straight
    over some strip widths, and less where it winds within its own strip.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> from carnivore_sign.survey import grid_cells
    >>> analysis = example_analysis()
    >>> cells = grid_cells(analysis.transects, size_m=5000)
    >>> searches = search_visits(
    ...     analysis.matched, cells, analysis.season.read("logs"), time_zone="America/Los_Angeles"
    ... )
    >>> searches["coverage"].max() < 0.05
    np.True_
    """
    if not strip_m > 0:
        raise InputError(f"the strip is {strip_m} m wide", remedy="Give metres above zero: 60.")
    crs = working_crs(areas)
    fixes = _fixes_off(matched, crs, max_gap_s)
    edges = _edges(fixes)
    units = project(areas, crs)
    edge, unit = units.sindex.query(edges.geometry, predicate="intersects")
    inside = shapely.intersection(edges.geometry.to_numpy()[edge], units.geometry.to_numpy()[unit])
    strips = shapely.buffer(inside, strip_m / 2, cap_style="flat")
    pieces = pd.DataFrame(
        {
            "walk": edges["walk"].to_numpy()[edge],
            "unit": unit,
            "walked_m": shapely.length(inside),
            "strip": strips,
        }
    )
    if pieces.empty:
        return check_table(pd.DataFrame(columns=list(VISITS.names)), VISITS)
    by = pieces.groupby(["walk", "unit"], sort=False)
    found = by.agg(walked_m=("walked_m", "sum"))
    area_m2 = shapely.area(by["strip"].agg(lambda some: shapely.union_all(list(some))).to_numpy())
    found = found.assign(area_m2=area_m2, covered_m=area_m2 / strip_m).reset_index()
    found = found[found["covered_m"] >= least_m]
    found = found.merge(_times(fixes, units), on=["walk", "unit"])
    whole_m2 = shapely.area(units.geometry.to_numpy())[found["unit"]]
    name = units["unit"].astype("object").to_numpy()[found["unit"]]
    middle = shapely.get_coordinates(shapely.centroid(areas.to_crs(STORED_CRS).geometry.to_numpy()))
    table = pd.DataFrame(
        {
            "visit": found["walk"] + "@" + name + _SEARCH,
            "walk": found["walk"],
            "log": found["walk"].str.rsplit("#", n=1).str[0],
            "segment": name,
            "transect": name,
            "observer": found["walk"].map(observers_of_walks(matched, logs)),
            "start": found["start"],
            "end": found["end"],
            "period": local_months(found["start"], time_zone),
            "covered_m": found["covered_m"],
            "coverage": (found["area_m2"] / whole_m2).clip(upper=1.0),
            "effort_km": found["covered_m"] / M_PER_KM,
            "effort_source": "measured",
            "walked_m": found[["walked_m", "covered_m"]].max(axis=1),
            "sun_deg": sun_height_deg(found["start"], *middle[found["unit"]].T),
        }
    )
    table = table.sort_values(["start", "visit"], kind="stable", ignore_index=True)
    return check_table(table, VISITS)


def _fixes_off(matched: pd.DataFrame, crs: pyproj.CRS, max_gap_s: float) -> gpd.GeoDataFrame:
    """Fixes off transects as points, with the ``run`` that each belongs to: fixes without a gap."""
    usable = matched["walk"].notna() & matched["state"].ne("no time")
    columns = ["walk", "log", "time", "state", "longitude_deg", "latitude_deg"]
    fixes = matched.loc[usable.to_numpy(dtype=bool), columns]
    fixes = fixes.astype({"walk": "object", "log": "object"})
    fixes = fixes.sort_values(["walk", "log", "time"], kind="stable")
    off = fixes["state"].eq("off transect").to_numpy(dtype=bool)
    same = fixes["log"].eq(fixes["log"].shift()) & fixes["walk"].eq(fixes["walk"].shift())
    near = fixes["time"].diff().dt.total_seconds() <= max_gap_s
    joined = (same & near).to_numpy(dtype=bool) & off & np.append(False, off[:-1])
    fixes = fixes.assign(run=np.cumsum(~joined))[off]
    fixes = fixes[fixes.groupby("run")["run"].transform("size") > 1]
    points = gpd.points_from_xy(fixes["longitude_deg"], fixes["latitude_deg"])
    return gpd.GeoDataFrame(fixes[["walk", "time", "run"]], geometry=points, crs=STORED_CRS).to_crs(
        crs
    )


def _edges(fixes: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Straight parts of the smoothed ways, with their ``walk``.

    They are cut and widened one by one: a whole line takes minutes where a receiver at rest
    scribbled over itself.
    """
    by = fixes.groupby("run", sort=True)
    xy, number = shapely.get_coordinates(fixes.geometry.to_numpy()), by.ngroup().to_numpy()
    order = np.argsort(number, kind="stable")
    lines = (
        shapely.linestrings(xy[order], indices=number[order])
        if len(fixes)
        else np.empty(0, dtype=object)
    )
    xy, line = shapely.get_coordinates(shapely.simplify(lines, _NOISE_M), return_index=True)
    edge = np.flatnonzero(line[1:] == line[:-1])
    ends = np.stack([xy[edge], xy[edge + 1]], axis=1).reshape(-1, 2, 2)
    walks = pd.DataFrame({"walk": by["walk"].first().to_numpy(dtype=object)[line[edge]]})
    return gpd.GeoDataFrame(walks, geometry=shapely.linestrings(ends), crs=fixes.crs)


def _times(fixes: gpd.GeoDataFrame, units: gpd.GeoDataFrame) -> pd.DataFrame:
    """First and last fix of each walk in each unit."""
    fix, unit = units.sindex.query(fixes.geometry, predicate="intersects")
    there = pd.DataFrame(
        {"walk": fixes["walk"].to_numpy()[fix], "unit": unit, "time": fixes["time"].array[fix]}
    )
    by = there.groupby(["walk", "unit"])["time"]
    return by.agg(start="min", end="max").reset_index()


def search_detections(
    incidental: pd.DataFrame,
    sign: gpd.GeoDataFrame,
    trails: pd.DataFrame,
    searches: pd.DataFrame,
    areas: gpd.GeoDataFrame,
    *,
    walks: pd.Series,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Place sign off transects on the searches that found it.

    Parameters
    ----------
    incidental : DataFrame
        From `make_detections`: only sign too far from every transect is taken out of it.
    sign, trails : DataFrame
        SIGN and TRAILS.
    searches : DataFrame
        From `search_visits`.
    areas : GeoDataFrame
        The same as there.
    walks : Series
        Walk of each sign, by its name.

    Returns
    -------
    detections : DataFrame
        As `records.tables.DETECTIONS`; ``offset_m`` is 0, as there is no line to be off.
    incidental : DataFrame
        The rest. Sign in = sign placed + sign here.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> from carnivore_sign.survey import grid_cells
    >>> analysis = example_analysis()
    >>> cells = grid_cells(analysis.transects, size_m=5000)
    >>> searches = search_visits(
    ...     analysis.matched, cells, analysis.season.read("logs"), time_zone="America/Los_Angeles"
    ... )
    >>> placed, rest = search_detections(
    ...     analysis.incidental, analysis.sign, analysis.trails, searches, cells,
    ...     walks=analysis.walks,
    ... )
    >>> len(rest) <= len(analysis.incidental)
    True
    """
    off = incidental[incidental["reason"].eq(OFF_TRANSECT)]
    place = sign.set_index(sign["sign"].astype("object")).geometry.reindex(off["sign"])
    points = gpd.GeoDataFrame(
        {"row": off.index, "walk": off["sign"].map(walks).to_numpy(dtype=object)},
        geometry=place.to_numpy(), crs=sign.crs,
    )  # fmt: skip
    within = points.to_crs(areas.crs).sjoin(areas[["unit", "geometry"]], predicate="within")
    within["visit"] = within["walk"] + "@" + within["unit"].astype("object") + _SEARCH
    made = within.drop_duplicates("row").merge(
        searches[["visit", "segment", "period"]].astype({"visit": "object"}), on="visit"
    )
    found = incidental.loc[made["row"], ["sign", "trail"]].assign(
        visit=made["visit"].to_numpy(), segment=made["segment"].to_numpy(),
        period=made["period"].to_numpy(), offset_m=0.0,
    )  # fmt: skip
    tracks = trails_with_tracks(found[["sign", "trail"]], sign)
    chances = trails[["trail", *(name for name in trails if str(name).startswith("p_"))]]
    detections = found.drop(columns="sign").drop_duplicates(["trail", "visit"])
    detections = detections.merge(chances.astype({"trail": "object"}), on="trail")
    detections["with_tracks"] = detections["trail"].map(tracks).astype("Int64")
    rest = incidental.drop(index=made["row"]).reset_index(drop=True)
    return check_table(detections, DETECTIONS), rest
