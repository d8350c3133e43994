"""Memory: what a point of each kind costs while it is read, in a process of its own."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from benchmarks import bench_memory

from carnivore_sign.errors import FileUnreadable
from carnivore_sign.intake import read_file, sheets

POINTS = 20_000
KINDS = ("gpx", "gpx of an odd shape", "kml track", "tcx", "nmea", "geojson points")
#: Bytes that a point may cost: a million of them beside the libraries stay below 1 GiB.
MOST_BYTES = 870
#: What the pieces take in which a file is read, however long it is.
PIECES = 8 * 2**20
#: Reads one file after another; the peak is set back in front of each.
CODE = """
import ctypes, gc, sys
from pathlib import Path
from carnivore_sign.intake import read_file, sheets
def memory(name):
    return int(Path('/proc/self/status').read_text().split(name + ':')[1].split()[0]) * 1024
def read(name):
    kind = name.split('-')[0]
    return sum(read_file(folder / name, kind=kind, time_zone='UTC').rows_kept.values()) - 1
folder = Path(sys.argv[1])
names = [name.replace(' ', '-') for name in sys.argv[2:]]
for name in names:
    read(f'{name}-2000.dat')
for name in names:
    gc.collect()
    ctypes.CDLL(None).malloc_trim(0)
    Path('/proc/self/clear_refs').write_text('5')
    before = memory('VmRSS')
    print(read(f'{name}-20000.dat'), memory('VmHWM') - before)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="asks Linux for the peak")
def test_a_point_of_any_kind_costs_little_memory(tmp_path: Path) -> None:
    for kind in KINDS:
        for count in (2000, POINTS):
            bench_memory.write_file(tmp_path, kind, count)
    run = subprocess.run(
        [sys.executable, "-c", CODE, str(tmp_path), *KINDS],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    for kind, line in zip(KINDS, run.stdout.splitlines(), strict=True):
        kept, grown = map(int, line.split())
        assert kept == POINTS
        assert grown < POINTS * MOST_BYTES + PIECES, kind


@pytest.mark.skipif(sys.platform != "linux", reason="asks Linux for the peak")
@pytest.mark.parametrize("kind", ["gpx", "nmea"])
def test_a_faulty_point_costs_no_more_than_a_good_one(tmp_path: Path, kind: str) -> None:
    faulty = {
        "gpx": '<trkpt lat="9{}.4" lon="-119.2"><time>2026-02-14T15:40:00Z</time></trkpt>\n',
        "nmea": "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*0{}\n",
    }[kind]
    for count in (2000, POINTS):
        lines = "".join(faulty.format(number % 7) for number in range(count))
        document = f"<gpx><trk><trkseg>{lines}</trkseg></trk></gpx>" if kind == "gpx" else lines
        (tmp_path / f"{kind}-{count}.dat").write_text(document)
    run = subprocess.run(
        [sys.executable, "-c", CODE, str(tmp_path), kind],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    kept, grown = map(int, run.stdout.split())
    assert kept == 0
    assert grown < POINTS * MOST_BYTES + PIECES


def test_more_points_than_are_read_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("carnivore_sign.intake.text_points.MAX_POINTS", 1000)
    for kind in bench_memory.WRITERS:
        if kind == "points":
            continue
        path = bench_memory.write_file(tmp_path, kind, 1001)
        with pytest.raises(FileUnreadable, match="more than 1,000 points"):
            read_file(path, kind=kind.split(maxsplit=1)[0])
        path = bench_memory.write_file(tmp_path, kind, 1000)
        assert sum(read_file(path, kind=kind.split(maxsplit=1)[0]).rows_kept.values()) == 1001


def test_a_table_of_more_rows_than_are_read_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "points.csv"
    path.write_text("lat,lon,time\n" + "37.4,-119.2,2026-02-14T15:40:00Z\n" * 20, encoding="utf-8")
    assert read_file(path).rows_kept["fixes"] == 20
    monkeypatch.setattr(sheets, "MAX_ROWS", 19)
    with pytest.raises(FileUnreadable, match=r"21 rows, and at most 19 are read.*Split it"):
        read_file(path)
