"""The page of competing explanations: what it says, what it never says, and how it reads.

Reading grade: Kincaid et al. 1975, 0.39 words per sentence + 11.8 syllables per word - 15.59,
with syllables as the hyphenation patterns of pyphen part them.
"""

from __future__ import annotations

import re

import geopandas as gpd
import numpy as np
import pandas as pd
import pyphen
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from reporting_examples import all_text, answer_report, make_country, make_incidents
from shapely.geometry import Point
from test_reports_landowner import HARM, VERDICTS, lead

from carnivore_sign.incidents import IncidentFindings, SignRate
from carnivore_sign.records.check import conform
from carnivore_sign.records.tables import CARCASSES, PHOTOS
from carnivore_sign.records.vocabularies import CANINE_JAWS, CARCASS_CHARACTERS, NOT_VISIBLE
from carnivore_sign.reports import Bullets, Caution, Heading, Paragraph, Passages, TableBlock

COUNTRY = make_country()
INCIDENT = str(make_incidents()["incident"].iloc[0])
PUMA = {
    "bleeding": "present", "bite_place": "neck_or_head", "feeding": "chest_organs_first",
    "covered": "covered", "canine_spacing_mm": 46.0, "canine_jaw": "upper",
}  # fmt: skip


def carcasses(*rows: dict[str, object]) -> pd.DataFrame:
    table = pd.DataFrame(
        [{"incident": INCIDENT, "carcass": str(n), **row} for n, row in enumerate(rows, 1)]
    )
    filled = table.assign(receipt="r", source_row=np.arange(1, len(table) + 1))
    return conform(filled, CARCASSES)


def found(*rows: dict[str, object], **options: object) -> IncidentFindings:
    return COUNTRY.examine(carcasses=carcasses(*rows), **options)


@st.composite
def noted(draw: st.DrawFn) -> dict[str, object]:
    row: dict[str, object] = {
        name: draw(st.sampled_from([*states, NOT_VISIBLE, None]))
        for name, states in CARCASS_CHARACTERS.items()
    }
    row["canine_spacing_mm"] = draw(st.one_of(st.none(), st.floats(5, 150)))
    row["canine_jaw"] = draw(st.sampled_from([*CANINE_JAWS, NOT_VISIBLE, None]))
    return row


@settings(
    max_examples=15, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)
@given(st.lists(noted(), min_size=1, max_size=3), st.sampled_from(["puma", "dog", "wolf"]))
def test_whatever_was_seen_no_page_names_a_culprit(rows: list, taxon: str) -> None:
    said = all_text(answer_report(found(*rows, taxon=taxon)))
    assert not VERDICTS.findall(said)
    assert not HARM.findall(said)
    assert not re.search(r"\b(nan|NaN|None|inf)\b", said)
    assert "They do not name a cause: that is for the agency" in said


def test_the_short_answer_carries_the_range_and_hands_over() -> None:
    findings = found(PUMA)
    row = findings.explanations.of("puma")
    said = lead(answer_report(findings))
    assert f"({row['probability'] * 100:.0f} %; {row['low'] * 100:.0f} to " in said
    assert said.startswith("By what was seen at the carcass, that a puma caused the loss is ")
    assert "The finding is the agency's." in said


def test_without_bleeding_the_page_says_what_the_tracks_then_tell() -> None:
    said = all_text(answer_report(found(PUMA | {"bleeding": "none"})))
    assert "speaks for an animal that was dead before it was bitten" in said
    assert "tell who ate from the carcass, and not why it died" in said
    assert "not weighed" in said


def test_what_was_not_seen_and_the_unknown_are_said() -> None:
    bare = all_text(answer_report(COUNTRY.examine()))
    assert "Whether a puma caused the loss cannot be told from the survey." in bare
    assert "Bleeding under the skin at the wounds" in bare
    seen = answer_report(found(PUMA))
    assert "speaks for nothing" in all_text(seen)
    rows = next(
        b.rows for b in seen.blocks if isinstance(b, TableBlock) and b.head[0] == "What was noted"
    )
    assert rows[3][:2] == ["Covering of the carcass", "covered"]
    assert "puma" in rows[3][2]


def test_the_time_of_year_is_told_where_it_moves_a_prior() -> None:
    said = all_text(answer_report(found(PUMA)))  # in May
    assert "The same, with the time of year" in said
    assert (
        "At that time of year, stock is lost to bear, coyote and no predator more often than over "
        "the whole year."
    ) in said
    lambing = make_incidents(
        last_seen_well="2031-02-12T18:00-06:00", found="2031-02-13T07:00-06:00"
    )
    assert "no predator more often and bear less often than" in all_text(
        answer_report(COUNTRY.examine(lambing))
    )


def test_contradictions_and_photos_from_elsewhere_are_told() -> None:
    far = gpd.GeoDataFrame(
        {"photo": ["far.jpg"], "receipt": ["r"], "source_row": [1]},
        geometry=[Point(-104.5, 36.5)],
        crs="EPSG:4326",
    )
    rows = {"bite_place": "many_places", "mutilation": "much", "covered": "covered"}
    findings = found(
        {"bleeding": "present", "photo": "far.jpg; none.jpg", **rows}, photos=conform(far, PHOTOS)
    )
    said = all_text(answer_report(findings))
    assert "The evidence does not agree:" in said
    assert re.search(r"Photo far\.jpg was taken \d+\.\d km from the stated place", said)


def test_what_a_blank_is_worth_stands_on_the_page() -> None:
    known = SignRate(0.1, 0.05, 0.2)
    findings = COUNTRY.examine(sign_rate=known)
    blank = findings.blank
    told = findings.looked["window_share"].notna()
    days = findings.window.length_h / 24
    km_days = (findings.looked["effort_km"] * findings.looked["window_share"])[told].sum() * days
    assert blank.km_days == pytest.approx(km_days)
    assert blank.probability == pytest.approx(1 - np.exp(-0.1 * km_days))
    said = all_text(answer_report(findings))
    assert "Had pumas been about as they are where they live" in said
    assert "could not be estimated" in all_text(answer_report(COUNTRY.examine()))


def test_how_often_they_pass_stands_on_the_page_with_limits() -> None:
    row = {
        "effort_km": 20.0, "trails_expected": 2.5, "trails_per_km": 0.125,
        "trails_per_km_low": 0.03, "trails_per_km_high": 0.3,
    }  # fmt: skip
    months = pd.DataFrame([{"period": "2031-04", **row}, {"period": "2031-05", **row}])
    passages = Passages(months, pd.Series(row), "No change can be told.")
    said = all_text(answer_report(COUNTRY.examine(), passages=passages))
    assert "2.5 trails of pumas were found, summed by probability: 1.25 (0.30 to 3.00)" in said
    assert "Apr 2031 | 20.0 | 2.5 | 1.25 (0.30 to 3.00)" in said
    assert "No change can be told." in said
    assert "not a number of animals" in said
    assert "so it cannot be told" in all_text(answer_report(COUNTRY.examine()))


def test_the_answer_reads_easily() -> None:
    report = answer_report(found(PUMA))
    parts: list[str] = []
    for block in report.blocks:
        if isinstance(block, Heading):
            continue
        if isinstance(block, Paragraph | Caution):
            parts.append(block.text)
        elif isinstance(block, Bullets):
            parts += block.items
    text = " ".join(part if part.endswith((".", "?")) else f"{part}." for part in parts)
    sentences = re.split(r"(?<=[.?])\s+(?=[A-Z0-9\u201c])", text)
    words = re.findall(r"[A-Za-z\u00e9]+", text)
    parting = pyphen.Pyphen(lang="en_US")
    syllables = sum(1 + len(parting.positions(word)) for word in words)
    average = np.mean([len(sentence.split()) for sentence in sentences])
    assert average < 25
    assert max(len(sentence.split()) for sentence in sentences) <= 35
    assert 0.39 * average + 11.8 * syllables / len(words) - 15.59 < 9
