"""The incident window: overlap of intervals, against integration and simulation."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate

from carnivore_sign.errors import InputError, TimeZoneMissing
from carnivore_sign.incidents import IncidentWindow, share_within_window, window_of_incident

ZERO = pd.Timestamp("2031-05-01", tz="UTC")
hours = st.floats(0, 400).map(lambda h: round(h, 3))


def moment(hour: float) -> pd.Timestamp:
    return ZERO + pd.Timedelta(hours=hour)


def share(after: float | None, before: float, start: float | None, end: float) -> float:
    window = IncidentWindow(None if start is None else moment(start), moment(end))
    made_after = pd.Series(
        [pd.NaT if after is None else moment(after)], dtype="datetime64[ms, UTC]"
    )
    return float(share_within_window(made_after, pd.Series([moment(before)]), window)[0])


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
    assert share(after, after + length, start, start + width) == pytest.approx(area, abs=2e-4)


def test_overlap_equals_simulated_shares() -> None:
    rng = np.random.default_rng(7)
    times = rng.uniform(10, 90, 200_000)
    inside = ((times > 40) & (times <= 64)).mean()
    assert share(10, 90, 40, 64) == pytest.approx(inside, abs=4 * np.sqrt(0.3 * 0.7 / 200_000))


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
    assert share(after, before, start, end) == pytest.approx(expected, nan_ok=True)


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
