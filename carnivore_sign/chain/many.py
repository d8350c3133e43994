"""Chain: many seasons at once, and seasons too large for memory - here, or on a cluster.

A season is analysed as a whole by one worker; the visits of one season that is too large for that
are made some logs at a time, each worker reading its own files.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from functools import partial
from pathlib import Path

import geopandas as gpd
import pandas as pd

from carnivore_sign.chain.analysis import Analysis, analyse
from carnivore_sign.chain.month import month
from carnivore_sign.chain.options import AnalysisOptions, PageOptions
from carnivore_sign.chain.outputs import output_folder
from carnivore_sign.chain.walked import with_what_is_stated
from carnivore_sign.errors import CarnivoreSignError, InputError
from carnivore_sign.programme import Programme, fixes_of_logs, partitions, read_programme, season_of
from carnivore_sign.programme.folder import require_id
from carnivore_sign.progress import with_progress
from carnivore_sign.records.season import Season
from carnivore_sign.spreading import Place, spread
from carnivore_sign.survey import cut_segments, make_visits_in_chunks
from carnivore_sign.survey.chunks import FIXES_PER_CHUNK, chunk_of_logs

#: Columns of the table of months.
COLUMNS = ("season", "period", "folder", "problem")


def analyse_seasons(
    seasons: Iterable[Season], options: AnalysisOptions | None = None, *, on: Place = None
) -> Iterator[Analysis]:
    """Analyse many seasons, each by itself, and yield them in their order.

    Parameters
    ----------
    seasons : iterable of Season
        From `open_season`, or from a programme or a database by `season_of`.
    options : AnalysisOptions, optional
        Choices, the same for all.
    on : place, optional
        Where; see `carnivore_sign.spreading.spread`. The numbers are the same.

    Yields
    ------
    Analysis
        Of each season.

    Examples
    --------
    >>> from carnivore_sign.example import example_season
    >>> (analysis,) = analyse_seasons([example_season()], AnalysisOptions(region="dry_range"))
    >>> analysis.visits["walk"].nunique()
    40
    """
    yield from spread(partial(analyse, options=options), seasons, on=on)


def write_months(
    seasons: Iterable[Season],
    out: str | Path,
    *,
    options: AnalysisOptions | None = None,
    page: PageOptions | None = None,
    on: Place = None,
    show_progress: bool = False,
) -> pd.DataFrame:
    """Write map, report and tables of every month of many seasons.

    Parameters
    ----------
    seasons : iterable of Season
        As for `analyse_seasons`.
    out : path-like
        Folder; each season has a folder there, and each of its months one within that.
    options, page
        As for `month`, the same for all.
    on : place, optional
        Where; the folder must be the same one there.
    show_progress : bool
        Draw a bar on standard error.

    Returns
    -------
    DataFrame
        One row per season and month: ``season``, ``period``, ``folder``, ``problem`` (missing if
        all went well; a season that cannot be analysed has one row, and stops no other).

    Raises
    ------
    InputError
        If two seasons would have one folder.

    Examples
    --------
    >>> import tempfile
    >>> from carnivore_sign.example import example_season
    >>> options = AnalysisOptions(region="dry_range")
    >>> write_months([example_season()], tempfile.mkdtemp(), options=options)  # doctest: +SKIP
    """
    seasons, folder = list(seasons), output_folder(out)
    names = [season_name(season) for season in seasons]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise InputError(
            f"two seasons are called '{twice}'", remedy="Put them into a programme under two ids."
        )
    work = partial(_months_of, folder=folder.absolute(), options=options, page=page)
    parts = with_progress(spread(work, seasons, on=on), "seasons", show=show_progress)
    return pd.DataFrame([row for rows in parts for row in rows], columns=list(COLUMNS))


def season_name(season: Season) -> str:
    """Return the name of a season's folder: its id in a programme, or the name of its file."""
    return require_id(str(getattr(season, "season_id", season.path.stem)))


def visits_of_programme(
    programme: Programme,
    season_id: str,
    *,
    options: AnalysisOptions | None = None,
    most: int = FIXES_PER_CHUNK,
    on: Place = None,
    show_progress: bool = False,
) -> pd.DataFrame:
    """Make the visits of a season of a programme, some logs at a time.

    Parameters
    ----------
    programme : Programme
        The programme.
    season_id : str
        The season.
    options : AnalysisOptions, optional
        Choices.
    most : int
        Fixes in memory at a time, for each worker.
    on : place, optional
        Where; it must see the programme's folder under the same path.
    show_progress : bool
        Draw a bar on standard error.

    Returns
    -------
    DataFrame
        VISITS, those that `analyse` makes of the whole season at once.

    Raises
    ------
    InputError
        If cells or areas are to stand for segments.

    Examples
    --------
    >>> from carnivore_sign.example import example_programme
    >>> visits_of_programme(example_programme(), "spring")["walk"].nunique()
    40
    """
    options = options or AnalysisOptions()
    if options.cells or options.areas or options.free_search:
        raise InputError(
            "visits are made some logs at a time by segments of transects only",
            remedy="Leave cells, areas and free_search out, or use analyse.",
        )
    season = season_of(programme, season_id)
    logs = season.read("logs")
    segments = cut_segments(season.read("transects"), length_m=options.segment_length_m)
    clearings = season.read("clearings")
    visits = make_visits_in_chunks(
        log_chunks(programme, season_id, logs, most=most),
        segments,
        clearings,
        logs,
        time_zone=season.time_zone,
        tolerance_m=options.tolerance_m,
        max_speed_m_s=options.max_speed_m_s,
        excluding_flags=options.excluding_flags,
        on=on,
        show_progress=show_progress,
    )
    return with_what_is_stated(season, visits, segments, clearings)


def log_chunks(
    programme: Programme,
    season_id: str,
    logs: pd.DataFrame,
    *,
    most: int = FIXES_PER_CHUNK,
) -> list[Callable[[], gpd.GeoDataFrame]]:
    """Part the logs of a season into chunks that are read where they are worked on.

    Parameters
    ----------
    programme, season_id
        Where they are kept.
    logs : DataFrame
        That table of the season.
    most : int
        Fixes of a chunk.

    Returns
    -------
    list of callable
        Each gives FIXES of whole logs.
    """
    count = fixes_of_logs(programme, season_id)
    known = logs.set_index("log")[["start", "end"]]
    known = known.assign(fixes=count.reindex(known.index, fill_value=0))
    chunks = chunk_of_logs(known, most=most)
    months = known["start"].dt.strftime("%Y-%m").str.cat(known["end"].dt.strftime("%Y-%m"), sep=" ")
    there = sorted(set(partitions(programme, "fixes", seasons=[season_id])["month"]))
    return [
        partial(
            _fixes_of,
            programme,
            season_id,
            frozenset(names),
            _within(months.loc[list(names)], there),
        )
        for _, names in chunks.groupby(chunks, sort=True).groups.items()
    ]


def _within(spans: pd.Series, there: list[str]) -> tuple[str, ...]:
    """Return the months that some spans of months reach; all of them, if one has no times."""
    if spans.isna().any():
        return tuple(there)
    edges = [span.split() for span in spans]
    first, last = min(edge[0] for edge in edges), max(edge[1] for edge in edges)
    # A corrected or doubtful fix may have no time.
    return tuple(month for month in there if first <= month <= last or not month[0].isdigit())


def _fixes_of(
    programme: Programme, season_id: str, logs: frozenset[str], months: tuple[str, ...]
) -> gpd.GeoDataFrame:
    fixes = read_programme(programme, "fixes", seasons=[season_id], months=months)
    return fixes[fixes["log"].isin(logs)].drop(columns="season").reset_index(drop=True)


def _months_of(
    season: Season, *, folder: Path, options: AnalysisOptions | None, page: PageOptions | None
) -> list[tuple[str, str | None, str | None, str | None]]:
    name = season_name(season)
    try:
        analysis = analyse(season, options)
    except CarnivoreSignError as error:
        return [(name, None, None, str(error))]
    rows: list[tuple[str, str | None, str | None, str | None]] = []
    for period in sorted(analysis.visits["period"].unique()):
        place = folder / name / period
        place.parent.mkdir(exist_ok=True)
        try:
            month(analysis, period, place, page=page)
            rows.append((name, period, str(place), None))
        except CarnivoreSignError as error:
            rows.append((name, period, None, str(error)))
    return rows
