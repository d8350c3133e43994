"""What was near: trails, sign that belongs to no trail, clearing events, presence that month."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from carnivore_sign.incidents.place import IncidentPlace
from carnivore_sign.incidents.window import IncidentWindow, share_within_window
from carnivore_sign.incidents.words import CANNOT_BE_TOLD
from carnivore_sign.records.tables import taxon_column
from carnivore_sign.records.vocabularies import TAXA

#: Largest angle between the way of a trail and the way to the place that counts as *towards*.
TOWARDS_DEG = 60.0


def trails_near(
    trails: gpd.GeoDataFrame,
    place: IncidentPlace,
    window: IncidentWindow,
    *,
    taxon: str,
    within_m: float,
    listed: IncidentWindow,
) -> gpd.GeoDataFrame:
    """Trails within `within_m` metres that may have been made within the `listed` time.

    Returns
    -------
    GeoDataFrame
        The columns of TRAILS and ``distance_m``, ``bearing_deg`` (to the place),
        ``travel`` (towards, past, away, at the place, cannot be told), ``p_taxon``,
        ``leading_other``, ``p_leading_other``, ``p_in_window``, ``p_taxon_in_window``;
        nearest first.
    """
    found = trails.assign(**place.nearest(trails))
    timely = (found["made_before"] > listed.start) & ~(found["made_after"] >= listed.end)
    found = found[(found["distance_m"] <= within_m) & timely]
    other, p_other = _leading_other(found, taxon)
    found = found.assign(
        travel=_travel(found),
        p_taxon=found[taxon_column(taxon)],
        leading_other=other,
        p_leading_other=p_other,
        p_in_window=share_within_window(
            found["made_after"],
            found["made_before"],
            window,
            found=found["time"],
            wiped=found.get("wiped"),
        ),
    )
    found["p_taxon_in_window"] = found["p_taxon"] * found["p_in_window"]
    return found.sort_values(["distance_m", "trail"], ignore_index=True)


def with_shapes(
    trails: gpd.GeoDataFrame, members: pd.DataFrame, sign: gpd.GeoDataFrame
) -> gpd.GeoDataFrame:
    """Give trails that have no line the points of their sign."""
    shapes = trails.geometry.to_numpy()
    bare = shapely.is_missing(shapes) | shapely.is_empty(shapes)
    if not bare.any() or members.empty or sign.empty:
        return trails
    points = members.merge(sign[["sign", "geometry"]], on="sign")
    points = points[~shapely.is_missing(points["geometry"].to_numpy())]
    gathered = points.groupby("trail")["geometry"].agg(
        lambda shapes: shapely.multipoints(list(shapes))
    )
    filled = trails["trail"].map(gathered)
    return trails.set_geometry(
        gpd.GeoSeries(np.where(bare, filled, shapes), index=trails.index, crs=trails.crs)
    )


def sign_near(
    sign: gpd.GeoDataFrame,
    members: pd.DataFrame,
    place: IncidentPlace,
    *,
    within_m: float,
    listed: IncidentWindow,
) -> gpd.GeoDataFrame:
    """Sign within reach that belongs to no trail: scat, caches, hair, single tracks.

    Returns
    -------
    GeoDataFrame
        The columns of SIGN and ``distance_m``; nearest first.
    """
    loose = sign[~sign["sign"].isin(members["sign"]).to_numpy(dtype=bool)]
    loose = loose.assign(distance_m=place.nearest(loose)["distance_m"])
    timely = (loose["time"] > listed.start) & (loose["time"] <= listed.end)
    return loose[timely & (loose["distance_m"] <= within_m)].sort_values(
        ["distance_m", "sign"], ignore_index=True
    )


def clearings_near(
    clearings: pd.DataFrame, transects: pd.Series, listed: IncidentWindow
) -> pd.DataFrame:
    """Clearing events within the listed time that wiped one of the `transects` near."""
    timely = (clearings["time"] > listed.start) & (clearings["time"] <= listed.end)
    events = clearings[timely.to_numpy(dtype=bool)]
    wiped = events["transects"].astype("object").str.split(";").explode().str.strip()
    touches = (wiped.eq("all") & (len(transects) > 0)) | wiped.isin(transects)
    return events[touches.groupby(level=0).any().reindex(events.index).to_numpy(dtype=bool)]


def presence_near(
    monthly: gpd.GeoDataFrame,
    place: IncidentPlace,
    *,
    taxon: str,
    periods: tuple[str, ...],
    within_m: float,
    units: int = 5,
) -> gpd.GeoDataFrame:
    """Rows of MONTHLY for the nearest `units` segments in the months of the window.

    Returns
    -------
    GeoDataFrame
        The columns of MONTHLY and ``distance_m``; by period, nearest first.
    """
    wanted = monthly["taxon"].eq(taxon) & monthly["period"].isin(periods)
    rows = monthly[wanted.to_numpy(dtype=bool)]
    rows = rows.assign(distance_m=place.nearest(rows)["distance_m"])
    rows = rows[rows["distance_m"] <= within_m].sort_values(["period", "distance_m", "segment"])
    return rows.groupby("period").head(units).reset_index(drop=True)


def _leading_other(trails: pd.DataFrame, taxon: str) -> tuple[pd.Series, pd.Series]:
    columns = [taxon_column(name) for name in TAXA if name != taxon]
    others = trails[[column for column in columns if column in trails]].astype(float)
    known = others.notna().any(axis=1)
    leading = others[known].idxmax(axis=1).str.removeprefix("p_")
    return leading.reindex(trails.index), others.max(axis=1)


def _travel(trails: pd.DataFrame) -> pd.Series:
    turn = (trails["direction_deg"] - trails["bearing_deg"] + 180) % 360 - 180
    words = pd.Series("past", index=trails.index, dtype="object")
    words[turn.abs() <= TOWARDS_DEG] = "towards"
    words[turn.abs() >= 180 - TOWARDS_DEG] = "away"
    words[turn.isna()] = CANNOT_BE_TOLD
    words[trails["distance_m"] == 0] = "at the place"
    return words
