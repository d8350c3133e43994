"""Conditions: weather notes reach the visits they speak for, and shorten what they collected."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from survey_drawing import START, log, logs, transects, walk

from carnivore_sign.chain.walked import surface_notes
from carnivore_sign.errors import DataWarning, InputError
from carnivore_sign.records.check import find_faults
from carnivore_sign.records.tables import VISITS
from carnivore_sign.survey import cut_segments, detection_rates, make_visits, match_logs
from carnivore_sign.survey.conditions import note_conditions

NETWORK = cut_segments(transects(MESA=[(0, 0), (1000, 0)], WASH=[(0, 700), (1000, 700)]))
HOUR = pd.Timedelta(hours=1)
WIPED = pd.DataFrame({"cause": ["rain"], "time": [START - 96 * HOUR], "transects": ["all"]}).astype(
    {"time": "datetime64[ms, UTC]"}
)


def visits_of(cleared=WIPED):
    fixes = pd.concat(
        [
            log(walk([(0, 0), (1000, 0)]), name="MON"),
            log(walk([(0, 700), (1000, 700)]), name="TUE", start=START + 24 * HOUR),
        ],
        ignore_index=True,
    )
    matched = match_logs(fixes, NETWORK)
    return make_visits(matched, NETWORK, cleared, logs("MON", "TUE"), time_zone="UTC")


def notes(*rows):
    names = ["time", "transects", "surface_state", "tracking_quality", "keeps_tracks_days"]
    frame = pd.DataFrame(rows, columns=names)
    return frame.astype({"time": "datetime64[ms, UTC]", "keeps_tracks_days": float})


def test_a_note_speaks_for_its_transects_on_its_day() -> None:
    noted = note_conditions(
        visits_of(),
        notes(
            (START + 2 * HOUR, "MESA", "blown dust", "poor", 1.0),
            (START + 23 * HOUR, "all", "damp sand", "good", np.nan),
        ),
    ).set_index("transect")
    assert noted["surface_state"].to_dict() == {"MESA": "blown dust", "WASH": "damp sand"}
    assert noted["tracking_quality"].to_dict() == {"MESA": "poor", "WASH": "good"}
    assert find_faults(noted.reset_index(), VISITS).empty


def test_a_surface_that_loses_tracks_collects_for_no_longer() -> None:
    plain = visits_of().set_index("transect")["effort_km_days"]
    np.testing.assert_allclose(plain, [4, 5], atol=0.05)
    lost = notes((START, "MESA", None, "poor", 1.5), (START, "WASH", None, "fair", 60.0))
    noted = note_conditions(visits_of(), lost, within_h=30).set_index("transect")
    assert noted.loc["MESA", "effort_km_days"] == pytest.approx(1.5, abs=0.02)
    assert noted.loc["WASH", "effort_km_days"] == plain["WASH"], "a note never adds days"
    assert noted["hours_since_cleared"].tolist() == [96.0, 120.0], "the record stays as it is"


def test_ground_that_takes_no_tracks_is_no_km_day_and_still_a_km() -> None:
    frozen = notes((START, "MESA", "frozen", "none", 0.0))
    for cleared in (WIPED, None):
        noted = note_conditions(visits_of(cleared), frozen)
        assert noted.loc[noted["transect"].eq("MESA"), "effort_km_days"].tolist() == [0.0]
    none = pd.DataFrame({"visit": [], "trail": [], "p_puma": []}).astype({"p_puma": float})
    rates = detection_rates(noted, none)
    assert rates["effort_km"][0] == pytest.approx(2, abs=0.03)
    unknown = note_conditions(visits_of(None), notes((START, "MESA", None, "poor", 1.0)))
    assert unknown["effort_km_days"].isna().all(), "since when is not known"


def test_an_old_note_and_no_note_say_nothing() -> None:
    old = notes((START - 30 * HOUR, "MESA", "mud", "good", 0.1))
    for noted in (note_conditions(visits_of(), old), note_conditions(visits_of(), old.iloc[:0])):
        assert noted[["surface_state", "tracking_quality"]].isna().all(axis=None)
        pd.testing.assert_series_equal(noted["effort_km_days"], visits_of()["effort_km_days"])


def test_notes_that_cannot_be_used_are_told() -> None:
    with pytest.raises(InputError, match="noted as superb"):
        note_conditions(visits_of(), notes((START, "all", None, "superb", 1.0)))
    with pytest.raises(InputError, match="less than 0 days"):
        note_conditions(visits_of(), notes((START, "all", None, "good", -1.0)))
    with pytest.raises(InputError, match="row 1: a weather note has no transects"):
        note_conditions(
            visits_of(), notes((START, "all", None, "good", 1), (START, None, None, "good", 1))
        )
    naive = notes((START, "all", None, "good", 1.0))
    naive["time"] = naive["time"].dt.tz_localize(None)
    with pytest.raises(InputError, match="have no zone"):
        note_conditions(visits_of(), naive)
    with pytest.warns(DataWarning, match="weather notes name transects that do not exist: MEAS"):
        note_conditions(visits_of(), notes((START, "MEAS", None, "good", 1.0)))


def test_a_warning_names_the_table_that_names_the_transect() -> None:
    """What was noted on a walk is not blamed on the weather."""
    walk = {"start": [START], "transect": ["Rimm Road"], "tracking_quality": ["good"]}
    walks = pd.DataFrame(walk).assign(surface_state=None)
    weather = notes((START, "all", None, "good", 1.0))
    with pytest.warns(DataWarning) as told:
        noted = note_conditions(visits_of(), surface_notes(weather, walks))
    (message,) = [str(one.message) for one in told]
    assert message.startswith("surface notes of walks name transects that do not exist: Rimm Road")
    assert set(noted["tracking_quality"]) == {"good"}


def test_of_several_notes_each_thing_is_told_by_the_nearest_that_tells_it() -> None:
    both = notes(
        (START - 2 * HOUR, "all", "blown dust", None, 0.5),
        (START, "MESA", None, "fair", None),
    )
    noted = note_conditions(visits_of(), both)
    here = noted[noted["transect"].eq("MESA")]
    assert set(here["surface_state"]) == {"blown dust"}
    assert set(here["tracking_quality"]) == {"fair"}
    assert here["effort_km_days"].tolist() == pytest.approx((here["effort_km"] * 0.5).tolist())
