"""The incident window: overlap of intervals, against integration and simulation."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate

from carnivore_sign.errors import InputError, TimeZoneMissing
from carnivore_sign.incidents import IncidentWindow, share_within_window, window_of_incident
from carnivore_sign.incidents.window import OLDER_POWER

ZERO = pd.Timestamp("2031-05-01", tz="UTC")
hours = st.floats(0, 400).map(lambda h: round(h, 3))


def moment(hour: float) -> pd.Timestamp:
    return ZERO + pd.Timedelta(hours=hour)


def times(hour: float | None) -> pd.Series:
    return pd.Series([pd.NaT if hour is None else moment(hour)], dtype="datetime64[ms, UTC]")


def share(
    after: float | None,
    before: float,
    start: float | None,
    end: float,
    *,
    found: float | None = None,
    wiped: float | None = None,
) -> float:
    """Share of a trail in a window; all in hours. Without a find it was found at `before`."""
    window = IncidentWindow(None if start is None else moment(start), moment(end))
    found_at = times(before if found is None else found)
    return float(
        share_within_window(
            times(after), times(before), window, found=found_at, wiped=times(wiped)
        )[0]
    )


def on_record(after: float | None, before: float, start: float | None, end: float) -> float:
    """Share of a trail whose limits are the wiping of its ground and its find."""
    return share(after, before, start, end, found=before, wiped=after)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(after=hours, length=st.floats(0.1, 200), start=hours, width=st.floats(0.1, 200))
def test_overlap_equals_the_integral_of_the_uniform_density(
    after: float, length: float, start: float, width: float
) -> None:
    """Check with scipy's adaptive quadrature of the density 1/length over the window."""
    breaks = sorted({min(max(x, start), start + width) for x in (after, after + length)})
    area, _ = integrate.quad(
        lambda t: (after < t <= after + length) / length,
        start, start + width, points=breaks, limit=200,
    )  # fmt: skip
    assert on_record(after, after + length, start, start + width) == pytest.approx(area, abs=2e-4)


def test_overlap_equals_simulated_shares() -> None:
    rng = np.random.default_rng(7)
    drawn = rng.uniform(10, 90, 200_000)
    inside = ((drawn > 40) & (drawn <= 64)).mean()
    assert on_record(10, 90, 40, 64) == pytest.approx(inside, abs=4 * np.sqrt(0.21 / 200_000))


@pytest.mark.parametrize(
    ("after", "before", "start", "end", "expected"),
    [
        (0, 10, 20, 30, 0.0),  # before it
        (40, 50, 20, 30, 0.0),  # after it
        (22, 28, 20, 30, 1.0),  # within it
        (0, 100, 20, 30, 0.1),  # around it
        (10, 20, 20, 30, 0.0),  # touches the open start
        (30, 30, 20, 30, 1.0),  # a known moment at the closed end
        (20, 20, 20, 30, 0.0),  # a known moment at the open start
        (0, 40, None, 30, 0.75),  # open at the start
        (None, 15, 20, 30, 0.0),  # surely before, whatever its age
        (None, 25, None, 30, 1.0),  # surely before the end of a window without a start
        (None, 25, 20, 30, np.nan),  # cannot be told
        (None, 35, None, 30, np.nan),  # cannot be told
        (28, 22, 20, 30, np.nan),  # ends before it begins
    ],
)
def test_each_way_two_intervals_can_lie(
    after: float | None, before: float, start: float | None, end: float, expected: float
) -> None:
    assert on_record(after, before, start, end) == pytest.approx(expected, nan_ok=True)


def stated_density(hour: float, after: float, before: float, found: float) -> float:
    """Density of the time of making where an age was stated: 2.5 % beyond either limit."""
    if hour > found:
        return 0.0
    if hour > before:
        return 0.025 / (found - before)
    if hour > after:
        return 0.95 / (before - after)
    age, oldest = found - hour + 1.0, found - after + 1.0
    return 0.025 * OLDER_POWER / oldest * (age / oldest) ** (-OLDER_POWER - 1.0)


def drawn_times(size: int, after: float, before: float, found: float) -> np.ndarray:
    """Draw times of making from that density."""
    rng = np.random.default_rng(19)
    part, place = rng.random(size), rng.random(size)
    older = found + 1.0 - (found - after + 1.0) * place ** (-1.0 / OLDER_POWER)
    inside = after + (before - after) * place
    later = before + (found - before) * place
    return np.select([part < 0.025, part < 0.975], [older, inside], later)


WINDOWS = [(-300.0, -20.0), (-20.0, 4.0), (2.0, 30.0), (30.0, 33.0), (33.0, 60.0), (-500.0, 200.0)]


@pytest.mark.parametrize(("start", "end"), WINDOWS)
def test_limits_of_a_stated_age_leave_five_per_cent_outside(start: float, end: float) -> None:
    """Check with scipy's quadrature, and with times drawn by numpy."""
    limits = {"after": 0.0, "before": 32.0, "found": 48.0}
    told = share(0.0, 32.0, start, end, found=48.0)
    inside = [point for point in (0.0, 32.0, 48.0) if start < point < end]
    area, _ = integrate.quad(
        stated_density, start, end, args=tuple(limits.values()), points=inside or None, limit=200
    )
    assert told == pytest.approx(area, abs=1e-6)
    drawn = drawn_times(200_000, **limits)
    hits = ((drawn > start) & (drawn <= end)).mean()
    assert told == pytest.approx(hits, abs=4 * np.sqrt(max(told * (1 - told), 1e-5) / 200_000))
    assert 0.0 < told < 1.0


def test_no_window_is_ruled_out_or_in_by_the_limits_of_a_stated_age_alone() -> None:
    assert 0.0 < share(100, 120, 0, 50, found=140) < 0.025
    assert 0.0 < share(100, 120, 125, 130, found=140) < 0.025
    assert 0.95 < share(100, 120, 90, 130, found=140) < 1.0
    # A record rules out: nothing is older than the last wiping, nor later than the find.
    assert share(100, 120, 0, 50, found=140, wiped=60) == 0.0
    assert share(100, 120, 140, 150, found=140) == 0.0
    assert share(100, 120, 60, 140, found=140, wiped=60) == 1.0
    between = share(100, 120, 60, 100, found=140, wiped=60)
    assert between == pytest.approx(0.025)


@settings(max_examples=60, derandomize=True)
@given(
    after=hours, length=st.floats(0.1, 90), room=st.floats(0, 50), cuts=st.lists(hours, max_size=4)
)
def test_windows_side_by_side_add_up_to_the_one_that_holds_them(
    after: float, length: float, room: float, cuts: list[float]
) -> None:
    before, found = after + length, after + length + room
    ends = [-1e6, *sorted({round(cut, 1) for cut in cuts}), found + 1]
    parts = [share(after, before, a, b, found=found) for a, b in itertools.pairwise(ends)]
    assert all(-1e-12 <= part <= 1 + 1e-12 for part in parts)
    assert sum(parts) == pytest.approx(1.0, abs=1e-6)


def test_a_window_is_read_into_utc() -> None:
    window = window_of_incident(
        {"last_seen_well": "2031-05-02T18:00-06:00", "found": "2031-05-03T06:00-06:00"}
    )
    assert window.start == pd.Timestamp("2031-05-03 00:00", tz="UTC")
    assert window.length_h == 12


def test_a_missing_start_is_open_and_not_a_fault() -> None:
    window = window_of_incident({"last_seen_well": pd.NaT, "found": "2031-05-03T06:00Z"})
    assert window.open_at_start
    assert window.length_h == np.inf


@pytest.mark.parametrize(
    ("well", "found", "error", "told"),
    [
        ("2031-05-03T06:00Z", "2031-05-02T06:00Z", InputError, "exchanged"),
        ("2031-05-03T06:00Z", "2031-05-03T06:00Z", InputError, "not before"),
        ("2031-05-03T06:00Z", None, InputError, "Fill in 'found'"),
        ("2031-05-03T06:00", "2031-05-04T06:00Z", TimeZoneMissing, "State the zone"),
    ],
)
def test_bad_windows_say_what_would_mend_them(
    well: str, found: str | None, error: type[Exception], told: str
) -> None:
    with pytest.raises(error, match=told) as raised:
        window_of_incident({"incident": "Loss 7", "last_seen_well": well, "found": found})
    assert "Loss 7" in str(raised.value)
