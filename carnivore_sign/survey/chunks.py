"""Chunks: visits of more fixes than fit into memory, some logs at a time.

What a log covered does not hang on other logs, but for two things: receivers carried together
are one party, so that logs of one time stay together; and the days in which a segment collected
sign run from the visit before, whichever log that is from, so that they are counted at the end.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import geopandas as gpd
import numpy as np
import pandas as pd

from carnivore_sign.progress import with_progress
from carnivore_sign.records.check import check_table
from carnivore_sign.records.tables import VISITS
from carnivore_sign.space import working_crs
from carnivore_sign.survey.clearing import add_conditions
from carnivore_sign.survey.matching import match_logs
from carnivore_sign.survey.visits import visits_walked

#: Fixes of one chunk, unless one outing has more: some 300 MiB of memory.
FIXES_PER_CHUNK = 500_000


def chunks_of(
    fixes: gpd.GeoDataFrame, *, most: int = FIXES_PER_CHUNK
) -> Iterator[gpd.GeoDataFrame]:
    """Part fixes into chunks of whole logs, with logs that overlap in time in one chunk.

    Parameters
    ----------
    fixes : GeoDataFrame
        As `records.tables.FIXES`.
    most : int
        Fixes of a chunk. A chunk is longer only where logs that overlap in time have more.

    Yields
    ------
    GeoDataFrame
        Rows of `fixes`, in their order; every row is in one chunk.

    Examples
    --------
    >>> times = pd.to_datetime(["2024-05-06 14:00Z", "2024-05-06 14:01Z", "2024-05-07 14:00Z"])
    >>> fixes = gpd.GeoDataFrame({"log": ["MON", "MON", "TUE"], "time": times})
    >>> [chunk["log"].tolist() for chunk in chunks_of(fixes, most=2)]
    [['MON', 'MON'], ['TUE']]
    """
    logs = fixes.groupby("log", sort=False, observed=True)["time"].agg(["min", "max", "size"])
    logs = logs.sort_values("min", kind="stable")
    alone = logs["min"] > logs["max"].cummax().shift()
    outing = (alone | logs["min"].isna()).cumsum()
    sizes = logs["size"].groupby(outing).sum()
    chunk, filled, number = {}, 0, 0
    for name, size in sizes.items():
        if filled and filled + size > most:
            number, filled = number + 1, 0
        chunk[name] = number
        filled += size
    of_fix = fixes["log"].map(outing.map(chunk)).to_numpy(dtype=np.int64)
    for wanted in range(number + 1 if len(fixes) else 0):
        yield fixes[of_fix == wanted]


def make_visits_in_chunks(
    chunks: Iterable[gpd.GeoDataFrame],
    segments: gpd.GeoDataFrame,
    clearings: pd.DataFrame | None,
    logs: pd.DataFrame,
    *,
    time_zone: str,
    tolerance_m: float = 30.0,
    max_speed_m_s: float = 4.0,
    show_progress: bool = False,
) -> pd.DataFrame:
    """Match logs and make visits, one chunk in memory at a time.

    Parameters
    ----------
    chunks : iterable of GeoDataFrame
        FIXES, each chunk with whole logs, and logs of one time in one chunk: from `chunks_of`,
        or read one after the other.
    segments, clearings, logs, time_zone
        As for `make_visits`.
    tolerance_m, max_speed_m_s
        As for `match_logs`.
    show_progress : bool
        Draw a bar on standard error.

    Returns
    -------
    DataFrame
        What `make_visits` gives for all fixes at once.
    """
    crs = working_crs(segments)
    parts = []
    for chunk in with_progress(chunks, "chunks of logs", show=show_progress):
        matched = match_logs(
            chunk, segments, tolerance_m=tolerance_m, max_speed_m_s=max_speed_m_s, crs=crs
        )
        parts.append(visits_walked(matched, segments, logs, time_zone=time_zone))
    whole = pd.concat(parts, ignore_index=True)
    return check_table(add_conditions(whole, clearings, segments), VISITS)
