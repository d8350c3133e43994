"""The trail step of the chain: sign without a log, measured gait, and trails followed by hand."""

from __future__ import annotations

import shutil
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from chain_examples import drawn_season
from gait_drawing import RELATIVE, draw_prints

from carnivore_sign.chain import Analysis, AnalysisOptions, analyse
from carnivore_sign.identify import estimate_shares
from carnivore_sign.records.season import Season, open_season
from carnivore_sign.trails import gait_sequence, hip_height_m

OPTIONS = AnalysisOptions(region="dry_range")


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Season:
    return drawn_season(71, tmp_path_factory.mktemp("trails"))[0]


@pytest.fixture(scope="module")
def analysis(season: Season) -> Analysis:
    return analyse(season, OPTIONS)


def test_sign_noted_beside_the_walks_shows_presence_and_shares_nothing(
    season: Season, analysis: Analysis, tmp_path: Path
) -> None:
    # Three places with puma sign on each of twenty evenings, far from every log.
    noted = season.read("sign").head(60)
    hour = pd.Timedelta(hours=1)
    beside = noted.assign(
        sign=[f"X{n:02d}" for n in range(60)],
        kind="track",
        named_as="puma",
        confidence=0.95,
        time=noted["time"].max() + (9_600 + np.arange(60) // 3 * 48) * hour,
        age_min_h=np.nan,
        age_max_h=np.nan,
        direction_deg=90.0,
        stride_m=np.nan,
        surface=None,
        waypoint=None,
    ).set_geometry(gpd.points_from_xy(-118.0 + 0.0003 * np.arange(60), np.full(60, 39.0)), crs=4326)
    shutil.copy(season.path, tmp_path / "copy.gpkg")
    copy = open_season(tmp_path / "copy.gpkg")
    copy.append({"sign": beside})
    told = analyse(copy, OPTIONS)
    own = told.members[told.members["sign"].str.startswith("X")]
    assert len(own["trail"].unique()) == 20  # a passage an evening
    assert told.incidental["sign"].isin(own["sign"]).sum() == 60
    assert told.trails.set_index("trail").loc[own["trail"], "p_puma"].min() > 0.5
    # The sign of the walks is linked a little otherwise, since more is known of gaps.
    assert told.prior["puma"] == pytest.approx(analysis.prior["puma"], abs=0.01)
    everything = estimate_shares(told.likelihoods, told.region_prior)
    assert everything["puma"] > analysis.prior["puma"] + 0.02


def test_a_measured_gait_takes_the_place_of_noted_strides(
    season: Season, analysis: Analysis
) -> None:
    puma = analysis.trails.loc[analysis.trails["p_puma"].between(0.2, 0.95), "trail"]
    sign = analysis.members.loc[analysis.members["trail"].isin(puma), "sign"].iloc[0]
    trail = analysis.members.set_index("sign")["trail"][sign]
    stride = RELATIVE["trot_direct"] * hip_height_m("coyote")[0]
    prints = draw_prints("trot_direct", np.random.default_rng(4), stride_m=stride, sequence=sign)
    told = analyse(season, OPTIONS, gait=gait_sequence(prints))
    ratio = told.likelihoods["coyote"] - told.likelihoods["puma"]
    before = analysis.likelihoods["coyote"] - analysis.likelihoods["puma"]
    moved = (ratio - before).abs() > 1e-9
    assert moved[moved].index.tolist() == [trail]
    assert ratio[trail] > before[trail]


def test_a_log_of_a_followed_trail_is_a_trail_and_no_effort(
    season: Season, analysis: Analysis
) -> None:
    walked = analysis.walks.dropna().str.split("#").str[0]
    log = walked.value_counts().index[0]
    told = analyse(season, OPTIONS, followed_logs=[log])
    assert not told.visits["log"].eq(log).any()
    followed = told.members["followed"].eq(log)
    assert followed.sum() > 1
    assert len(told.members.loc[followed, "trail"].unique()) == 1
    length = told.trails.set_index("trail")["length_m"]
    assert length[told.members.loc[followed, "trail"].iloc[0]] > 500.0
