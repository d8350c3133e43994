"""One incident against an invented month: near, in time, looked for, and the limits of it."""

from __future__ import annotations

import dataclasses

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from reporting_examples import CRS, at, make_country, make_incidents, utc
from shapely.geometry import LineString, Point

from carnivore_sign.errors import InputError
from carnivore_sign.incidents import IncidentPlace, place_of_incident
from carnivore_sign.incidents.effort import _window_share
from carnivore_sign.records.vocabularies import MAX_DAYS_COLLECTING
from carnivore_sign.space import GEOD

COUNTRY = make_country()
FOUND = COUNTRY.examine()


def lon_lat(x: float, y: float) -> Point:
    return gpd.GeoSeries([Point(at(x, y))], crs=CRS).to_crs("EPSG:4326").iloc[0]


def with_point(point: Point, **changes: object) -> gpd.GeoDataFrame:
    return make_incidents(**changes).set_geometry(gpd.GeoSeries([point], crs="EPSG:4326"))


def no_rows(frame: pd.DataFrame) -> pd.DataFrame:
    return frame.iloc[:0]


def test_distances_are_those_of_the_ellipsoid() -> None:
    """Check against pyproj's Geod: the inverse of a forward step."""
    lon, lat, _ = GEOD.fwd(-105.0, 36.0, 33.0, 4321.0)
    place = IncidentPlace("point", Point(-105.0, 36.0))
    near = place.nearest(gpd.GeoSeries([Point(lon, lat), None], crs="EPSG:4326"))
    assert near["distance_m"].iloc[0] == pytest.approx(4321.0, abs=0.01)
    assert near["bearing_deg"].iloc[0] == pytest.approx(213.0, abs=0.05)
    assert near.iloc[1].isna().all()


def test_distances_hold_across_the_antimeridian() -> None:
    place = IncidentPlace("point", Point(179.99, 52.0))
    near = place.nearest(gpd.GeoSeries([Point(-179.99, 52.0)], crs="EPSG:4326"))
    assert near["distance_m"].iloc[0] == pytest.approx(
        GEOD.inv(179.99, 52, -179.99, 52)[2], abs=0.01
    )


def test_a_parcel_is_measured_from_its_edge() -> None:
    near = FOUND.trails.set_index("trail")["distance_m"]
    assert FOUND.place.kind == "parcel"
    assert near["T1"] == pytest.approx(480.0, rel=0.002)  # plane distance in the UTM zone
    inside = gpd.GeoSeries([lon_lat(2000, 1200)], crs="EPSG:4326")
    assert FOUND.place.nearest(inside)["distance_m"].iloc[0] == 0


def test_a_stated_point_comes_before_the_parcel_and_a_disagreement_is_told() -> None:
    found = COUNTRY.examine(with_point(lon_lat(1900, 500)))
    assert found.place.kind == "point"
    assert found.place.point_to_parcel_m == pytest.approx(400, abs=1)
    assert any("400 m outside the stated parcel" in said for said in found.limits)
    agreed = COUNTRY.examine(with_point(lon_lat(1900, 1200)))
    assert agreed.place.point_to_parcel_m == 0
    assert not any("outside the stated" in said for said in agreed.limits)


def test_trails_carry_probability_time_and_direction() -> None:
    trails = FOUND.trails.set_index("trail")
    window_h, age_h = 13.0, 72.0
    assert trails.loc["T1", "p_in_window"] == pytest.approx(window_h / age_h)
    assert trails.loc["T1", "p_taxon_in_window"] == pytest.approx(0.93 * window_h / age_h)
    assert np.isnan(trails.loc["T4", "p_in_window"])
    assert trails.loc["T1", "travel"] == "towards"
    assert trails.loc["T3", "travel"] == "cannot be told"
    assert (trails.loc["T1", "leading_other"], trails.loc["T1", "p_leading_other"]) == ("dog", 0.05)
    assert FOUND.trails["distance_m"].is_monotonic_increasing


def test_travel_turns_with_the_direction() -> None:
    turned = COUNTRY.trails.assign(direction_deg=[225.0, 45.0, 0.0, 45.0])
    trails = COUNTRY.examine(trails=turned).trails.set_index("trail")
    assert trails.loc["T1", "travel"] == "away"
    assert trails.loc["T2", "travel"] == "past"


def test_the_passing_probability_is_that_of_the_trails() -> None:
    told = FOUND.trails.dropna(subset="p_in_window")
    assert FOUND.passing.probability == pytest.approx(1 - np.prod(1 - told["p_taxon_in_window"]))
    assert FOUND.passing.trails_not_told == 1
    assert FOUND.passing.high == pytest.approx(told["p_taxon_in_window"].sum() + 0.70)


def test_a_trail_without_a_line_is_placed_by_its_sign() -> None:
    bare = COUNTRY.trails.copy()
    bare.loc[0, "geometry"] = None
    placed = COUNTRY.examine(trails=bare).trails.set_index("trail")
    expected = FOUND.place.nearest(COUNTRY.sign[COUNTRY.sign["sign"].eq("s1")])
    assert placed.loc["T1", "distance_m"] == pytest.approx(expected["distance_m"].iloc[0])


def test_sign_of_no_trail_is_listed_apart() -> None:
    assert FOUND.sign["sign"].tolist() == ["s9"]


def test_distance_and_time_bound_what_is_listed() -> None:
    assert set(COUNTRY.examine(within_m=600.0).trails["trail"]) == {"T1"}
    old = COUNTRY.trails.assign(made_before=utc(*["2031-03-01"] * 4), made_after=utc(*[None] * 4))
    assert COUNTRY.examine(trails=old).trails.empty
    late = COUNTRY.trails.assign(made_after=utc(*["2031-06-20"] * 4))
    assert COUNTRY.examine(trails=late).trails.empty


def test_who_looked_before_during_and_after() -> None:
    assert FOUND.effort.loc["before", "walks"] == 1
    assert FOUND.effort.loc["during", "walks"] == 0
    assert FOUND.effort.loc["after", "walks"] == 2
    assert FOUND.effort["effort_km"].sum() == pytest.approx(FOUND.looked["effort_km"].sum())
    assert FOUND.effort.loc["after", "effort_km"] == pytest.approx(2 * 11 * 0.95)


def test_a_visit_tells_of_the_window_only_through_its_surface() -> None:
    share = FOUND.looked.groupby("walk")["window_share"].agg(["min", "max"])
    assert share.loc["log1#1"].tolist() == [1.0, 1.0]  # wiped before, walked after: all of it
    assert share.loc["log2#1"].tolist() == [0.0, 0.0]  # wiped again since
    assert share.loc["log0#1"].isna().all()  # nobody knows when it was wiped
    half = COUNTRY.visits.assign(hours_since_cleared=31.0 - 6.5 + 6.0)
    found = COUNTRY.examine(visits=half)
    first = found.looked.query("walk == 'log1#1'").iloc[0]
    end_of_accumulation = (first["start"] - found.window.end).total_seconds() / 3600
    expected = (30.5 - end_of_accumulation) / 13
    assert first["window_share"] == pytest.approx(expected)


def test_a_surface_tells_of_a_week_at_most_however_long_ago_it_was_wiped() -> None:
    window = FOUND.window
    days_after = np.array([1.0, MAX_DAYS_COLLECTING - 0.25, MAX_DAYS_COLLECTING + 1])
    near = pd.DataFrame(
        {"start": window.end + pd.to_timedelta(days_after, unit="D"), "hours_since_cleared": 1e4}
    )
    np.testing.assert_allclose(_window_share(near, window), [1.0, 6.0 / window.length_h, 0.0])


def test_presence_near_is_of_the_month_and_the_nearest() -> None:
    assert len(FOUND.presence) == 5
    assert FOUND.presence["distance_m"].is_monotonic_increasing
    assert set(FOUND.presence["period"]) == {"2031-05"}
    both = COUNTRY.examine(
        make_incidents(last_seen_well="2031-05-31T18:00-06:00", found="2031-06-01T07:00-06:00")
    )
    assert set(both.presence["period"]) == {"2031-05"}
    june = COUNTRY.examine(
        make_incidents(last_seen_well="2031-06-10T18:00Z", found="2031-06-11T07:00Z")
    )
    assert june.presence.empty


def test_clearing_events_near_are_listed() -> None:
    assert FOUND.cleared["cause"].tolist() == ["rain"]
    elsewhere = COUNTRY.clearings.assign(transects="Far Road; Farther Road")
    assert COUNTRY.examine(clearings=elsewhere).cleared.empty
    named = COUNTRY.clearings.assign(transects="Far Road; Ash Rim")
    assert len(COUNTRY.examine(clearings=named).cleared) == 1


def test_an_open_start_is_said() -> None:
    found = COUNTRY.examine(make_incidents(last_seen_well=None))
    assert "open at its start" in found.limits[0]
    assert found.looked["window_share"].isna().all()
    assert not (found.looked["when"] == "before").any()
    assert found.trails.set_index("trail").loc["T1", "p_in_window"] == pytest.approx(
        (found.window.end - utc("2031-05-11 13:20")[0]) / pd.Timedelta(hours=72)
    )


def test_outside_the_surveyed_country_is_said() -> None:
    found = COUNTRY.examine(with_point(Point(-110.0, 44.0), parcel=None))
    assert found.outside_survey
    assert found.nobody_looked
    assert any("outside the surveyed country" in said for said in found.limits)
    assert np.isnan(found.passing.probability)
    assert found.cleared.empty


def test_before_the_first_walk_is_said() -> None:
    found = COUNTRY.examine(
        make_incidents(last_seen_well="2031-05-01T00:00Z", found="2031-05-01T12:00Z")
    )
    assert any("before the first recorded walk" in said for said in found.limits)
    assert (found.looked["when"] == "after").all()


def test_no_sign_no_trails_no_walks_give_findings_and_not_an_error() -> None:
    names = ("sign", "trails", "visits", "monthly", "segments", "clearings", "members")
    bare = dataclasses.replace(COUNTRY, **{n: no_rows(getattr(COUNTRY, n)) for n in names})
    found = bare.examine()
    assert found.nobody_looked
    assert found.passing.trails == 0
    assert np.isnan(found.passing.probability)
    assert found.effort["walks"].tolist() == [0, 0, 0]


def test_findings_say_where_nothing_at_the_carcass_can_be_weighed() -> None:
    assert FOUND.limits[-1].endswith("Free notes are passed on as they are.")
    assert FOUND.carcass_notes == "Two ewes, one under leaves."


@pytest.mark.parametrize(
    ("incident", "options", "told"),
    [
        (make_incidents(parcel=None), {}, "neither a position nor a parcel"),
        (make_incidents(parcel="Upper"), {}, "Known parcels: Lower Pasture"),
        (make_incidents(found="2031-05-01T00:00Z"), {}, "exchanged"),
        (make_incidents(), {"taxon": "unicorn"}, "not a taxon"),
        (make_incidents(), {"within_m": -1.0}, "above 0 metres"),
        (pd.concat([make_incidents()] * 2), {}, "one is examined at a time"),
    ],
)
def test_bad_incidents_name_the_remedy(
    incident: gpd.GeoDataFrame, options: dict[str, object], told: str
) -> None:
    with pytest.raises(InputError, match=told):
        COUNTRY.examine(incident, **options)


def test_a_parcel_of_several_pieces_is_one_place() -> None:
    twice = pd.concat([COUNTRY.parcels, COUNTRY.parcels.set_geometry(
        COUNTRY.parcels.geometry.translate(xoff=0.1))])  # fmt: skip
    place = place_of_incident({"parcel": "Lower Pasture", "geometry": None}, twice)
    assert place.shape.geom_type == "MultiPolygon"


def test_a_line_crossing_the_place_is_at_the_place() -> None:
    crossing = COUNTRY.trails.copy()
    crossing.loc[0, "geometry"] = LineString(
        [lon_lat(1300, 1000).coords[0], lon_lat(2600, 1500).coords[0]]
    )
    trails = COUNTRY.examine(trails=crossing).trails.set_index("trail")
    assert trails.loc["T1", "travel"] == "at the place"
    assert trails.loc["T1", "distance_m"] == 0


def test_every_taxon_is_pooled_over_the_same_trails() -> None:
    ranked = FOUND.passing_by_taxon.set_index("taxon")
    assert set(ranked.index) == {"puma", "dog", "coyote", "other"}
    assert ranked.loc["puma", "probability"] == FOUND.passing.probability
    assert ranked["probability"].is_monotonic_decreasing
    product = FOUND.trails["p_dog"] * FOUND.trails["p_in_window"]
    assert ranked.loc["dog", "probability"] == pytest.approx(1 - (1 - product.dropna()).prod())


def test_telling_trails_are_those_of_the_time_and_keep_their_numbers() -> None:
    share = pd.Series([0.0, 0.001, 0.4, np.nan])
    found = dataclasses.replace(FOUND, trails=FOUND.trails.assign(p_in_window=share))
    assert found.telling_trails(2).index.tolist() == [2, 3]
    assert found.telling_trails(3).index.tolist() == [0, 2, 3]
    assert found.telling_trails(9).index.tolist() == [0, 1, 2, 3]
