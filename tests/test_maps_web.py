"""The web map in a real browser: whole without a network, one month at a time, no word runs."""

from __future__ import annotations

import html
import json
import re
from pathlib import Path
from typing import Any

import geopandas as gpd
import lxml.html
import numpy as np
import pandas as pd
import pytest
from reporting_examples import CRS, ZONE, make_country, make_segments
from shapely.geometry import LineString

from carnivore_sign.errors import InputError
from carnivore_sign.incidents.words import percent, percent_range
from carnivore_sign.maps import MEASURES, SheetWords, WebLayers, edition_for, units_for, web_map
from carnivore_sign.maps.style import FOUND_AND_USED, STATES
from carnivore_sign.maps.web_data import evidence_of, middle_of, outlines

COUNTRY = make_country()
HOSTILE = "<img src=x onerror='window.hit=1'></script><script>window.hit=1</script>{{ 7*7 }}"
SIGN = COUNTRY.sign.assign(
    notes=HOSTILE, observer=HOSTILE, evidence=HOSTILE, p_puma=[0.9, 0.5, 0.1, 0.4],
    p_dog=[0.1, 0.5, 0.9, 0.6],
)  # fmt: skip
TWO_MONTHS = gpd.GeoDataFrame(
    pd.concat(
        [COUNTRY.monthly, COUNTRY.monthly.assign(period="2031-06", state="not_found", visits=1)],
        ignore_index=True,
    )
)


def written(folder: Path, months: gpd.GeoDataFrame = TWO_MONTHS, **options: Any) -> str:
    transects = make_segments().dissolve("transect").reset_index()
    layers = options.pop("layers", None) or WebLayers(
        trails=COUNTRY.trails, sign=SIGN, parcels=COUNTRY.parcels,
        transects=transects.assign(transect=[HOSTILE, "Dry Fork", "سفلى"]),
    )  # fmt: skip
    given = {"taxon": "puma", "time_zone": ZONE, "layers": layers, "first": "2031-05", **options}
    path = folder / "map.html"
    path.write_text(web_map(months, **given), encoding="utf-8")
    return path.as_uri()


def data_of(body: str) -> dict[str, Any]:
    return json.loads(lxml.html.fromstring(body).xpath("//script[@id='data']")[0].text)


def colours(page: Any) -> set[str]:
    """Return the colours that cover some of the map."""
    found = page.evaluate(
        """() => {
          const c = document.querySelector('#map canvas');
          const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
          const n = {};
          for (let i = 0; i < d.length; i += 4) if (d[i + 3] === 255) {
            const k = [d[i], d[i + 1], d[i + 2]].map(v => v.toString(16).padStart(2, '0')).join('');
            n[k] = (n[k] || 0) + 1;
          }
          return n;
        }"""
    )
    return {f"#{color}" for color, number in found.items() if number > 20}


def find(page: Any, name: str) -> str:
    """Go to a unit by keys alone and return what its popup says."""
    page.focus("#find")
    page.keyboard.type(name)
    page.keyboard.press("Tab")
    page.wait_for_selector(".leaflet-popup-content")
    return " ".join(page.inner_text(".leaflet-popup-content").split())


def test_the_slider_changes_the_month_by_keys(page: Any, tmp_path: Path) -> None:
    page.goto(written(tmp_path))
    page.wait_for_selector("html[data-ready=yes]")
    assert page.inner_text("#which") == "May 2031"
    assert {STATES["found_sure"].color, STATES["found_likely"].color} <= colours(page)
    assert "1 found, sure, 1 found, likely" in page.inner_text("#said")
    page.focus("#slider")
    page.keyboard.press("ArrowRight")
    assert page.inner_text("#which") == "June 2031"
    assert page.get_attribute("#slider", "aria-valuetext") == "June 2031"
    page.wait_for_timeout(100)
    assert STATES["not_found"].color in colours(page)
    assert STATES["found_sure"].color not in colours(page)
    assert page.is_disabled("#later")
    page.keyboard.press("Tab")
    page.keyboard.press("Home")
    page.click("#earlier")
    assert page.inner_text("#which") == "May 2031"


def test_a_unit_is_found_by_keys_and_says_what_the_report_says(page: Any, tmp_path: Path) -> None:
    page.goto(written(tmp_path))
    said = find(page, "Dry Fork#1")
    row = COUNTRY.monthly.iloc[1]
    told = f"{percent(row['p_presence'])} (95 % limits {percent(row['p_presence_low'])} to "
    assert told + percent(row["p_presence_high"]) in said
    for part in ("May 2031", "found, sure (95 % or more)", "Visits 3", "2.9 km", "0.93, summed"):
        assert part in said
    page.keyboard.press("Escape")


def test_no_word_of_the_record_runs_or_becomes_markup(page: Any, tmp_path: Path) -> None:
    page.goto(written(tmp_path, words=SheetWords(season=HOSTILE, title=HOSTILE, note=HOSTILE)))
    for key in ("trails", "presence", "effort"):
        page.uncheck(f"#layer-{key}")
    page.check("#layer-sign")
    box = page.locator("#map").bounding_box()
    canvas = "document.querySelector('#map canvas')"
    place = page.evaluate(
        f"""() => {{
          const c = {canvas}, r = c.getBoundingClientRect(), k = r.width / c.width;
          const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
          const ink = [32, 36, 43];
          for (let y = 0; y < c.height; y++) for (let x = 0; x < c.width; x++) {{
            const i = 4 * (y * c.width + x);
            if (ink.every((v, n) => d[i + n] === v)) return [r.left + x * k, r.top + y * k + 2];
          }}
        }}"""
    )
    assert box["x"] <= place[0] <= box["x"] + box["width"]
    page.mouse.click(*place)
    page.wait_for_selector(".leaflet-popup-content .note")
    assert page.inner_text(".leaflet-popup-content .note") == HOSTILE
    assert page.inner_text("h1") == HOSTILE
    assert page.locator("img").count() == 0
    page.wait_for_timeout(150)
    assert page.evaluate("window.hit") is None


def test_the_policy_lets_no_other_script_run(page: Any, tmp_path: Path) -> None:
    page.goto(written(tmp_path))
    page.evaluate(
        """() => { const s = document.createElement('script');
        s.textContent = 'window.hit = 1'; document.body.append(s); }"""
    )
    page.evaluate("document.body.insertAdjacentHTML('beforeend', '<p onclick=\"hit=1\">x</p>')")
    page.locator("body > p").last.click()
    assert page.evaluate("window.hit") is None


def test_layers_can_be_left_out(page: Any, tmp_path: Path) -> None:
    page.goto(written(tmp_path))
    assert page.locator("#layers input").count() == 7
    page.uncheck("#layer-presence")
    page.uncheck("#layer-trails")
    page.wait_for_timeout(100)
    assert STATES["found_sure"].color not in colours(page)
    assert page.locator(".line-name").count() == 4
    page.uncheck("#layer-transects")
    assert page.locator(".line-name").count() == 1


def test_names_lie_whole_in_a_wide_window(page: Any, tmp_path: Path) -> None:
    page.set_viewport_size({"width": 1280, "height": 800})
    page.goto(written(tmp_path))
    names = page.locator(".line-name")
    whole = page.locator("#map").bounding_box()
    assert names.count() >= 3
    for at in range(names.count()):
        box = names.nth(at).bounding_box()
        assert box["x"] >= whole["x"]
        assert box["x"] + box["width"] <= whole["x"] + whole["width"]


def test_names_go_where_they_would_crowd(page: Any, tmp_path: Path) -> None:
    page.goto(written(tmp_path))
    assert page.locator(".line-name").first.is_visible()
    page.focus("#map")
    for _ in range(4):
        page.keyboard.press("-")
    page.wait_for_timeout(200)
    assert not page.locator(".line-name").first.is_visible()


@pytest.mark.parametrize(("wide", "high"), [(390, 844), (1280, 800)])
def test_nothing_is_wider_than_the_window(page: Any, tmp_path: Path, wide: int, high: int) -> None:
    page.set_viewport_size({"width": wide, "height": high})
    page.goto(written(tmp_path, words=SheetWords(title="Coldwater" * 40, note="Notes " * 90)))
    assert page.evaluate("document.documentElement.scrollWidth") <= wide
    assert page.locator("#map").bounding_box()["height"] > 150
    assert page.locator("#slider").bounding_box()["width"] > 100


def test_cells_for_the_public_are_drawn_as_areas(page: Any, tmp_path: Path) -> None:
    edition = edition_for("public", category=3)
    words = SheetWords(unit=edition.unit, made_for=edition.made_for, measures=MEASURES["us"])
    uri = written(tmp_path, units_for(edition, TWO_MONTHS), words=words, layers=WebLayers())
    page.goto(uri)
    assert {STATES["found_sure"].color, STATES["not_found"].color} <= colours(page)
    assert page.locator("#layers input").count() == 2
    name = data_of((tmp_path / "map.html").read_text(encoding="utf-8"))["names"][0]
    assert "Share of its segments used" in find(page, name)
    assert "Made for the public" in page.inner_text("#panel")
    body = (tmp_path / "map.html").read_text(encoding="utf-8")
    for name in ("Dry Fork", "Lower Pasture", "Invented Walker"):
        assert name not in body


def test_a_country_across_the_antimeridian_is_drawn_whole(page: Any, tmp_path: Path) -> None:
    far = COUNTRY.monthly.iloc[[0, 1]].set_geometry(
        gpd.GeoSeries(
            [LineString([(179.98, 51), (179.99, 51)]), LineString([(-179.99, 51), (-179.98, 51)])],
            index=[0, 1], crs=4326,
        )
    )  # fmt: skip
    page.goto(written(tmp_path, far, layers=WebLayers()))
    labels = page.locator(".grid-label").all_inner_texts()
    assert any(text.endswith("W") for text in labels)
    assert any(text.endswith("E") for text in labels)
    assert {STATES["found_sure"].color, STATES["not_found"].color} <= colours(page)


def test_the_file_fetches_nothing_and_carries_the_licence(tmp_path: Path) -> None:
    written(tmp_path)
    body = (tmp_path / "map.html").read_text(encoding="utf-8")
    tree = lxml.html.fromstring(body)
    assert not tree.xpath("//link | //img | //iframe | //script[@src]")
    policy = tree.xpath("//meta[@http-equiv='Content-Security-Policy']/@content")[0]
    assert policy.startswith("default-src 'none'")
    assert "unsafe-inline" not in policy.split("script-src")[1]
    assert "BSD 2-Clause License" in body
    assert "Volodymyr Agafonkin" in body
    assert not re.search(r"url\((?!#)", body)


def test_the_same_season_gives_the_same_bytes(tmp_path: Path) -> None:
    written(tmp_path)
    first = (tmp_path / "map.html").read_bytes()
    written(tmp_path, TWO_MONTHS.sample(frac=1, random_state=2))
    assert (tmp_path / "map.html").read_bytes() == first


def many_units(number: int, months: int) -> gpd.GeoDataFrame:
    rng = np.random.default_rng(4)
    steps = np.cumsum(rng.normal(0, 120, (number, 12, 2)), axis=1)
    start = rng.uniform((450_000, 4_000_000), (540_000, 4_090_000), (number, 2))[:, None, :]
    lines = gpd.GeoSeries([LineString(part) for part in start + steps], crs=CRS).to_crs(4326)
    p = rng.uniform(0, 1, (months, number))
    frames = [
        pd.DataFrame(
            {
                "segment": [f"Transect {n // 20}#{n % 20:03}" for n in range(number)],
                "period": f"2031-{month + 1:02}", "taxon": "puma",
                "state": rng.choice(list(STATES), number), "visits": rng.integers(0, 5, number),
                "effort_km": rng.uniform(0, 5, number), "effort_km_days": 3.0, "p_found": 0.4,
                "trails_expected": rng.uniform(0, 2, number), "p_presence": p[month],
                "p_presence_low": p[month] * 0.5, "p_presence_high": np.sqrt(p[month]),
            }
        )
        for month in range(months)
    ]  # fmt: skip
    return gpd.GeoDataFrame(
        pd.concat(frames, ignore_index=True),
        geometry=np.tile(lines.to_numpy(), months), crs=4326,
    )  # fmt: skip


def test_a_season_of_five_thousand_units_is_below_five_megabytes_and_turns(
    page: Any, tmp_path: Path
) -> None:
    page.goto(written(tmp_path, many_units(5000, 12), layers=WebLayers(), first="2031-01"))
    assert (tmp_path / "map.html").stat().st_size < 5_000_000
    page.focus("#slider")
    page.keyboard.press("End")
    assert page.inner_text("#which") == "December 2031"
    assert "of 5000 segments looked at" in page.inner_text("#said")


def test_positions_are_kept_to_a_metre() -> None:
    segments = make_segments()
    middle = middle_of(segments)
    for parts, line in zip(outlines(segments, middle), segments.geometry, strict=True):
        (steps,) = parts
        points = np.cumsum(np.array(steps).reshape(-1, 2), axis=0) / 1e5
        assert LineString(points).hausdorff_distance(line) < 3e-5


def test_numbers_of_the_file_are_those_of_the_months(tmp_path: Path) -> None:
    written(tmp_path)
    data = data_of((tmp_path / "map.html").read_text(encoding="utf-8"))
    may = data["months"][0]
    rows = COUNTRY.monthly.set_index("segment").loc[data["names"]]
    assert np.array(may["p"]) / 1000 == pytest.approx(rows["p_presence"], abs=5e-4)
    assert may["visits"] == rows["visits"].tolist()
    assert np.array(may["walked"]) / 100 == pytest.approx(rows["effort_km"], abs=0.005)
    limits = percent_range(*rows[rows["visits"] > 0][["p_presence_low", "p_presence_high"]].mean())
    assert f"(95 % limits {limits})" in may["said"]
    assert [row["name"] for row in data["trails"]] == [f"Trail T{n}" for n in (1, 2, 3, 4)]


def test_evidence_is_told_in_words() -> None:
    prints = pd.DataFrame(
        {"sign": ["s1", "s1", "s3"], "claws": ["none", "none", "not_visible"],
         "toe_shape": [None, "teardrop", None]}
    )  # fmt: skip
    assert evidence_of(SIGN, prints).tolist() == [
        "2 prints: toe shape teardrop; claws none", "no print noted",
        "1 print: no character visible", "no print noted",
    ]  # fmt: skip


def test_a_season_without_estimates_and_with_nothing_to_say(page: Any, tmp_path: Path) -> None:
    bare = TWO_MONTHS.assign(
        p_presence=np.nan, p_presence_low=np.nan, p_presence_high=np.nan, trails_expected=np.nan
    )
    page.goto(written(tmp_path, bare, layers=WebLayers()))
    assert "cannot be told" in page.inner_text("#said")
    said = find(page, "Ash Rim#0")
    assert "Used, probability cannot be told" in said
    assert not re.search(r"nan|undefined|-0\.1", said)


def test_what_is_not_there_is_refused() -> None:
    with pytest.raises(InputError, match="no row of 'wolf'"):
        web_map(TWO_MONTHS, taxon="wolf", time_zone=ZONE)
    with pytest.raises(InputError, match="in 2031-09"):
        web_map(TWO_MONTHS, taxon="puma", time_zone=ZONE, first="2031-09")


def test_the_page_says_why_found_and_used_need_not_agree() -> None:
    page = web_map(TWO_MONTHS, taxon="puma", time_zone=ZONE)
    assert FOUND_AND_USED in html.unescape(page)
    bare = TWO_MONTHS.assign(
        **dict.fromkeys(["p_presence", "p_presence_low", "p_presence_high"], np.nan)
    )
    assert FOUND_AND_USED not in html.unescape(web_map(bare, taxon="puma", time_zone=ZONE))
