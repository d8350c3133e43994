"""A simulated season keeps to the schemas, to its truth, and to its seed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from pandas.testing import assert_frame_equal

from carnivore_sign.records.check import find_faults
from carnivore_sign.records.tables import SEASON_TABLES
from carnivore_sign.simulate import DEMO_SEED, demo_settings, simulate_season
from carnivore_sign.space import distances_m

SETTINGS = demo_settings()
TABLES = (
    "logs", "fixes", "waypoints", "transects", "parcels", "clearings", "sign", "prints",
    "incidents",
)  # fmt: skip


@pytest.fixture(scope="module")
def demo():
    return simulate_season(SETTINGS, np.random.default_rng(DEMO_SEED))


@pytest.mark.parametrize("table", TABLES)
def test_frames_keep_to_their_schema(demo, table: str) -> None:
    frame = getattr(demo, table)
    assert len(frame) > 0
    assert find_faults(frame, SEASON_TABLES[table]).empty
    assert tuple(c for c in frame.columns if c != "geometry") == SEASON_TABLES[table].names


def test_the_same_seed_gives_the_same_season_and_another_seed_another(demo) -> None:
    again = simulate_season(SETTINGS, np.random.default_rng(DEMO_SEED))
    other = simulate_season(SETTINGS, np.random.default_rng(DEMO_SEED + 1))
    for table in TABLES:
        assert_frame_equal(getattr(demo, table), getattr(again, table))
    assert_frame_equal(demo.truth.passages, again.truth.passages)
    assert len(other.sign) != len(demo.sign) or not other.sign["time"].equals(demo.sign["time"])


def test_the_demo_has_enough_of_everything_for_three_months(demo) -> None:
    found = demo.truth.passages[demo.truth.passages["found_on"].notna()]["taxon"].value_counts()
    assert 25 <= found["puma"] <= 65
    assert 25 <= found["dog"] <= 65
    assert 25 <= found["coyote"] <= 65
    assert found["bobcat"] >= 8
    assert 30 <= len(demo.walks) <= 45
    visits = demo.truth.effort.groupby(["period", "transect", "number"]).size()
    assert 2.3 <= visits.mean() <= 3.3
    assert set(demo.sign["observer"]) == {"A. Quill", "M. Sorrel", "T. Ashby"}


def test_sign_lies_on_its_transect_and_is_met_when_the_party_is_there(demo) -> None:
    sign = demo.sign.set_index("sign")
    fixes = demo.fixes
    for name, own in demo.truth.sign.groupby("transect"):
        lon, lat = demo.country.paths[name].at(own["along_m"].to_numpy())
        place = sign.loc[own.index].geometry
        assert distances_m(lon, lat, place.x, place.y).max() < 25
    for log, own in demo.truth.sign.groupby("log"):
        track = fixes[fixes["log"].eq(log) & fixes["hdop"].lt(3)]
        seconds = track["time"].astype("int64").to_numpy()
        when = sign.loc[own.index, "time"].astype("int64").to_numpy()
        assert (when >= seconds[0] - 60_000).all()
        nearest = np.abs(seconds[:, None] - when[None, :]).argmin(axis=0)
        place, fix = sign.loc[own.index].geometry, track.geometry.iloc[nearest]
        gap_s = np.abs(seconds[nearest] - when) / 1000
        away = distances_m(place.x, place.y, fix.x, fix.y)
        # A notebook minute is up to 60 s before the second of arrival: some 80 m of walking.
        assert (away[gap_s < 10] < 130).all()


def test_effort_is_what_the_log_shows(demo) -> None:
    for log, own in list(demo.truth.effort.groupby("log"))[::8]:
        track = demo.fixes[demo.fixes["log"].eq(log)]
        lon, lat = track.geometry.x.to_numpy(), track.geometry.y.to_numpy()
        for transect, units in own.groupby("transect"):
            path = demo.country.paths[transect]
            along = np.arange(25.0, path.length_m, 50.0)
            at = path.at(along)
            near = [distances_m(x, y, lon, lat).min() < 60 for x, y in zip(*at, strict=True)]
            assert 50 * sum(near) == pytest.approx(units["covered_m"].sum(), rel=0.08, abs=200)
    assert demo.truth.effort["covered_m"].between(0, 1000.5).all()


def test_hours_since_cleared_follow_from_the_clearings(demo) -> None:
    effort = demo.truth.effort
    assert (effort["hours_since_cleared"] > 0).all()
    expected = effort["covered_m"] / 1000 * effort["hours_since_cleared"] / 24
    assert effort["km_days"].to_numpy() == pytest.approx(expected.to_numpy())
    start = demo.walks["start_s"].reindex(effort["log"]).to_numpy()
    dragged = demo.walks["dragged_s"].reindex(effort["log"]).to_numpy()
    assert (effort["hours_since_cleared"].to_numpy() <= (start - dragged) / 3600 + 8).all()


def test_the_loss_lies_in_a_puma_range_with_sign_of_puma_and_dog_near_it(demo) -> None:
    loss = demo.incidents.iloc[0]
    assert loss["livestock"] == "sheep"
    assert loss["found"] - loss["last_seen_well"] == pd.Timedelta(hours=36)
    assert f"{loss['found']:%Y-%m}" == SETTINGS.periods[-1]
    parcel = demo.parcels.set_index("parcel").geometry[loss["parcel"]]
    assert parcel.contains(demo.incidents.geometry.iloc[0])
    place = demo.incidents.geometry.iloc[0]
    away = distances_m(place.x, place.y, demo.sign.geometry.x, demo.sign.geometry.y)
    truth = demo.truth.sign[away < 2500]
    made = pd.to_datetime(truth["made_s"], unit="s", utc=True)
    inside = truth[made.between(loss["last_seen_well"], loss["found"])]
    assert {"puma", "dog"} <= set(inside["taxon"])
    assert demo.truth.incident["trail"] in set(inside["trail"])
    did_it = demo.truth.passages.loc[demo.truth.incident["trail"]]
    assert did_it["taxon"] == demo.truth.incident["taxon"] == "puma"


def test_without_pumas_there_is_no_loss() -> None:
    dogs = replace(SETTINGS, animals=SETTINGS.animals[1:2], months=1)
    season = simulate_season(dogs, np.random.default_rng(3))
    assert season.incidents.empty
    assert season.truth.incident == {}
    assert set(season.truth.sign["taxon"]) == {"dog"}


def test_a_quiet_country_gives_an_empty_notebook() -> None:
    quiet = replace(SETTINGS, animals=(replace(SETTINGS.animals[2], rate_per_km_day=0.0),))
    season = simulate_season(replace(quiet, months=1), np.random.default_rng(3))
    assert season.sign.empty
    assert season.prints.empty
    assert season.waypoints.empty
    assert len(season.walks) > 5
    assert season.truth.passages.empty
