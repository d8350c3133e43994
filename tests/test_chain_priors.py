"""Other priors: the last step redone, the rest kept, and the range that comes of it."""

from __future__ import annotations

import shutil
from pathlib import Path

import pandas as pd
import pytest
from chain_examples import analysed

from carnivore_sign import AnalysisOptions, analyse, answer, open_season
from carnivore_sign.chain import Analysis
from carnivore_sign.chain.priors import month_under_priors, priors_tried
from carnivore_sign.identify import load_evidence


@pytest.fixture(scope="module")
def analysis(tmp_path_factory: pytest.TempPathFactory) -> Analysis:
    return analysed(7, tmp_path_factory.mktemp("priors"))[0]


def test_the_prior_that_was_used_gives_the_trails_back(analysis: Analysis) -> None:
    own = analysis.under_prior(analysis.prior)
    own = own.loc[analysis.trails["trail"], "p_puma"].to_numpy()
    assert own == pytest.approx(analysis.trails["p_puma"].to_numpy())


def test_another_prior_gives_what_a_whole_new_analysis_gives(analysis: Analysis) -> None:
    region = analyse(analysis.season, AnalysisOptions(region="dry_range", learn_prior=False))
    moved = analysis.under_prior(region.prior).loc[region.trails["trail"], "p_puma"]
    assert moved.to_numpy() == pytest.approx(region.trails["p_puma"].to_numpy())


def test_four_priors_are_tried_and_one_of_them_is_the_one_used(analysis: Analysis) -> None:
    tried = priors_tried(analysis)
    assert len(tried) == 4
    for prior in tried.values():
        assert prior.sum() == pytest.approx(1.0)
    wide = load_evidence("general").prior
    ratio = tried["of the region (general)"] / wide
    assert ratio[ratio > 0].to_numpy() == pytest.approx(ratio["puma"])
    flat = tried["equal for every animal of the region"]
    assert flat.max() == flat[flat > 0].min()
    assert month_under_priors(analysis, "2026-03")["used"].tolist() == [True, False, False, False]


def test_sign_noted_beside_the_walks_leaves_a_prior_that_is_the_one_used(
    analysis: Analysis, tmp_path: Path
) -> None:
    """What was found on no walk tells no shares, neither for the trails nor for the priors."""
    season = open_season(shutil.copy(analysis.season.path, tmp_path / "season.gpkg"))
    sign = season.read("sign").head(30)
    beside = sign.assign(
        sign="beside " + sign["sign"], time=sign["time"] + pd.Timedelta(days=300),
        named_as="puma", confidence=0.95,
    )  # fmt: skip
    season.append({"sign": beside})
    more = analyse(season, AnalysisOptions(region="dry_range"))
    assert not more.surveyed.all()
    estimated = priors_tried(more)["estimated from the season's trails"]
    pd.testing.assert_series_equal(estimated, more.prior, check_names=False)
    assert month_under_priors(more, "2026-03")["used"].sum() == 1


def test_animals_that_the_region_does_not_have_are_absent_in_every_prior(
    analysis: Analysis,
) -> None:
    absent = analysis.region_prior.index[analysis.region_prior.eq(0)]
    assert {"wolf", "lynx"} <= set(absent)
    assert load_evidence("general").prior[absent].gt(0).any()  # it would bring them in
    for prior in priors_tried(analysis).values():
        assert prior[absent].eq(0).all()
        assert analysis.under_prior(prior)[[f"p_{taxon}" for taxon in absent]].eq(0).all(axis=None)


def test_the_counts_of_a_month_follow_the_prior(analysis: Analysis) -> None:
    told = month_under_priors(analysis, "2026-03")
    others = told[~told["used"]]
    (used,) = told[told["used"]].to_dict("records")
    month = analysis.presence("2026-03").table["state"].value_counts()
    assert used["found_sure"] == month["found_sure"]
    inside = analysis.detections[analysis.detections["period"].eq("2026-03")]
    once = inside.drop_duplicates("trail")["p_puma"].sum()
    assert used["trails_expected"] == pytest.approx(once)
    assert (others["trails_expected"] < once).all()  # pumas are many in that country


def test_the_answer_holds_the_range_over_the_priors(analysis: Analysis, tmp_path: Path) -> None:
    (name,) = analysis.season.read("incidents")["incident"]
    told = answer(analysis, name, tmp_path).numbers
    low, high = told["range_over_priors"]
    assert low < told["passing"]["low"]
    assert high >= told["passing"]["high"]
    tried = pd.read_csv(tmp_path / "tables" / "animals_by_prior.csv")
    assert low == pytest.approx(tried.loc[tried["taxon"].eq("puma"), "low"].min(), rel=1e-4)
