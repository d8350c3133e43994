"""The monthly sheet: true to the ground, complete, readable, and the same every time."""

from __future__ import annotations

import itertools
import subprocess
import sys

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import pytest
import shapely
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from reporting_examples import CRS, make_country, make_monthly, make_segments
from shapely.geometry import LineString

from carnivore_sign.errors import GeographicCrs, InputError
from carnivore_sign.maps import (
    SheetWords,
    draw_trails,
    plot_month,
    png_bytes,
    save_png,
    style,
)
from carnivore_sign.maps.furniture import draw_scale_bar, true_north_deg
from carnivore_sign.maps.lettering import map_units_per_point, new_figure
from carnivore_sign.maps.style import line_width_pt
from carnivore_sign.space import GEOD

COUNTRY = make_country()
NAMES = {
    "long": "The Upper Coldwater Basin and Everything that Drains into It " * 4,
    "one word": "Coldwater" * 40,
    "mathematics": r"$x_1$ \alpha ^ _ {",
    "right to left": "שלום العربية",
    "other scripts": "漢字 हिन्दी ไทย 🐾",
    "control": "a\x00b\x1b[31m\nc",
}


def texts(figure: Figure) -> list[str]:
    found = [t.get_text() for t in figure.texts]
    for ax in figure.axes:
        found += [t.get_text() for t in ax.texts]
    return found


def collection(figure: Figure, gid: str) -> LineCollection | None:
    return next((c for c in figure.axes[0].collections if c.get_gid() == gid), None)


def month(**options: object) -> Figure:
    return draw(COUNTRY.monthly, **{"title": "Coldwater", **options})


def draw(monthly: gpd.GeoDataFrame, *, taxon: str = "puma", **options: object) -> Figure:
    said = {name: options.pop(name) for name in ("title", "season", "note") if name in options}
    return plot_month(monthly, taxon=taxon, words=SheetWords(**said), **options)


@pytest.mark.parametrize(
    "code",
    ["EPSG:32613", "EPSG:3857", "+proj=aeqd +lat_0=36 +lon_0=-105 +datum=WGS84", "EPSG:5070"],
)
def test_the_scale_bar_is_right_on_the_ground_to_one_per_cent(code: str) -> None:
    """Check against pyproj's Geod: the two ends of the bar, on the ellipsoid."""
    figure = month(crs=code)
    ax = figure.axes[0]
    ends = [p for p in ax.patches if str(p.get_gid()).startswith("scale-bar")]
    west = ends[0].get_x()
    width = sum(part.get_width() for part in ends)
    middle = sum(ax.get_ylim()) / 2
    shift = sum(ax.get_xlim()) / 2 - west - width / 2
    back = pyproj.Transformer.from_crs(code, "EPSG:4326", always_xy=True)
    (lon1, lat1), (lon2, lat2) = (
        back.transform(west + shift + part, middle) for part in (0, width)
    )
    stated = draw_scale_bar(ax, pyproj.CRS(code))
    assert GEOD.inv(lon1, lat1, lon2, lat2)[2] == pytest.approx(stated, rel=0.01)
    assert any(f"{stated / 1000:g} km" in text for text in texts(figure))


def test_north_is_true_north() -> None:
    """Meridian convergence at longitude offset d: about d * sin(latitude) (common practice)."""
    assert true_north_deg(CRS, 500_000.0, 4_000_000.0) == pytest.approx(0, abs=1e-3)
    lon, lat = -104.0, 36.0
    x, y = pyproj.Transformer.from_crs("EPSG:4326", CRS, always_xy=True).transform(lon, lat)
    expected = -np.degrees(np.arctan(np.tan(np.radians(1.0)) * np.sin(np.radians(lat))))
    assert true_north_deg(CRS, x, y) == pytest.approx(expected, abs=0.01)


def test_each_state_is_drawn_with_its_colour_and_weight() -> None:
    figure = month()
    for state in ("found_sure", "found_likely", "not_found"):
        rows = COUNTRY.monthly[COUNTRY.monthly["state"].eq(state)]
        core, edge = collection(figure, f"{state}-core"), collection(figure, f"{state}-edge")
        assert len(core.get_segments()) == len(rows)
        assert core.get_linewidths() == pytest.approx(
            [line_width_pt(p) for p in rows["p_presence"]]
        )
        assert edge.get_linewidths() == pytest.approx(
            [line_width_pt(p) for p in rows["p_presence_high"]]
        )
    assert len(collection(figure, "not_looked").get_segments()) == 4


def test_a_unit_without_an_estimate_keeps_its_plain_weight() -> None:
    bare = COUNTRY.monthly.assign(p_presence=np.nan, p_presence_low=np.nan, p_presence_high=np.nan)
    figure = draw(bare, title="Coldwater", taxon="puma")
    assert set(collection(figure, "not_found-core").get_linewidths()) == {line_width_pt(0)}
    assert any("cannot be told" in text for text in texts(figure))
    assert "no estimate this month; all units are drawn alike" in " ".join(texts(figure))


def test_the_sheet_says_what_it_rests_on() -> None:
    said = " ".join(texts(month(trails=COUNTRY.trails)))
    for part in (
        "1 to 31 May 2031", "33 visits to 11 of 15 segments", "31.4 km walked", "4 trails drawn",
        "WGS 84 / UTM zone 13N (EPSG:32613)", "World Geodetic System 1984",
        "found, sure (95 % or more): 1",
        "found, likely (50 to 95 %): 1", "80 % or more", "20 to 80 %", "under 20 %, or not told",
        "not looked for: 4", "95 % limits",
    ):  # fmt: skip
        assert part in said
    assert "nan" not in said


def test_the_share_is_that_of_the_walked_segments_unless_one_is_given() -> None:
    walked = COUNTRY.monthly[COUNTRY.monthly["visits"] > 0]
    expected = f"{walked['p_presence'].mean() * 100:.0f} %"
    assert any(text.startswith(expected) for text in texts(month()))
    assert any(
        text.startswith("42 % (95 % limits 20 to 66 %)")
        for text in texts(month(share=(0.42, 0.2, 0.66)))
    )


def test_one_visit_is_one_tally_mark() -> None:
    visits = COUNTRY.monthly.assign(visits=[1, 2, 9, *[0] * 12])
    figure = draw(visits, title="Coldwater", taxon="puma")
    assert len(collection(figure, "tally").get_segments()) == 1 + 2 + 5


def test_marks_of_visits_stand_beside_the_line_and_cover_none() -> None:
    figure = month()
    ax = figure.axes[0]
    size = map_units_per_point(ax)
    walked = COUNTRY.monthly[COUNTRY.monthly["visits"] > 0].to_crs(CRS)
    ticks = collection(figure, "tally").get_segments()
    widths = np.repeat([style.line_width_pt(p) for p in walked["p_presence_high"]], 3)
    lines = np.repeat(walked.geometry.to_numpy(), 3)
    for tick, line, width in zip(ticks, lines, widths, strict=True):
        assert LineString(tick).distance(line) > width / 2 * size
        assert LineString(tick).length == pytest.approx(style.TALLY_PT * size)


def test_trails_of_a_kind_share_a_mark_where_they_would_crowd() -> None:
    figure = new_figure(5, 5)
    ax = figure.add_axes((0, 0, 1, 1))  # 360 points across
    ax.set_xlim(0, 360)
    ax.set_ylim(0, 360)
    at = [100, 105, 110, 130]
    trails = gpd.GeoDataFrame(
        {"direction_deg": [np.nan, 90.0, 90.0, 90.0], "p_puma": 0.9},
        geometry=[LineString([(x, 100), (x + 2, 100)]) for x in at], crs=CRS,
    )  # fmt: skip
    draw_trails(ax, trails, "p_puma")
    (heads,) = [c for c in ax.collections if c.get_gid() == "trail-heads"]
    assert len(heads.get_paths()) == 2  # those at 105 and 130; they have a way, so come first
    assert not len(ax.lines[0].get_xydata())
    both = trails.assign(p_puma=[0.9, 0.1, 0.1, 0.9])
    draw_trails(ax, both, "p_puma")
    assert sum(c.get_gid() == "trail-heads" for c in ax.collections) == 3  # each class its own


def test_faded_trails_are_pale_and_lie_under_the_others() -> None:
    ax = new_figure(5, 5).add_axes((0, 0, 1, 1))
    trails = COUNTRY.trails.to_crs(CRS)
    draw_trails(ax, trails.iloc[[0]], "p_puma", faded=True)
    draw_trails(ax, trails.iloc[[1]], "p_puma")
    pale, full = [c for c in ax.collections if c.get_gid() == "trail-heads"]
    assert pale.get_alpha() < 0.5
    assert full.get_alpha() is None
    assert pale.get_zorder() < full.get_zorder()


def test_a_note_is_written_whole() -> None:
    note = "Presence was not estimated from the season, for a reason that takes its lines. " * 3
    said = " ".join(" ".join(texts(month(note=note, trails=COUNTRY.trails))).split())
    assert "".join(note.split()) in "".join(said.split())


def test_the_corners_of_the_map_are_told_in_degrees() -> None:
    """Check against pyproj's Transformer."""
    figure = month()
    ax = figure.axes[0]
    back = pyproj.Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)
    lon, lat = back.transform(ax.get_xlim()[0], ax.get_ylim()[0])
    assert f"lower left {lat:.4f}\N{DEGREE SIGN} N {-lon:.4f}\N{DEGREE SIGN} W" in " ".join(
        texts(figure)
    )


def test_a_parcel_beside_the_country_is_whole_and_one_far_away_is_not_waited_for() -> None:
    corner = COUNTRY.monthly.to_crs(CRS).total_bounds[:2]
    shapes = [shapely.box(*corner - 400, *corner - 100), shapely.box(*corner - 9e4, *corner - 8e4)]
    parcels = gpd.GeoDataFrame({"parcel": ["Near", "Far"]}, geometry=shapes, crs=CRS)
    ax = month(parcels=parcels).axes[0]
    assert ax.get_xlim()[0] < corner[0] - 400
    assert ax.get_xlim()[1] - ax.get_xlim()[0] < 2e4


def test_the_title_is_the_taxon_and_month_and_the_season_stands_under_it() -> None:
    figure = draw(COUNTRY.monthly, taxon="puma", season="Coldwater")
    assert [text.get_text() for text in figure.texts[:2]] == [
        "Puma, May 2031", "Coldwater, 1 to 31 May 2031"
    ]  # fmt: skip
    own = draw(COUNTRY.monthly, taxon="puma", title="My own")
    assert [text.get_text() for text in own.texts[:2]] == ["My own", "1 to 31 May 2031"]


def test_short_units_get_lighter_lines_and_no_tally() -> None:
    far = COUNTRY.monthly.iloc[[14]].set_geometry(
        COUNTRY.monthly.geometry.iloc[[14]].translate(xoff=2.0)
    )
    wide = gpd.GeoDataFrame(pd.concat([COUNTRY.monthly.iloc[:14], far]))
    figure = draw(wide, title="Wide", taxon="puma")
    full, light = (collection(f, "found_sure-core").get_linewidths()[0] for f in (month(), figure))
    assert light == pytest.approx(0.35 * full)
    assert "no room for marks of visits at this scale" in texts(figure)
    assert "no room for marks of visits at this scale" not in texts(month())


def test_trails_are_filled_open_or_grey_and_point_their_way() -> None:
    figure = new_figure(6, 6)
    ax = figure.add_axes((0, 0, 1, 1))
    ax.set_xlim(0, 1000)
    ax.set_ylim(0, 1000)
    line = LineString([(100, 100), (200, 100)])
    trails = gpd.GeoDataFrame(
        {"direction_deg": [90.0, 0.0, np.nan], "p_puma": [0.9, 0.5, np.nan]},
        geometry=[line, line, None], crs=CRS,
    )  # fmt: skip
    draw_trails(ax, trails, "p_puma")
    heads = [c for c in ax.collections if c.get_gid() == "trail-heads"]
    assert len(heads) == 2
    east = heads[0].get_paths()[0].vertices
    assert east[0, 0] == east[:, 0].max()
    north = heads[1].get_paths()[0].vertices
    assert north[0, 1] == north[:, 1].max()
    assert heads[0].get_facecolor().tolist() != heads[1].get_facecolor().tolist()


@pytest.mark.parametrize("name", NAMES.values(), ids=NAMES.keys())
def test_any_name_is_drawn_without_a_warning_and_inside_the_sheet(name: str) -> None:
    segments = make_segments()
    transects = gpd.GeoDataFrame(
        {"transect": [name, name]}, geometry=segments.geometry[[0, 7]].to_list(), crs=4326
    )
    parcels = COUNTRY.parcels.assign(parcel=name)
    figure = month(title=name, note=name, transects=transects, parcels=parcels)
    assert png_bytes(figure, dpi=60).startswith(b"\x89PNG")
    renderer = figure.canvas.get_renderer()
    width, height = figure.get_size_inches() * figure.dpi
    for text in figure.texts:
        box = text.get_window_extent(renderer)
        assert box.x0 >= 0
        assert box.y0 >= 0
        assert box.x1 <= width
        assert box.y1 <= height


@pytest.mark.parametrize("name", ["Coldwater", NAMES["long"]])
def test_no_text_lies_on_another(name: str) -> None:
    figure = month(title=name, note=name, trails=COUNTRY.trails, parcels=COUNTRY.parcels)
    png_bytes(figure, dpi=60)
    renderer = figure.canvas.get_renderer()
    labels = [*figure.texts, *figure.axes[0].texts, *figure.axes[1].get_xticklabels()]
    boxes = [t.get_window_extent(renderer).padded(-1) for t in labels if t.get_text()]
    assert not [1 for a, b in itertools.combinations(boxes, 2) if a.overlaps(b)]


def test_the_same_month_gives_the_same_bytes(tmp_path: object) -> None:
    first = save_png(month(), tmp_path / "a.png", dpi=60).read_bytes()
    assert first == save_png(month(), tmp_path / "b.png", dpi=60).read_bytes()
    assert b"matplotlib" not in first.lower()


def test_pyplot_is_not_loaded_by_the_maps() -> None:
    code = "import carnivore_sign.maps, sys; print('matplotlib.pyplot' in sys.modules)"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "False"


def test_a_month_of_one_segment_and_one_with_no_walks() -> None:
    assert draw(COUNTRY.monthly.iloc[[1]], title="One", taxon="puma").axes
    nothing = COUNTRY.monthly.assign(state="not_looked", visits=0, effort_km=0.0)
    figure = draw(nothing, title="Nobody", taxon="puma")
    assert "0 visits to 0 of 15 segments, 0.0 km walked." in " ".join(texts(figure))


def test_lines_of_several_parts_and_across_the_antimeridian() -> None:
    segments = make_segments()
    parts = shapely.union_all(segments.geometry[[0, 7]].to_numpy())
    monthly = make_monthly(segments)
    monthly.loc[3, "geometry"] = parts
    figure = draw(monthly, title="Parts", taxon="puma")
    assert len(collection(figure, "not_found-core").get_segments()) == 10
    far = monthly.iloc[[0, 1]].set_geometry(
        gpd.GeoSeries(
            [LineString([(179.98, 51), (179.99, 51)]), LineString([(-179.99, 51), (-179.98, 51)])],
            index=[0, 1], crs=4326,
        )
    )  # fmt: skip
    west, east = draw(far, title="Far", taxon="puma").axes[0].get_xlim()
    assert east - west < 5000


@pytest.mark.parametrize(
    ("change", "error", "told"),
    [
        ({"taxon": "wolf"}, InputError, "no row of 'wolf'"),
        ({"crs": "EPSG:4326"}, GeographicCrs, "metres are needed"),
    ],
)
def test_bad_input_names_the_remedy(
    change: dict[str, object], error: type[Exception], told: str
) -> None:
    with pytest.raises(error, match=told):
        month(**change)


def test_two_months_on_one_sheet_are_refused() -> None:
    both = COUNTRY.monthly.assign(period=["2031-05"] * 8 + ["2031-06"] * 7)
    with pytest.raises(InputError, match="2 months came"):
        draw(both, title="x", taxon="puma")


def test_frames_hold_all_layers() -> None:
    figure = month(trails=COUNTRY.trails)
    ax = figure.axes[0]
    west, south, east, north = COUNTRY.monthly.to_crs(CRS).total_bounds
    assert ax.get_xlim()[0] < west < east < ax.get_xlim()[1]
    assert ax.get_ylim()[0] < south < north < ax.get_ylim()[1]


@pytest.mark.parametrize("on_page", [False, True])
def test_a_trail_on_the_other_side_of_the_globe_is_told_of_and_does_not_shrink_the_map(
    on_page: bool,
) -> None:
    """A lost minus: longitude +105 in place of -105."""
    trails = COUNTRY.trails.copy()
    shapes = trails.geometry.to_numpy().copy()
    shapes[1] = shapely.transform(shapes[1], lambda xy: xy * (-1, 1))
    trails = trails.set_geometry(gpd.GeoSeries(shapes, index=trails.index, crs=trails.crs))
    words = SheetWords(on_page=on_page)
    figure = plot_month(COUNTRY.monthly, taxon="puma", words=words, trails=trails)
    right = plot_month(COUNTRY.monthly, taxon="puma", words=words)
    assert figure.axes[0].get_xlim() == pytest.approx(right.axes[0].get_xlim(), abs=500)
    said = " ".join(" ".join(texts(figure)).split())
    assert "1 trail lies off this map and is not drawn: T2." in said
    assert on_page or "3 trails drawn" in said
    whole = plot_month(COUNTRY.monthly, taxon="puma", words=words, trails=COUNTRY.trails)
    assert "off this map" not in " ".join(texts(whole))


def test_a_sheet_says_why_found_and_used_need_not_agree_and_has_room_for_it() -> None:
    """A segment that is found, sure, may have a probability of use below 95 %."""
    note = "Presence was not estimated from the season, for a reason that takes its lines. " * 8
    figure = month(note=note, trails=COUNTRY.trails)
    said = " ".join(" ".join(texts(figure)).split())
    assert style.FOUND_AND_USED in said
    assert " ".join(note.split()) in said
    assert min(text.get_position()[1] for text in figure.texts) > 0
    bare = COUNTRY.monthly.assign(p_presence=np.nan, p_presence_low=np.nan, p_presence_high=np.nan)
    assert style.FOUND_AND_USED not in " ".join(" ".join(texts(draw(bare))).split())
