"""Overlaps: which fixes of a log the season has already, from another download of the walk.

A fix is known if the season has one at the same time, to the millisecond, and at the same
place, to a millionth of a degree (about 0.1 m). Two devices carried side by side do not agree
so closely but by rare chance. A copy whose positions were rounded more coarsely on its way is
not recognised.
"""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from carnivore_sign.records.season import Season

#: Steps of a degree to which places are compared.
PER_DEGREE: Final = 1_000_000
_KEY: Final = ["time", "lon", "lat"]


class HeldFixes:
    """The fixes of a season as times and places, read when a log first overlaps another.

    Parameters
    ----------
    season : Season
        The season. What is added to it later must be told with `add`.
    """

    def __init__(self, season: Season) -> None:
        self._season = season
        self._spans = _spans(season.read("logs"))
        self._keys: pd.DataFrame | None = None

    def has(self, fixes: gpd.GeoDataFrame) -> npt.NDArray[np.bool_]:
        """Tell which of the fixes the season has; a fix without a time is never known."""
        times = fixes["time"].dropna()
        if not len(times) or not self._overlaps(times.min(), times.max()):
            return np.zeros(len(fixes), dtype=bool)
        if self._keys is None:
            self._keys = _keys_of(self._season.read("fixes"))
        mine = _keys_of(fixes)
        near = self._keys.loc[self._keys["time"].isin(mine["time"])]
        pairs = pd.MultiIndex.from_frame(mine[_KEY])
        found = pairs.isin(pd.MultiIndex.from_frame(near[_KEY]))
        return found & fixes["time"].notna().to_numpy()

    def add(self, tables: dict[str, pd.DataFrame]) -> None:
        """Take in what was added to the season."""
        if "logs" in tables:
            self._spans = pd.concat([self._spans, _spans(tables["logs"])], ignore_index=True)
        if self._keys is not None and "fixes" in tables:
            self._keys = pd.concat([self._keys, _keys_of(tables["fixes"])], ignore_index=True)

    def _overlaps(self, start: pd.Timestamp, end: pd.Timestamp) -> bool:
        return bool(((self._spans["start"] <= end) & (self._spans["end"] >= start)).any())


def _spans(logs: pd.DataFrame) -> pd.DataFrame:
    return logs[["start", "end"]].dropna()


def _keys_of(fixes: gpd.GeoDataFrame) -> pd.DataFrame:
    """Return time and place as whole numbers, so that they compare exactly."""
    places = shapely.get_coordinates(fixes.geometry.to_numpy())
    steps = np.rint(places * PER_DEGREE).astype(np.int64)
    stamps = fixes["time"].dt.tz_convert("UTC").dt.tz_localize(None)
    return pd.DataFrame(
        {
            "time": stamps.to_numpy(dtype="datetime64[ms]").astype(np.int64),
            "lon": steps[:, 0],
            "lat": steps[:, 1],
        }
    )
