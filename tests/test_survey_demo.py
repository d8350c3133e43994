"""The demo season: visits and effort agree with what was really walked when it was drawn."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
from lxml import etree

from carnivore_sign.survey import cut_segments, make_visits, match_logs

DEMO = Path(__file__).parents[1] / "data" / "demo"
ZONE = "America/Los_Angeles"


def read_log(path: Path) -> pd.DataFrame:
    root = etree.parse(str(path)).getroot()
    rows = [
        (path.stem, part, float(at.get("lon")), float(at.get("lat")), at.findtext("{*}time"))
        for part, segment in enumerate(root.iter("{*}trkseg"))
        for at in segment.iter("{*}trkpt")
    ]
    return pd.DataFrame(rows, columns=["log", "part", "lon", "lat", "time"])


@pytest.fixture(scope="module")
def visits() -> pd.DataFrame:
    fixes = pd.concat(map(read_log, sorted((DEMO / "logs").glob("*.gpx"))), ignore_index=True)
    fixes["time"] = pd.to_datetime(fixes["time"], utc=True, format="ISO8601")
    at = gpd.points_from_xy(fixes["lon"], fixes["lat"])
    fixes = gpd.GeoDataFrame(fixes.assign(flags=""), geometry=at, crs="EPSG:4326")
    transects = gpd.read_file(DEMO / "transects.geojson")
    name = "transect" if "transect" in transects else "name"
    segments = cut_segments(transects.rename(columns={name: "transect"}))
    events = pd.read_csv(DEMO / "clearings.csv")
    when = pd.to_datetime(events["date"] + " " + events["time"]).dt.tz_localize(ZONE)
    clearings = events.assign(time=when.dt.tz_convert("UTC"))
    logs = pd.DataFrame({"log": fixes["log"].unique(), "observer": "X"})
    return make_visits(match_logs(fixes, segments), segments, clearings, logs, time_zone=ZONE)


@pytest.fixture(scope="module")
def truth() -> pd.DataFrame:
    walked = pd.read_csv(DEMO / "truth" / "effort.csv")
    number = walked["number"].map("{:03d}".format)
    return walked.assign(segment=walked["transect"] + "#" + number)


@pytest.fixture(scope="module")
def both(visits: pd.DataFrame, truth: pd.DataFrame) -> pd.DataFrame:
    return truth.merge(
        visits, on=["log", "segment"], how="outer", suffixes=("_true", ""), indicator=True
    )


def test_every_visit_that_was_made_is_found(both: pd.DataFrame) -> None:
    assert len(both) > 200
    missed = both["_merge"].eq("left_only") & both["covered_m_true"].gt(150)
    assert not missed.any()


def test_next_to_no_visit_is_made_up(both: pd.DataFrame) -> None:
    # Walks across country pass over transects, and a stretch of a wash can lie along the way.
    extra = both.loc[both["_merge"].eq("right_only"), "covered_m"]
    assert extra.sum() < 0.005 * both["covered_m_true"].sum()


def test_metres_are_those_walked_less_the_gaps_of_the_receiver(both: pd.DataFrame) -> None:
    met = both[both["_merge"].eq("both")]
    assert (met["covered_m"] - met["covered_m_true"]).max() < 35
    assert 0.96 < met["covered_m"].sum() / met["covered_m_true"].sum() < 1.001
    assert (met["covered_m"] - met["covered_m_true"]).abs().median() < 15


def test_hours_since_cleared_and_months_agree(both: pd.DataFrame) -> None:
    met = both[both["_merge"].eq("both")]
    apart = (met["hours_since_cleared"] - met["hours_since_cleared_true"]).abs()
    assert apart.notna().mean() > 0.99
    assert apart.max() < 0.5
    assert (met["period"] == met["period_true"]).all()
