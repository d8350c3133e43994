"""Peak memory of reading a file of each kind, and of importing many files.

Each reading runs in a process of its own, whose peak is told in MiB, the libraries included
(some 190 MiB before anything is read). ``bytes a point`` is what one more point costs. The bound
is 1,024 MiB for any file; one that would take more is refused, and what it took is
told. ``python -m tests.benchmarks memory``
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

POINTS = (100_000, 500_000, 1_000_000)
FILES = (10, 100, 200)
MIB = 2**20

_MEASURED = """
import sys
from pathlib import Path
from carnivore_sign.errors import InputError
def peak():
    status = Path('/proc/self/status')
    if status.exists():  # the peak of this program alone, and not of the one that started it
        return int(status.read_text().split('VmHWM:')[1].split()[0])
    import resource
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return most // 1024 if sys.platform == 'darwin' else most
"""
_READ = (
    _MEASURED
    + """
from carnivore_sign.intake import read_file
try:
    reading = read_file(sys.argv[1], kind=sys.argv[2], time_zone='UTC')
    rows = sum(len(frame) for name, frame in reading.tables.items() if name != 'logs')
except InputError as error:
    rows = 0 if 'more than' in str(error) or 'at most' in str(error) else 1 / 0
print(rows, peak())
"""
)
_IMPORT = (
    _MEASURED
    + """
from carnivore_sign.intake import import_files
from carnivore_sign.records.season import create_season
folder, count = Path(sys.argv[1]), int(sys.argv[2])
season = create_season(folder / f'{count}.gpkg', name='Made', time_zone='UTC')
told = import_files(season, sorted(folder.glob('*.gpx'))[:count])
print(int(told['rows_kept'].sum()), peak())
"""
)


def run(scale: float = 1.0) -> pd.DataFrame:
    """Read files of each kind and import many; `scale` multiplies points and files."""
    rows: list[dict[str, object]] = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for kind in (*WRITERS, *BINARY, *ENDINGS):
            rows += _case(folder, kind, [max(1000, round(count * scale)) for count in POINTS])
        rows += _many(folder, [max(2, round(count * scale)) for count in FILES])
    return pd.DataFrame(rows, columns=["case", "what", "seconds", "ratio", "MiB", "bytes a point"])


def peak_mib(code: str, *arguments: object) -> tuple[int, float, float]:
    """Run code in a process of its own; return its rows, its peak memory and its seconds."""
    start = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", code, *map(str, arguments)],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    rows, peak = map(int, done.stdout.split())
    return rows, peak / 1024, time.perf_counter() - start


def read_peak(path: Path, kind: str) -> tuple[int, float, float]:
    """Read a file in a process of its own; return as `peak_mib`."""
    return peak_mib(_READ, path, kind.split(maxsplit=1)[0])


def write_file(folder: Path, kind: str, count: int) -> Path:
    """Write a log of `count` points, one a second, or a layer of as many lines."""
    path = folder / f"{kind.replace(' ', '-')}-{count}.{ENDINGS.get(kind, 'dat')}"
    if kind.startswith("layer"):
        _lines(count).to_file(path)
        return path
    with path.open("wb") as stream:
        for piece in {**WRITERS, **BINARY}[kind](count):
            stream.write(piece.encode() if isinstance(piece, str) else piece)
    return path


def _case(folder: Path, kind: str, counts: list[int]) -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    before = 0.0
    for place, count in enumerate(counts):
        path = write_file(folder, kind, count)
        came, peak, seconds = read_peak(path, kind)
        assert came in (0, count), f"{kind}: {came} rows of {count}"
        step = count - counts[place - 1] if place else 0
        cost = round((peak - before) * MIB / step) if step and came else np.nan
        what = f"{count:,} {'lines' if kind in ENDINGS else 'points'}" + (
            "" if came else ", refused as too large"
        )
        rows.append({"case": kind, "what": what, "seconds": seconds, "ratio": np.nan,
                     "MiB": round(peak), "bytes a point": cost})  # fmt: skip
        before = peak
        path.unlink()
    return rows


def _many(folder: Path, counts: list[int]) -> list[dict[str, object]]:
    for number in range(max(counts)):
        path = folder / f"{number:04d}.gpx"
        path.write_text("".join(_gpx(5000, day=number)))
    rows: list[dict[str, object]] = []
    for count in counts:
        kept, peak, seconds = peak_mib(_IMPORT, folder, count)
        assert kept == count * 5001
        rows.append({"case": "files of 5,000 points into a season", "what": f"{count} files",
                     "seconds": seconds, "ratio": np.nan, "MiB": round(peak),
                     "bytes a point": np.nan})  # fmt: skip
    return rows


def _points(count: int, *, day: int = 0) -> Iterator[tuple[float, float, float, str]]:
    rng = np.random.default_rng(day)
    steps = rng.normal(0, 1e-6, (count, 2)).cumsum(axis=0) + np.array([37.4, -119.2])
    start = pd.Timestamp("2016-01-01") + pd.Timedelta(days=day)
    for first in range(0, count, 50_000):
        some = steps[first : first + 50_000]
        clock = start + pd.to_timedelta(np.arange(first, first + len(some)), unit="s")
        words = clock.strftime("%Y-%m-%dT%H:%M:%SZ")
        for (lat, lon), word in zip(some.tolist(), words, strict=True):
            yield lat, lon, 600 + lat, word


def _gpx(count: int, *, day: int = 0, inside: str = "") -> Iterator[str]:
    yield '<gpx version="1.1"><trk><trkseg>'
    for lat, lon, ele, word in _points(count, day=day):
        yield f'<trkpt lat="{lat:.7f}" lon="{lon:.7f}"><ele>{ele:.1f}</ele><time>{word}</time>'
        yield f"{inside}</trkpt>\n"
    yield "</trkseg></trk></gpx>"


def _odd_gpx(count: int) -> Iterator[str]:
    return _gpx(count, inside="<name>\u00e9</name>")  # a letter that the scan does not read


def _kml_line(count: int) -> Iterator[str]:
    yield "<kml><Placemark><LineString><coordinates>\n"
    yield from (f"{lon:.7f},{lat:.7f},{ele:.1f}\n" for lat, lon, ele, _ in _points(count))
    yield "</coordinates></LineString></Placemark></kml>"


def _kml_track(count: int) -> Iterator[str]:
    yield "<kml><Placemark><Track>\n"
    for lat, lon, ele, word in _points(count):
        yield f"<when>{word}</when><coord>{lon:.7f} {lat:.7f} {ele:.1f}</coord>\n"
    yield "</Track></Placemark></kml>"


def _tcx(count: int) -> Iterator[str]:
    yield "<TrainingCenterDatabase><Activities><Activity><Lap><Track>\n"
    for lat, lon, ele, word in _points(count):
        yield f"<Trackpoint><Time>{word}</Time><Position><LatitudeDegrees>{lat:.7f}"
        yield f"</LatitudeDegrees><LongitudeDegrees>{lon:.7f}</LongitudeDegrees></Position>"
        yield f"<AltitudeMeters>{ele:.1f}</AltitudeMeters></Trackpoint>\n"
    yield "</Track></Lap></Activity></Activities></TrainingCenterDatabase>"


def _nmea(count: int) -> Iterator[str]:
    for lat, lon, _, word in _points(count):
        place = f"{int(lat):02d}{lat % 1 * 60:07.4f},N,{int(-lon):03d}{-lon % 1 * 60:07.4f},W"
        clock, date = word[11:19].replace(":", ""), word[8:10] + word[5:7] + word[2:4]
        body = f"GPRMC,{clock},A,{place},0.1,84.4,{date},,"
        letters = np.frombuffer(body.encode(), dtype=np.uint8)
        yield f"${body}*{np.bitwise_xor.reduce(letters):02X}\r\n"


def _csv(count: int) -> Iterator[str]:
    yield "lat,lon,ele,time\n"
    for lat, lon, ele, word in _points(count):
        yield f"{lat:.7f},{lon:.7f},{ele:.1f},{word}\n"


def _geojson_points(count: int) -> Iterator[str]:
    yield '{"type":"FeatureCollection","features":['
    for number, (lat, lon, ele, word) in enumerate(_points(count)):
        yield "," if number else ""
        yield f'{{"type":"Feature","properties":{{"time":"{word}"}},"geometry":'
        yield f'{{"type":"Point","coordinates":[{lon:.7f},{lat:.7f},{ele:.1f}]}}}}\n'
    yield "]}"


def _geojson_line(count: int) -> Iterator[str]:
    yield '{"type":"Feature","geometry":{"type":"LineString","coordinates":['
    for number, (lat, lon, ele, _) in enumerate(_points(count)):
        yield f"{',' if number else ''}[{lon:.7f},{lat:.7f},{ele:.1f}]\n"
    yield '] },"properties":{"coordTimes":['
    for number, (*_, word) in enumerate(_points(count)):
        yield f'{"," if number else ""}"{word}"'
    yield "]}}"


def _fit(count: int) -> Iterator[bytes]:
    """Write a FIT file: a definition of its records, and the records, all alike.

    Source: FIT protocol: base types, invalid values and checksum of its published description.
    """
    epoch = pd.Timestamp("1989-12-31", tz="UTC")
    points = list(_points(count))
    lat, lon, ele = (np.array([point[place] for point in points]) for place in range(3))
    begun = int((pd.Timestamp(points[0][3]) - epoch).total_seconds())
    fields = [("head", "u1"), ("time", "<u4"), ("lat", "<i4"), ("lon", "<i4"), ("ele", "<u2")]
    records = np.zeros(count, dtype=fields)
    records["time"] = begun + np.arange(count)
    records["lat"], records["lon"] = np.rint(lat / 180 * 2**31), np.rint(lon / 180 * 2**31)
    records["ele"] = np.rint((ele + 500) * 5)
    file_id = b"\x40\0\0\0\0\x01\0\x01\0\0\x04"
    defined = b"\x40\0\0\x14\0\x04" + bytes.fromhex("fd0486 000485 010485 020284")
    data = file_id + defined + records.tobytes()
    head = b"\x0e\x10" + (2100).to_bytes(2, "little") + len(data).to_bytes(4, "little") + b".FIT"
    whole = head + _sum(head) + data
    yield whole + _sum(whole)


def _sum(data: bytes) -> bytes:
    """Return the checksum of the FIT protocol, which is CRC-16 with the polynomial 0xA001."""
    table = np.arange(256)
    for _ in range(8):
        table = table >> 1 ^ np.where(table & 1, 0xA001, 0)
    sums = table.tolist()
    total = 0
    for byte in data:
        total = total >> 8 ^ sums[(total ^ byte) & 0xFF]
    return total.to_bytes(2, "little")


def _lines(count: int) -> gpd.GeoDataFrame:
    """Make a layer of short transects."""
    rng = np.random.default_rng(0)
    first = rng.uniform((-119.5, 37.0), (-119.0, 37.5), (count, 2))
    ways = np.stack([first, first + rng.normal(0, 0.01, (count, 2))], axis=1)
    names = [f"T{number}" for number in range(count)]
    return gpd.GeoDataFrame({"name": names}, geometry=shapely.linestrings(ways), crs=4326)


#: Layers, and the endings of their files.
ENDINGS = {"layer as GeoPackage": "gpkg", "layer as FlatGeobuf": "fgb"}
#: How each kind is written; the first word is the kind.
WRITERS = {
    "gpx": _gpx,
    "gpx of an odd shape": _odd_gpx,
    "kml line": _kml_line,
    "kml track": _kml_track,
    "tcx": _tcx,
    "nmea": _nmea,
    "geojson points": _geojson_points,
    "geojson line": _geojson_line,
    "points": _csv,
}
#: Those that a library reads which need not be there.
BINARY = {"fit": _fit}
