"""Chunks: visits of more fixes than fit into memory, some logs at a time.

What a log covered does not hang on other logs, but for two things: receivers carried together
are one party, so that logs of one time stay together; and the days in which a segment collected
sign run from the visit before, whichever log that is from, so that they are counted at the end.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from functools import partial

import geopandas as gpd
import numpy as np
import pandas as pd

from carnivore_sign.progress import with_progress
from carnivore_sign.records.check import check_table
from carnivore_sign.records.tables import VISITS
from carnivore_sign.space import working_crs
from carnivore_sign.spreading import Place, spread
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
    times = fixes.groupby("log", sort=False, observed=True)["time"]
    logs = times.agg(start="min", end="max", fixes="size")
    of_fix = fixes["log"].map(chunk_of_logs(logs, most=most)).to_numpy(dtype=np.int64)
    for wanted in range(of_fix.max() + 1 if len(fixes) else 0):
        yield fixes[of_fix == wanted]


def chunk_of_logs(logs: pd.DataFrame, *, most: int = FIXES_PER_CHUNK) -> pd.Series:
    """Say in which chunk each log belongs, from what is known of it without its fixes.

    Parameters
    ----------
    logs : DataFrame
        ``start`` and ``end`` (UTC; missing where a log has no times) and ``fixes`` (how many),
        by the name of the log.
    most : int
        As for `chunks_of`.

    Returns
    -------
    Series
        Number of the chunk, from 0, by the name of the log; chunks follow each other in time.

    Examples
    --------
    >>> times = pd.to_datetime(["2024-05-06 14:00Z", "2024-05-07 14:00Z"])
    >>> logs = pd.DataFrame({"start": times, "end": times, "fixes": 2}, index=["MON", "TUE"])
    >>> chunk_of_logs(logs, most=3).to_dict()
    {'MON': 0, 'TUE': 1}
    """
    logs = logs.sort_values("start", kind="stable")
    alone = logs["start"] > logs["end"].cummax().shift()
    outing = (alone | logs["start"].isna()).cumsum()
    sizes = logs["fixes"].groupby(outing).sum()
    chunk, filled, number = {}, 0, 0
    for name, size in sizes.items():
        if filled and filled + size > most:
            number, filled = number + 1, 0
        chunk[name] = number
        filled += size
    return outing.map(chunk)


def make_visits_in_chunks(
    chunks: Iterable[gpd.GeoDataFrame | Callable[[], gpd.GeoDataFrame]],
    segments: gpd.GeoDataFrame,
    clearings: pd.DataFrame | None,
    logs: pd.DataFrame,
    *,
    time_zone: str,
    tolerance_m: float = 30.0,
    max_speed_m_s: float = 4.0,
    excluding_flags: dict[str, str] | None = None,
    on: Place = None,
    show_progress: bool = False,
) -> pd.DataFrame:
    """Match logs and make visits, one chunk in memory at a time.

    Parameters
    ----------
    chunks : iterable of GeoDataFrame, or of callable
        FIXES, each chunk with whole logs, and logs of one time in one chunk: from `chunks_of`,
        or read one after the other. A callable gives its chunk where the work is done, so that
        a cluster reads its own files.
    segments, clearings, logs, time_zone
        As for `make_visits`.
    tolerance_m, max_speed_m_s, excluding_flags
        As for `match_logs`.
    on : place, optional
        Where chunks are worked on; see `carnivore_sign.spreading.spread`. The result is the same.
    show_progress : bool
        Draw a bar on standard error.

    Returns
    -------
    DataFrame
        What `make_visits` gives for all fixes at once.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> season = analysis.season
    >>> visits = make_visits_in_chunks(
    ...     chunks_of(season.read("fixes")), analysis.segments, analysis.clearings,
    ...     season.read("logs"), time_zone="America/Los_Angeles",
    ... )
    >>> len(visits) == len(analysis.visits)
    True
    """
    match = partial(
        match_logs,
        segments=segments,
        tolerance_m=tolerance_m,
        max_speed_m_s=max_speed_m_s,
        excluding_flags=excluding_flags,
        crs=working_crs(segments),
    )
    visit = partial(visits_walked, segments=segments, logs=logs, time_zone=time_zone)
    work = partial(_visits_of_chunk, match=match, visit=visit)
    parts = with_progress(spread(work, chunks, on=on), "chunks of logs", show=show_progress)
    whole = pd.concat(list(parts), ignore_index=True)
    return check_table(add_conditions(whole, clearings, segments), VISITS)


def _visits_of_chunk(
    chunk: gpd.GeoDataFrame | Callable[[], gpd.GeoDataFrame],
    *,
    match: Callable[[gpd.GeoDataFrame], pd.DataFrame],
    visit: Callable[[pd.DataFrame], pd.DataFrame],
) -> pd.DataFrame:
    """Return the visits of one chunk, before the days between visits are counted."""
    return visit(match(chunk() if callable(chunk) else chunk))
