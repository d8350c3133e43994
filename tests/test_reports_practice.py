"""Practice on drawn prints: in a notebook and on a page, with a score that is the library's own."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest
from sklearn.metrics import brier_score_loss

from carnivore_sign.cli import main
from carnivore_sign.errors import InputError
from carnivore_sign.identify import (
    character_weights,
    fit_observers,
    load_evidence,
    observer_rates,
    read_answers,
    reliability,
)
from carnivore_sign.reports.practice import (
    LEVELS,
    PRACTICE_EDGES,
    PracticePrint,
    practice_page,
    practice_prints,
    write_practice_page,
)
from carnivore_sign.reports.practice_score import score_practice

SEED = 4


@pytest.fixture(scope="module")
def prints() -> list[PracticePrint]:
    return practice_prints(8, seed=SEED)


def test_the_same_seed_draws_the_same_prints_and_another_seed_others() -> None:
    one, again, other = (practice_prints(3, seed=seed) for seed in (1, 1, 2))
    assert [p.svg() for p in one] == [p.svg() for p in again]
    assert [p.svg() for p in one] != [p.svg() for p in other]


def test_prints_grow_harder_and_the_hard_ones_are_told_apart_less() -> None:
    many = [p for seed in (1, 2) for p in practice_prints(40, seed=seed)]
    order = [word for _, word in LEVELS]
    steps = [order.index(p.level) for p in many[:40]]
    assert steps == sorted(steps)
    assert set(steps) == {0, 1, 2}
    told = pd.DataFrame(
        [(p.level, p.p_puma if p.taxon == "puma" else 1 - p.p_puma) for p in many],
        columns=["level", "for_truth"],
    )
    mean = told.groupby("level")["for_truth"].mean()
    assert mean["clear"] > mean["hard"]
    # Models of many characters err under 10 % on real tracks: De Angelo, Paviolo & Di Bitetti
    # 2010 (abstract). Drawn schemes are no harder than that.
    assert (told["for_truth"] > 0.5).mean() > 0.9


def test_both_animals_are_drawn_and_their_sizes_overlap() -> None:
    many = practice_prints(40, seed=1)
    taxa = pd.Series([p.taxon for p in many])
    assert taxa.value_counts().min() > 12
    sizes = {
        taxon: [
            float(p.why.loc[p.why["character"].eq("length_mm"), "seen"].iloc[0].split()[0])
            for p in many
            if p.taxon == taxon and p.why["character"].eq("length_mm").any()
        ]
        for taxon in ("puma", "dog")
    }
    assert min(sizes["puma"]) < np.median(sizes["dog"]) < max(sizes["puma"])


def test_the_weights_revealed_add_up_to_the_probability(prints: list[PracticePrint]) -> None:
    for one in prints:
        odds = 10 ** one.why["for_puma"].sum()
        # Against seven other taxa nothing is held: the prior is puma or dog, even.
        assert one.p_puma == pytest.approx(odds / (1 + odds), abs=1e-6)
        assert one.why["for_puma"].abs().is_monotonic_decreasing


def test_a_print_shows_itself_as_sound_svg_and_tells_nothing(prints: list[PracticePrint]) -> None:
    for one in prints:
        picture = ElementTree.fromstring(one._repr_svg_())
        paths = [each for each in picture.iter() if each.tag.endswith("path")]
        assert len(paths) == len(one.outlines) + 1  # and the bar of 5 cm
        assert "puma" not in one.svg()
        assert "dog" not in one.svg()


def test_the_score_is_that_of_scikit_learn(prints: list[PracticePrint]) -> None:
    named = ["puma", "dog", None, "puma", "dog", "dog", "puma", "puma"]
    sure = [0.9, 0.6, 0.5, 1.0, 0.8, 0.7, 0.55, 0.95]
    score = score_practice(prints, named, sure)
    kept = [k for k, name in enumerate(named) if name]
    right = [named[k] == prints[k].taxon for k in kept]
    assert (score.answers, score.right) == (7, sum(right))
    assert score.brier_score == pytest.approx(brier_score_loss(right, [sure[k] for k in kept]))
    assert score.reliability["count"].sum() == 7


def test_answers_that_are_none_are_refused_and_silence_has_no_score(
    prints: list[PracticePrint],
) -> None:
    with pytest.raises(InputError, match="one name and one confidence"):
        score_practice(prints, ["puma"], [0.5])
    with pytest.raises(InputError, match="weasel"):
        score_practice(prints, ["weasel"] * 8, [0.5] * 8)
    silent = score_practice(prints, [None] * 8, [0.5] * 8)
    assert silent.answers == 0
    assert np.isnan(silent.brier_score)


@pytest.mark.parametrize(("count", "seed"), [(0, 1), (201, 1), (3, -1)])
def test_a_count_or_a_seed_that_makes_no_sense_is_refused(count: int, seed: int) -> None:
    with pytest.raises(InputError):
        practice_prints(count, seed=seed)


def test_the_page_forbids_the_network_and_shows_no_answer_at_a_glance(
    prints: list[PracticePrint],
) -> None:
    page = practice_page(prints)
    assert "default-src 'none'" in page
    assert "unsafe" not in page
    assert not re.search(r"(?:src|href)\s*=\s*[\"']?(?:https?:)?//", page)
    data = page.split('id="data">')[1].split("</script>")[0]
    assert not re.search(r"taxon|pPuma|leading|three.lobes", data)
    assert "an even prior: puma 50 %" in page


def test_the_command_writes_the_page_and_refuses_another_ending(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "p.html"
    assert main(["practice", "--out", str(out), "--prints", "3", "--seed", "9"]) == 0
    assert out.read_text(encoding="utf-8") == practice_page(practice_prints(3, seed=9))
    assert str(out) in capsys.readouterr().out
    assert main(["practice", "--out", str(tmp_path / "p.pdf")]) == 2
    assert main(["practice", "--out", str(tmp_path / "no" / "p.html")]) == 2
    assert main(["practice", "--prints", "0", "--out", str(out)]) == 2


# In a browser.


def answer_all(page: Any, prints: list[PracticePrint], named: list[str], sure: list[int]) -> None:
    for name, percent in zip(named, sure, strict=True):
        page.keyboard.press({"puma": "1", "dog": "2", "": "3"}[name])
        now = int(page.input_value("#sure"))
        for _ in range(abs(percent - now) // 5):
            page.keyboard.press("+" if percent > now else "-")
        page.keyboard.press("Enter")
        page.wait_for_selector("#reveal:not([hidden])")
        page.keyboard.press("Enter")


def test_answers_given_by_keys_get_the_score_of_the_library_and_are_read_back(
    page: Any, prints: list[PracticePrint], tmp_path: Path
) -> None:
    named = ["puma", "dog", "", "puma", "dog", "dog", "puma", "puma"]
    sure = [90, 60, 50, 100, 80, 70, 55, 95]
    page.goto(write_practice_page(tmp_path / "p.html", prints=8, seed=SEED).as_uri())
    answer_all(page, prints, named, sure)
    score = score_practice(prints, [name or None for name in named], [s / 100 for s in sure])
    assert page.text_content("#score") == f"{score.right} of {score.answers} right"
    assert float(page.text_content("#brier")) == pytest.approx(score.brier_score, abs=5e-4)
    assert page.text_content("#left-open") == "1"
    rows = page.locator("#curve tbody tr").all_inner_texts()
    ours = score.reliability
    assert len(rows) == len(ours)
    for told, row in zip(rows, ours.itertuples(), strict=True):
        cells = told.split("\t")
        assert int(cells[1]) == row[3]
        assert abs(int(cells[3].split()[0]) - 100 * row.share_true) <= 0.5
        low, high = (int(part.split()[0]) for part in cells[4].split("to"))
        assert abs(low - 100 * row.low) <= 0.5
        assert abs(high - 100 * row.high) <= 0.5
    page.fill("#who", '=Ann, "B"')
    with page.expect_download() as download:
        page.click("#keep button")
    saved = tmp_path / "answers.csv"
    download.value.save_as(saved)
    answers, aside = read_answers(saved)
    assert aside.empty
    assert answers["observer"].unique().tolist() == ['\'=Ann, "B"']
    assert answers["print"].tolist() == [one.name for one in prints]
    assert answers["named_as"].fillna("").tolist() == named
    by_file, by_hand = (observer_rates(one).drop(columns="observer") for one in (
        answers, answers.assign(observer="you")))  # fmt: skip
    pd.testing.assert_frame_equal(by_file, by_hand)
    pd.testing.assert_frame_equal(by_hand, score.rates.drop(columns="observer"))
    curve = reliability(
        answers.dropna()["confidence"],
        answers.dropna()["named_as"].eq(answers.dropna()["taxon"]),
        edges=PRACTICE_EDGES,
    )
    pd.testing.assert_frame_equal(curve, score.reliability)
    assert fit_observers(answers, load_evidence()).observers[1].endswith('"B"')


def test_the_page_is_worked_by_pointer_on_a_phone_and_nothing_runs_over(
    page: Any, prints: list[PracticePrint], tmp_path: Path
) -> None:
    page.set_viewport_size({"width": 360, "height": 740})
    page.goto(write_practice_page(tmp_path / "p.html", prints=8, seed=SEED).as_uri())
    assert page.locator("#answer").is_disabled()
    page.click("#names button:nth-child(1)")
    page.click("#answer")
    verdict = page.text_content("#verdict")
    assert verdict.startswith("Right." if prints[0].taxon == "puma" else "Not so.")
    rows = page.locator("#why tbody tr")
    assert rows.count() == len(prints[0].why)
    library = f"{np.floor(100 * round(prints[0].p_puma, 4) + 0.5):.0f} %"
    assert library in page.text_content("#library").replace("\u00a0", " ")
    wide = page.evaluate("document.documentElement.scrollWidth")
    assert wide <= 360
    page.click("#next")
    assert "Print 2 of 8" in page.text_content("#where")
    box = page.locator("#names button").first.bounding_box()
    assert box["height"] >= 44


def test_a_held_answer_cannot_be_changed_and_an_empty_one_is_not_taken(
    page: Any, tmp_path: Path
) -> None:
    page.goto(write_practice_page(tmp_path / "p.html", prints=2, seed=SEED).as_uri())
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("Enter")
    assert page.locator("#reveal").is_hidden()
    page.keyboard.press("2")
    page.keyboard.press("Enter")
    before = page.text_content("#verdict")
    page.keyboard.press("1")
    assert page.text_content("#verdict") == before


def test_the_weights_of_the_page_are_those_of_the_identification(
    prints: list[PracticePrint],
) -> None:
    one = prints[0]
    states = one.why[~one.why["seen"].str.endswith("mm")]
    table = pd.DataFrame(
        [{row.character: row.seen.replace(" ", "_") for row in states.itertuples()}]
    )
    noted = character_weights(table, load_evidence(), taxon="puma", against="dog").iloc[0]
    clear = states[states["for_puma"].abs() > 0.15]
    assert len(clear) > 3
    assert (np.sign(noted[clear["character"]].to_numpy()) == np.sign(clear["for_puma"])).all()
