"""Dating: a track was made after its ground was wiped, and while the ground keeps tracks.

Whoever stated the age of a track may err; the drag, the rain or the traffic that wiped the road
before it is on record. And no surface of a transect keeps tracks readable for ever. Sign that
is not pressed into the surface (scat, a kill) outlasts it, so that only trails with tracks are
dated in this way.
"""

from __future__ import annotations

import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.records.vocabularies import MAX_DAYS_COLLECTING


def date_by_clearing(
    trails: pd.DataFrame,
    detections: pd.DataFrame,
    visits: pd.DataFrame,
    *,
    with_tracks: pd.Series,
    max_days_collecting: float = MAX_DAYS_COLLECTING,
) -> pd.DataFrame:
    """Narrow the time in which each trail was made by when its ground was last wiped.

    Trails without a detection keep their time: nothing is known of the ground they lie on.

    Parameters
    ----------
    trails : DataFrame
        TRAILS.
    detections : DataFrame
        DETECTIONS: on which visits each trail was found.
    visits : DataFrame
        VISITS, with ``hours_since_cleared``; missing where no clearing is on record.
    with_tracks : Series of bool
        Whether a trail, by its name, has tracks.
    max_days_collecting : float
        Longest that a surface is taken to keep tracks readable, days.

    Returns
    -------
    DataFrame
        `trails`, with ``made_after`` no earlier than the last clearing before the visit (which
        stands in ``wiped``); where a trail lies on several segments, than the latest of those
        clearings. A clearing that
        comes after the stated ``made_before`` contradicts the stated age: the record of the
        clearing is believed, and ``made_before`` becomes the time of the find.
        Nor is ``made_after`` earlier than `max_days_collecting` before the find, unless the
        stated age says that the trail is older: that is a rule of thumb, and no record.

    Raises
    ------
    InputError
        If a detection names a visit that is not there.

    Examples
    --------
    >>> day = pd.Timestamp("2026-02-10T16:00Z")
    >>> trails = pd.DataFrame({
    ...     "trail": ["T1"], "time": [day], "made_before": [day],
    ...     "made_after": pd.to_datetime([None], utc=True),
    ... })
    >>> detections = pd.DataFrame({"trail": ["T1"], "visit": ["V1"]})
    >>> visits = pd.DataFrame({"visit": ["V1"], "start": [day], "hours_since_cleared": [48.0]})
    >>> dated = date_by_clearing(trails, detections, visits, with_tracks=pd.Series({"T1": True}))
    >>> str(dated["made_after"].iloc[0])
    '2026-02-08 16:00:00+00:00'
    """
    known = visits.set_index("visit")
    strange = ~detections["visit"].isin(known.index)
    if strange.any():
        raise InputError(
            f"a detection names visit '{detections.loc[strange, 'visit'].iloc[0]}', which is not "
            "among the visits",
            remedy="Hand in the visits that the detections were made from.",
        )
    if detections.empty:
        return trails
    where = known.loc[detections["visit"]]
    wiped = where["start"] - pd.to_timedelta(where["hours_since_cleared"], unit="h")
    latest = wiped.groupby(detections["trail"].to_numpy()).max()
    cleared = pd.to_datetime(trails["trail"].map(latest), utc=True)
    cleared = cleared.where(cleared <= trails["time"])
    readable = trails["time"] - pd.to_timedelta(max_days_collecting, unit="D")
    readable = readable.where(readable <= trails["made_before"])
    tracks = trails["trail"].map(with_tracks).fillna(False).astype(bool)
    tracks &= trails["trail"].isin(detections["trail"])
    after = _later(trails["made_after"], _later(cleared, readable).where(tracks))
    before = trails["made_before"].mask(after > trails["made_before"], trails["time"])
    return trails.assign(made_after=after, made_before=before, wiped=cleared.where(tracks))


def trails_with_tracks(members: pd.DataFrame, sign: pd.DataFrame) -> pd.Series:
    """Return, by trail, whether tracks are among its sign.

    Parameters
    ----------
    members : DataFrame
        From `link_trails`.
    sign : DataFrame
        SIGN.

    Returns
    -------
    Series of bool
        Index trail.

    Examples
    --------
    >>> sign = pd.DataFrame({"sign": ["a", "b", "c"], "kind": ["track", "scat", "scat"]})
    >>> members = pd.DataFrame({"sign": ["a", "b", "c"], "trail": ["T1", "T1", "T2"]})
    >>> trails_with_tracks(members, sign).to_dict()
    {'T1': True, 'T2': False}
    """
    tracks = members["sign"].map(sign.set_index("sign")["kind"]).eq("track")
    return tracks.groupby(members["trail"]).any()


def _later(one: pd.Series, other: pd.Series) -> pd.Series:
    """Later of two times; where one is missing, the other."""
    return one.mask(other > one, other).fillna(other)
