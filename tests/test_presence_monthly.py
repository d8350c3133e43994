"""Monthly presence: every segment has its row, and what cannot be said is not said."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from presence_examples import blank_survey, draw_signs, frames_of, segments_of

from carnivore_sign.errors import InputError, NothingSurveyed
from carnivore_sign.presence import (
    Histories,
    fit_occupancy,
    make_histories,
    monthly_presence,
    season_presence,
)
from carnivore_sign.records.check import check_table
from carnivore_sign.records.tables import MONTHLY

Survey = tuple[gpd.GeoDataFrame, pd.DataFrame, pd.DataFrame]
MAY = {"period": "2031-05", "prior": 0.4}


def survey_of(histories: Histories, more: int = 0) -> Survey:
    names = [*histories.units["unit"], *(f"x{k:05d}" for k in range(more))]
    return (segments_of(names), *frames_of(histories))


@pytest.fixture(scope="module")
def survey() -> Survey:
    histories, _ = draw_signs(
        np.random.default_rng(12), psi=0.4, rate=0.5, lookalike_rate=0.4, units=80, visits=4
    )
    return survey_of(histories, more=20)


def test_every_segment_has_its_row_and_the_table_keeps_its_schema(survey: Survey) -> None:
    segments, visits, detections = survey
    month = monthly_presence(segments, visits, detections, **MAY)
    table = check_table(month.table, MONTHLY)
    assert sorted(table["segment"]) == sorted(segments["segment"])
    assert (table["visits"].sum(), table["effort_km"].sum()) == (
        len(visits),
        pytest.approx(visits["effort_km"].sum()),
    )
    assert table["trails_expected"].sum() == pytest.approx(detections["p_puma"].sum())
    assert table.crs == "EPSG:4326"
    assert (table["p_presence_low"] <= table["p_presence"]).all()
    assert (table["p_presence"] <= table["p_presence_high"]).all()


def test_a_segment_nobody_walked_takes_psi_and_is_not_looked_for(survey: Survey) -> None:
    month = monthly_presence(*survey, **MAY)
    table = month.table.set_index("segment")
    nobody = table[table.index.str.startswith("x")]
    assert nobody["state"].eq("not_looked").all()
    assert nobody["p_found"].isna().all()
    assert nobody["visits"].eq(0).all()
    psi = month.fit.summary().loc["psi"]
    assert nobody["p_presence"].to_numpy() == pytest.approx(psi["estimate"])
    assert nobody["p_presence_low"].to_numpy() == pytest.approx(psi["low"])
    assert nobody["p_presence_high"].to_numpy() == pytest.approx(psi["high"])


def test_states_follow_from_the_trails(survey: Survey) -> None:
    segments, visits, detections = survey
    table = monthly_presence(segments, visits, detections, **MAY).table.set_index("segment")
    best = detections["p_puma"].groupby(detections["segment"]).max()
    p_found = best.reindex(visits["segment"].unique(), fill_value=0.0)
    expected = pd.cut(
        p_found, [-1, 0.4999999, 0.9499999, 1], labels=["not_found", "found_likely", "found_sure"]
    )
    assert table.loc[p_found.index, "p_found"].to_numpy() == pytest.approx(p_found.to_numpy())
    assert table.loc[p_found.index, "state"].to_list() == expected.to_list()
    assert set(table["state"]) == {"not_looked", "not_found", "found_likely", "found_sure"}


def test_many_poor_trails_do_not_make_a_find(survey: Survey) -> None:
    segments, visits, _ = survey
    here = visits[visits["segment"].eq(visits["segment"].iloc[0])]

    def state_with(p_puma: list[float]) -> tuple[str, float]:
        detections = pd.DataFrame(
            {
                "trail": [f"t{k}" for k in range(len(p_puma))],
                "visit": np.resize(here["visit"].to_numpy(), len(p_puma)),
                "segment": here["segment"].iloc[0], "period": "2031-05", "offset_m": 1.0,
                "p_puma": p_puma,
            }
        )  # fmt: skip
        table = monthly_presence(segments, visits, detections, **MAY).table.set_index("segment")
        return tuple(table.loc[here["segment"].iloc[0], ["state", "p_found"]])

    assert state_with([0.3] * 9) == ("not_found", 0.3)
    assert state_with([0.46] * 5) == ("not_found", 0.46)
    assert state_with([0.8] * 5) == ("found_likely", 0.8)
    assert state_with([0.2, 0.96, 0.8]) == ("found_sure", 0.96)


def test_a_trail_met_again_adds_nothing(survey: Survey) -> None:
    segments, visits, detections = survey
    first = visits.sort_values("start").groupby("segment")["visit"].agg(["first", "last"])
    met = detections.loc[detections["visit"].isin(first["first"])]
    again = met.assign(visit=met["segment"].map(first["last"]))
    once = monthly_presence(segments, visits, detections, **MAY)
    twice = monthly_presence(segments, visits, pd.concat([again, detections]), **MAY)
    assert len(again) > 10
    pd.testing.assert_frame_equal(once.table, twice.table)
    assert once.share == twice.share


def test_scat_alone_speaks_for_presence_and_not_for_the_rate_per_km_day(survey: Survey) -> None:
    segments, visits, detections = survey
    tracks = monthly_presence(segments, visits, detections, **MAY)
    blank = visits.loc[~visits["segment"].isin(detections["segment"])].iloc[0]
    scat = detections.iloc[:1].assign(
        trail="scat", visit=blank["visit"], segment=blank["segment"], with_tracks=0, p_puma=0.97
    )
    both = pd.concat([detections.assign(with_tracks=1), scat], ignore_index=True)
    told = monthly_presence(segments, visits, both, **MAY)
    pd.testing.assert_frame_equal(told.fit.summary(), tracks.fit.summary())
    before, after = (
        month.table.set_index("segment").loc[blank["segment"]] for month in (tracks, told)
    )
    assert (before["state"], after["state"]) == ("not_found", "found_sure")
    assert before["p_presence"] < 0.5
    assert after["p_presence"] == pytest.approx(0.97)
    others = [month.table.set_index("segment").drop(blank["segment"]) for month in (tracks, told)]
    pd.testing.assert_series_equal(*(table["p_presence"] for table in others))
    assert told.share == tracks.share


def test_blank_effort_lowers_presence_below_psi(survey: Survey) -> None:
    month = monthly_presence(*survey, **MAY)
    table = month.table.set_index("segment")
    visited = survey[1]["segment"].unique()
    silent = table.loc[~table.index.isin(survey[2]["segment"]) & table.index.isin(visited)]
    psi = month.fit.summary().loc["psi", "estimate"]
    assert len(silent) > 5
    assert (silent["p_presence"] < psi).all()
    by_effort = silent.sort_values("effort_km_days")["p_presence"]
    assert by_effort.is_monotonic_decreasing


def test_the_share_is_the_mean_of_the_rows(survey: Survey) -> None:
    month = monthly_presence(*survey, **MAY)
    walked = month.table["visits"] > 0
    assert month.share.share == pytest.approx(month.table.loc[walked, "p_presence"].mean())
    assert (month.share.units, month.share.units_visited) == (80, 80)
    assert month.share.low < month.share.share < month.share.high


def test_a_month_with_no_walks_names_the_month_and_the_months_there_are(survey: Survey) -> None:
    with pytest.raises(NothingSurveyed, match=r"2031-07\. Months with walks: 2031-05"):
        monthly_presence(*survey, period="2031-07", prior=0.4)
    with pytest.raises(NothingSurveyed, match="Months with walks: none"):
        monthly_presence(survey[0], survey[1].iloc[:0], survey[2].iloc[:0], **MAY)


def test_a_month_too_small_to_carry_an_estimate_says_so() -> None:
    histories, _ = draw_signs(
        np.random.default_rng(1), psi=0.5, rate=0.5, lookalike_rate=0.4, units=6, visits=3
    )
    month = monthly_presence(*survey_of(histories), **MAY)
    assert month.fit is None
    assert month.share is None
    assert month.table["p_presence"].isna().all()
    assert "There were 6, and" in month.message
    check_table(month.table, MONTHLY)


def test_a_month_without_sign_says_so() -> None:
    month = monthly_presence(*survey_of(blank_survey(30, 4)), **MAY)
    assert month.fit is None
    assert month.table["state"].eq("not_found").all()
    assert month.table["p_found"].eq(0).all()
    assert "0.0 trails summed by probability" in month.message


def test_a_month_of_dogs_alone_says_that_it_is_no_proof_of_absence() -> None:
    histories, _ = draw_signs(
        np.random.default_rng(3), psi=0.0, rate=1.0, lookalike_rate=0.8, units=40, visits=4
    )
    month = monthly_presence(*survey_of(histories), **MAY)
    assert month.fit is None or month.fit.summary().loc["psi", "low"] < 0.1
    if month.fit is None:
        assert "does not say that it was absent" in month.message
    assert month.table["p_presence"].isna().all() == (month.fit is None)


def test_presence_everywhere_is_at_its_edge_and_stays_missing() -> None:
    histories, _ = draw_signs(
        np.random.default_rng(4), psi=1.0, rate=2.0, lookalike_rate=0.2, units=40, visits=4
    )
    month = monthly_presence(*survey_of(histories, more=5), **MAY)
    assert month.fit is None
    assert "psi" in month.message
    assert month.table["p_presence"].isna().all()
    assert (
        month.table["state"].isin(["found_sure", "found_likely", "not_found", "not_looked"]).all()
    )


def test_unknown_hours_are_told_and_km_are_used(survey: Survey) -> None:
    segments, visits, detections = survey
    unknown = visits.assign(effort_km_days=visits["effort_km_days"].where(visits.index > 3))
    month = monthly_presence(segments, unknown, detections, **MAY)
    assert "counted in km, not km-days" in month.message
    assert month.fit.model.effort == "effort_km"
    assert month.table["p_presence"].notna().all()
    touched = unknown.loc[:3, "segment"].unique()
    gaps = month.table.set_index("segment")["effort_km_days"]
    assert gaps.loc[touched].isna().all()


def test_a_fit_of_more_data_judges_a_small_month(survey: Survey) -> None:
    whole = make_histories(*survey[1:], prior=0.4)
    fit = fit_occupancy(whole, model="scored_signs")
    few = survey[1]["segment"].isin(survey[1]["segment"].unique()[:5])
    visits = survey[1][few]
    detections = survey[2][survey[2]["visit"].isin(visits["visit"])]
    month = monthly_presence(survey[0], visits, detections, fit=fit, **MAY)
    assert month.fit is fit
    assert month.table["p_presence"].notna().all()
    of_whole = fit.posterior().set_index("unit")["p_presence"]
    table = month.table.set_index("segment")
    seen = visits["segment"].unique()
    assert table.loc[seen, "p_presence"].to_numpy() == pytest.approx(of_whole[seen].to_numpy())


def test_a_season_is_judged_with_one_fit(survey: Survey) -> None:
    segments, visits, detections = survey
    june_visits = visits.assign(
        period="2031-06", visit=visits["visit"] + "_june", walk=visits["walk"] + "_june"
    )
    june = detections.assign(
        period="2031-06", visit=detections["visit"] + "_june", trail=detections["trail"] + "_june"
    )
    season = season_presence(
        segments,
        pd.concat([visits, june_visits]),
        pd.concat([detections, june]),
        prior=0.4,
        way="alone",
    )
    assert season.table["period"].value_counts().to_dict() == {"2031-05": 100, "2031-06": 100}
    assert season.fit.n_units == 160
    assert season.shares["period"].to_list() == ["2031-05", "2031-06"]
    assert season.shares["share"].iloc[0] == pytest.approx(season.shares["share"].iloc[1])
    # Twice the same month: the same estimates from twice the data.
    once = season_presence(segments, visits, detections, prior=0.4, way="alone")
    assert season.fit.parameters == pytest.approx(once.fit.parameters, abs=1e-4)
    check_table(season.table, MONTHLY)


def months_of_signs(rng: np.random.Generator) -> tuple[Survey, np.ndarray]:
    """Draw three months in which a segment that was used tends to be used again."""
    used = rng.random(70) < 0.5
    frames, truth = [], []
    for month in ("2031-05", "2031-06", "2031-07"):
        one, _ = draw_signs(rng, psi=1.0, rate=0.5, lookalike_rate=0.4, units=70, visits=3)
        own = one.signs["log_ratio"] > 0.8
        at = pd.Index(one.visits["visit"]).get_indexer(one.signs["visit"]) // 3
        kept = one.signs[used[at] | ~own]
        histories = Histories(
            one.units.assign(period=month), one.visits.assign(period=month), kept, "puma"
        )
        visits, detections = frames_of(histories)
        names = {"visit": month + visits["visit"], "walk": month + visits["walk"]}
        frames.append(
            (
                visits.assign(**names),
                detections.assign(
                    visit=month + detections["visit"], trail=month + detections["trail"]
                ),
            )
        )
        truth.append(used)
        used = np.where(rng.random(70) < 0.1, ~used, used)
    visits, detections = (
        pd.concat(list(one), ignore_index=True) for one in zip(*frames, strict=True)
    )
    return (segments_of(list(one.units["unit"])), visits, detections), np.concatenate(truth)


def test_months_that_hang_together_tell_more_of_each() -> None:
    (segments, visits, detections), truth = months_of_signs(np.random.default_rng(31))
    apart = season_presence(segments, visits, detections, prior=0.4, way="alone")
    chained = season_presence(segments, visits, detections, prior=0.4)
    assert chained.fit.model.chain == "months"
    assert chained.compared.index.to_list()[0] == "months"
    assert chained.shares["period"].to_list() == ["2031-05", "2031-06", "2031-07"]
    assert len(check_table(chained.table, MONTHLY)) == 210

    def error(table: pd.DataFrame) -> float:
        return float(((table["p_presence"] - truth) ** 2).mean())

    assert error(chained.table) < error(apart.table)
    for season in (apart, chained):
        mean = season.table.groupby("period")["p_presence"].mean()
        assert season.shares["share"].to_numpy() == pytest.approx(mean.to_numpy())
        assert (season.shares["low"] < season.shares["share"]).all()
        assert (season.shares["share"] < season.shares["high"]).all()


def test_the_choice_is_explained_and_judges_a_month_as_the_season() -> None:
    (segments, visits, detections), _ = months_of_signs(np.random.default_rng(31))
    season = season_presence(segments, visits, detections, prior=0.4)
    compared = season.compared
    assert set(compared.index) == {"alone", "neighbours", "months"}
    assert compared["weight"].sum() == pytest.approx(1)
    assert compared["aicc"].is_monotonic_increasing
    k, n = compared["parameters"], 210
    told = -2 * compared["loglik"] + 2 * k + 2 * k * (k + 1) / (n - k - 1)
    assert compared["aicc"].to_numpy() == pytest.approx(told.to_numpy())
    assert "keep their use from month to month, which these walks favour" in season.message
    assert f"({compared.loc['alone', 'difference']:.1f} higher)" in season.message
    assert season.fit.model.weak_prior
    month = monthly_presence(
        segments, visits, detections, period="2031-06", prior=0.4, fit=season.fit
    )
    rows = season.table[season.table["period"].eq("2031-06")]
    assert month.table["p_presence"].to_numpy() == pytest.approx(rows["p_presence"].to_numpy())
    share = season.shares.set_index("period").loc["2031-06"]
    assert month.share.share == pytest.approx(share["share"])
    assert month.share.units_visited == share["units_visited"]


def test_a_month_is_not_judged_with_a_fit_that_cannot(survey: Survey) -> None:
    histories = make_histories(*survey[1:], prior=0.4, sure_at=0.8)
    plain = fit_occupancy(histories)
    with pytest.raises(InputError, match="of segments and not of lines"):
        monthly_presence(*survey, fit=plain, **MAY)


def test_a_season_without_walks_is_told(survey: Survey) -> None:
    with pytest.raises(NothingSurveyed, match="Import the logs"):
        season_presence(survey[0], survey[1].iloc[:0], survey[2].iloc[:0], prior=0.4)
