"""Prints of one sign and sign of one trail: alike witnesses are not independent ones."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from carnivore_sign.errors import InputError
from carnivore_sign.identify import (
    load_evidence,
    naming_odds,
    pool_evidence,
    to_probabilities,
    weigh_characters,
    weigh_sign,
)
from carnivore_sign.records.vocabularies import NOT_VISIBLE, TAXA

EVIDENCE = load_evidence("dry_range")
RHO = EVIDENCE.constant("rho_sign")
CLEAR = {
    "leading_toe": "one_leads", "pad_rear_edge": "three_lobes", "claws": "none",
    "negative_space": "c_shape", "length_mm": 88.0,
}  # fmt: skip


def one_sign(prints: list[dict[str, object]], **sign: object) -> pd.DataFrame:
    noted = pd.DataFrame(prints, columns=[*CLEAR]).assign(sign="A")
    return weigh_sign(pd.DataFrame([{"sign": "A", **sign}]), noted, EVIDENCE)


def puma_against_dog(said: pd.DataFrame) -> float:
    return float((said["puma"] - said["dog"]).iloc[0])


def test_a_sign_of_one_print_says_what_the_print_says() -> None:
    prints = pd.DataFrame([CLEAR])
    assert np.allclose(one_sign([CLEAR]), weigh_characters(prints, EVIDENCE))


@pytest.mark.parametrize("copies", [2, 5, 40, 4000])
def test_copies_of_one_print_count_as_their_effective_number(copies: int) -> None:
    one, many = (puma_against_dog(one_sign([CLEAR] * n)) for n in (1, copies))
    assert many / one == pytest.approx(copies / (1 + (copies - 1) * RHO))


def test_copies_of_one_print_do_not_drive_the_probability_to_one() -> None:
    few, many = (
        to_probabilities(one_sign([CLEAR] * n), EVIDENCE.prior)["p_puma"].item()
        for n in (40, 100_000)
    )
    assert many - few < 0.005
    single, flood = (puma_against_dog(one_sign([CLEAR] * n)) for n in (1, 100_000))
    assert flood < single / RHO  # as little over two prints that know nothing of each other
    assert RHO > 0.4


def test_poor_prints_beside_a_clear_one_do_not_water_it_down() -> None:
    blank = {"leading_toe": NOT_VISIBLE}
    alone = one_sign([CLEAR])
    assert np.allclose(one_sign([CLEAR] + [blank] * 20), alone)
    partial = {"pad_rear_edge": "three_lobes"}
    assert puma_against_dog(one_sign([CLEAR] + [partial] * 5)) > puma_against_dog(alone)


def test_prints_that_disagree_speak_against_each_other() -> None:
    dog = {"claws": "blunt_joined"}
    cat = {"claws": "none"}
    both = puma_against_dog(one_sign([dog, cat]))
    assert puma_against_dog(one_sign([dog])) < both < puma_against_dog(one_sign([cat]))


def test_the_surface_is_that_of_the_sign() -> None:
    clawed = [{"claws": "blunt_joined"}]
    assert (one_sign(clawed, surface="mud").to_numpy() == 0).all()
    assert puma_against_dog(one_sign(clawed, surface="dust")) < -1


def test_a_naming_is_weighed_by_the_error_rates_of_observers() -> None:
    # Observers missed 37 % of target tracks and called 26 % of look-alikes target: Evans et
    # al. 2009, J Wildl Manage (abstract). LR+ 2.42; prior .10 gives .2121, .50 gives .7079.
    assert naming_odds(EVIDENCE) == pytest.approx(0.63 / 0.26)
    said = one_sign([], named_as="puma", kind="scat")
    for prior, after in [(0.10, 0.2121), (0.50, 0.7079)]:
        p = to_probabilities(said, {"puma": prior, "dog": 1 - prior})["p_puma"].item()
        assert p == pytest.approx(after, abs=5e-5)


def test_a_naming_is_not_weighed_where_characters_spoke() -> None:
    said = [one_sign([CLEAR], named_as=name).to_numpy() for name in ("puma", "dog", None)]
    assert np.array_equal(said[0], said[1])
    assert np.array_equal(said[0], said[2])


def test_a_naming_is_weighed_where_the_surface_silenced_the_only_character() -> None:
    said = one_sign([{"claws": "blunt_joined"}], named_as="puma", surface="mud")
    assert puma_against_dog(said) == pytest.approx(np.log(0.63 / 0.26))


def test_a_sign_that_says_nothing_is_flat_whatever_it_is() -> None:
    sign = pd.DataFrame({"sign": ["A", "B"], "kind": ["scat", "track"], "named_as": [None, None]})
    prints = pd.DataFrame({"sign": ["B"], "claws": [NOT_VISIBLE]})
    said = weigh_sign(sign, prints, EVIDENCE)
    assert said.index.tolist() == ["A", "B"]
    assert list(said.columns) == list(TAXA)
    assert (said.to_numpy() == 0).all()


def test_a_stride_is_weak_evidence() -> None:
    # Full stride, left hind to left hind: female about 91.4 cm, male about 101.6 cm:
    # Elbroch, Kresky & Evans 2012; eNature guide.
    puma_like, long = one_sign([], stride_m=0.965), one_sign([], stride_m=2.5)
    assert float((puma_like["puma"] - puma_like["red_fox"]).iloc[0]) > 0
    for said in (puma_like, long):
        assert np.ptp(said.to_numpy()) <= np.log(EVIDENCE.constant("stride_cap_odds"))
    assert (one_sign([], stride_m=np.nan).to_numpy() == 0).all()


def test_prints_of_other_sign_are_passed_over_and_names_must_be_unique() -> None:
    prints = pd.DataFrame([{**CLEAR, "sign": "elsewhere"}])
    assert (weigh_sign(pd.DataFrame({"sign": ["A"]}), prints, EVIDENCE).to_numpy() == 0).all()
    with pytest.raises(InputError, match="'A'"):
        weigh_sign(pd.DataFrame({"sign": ["A", "A"]}), prints, EVIDENCE)


def test_order_of_sign_and_prints_does_not_matter() -> None:
    rng = np.random.default_rng(8)
    sign = pd.DataFrame({"sign": [f"S{i}" for i in range(6)], "surface": ["mud", "dust"] * 3})
    prints = pd.DataFrame([CLEAR, {"claws": "blunt_joined"}, {"outline": "longer"}] * 10)
    prints["sign"] = rng.choice(sign["sign"], len(prints))
    said = weigh_sign(sign, prints, EVIDENCE)
    shuffled = weigh_sign(
        sign.sample(frac=1, random_state=1), prints.sample(frac=1, random_state=2), EVIDENCE
    )
    pd.testing.assert_frame_equal(shuffled.loc[said.index], said)


def test_a_sign_weighs_the_same_alone_and_among_others() -> None:
    sign = pd.DataFrame({"sign": ["A", "B"], "named_as": ["puma", "dog"]})
    prints = pd.DataFrame([{**CLEAR, "sign": "A"}] * 3)
    together = weigh_sign(sign, prints, EVIDENCE)
    for row in (0, 1):
        alone = weigh_sign(sign.iloc[[row]], prints, EVIDENCE)
        assert np.array_equal(alone.to_numpy()[0], together.to_numpy()[row])


def frame(rows: dict[str, list[float]]) -> pd.DataFrame:
    return pd.DataFrame(rows).reindex(columns=list(TAXA), fill_value=0.0)


def test_the_sign_of_a_trail_count_as_their_effective_number() -> None:
    said = frame({"puma": [1.5] * 10, "dog": [0.0] * 10})
    pooled = pool_evidence(said, pd.Series("T", index=said.index, name="trail"))
    rho = EVIDENCE.constant("rho_trail")
    assert pooled.loc["T", "puma"] == pytest.approx(1.5 * 10 / (1 + 9 * rho))
    assert pooled.index.name == "trail"


def test_silent_sign_do_not_count_and_no_correlation_is_the_plain_sum() -> None:
    said = frame({"puma": [2.0, 0.0, 1.0, 0.5], "dog": [0.0, 0.0, 0.2, 0.0]})
    groups = pd.Series(["T", "T", "U", "U"], index=said.index)
    assert pool_evidence(said, groups).loc["T", "puma"] == 2.0
    plain = pool_evidence(said, groups, rho=0.0)
    assert np.allclose(plain, said.groupby(groups).sum())
    full = pool_evidence(frame({"puma": [2.0] * 7}), pd.Series("T", index=range(7)), rho=1.0)
    assert full.loc["T", "puma"] == pytest.approx(2.0)


def test_sign_of_no_trail_are_left_out_and_groups_keep_their_order() -> None:
    said = frame({"puma": [1.0, 2.0, 3.0]})
    pooled = pool_evidence(said, pd.Series(["Z", None, "A"], index=[2, 1, 0]))
    assert pooled.index.tolist() == ["Z", "A"]
    assert pooled["puma"].tolist() == [3.0, 1.0]


@pytest.mark.parametrize(
    ("groups", "rho", "words"),
    [
        (pd.Series(["T"], index=[99]), None, "'99'"),
        (pd.Series(["T", "T"], index=[0, 0]), None, "twice"),
        (pd.Series(["T"], index=[0]), 1.2, "between 0 and 1"),
    ],
)
def test_bad_groups_are_refused(groups: pd.Series, rho: float | None, words: str) -> None:
    with pytest.raises(InputError, match=words):
        pool_evidence(frame({"puma": [1.0, 2.0]}), groups, rho=rho)


def test_another_correlation_can_be_put_in() -> None:
    constants = EVIDENCE.constants.copy()
    constants.loc["rho_sign", "value"] = 0.0
    independent = dataclasses.replace(EVIDENCE, constants=constants)
    noted = pd.DataFrame([CLEAR] * 3).assign(sign="A")
    said = weigh_sign(pd.DataFrame({"sign": ["A"]}), noted, independent)
    assert puma_against_dog(said) == pytest.approx(3 * puma_against_dog(one_sign([CLEAR])))
