"""Units: factors against pyproj's table, and lengths as people write them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyproj.database
import pytest
from hypothesis import given
from hypothesis import strategies as st

from carnivore_sign.units import METRES, TWO_NUMBERS, lengths_from_text

#: Names of our units in the EPSG registry, which pyproj carries.
EPSG_NAMES = {
    "mm": "millimetre",
    "cm": "centimetre",
    "m": "metre",
    "km": "kilometre",
    "ft": "foot",
    "mi": "Statute mile",
}


@pytest.mark.parametrize(("unit", "name"), EPSG_NAMES.items())
def test_factor_agrees_with_the_epsg_registry(unit: str, name: str) -> None:
    table = {
        u.name: u.conv_factor for u in pyproj.database.get_units_map(category="linear").values()
    }
    assert METRES[unit] == pytest.approx(table[name], rel=1e-12)


def test_inch_and_yard_follow_from_the_foot() -> None:
    # International yard and pound agreement of 1959: 1 yd = 0.9144 m, 12 in = 1 ft, 3 ft = 1 yd.
    assert METRES["in"] * 12 == pytest.approx(METRES["ft"], rel=1e-15)
    assert METRES["ft"] * 3 == pytest.approx(METRES["yd"], rel=1e-15)
    assert METRES["mi"] == pytest.approx(1760 * METRES["yd"], rel=1e-15)


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("3 in", 76.2),
        ("3 1/4 in", 82.55),
        ('3-1/2"', 88.9),
        ("1/2 inch", 12.7),
        ("7,6 cm", 76.0),
        ("7.6cm.", 76.0),
        ("76 MM", 76.0),
        ("0.92 m", 920.0),
        ("3 ft", 914.4),
        ("1 yd", 914.4),
        # 1 ft = 304.8 mm and 1 in = 25.4 mm exactly (agreement of 1959).
        ("3' 1\"", 3 * 304.8 + 25.4),
        ("3'1", 3 * 304.8 + 25.4),
        ("3 ft 1 in", 3 * 304.8 + 25.4),
        ("3 feet, 1.5 inches", 3 * 304.8 + 1.5 * 25.4),
        ("3' 1 1/2''", 3 * 304.8 + 1.5 * 25.4),
        ("0\u2032 1/2\u2033", 12.7),
        ("80", 80.0),
        (80, 80.0),
        (80.5, 80.5),
    ],
)
def test_lengths_as_people_write_them(text: object, mm: float) -> None:
    values, faults = lengths_from_text(pd.Series([text]), to="mm", default_unit="mm")
    assert faults.empty
    assert values[0] == pytest.approx(mm, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("about 3 in", "not a length"),
        ("3 4 in", "not a length"),
        ("3/0 in", "not a length"),
        ("3 paws", "unknown unit 'paws'"),
        ("-3 in", "below zero"),
        ("80", "no unit: write it behind the number"),
        ("3' 12\"", "not a length"),
        ("3' 1 cm", "not a length"),
        ("3 ft 1/0 in", "not a length"),
    ],
)
def test_a_length_that_cannot_be_read_says_why(text: str, reason: str) -> None:
    values, faults = lengths_from_text(pd.Series(["7 cm", text], index=[4, 9]))
    assert np.isnan(values[9])
    assert reason in faults[9]
    assert list(faults.index) == [9]
    assert values[4] == pytest.approx(0.07)


def test_missing_stays_missing_and_is_no_fault() -> None:
    values, faults = lengths_from_text(pd.Series([None, "", "  ", float("nan")]), default_unit="m")
    assert values.isna().all()
    assert faults.empty


@given(st.floats(0, 1e6), st.sampled_from(sorted(METRES)))
def test_writing_and_reading_a_length_agree(length: float, unit: str) -> None:
    values, faults = lengths_from_text(pd.Series([f"{length:.9f} {unit}"]), to=unit)
    assert faults.empty
    assert values[0] == pytest.approx(length, rel=1e-12, abs=1e-9)


@pytest.mark.parametrize(
    ("cells", "metres"),
    [
        (["1,200 mm"], [None]),
        (["1,200 mm", "820 mm"], [None, 0.82]),
        (["1,200 mm", "8.2 mm"], [1.2, 0.0082]),
        (["1,200 mm", "1,350.5 mm"], [1.2, 1.3505]),
        (["1,200 m", "8,2 m"], [1.2, 8.2]),
        (["1,200 m", "1.350,5 m"], [1.2, 1350.5]),
        (["1,200 m", "8,2 m", "8.2 m"], [None, 8.2, 8.2]),
        (["1,234,567 mm"], [1234.567]),
        (["1.200 m"], [1.2]),
        (["1.200 m", "8,2 m"], [None, 8.2]),
        (["1.200 m", "1.350,5 m"], [1200, 1350.5]),
        (["1.200 m", "8,2 m", "8.2 m"], [1.2, 8.2, 8.2]),
        (["0,305 m"], [0.305]),
        (["1234,567 m"], [1234.567]),
        ([",5 m"], [0.5]),
    ],
)
def test_a_comma_before_three_digits_is_settled_by_the_column_or_refused(
    cells: list[str], metres: list[float | None]
) -> None:
    values, faults = lengths_from_text(pd.Series(cells))
    expected = [np.nan if value is None else value for value in metres]
    np.testing.assert_allclose(values, expected, rtol=1e-12)
    assert faults.tolist() == [TWO_NUMBERS] * metres.count(None)


@given(st.floats(0, 1e7), st.integers(0, 6))
def test_a_number_with_thousands_parted_is_read_beside_one_that_shows_it(
    number: float, digits: int
) -> None:
    written = f"{number:,.{digits}f}"
    american = pd.Series([f"{written} m", "1,234.5 m"])
    european = american.str.translate(str.maketrans(",.", ".,"))
    for column in (american, european):
        values, faults = lengths_from_text(column)
        assert faults.empty
        assert values[0] == pytest.approx(float(f"{number:.{digits}f}"), rel=1e-12)
