"""Photo times: when photos were taken, by the best of the clocks that each of them tells.

The first that is there is taken: date and time of the receiver, its time of day on the day of the
camera's clock, the camera's clock with the offset beside it, the camera's clock in the stated
zone. The rules are those of CIPA DC-008 (Exif).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import pandas as pd

from carnivore_sign.intake.clocks import NO_ZONE, times_from_text
from carnivore_sign.intake.photo_facts import Facts
from carnivore_sign.intake.rollover import GPS_EPOCH, ROLLOVER, suspect_before
from carnivore_sign.records.check import TIME, BoolArray

#: GPS time and the camera's clock may differ by this before a note says so, in seconds: a
#: receiver that lost its fix keeps the time of the last one.
_CLOCKS_DIFFER_S: Final = 600.0
#: No two clocks on Earth differ by more than this for reason of their zones, in seconds.
_WIDEST_ZONE_S: Final = 14.0 * 3600
_DAY_S: Final = 86_400.0
#: Clocks this near each other show the same date, whatever their zones.
_SAME_DATE_S: Final = 2 * _DAY_S
_REPAIR: Final = "import it with the rollover repaired (--repair-rollover)"


def photo_times(
    facts: Sequence[Facts], time_zone: str | None, *, rollover_repaired: bool = False
) -> tuple[dict[str, pd.Series], list[list[str]], tuple[str, ...]]:
    """Find when photos were taken.

    Parameters
    ----------
    facts : sequence of Facts
        What each photo says.
    time_zone : str or None
        IANA name of the zone of camera times that carry none.
    rollover_repaired : bool
        Put GPS dates that may be 1024 weeks early later, but where the camera's clock agrees.

    Returns
    -------
    columns : dict of str to Series
        ``time``, ``time_source`` and ``clock_behind_s`` of table ``photos``.
    notes : list of list of str
        What is to be said of each photo.
    told : tuple of str
        What was assumed of all of them.
    """
    notes: list[list[str]] = [[] for _ in facts]
    gps = _as_times([one.gps_time for one in facts])
    words = pd.Series([one.camera_iso for one in facts], dtype="object")
    camera, faults, told = times_from_text(words, time_zone=time_zone)
    local = pd.to_datetime(words.str[:19], errors="coerce", utc=True, format="ISO8601")
    gps = _over_the_rollover(gps, camera.fillna(local), notes, repaired=rollover_repaired)
    on_camera_day = _on_camera_day(facts, camera).where(gps.isna())
    stated = words.fillna("").str[19:].str.contains(r"[Z+-]")
    source = pd.Series(None, index=words.index, dtype="object")
    source[camera.notna()] = "camera_zone"
    source[camera.notna() & stated] = "camera_offset"
    source[on_camera_day.notna()] = "gps_clock"
    source[gps.notna()] = "gps"
    by_receiver = gps.fillna(on_camera_day)
    behind = (gps - camera).dt.total_seconds()
    for place, reason in faults.items():
        if reason != NO_ZONE:
            notes[place].append(f"camera time: {reason}")
        elif pd.isna(gps[place]):
            notes[place].append(f"no time: {reason}")
    for place in np.flatnonzero(on_camera_day.notna()):
        notes[place].append("its day was taken from the camera's clock")
    lone = camera.where(~stated & by_receiver.isna())
    for place in np.flatnonzero(_twice(words, lone, time_zone)):
        notes[place].append("the clocks went through this hour twice; the first was taken")
    _tell_difference(notes, behind, (gps - local).dt.total_seconds())
    columns = {
        "time": by_receiver.fillna(camera),
        "time_source": source,
        "clock_behind_s": behind,
    }
    return columns, notes, told


def _as_times(values: Sequence[object]) -> pd.Series:
    times = pd.to_datetime(pd.Series(values, dtype="object"), utc=True)
    return times.dt.round("ms").astype(TIME)


def _over_the_rollover(
    gps: pd.Series, camera: pd.Series, notes: list[list[str]], *, repaired: bool
) -> pd.Series:
    """Tell the GPS dates that may be 1024 weeks early, and put them later if that is asked."""
    apart = (camera - gps).dt.total_seconds()
    early = (gps < suspect_before()) & (gps >= GPS_EPOCH) & ~(apart.abs() <= _SAME_DATE_S)
    for place in np.flatnonzero(early):
        was = f"the GPS date {gps[place]:%Y-%m-%d}"
        if repaired:
            notes[place].append(f"{was} was put 1024 weeks later, as was asked")
        elif abs(apart[place] - ROLLOVER.total_seconds()) <= _SAME_DATE_S:
            notes[place].append(f"{was} is 1024 weeks before the camera's: {_REPAIR}")
        else:
            notes[place].append(f"{was} may be one that an old receiver writes early: {_REPAIR}")
    return gps.mask(early, gps + ROLLOVER) if repaired else gps


def _on_camera_day(facts: Sequence[Facts], camera: pd.Series) -> pd.Series:
    """Return the receiver's time of day, where it has no date, next to the camera's time."""
    clock = pd.to_timedelta([one.gps_clock_s for one in facts], unit="s").to_series(camera.index)
    moment = camera.dt.floor("D") + clock
    days = ((camera - moment) / pd.Timedelta(days=1)).round()
    return (moment + pd.to_timedelta(days, unit="D")).dt.round("ms").astype(TIME)


def _tell_difference(notes: list[list[str]], behind: pd.Series, local: pd.Series) -> None:
    """Tell by how much the two clocks of a photo differ; `local` is without regard to zones."""
    rollover = ROLLOVER.total_seconds()
    seconds = behind.where((behind.abs() - rollover).abs() > _SAME_DATE_S)
    for place in np.flatnonzero(seconds.abs() > _CLOCKS_DIFFER_S):
        notes[place].append(f"GPS time and the camera's clock differ by {behind[place]:.0f} s")
    zoneless = local.where(behind.isna() & ((local.abs() - rollover).abs() > _SAME_DATE_S))
    for place in np.flatnonzero(zoneless.abs() > _WIDEST_ZONE_S):
        days = local[place] / _DAY_S
        notes[place].append(f"GPS time and the camera's clock differ by {days:.1f} days")


def _twice(words: pd.Series, camera: pd.Series, time_zone: str | None) -> BoolArray:
    """Tell which local times the clocks of the zone went through twice."""
    if time_zone is None or camera.isna().all():
        return np.zeros(len(words), dtype=bool)
    local = pd.to_datetime(words.where(camera.notna()), format="ISO8601", errors="coerce")
    never = np.zeros(len(words), dtype=bool)
    second = local.dt.tz_localize(time_zone, ambiguous=never, nonexistent="NaT")
    return (second.dt.tz_convert("UTC") - camera > pd.Timedelta("1s")).to_numpy(dtype=bool)
