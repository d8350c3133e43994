"""Simulated prints keep to their table."""

from __future__ import annotations

import numpy as np
import pytest

from carnivore_sign.errors import InputError
from carnivore_sign.records.vocabularies import CHARACTERS, MEASURES
from carnivore_sign.simulate import AnimalSettings, RangeSettings
from carnivore_sign.simulate.animals import (
    CHARACTER_CONSTANCY,
    TABLES,
    TAKEN_FOR,
    draw_animals,
    draw_prints,
    draw_rows,
    draw_states,
)

ANIMALS, PRINTS = 1500, 4


@pytest.fixture(scope="module", params=list(TABLES))
def drawn(request: pytest.FixtureRequest):
    """Draw four prints, alternately front and hind, of many animals of one taxon."""
    rng = np.random.default_rng(11)
    animals = draw_animals((AnimalSettings(request.param, 0.1, count=ANIMALS),), rng)
    states = draw_states(animals, rng)
    owner = np.repeat(np.arange(ANIMALS), PRINTS)
    foot = np.tile(np.array(["left_front", "left_hind"], dtype=object), ANIMALS * PRINTS // 2)
    prints = draw_prints(owner, foot, animals, states, rng)
    return request.param, animals, owner, foot, prints


def test_sizes_have_the_means_and_deviations_of_the_table(drawn) -> None:
    taxon, _, _, foot, prints = drawn
    table = TABLES[taxon]
    for feet, means in (("left_front", table.front_mm), ("left_hind", table.hind_mm)):
        sizes = prints[foot == feet]
        for name, mean in zip(MEASURES, means, strict=True):
            share = np.hypot(table.between, table.within)
            # Two prints of each animal: its own part is drawn once for both.
            error = mean * np.sqrt(table.between**2 + table.within**2 / 2) / np.sqrt(ANIMALS)
            assert abs(sizes[name].mean() - mean) < 4 * error
            assert sizes[name].std() == pytest.approx(mean * share, rel=0.08)


def test_sizes_of_one_animal_differ_only_by_the_part_within(drawn) -> None:
    taxon, _, owner, foot, prints = drawn
    front = foot == "left_front"
    lengths = prints.loc[front, "length_mm"].groupby(owner[front]).std() / TABLES[taxon].front_mm[0]
    assert np.sqrt((lengths**2).mean()) == pytest.approx(TABLES[taxon].within, rel=0.08)


def test_states_have_the_chances_of_the_table_and_the_outline_depends_on_the_foot(drawn) -> None:
    taxon, _, _, foot, prints = drawn
    table = TABLES[taxon]
    for name, words in CHARACTERS.items():
        rows = prints[foot == "left_front"] if name == "outline" else prints
        assert len(table.states[name]) == len(words)
        assert sum(table.states[name]) == pytest.approx(1.0)
        for word, chance in zip(words, table.states[name], strict=True):
            error = np.sqrt(chance * (1 - chance) / ANIMALS)
            assert abs(rows[name].eq(word).mean() - chance) < 4 * error, (name, word)
    hind = prints.loc[foot == "left_hind", "outline"].eq("rounder").mean()
    assert hind == pytest.approx(table.hind_outline[0], abs=0.05)


def test_prints_of_one_animal_agree_more_than_prints_of_two(drawn) -> None:
    taxon, _, owner, _, prints = drawn
    chance = TABLES[taxon].states["toe_shape"][0]
    first = prints["toe_shape"].eq("teardrop").to_numpy(dtype=float).reshape(ANIMALS, PRINTS)
    assert (owner.reshape(ANIMALS, PRINTS)[:, 0] == np.arange(ANIMALS)).all()
    covariance = np.mean((first[:, 0] - chance) * (first[:, 1] - chance))
    correlation = covariance / (chance * (1 - chance))
    assert correlation == pytest.approx(1 / (1 + CHARACTER_CONSTANCY), abs=0.1)
    stranger = np.mean((first[:-1, 0] - chance) * (first[1:, 1] - chance))
    assert abs(stranger) < 0.03


def test_the_table_keeps_to_published_sizes() -> None:
    # Puma front print 80-100 mm long: Elbroch, Kresky & Evans 2012. Front pad 40-60 mm over both
    # sexes: Florida Fish and Wildlife Conservation Commission. Full stride 0.914 m (female) to
    # 1.016 m (male): Elbroch, Kresky & Evans 2012.
    puma = TABLES["puma"]
    assert 80 <= puma.front_mm[0] <= 100
    assert 40 <= puma.front_mm[2] <= 60
    assert 0.914 <= puma.stride_m <= 1.016
    # Coyote front 67 (54-78) x 53 (42-63) mm, hind 61 (44-75) x 46 (35-54) mm: Moskowitz 2010.
    coyote = TABLES["coyote"]
    assert coyote.front_mm[:2] == (67.0, 53.0)
    assert coyote.hind_mm[:2] == (61.0, 46.0)


def test_characters_lean_as_the_trade_teaches() -> None:
    # Common practice, no source: puma toe 3 leads, claws seldom show, three rear lobes; dog has
    # no leading toe and shows claws. No character decides alone.
    puma, dog = TABLES["puma"].states, TABLES["dog"].states
    for name in ("leading_toe", "claws", "pad_rear_edge", "toes_in_pad"):
        assert puma[name][0] > 0.6 > dog[name][0] > 0.05
    assert all(0.0 < p < 1.0 for table in TABLES.values() for c in table.states.values() for p in c)


def test_every_taxon_can_be_taken_for_another() -> None:
    assert set(TAKEN_FOR) == set(TABLES)
    for taxon, others in TAKEN_FOR.items():
        assert taxon not in others
        assert sum(others.values()) == pytest.approx(1.0)


def test_animals_have_names_and_ranges() -> None:
    home = RangeSettings(((0.0, 0.0),), (1.0, 1.0))
    groups = (AnimalSettings("puma", 0.1, ranges=(home, home)), AnimalSettings("dog", 0.1, count=3))
    animals = draw_animals(groups, np.random.default_rng(1))
    assert animals.index.tolist() == ["puma-1", "puma-2", "dog-1", "dog-2", "dog-3"]
    assert animals["range_no"].tolist() == [0, 1, -1, -1, -1]


def test_an_unknown_foot_is_told() -> None:
    rng = np.random.default_rng(1)
    animals = draw_animals((AnimalSettings("dog", 0.1),), rng)
    with pytest.raises(InputError, match="'tail' is not one of the feet"):
        draw_prints(np.array([0]), np.array(["tail"]), animals, draw_states(animals, rng), rng)


def test_rows_are_drawn_with_their_chances() -> None:
    chances = np.tile([0.2, 0.0, 0.8], (20_000, 1))
    drawn = np.bincount(draw_rows(chances, np.random.default_rng(2)), minlength=3)
    assert drawn[1] == 0
    assert drawn[0] / 20_000 == pytest.approx(0.2, abs=4 * np.sqrt(0.16 / 20_000))
