"""The bar chart of weights: bars that add up, on the right side, with nothing over anything."""

from __future__ import annotations

import hashlib
import itertools

import matplotlib.colors
import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from carnivore_sign.errors import InputError
from carnivore_sign.identify import (
    character_weights,
    load_evidence,
    to_probabilities,
    weigh_characters,
)
from carnivore_sign.maps import draw_weights, png_bytes, weights_sheet
from carnivore_sign.maps.lettering import new_figure

EVIDENCE = load_evidence()
NOTED = {
    "leading_toe": "one_leads", "pad_rear_edge": "three_lobes", "claws": "blunt_joined",
    "outline": "longer", "length_mm": 88.0,
}  # fmt: skip


def weights() -> pd.DataFrame:
    prints = pd.DataFrame([NOTED])
    why = character_weights(prints, EVIDENCE, taxon="puma", against="dog").iloc[0]
    return pd.DataFrame(
        {"character": list(NOTED), "weight": why[list(NOTED)].to_numpy(), "seen": [
            str(value) for value in NOTED.values()]}
    )  # fmt: skip


def chart(table: pd.DataFrame) -> tuple[Figure, object]:
    figure = new_figure(7, 4)
    ax = figure.add_axes((0.35, 0.15, 0.6, 0.75))
    return figure, draw_weights(ax, table, taxon="puma", against="dog")


def sheet(**options: object) -> Figure:
    given = {"taxon": "puma", "against": "dog", "probability": 0.62, "prior": 0.1}
    return weights_sheet(weights(), **{**given, **options})


def test_bars_are_the_weights_weightiest_first_and_add_up_to_the_one_on_top() -> None:
    _, ax = chart(weights())
    wide = [bar.get_width() for bar in ax.patches]
    assert wide[0] == pytest.approx(sum(wide[1:]))
    said = weigh_characters(pd.DataFrame([NOTED]), EVIDENCE).iloc[0]
    assert wide[0] == pytest.approx((said["puma"] - said["dog"]) / np.log(10))
    assert (np.diff(np.abs(wide[1:])) <= 0).all()
    assert [label.get_text() for label in ax.get_yticklabels()][:2] == [
        "all together", "claws: blunt joined"]  # fmt: skip
    tops = [bar.get_y() for bar in ax.patches]
    assert tops == sorted(tops, reverse=True)


def test_what_speaks_for_and_against_differ_in_side_colour_and_lightness() -> None:
    _, ax = chart(weights())
    colours = {bar.get_width() > 0: bar.get_facecolor() for bar in ax.patches}
    light = [
        np.dot(matplotlib.colors.to_rgb(c), (0.2126, 0.7152, 0.0722)) for c in colours.values()
    ]
    assert len(colours) == 2
    assert abs(light[0] - light[1]) > 0.15


def test_the_scale_is_that_of_odds_on_both_sides() -> None:
    _, ax = chart(weights())
    for place, label in zip(ax.get_xticks(), ax.get_xticklabels(), strict=True):
        assert 10 ** abs(place) == pytest.approx(float(label.get_text()))
    assert min(ax.get_xticks()) == -max(ax.get_xticks())


@pytest.mark.parametrize("factor", [0.02, 1.0, 4.0])
def test_no_words_lie_on_others_and_none_leaves_the_sheet(factor: float) -> None:
    table = weights().assign(weight=lambda t: t["weight"] * factor)
    figure = weights_sheet(
        table, taxon="puma", against="dog", probability=0.995, prior=0.1,
        not_seen=("pad_texture", "toe_shape"), ask="negative_space", title="Print S014-2",
    )  # fmt: skip
    figure.draw_without_rendering()
    (ax,) = figure.axes
    texts = [*figure.texts, *ax.texts, *ax.get_yticklabels(), *ax.get_xticklabels(), ax.xaxis.label]
    boxes = [text.get_window_extent() for text in texts if text.get_text()]
    for one, other in itertools.combinations(boxes, 2):
        assert not one.overlaps(other)
    for box in boxes:
        assert box.x0 >= 0
        assert box.x1 <= figure.bbox.x1 + 0.5
        assert box.y0 >= 0


def test_the_sheet_says_prior_probability_and_what_was_not_seen() -> None:
    figure = sheet(not_seen=("pad_texture",), ask="negative_space", title="Print S014-2")
    words = " ".join(text.get_text() for text in figure.texts)
    for told in ("Print S014-2", "62 %", "(prior): 10 %", "odds as they are: pad texture",
                 "could it be seen: negative space"):  # fmt: skip
        assert told in words
    for share, told in ((0.004, "under 1 %"), (0.996, "over 99 %")):
        assert told in " ".join(text.get_text() for text in sheet(probability=share).texts)


def test_the_same_weights_give_the_same_picture() -> None:
    pictures = [hashlib.sha256(png_bytes(sheet())).hexdigest() for _ in range(2)]
    assert pictures[0] == pictures[1]


def test_one_character_alone_is_drawn_as_well() -> None:
    _, ax = chart(weights().iloc[[2]])
    assert len(ax.patches) == 2


def test_a_real_print_shows_the_probability_that_was_computed() -> None:
    prints = pd.DataFrame([NOTED])
    p = to_probabilities(weigh_characters(prints, EVIDENCE), EVIDENCE.prior)["p_puma"].item()
    words = " ".join(text.get_text() for text in sheet(probability=p).texts)
    assert f"{p * 100:.0f} %" in words


@pytest.mark.parametrize(
    ("table", "options", "words"),
    [
        (weights().iloc[:0], {}, "nothing to draw"),
        (weights().assign(weight=np.nan), {}, "weight is missing"),
        (weights(), {"taxon": "lion"}, "'lion'"),
        (weights(), {"probability": 1.5}, "between 0 and 1"),
    ],
)
def test_what_cannot_be_drawn_is_refused(
    table: pd.DataFrame, options: dict[str, object], words: str
) -> None:
    given = {"taxon": "puma", "against": "dog", "probability": 0.5, "prior": 0.1, **options}
    with pytest.raises(InputError, match=words):
        weights_sheet(table, **given)
