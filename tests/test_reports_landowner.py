"""The landowner's answer: plain, honest, and never more than the evidence carries."""

from __future__ import annotations

import hashlib
import re
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from reporting_examples import all_text, answer_report, make_country, make_incidents, utc
from shapely.geometry import Point

from carnivore_sign.incidents import PROBABILITY_WORDS, IncidentFindings
from carnivore_sign.records.vocabularies import TAXA
from carnivore_sign.reports import (
    Bullets,
    Caution,
    Heading,
    Paragraph,
    Report,
    TableBlock,
    cautions_for,
)
from carnivore_sign.reports.nearby import MOST_TRAILS

COUNTRY = make_country()
FOUND = COUNTRY.examine()
REPORT = answer_report(FOUND)

VERDICTS = re.compile(
    r"\b(it|this|that|which) (was|is) (?:surely |certainly |clearly )?(?:a |the |an )?"
    rf"({'|'.join(TAXA.values())})\b|(?<!not )\bproves? that\b"
    r"|\bguilty\b|\bculprit\b|\bdefinitely\b",
    re.IGNORECASE,
)
HARM = re.compile(
    r"\b(kill|killed|killing|shoot|shot|lethal|destroy(?:ed)? the animal|trap|trapped|poison|"
    r"hunt|hunted|euthan\w+|put down|remove the animal|removal)\b",
    re.IGNORECASE,
)


def lead(report: Report) -> str:
    return " ".join(b.text for b in report.blocks if isinstance(b, Paragraph) and b.lead)


def nowhere() -> IncidentFindings:
    incident = make_incidents(parcel=None, carcass_notes=None).set_geometry(
        gpd.GeoSeries([Point(-110, 44)], crs="EPSG:4326")
    )
    return COUNTRY.examine(incident)


@st.composite
def generated(draw: st.DrawFn) -> IncidentFindings:
    """Findings over a wide range of what a season can hold."""
    share = st.one_of(st.just(np.nan), st.floats(0, 1))
    p = np.array([draw(share) for _ in range(4)])
    hours = [draw(st.one_of(st.none(), st.integers(1, 400))) for _ in range(4)]
    before = COUNTRY.trails["made_before"] + pd.Timedelta(hours=draw(st.integers(-300, 300)))
    after = [
        None if h is None else b - pd.Timedelta(hours=h) for h, b in zip(hours, before, strict=True)
    ]
    trails = COUNTRY.trails.assign(
        p_puma=p,
        p_dog=1 - p,
        made_before=before,
        made_after=utc(*[None if a is None else a.isoformat() for a in after]),
    ).iloc[: draw(st.integers(0, 4))]
    visits = COUNTRY.visits.iloc[: draw(st.sampled_from([0, 5, 33]))]
    incident = make_incidents(
        last_seen_well=draw(st.sampled_from([None, "2031-05-12T18:00-06:00", "2031-05-01T00:00Z"])),
        livestock=draw(st.sampled_from([None, "sheep", "goats"])),
        count=draw(st.one_of(st.none(), st.integers(0, 9))),
    )
    return COUNTRY.examine(
        incident, trails=trails, visits=visits,
        within_m=draw(st.sampled_from([100.0, 800.0, 5000.0])),
        taxon=draw(st.sampled_from(["puma", "dog", "wolf", "other"])),
    )  # fmt: skip


@settings(
    max_examples=40, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)
@given(generated())
def test_no_answer_names_a_culprit_or_speaks_of_harm(findings: IncidentFindings) -> None:
    said = all_text(answer_report(findings))
    assert not VERDICTS.findall(said)
    assert not HARM.findall(said)
    assert not re.search(r"\b(nan|NaN|NaT|None|inf|<NA>)\b", said)
    assert "caused the loss cannot be told from the survey" in said
    assert "Free notes are passed on as they are." in said
    assert not re.search(r"(?<!\d)(0|100) %", re.sub(r"\d+ to \d+ %|20 to over 80 %", "", said))


def test_the_wording_tests_can_fail() -> None:
    assert VERDICTS.search("So it was a puma.")
    assert VERDICTS.search("This is clearly a domestic dog")
    assert HARM.search("It may be killed.")


def test_the_numbers_are_those_of_the_findings() -> None:
    said = all_text(REPORT)
    p = FOUND.passing
    assert f"{p.probability * 100:.0f} %, range {p.low * 100:.0f} to {p.high * 100:.0f} %" in said
    assert "(no. 1) lies 480 m away; it is likely (93 %) to be that of a puma. It was made" in said
    assert "Walks near: 1 before the loss, 0 during it, 2 after it." in said
    trails = next(
        b for b in REPORT.blocks if isinstance(b, TableBlock) and b.caption.startswith("Trails")
    )
    assert trails.rows[0][1:4] == ["0.5", "towards", "14 May 2031 07:20"]
    assert trails.rows[3][-2:] == ["cannot be told", "cannot be told"]


def test_a_range_that_leaves_all_open_gives_no_word() -> None:
    assert "It cannot be told whether a puma left at least one of them" in lead(REPORT)
    told = COUNTRY.examine(trails=COUNTRY.trails.iloc[:1])
    assert "It is unlikely (17 %) that a puma made it in the time" in lead(answer_report(told))


def test_an_open_start_changes_the_words_of_time() -> None:
    report = answer_report(COUNTRY.examine(make_incidents(last_seen_well=None)))
    said = all_text(report)
    assert "at some time before the loss was found" in said
    assert "Nobody recorded when the stock was last seen well." in said
    assert "Ask everyone who was there." in said
    assert "Walks near: 1 before the loss was found, 2 after." in said
    assert "during the loss" not in said


def test_nobody_looked_and_nothing_near() -> None:
    report = answer_report(nowhere())
    said = all_text(report)
    assert lead(report).startswith("Whether a puma caused the loss cannot be told")
    assert "Nobody looked within 5 km of the place" in lead(report)
    assert "a blank means nothing here" in said
    assert "outside the surveyed country" in said
    assert "no estimate near the place" in said


def test_a_blank_that_was_looked_for_is_not_a_proof() -> None:
    report = answer_report(COUNTRY.examine(trails=COUNTRY.trails.iloc[:0]))
    assert "A blank does not prove that nothing passed." in lead(report)


def test_the_short_answer_comes_first_and_the_parts_follow() -> None:
    headings = [b.text for b in REPORT.blocks if isinstance(b, Heading)]
    assert headings == [
        "The short answer", "Who left trails here in the time of the loss", "What was reported",
        "What was near", "Who looked", "How likely the animal is around here",
        "What may have caused the loss", "What would settle it", "What to do now",
        "How often do they pass here", "How it was computed",
        "What was chosen, and not measured", "Record",
    ]  # fmt: skip
    assert tuple(b for b in REPORT.blocks if isinstance(b, Caution)) == cautions_for("landowner")


def test_what_wiped_the_ground_is_named() -> None:
    assert "The ground near was wiped by rain on 11 May 2031 07:00." in all_text(REPORT)


def test_the_table_of_words_is_printed() -> None:
    block = next(
        b
        for b in REPORT.blocks
        if isinstance(b, TableBlock) and b.caption.startswith("What the words mean")
    )
    assert [name.lower() for name in block.head] == [w.word for w in PROBABILITY_WORDS]
    assert block.rows == [[w.range_text for w in PROBABILITY_WORDS]]
    assert "no number, or a range from under 20 to over 80 %" in block.caption


def table(report: Report, caption: str) -> TableBlock:
    return next(
        b for b in report.blocks if isinstance(b, TableBlock) and b.caption.startswith(caption)
    )


def dog_near() -> IncidentFindings:
    """Return findings with one trail, surely of that time, and very probably a dog's."""
    wiped, read = pd.Timestamp("2031-05-13T01:00Z"), pd.Timestamp("2031-05-13T05:00Z")
    trail = COUNTRY.trails.iloc[[1]].assign(
        made_after=wiped, wiped=wiped, made_before=read, time=read, p_coyote=0.003, p_other=0.007
    )
    found = COUNTRY.examine(trails=trail)
    assert found.trails["p_in_window"].tolist() == [1.0]
    return found


def test_another_animal_that_likely_passed_is_named_and_not_blamed() -> None:
    said = lead(answer_report(dog_near()))
    assert "It is very unlikely (4 %) that a puma made it in the time of the loss." in said
    assert "A domestic dog (94 %) may also have passed then." in said
    assert "That does not say that a domestic dog caused the loss." in said
    assert said.startswith("Whether a puma caused the loss cannot be told from the survey.")


def test_other_animals_of_at_least_a_fifth_are_all_named_and_ranked() -> None:
    ranked = dog_near().passing_by_taxon.assign(
        taxon=["dog", "coyote", "puma", "other"], probability=[0.94, 0.2, 0.04, 0.19],
        low=[0.9, 0.1, 0.04, 0.19], high=[0.94, 0.2, 0.04, 0.19],
    )  # fmt: skip
    said = lead(answer_report(replace(dog_near(), passing_by_taxon=ranked)))
    assert (
        "A domestic dog (94 %, range 90 to 94 %) and a coyote (20 %, range 10 to 20 %) may also "
        "have passed then, each by itself. That does not say that any of these animals caused "
    ) in said
    assert "another animal (" not in said
    alone = COUNTRY.trails.iloc[[1]].assign(p_dog=0.19, p_puma=0.7, p_coyote=0.1)
    report = answer_report(COUNTRY.examine(trails=alone))
    assert "domestic dog" not in lead(report)
    assert "does not say that" not in lead(report)


def test_a_near_sure_trail_of_uncertain_time_does_not_read_as_clearance() -> None:
    """A trail over three days, and a loss within 12 h: whose it is and when are told apart."""
    trail = COUNTRY.trails.iloc[[0]].assign(p_puma=0.96, p_dog=0.02)
    said = lead(answer_report(COUNTRY.examine(trails=trail)))
    assert "It lies 480 m away; it is very likely (96 %) to be that of a puma." in said
    assert (
        "It was made between 11 May 2031 07:20 and 14 May 2031 07:20; whether that was in the "
        "time of the loss cannot be told (18 % if every hour is as likely)."
    ) in said
    assert said.index("very likely (96 %)") < said.index("It is unlikely (17 %)")


def test_the_most_telling_trail_leads_and_not_the_nearest() -> None:
    trails = COUNTRY.trails.iloc[[0, 1]].assign(p_puma=[0.02, 0.9], p_dog=[0.96, 0.08])
    said = all_text(answer_report(COUNTRY.examine(trails=trails)))
    assert "The most telling (no. 2) lies" in said
    assert "The nearest trail lies 480 m away; it is very unlikely (2 %)" in said
    for nothing in (trails.assign(p_puma=0.01), trails.assign(p_puma=np.nan)):
        assert "most telling" not in lead(answer_report(COUNTRY.examine(trails=nothing)))


def test_a_trail_made_within_the_window_is_said_to_be_so() -> None:
    trail = dog_near().trails.iloc[[0]][COUNTRY.trails.columns]
    said = lead(answer_report(COUNTRY.examine(trails=trail, taxon="dog")))
    assert "on 12 May 2031 between 19:00 and 23:00, which is in the time of the loss." in said


def under_priors(**p_puma: float) -> IncidentFindings:
    """Return one trail, surely of that time, under several priors."""
    trail = dog_near().trails.iloc[[0]][COUNTRY.trails.columns]
    shares = {
        what: pd.DataFrame({"p_puma": [p], "p_dog": [1 - p]}, index=["T2"])
        for what, p in p_puma.items()
    }
    return COUNTRY.examine(trails=trail.assign(p_puma=0.7, p_dog=0.3), under_priors=shares)


def test_the_range_is_that_over_the_priors_and_says_what_it_leaves_out() -> None:
    report = answer_report(under_priors(region=0.6, equal=0.76))
    assert "It is rather likely (70 %; 60 to 76 % over the priors tried) that a puma" in lead(
        report
    )
    said = all_text(report)
    assert said.count("It does not cover errors of the likelihood ratios") == 2
    assert "nor of the times, where every hour is taken as equally likely" in said
    rows = table(report, "The same under each prior").rows
    assert rows == [["Region", "60 %", "40 %"], ["Equal", "76 %", "24 %"]]
    ranked = table(report, "Probability that each animal")
    assert ranked.rows[0] == ["puma", "70 %", "60 to 76 %", "rather likely"]


def test_a_range_over_several_words_is_said_as_such() -> None:
    said = lead(answer_report(under_priors(region=0.45, equal=0.76)))
    assert (
        "It is between \u201cabout as likely as not\u201d and \u201crather likely\u201d (70 %;"
        in said
    )
    said = lead(answer_report(under_priors(region=0.1, equal=0.9)))
    assert "It cannot be told whether a puma made it" in said


def test_a_prior_without_the_animal_leaves_nothing_sure() -> None:
    found = under_priors(region=0.0, equal=0.76)
    assert found.range_of("puma") == (0.0, 0.76)


def test_the_animals_are_ranked_in_words_of_fixed_meaning() -> None:
    ranked = table(answer_report(dog_near()), "Probability that each animal left the only trail")
    assert ranked.rows == [
        ["domestic dog", "94 %", "94 %", "likely"], ["puma", "4 %", "4 %", "very unlikely"]
    ]  # fmt: skip
    assert "Under 1 %: something else and coyote." in ranked.caption
    assert "left the only trail near, in the time of the loss" in ranked.caption
    assert "This table names no cause of the loss." in all_text(answer_report(dog_near()))
    assert not any(
        isinstance(b, Heading) and b.text.startswith("Who left")
        for b in answer_report(nowhere()).blocks
    )


def test_of_many_trails_those_of_the_time_are_listed_with_their_numbers() -> None:
    many = gpd.GeoDataFrame(pd.concat([FOUND.trails.iloc[[1]]] * 30, ignore_index=True))
    many["p_in_window"] = np.where(np.arange(30) >= 25, 0.5, 0.0)
    block = table(answer_report(replace(FOUND, trails=many)), "Trails near")
    assert [row[0] for row in block.rows] == [
        *map(str, range(1, MOST_TRAILS - 4)),
        "26",
        "27",
        "28",
        "29",
        "30",
    ]
    assert (
        f"{MOST_TRAILS} of 30: those that may be of that time, then the nearest." in block.caption
    )
    assert "tables/trails_near.csv" in block.caption


def test_the_choices_stand_in_the_answer_too() -> None:
    said = all_text(REPORT)
    assert "Prior probability of a trail, before looking at it (region: general)." in said
    assert "working values from common practice" in said
    assert "The fit says this of itself." in said


def test_the_record_names_inputs_and_version() -> None:
    said = all_text(REPORT)
    lines = f"{'a' * 64}\n{'b' * 64}\n"  # as `sort | sha256sum` reads the hashes
    assert f"2 files, combined SHA-256 {hashlib.sha256(lines.encode()).hexdigest()} (" in said
    assert "The full table is tables/inputs.csv." in said
    assert "may_walks.gpx" not in said
    assert "carnivore_sign 0.0.0" in said
    assert "03 June 2031" in said


def test_the_agency_is_printed_where_it_is_given() -> None:
    assert "Its number is to be filled in here" in all_text(REPORT)
    assert "call your wildlife agency now: Invented Agency 555." in all_text(
        answer_report(FOUND, agency="Invented Agency 555")
    )


def test_carcass_notes_are_passed_on_as_recorded() -> None:
    note = "<b>Bite</b> at the throat; $5 #tag"
    said = all_text(answer_report(COUNTRY.examine(make_incidents(carcass_notes=note))))
    assert note in said


@pytest.mark.parametrize("findings", [FOUND, nowhere()], ids=["near", "nothing near"])
def test_sentences_are_short(findings: IncidentFindings) -> None:
    """Plain language: under 25 words on average, none over 40 (common practice)."""
    blocks = answer_report(findings).blocks
    texts = [b.text for b in blocks if isinstance(b, Paragraph | Caution)]
    texts += [item for b in blocks if isinstance(b, Bullets) for item in b.items]
    sentences = [s for text in texts for s in re.split(r"(?<=[.!?])\s+", text) if s]
    lengths = [len(sentence.split()) for sentence in sentences]
    assert np.mean(lengths) < 15
    assert max(lengths) <= 40
