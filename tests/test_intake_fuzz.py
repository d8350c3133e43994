"""Fuzz: logs in GPX, notebook tables and layers changed at random do no harm.

The other kinds are fuzzed beside the tests of their readers; all of them, and many more files,
by ``python -m tests.fuzz``.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import fuzzing
import geopandas as gpd
import pytest
from shapely import LineString, Polygon

GPX = (
    '<?xml version="1.0" encoding="UTF-8"?><gpx version="1.1" creator="Made"><metadata><name>A'
    '</name></metadata><wpt lat="37.4" lon="-119.2"><name>S&amp;1</name></wpt><rte><rtept '
    'lat="37.5" lon="-119.1"/></rte><trk><name>B</name><trkseg>'
    + "".join(
        f'<trkpt lat="37.40{n}" lon="-119.2"><ele>60{n}.5</ele><time>2026-02-14T15:40:0{n}Z</time>'
        f"<hdop>1.{n}</hdop><extensions><x:hr>9{n}</x:hr><x:b>t{n}</x:b></extensions></trkpt>"
        for n in range(6)
    )
    + "</trkseg></trk></gpx>"
).encode()


def layers() -> list[bytes]:
    lines = gpd.GeoDataFrame(
        {"name": ["Wash", "Road"], "surface": ["sand", "dust"]},
        geometry=[LineString([(-119.2, 37.4), (-119.2, 37.5)])] * 2, crs=4326,
    )  # fmt: skip
    areas = lines[["name"]].set_geometry([Polygon([(0, 0), (1, 0), (1, 1)])] * 2, crs=4326)
    made = []
    with tempfile.TemporaryDirectory() as folder:
        for number, frame in enumerate((lines, areas)):
            for ending in ("geojson", "fgb"):
                path = Path(folder) / f"{number}.{ending}"
                frame.to_file(path)
                made.append(path.read_bytes())
    return made


SEEDS = {
    "gpx": [GPX, GPX.decode().encode("utf-16"), GPX.replace(b"<x:b>", b"<x:b a='1'>", 3)],
    "sign": [
        b"sign,date,time,lat,lon,waypoint,observer,kind,named_as,confidence,stride,notes\n"
        b"S1,2026-02-14,08:01,37.4,-119.2,,Ana,scat,puma,80%,1.1 m,old\n"
        b'S2,2026-02-14,8.15 am,37 24.6 N,119 12.3 W,,Ben,track,dog,,40 in,"a, b"\n'
        b"S3,14.2.2026,16:01,,,014,,scrape,,,,\n"
    ],
    "prints": [
        b"sign;print;foot;length (mm);width;pad_width;claws\nS1;1;LF;82,5;80 mm;5 cm;none\n"
        b"S1;2;right hind;3 in;;;not visible\nS2;1;;;70;;\n"
    ],
    "clearings": [
        b"cause,date,time,transects\nrain,2026-02-13,22:00,all\nsnow,2026-02-10,04:30,A; B\n"
    ],
    "incidents": [
        b"incident,parcel,last_seen_well,found,livestock,count,lat,lon\n"
        b"I1,North,2026-02-13T18:00,2026-02-14T07:30,sheep,3,37.4,-119.2\n"
    ],
    "layer": layers(),
}


#: Share of the files of other kinds: a notebook table takes some ten milliseconds, and all four
#: have one reader.
@pytest.mark.parametrize(
    ("kind", "share", "least"),
    [
        ("gpx", 1, 0.7), ("sign", 8, 0.5), ("prints", 16, 0.4), ("clearings", 16, 0.4),
        ("incidents", 16, 0.4),
    ],
)  # fmt: skip
def test_fuzzed_files_do_no_harm(kind: str, share: int, least: float) -> None:
    files = fuzzing.FILES // share
    good, rows = fuzzing.read_all(kind, fuzzing.mutations(SEEDS[kind], files=files))
    assert good > least * files
    assert rows > good


def test_fuzzed_layers_do_no_harm(tmp_path: Path) -> None:
    files = fuzzing.FILES
    read = fuzzing.from_disk(tmp_path / "fuzzed.dat", "layer")
    good, rows = fuzzing.read_all(
        "layer", fuzzing.mutations(SEEDS["layer"], files=files), read=read
    )
    assert rows >= good > 0.02 * files
