"""Placing: sign that names a waypoint or a photo gets its position from it."""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from carnivore_sign.intake.flags import MAX_ACCURACY_M
from carnivore_sign.records.check import conform
from carnivore_sign.records.tables import SIGN

#: A waypoint marked longer than this before or after the sign is not its waypoint.
MAX_GAP: Final = pd.Timedelta(days=1)


def place_sign(
    sign: gpd.GeoDataFrame,
    waypoints: gpd.GeoDataFrame,
    photos: gpd.GeoDataFrame | None = None,
) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """Give sign without a position that of the waypoint or else of the photo it names.

    Parameters
    ----------
    sign : GeoDataFrame
        As table ``sign``.
    waypoints : GeoDataFrame
        As table ``waypoints``.
    photos : GeoDataFrame, optional
        From `season_photos`: as table ``photos``, placed on the logs where they have no position
        of their own.

    Returns
    -------
    placed : GeoDataFrame
        The sign that has a position now, with the labels and order of `sign`. A position that
        was there already stays. The notes of sign that was placed by a photo say so, and how
        good that place is.
    unplaced : DataFrame
        The others, with a column ``reason``.

    Notes
    -----
    Names are compared without regard to case and outer spaces, those of photos also without
    their ending. Devices use a name again, so that of several waypoints or photos the nearest in
    time is taken, and none that was marked or taken more than a day from the sign. One without a
    time serves where it is the only one of its name. A photo whose device states an error of more
    than `carnivore_sign.intake.flags.MAX_ACCURACY_M` places nothing, as a fix does not.

    Examples
    --------
    >>> from shapely import Point
    >>> sign = gpd.GeoDataFrame(
    ...     {"sign": ["a"], "waypoint": ["s014"], "time": pd.to_datetime(["2026-02-14T15:40Z"])},
    ...     geometry=[None], crs="EPSG:4326")
    >>> waypoints = gpd.GeoDataFrame(
    ...     {"name": ["S014"], "time": pd.to_datetime(["2026-02-14T15:38Z"])},
    ...     geometry=[Point(-119.2, 37.4)], crs="EPSG:4326")
    >>> placed, unplaced = place_sign(sign, waypoints)
    >>> placed.geometry.iloc[0].x, len(unplaced)
    (-119.2, 0)
    """
    sign = conform(sign, SIGN)
    shapes = sign.geometry.to_numpy().copy()
    bare = np.flatnonzero(shapely.is_missing(shapes) | shapely.is_empty(shapes))
    pairs = _pairs(sign.iloc[bare], bare, waypoints)
    chosen, reasons = _choose(pairs, bare, named=sign["waypoint"].notna().to_numpy())
    shapes[chosen["place"]] = chosen["shape"].to_numpy()
    if photos is not None and reasons:
        left = np.array(sorted(reasons))
        chosen, reasons = _choose_photos(sign.iloc[left], left, photos, reasons)
        shapes[chosen["place"]] = chosen["shape"].to_numpy()
        sign = _with_notes(sign, chosen)
    filled = sign.set_geometry(gpd.GeoSeries(shapes, index=sign.index, crs=sign.crs))
    without = np.zeros(len(sign), dtype=bool)
    without[list(reasons)] = True
    unplaced = pd.DataFrame(sign.drop(columns="geometry").loc[without])
    unplaced["reason"] = pd.Series(
        [reasons[int(place)] for place in np.flatnonzero(without)],
        index=unplaced.index,
        dtype="object",
    )
    return filled.loc[~without], unplaced


def _pairs(sign: gpd.GeoDataFrame, places: np.ndarray, waypoints: gpd.GeoDataFrame) -> pd.DataFrame:
    """Pair each sign with every waypoint of the name it gives."""
    left = pd.DataFrame(
        {"place": places, "time": sign["time"].to_numpy(), "name": _plain(sign["waypoint"])}
    )
    right = pd.DataFrame(
        {
            "marked": waypoints["time"].to_numpy(),
            "name": _plain(waypoints["name"]),
            "shape": np.asarray(waypoints.geometry.to_numpy(), dtype=object),
        }
    )
    return _paired(left, right)


def _paired(left: pd.DataFrame, right: pd.DataFrame) -> pd.DataFrame:
    """Join sign and what they name, with the time between them."""
    pairs = left.dropna(subset="name").merge(right.dropna(subset="name"), on="name", how="inner")
    pairs["gap"] = (
        pd.to_datetime(pairs["time"], utc=True) - pd.to_datetime(pairs["marked"], utc=True)
    ).abs()
    return pairs


def _choose_photos(
    sign: gpd.GeoDataFrame, places: np.ndarray, photos: gpd.GeoDataFrame, reasons: dict[int, str]
) -> tuple[pd.DataFrame, dict[int, str]]:
    """Choose a photo for each sign that names some; say why there is none for the others."""
    left = pd.DataFrame(
        {"place": places, "time": sign["time"].to_numpy(), "name": sign["photo"].to_numpy()}
    ).dropna(subset="name")
    left = left.assign(name=left["name"].astype("object").str.split(";")).explode("name")
    left["name"] = _plain(left["name"])
    left = left[left["name"].ne("")]
    pairs = _paired(left, _photos_by_name(photos))
    good = pairs[pairs["told"].ne("") & ~pairs["shape"].isna()]
    chosen, _ = _choose(good, places, named=np.ones(places.max() + 1, dtype=bool))
    still = {place: why for place, why in reasons.items() if place not in set(chosen["place"])}
    named = left.groupby("place")["name"].agg(", ".join)
    return chosen, {
        place: _photo_reason(pairs[pairs["place"].eq(place)], named[place])
        if place in named.index
        else why
        for place, why in still.items()
    }


def _photos_by_name(photos: gpd.GeoDataFrame) -> pd.DataFrame:
    """List photos under their name with and without its ending, and how good their place is."""
    far = photos["accuracy_m"].gt(MAX_ACCURACY_M).to_numpy(dtype=bool)
    told = [
        f"placed by photo {name}" + _how_good(source, notes, metres)
        for name, source, notes, metres in zip(
            *(photos[column] for column in ("photo", "position_source", "notes", "accuracy_m")),
            strict=True,
        )
    ]
    rows = pd.DataFrame(
        {
            "marked": photos["time"].to_numpy(),
            "name": _plain(photos["photo"]),
            "shape": np.asarray(photos.geometry.to_numpy(), dtype=object),
            "told": np.where(far, "", np.array(told, dtype=object)),
        }
    )
    bare = rows["name"].str.replace(r"\.[a-z]{3,4}$", "", regex=True)
    return pd.concat([rows, rows.assign(name=bare)[bare.ne(rows["name"])]], ignore_index=True)


def _how_good(source: str, notes: object, metres: float) -> str:
    """Tell how good the place of a photo is: what it states, or how the log placed it."""
    if source == "log":
        return f", {notes}"
    return "" if np.isnan(metres) else f", good to {metres:.0f} m"


def _photo_reason(pairs: pd.DataFrame, named: str) -> str:
    """Say why the photos that a sign names do not place it."""
    if pairs.empty:
        return f"the season has no photo {named}: import it"
    there = pairs[~pairs["shape"].isna()]
    if there.empty:
        return f"photo {named} has no position, and no log of its party places it"
    if there["told"].eq("").all():
        return f"photo {named} states an error of more than {MAX_ACCURACY_M:.0f} m"
    return f"photo {named} was taken more than a day from it, or several have that name"


def _with_notes(sign: gpd.GeoDataFrame, chosen: pd.DataFrame) -> gpd.GeoDataFrame:
    """Add to the notes of sign how they were placed."""
    if chosen.empty:
        return sign
    notes = sign["notes"].astype("object").to_numpy(copy=True)
    for place, told in zip(chosen["place"], chosen["told"], strict=True):
        notes[place] = told if pd.isna(notes[place]) else f"{notes[place]}; {told}"
    return conform(sign.assign(notes=notes), SIGN)


def _choose(
    pairs: pd.DataFrame, bare: np.ndarray, *, named: np.ndarray
) -> tuple[pd.DataFrame, dict[int, str]]:
    """Choose one waypoint for each sign; say why there is none for the others."""
    count = pairs.groupby("place")["gap"].transform("size")
    near = pairs["gap"] <= MAX_GAP
    lone = pairs["gap"].isna() & count.eq(1)
    fit = pairs.loc[near | lone].sort_values("gap", kind="stable")
    chosen = fit.drop_duplicates("place")
    left = np.setdiff1d(bare, chosen["place"].to_numpy())
    offered = pairs.groupby("place")["gap"].agg(["size", "min"])
    reasons = {int(place): _reason(int(place), offered, named=named) for place in left}
    return chosen, reasons


def _reason(place: int, offered: pd.DataFrame, *, named: np.ndarray) -> str:
    if not named[place]:
        return "no position, and no waypoint and no photo is named"
    if place not in offered.index:
        return "no log holds a waypoint of that name: import the log it was marked in"
    nearest = offered.loc[place, "min"]
    if pd.isna(nearest):
        return "several waypoints of that name, and none has a time"
    days = nearest / pd.Timedelta(days=1)
    return f"the waypoint of that name was marked {days:.0f} days from it: look at dates and names"


def _plain(names: pd.Series) -> np.ndarray:
    return names.astype("object").str.strip().str.casefold().to_numpy()
