"""Lines and tracks: positions read many at once are those that are read one by one."""

from __future__ import annotations

import json
from pathlib import Path
from unittest import mock

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pandas.testing import assert_frame_equal

from carnivore_sign.intake import Reading, geojson, kml, texts
from carnivore_sign.intake.files import read_any
from carnivore_sign.intake.source import Source
from carnivore_sign.intake.texts import Text, tuples

NUMBERS = st.one_of(
    st.decimals(-180, 180, places=7).map(lambda number: f"{number:.7f}"),
    st.integers(-90, 90).map(str),
    st.sampled_from(["-0.0", ".5", "7.", "179.99999999999997", "12345678.9012345678"]),
)
ODD = ["", "x", "1e3", "+5", "nan", "95", "1.2.3", "é"]


@settings(max_examples=100, deadline=None)
@given(st.integers(2, 3), st.lists(st.lists(NUMBERS, min_size=3, max_size=3), min_size=1))
def test_tuples_are_read_to_the_last_bit(size: int, rows: list[list[str]]) -> None:
    words = [",".join(row[:size]) for row in rows]
    np.testing.assert_array_equal(
        tuples(words, ","), [[float(number) for number in row[:size]] for row in rows]
    )


@pytest.mark.parametrize(
    "words",
    [
        [], [""], ["1"], ["1,2,3,4"], ["1,2", "1,2,3"], ["1,2,3", "1,2"], ["1,", "2"], ["1, 2"],
        ["1,2", "x,2"], ["1\n2"], ["1,2\n3", "4"], ["1,2", ""], ["1,é"],
    ],
)  # fmt: skip
def test_what_is_no_plain_tuple_is_not_read(words: list[str]) -> None:
    assert tuples(words, ",") is None


def test_many_texts_are_read_in_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    words = [f"{number / 7:.5f},{number}" for number in range(50)]
    whole = tuples(words, ",")
    monkeypatch.setattr(texts, "_AT_ONCE", 7)
    np.testing.assert_array_equal(tuples(words, ","), whole)
    assert tuples([*words, "1,2,3"], ",") is None
    assert tuples([*words, "x,2"], ",") is None
    moments = " ".join(f"2026-02-14T15:40:{second:02d}Z" for second in range(20))
    start = np.arange(20) * 21
    assert (
        np.diff(texts.moments_ms(Text(moments.encode()), start, start + 20)).tolist() == [1000] * 19
    )


def test_letters_are_found_and_compared_wherever_they_stand(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    text = Text(b"a<b<<c and more<")
    for block in (1, 3, 2**17):
        monkeypatch.setattr(texts, "_BLOCK", block)
        assert text.places(ord("<"), 0, 16).tolist() == [1, 3, 4, 15]
        assert text.places(ord("<"), 2, 4).tolist() == [3]
    for compared in (1, 2, 32):
        monkeypatch.setattr(texts, "_COMPARED", compared)
        assert text.equals(np.array([0, 1, 5, 14, 40]), b"c and").tolist() == [
            False, False, True, False, False,
        ]  # fmt: skip
    assert text.windows(np.array([14, 20]), 3).T.tolist() == [[101, 60, 32], [32, 32, 32]]


def same_one_by_one(data: str, kind: str) -> Reading:
    """Read a file both ways, and return what the quick one gave."""
    source = Source(Path("made.dat"), "0" * 64, data.encode())
    quick = read_any(source, kind=kind)
    with (
        mock.patch.object(kml, "tuples", return_value=None),
        mock.patch.object(geojson, "_places", return_value=None),
    ):
        slow = read_any(source, kind=kind)
    assert quick.notes == slow.notes
    assert quick.rows_in == slow.rows_in
    assert_frame_equal(quick.set_aside, slow.set_aside)
    for name, frame in slow.tables.items():
        assert_frame_equal(quick.tables[name], frame, check_exact=True)
    return quick


MIXED = st.one_of(NUMBERS, NUMBERS, NUMBERS, st.sampled_from(ODD))
ROWS = st.lists(st.lists(MIXED, min_size=1, max_size=4), max_size=8)
TIMES = st.sampled_from(["", "2026-02-14T15:40:00Z", "2026-02-14", "never"])


@settings(max_examples=60, deadline=None)
@given(st.lists(ROWS, min_size=1, max_size=3), st.lists(TIMES, max_size=10))
def test_kml_is_read_alike_both_ways(lines: list[list[list[str]]], times: list[str]) -> None:
    body = "".join(
        "<Placemark><LineString><coordinates>"
        + " ".join(",".join(row) for row in line)
        + "</coordinates></LineString><Track>"
        + "".join(f"<when>{time}</when>" for time in times)
        + "".join(f"<coord>{' '.join(row)}</coord>" for row in line)
        + "</Track></Placemark>"
        for line in lines
    )
    same_one_by_one(f"<kml>{body}</kml>", "kml")


VALUES = st.one_of(st.floats(-200, 200), st.integers(-90, 90), st.sampled_from([None, "5", True]))


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.lists(st.lists(VALUES, min_size=1, max_size=4), max_size=8), min_size=1, max_size=3
    ),
    st.lists(st.one_of(TIMES, st.none(), st.integers()), max_size=10),
)
def test_geojson_is_read_alike_both_ways(
    lines: list[list[list[object]]], times: list[object]
) -> None:
    features = [
        {
            "type": "Feature",
            "properties": {"coordTimes": times},
            "geometry": {"type": "LineString", "coordinates": line},
        }
        for line in lines
    ]
    same_one_by_one(json.dumps({"type": "FeatureCollection", "features": features}), "geojson")


def test_plain_lines_are_read_at_once() -> None:
    track = "".join(
        f"<when>2026-02-14T15:40:{n:02d}Z</when><coord>-119.2 37.{n} 600</coord>" for n in range(9)
    )
    with mock.patch.object(kml._Log, "add_rows", side_effect=AssertionError):
        reading = same_track(track)
    assert reading.tables["fixes"]["elevation_m"].tolist() == [600.0] * 9
    numbers = [[-119.2, 37.4], [-119.3, 37]]
    np.testing.assert_array_equal(geojson._places(numbers), numbers)
    assert geojson._places([[10**400, 1]]) is None
    assert geojson._places([[float("nan"), 1.0]]) is None


def same_track(track: str) -> Reading:
    data = f"<kml><Placemark><Track>{track}</Track></Placemark></kml>".encode()
    return read_any(Source(Path("made.kml"), "0" * 64, data), kind="kml")
