"""A season on one sheet, and what changed between two months, with limits."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from matplotlib.colors import to_hex
from matplotlib.figure import Figure
from reporting_examples import CRS, make_country
from test_maps_style import SIGHT, contrast, lab, linear

from carnivore_sign.errors import InputError
from carnivore_sign.maps import (
    MEASURES,
    SheetWords,
    changes_between,
    draw_changes,
    edition_for,
    plot_change,
    plot_month,
    plot_months,
    png_bytes,
    units_for,
)
from carnivore_sign.maps.areas import core_share, draw_areas, shrunk
from carnivore_sign.maps.change import limits_of_difference
from carnivore_sign.maps.lettering import new_figure
from carnivore_sign.maps.style import CHANGES, GROUND, HAIRLINE, STATES, WEIGHTS

COUNTRY = make_country()
MAY = COUNTRY.monthly
ROADS = gpd.GeoDataFrame({"transect": ["A"]}, geometry=MAY.geometry[:1].to_numpy(), crs=MAY.crs)
JUNE = MAY.assign(period="2031-06", state="not_found", visits=2)
P = ["p_presence", "p_presence_low", "p_presence_high"]


def season(*periods: str) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(pd.concat([MAY.assign(period=p) for p in periods], ignore_index=True))


def texts(figure: Figure) -> str:
    said = [text.get_text() for text in figure.texts]
    said += [text.get_text() for ax in figure.axes for text in ax.texts]
    return " ".join(said)


def collection(ax, gid: str):
    return next((c for c in ax.collections if c.get_gid() == gid), None)


# Newcombe 1998, Statistics in Medicine 17:873-890, method 10; Wilson limits of each proportion
# as in Newcombe 1998, Statistics in Medicine 17:857-872.
@pytest.mark.parametrize(
    ("first", "second", "limits"),
    [((48, 80), (56, 70), (0.0524, 0.3339)), ((3, 10), (9, 10), (0.1705, 0.8090))],
)
def test_limits_of_a_difference_are_those_of_newcombe(
    first: tuple[int, int], second: tuple[int, int], limits: tuple[float, float]
) -> None:
    def wilson(found: int, of: int) -> tuple[float, float, float]:
        z, p = 1.959964, found / of
        middle, reach = p + z * z / (2 * of), z * np.sqrt(p * (1 - p) / of + (z / (2 * of)) ** 2)
        return p, (middle - reach) / (1 + z * z / of), (middle + reach) / (1 + z * z / of)

    told = limits_of_difference(wilson(*first), wilson(*second))
    assert told == pytest.approx(limits, abs=6e-5)


def test_a_change_is_told_only_where_its_limits_leave_out_zero() -> None:
    rows = MAY.iloc[:4]
    before = rows.assign(p_presence=[0.1, 0.9, 0.4, 0.1], p_presence_low=[0.05, 0.8, 0.2, 0.0],
                         p_presence_high=[0.2, 0.95, 0.6, 0.2])  # fmt: skip
    now = before.assign(period="2031-06", p_presence=[0.9, 0.1, 0.5, 0.9],
                        p_presence_low=[0.8, 0.05, 0.3, 0.8], visits=[1, 1, 1, 0],
                        p_presence_high=[0.95, 0.2, 0.7, 1.0])  # fmt: skip
    told = changes_between(before, now)
    assert told["change_state"].tolist() == ["more", "less", "open", "not_both"]
    assert told["change"].tolist()[:3] == pytest.approx([0.8, -0.8, 0.1])
    assert told["change_low"].iloc[0] == pytest.approx(0.8 - np.hypot(0.1, 0.1))
    assert told["change"].isna().tolist() == [False, False, False, True]
    turned = changes_between(now.assign(visits=1), before.assign(visits=1))
    assert turned["change_high"].iloc[0] == pytest.approx(-told["change_low"].iloc[0])


@pytest.mark.parametrize(
    ("now", "low", "high", "state"),
    [
        (0.4001, 0.4000, 0.4002, "same"),
        (0.3999, 0.3998, 0.4000, "same"),
        (0.449, 0.4489, 0.4491, "same"),
        (0.451, 0.4509, 0.4511, "more"),
        (0.349, 0.3489, 0.3491, "less"),
        (0.4001, 0.39, 0.41, "same"),
        (0.41, 0.2, 0.6, "open"),
    ],
)
def test_a_change_of_less_than_five_points_is_about_the_same(
    now: float, low: float, high: float, state: str
) -> None:
    ends = {"p_presence": 0.4, "p_presence_low": 0.39995, "p_presence_high": 0.40005}
    before = MAY.iloc[:1].assign(visits=1, **ends)
    later = before.assign(
        period="2031-06", p_presence=now, p_presence_low=low, p_presence_high=high
    )
    assert changes_between(before, later)["change_state"].tolist() == [state]
    figure = plot_change(before, later, taxon="puma")
    assert len(getattr(collection(figure.axes[0], "wedges"), "get_paths", list)()) == int(
        state in ("more", "less")
    )
    assert f"about the same (less than 5 points): {int(state == 'same')}" in texts(figure)


def test_a_unit_that_one_month_lacks_is_not_compared() -> None:
    told = changes_between(MAY.iloc[:2], JUNE.iloc[1:3])
    assert told["change_state"].tolist() == ["open", "not_both"]
    bare = MAY.assign(**dict.fromkeys(P, np.nan))
    assert set(changes_between(bare, JUNE)["change_state"]) == {"not_both"}


def test_the_sheet_of_a_change_counts_and_lists_what_changed() -> None:
    now = JUNE.assign(p_presence=0.99, p_presence_low=0.97, p_presence_high=1.0)
    figure = plot_change(MAY, now, taxon="puma", parcels=COUNTRY.parcels)
    said = texts(figure)
    more = int(changes_between(MAY, now)["change_state"].eq("more").sum())
    assert more >= 5
    assert f"more probable than before: {more}" in said
    assert "not looked at in both: 4" in said
    assert "Puma, June 2031 against May 2031" in said
    assert "no proof that an animal came or went" in said
    assert "nan" not in said
    ax = figure.axes[0]
    assert len(collection(ax, "wedges").get_paths()) == more
    assert len(figure.axes[1].get_yticklabels()) == 8


def test_months_that_share_nothing_say_so() -> None:
    nobody = JUNE.assign(visits=0, state="not_looked")
    assert "No segment was looked at in both months." in texts(
        plot_change(MAY, nobody, taxon="puma")
    )
    with pytest.raises(InputError, match="both are May 2031"):
        plot_change(MAY, MAY, taxon="puma")


@pytest.mark.parametrize("sight", SIGHT)
def test_changes_differ_for_every_eye_and_in_grey(sight: str) -> None:
    """WCAG 2.2, success criterion 1.4.11, for what can be told."""
    seen = [lab(SIGHT[sight] @ linear(look.color)) for look in CHANGES.values()]
    assert min(np.linalg.norm(a - b) for n, a in enumerate(seen) for b in seen[:n]) > 12
    grey = [lab(linear(CHANGES[name].color))[0] for name in ("more", "same", "less", "open")]
    assert (np.diff(grey) > 8).all()
    for name in ("more", "less"):
        assert contrast(CHANGES[name].color, GROUND) >= 3
        assert CHANGES[name].up


def test_every_month_has_a_panel_and_one_without_rows_says_so() -> None:
    figure = plot_months(season("2031-05", "2031-08"), taxon="puma")
    heads = [text.get_text() for text in figure.texts]
    for month in ("May 2031", "June 2031", "July 2031", "August 2031"):
        assert month in heads
    assert heads.count("nobody looked") == 2
    panels = figure.axes[:4]
    assert len({(ax.get_xlim(), ax.get_ylim()) for ax in panels}) == 1
    drawn = [collection(ax, "found_sure-core") is not None for ax in panels]
    assert drawn == [True, False, False, True]


@pytest.mark.parametrize("number", [1, 3, 12, 24])
def test_no_text_lies_on_another_however_many_months(number: int) -> None:
    periods = [str(p) for p in pd.period_range("2031-01", periods=number, freq="M")]
    figure = plot_months(season(*periods), taxon="puma", words=SheetWords(season="Coldwater"))
    png_bytes(figure, dpi=40)
    renderer = figure.canvas.get_renderer()
    boxes = [text.get_window_extent(renderer).padded(-1) for text in figure.texts]
    assert not [1 for n, a in enumerate(boxes) for b in boxes[:n] if a.overlaps(b)]
    width, height = figure.get_size_inches() * figure.dpi
    assert all(b.x0 >= 0 and b.x1 <= width and b.y0 >= 0 and b.y1 <= height for b in boxes)


def test_trails_are_drawn_in_their_month() -> None:
    trails = COUNTRY.trails.assign(period=["2031-05", "2031-06", "2031-06", "2031-06"])
    figure = plot_months(season("2031-05", "2031-06"), taxon="puma", trails=trails)
    heads = [
        sum(len(c.get_paths()) for c in ax.collections if c.get_gid() == "trail-heads")
        for ax in figure.axes[:2]
    ]
    assert heads == [1, 2]


def test_too_many_months_and_none_are_refused() -> None:
    with pytest.raises(InputError, match="a sheet holds 24"):
        plot_months(season("2031-01", "2034-01"), taxon="puma")
    with pytest.raises(InputError, match="no row of 'wolf'"):
        plot_months(MAY, taxon="wolf")


@pytest.mark.parametrize("shape", ["square", "hexagon", "concave"])
def test_units_that_are_areas_are_filled_by_state_and_probability(shape: str) -> None:
    middles = MAY.to_crs(CRS).geometry.centroid
    corners = {"square": 4, "hexagon": 6, "concave": 9}[shape]
    turns = np.arange(corners) * 2 * np.pi / corners
    reach = np.where(np.arange(corners) % 3 == 1, 120.0, 420.0) if shape == "concave" else 420.0
    ring = np.column_stack([np.cos(turns), np.sin(turns)]) * np.broadcast_to(
        reach, corners
    ).reshape(-1, 1)
    areas = MAY.set_geometry(
        gpd.GeoSeries.from_wkt(
            [
                "POLYGON((" + ", ".join(f"{p.x + x} {p.y + y}" for x, y in [*ring, ring[0]]) + "))"
                for p in middles
            ],
            index=MAY.index, crs=CRS,
        ).to_crs(4326)
    )  # fmt: skip
    figure = plot_month(areas, taxon="puma", words=SheetWords(unit="hexagon"))
    said = texts(figure)
    assert "Hexagons in each state" in said
    assert "How probable use is: fill" in said
    ax = figure.axes[0]
    for state, rows in areas.groupby("state"):
        if STATES[state].dotted:
            assert len(collection(ax, f"area-{state}").get_segments()) == len(rows)
            continue
        cores = collection(ax, f"area-{state}-core").get_paths()
        whole = rows.to_crs(CRS).area
        filled = [abs(_area(path.vertices)) for path in cores]
        share = core_share(rows["p_presence"])
        assert filled == pytest.approx(whole * share, rel=0.02 if shape != "concave" else 0.2)


def _area(ring: np.ndarray) -> float:
    x, y = ring.T
    return 0.5 * float(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1)))


def test_no_core_leaves_its_area() -> None:
    ring = gpd.GeoSeries.from_wkt(["POLYGON((0 0, 9 0, 9 9, 8 9, 8 1, 1 1, 1 9, 0 9, 0 0))"])
    core = shrunk(ring.to_numpy(), np.array([0.5]))
    assert ring.iloc[0].buffer(1e-9).covers(core[0])


def test_an_empty_map_and_lines_with_areas_are_drawn() -> None:
    ax = new_figure(3, 3).add_axes((0, 0, 1, 1))
    assert draw_areas(ax, MAY.iloc[:0]) is ax
    assert draw_changes(ax, changes_between(MAY, JUNE).iloc[:0]) is ax
    cells = units_for(edition_for("public", category=3), MAY)
    both = gpd.GeoDataFrame(pd.concat([MAY.iloc[:3], cells.iloc[4:]], ignore_index=True))
    figure = plot_month(both, taxon="puma", words=SheetWords(unit="unit"))
    said = texts(figure)
    levels = {str(c.get_gid()): c.get_zorder() for c in figure.axes[0].collections}
    lines = min(
        levels[f"{state}-core"]
        for state in ("found_sure", "not_found")
        if f"{state}-core" in levels
    )
    assert lines > max(level for gid, level in levels.items() if gid.startswith("area-"))
    assert "Cells show the same" in said


def test_the_steps_of_fill_can_be_told_apart() -> None:
    sides = np.sqrt([step.core_share for step in WEIGHTS])
    assert (np.diff(sides) > 0.18).all()


def test_lengths_are_printed_in_miles_where_that_is_asked_for() -> None:
    figure = plot_month(MAY, taxon="puma", words=SheetWords(measures=MEASURES["us"]))
    said = texts(figure)
    assert "19.5 mi walked" in said
    assert "km walked" not in said
    ends = [p for p in figure.axes[0].patches if str(p.get_gid()).startswith("scale-bar")]
    mile = sum(part.get_width() for part in ends)
    assert mile == pytest.approx(1609.344 * round(mile / 1609.344, 1), rel=0.002)


def squares(size_m: float) -> gpd.GeoDataFrame:
    """MONTHLY of the country in squares with sides of so many metres."""
    middles = MAY.to_crs(CRS).geometry.centroid
    cells = shapely.box(
        *(middles.x + sign * size_m / 2 if axis == "x" else middles.y + sign * size_m / 2
          for sign in (-1, 1) for axis in "xy")
    )  # fmt: skip
    return MAY.set_geometry(gpd.GeoSeries(cells, index=MAY.index, crs=CRS).to_crs(4326))


def test_cells_show_the_roads_and_the_visits_and_are_named_where_they_have_room() -> None:
    figure = plot_month(squares(900.0), taxon="puma", transects=ROADS)
    ax = figure.axes[0]
    road = collection(ax, "transects")
    cells = [c.get_zorder() for c in ax.collections if str(c.get_gid()).startswith("area-")]
    assert road.get_zorder() > max(cells)
    assert contrast(to_hex(road.get_color()[0]), GROUND) >= 3
    visits = [text.get_text() for text in ax.texts if text.get_gid() == "visits"]
    assert visits == [str(n) for n in MAY["visits"]]
    assert "visits to each, written in it" in texts(figure)
    assert "names of areas: in the tables" in texts(figure)
    wide = plot_month(squares(4_000.0), taxon="puma").axes[0]
    named = [text.get_text() for text in wide.texts if text.get_gid() == "area-name"]
    assert named == MAY["segment"].astype(str).tolist()
    words = [text.get_text() for text in wide.texts if text.get_gid() == "visits"]
    assert all("visit" in word for word in words)
    small = plot_month(squares(100.0), taxon="puma")
    assert "no room for the visits to each at this scale" in texts(small)


def test_the_roads_of_a_map_of_segments_stay_hairlines() -> None:
    ax = plot_month(MAY, taxon="puma", transects=ROADS).axes[0]
    assert to_hex(collection(ax, "transects").get_color()[0]) == HAIRLINE


LONG = "Presence takes it that use runs in stretches, for reasons that fill their lines. " * 6


@pytest.mark.parametrize("sheet", ["season", "change"])
def test_a_note_is_written_whole_and_a_parcel_beside_the_country_is_not_cut(sheet: str) -> None:
    west, south, east, _ = MAY.to_crs(CRS).total_bounds
    near, far = 0.1 * (east - west), 50 * (east - west)
    shapes = [shapely.box(west - off, south - off, west + 50, south + 50) for off in (near, far)]
    parcels = gpd.GeoDataFrame({"parcel": ["Near", "Far"]}, geometry=shapes, crs=CRS)
    words = SheetWords(note=LONG, made_for="Made for the public.")
    if sheet == "season":
        months = season("2031-05", "2031-06")
        figure = plot_months(months, taxon="puma", words=words, parcels=parcels)
    else:
        figure = plot_change(MAY, JUNE, taxon="puma", words=words, parcels=parcels)
    said = texts(figure)
    assert " ".join(LONG.split()) in " ".join(said.split())
    assert "Made for the public." in said
    assert not [text for text in figure.texts if text.get_position()[1] < 0]
    ax = figure.axes[0]
    assert west - far < ax.get_xlim()[0] < west - near
    assert south - far < ax.get_ylim()[0] < south - near


def test_cells_in_the_list_of_changes_are_numbered_on_the_map() -> None:
    now = squares(900.0).assign(period="2031-06", visits=2, p_presence=0.99)
    figure = plot_change(squares(900.0), now, taxon="puma", words=SheetWords(unit="cell"))
    numbers = [text for text in figure.axes[0].texts if text.get_gid() == "area-number"]
    listed = [label.get_text() for label in figure.axes[1].get_yticklabels()]
    assert [text.get_text() for text in numbers] == [str(n + 1) for n in range(len(listed))]
    assert len(listed) > 1
    cells = squares(900.0).to_crs(CRS).set_index("segment").geometry
    for text, label in zip(numbers, listed, strict=True):
        name, number = label.rsplit("  ", 1)
        assert number == f"({text.get_text()})"
        assert cells[name].buffer(1).contains(shapely.Point(text.get_position()))
    lines = plot_change(MAY, JUNE, taxon="puma").axes[0]
    assert not [text for text in lines.texts if text.get_gid() == "area-number"]
