"""The files of a simulated season are like a user's, and the demo is what its seed gives."""

from __future__ import annotations

import csv
import json
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from lxml import etree

from carnivore_sign.records.vocabularies import (
    CHARACTERS,
    MEASURES,
    NOT_VISIBLE,
    SIGN_KINDS,
    TAXON_NAMES,
)
from carnivore_sign.simulate import DEMO_SEED, demo_settings, simulate_season, write_season
from carnivore_sign.simulate.__main__ import main
from carnivore_sign.simulate.writing import COMPASS, _hours, _length
from carnivore_sign.units import lengths_from_text

DEMO = Path(__file__).parents[1] / "data" / "demo"
GPX = "{http://www.topografix.com/GPX/1/1}"

SIGN_COLUMNS = [
    "sign", "date", "time", "lat", "lon", "waypoint", "observer", "kind", "named_as",
    "confidence", "age_min", "age_max", "direction", "surface", "stride", "notes",
]  # fmt: skip
PRINT_COLUMNS = ["sign", "print", "foot", "length", "width", "pad_width", *CHARACTERS]


@pytest.fixture(scope="module")
def simulated():
    return simulate_season(demo_settings(), np.random.default_rng(DEMO_SEED))


@pytest.fixture(scope="module")
def written(simulated, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo")
    write_season(simulated, folder)
    return folder


#: What the library makes of March, for the README; not written by the simulator.
PICTURE = "map_2026-03.png"


def files_of(folder: Path) -> list[str]:
    every = (p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())
    return sorted(name for name in every if name not in ("README.md", PICTURE))


def tokens(text: str) -> list[str]:
    """Split text into numbers and the words between them."""
    return re.split(r"((?<![\w.])-?\d+(?:\.\d+)?(?![\w.]))", text)


def same(ours: str, theirs: str) -> bool:
    if ours == theirs:
        return True
    try:
        return abs(float(ours) - float(theirs)) <= 1e-5
    except ValueError:
        return False


def test_the_demo_folder_holds_exactly_what_its_seed_gives(written: Path) -> None:
    assert files_of(DEMO) == files_of(written)
    for name in files_of(DEMO):
        ours = tokens((DEMO / name).read_text(encoding="utf-8"))
        theirs = tokens((written / name).read_text(encoding="utf-8"))
        assert len(ours) == len(theirs), name
        differing = [pair for pair in zip(ours, theirs, strict=True) if not same(*pair)]
        assert differing == [], name


def test_the_comparison_sees_a_changed_word_and_a_changed_number() -> None:
    assert not same(*[tokens(t)[0] for t in ("dog", "puma")])
    assert all(
        same(*pair) for pair in zip(tokens("a 1.000000 b"), tokens("a 1.000009 b"), strict=True)
    )
    assert not all(same(*pair) for pair in zip(tokens("a 1.0 b"), tokens("a 1.1 b"), strict=True))


def test_the_demo_is_small_and_says_that_it_is_invented() -> None:
    assert sum(p.stat().st_size for p in DEMO.rglob("*") if p.is_file()) <= 3_000_000
    words = (DEMO / "README.md").read_text(encoding="utf-8")
    assert "does not exist, and neither do its people" in words
    for name in files_of(DEMO):
        top = name.split("/")[-1] if "/" in name and not name.startswith("logs") else name
        assert top in words or name.startswith("logs/"), name


def test_logs_keep_to_the_structure_of_gpx(written: Path) -> None:
    # GPX 1.1 schema: metadata, then wpt, then trk; latitude -90 to 90, longitude -180 up to but
    # not 180; in a point, ele before time before name or hdop; time is UTC.
    paths = sorted((written / "logs").glob("*.gpx"))
    assert 30 <= len(paths) <= 45
    for path in paths:
        root = etree.parse(path).getroot()
        assert root.tag == f"{GPX}gpx"
        assert root.get("version") == "1.1"
        assert root.get("creator")
        order = [child.tag.removeprefix(GPX) for child in root]
        assert order == ["metadata", *["wpt"] * (len(order) - 2), "trk"]
        points = list(root.iter(f"{GPX}trkpt"))
        assert all(
            [child.tag.removeprefix(GPX) for child in point] == ["ele", "time", "hdop"]
            for point in points
        )
        for mark in root.iter(f"{GPX}wpt"):
            assert [c.tag.removeprefix(GPX) for c in mark] == ["ele", "time", "name", "cmt"]
        lat = np.array([float(p.get("lat")) for p in points])
        lon = np.array([float(p.get("lon")) for p in points])
        assert (np.abs(lat) <= 90).all()
        assert ((lon >= -180) & (lon < 180)).all()
        assert all(len(segment) > 0 for segment in root.iter(f"{GPX}trkseg"))
        assert root.findtext(f"{GPX}metadata/{GPX}author/{GPX}name") in {
            o.name for o in demo_settings().observing.observers
        }


def test_times_in_logs_are_utc_and_rise(written: Path, simulated) -> None:
    for log in simulated.logs["log"]:
        text = (written / "logs" / f"{log}.gpx").read_text(encoding="utf-8")
        stamps = re.findall(r"<trkpt.*?<time>(.*?)</time>", text)
        assert all(stamp.endswith("Z") for stamp in stamps)
        times = pd.to_datetime(stamps, utc=True)
        assert times.is_monotonic_increasing
        assert times.is_unique
        assert times[0] == simulated.logs.set_index("log")["start"][log]


def test_logs_hold_every_fix_part_and_waypoint(written: Path, simulated) -> None:
    parts = 0
    for log, fixes in simulated.fixes.groupby("log"):
        root = etree.parse(written / "logs" / f"{log}.gpx").getroot()
        assert len(list(root.iter(f"{GPX}trkpt"))) == len(fixes)
        segments = [len(segment) for segment in root.iter(f"{GPX}trkseg")]
        assert segments == fixes.groupby("part").size().tolist()
        names = [mark.findtext(f"{GPX}name") for mark in root.iter(f"{GPX}wpt")]
        here = simulated.waypoints["log"].eq(log)
        assert names == simulated.waypoints.loc[here, "name"].tolist()
        parts += len(segments)
    assert parts > simulated.fixes["log"].nunique()


def read(path: Path) -> pd.DataFrame:
    return pd.read_csv(path, dtype=str, keep_default_na=False)


def test_the_notebook_of_sign_reads_as_a_person_wrote_it(written: Path, simulated) -> None:
    sign = read(written / "sign.csv")
    assert list(sign.columns) == SIGN_COLUMNS
    assert sign["sign"].tolist() == simulated.sign["sign"].tolist()
    local = pd.to_datetime(sign["date"] + " " + sign["time"]).dt.tz_localize("America/Los_Angeles")
    assert (local.dt.tz_convert("UTC") == simulated.sign["time"]).all()
    by_waypoint = sign["waypoint"].ne("")
    assert 0.25 < by_waypoint.mean() < 0.55
    assert sign.loc[by_waypoint, ["lat", "lon"]].eq("").all().all()
    assert sign.loc[~by_waypoint, ["lat", "lon"]].ne("").all().all()
    assert set(sign.loc[by_waypoint, "waypoint"]) <= set(simulated.waypoints["name"])
    assert sign["kind"].isin(SIGN_KINDS).all()
    named = sign.loc[sign["named_as"].ne(""), "named_as"]
    assert set(named.map(TAXON_NAMES)) == {"puma", "dog", "coyote", "bobcat"}
    assert {"mountain lion", "cougar", "puma"} <= set(named)
    assert sign["confidence"].str.fullmatch(r"|\d+ %|0\.\d+").all()
    assert set(sign["direction"]) & set(COMPASS)
    assert sign["direction"].str.fullmatch(r"|[NESW]{1,3}|\d{1,3}").all()
    assert sign["age_max"].str.fullmatch(r"|[\d.]+ [hd]").all()
    strides, faults = lengths_from_text(sign["stride"], to="m")
    assert faults.empty
    assert (strides - simulated.sign["stride_m"]).abs().max() < 0.0051
    assert len({word.split()[-1] for word in sign["stride"] if word}) == 3


def test_the_notebook_of_prints_has_units_in_its_cells(written: Path, simulated) -> None:
    prints = read(written / "prints.csv")
    assert list(prints.columns) == PRINT_COLUMNS
    for measure in MEASURES:
        values, faults = lengths_from_text(prints[measure.removesuffix("_mm")], to="mm")
        assert faults.empty
        # The coarsest rule is read to a sixteenth of an inch: half of that is 0.8 mm.
        assert (values - simulated.prints[measure]).abs().max() <= 25.4 / 32 + 0.01
        assert (values.isna() == simulated.prints[measure].isna()).all()
    units = {word.split()[-1] for word in prints["length"] if word}
    assert units == {"in", "mm", "cm"}
    for character, words in CHARACTERS.items():
        assert set(prints[character].str.replace(" ", "_")) <= {*words, NOT_VISIBLE}
    assert {"LF", "left front", ""} <= set(prints["foot"])


def test_lines_and_parcels_read_back(written: Path, simulated) -> None:
    for name, table in (("transects", simulated.transects), ("parcels", simulated.parcels)):
        frame = gpd.read_file(written / f"{name}.geojson")
        assert frame.crs.to_epsg() == 4326
        key = name.removesuffix("s")
        assert frame[key].tolist() == table[key].tolist()
        assert frame.geometry.geom_equals_exact(table.geometry, 2e-7).all()


def test_clearings_and_the_loss_are_in_local_time(written: Path, simulated) -> None:
    clearings = read(written / "clearings.csv")
    local = pd.to_datetime(clearings["date"] + " " + clearings["time"])
    utc = local.dt.tz_localize("America/Los_Angeles").dt.tz_convert("UTC")
    assert (utc == simulated.clearings["time"]).all()
    loss = read(written / "incidents.csv").iloc[0]
    found = pd.Timestamp(loss["found"], tz="America/Los_Angeles")
    assert found == simulated.incidents["found"].iloc[0]
    assert loss["parcel"] in set(simulated.parcels["parcel"])


def test_the_truth_folder_agrees_with_the_notebook(written: Path, simulated) -> None:
    truth = {name: read(written / "truth" / f"{name}.csv") for name in (
        "used_segments", "trails", "sign_truth", "effort",
    )}  # fmt: skip
    sign = read(written / "sign.csv")
    assert truth["sign_truth"]["sign"].tolist() == sign["sign"].tolist()
    trails = truth["trails"].set_index("trail")
    of_sign = trails.loc[truth["sign_truth"]["trail"]]
    assert of_sign["taxon"].tolist() == truth["sign_truth"]["taxon"].tolist()
    assert of_sign["found_on"].tolist() == truth["sign_truth"]["log"].tolist()
    unseen = trails.index.difference(truth["sign_truth"]["trail"])
    assert (trails.loc[unseen, "found_on"] == "").all()
    logs = {path.stem for path in (written / "logs").glob("*.gpx")}
    assert set(truth["effort"]["log"]) == logs
    used = truth["used_segments"]
    assert len(used) == 46 * 3 * 4
    assert set(used["used"]) == {"true", "false"}
    puma_units = used[used["taxon"].eq("puma") & used["used"].eq("true")]
    summary = json.loads((written / "truth" / "truth.json").read_text(encoding="utf-8"))
    shares = summary["share_of_units_used"]["puma"]
    assert sum(shares.values()) * 46 == pytest.approx(len(puma_units), abs=0.02)
    assert set(summary["animals"]) == set(simulated.truth.animals.index)
    assert summary["rate_per_km_day"]["puma"] == 0.15
    assert summary["incident"]["trail"] in trails.index


def test_text_with_marks_of_xml_is_escaped(simulated, tmp_path: Path) -> None:
    logs = simulated.logs.assign(name="Ridge & <Wash>")
    files = write_season(replace(simulated, logs=logs), tmp_path)
    root = etree.parse(next(f for f in files if f.suffix == ".gpx")).getroot()
    assert root.findtext(f"{GPX}trk/{GPX}name") == "Ridge & <Wash>"


@pytest.mark.parametrize(
    ("metres", "unit", "text"),
    [
        (0.0825, "in", "3 1/4 in"), (0.0762, "in", "3 in"), (0.0822, "mm", "82 mm"),
        (0.0822, "cm", "8.2 cm"), (0.923, "m", "0.92 m"), (np.nan, "cm", ""),
    ],
)  # fmt: skip
def test_lengths_are_written_as_people_write_them(metres: float, unit: str, text: str) -> None:
    assert _length(metres, unit) == text


def test_long_ages_are_written_in_days() -> None:
    assert [_hours(h) for h in (2.5, 24.0, 48.0, 60.0, np.nan)] == [
        "2.5 h", "24 h", "2 d", "60 h", "",
    ]  # fmt: skip


def test_the_command_writes_the_demo(tmp_path: Path) -> None:
    run = subprocess.run(
        [sys.executable, "-m", "carnivore_sign.simulate", str(tmp_path / "out")],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert "files in" in run.stdout
    assert files_of(tmp_path / "out") == files_of(DEMO)
    with (tmp_path / "out" / "sign.csv").open(newline="", encoding="utf-8") as file:
        assert next(csv.reader(file)) == SIGN_COLUMNS


def test_a_folder_that_cannot_be_made_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "taken").write_text("a file", encoding="utf-8")
    assert main([str(tmp_path / "taken")]) == 2
    assert "cannot be written" in capsys.readouterr().err
