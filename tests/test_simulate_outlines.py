"""Drawn prints: their numbers come out of the drawing again, and bad requests are refused."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from carnivore_sign.errors import InputError
from carnivore_sign.records.vocabularies import FEET, PRINT_PARTS
from carnivore_sign.simulate import SCHEMES, draw_prints
from carnivore_sign.simulate.outlines import without_lead


@pytest.mark.parametrize("foot", FEET)
@pytest.mark.parametrize("difficulty", [0.0, 0.5, 1.0])
def test_outlines_are_whole_and_lie_apart(foot: str, difficulty: float) -> None:
    drawn = draw_prints(
        ["puma", "dog"] * 20, foot=foot, difficulty=difficulty, tracing_mm=0.4, with_dewclaw=True,
        rng=np.random.default_rng(0),
    )  # fmt: skip
    assert set(drawn["part"]) <= set(PRINT_PARTS)
    assert drawn.crs is None
    large = drawn[~drawn["part"].str.startswith("claw")]  # a hand slips on a mark 1 mm wide
    assert large.geometry.is_valid.all()
    for _, one in large.groupby("print"):
        total = shapely.union_all(one.geometry.to_numpy()).area
        assert total == pytest.approx(one.geometry.area.sum(), rel=5e-3)


@pytest.mark.parametrize(("taxon", "low", "high"), [("puma", 3.5, 4.3), ("dog", 2.0, 3.0)])
def test_as_many_toes_fit_into_the_pad_as_is_taught(taxon: str, low: float, high: float) -> None:
    # about four toes in a puma's front pad, two to three in a dog's: common practice, no source
    area = draw_prints([taxon]).set_index("part").area
    toes = area[area.index.str.startswith("toe")]
    assert low < area["pad"] / toes.mean() < high


def test_the_other_foot_is_the_mirror_image_and_the_length_is_what_was_asked() -> None:
    right = draw_prints(["puma"], foot="right_front", length_mm=92)
    left = draw_prints(["puma"], foot="left_front", length_mm=92)
    mirrored = right.geometry.scale(-1, 1, origin=(0, 0))
    assert all(a.equals_exact(b, 1e-9) or a.normalize().equals_exact(b.normalize(), 1e-9)
               for a, b in zip(mirrored, left.geometry, strict=True))  # fmt: skip
    _, south, _, north = right.total_bounds
    assert north - south == pytest.approx(92, rel=0.03)
    toes = right.set_index("part").geometry
    assert toes["toe_3"].bounds[3] > toes["toe_4"].bounds[3]  # toe 3 leads
    assert toes["toe_2"].centroid.x < 0 < toes["toe_5"].centroid.x


def test_a_dog_and_a_scheme_without_lead_are_level_and_a_puma_is_bare_of_claws() -> None:
    assert without_lead(SCHEMES["puma"]).lead == 0 == SCHEMES["dog"].lead
    drawn = draw_prints(["puma", "dog"])
    clawed = drawn["part"].str.startswith("claw").groupby(drawn["print"]).sum()
    assert clawed.tolist() == [0, 4]


def test_difficulty_draws_both_taxa_towards_one_form_until_they_are_one() -> None:
    def apart(difficulty: float) -> float:
        drawn = draw_prints(["puma", "dog"], difficulty=difficulty, claws=False, length_mm=90)
        first, second = (drawn[drawn["print"] == one].geometry.to_numpy() for one in (0, 1))
        return float(shapely.area(shapely.symmetric_difference(first, second)).sum())

    assert apart(0.0) > apart(0.5) > apart(0.9) > apart(1.0)
    assert apart(1.0) == pytest.approx(0, abs=1e-6)


def test_a_seed_draws_the_same_prints_and_another_others() -> None:
    one, same, other = (
        draw_prints(["puma"] * 3, rng=np.random.default_rng(seed), tracing_mm=0.5)
        for seed in (1, 1, 2)
    )
    assert shapely.equals_exact(one.geometry.to_numpy(), same.geometry.to_numpy()).all()
    assert not shapely.equals_exact(one.geometry.to_numpy(), other.geometry.to_numpy(), 1).any()


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"taxa": ["yeti"]}, "yeti"),
        ({"taxa": ["puma"], "foot": "middle"}, "middle"),
        ({"taxa": ["puma"], "difficulty": 2}, "between 0 and 1"),
        ({"taxa": ["puma"], "tracing_mm": 1.0}, "random generator"),
    ],
)
def test_what_cannot_be_drawn_is_refused(options: dict[str, object], said: str) -> None:
    with pytest.raises(InputError, match=said):
        draw_prints(**options)
