"""Bad input to an answer: each kind gives a page that a person can read, or a clear refusal."""

from __future__ import annotations

import dataclasses
import io
import re
import shutil
import subprocess
from pathlib import Path

import geopandas as gpd
import lxml.html
import numpy as np
import pandas as pd
import pypdf
import pytest
from reporting_examples import all_text, answer_report, make_country, make_incidents, utc
from shapely.geometry import Point
from test_reports_explaining import found

from carnivore_sign.errors import InputError
from carnivore_sign.incidents import IncidentFindings, SignRate
from carnivore_sign.records.check import conform
from carnivore_sign.records.tables import PHOTOS
from carnivore_sign.reports import Report, render_html, render_pdf

COUNTRY = make_country()
HOSTILE = (
    "<script>alert(1)</script> {{ 7 * 7 }} #set page(fill: red) $x$ =cmd|'/c calc'!A1 "
    "\u202egnp.exe\u202c \x00\x07 ' OR 1=1 --"
)


def elsewhere(point: Point) -> gpd.GeoDataFrame:
    bare = make_incidents(parcel=None, carcass_notes=None)
    return bare.set_geometry(gpd.GeoSeries([point], crs="EPSG:4326"))


def no_sign() -> IncidentFindings:
    names = ("sign", "trails", "members")
    bare = dataclasses.replace(COUNTRY, **{n: getattr(COUNTRY, n).iloc[:0] for n in names})
    return bare.examine(sign_rate=SignRate(0.1, 0.05, 0.2))


def photo_far_off() -> IncidentFindings:
    far = gpd.GeoDataFrame(
        {"photo": ["far.jpg"], "receipt": ["r"], "source_row": [1]},
        geometry=[Point(-104.5, 36.5)], crs="EPSG:4326",
    )  # fmt: skip
    return found({"bleeding": "present", "photo": "far.jpg"}, photos=conform(far, PHOTOS))


CASES = {
    "open-ended window": (
        COUNTRY.examine(make_incidents(last_seen_well=None)),
        "The time of the loss is open at its start.",
    ),
    "place outside the surveyed country": (
        COUNTRY.examine(elsewhere(Point(-110, 44))),
        "The place lies outside the surveyed country",
    ),
    "incident before the first walk": (
        COUNTRY.examine(
            make_incidents(last_seen_well="2031-05-01T00:00Z", found="2031-05-01T12:00Z")
        ),
        "found before the first recorded walk of the season",
    ),
    "no sign": (no_sign(), "A blank does not prove that nothing passed."),
    "contradictory evidence": (
        found({"bite_place": "many_places", "mutilation": "much", "covered": "covered"}),
        "The evidence does not agree:",
    ),
    "hostile text in notes": (
        COUNTRY.examine(make_incidents(carcass_notes=HOSTILE, livestock="<b>sheep</b>")),
        "<script>alert(1)</script> {{ 7 * 7 }} #set page(fill: red)",
    ),
    "photos that disagree with the place": (
        photo_far_off(),
        "from the stated place, by its own position. Is it of this loss?",
    ),
}


@pytest.mark.parametrize(("findings", "said"), CASES.values(), ids=CASES)
def test_every_kind_gives_a_page_that_says_what_is_wrong(
    findings: IncidentFindings, said: str
) -> None:
    report = answer_report(findings)
    text = all_text(report)
    assert said in text
    assert not re.search(r"\b(nan|NaN|NaT|None|inf|<NA>)\b", text)
    tree = lxml.html.fromstring(render_html(report))
    assert not tree.xpath("//script | //b | //*[@onerror or @onclick or @onload]")
    assert said in " ".join(tree.text_content().replace("\N{NO-BREAK SPACE}", " ").split())
    pages = pypdf.PdfReader(io.BytesIO(render_pdf(report))).pages
    first = " ".join(pages[0].extract_text().split())
    assert "The short answer" in first
    assert "What to do first" in first


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"found": "2031-05-01T00:00Z"}, "Were the two exchanged"),  # reversed
        ({"found": None}, "without it there is no window"),  # open at its end
        ({"parcel": None}, "neither a position nor a parcel"),
        ({"parcel": "Nowhere"}, "Known parcels: Lower Pasture"),
    ],
)
def test_what_cannot_be_answered_is_refused_with_the_way_out(
    changes: dict[str, object], told: str
) -> None:
    with pytest.raises(InputError, match=told):
        COUNTRY.examine(make_incidents(**changes))


def test_contradictory_evidence_is_said_and_not_averaged_away() -> None:
    both = found({"bleeding": "present"}, {"bleeding": "none"})
    assert "Some carcasses bled under the skin and some did not." in all_text(answer_report(both))
    clash = found({"bite_place": "many_places", "mutilation": "much", "covered": "covered"})
    told = clash.explanations.carcass.contradictions
    assert len(told) == 2
    assert all("dog" in sentence and "puma" in sentence for sentence in told)


def rendered(report: Report) -> tuple[str, bytes]:
    return render_html(report), render_pdf(report)


def test_the_same_inputs_give_the_same_answer_in_any_order_of_rows() -> None:
    first = COUNTRY.examine(under_priors={})
    again = COUNTRY.examine(under_priors={})
    assert rendered(answer_report(first)) == rendered(answer_report(again))
    rng = np.random.default_rng(4)
    turned = {
        name: getattr(COUNTRY, name).iloc[rng.permutation(len(getattr(COUNTRY, name)))]
        for name in ("trails", "visits", "members", "sign", "segments", "clearings")
    }
    shuffled = dataclasses.replace(COUNTRY, **turned).examine(under_priors={})
    pd.testing.assert_frame_equal(
        pd.DataFrame(first.passing_by_taxon), pd.DataFrame(shuffled.passing_by_taxon)
    )
    assert all_text(answer_report(first)) == all_text(answer_report(shuffled))


@pytest.mark.parametrize("findings", [COUNTRY.examine(), CASES["hostile text in notes"][0]])
def test_the_answer_is_valid_html_by_a_general_validator(
    findings: IncidentFindings, tmp_path: Path
) -> None:
    """HTML Tidy, where it is installed; what it calls an error or a warning is a fault."""
    tidy = shutil.which("tidy")
    if tidy is None:
        pytest.skip("no HTML Tidy on this machine")
    page = tmp_path / "page.html"
    page.write_text(render_html(answer_report(findings)), encoding="utf-8")
    run = subprocess.run([tidy, "-q", "-e", page], capture_output=True, text=True, check=False)
    assert run.stderr.strip() == ""


def test_a_window_of_one_minute_and_one_of_a_year_are_answered() -> None:
    for well in ("2031-05-13T12:59Z", "2030-05-13T13:00Z"):
        told = COUNTRY.examine(make_incidents(last_seen_well=well, found="2031-05-13T13:00Z"))
        known = told.trails["p_in_window"].dropna()
        assert known.between(0, 1).all()
        assert "The short answer" in all_text(answer_report(told))
    assert utc("2031-05-13T13:00Z")[0] == told.window.end
