"""Trails room: trails that were followed by hand, and walks that belong to one outing.

Who follows a trail with the receiver on has recorded a passage; nothing needs to be inferred
along it. The line is taken as it is, the sign beside it belong to it, and it is joined to other
sign as any trail is.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from carnivore_sign.errors import DataWarning, InputError
from carnivore_sign.records.check import TEXT
from carnivore_sign.space import project, require_crs, stored, working_crs


def assign_followed(
    sign: gpd.GeoDataFrame,
    followed: gpd.GeoDataFrame,
    *,
    within_m: float = 15.0,
    slack_h: float = 1.0,
) -> pd.Series:
    """Say which sign lie on trails that were followed by hand.

    Parameters
    ----------
    sign : GeoDataFrame
        Columns of SIGN.
    followed : GeoDataFrame
        A row per trail that was followed: ``followed``, its name; the line, in the order it
        was walked; and, if known, ``start`` and ``end``, when (UTC).
    within_m : float
        How near the line a sign lies that belongs to it: two errors of a receiver.
    slack_h : float
        Hours before `start` and after `end` in which a sign may have been noted.

    Returns
    -------
    Series
        Name of the trail that each sign lies on, index name of the sign; missing if none.

    Raises
    ------
    InputError
        If two lines have one name, or one is no line.

    Warns
    -----
    DataWarning
        If no sign was noted on a line, which then makes no trail.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> followed = lines_of_logs(analysis.season.read("fixes"), ["2026-02-05_quill"])
    >>> assign_followed(analysis.sign, followed).notna().sum().item() > 0
    True
    """
    _check_lines(followed)
    found = pd.Series(None, index=pd.Index(sign["sign"]), dtype=TEXT, name="followed")
    if sign.empty or followed.empty:
        return found
    crs = working_crs(sign)
    lines = shapely.STRtree(project(followed, crs).geometry.to_numpy())
    points = project(sign, crs).geometry.to_numpy()
    row, line = lines.query(points, predicate="dwithin", distance=within_m)
    metres = shapely.distance(points[row], lines.geometries[line])
    good = _in_time(sign, followed, row, line, slack_h)
    best = np.lexsort([line, metres, row])
    best = best[good[best]]
    best = best[np.unique(row[best], return_index=True)[1]]
    found.iloc[row[best]] = followed["followed"].astype(TEXT).to_numpy()[line[best]]
    _tell_bare(followed, found)
    return found


def _check_lines(followed: gpd.GeoDataFrame) -> None:
    require_crs(followed, "the trails that were followed")
    again = followed["followed"][followed["followed"].duplicated()]
    if len(again):
        raise InputError(f"two trails that were followed have the name '{again.iloc[0]}'")
    no_line = followed["followed"][~followed.geom_type.eq("LineString")]
    if len(no_line):
        raise InputError(
            f"the trail '{no_line.iloc[0]}' that was followed is no line",
            remedy="Make one line of its fixes, in the order of time.",
        )


def _in_time(
    sign: gpd.GeoDataFrame,
    followed: gpd.GeoDataFrame,
    row: np.ndarray,
    line: np.ndarray,
    slack_h: float,
) -> np.ndarray:
    """Say which sign were noted while the trail was followed; unknown times fit."""
    if not {"start", "end"} <= set(followed) or "time" not in sign:
        return np.ones(len(row), dtype=bool)
    slack = pd.Timedelta(hours=slack_h)
    noted = sign["time"].iloc[row].reset_index(drop=True)
    start = followed["start"].iloc[line].reset_index(drop=True) - slack
    end = followed["end"].iloc[line].reset_index(drop=True) + slack
    return ~((noted < start) | (noted > end)).to_numpy(dtype=bool)


def _tell_bare(followed: gpd.GeoDataFrame, found: pd.Series) -> None:
    bare = followed["followed"][~followed["followed"].isin(found.dropna())]
    if len(bare):
        warnings.warn(
            f"{len(bare)} trails that were followed have no sign on them ({bare.iloc[0]}, ...) "
            "and make no trail: note at least one sign on each",
            DataWarning,
            stacklevel=3,
        )


def outings_of_day(
    walks: pd.Series, sign: pd.DataFrame, *, time_zone: str, party: pd.Series | None = None
) -> pd.DataFrame:
    """Put the walks of one local day, or of one party on one day, into one outing.

    Sign that was noted without any log belongs to the outing of its day (and party) too: it
    can then be linked by place with other sign of that day, and does not make a trail each.

    Parameters
    ----------
    walks : Series
        Walk of each sign, index name of the sign; missing where no log passed there.
    sign : DataFrame
        Columns ``sign`` and ``time`` (UTC).
    time_zone : str
        Where the days are counted.
    party : Series, optional
        Who walked, index name of the sign; then only walks of one party make an outing.

    Returns
    -------
    DataFrame
        ``walk`` and ``outing``, index name of the sign: what `link_trails` takes as `walks`.
        No outing where neither a walk nor a time is known: such sign stands alone.

    Examples
    --------
    >>> sign = pd.DataFrame({"sign": ["a", "b", "c"], "time": pd.to_datetime(
    ...     ["2024-05-01 15:00Z", "2024-05-01 23:00Z", "2024-05-02 15:00Z"])})
    >>> walks = pd.Series(["W1", "W2", "W3"], index=sign["sign"])
    >>> outings_of_day(walks, sign, time_zone="America/Denver")["outing"].tolist()
    ['2024-05-01', '2024-05-01', '2024-05-02']
    """
    local = sign.set_index("sign")["time"].dt.tz_convert(time_zone).reindex(walks.index)
    begun = local.groupby(walks).transform("min").where(walks.notna(), local)
    table = pd.DataFrame({"walk": walks, "outing": begun.dt.strftime("%Y-%m-%d")})
    if party is not None:
        own = party.reindex(walks.index)
        who = own.groupby(walks).transform("first").where(walks.notna(), own)
        table["outing"] = (table["outing"] + " " + who.astype("str")).where(who.notna())
    return table


def lines_of_logs(fixes: gpd.GeoDataFrame, logs: Sequence[str]) -> gpd.GeoDataFrame:
    """Make the lines that were walked on logs of followed trails.

    Parameters
    ----------
    fixes : GeoDataFrame
        Columns of FIXES.
    logs : sequence of str
        Names of the logs, each of one trail that was followed.

    Returns
    -------
    GeoDataFrame
        What `assign_followed` takes, in the order of `logs`: ``followed`` the name of the log,
        ``start``, ``end``, and the line through its fixes in the order of time.

    Raises
    ------
    InputError
        If a log is not there, or has fewer than two places.

    Examples
    --------
    >>> from carnivore_sign.example import example_season
    >>> season = example_season()
    >>> len(lines_of_logs(season.read("fixes"), ["2026-02-05_quill"]))
    1
    """
    own = fixes[fixes["log"].isin(list(logs)) & ~fixes.geometry.is_empty]
    own = own.sort_values(["log", "time"], kind="stable", na_position="last")
    number = own.groupby("log").size().reindex(list(logs), fill_value=0)
    if (number < 2).any():
        raise InputError(
            f"the log '{number.index[number < 2][0]}' of a trail that was followed has "
            f"{number[number < 2].iloc[0]} fixes",
            remedy="Name logs of this season that have fixes with places.",
        )
    by = own.groupby("log")
    places = shapely.get_coordinates(own.geometry.to_numpy())
    shapes = shapely.linestrings(places, indices=by.ngroup().to_numpy())
    table = pd.DataFrame({"start": by["time"].min(), "end": by["time"].max()})
    lines = gpd.GeoDataFrame(table, geometry=shapes, crs=own.crs)
    return lines.rename_axis("followed").loc[list(logs)].reset_index()


def lay_followed(
    joined: gpd.GeoDataFrame, shapes: np.ndarray, group: np.ndarray, followed: gpd.GeoDataFrame
) -> np.ndarray:
    """Put the lines that were followed in the place of lines through their sign.

    Parameters
    ----------
    joined : GeoDataFrame
        Sign in the order of their trails, EPSG:4326, with a column ``followed``.
    shapes : ndarray of geometry
        The line of each trail.
    group : ndarray of int
        Number of the trail of each sign.
    followed : GeoDataFrame
        The lines; see `assign_followed`.
    """
    lines = stored(followed, "the followed trails").set_index("followed").geometry
    strange = set(joined["followed"].dropna()) - set(lines.index)
    if strange:
        raise InputError(
            f"the trail '{min(strange)}' that was followed is not among the lines",
            remedy="Hand in the lines that the sign were assigned to.",
        )
    shapes = shapes.copy()
    named = joined["followed"].notna().to_numpy()
    for trail in np.unique(group[named]):  # few: somebody walked each of them
        rows = np.flatnonzero(group == trail)
        shapes[trail] = _spliced(joined.iloc[rows], lines)
    return shapes


def _spliced(sign: gpd.GeoDataFrame, lines: gpd.GeoSeries) -> shapely.LineString:
    """Return a line through sign in order, with followed lines where their sign stand."""
    places = shapely.get_coordinates(sign.geometry.to_numpy())
    names = sign["followed"].astype(object).to_numpy()
    pieces: list[np.ndarray] = []
    done: set[str] = set()
    for place, name in zip(places, names, strict=True):
        if pd.isna(name):
            pieces.append(place[None, :])
        elif name not in done:
            done.add(name)
            pieces.append(_turned(lines[name], places[names == name], pieces))
    return shapely.LineString(np.concatenate(pieces))


def _turned(line: shapely.LineString, on_it: np.ndarray, before: list[np.ndarray]) -> np.ndarray:
    """Return the coordinates of a followed line, turned to go on from what is before it."""
    course = shapely.get_coordinates(line)
    along = shapely.line_locate_point(line, shapely.points(on_it))
    backward = along[-1] < along[0]
    if len(on_it) == 1 and before:
        last = before[-1][-1]
        backward = np.hypot(*(course[-1] - last)) < np.hypot(*(course[0] - last))
    return course[::-1] if backward else course
