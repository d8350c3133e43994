"""Light: the height of the sun against what is known of solstice, equinox and an almanac."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from carnivore_sign.survey.light import sun_height_deg


def height(time, lon, lat):
    return float(sun_height_deg(pd.Series(pd.to_datetime([time], utc=True)), lon, lat)[0])


def test_at_the_pole_the_sun_stands_at_its_declination() -> None:
    # Meeus, Astronomical Algorithms, example 25.a: 1992 October 13, 0 h, declination -7.785
    # degrees (from memory).
    assert height("1992-10-13T00:00", 0.0, 90.0) == pytest.approx(-7.785, abs=0.02)
    # The obliquity of the ecliptic, 23.44 degrees, at the solstice of 20 June 2024, 20:51 UTC.
    assert height("2024-06-20T20:51", 0.0, 90.0) == pytest.approx(23.436, abs=0.02)


def test_highest_at_local_noon_by_latitude_and_declination() -> None:
    times = pd.Series(pd.date_range("2024-06-20", periods=1440, freq="min", tz="UTC"))
    at = sun_height_deg(times, -119.0, 41.0)
    assert at.max() == pytest.approx(90 - 41 + 23.436, abs=0.02)
    noon = times[at.argmax()]
    # 119 degrees west is 7 h 56 min behind; the sun is two minutes late in late June.
    assert abs(noon - pd.Timestamp("2024-06-20 19:58", tz="UTC")) < pd.Timedelta(minutes=2)


def test_day_and_night_are_as_long_at_the_equinox() -> None:
    times = pd.Series(pd.date_range("2024-03-20", periods=1440, freq="min", tz="UTC"))
    up = sun_height_deg(times, np.full(1440, 30.0), np.full(1440, 50.0)) > 0
    assert up.mean() == pytest.approx(0.5, abs=0.005)


def test_what_is_missing_stays_missing() -> None:
    times = pd.Series(pd.to_datetime(["2024-03-20T12:00Z", None]))
    told = sun_height_deg(times, [np.nan, 30.0], [50.0, 50.0])
    assert np.isnan(told).all()
