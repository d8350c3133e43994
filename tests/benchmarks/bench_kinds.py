"""Logs of other kinds than GPX, beside the plain way to their positions and times.

The plain way is `geopandas.read_file` where GDAL reads the kind, and else a loop over what the
standard library parses. It neither checks nor flags a fix, and keeps no text of what is wrong.
Both are held against each other, every position and, where the plain way has them, every time.
"""

from __future__ import annotations

import json
import re
import tempfile
import time
import xml.etree.ElementTree as ET
from collections.abc import Callable
from pathlib import Path

import fitdecode
import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from carnivore_sign.intake import read_file
from tests.benchmarks.bench_memory import write_file

POINTS = 50_000
FloatArray = npt.NDArray[np.float64]
#: Positions as longitude and latitude, and times as text if there are any.
Plain = tuple[FloatArray, list[str]]


def run(scale: float = 1.0) -> pd.DataFrame:
    """Time both ways for each kind; `scale` multiplies the number of points."""
    count = max(1000, round(POINTS * scale))
    rows: list[dict[str, object]] = []
    with tempfile.TemporaryDirectory() as name:
        for kind, (what, plain) in PLAIN.items():
            path = write_file(Path(name), kind, count)
            if path.suffix == ".dat":
                path = path.rename(path.with_suffix(".kml" if kind.startswith("kml") else ".json"))
            rows += _case(f"{kind}, {count:,} points", path, kind.split(maxsplit=1)[0], what, plain)
    return pd.DataFrame(rows, columns=["case", "what", "seconds", "ratio"])


def _case(
    case: str, path: Path, kind: str, what: str, plain: Callable[[Path], Plain]
) -> list[dict[str, object]]:
    start = time.process_time()
    places, words = plain(path)
    middle = time.process_time()
    rows = read_file(path, kind=kind).tables["transects" if kind == "layer" else "fixes"]
    end = time.process_time()
    ours = shapely.get_coordinates(rows.geometry.to_numpy())
    assert np.abs(ours - places).max() < 1e-8
    if words:
        times = pd.to_datetime(pd.Series(words), utc=True)
        assert (times.to_numpy() == rows["time"].to_numpy()).all()
    return [
        {"case": case, "what": what, "seconds": middle - start, "ratio": 1.0},
        {"case": case, "what": "read_file", "seconds": end - middle,
         "ratio": (middle - start) / (end - middle)},
    ]  # fmt: skip


def _geopandas(path: Path) -> Plain:
    return shapely.get_coordinates(gpd.read_file(path).geometry.to_numpy()), []


def _tcx(path: Path) -> Plain:
    root = ET.parse(path).getroot()
    places = [
        (float(p.findtext("Position/LongitudeDegrees") or "nan"),
         float(p.findtext("Position/LatitudeDegrees") or "nan"))
        for p in root.iter("Trackpoint")
    ]  # fmt: skip
    return np.array(places), [point.findtext("Time") or "" for point in root.iter("Trackpoint")]


def _track(path: Path) -> Plain:
    root = ET.parse(path).getroot()
    places = [(one.text or "").split()[:2] for one in root.iter("coord")]
    return np.array(places, dtype=float), [one.text or "" for one in root.iter("when")]


def _json(path: Path) -> Plain:
    feature = json.loads(path.read_text())
    places = [place[:2] for place in feature["geometry"]["coordinates"]]
    return np.array(places), feature["properties"]["coordTimes"]


def _nmea(path: Path) -> Plain:
    places, words = [], []
    for line in path.read_text().splitlines():
        _, clock, _, lat, north, lon, east, _, _, date, *_ = line.split(",")
        sizes = [int(text[:-7]) + float(text[-7:]) / 60 for text in (lon, lat)]
        sides = (-1 if east == "W" else 1, -1 if north == "S" else 1)
        places.append([size * side for size, side in zip(sizes, sides, strict=True)])
        moment = re.sub("(..)(..)(..)", r"20\3-\2-\1", date)
        words.append(f"{moment}T{clock[:2]}:{clock[2:4]}:{clock[4:6]}Z")
    return np.array(places), words


def _fit(path: Path) -> Plain:
    places, words = [], []
    with fitdecode.FitReader(path) as reader:
        for frame in reader:
            if isinstance(frame, fitdecode.FitDataMessage) and frame.name == "record":
                pair = (frame.get_value("position_long"), frame.get_value("position_lat"))
                places.append([semicircles * 180 / 2**31 for semicircles in pair])
                words.append(frame.get_value("timestamp").isoformat())
    return np.array(places), words


#: The plain way of each kind, and its name.
PLAIN: dict[str, tuple[str, Callable[[Path], Plain]]] = {
    "kml line": ("geopandas", _geopandas),
    "kml track": ("xml.etree and a loop", _track),
    "tcx": ("xml.etree and a loop", _tcx),
    "nmea": ("split and a loop", _nmea),
    "geojson points": ("geopandas", _geopandas),
    "geojson line": ("json and a loop", _json),
    "fit": ("fitdecode and a loop", _fit),
    "layer as GeoPackage": ("geopandas", _geopandas),
    "layer as FlatGeobuf": ("geopandas", _geopandas),
}
