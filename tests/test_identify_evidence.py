"""The evidence tables: complete, sourced, within the cap, and refused when they are not."""

from __future__ import annotations

import dataclasses
from importlib.resources import files

import numpy as np
import pandas as pd
import pytest

from carnivore_sign.errors import InputError
from carnivore_sign.identify import Evidence, check_prior, load_evidence, regions
from carnivore_sign.records.vocabularies import CHARACTERS, MEASURES, TAXA

DATA = files("carnivore_sign.identify").joinpath("data")
TABLES = sorted(file.name for file in DATA.iterdir() if file.name.endswith(".csv"))


@pytest.fixture(scope="module")
def evidence() -> Evidence:
    return load_evidence("dry_range")


@pytest.mark.parametrize("name", TABLES)
def test_each_data_file_says_that_it_holds_working_values(name: str) -> None:
    head = DATA.joinpath(name).read_text(encoding="utf-8").splitlines()[0]
    assert head.startswith("# Working values from common practice, not estimates.")


def test_every_row_has_a_source_that_is_a_work_or_says_that_there_is_none(
    evidence: Evidence,
) -> None:
    sources = evidence.sources()
    assert len(sources) > 100
    spoken = sources["source"].str.contains(
        r"(?:18|19|20)\d\d|no source|from memory|Commission|rows above", regex=True
    )
    assert sources[~spoken].empty
    assert set(sources["table"]) == {
        "characters", "sizes", "strides", "surfaces", "surface_sizes", "groups", "constants",
    }  # fmt: skip


def test_no_state_of_a_character_holds_two_taxa_more_than_twenty_to_one_apart(
    evidence: Evidence,
) -> None:
    shares = evidence.characters[list(TAXA)]
    assert (shares.max(axis=1) / shares.min(axis=1)).max() <= 20
    for table in evidence.log_tables.values():
        assert np.ptp(table, axis=0).max() <= np.log(20) + 1e-12


def test_a_table_that_goes_past_the_cap_is_held_to_it(evidence: Evidence) -> None:
    bold = evidence.characters.copy()
    bold.loc[("claws", "none"), "puma"] = 0.999
    bold.loc[("claws", "fine_apart"), "puma"] = 0.0005
    bold.loc[("claws", "blunt_joined"), "puma"] = 0.0005
    changed = dataclasses.replace(evidence, characters=bold)
    assert np.isclose(np.ptp(changed.log_tables["claws"], axis=0).max(), np.log(20))


@pytest.mark.parametrize("character", CHARACTERS)
def test_one_character_alone_errs_about_one_time_in_five_for_puma_and_dog(
    evidence: Evidence, character: str
) -> None:
    # Most traditional single rules err 20 % or more: De Angelo, Paviolo & Di Bitetti 2010,
    # J Wildl Manage 74:1141-1153 (abstract).
    shares = evidence.characters.loc[character, ["puma", "dog"]].to_numpy(float)
    error = shares.min(axis=1).sum() / 2
    assert 0.17 <= error <= 0.37


def test_the_states_of_a_character_sum_to_one_and_a_table_where_they_do_not_is_refused(
    evidence: Evidence,
) -> None:
    sums = evidence.characters[list(TAXA)].groupby(level="character").sum()
    assert np.allclose(sums, 1.0)
    broken = evidence.characters.copy()
    broken.loc[("claws", "none"), "dog"] += 0.1
    with pytest.raises(InputError, match="claws"):
        dataclasses.replace(evidence, characters=broken)


@pytest.mark.parametrize(
    ("table", "change", "words"),
    [
        ("characters", lambda t: t.iloc[1:], "rows missing"),
        ("sizes", lambda t: t.assign(sd_mm=0.0), "above 0"),
        ("sizes", lambda t: t.iloc[1:], "rows missing"),
        ("groups", lambda t: t.iloc[1:], "exactly one group"),
        ("groups", lambda t: t.assign(rho=1.5), "between 0 and 1"),
        ("surfaces", lambda t: t.rename(index={"mud": "lava"}), "lava"),
    ],
)
def test_a_broken_table_is_refused(evidence: Evidence, table: str, change, words: str) -> None:
    with pytest.raises(InputError, match=words):
        dataclasses.replace(evidence, **{table: change(getattr(evidence, table))})


def test_each_region_has_a_prior_that_sums_to_one() -> None:
    assert {"general", "dry_range"} <= set(regions())
    for region in regions():
        prior = load_evidence(region).prior
        assert list(prior.index) == list(TAXA)
        assert np.isclose(prior.sum(), 1.0)


def test_dry_range_is_puma_bobcat_coyote_and_dog_country(evidence: Evidence) -> None:
    assert evidence.prior[["puma", "bobcat", "coyote", "dog"]].sum() > 0.9
    assert evidence.prior["wolf"] == 0


def test_an_unknown_region_is_refused_with_the_list_of_those_there_are() -> None:
    with pytest.raises(InputError, match=r"'the moon'.*dry_range, general"):
        load_evidence("the moon")


def test_evidence_cannot_be_changed_by_accident(evidence: Evidence) -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        evidence.region = "general"


@pytest.mark.parametrize(
    ("prior", "words"),
    [
        ({"puma": 0.5, "yeti": 0.5}, "yeti"),
        ({"puma": 0.5}, "sum to 1"),
        ({"puma": -0.5, "dog": 1.5}, "sum to 1"),
        ({"puma": float("nan"), "dog": 1.0}, "sum to 1"),
    ],
)
def test_a_prior_that_is_none_is_refused(prior: dict[str, float], words: str) -> None:
    with pytest.raises(InputError, match=words):
        check_prior(prior)


def test_sizes_keep_the_published_figures(evidence: Evidence) -> None:
    sizes = evidence.sizes
    # Heel-pad width of pumas 5.06 cm (SD 0.79), n = 46: De Angelo, Paviolo & Di Bitetti 2010.
    assert sizes.loc[("puma", "pad_width_mm", "unknown"), ["mean_mm", "sd_mm"]].tolist() == [
        50.6,
        7.9,
    ]
    # Wolf and coyote, length by width: Moskowitz 2010, table in a 2017 monitoring report.
    published = {
        ("wolf", "front"): (110, 98), ("wolf", "hind"): (101, 82),
        ("coyote", "front"): (67, 53), ("coyote", "hind"): (61, 46),
    }  # fmt: skip
    for (taxon, foot), expected in published.items():
        means = [sizes.loc[(taxon, m, foot), "mean_mm"] for m in ("length_mm", "width_mm")]
        assert tuple(means) == expected


def test_an_unknown_foot_is_a_front_and_a_hind_in_equal_shares(evidence: Evidence) -> None:
    # Mean and variance of a mixture of two, recomputed from the rows of the file.
    for taxon in TAXA:
        for measure in MEASURES:
            if (taxon, measure) == ("puma", "pad_width_mm"):
                continue  # has a published value of its own
            rows = evidence.sizes.loc[(taxon, measure)]
            front, hind = rows.loc["front"], rows.loc["hind"]
            mean = (front["mean_mm"] + hind["mean_mm"]) / 2
            second = (front["sd_mm"] ** 2 + front["mean_mm"] ** 2) / 2
            second += (hind["sd_mm"] ** 2 + hind["mean_mm"] ** 2) / 2
            assert rows.loc["unknown", "mean_mm"] == pytest.approx(mean, abs=0.06)
            expected = np.sqrt(second - mean**2)
            assert rows.loc["unknown", "sd_mm"] == pytest.approx(expected, abs=0.06)


def test_constants_say_what_they_mean(evidence: Evidence) -> None:
    assert evidence.constants["meaning"].str.len().min() > 20
    assert evidence.constant("cap_odds") == 20
    assert 0 < evidence.constant("groups_exponent") < 1
    assert isinstance(evidence.prior, pd.Series)
