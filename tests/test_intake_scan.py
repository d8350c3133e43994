"""The scan of regular logs and the referee give the same tables, to the last bit."""

from __future__ import annotations

import random
from dataclasses import dataclass
from pathlib import Path
from unittest import mock

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from carnivore_sign.errors import InputError
from carnivore_sign.intake import gpx
from carnivore_sign.intake.files import read_any
from carnivore_sign.intake.gpx_scan import scan_track_points
from carnivore_sign.intake.reading import Reading
from carnivore_sign.intake.source import Source, as_utf8, open_source
from carnivore_sign.intake.texts import Text, decimals, moments_ms

PAD = b" " * 40


def source_of(text: str | bytes) -> Source:
    data = text if isinstance(text, bytes) else text.encode()
    return Source(Path("made.gpx"), "0" * 64, data)


def referee_only(source: Source) -> Reading:
    with mock.patch.object(gpx, "scan_track_points", return_value=None):
        return read_any(source, kind="gpx")


def both(source: Source) -> tuple[Reading | str, Reading | str]:
    told = []
    for read in (lambda one: read_any(one, kind="gpx"), referee_only):
        try:
            told.append(read(source))
        except InputError as error:
            told.append(str(error))
    return told[0], told[1]


def assert_same(source: Source) -> None:
    scanned, walked = both(source)
    if isinstance(scanned, str) or isinstance(walked, str):
        assert scanned == walked
        return
    assert scanned.notes == walked.notes
    assert scanned.rows_in == walked.rows_in
    for name, frame in walked.tables.items():
        pd.testing.assert_frame_equal(scanned.tables[name], frame, check_exact=True)
    pd.testing.assert_frame_equal(scanned.set_aside, walked.set_aside)


def is_scanned(text: str) -> bool:
    data = as_utf8(text.encode())[0]
    scan = scan_track_points(data)
    return scan is not None and scan.fits(gpx.read_document(scan.rest, "made"))


def log(*points: str, before: str = "") -> str:
    body = "".join(points)
    return f'<gpx version="1.1">{before}<trk><trkseg>{body}</trkseg></trk></gpx>'


def point(number: int, inside: str = "<ele>{}</ele>\n<time>{}</time>") -> str:
    inside = inside.format(600 + number, f"2026-02-14T15:40:{number:02d}Z")
    return f'\n  <trkpt lat="37.4{number:03d}" lon="-119.2">{inside}</trkpt>'


def test_both_agree_on_every_real_file_and_most_are_scanned(real_files: Path) -> None:
    with_points = scanned = 0
    for path in sorted((real_files / "gpx").glob("*.gpx")):
        source = open_source(path)
        assert_same(source)
        data = as_utf8(source.data)[0]
        with_points += b"trkpt" in data
        scanned += gpx._read_points(data, source)[1] is not None
    assert with_points > 60
    assert scanned > 0.8 * with_points


def test_both_agree_on_every_broken_file(real_files: Path) -> None:
    for path in sorted((real_files / "broken").glob("*gpx*")):
        assert_same(open_source(path))


HR = "<extensions><x:T><x:hr>{}</x:hr></x:T></extensions><time>{}</time>"
REGULAR = {
    "plain": log(*map(point, range(9))),
    "one point": log(point(1)),
    "bare": log(*(point(i, "") for i in range(3))),
    "closed at once": log(*(f'<trkpt lat="1.{i}" lon="2"/>' for i in range(5))),
    "closed with a space": log(*(f'<trkpt lat="1.{i}" lon="2" />' for i in range(5))),
    "longitude first": log(*(f'<trkpt lon="1.{i}" lat="2"><ele>3</ele></trkpt>' for i in range(5))),
    "extensions": log(*(point(i, HR) for i in range(4))),
    "text extras": log(*(point(i, "<extensions><a:b>x {}</a:b><a:b2 k='v' m='w'>y </a:b2>"
                                  "</extensions><fix>3d</fix><time>{}</time>") for i in range(4))),
    "attributes only": log(*(point(i, "<ele>{}</ele><time>{}</time><link href='u'/>")
                             for i in range(4))),
    "all measures": log(*(point(i, "<ele>{}</ele><time>{}</time><course>7</course><speed>1.5"
                                   "</speed><sat>9</sat><vdop>2</vdop><pdop>3</pdop>"
                                   "<extensions><q:atemp>-3.5</q:atemp><q:cad>80</q:cad>"
                                   "<q:HR>99</q:HR><speed>9</speed></extensions>")
                          for i in range(4))),
    "accuracy": log(*(point(i, "<accuracy>{}</accuracy><time>{}</time>") for i in range(4))),
    "two shapes": log(point(0), point(1, ""), point(2), point(3, "<ele></ele>")),
    "two segments": log(point(0), "</trkseg><trkseg>", point(1), "</trkseg><trkseg></trkseg>"
                        "</trk><trk><trkseg>", point(2)),
    "a comment between": log(point(0), "<!-- <trkpt> -->", point(1)),
    "an entity before": log(point(0), before="<metadata><name>a &amp; b</name></metadata>"),
    "long numbers": log('<trkpt lat="52.514599999999998" lon="9007199254740993e0"/>'.replace(
        "9007199254740993e0", "0.90071992547409931")),
    "longitude 180": log('<trkpt lat="0" lon="180"/>', '<trkpt lat="0" lon="-180"/>'),
    "same length of everything": log(*(point(i) for i in range(10, 60))),
}  # fmt: skip


@pytest.mark.parametrize("name", REGULAR)
def test_a_regular_log_is_scanned_and_both_agree(name: str) -> None:
    assert is_scanned(REGULAR[name])
    assert_same(source_of(REGULAR[name]))


ODD = {
    "a speed below zero": log(point(0, "<ele>{}</ele><time>{}</time><speed>-1</speed>"), point(1)),
    "a text twice": log(point(0, "<e>{}</e><time>{}</time><e>b</e><a>1</a>"), point(1)),
    "attributes that vary": log(*(point(i, f"<a k='{i}'>{{}}</a><time>{{}}</time>")
                                  for i in range(20))),
    "a long text": log(point(0, "<a>{}" + "x" * 2000 + "</a><time>{}</time>"), point(1)),
    "an entity in a number": point(1, "<ele>&#53;</ele>"),
    "an entity in a text": point(1, "<name>a &amp; b</name>"),
    "a comment": point(1, "<!-- <ele>7</ele> --><ele>5</ele>"),
    "character data": point(1, "<ele><![CDATA[5]]></ele>"),
    "an instruction": point(1, "<?x <ele>5</ele>?>"),
    "space around a number": point(1, "<ele> 5 </ele>"),
    "an exponent": point(1, "<ele>5e1</ele>"),
    "a plus": point(1, "<ele>+5</ele>"),
    "a bad number": point(1, "<ele>five</ele>"),
    "two points": point(1, "<ele>5.5.5</ele>"),
    "a bad hdop": point(1, "<hdop>-1</hdop>"),
    "a local time": point(1, "<time>2026-02-14T15:40:00</time>"),
    "an offset": point(1, "<time>2026-02-14T15:40:00+01:00</time>"),
    "no such day": point(1, "<time>2026-02-30T15:40:00Z</time>"),
    "no such hour": point(1, "<time>2026-02-14T24:40:00Z</time>"),
    "a leap second": point(1, "<time>2016-12-31T23:59:60Z</time>"),
    "an old time": point(1, "<time>0001-01-01T00:00:00Z</time>"),
    "out of range": '<trkpt lat="95" lon="1"></trkpt>',
    "no latitude": '<trkpt lon="1"></trkpt>',
    "single quotes": "<trkpt lat='1' lon='2'></trkpt>",
    "more attributes": '<trkpt lat="1" lon="2" id="a>b"></trkpt>',
    "a letter in the position": '<trkpt lat="1x" lon="2"></trkpt>',
    "an empty position": '<trkpt lat="" lon="2"></trkpt>',
    "an open element": point(1, "<ele>5"),
    "crossed elements": point(1, "<ele><time>5</ele></time>"),
    "a control letter": point(1, "<name>\x02</name>"),
    "a bracket": point(1, "<name>]]></name>"),
    "a greater sign": point(1, "<name>a>b</name><ele>5</ele>"),
    "a point in a point": point(1, point(2)),
    "a waypoint in a point": point(1, '<extensions><wpt lat="1" lon="2"/></extensions>'),
    "letters beyond ASCII": point(1, "<name>Ca\u00f1on</name>"),
    "points in a comment": "<!--" + point(1) + "-->",
    "points in character data": "<name><![CDATA[" + point(1) + "]]></name>",
    "half a comment": point(1, "<ele>5</ele>") + "<!-- " + point(2, "--><ele>5</ele>"),
    "a prefix": '<q:trkpt lat="1" lon="2"/>',
    "points outside a track": "</trkseg></trk>" + point(1) + "<trk><trkseg>",
    "points in a waypoint": '</trkseg></trk><wpt lat="1" lon="2">' + point(1) + "</wpt>"
                            "<trk><trkseg>",
    "too many shapes": "".join(point(i, f"<x{i}>1</x{i}>") for i in range(20)),
    "an element twice": point(1, "<ele>5</ele><ele>6</ele>"),
    "a far namespace": point(1, "<y:ele>5</y:ele>"),
    "mixed text": point(1, "5<ele>6</ele>7"),
    "a tail cut off": point(1) + "<trkpt lat=",
}  # fmt: skip


@pytest.mark.parametrize("name", ODD)
def test_both_agree_on_what_is_odd(name: str) -> None:
    assert_same(source_of(log(ODD[name])))
    assert_same(source_of(log(point(0), ODD[name], point(7), point(8))))


@dataclass(frozen=True)
class Shape:
    """How a made device writes a point."""

    order: bool
    space: str
    elements: tuple[str, ...]


NUMBERS = st.one_of(
    st.floats(-180, 180, allow_nan=False).map(repr),
    st.decimals(-90, 90, places=7).map(lambda number: f"{number:.7f}"),
    st.integers(-90, 90).map(str),
)
MOMENTS = st.datetimes(pd.Timestamp("1970-01-01"), pd.Timestamp("2100-01-01")).map(
    lambda when: when.isoformat() + "Z"
)
ELEMENTS = {
    "ele": NUMBERS,
    "time": MOMENTS,
    "hdop": st.integers(0, 99).map(lambda tenths: f"{tenths / 10}"),
    "sat": st.integers(0, 20).map(str),
    "x:accuracy": st.integers(0, 99).map(str),
    "name": st.text("ab &;<>]\u00e9", max_size=4),
}
SHAPES = st.builds(
    Shape,
    st.booleans(),
    st.sampled_from(["", "\n", "\r\n\t  "]),
    st.lists(st.sampled_from(sorted(ELEMENTS)), max_size=4, unique=True).map(tuple),
)


@st.composite
def logs(draw: st.DrawFn) -> str:
    shapes = draw(st.lists(SHAPES, min_size=1, max_size=3))
    points = []
    for shape in draw(st.lists(st.sampled_from(shapes), max_size=12)):
        lat, lon = draw(NUMBERS), draw(NUMBERS)
        pair = [f'lat="{lat}"', f'lon="{lon}"']
        head = " ".join(pair if shape.order else pair[::-1])
        inside = "".join(
            f"{shape.space}<{name}>{draw(ELEMENTS[name])}</{name}>" for name in shape.elements
        )
        points.append(f"{shape.space}<trkpt {head}>{inside}{shape.space}</trkpt>")
        points.append(draw(st.sampled_from([""] * 8 + ["</trkseg><trkseg>", "<!-- x -->"])))
    return log(*points)


@given(logs())
@settings(max_examples=120, deadline=None)
def test_both_agree_on_made_logs(text: str) -> None:
    assert_same(source_of(text))


def test_both_agree_on_mutated_logs() -> None:
    rng = random.Random(20260214)
    text = REGULAR["extensions"].encode()
    letters = b'<>/"&- .0123456789TZ:atrkp\x00\xff'
    for _ in range(250):
        body = bytearray(text)
        for _ in range(rng.randint(1, 3)):
            at = rng.randrange(len(body))
            change = rng.choice(("put", "cut", "add", "end"))
            if change == "put":
                body[at] = rng.choice(letters)
            elif change == "cut":
                del body[at : at + rng.randint(1, 9)]
            elif change == "add":
                body[at:at] = bytes([rng.choice(letters)])
            else:
                body = body[: max(at, 20)]
        assert_same(source_of(bytes(body)))


def placed(words: list[str]) -> tuple[Text, np.ndarray, np.ndarray]:
    lengths = np.array([len(word) for word in words])
    end = np.cumsum(lengths + 1) - 1
    return Text(" ".join(words).encode() + PAD), end - lengths, end


@given(st.lists(NUMBERS.filter(lambda word: "e" not in word), min_size=1, max_size=20))
@settings(max_examples=200, deadline=None)
def test_numbers_are_those_of_the_language_to_the_last_bit(words: list[str]) -> None:
    read = decimals(*placed(words))
    assert read is not None
    np.testing.assert_array_equal(read, [float(word) for word in words])


@pytest.mark.parametrize("word", ["", "-", ".", "-.", "1.2.3", "1-2", "1e5", "+1", "nan", "1 2"])
def test_what_is_no_plain_number_is_not_read(word: str) -> None:
    assert decimals(*placed(["1.5", word])) is None


@given(st.lists(MOMENTS, min_size=1, max_size=10))
@settings(max_examples=100, deadline=None)
def test_moments_are_those_of_pandas(words: list[str]) -> None:
    read = moments_ms(*placed(words))
    want = pd.to_datetime(pd.Series(words), format="ISO8601", utc=True).dt.round("ms")
    stamps = want.dt.tz_localize(None).to_numpy(dtype="datetime64[ms]").astype(np.int64)
    np.testing.assert_array_equal(read, stamps)


def test_halves_of_a_millisecond_go_to_the_even_one() -> None:
    words = ["1970-01-01T00:00:00.0005Z", "1970-01-01T00:00:00.0015Z", "1970-01-01T00:00:00.9996Z"]
    assert moments_ms(*placed(words)).tolist() == [0, 2, 1000]


@pytest.mark.parametrize(
    "word",
    [
        "2026-02-14T15:40:00", "2026-02-14 15:40:00Z", "2026-02-14T15:40:00.Z",
        "2026-02-14T15:40:00z", "2026-02-29T15:40:00Z", "1900-02-29T15:40:00Z",
        "2026-13-14T15:40:00Z", "2026-00-14T15:40:00Z", "2026-02-14T15:60:00Z",
        "2026-02-14T15:40:0xZ", "2026-02-14T15:40:00+1Z",
    ],
)  # fmt: skip
def test_what_is_no_plain_time_is_not_read(word: str) -> None:
    assert moments_ms(*placed(["2026-02-14T15:40:00Z", word])) is None
