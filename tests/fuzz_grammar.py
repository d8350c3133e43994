"""Grammars: files of each text kind, and of FIT and EXIF, that are made of the right parts.

A change at a random place mostly breaks the form of a file; a grammar keeps the form and says
strange things in it: elements in odd places, numbers and times that cannot be, rows too short or
too long. Made with hypothesis, which makes a file that fails as small as it can.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from xml.sax.saxutils import escape, quoteattr

from fuzz_seeds import NAMED, SHEET, TABLES, packed, workbook_parts
from hypothesis import strategies as st
from photo_making import jpeg, tiff
from test_intake_fit import fit, message
from test_intake_nmea import framed

from carnivore_sign.intake.columns import ALL_COLUMNS
from carnivore_sign.intake.exif import CAMERA_TAGS, GPS_TAGS, MAIN_TAGS
from carnivore_sign.records.vocabularies import CHARACTERS, CLEARING_CAUSES, SIGN_KINDS

Files = st.SearchStrategy[bytes]

_LETTERS = st.text(st.characters(exclude_categories=["Cs"]), max_size=6)
NUMBERS = st.one_of(
    st.floats(-181, 181).map(lambda value: f"{value:.5f}"),
    st.integers(-(2**33), 2**33).map(str),
    st.sampled_from(
        ["", "-", "+1.", ".5", "37,4", "NaN", "inf", "1e999", "0x1F", "\uff11\uff12", "9" * 60]
    ),
)
TIMES = st.one_of(
    st.datetimes().map(lambda when: when.isoformat() + "Z"),
    st.sampled_from(
        ["2026-02-14T15:40:00Z", "2026-02-14T07:40:00-08:00", "2026-02-14 07:40", "14.2.2026 7.40",
         "2026-02-30T00:00:00Z", "0000-00-00T00:00:00Z", "2026-02-14T24:00:00Z", "99999-01-01", ""]
    ),
)  # fmt: skip
WORDS = st.one_of(
    st.sampled_from(["S1", "puma", "track", "rain", "LF", "all", "yes", "no", "80%", "3 in", "?"]),
    st.sampled_from([*SIGN_KINDS, *(state for states in CHARACTERS.values() for state in states)]),
    _LETTERS,
)
TEXTS = st.one_of(NUMBERS, TIMES, WORDS)


def _elements(names: Sequence[str], attributes: Sequence[str]) -> st.SearchStrategy[str]:
    """Make XML of elements of these names, in any order and depth, mostly closed."""

    def element(inside: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
        held = st.dictionaries(st.sampled_from(attributes), TEXTS, max_size=2)
        return st.builds(_element, st.sampled_from(names), held, st.lists(inside, max_size=4))

    text = TEXTS.map(_plain)
    marked = text.map(lambda words: f"<![CDATA[{words.replace(']]>', '')}]]>")
    other = st.sampled_from(["<!-- walk -->", "<?pi x?>", "<br/>", "</name>", "&lt;", "&x;", "<"])
    return st.recursive(st.one_of(text, text, text, marked, other), element, max_leaves=20)


def _plain(words: str) -> str:
    return escape("".join(letter for letter in words if letter.isprintable()))


def _element(name: str, attributes: dict[str, str], inside: list[str]) -> str:
    held = "".join(f" {key}={quoteattr(_plain(value))}" for key, value in attributes.items())
    return f"<{name}{held}>{''.join(inside)}</{name}>"


def _document(root: str, frame: str, elements: st.SearchStrategy[str]) -> Files:
    """Put elements under a root, in a frame where ``{}`` stands for them."""
    text = st.lists(elements, min_size=1, max_size=4).map("".join)
    encoding = st.sampled_from(["utf-8", "utf-8", "utf-8-sig", "utf-16"])
    return st.builds(
        lambda inside, name: f"<{root}>{frame.format(inside)}</{root}>".encode(name), text, encoding
    )


def _point(name: str) -> st.SearchStrategy[str]:
    """Make a point of GPX that is whole but for what its texts say."""
    return st.builds(
        '<{} lat="{}" lon="{}"><time>{}</time><ele>{}</ele></{}>'.format,
        st.just(name), NUMBERS, NUMBERS, TIMES, NUMBERS, st.just(name),
    )  # fmt: skip


def gpx() -> Files:
    names = ["trk", "trkseg", "trkpt", "wpt", "rte", "rtept", "time", "ele", "name", "hdop", "x:hr"]
    odd = _elements(names, ["lat", "lon", "x:a"])
    track = st.lists(st.one_of(_point("trkpt"), _point("trkpt"), odd), max_size=4).map("".join)
    framed_ = track.map("<trk><trkseg>{}</trkseg></trk>".format)
    return _document("gpx", "{}", st.one_of(framed_, _point("wpt"), odd))


def kml() -> Files:
    names = ["Placemark", "Point", "LineString", "coordinates", "gx:Track", "when", "gx:coord",
             "name", "TimeStamp", "MultiGeometry", "Polygon", "LinearRing"]  # fmt: skip
    place = st.builds("{},{}".format, NUMBERS, NUMBERS)
    line = st.lists(place, max_size=4).map(" ".join)
    marked = line.map(
        "<Placemark><LineString><coordinates>{}</coordinates></LineString></Placemark>".format
    )
    return _document("kml", "<Document>{}</Document>", st.one_of(marked, _elements(names, ["id"])))


def kmz() -> Files:
    return kml().map(lambda text: packed({"doc.kml": text}))


def tcx() -> Files:
    names = ["Trackpoint", "Time", "Position", "LatitudeDegrees", "LongitudeDegrees", "Track",
             "AltitudeMeters", "CoursePoint", "Name", "Lap"]  # fmt: skip
    point = st.builds(
        "<Trackpoint><Time>{}</Time><Position><LatitudeDegrees>{}</LatitudeDegrees>"
        "<LongitudeDegrees>{}</LongitudeDegrees></Position></Trackpoint>".format,
        TIMES, NUMBERS, NUMBERS,
    )  # fmt: skip
    frame = "<Activities><Activity><Lap><Track>{}</Track></Lap></Activity></Activities>"
    return _document("TrainingCenterDatabase", frame, st.one_of(point, _elements(names, ["x"])))


_VALUES = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), TEXTS,
    st.sampled_from(["Point", "LineString", "Polygon", "main_pad", "toe 2", "mm", "S14/2"]),
)  # fmt: skip
_ODD = st.recursive(_VALUES, lambda inside: st.lists(inside, max_size=4), max_leaves=8)


def _place(sound: bool) -> st.SearchStrategy[list[object]]:
    degrees = st.floats(-90, 90)
    good = st.lists(degrees, min_size=2, max_size=3)
    return good if sound else st.lists(st.one_of(degrees, st.floats(), _VALUES), max_size=4)


def _geometry(sound: bool) -> st.SearchStrategy[object]:
    line = st.lists(_place(sound), min_size=2, max_size=5)
    ring = line.map(lambda places: [*places, places[0]])
    shapes = {"Point": _place(sound), "LineString": line, "Polygon": st.lists(ring, max_size=2),
              "MultiLineString": st.lists(line, max_size=2)}  # fmt: skip
    made = [
        st.fixed_dictionaries({"type": st.just(kind), "coordinates": places})
        for kind, places in shapes.items()
    ]
    return st.one_of(*made)


def _features(properties: dict[str, st.SearchStrategy[object]]) -> st.SearchStrategy[object]:
    """Make features: sound ones, ones with odd values, and what is no feature at all."""
    about = st.fixed_dictionaries({}, optional=properties)
    strange = st.dictionaries(st.sampled_from(list(properties)), _ODD)
    geometries = st.one_of(_geometry(sound=True), _geometry(sound=False), _ODD)
    whole = st.fixed_dictionaries(
        {
            "type": st.just("Feature"),
            "geometry": geometries,
            "properties": st.one_of(about, strange),
        }
    )
    return st.one_of(whole, whole, whole, _ODD)


_LOGGED: dict[str, st.SearchStrategy[object]] = {
    "name": WORDS, "time": TIMES, "coordTimes": st.lists(TIMES, max_size=4), "ele": NUMBERS,
    "surface": WORDS,
}  # fmt: skip
_TRACED: dict[str, st.SearchStrategy[object]] = {
    "print": st.sampled_from(["S14/2", "S14/3", "x"]), "unit": st.sampled_from(["mm", "cm", "ell"]),
    "part": st.sampled_from(["main_pad", "toe 2", "toe 3", "tail"]), "sign": WORDS,
}  # fmt: skip


def geojson(properties: dict[str, st.SearchStrategy[object]] = _LOGGED) -> Files:
    features = st.lists(_features(properties), min_size=1, max_size=4)
    return features.map(
        lambda some: json.dumps({"type": "FeatureCollection", "features": some}).encode()
    )


def geojson_lines() -> Files:
    lines = st.lists(_features(_LOGGED).map(json.dumps), min_size=1, max_size=4)
    return st.builds(
        lambda some, end: end.join(some).encode(), lines, st.sampled_from(["\n", "\r\n", "\n\x1e"])
    )


def outlines() -> Files:
    return geojson(_TRACED)


def nmea() -> Files:
    kinds = st.sampled_from(
        ["GPGGA", "GPRMC", "GPWPL", "GPZDA", "GPGLL", "GNGNS", "GPGSA", "XXABC"]
    )
    plain = st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=8)
    cells = st.one_of(
        st.sampled_from(["123519", "4807.038", "N", "01131.000", "E", "140226", "A", "1", ""]),
        NUMBERS.filter(str.isascii), plain,
    )  # fmt: skip
    rows = st.builds(
        lambda kind, held: ",".join([kind, *held]), kinds, st.lists(cells, max_size=14)
    )
    good = rows.map(framed)
    bad = st.builds("${}*{:02X}\r\n".format, rows, st.integers(0, 255))
    return st.lists(st.one_of(good, good, bad), min_size=1, max_size=6).map(
        lambda some: "".join(some).encode()
    )


#: What the cells of some columns mostly hold.
_CELLS: dict[str, st.SearchStrategy[str]] = {
    **dict.fromkeys(("time", "found", "last_seen_well"), TIMES),
    **dict.fromkeys(("lat", "lon"), st.floats(-90, 90).map(str)),
    **dict.fromkeys(("print", "carcass", "count"), st.integers(0, 9).map(str)),
    "kind": st.sampled_from(SIGN_KINDS), "cause": st.sampled_from(CLEARING_CAUSES),
}  # fmt: skip


def _rows(name: str) -> st.SearchStrategy[list[list[str]]]:
    """Make a table with the columns that it needs, some others, and rows of about that width."""
    columns = ALL_COLUMNS[name]
    needed = list(columns.required) or ["lat", "lon", "time"]
    others = st.lists(st.sampled_from([*columns.names, "fog"]), max_size=4, unique=True)

    def filled(more: list[str]) -> st.SearchStrategy[list[list[str]]]:
        header = [*needed, *(one for one in more if one not in needed)]
        cells = [
            _LETTERS if one in NAMED else st.one_of(_CELLS.get(one, TEXTS), TEXTS) for one in header
        ]
        spilled = st.lists(TEXTS, max_size=2)
        row = st.builds(lambda *held: [*held[:-1], *held[-1]], *cells, spilled)
        return st.lists(row, min_size=1, max_size=4).map(lambda some: [header, *some])

    return others.flatmap(filled)


def table(name: str) -> Files:
    def written(rows: list[list[str]], separator: str) -> bytes:
        quoted = [['"' + cell.replace('"', '""') + '"' for cell in row] for row in rows]
        return "\n".join(separator.join(row) for row in quoted).encode()

    return st.builds(written, _rows(name), st.sampled_from(",;\t|"))


def workbook() -> Files:
    cells = st.one_of(
        TEXTS.map(lambda text: f'<c t="inlineStr"><is><t>{_plain(text)}</t></is></c>'),
        NUMBERS.map(lambda text: f"<c><v>{_plain(text)}</v></c>"),
        st.sampled_from(
            ['<c t="b"><v>1</v></c>', '<c t="e"><v>#N/A</v></c>', '<c t="d"><v>x</v></c>',
             '<c r="ZZ9" t="s"><v>99</v></c>', '<c s="9"><v>46000.5</v></c>']
        ),
    )  # fmt: skip
    rows = st.lists(cells, max_size=5).map(lambda some: f"<row>{''.join(some)}</row>")

    def built(name: str, held: list[str]) -> bytes:
        parts = workbook_parts(name)
        sheet = parts[SHEET].replace(b"</sheetData>", "".join(held).encode() + b"</sheetData>")
        return packed({**parts, SHEET: sheet})

    return st.builds(built, st.sampled_from(list(TABLES)), st.lists(rows, min_size=1, max_size=4))


def fit_files() -> Files:
    field = st.tuples(st.integers(0, 255), st.sampled_from([1, 2, 4]), st.sampled_from([0, 2, 7]))
    known = st.sampled_from(
        [(253, 4, 0x86), (0, 4, 0x85), (1, 4, 0x85), (2, 2, 0x84), (6, 8, 0x07)]
    )
    formats = {0x00: 255, 0x02: 255, 0x84: 65535, 0x85: 2**31 - 1, 0x86: 2**32 - 1}

    def sound(one: tuple[int, int, int]) -> tuple[int, int, int]:
        number, size, base = one
        return number, size if base in (7, 0x84, 0x85, 0x86) else 1, base

    @st.composite
    def told(draw: st.DrawFn) -> bytes:
        fields = [sound(one) for one in draw(st.lists(st.one_of(known, known, field), max_size=5))]
        values: list[object] = [
            draw(st.text("ab\0", max_size=size))
            if base == 7
            else draw(st.integers(0, formats[base]))
            for _, size, base in fields
        ]
        return message((draw(st.sampled_from([20, 20, 21, 32, 0, 999])), fields), *values)

    return st.lists(told(), max_size=4).map(lambda some: fit(*some))


def photo(form: str) -> Files:
    kinds = st.one_of(
        _LETTERS,
        st.sampled_from(["N", "S", "E", "W", "T", "M", "2026:02:14", "2026:02:14 07:40:30"]),
        st.lists(st.tuples(st.integers(0, 2**32 - 1), st.integers(0, 9)), max_size=4),
        st.lists(st.integers(0, 2**32 - 1), min_size=1, max_size=3),
    )  # fmt: skip

    def directory(tags: dict[int, str]) -> st.SearchStrategy[dict[str, object]]:
        return st.dictionaries(st.sampled_from(sorted(tags.values())), kinds, max_size=8)

    made = st.builds(tiff, directory(MAIN_TAGS), directory(CAMERA_TAGS), directory(GPS_TAGS))
    return made.map(jpeg) if form == "jpeg" else made


GRAMMARS: dict[str, Files] = {
    "gpx": gpx(), "kml": kml(), "kmz": kmz(), "tcx": tcx(), "geojson": geojson(),
    "geojson lines": geojson_lines(), "outlines": outlines(), "nmea": nmea(), "fit": fit_files(),
    **{f"csv {name}": table(name) for name in TABLES},
    "xlsx": workbook(), "jpeg": photo("jpeg"), "tiff": photo("tiff"),
}  # fmt: skip
