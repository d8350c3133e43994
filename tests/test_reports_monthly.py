"""The manager's month: sentences that follow the data, numbers that equal the tables."""

from __future__ import annotations

import re
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from reporting_examples import (
    RECORD,
    Country,
    all_text,
    make_country,
    month_report,
    tiny_png,
)

from carnivore_sign.errors import InputError
from carnivore_sign.incidents.words import MISSING
from carnivore_sign.maps import Edition
from carnivore_sign.maps.key import share_used
from carnivore_sign.maps.style import FOUND_AND_USED
from carnivore_sign.reports import (
    Change,
    Heading,
    NewPage,
    Paragraph,
    Report,
    TableBlock,
    segments_on_word,
    with_grounds,
)
from carnivore_sign.reports.content import FigureBlock
from carnivore_sign.reports.receipts import MOST_FILES
from carnivore_sign.reports.segments import FEW, MOST_SEGMENTS

COUNTRY = make_country()
REPORT = month_report(COUNTRY)


def lead(report: Report) -> str:
    return next(b.text for b in report.blocks if isinstance(b, Paragraph) and b.lead)


def table(report: Report, caption: str) -> TableBlock:
    return next(
        b for b in report.blocks if isinstance(b, TableBlock) and b.caption.startswith(caption)
    )


def nothing_found() -> Country:
    state = COUNTRY.monthly["state"].where(COUNTRY.monthly["visits"].eq(0), "not_found")
    monthly = COUNTRY.monthly.assign(state=state, p_found=np.nan, trails_expected=0.0)
    return make_country(monthly=monthly, trails=COUNTRY.trails.iloc[:0])


def nobody_looked() -> Country:
    monthly = COUNTRY.monthly.assign(state="not_looked", visits=0, effort_km=0.0)
    return make_country(
        monthly=monthly, visits=COUNTRY.visits.iloc[:0], trails=COUNTRY.trails.iloc[:0],
        rates=COUNTRY.rates.iloc[:1],
    )  # fmt: skip


def test_the_first_page_is_three_sentences_a_map_and_a_table() -> None:
    first = REPORT.blocks[: [isinstance(b, NewPage) for b in REPORT.blocks].index(True)]
    assert [type(b).__name__ for b in first] == ["Paragraph", "FigureBlock", "TableBlock"]
    assert first[2].caption.startswith("The month in numbers")
    assert len(re.findall(r"\.(?:\s|$)", lead(REPORT))) == 3


def test_the_first_page_says_what_the_tables_say() -> None:
    best, low, high = share_used(COUNTRY.monthly)
    assert lead(REPORT) == (
        "11 of 15 segments were looked at in May 2031, on 3 walks and 31.4 km; 4 were not. "
        "Sign of puma is sure on 1 segment and more likely than not on 1 segment. "
        f"The estimate is that pumas used {best * 100:.0f} % of the 11 segments walked "
        f"(95 % limits {low * 100:.0f} to {high * 100:.0f} %)."
    )
    cells = {row[0]: row[1:] for row in table(REPORT, "The month in numbers").rows}
    assert cells["Trails per 100 km"] == ["4.4", "0.8 to 13.8"]
    assert cells["Segments looked at"] == ["11 of 15", "counted"]


def test_nothing_found_has_no_sentence_that_something_was() -> None:
    report = month_report(nothing_found())
    said = all_text(report)
    assert "No trail of any animal was found." in said
    assert "Sign of puma is" not in said
    assert "nothing to decide" in said
    assert "Undecided trails" not in said


def test_trails_of_other_animals_alone_are_told_apart_from_no_trail() -> None:
    report = month_report(make_country(monthly=nothing_found().monthly))
    assert "No segment has a trail that is more likely than not that of a puma." in lead(report)
    assert "No trail of any animal" not in lead(report)


def test_nobody_looked_says_so_and_claims_nothing() -> None:
    said = all_text(month_report(nobody_looked()))
    assert "Nobody looked in May 2031, so the month says nothing by itself." in said
    assert "Sign of puma is" not in said
    assert "used 31 % of the segments walked" not in said


@pytest.mark.parametrize(
    ("taxon", "name", "many"),
    [("wolf", "Wolf", "wolves"), ("lynx", "Lynx", "lynx"), ("red_fox", "Red fox", "red foxes")],
)
def test_plurals_are_those_of_the_taxon(taxon: str, name: str, many: str) -> None:
    trails = COUNTRY.trails.assign(**{f"p_{taxon}": COUNTRY.trails["p_puma"], "p_puma": 0.0})
    report = month_report(
        make_country(trails=trails), monthly=COUNTRY.monthly.assign(taxon=taxon), taxon=taxon
    )
    assert report.title == f"{name} in May 2031"
    assert f"that {many} used" in lead(report)


def test_one_is_singular() -> None:
    monthly = COUNTRY.monthly.iloc[[1]]
    visits = COUNTRY.visits[COUNTRY.visits["segment"].eq(monthly["segment"].iloc[0])].head(1)
    report = month_report(make_country(monthly=monthly, visits=visits))
    assert lead(report).startswith("1 of 1 segment was looked at in May 2031, on 1 walk and")
    assert "1 visit on 1 transect." in all_text(report)
    assert not re.search(r"\b1 (segments|walks|visits|transects|trails|files|rows)\b", lead(report))


def test_no_estimate_is_said_and_not_printed_as_a_number() -> None:
    bare = COUNTRY.monthly.assign(p_presence=np.nan, p_presence_low=np.nan, p_presence_high=np.nan)
    said = all_text(month_report(make_country(monthly=bare)))
    assert "The share of segments that pumas used cannot be estimated." in said
    assert "keeps a probability" not in said
    assert FOUND_AND_USED not in said
    assert "No probability of use could be estimated." in said
    assert "keeps a probability" in all_text(REPORT)
    assert all_text(REPORT).count(FOUND_AND_USED) == 1


@pytest.mark.parametrize(
    "country",
    [COUNTRY, nothing_found(), nobody_looked(),
     make_country(rates=COUNTRY.rates.iloc[:0], receipts=COUNTRY.receipts.iloc[:0]),
     make_country(trails=COUNTRY.trails.assign(p_puma=np.nan, direction_deg=np.nan)),
     make_country(monthly=COUNTRY.monthly.assign(
         p_presence=np.nan, p_presence_low=np.nan, p_presence_high=np.nan,
         trails_expected=np.nan, effort_km_days=np.nan))],
    ids=["full", "nothing found", "nobody looked", "no rates", "no evidence", "no estimate"],
)  # fmt: skip
def test_no_text_has_a_nan(country: Country) -> None:
    said = all_text(month_report(country))
    assert not re.search(r"\b(nan|NaN|NaT|None|inf|<NA>)\b", said)


def test_undecided_trails_are_those_in_the_middle() -> None:
    rows = table(REPORT, "Undecided trails").rows
    assert [row[0] for row in rows] == ["T3", "T4"]
    assert rows[0][4:] == ["45 %", "domestic dog", "50 %"]


def test_trails_of_another_local_month_are_passed_over() -> None:
    late = COUNTRY.trails["time"].mask(
        COUNTRY.trails["trail"].eq("T3"), pd.Timestamp("2031-06-01 03:00", tz="UTC")
    )
    rows = table(month_report(make_country(trails=COUNTRY.trails.assign(time=late))), "Undec").rows
    assert [row[0] for row in rows] == ["T3", "T4"]  # 3 h UTC on 1 June is 31 May in Denver
    later = late + pd.Timedelta(hours=4)
    report = month_report(make_country(trails=COUNTRY.trails.assign(time=later)))
    assert [row[0] for row in table(report, "Undec").rows] == ["T4"]


def test_the_month_before_is_printed_with_limits_and_judged_by_the_comparison_alone() -> None:
    before, now = COUNTRY.rates["trails_per_km"] * 100
    said = all_text(REPORT)
    assert f"The month before had {before:.1f} trails per 100 km (" in said
    assert f"and this one {now:.1f} trails per 100 km (" in said
    assert "chance" not in said.split("The month before")[1].split("Limits are")[0]
    judged = month_report(COUNTRY, change=Change(("Trails were found oftener in May.",)))
    assert "Trails were found oftener in May." in all_text(judged)
    alone = COUNTRY.rates.iloc[[1]]
    assert "The month before" not in all_text(month_report(make_country(rates=alone)))


def test_receipts_add_up() -> None:
    assert "2 files gave 5040 rows: 5028 kept, 12 set aside with a reason." in all_text(REPORT)
    assert table(REPORT, "What was read").rows == [
        ["gpx", "fixes", "1", "5000", "4990", "10"], ["sign table", "sign", "1", "40", "38", "2"]
    ]  # fmt: skip
    assert [row[0] for row in table(REPORT, "Files of which").rows] == [
        "may_walks.gpx", "notebook.csv"
    ]  # fmt: skip


def test_only_files_with_a_reason_are_printed_and_the_rest_is_counted() -> None:
    number = np.arange(60)
    many = pd.concat([COUNTRY.receipts.iloc[[0]]] * 60, ignore_index=True).assign(
        sha256=[f"{n:064x}" for n in number], file=[f"log{n:02}.gpx" for n in number],
        rows_set_aside=np.where(number < 10, 60 - number, 0),
        notes=np.where(number < 20, "2 times were read as local", None),
    )  # fmt: skip
    report = month_report(make_country(receipts=many))
    assert table(report, "What was read").rows[0][2:5] == ["60", "300000", "299400"]
    block = table(report, "Files of which")
    assert [row[0] for row in block.rows] == [f"log{n:02}.gpx" for n in range(MOST_FILES)]
    assert block.rows[0] == ["log00.gpx", "fixes", "60", "2 times were read as local"]
    assert "5 more are like these." in block.caption
    clean = many.assign(rows_set_aside=0, notes=None)
    assert "Files of which" not in all_text(month_report(make_country(receipts=clean)))


def test_the_state_carries_its_range_wherever_it_is_printed() -> None:
    said = all_text(REPORT)
    states = [row[1] for row in table(REPORT, "Probability that pumas").rows]
    assert states.count("found, likely (50 to 95 %)") == 1
    assert "found, sure (95 % or more): 1; found, likely (50 to 95 %): 1;" in said
    bare = said.replace("found, likely (50 to 95 %)", "").replace("Found, likely (50 to 95 %)", "")
    assert re.findall(r"found, likely.", bare) == ["found, likely\u201d"]  # the definition of it


def test_the_month_under_other_priors_is_one_sentence_and_a_table() -> None:
    tried = pd.DataFrame(
        {"prior": ["of the region", "estimated", "equal"], "used": [False, True, False],
         "trails_expected": [1.1, 1.4, 0.9], "found_sure": [0, 1, 0], "found_likely": [2, 1, 2]}
    )  # fmt: skip
    choices = replace(RECORD.choices, tried=tried)
    report = month_report(COUNTRY, record=replace(RECORD, choices=choices))
    assert (
        "Under another prior, the month has 0.9 to 1.1 trails of puma (summed by probability) in "
        "place of 1.4. 0 segments are found, sure, in place of 1."
    ) in all_text(report)
    assert table(report, "The month under each prior").rows == [
        ["Estimated (used here)", "1.4", "1", "1"], ["Of the region", "1.1", "0", "2"],
        ["Equal", "0.9", "0", "2"],
    ]  # fmt: skip
    assert "Under another prior" not in all_text(REPORT)


def test_what_a_call_rests_on_is_printed() -> None:
    prints = pd.DataFrame({"sign": ["s1", "s3"], "claws": ["none", "not_visible"]})
    trails = with_grounds(COUNTRY.trails, COUNTRY.members, COUNTRY.sign, prints)
    assert trails["on_word"].tolist() == [False, True, False, False]  # s3 has no name, T4 no sign
    report = month_report(make_country(trails=trails))
    rows = table(report, "Undecided trails").rows
    assert [row[2:5] for row in rows] == [["track", "not named", "1"], [MISSING, "not named", "2"]]
    assert "the observer's word alone" not in all_text(report)
    sure = trails.assign(p_puma=[0.93, 0.9, 0.45, 0.7])
    said = all_text(month_report(make_country(trails=sure)))
    assert "1 trail that counts as likely or sure rests on the observer's word alone" in said
    assert "no print of it was noted (T2)" in said


def test_a_segment_that_rests_on_a_word_is_marked() -> None:
    detections = pd.DataFrame(
        {"trail": ["T1", "T2", "T1", "T2"], "segment": ["A#1", "A#1", "A#2", "A#3"],
         "p_puma": [0.9, 0.9, 0.9, 0.6]}
    )  # fmt: skip
    trails = pd.DataFrame({"trail": ["T1", "T2"], "on_word": [False, True]})
    assert segments_on_word(detections, trails, "puma") == {"A#3"}
    marked = COUNTRY.monthly.assign(on_word=COUNTRY.monthly["state"].eq("found_likely"))
    block = table(month_report(make_country(monthly=marked)), "Probability that pumas")
    assert [row[1] for row in block.rows].count("found, likely (50 to 95 %) *") == 1
    assert "* rests on the observer's word alone: no print of these trails" in block.caption
    assert "*" not in table(REPORT, "Probability that pumas").caption


def test_the_choices_are_printed_with_the_numbers() -> None:
    said = all_text(REPORT)
    prior = table(REPORT, "Prior probability of a trail, before looking at it")
    assert prior.head == ["Puma", "Domestic dog", "Coyote", "Something else"]
    assert prior.rows == [["20 %", "60 %", "10 %", "10 %"]]
    assert prior.caption.endswith("(region: general). Held to be absent: wolf.")
    assert "length of segments: 1000 m" in said
    assert "The fit says this of itself." in said
    assert "working values from common practice" in said
    assert "is 95 % or more. It is \u201cfound, likely\u201d at 50 to 95 %." in said


def test_shares_estimated_from_the_trails_stand_beside_the_prior() -> None:
    shares = {"puma": 0.3, "dog": 0.5, "coyote": 0.15, "wolf": 0.0, "other": 0.05}
    choices = replace(RECORD.choices, shares=shares)
    report = month_report(COUNTRY, record=replace(RECORD, choices=choices))
    rows = table(report, "Prior probability").rows
    assert [row[1:] for row in rows] == [
        ["20 %", "60 %", "10 %", "10 %"], ["30 %", "50 %", "15 %", "5 %"]
    ]  # fmt: skip
    assert "were estimated from the trails" in all_text(report)
    assert "were estimated from the trails" not in all_text(REPORT)


def test_the_method_names_the_model_and_its_papers_only_where_there_is_a_fit() -> None:
    said = all_text(REPORT)
    for part in ("marked Poisson", "MacKenzie et al. 2002", "Miller et al. 2011",
                 "Royle & Link 2006", "Garwood 1936", "an index and not a density"):  # fmt: skip
        assert part in said
    bare = COUNTRY.monthly.assign(p_presence=np.nan, p_presence_low=np.nan, p_presence_high=np.nan)
    unfitted = all_text(month_report(make_country(monthly=bare)))
    assert "marked Poisson" not in unfitted
    assert "carries no fit of presence" in unfitted


def test_effort_of_unknown_accumulation_is_told_apart() -> None:
    assert "For 11 of them it is not known how long" in all_text(REPORT)
    rows = {row[0]: row for row in table(REPORT, "Effort by transect").rows}
    assert rows["Dry Fork"][1:6] == ["3", "15", "5", "14.2", "28.5"]


def many_segments(transects: int) -> gpd.GeoDataFrame:
    """Return the month many times over; in each copy 1 is sure, 1 likely, 9 blank, 4 unlooked."""
    many = gpd.GeoDataFrame(pd.concat([COUNTRY.monthly] * transects, ignore_index=True))
    line, number = np.divmod(np.arange(len(many)), 15)
    many["segment"] = [f"Line {a}#{b}" for a, b in zip(line, number, strict=True)]
    return many


def test_a_short_season_prints_every_segment_in_the_order_of_the_ground() -> None:
    shuffled = COUNTRY.monthly.sample(frac=1, random_state=3)
    rows = table(month_report(make_country(monthly=shuffled)), "Probability that pumas").rows
    lines = ("Ash Rim", "Dry Fork", "Mill Wash")
    assert [row[0] for row in rows] == [f"{line}#{n}" for line in lines for n in range(5)]
    assert len(rows) <= FEW


def test_more_segments_are_told_singly_where_found_and_summed_elsewhere() -> None:
    report = month_report(make_country(monthly=many_segments(3)))
    singly = table(report, "Probability that pumas used a segment")
    assert [row[0] for row in singly.rows] == [f"Line {a}#{b}" for a in range(3) for b in (1, 2)]
    rest = table(report, "The other 39 segments.")
    assert [row[1:4] for row in rest.rows if row[0] == "Line 1"] == [
        ["looked for, not found", "9", "27"], ["not looked for", "4", "0"]
    ]  # fmt: skip
    assert rest.rows[1][-1] == "35 %"
    assert "The full table is tables/segments.csv." in all_text(report)


def test_a_blank_segment_that_is_more_likely_used_than_not_is_told_singly() -> None:
    monthly = many_segments(2)
    monthly.loc[5, "p_presence"] = 0.5
    monthly.loc[14, "p_presence"] = 0.9  # nobody looked there
    rows = table(month_report(make_country(monthly=monthly)), "Probability that pumas").rows
    assert [row[0] for row in rows] == [f"Line {n}" for n in ("0#1", "0#2", "0#5", "1#1", "1#2")]


def test_a_long_season_is_cut_and_says_so() -> None:
    report = month_report(make_country(monthly=many_segments(40)))
    block = table(report, "Probability that pumas used a segment")
    assert len(block.rows) == MOST_SEGMENTS
    assert f"The {MOST_SEGMENTS} most probable; 40 more are like these." in block.caption
    rest = table(report, "The other 520 segments.")
    assert [row[:2] for row in rest.rows] == [
        ["looked for, not found", "360"], ["not looked for", "160"]
    ]  # fmt: skip


def test_rates_of_other_shapes_are_printed_or_refused() -> None:
    extra = COUNTRY.rates.assign(surface=["dust", "sand"])
    assert "Surface" in table(month_report(make_country(rates=extra)), "Trails of puma").head
    with pytest.raises(InputError, match="no column 'period'"):
        month_report(make_country(rates=COUNTRY.rates.drop(columns="period")))
    with pytest.raises(InputError, match="no row of 'wolf'"):
        month_report(COUNTRY, taxon="wolf")


def test_the_report_has_all_its_parts() -> None:
    headings = [b.text for b in REPORT.blocks if isinstance(b, Heading)]
    assert headings == [
        "Effort", "Detections and rates", "Presence, segment by segment", "What was undecided",
        "Notable trails", "Data quality", "What was chosen, and not measured",
        "How it was computed", "Cautions", "Record",
    ]  # fmt: skip


def test_the_effort_of_the_season_is_shown_to_those_who_may_see_who_walked_where() -> None:
    country = make_country()
    png = tiny_png()
    captions = [
        [block.caption for block in report.blocks if isinstance(block, FigureBlock)]
        for report in (
            month_report(country, effort_png=png),
            month_report(country),
            month_report(
                country, effort_png=png, record=replace(RECORD, edition=Edition("public"))
            ),
        )
    ]
    shown = [any("Who walked which transect when" in words for words in some) for some in captions]
    assert shown == [True, False, False]


def test_limits_from_walks_drawn_again_are_said_to_be_so() -> None:
    country = make_country()
    plain = all_text(month_report(country))
    assert "limits of a Poisson count that carry that doubt" in plain
    clumped = country.rates.assign(limits="walks drawn again")
    told = all_text(
        month_report(country, rates=clumped, clumping="Trails came in clusters (made up).")
    )
    assert "Trails came in clusters (made up)." in told
    assert "walks drawn again, never narrower" in told
    assert "An index of tracks is not a density" in told
