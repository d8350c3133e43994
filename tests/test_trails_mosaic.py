"""A traced photo mosaic: prints in their places, measured, and the gait they make."""

from __future__ import annotations

import json

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from gait_drawing import draw_prints
from shapely import Point, affinity, box

from carnivore_sign.errors import InputError
from carnivore_sign.identify import read_outlines, to_geojson
from carnivore_sign.trails import gait_sequence, prints_from_mosaic

#: Toes about a pad whose middle is at 0, 0 and which points along y: middles in mm.
TOES = {"toe_2": (-25.0, 40.0), "toe_3": (-9.0, 52.0), "toe_4": (9.0, 52.0), "toe_5": (25.0, 40.0)}


def one_print(x_mm: float, y_mm: float, turn_deg: float) -> dict[str, object]:
    """Draw pad and toes; they point `turn_deg` clockwise from the y axis."""
    marks: dict[str, object] = {"pad": box(-25, -18, 25, 18)}
    marks |= {name: Point(place).buffer(9.0) for name, place in TOES.items()}
    marks["claw_3"] = Point(-9.0, 70.0).buffer(1.5)
    return {
        name: affinity.translate(affinity.rotate(mark, -turn_deg, origin=(0, 0)), x_mm, y_mm)
        for name, mark in marks.items()
    }


def traced(prints: pd.DataFrame, turn_deg: np.ndarray, **columns: object) -> gpd.GeoDataFrame:
    """Trace every print of `draw_prints`, whose place is the middle of the pad."""
    rows = [
        {"print": f"P{row.print_no}", "part": part, "foot": row.foot, "geometry": mark}
        for row, turn in zip(prints.itertuples(), turn_deg, strict=True)
        for part, mark in one_print(1000 * row.x_m, 1000 * row.y_m, turn).items()
    ]
    return gpd.GeoDataFrame(pd.DataFrame(rows).assign(**columns), geometry="geometry")


def walk() -> tuple[pd.DataFrame, np.ndarray]:
    # Travels along y; feet point outward by 6 degrees.
    prints = draw_prints("walk_overstep", np.random.default_rng(3), start_deg=90.0, noise_m=0.004)
    left = prints["foot"].str.startswith("left")
    return prints, np.where(left, -6.0, 6.0)


def test_a_print_is_placed_pointed_and_measured() -> None:
    prints, _ = walk()
    told = prints_from_mosaic(traced(prints.head(1), np.array([30.0]))).iloc[0]
    assert told["toe_deg"] == pytest.approx(30.0, abs=0.01)
    assert told["width_mm"] == pytest.approx(68.0, abs=0.2)  # over the outer toes
    assert told["length_mm"] == pytest.approx(18 + 52 + 9, abs=0.2)  # without the claw
    # The middle of pad and toes by area lies ahead of the middle of the pad.
    toes, pad = 4 * np.pi * 81, 50 * 36
    ahead = toes * 46.0 / (toes + pad)
    place = prints.iloc[0]
    east, north = np.sin(np.radians(30)), np.cos(np.radians(30))
    assert 1000 * (told["x_m"] - place["x_m"]) == pytest.approx(ahead * east, abs=0.2)
    assert 1000 * (told["y_m"] - place["y_m"]) == pytest.approx(ahead * north, abs=0.2)


def test_the_gait_of_a_mosaic_is_that_of_the_prints_in_it() -> None:
    prints, turn = walk()
    from_file = read_outlines(json.loads(to_geojson(traced(prints, turn))))
    told = gait_sequence(prints_from_mosaic(from_file))
    drawn = gait_sequence(prints)
    for measure in ("stride_m", "step_m", "straddle_m", "hind_on_front_m"):
        assert told.middle(measure).item() == pytest.approx(drawn.middle(measure).item(), abs=0.01)
    assert told.prints["foot"].tolist() == drawn.prints["foot"].tolist()
    assert told.middle("foot_angle_deg").item() == pytest.approx(6.0, abs=1.0)
    assert told.doubts.empty


def test_feet_are_inferred_where_none_was_stated_and_two_trails_stay_two() -> None:
    prints, turn = walk()
    one = traced(prints, turn, foot=None, sequence="A")
    other = traced(prints.assign(x_m=prints["x_m"] + 3.0), turn, foot=None, sequence="B")
    other["print"] = "B" + other["print"]
    told = gait_sequence(prints_from_mosaic(pd.concat([one, other], ignore_index=True)))
    assert told.going.index.tolist() == ["A", "B"]
    assert told.middle("stride_m").to_numpy() == pytest.approx(1.0, abs=0.02)
    sides = told.prints["foot"].str.split("_").str[0].to_numpy().reshape(2, -1)
    assert (sides == prints["foot"].str.split("_").str[0].to_numpy()).all()


def test_a_print_without_pad_or_toes_keeps_its_row() -> None:
    prints, turn = walk()
    outlines = traced(prints, turn)
    outlines = outlines[~(outlines["print"].eq("P5") & ~outlines["part"].str.startswith("claw"))]
    outlines = outlines[~(outlines["print"].eq("P7") & outlines["part"].str.startswith("toe"))]
    table = prints_from_mosaic(outlines)
    assert len(table) == len(prints)
    assert table.loc[4, ["x_m", "y_m"]].isna().all()
    assert np.isfinite(table.loc[6, ["x_m", "y_m"]].astype(float)).all()
    assert table.loc[6, ["toe_deg", "width_mm"]].isna().all()
    told = gait_sequence(table)
    assert told.set_aside["reason"].tolist() == ["it has no place"]
    assert len(told.prints) + len(told.set_aside) == len(prints)


def test_bad_outlines_are_refused() -> None:
    outlines = traced(*walk())
    with pytest.raises(InputError, match="no column part"):
        prints_from_mosaic(outlines.drop(columns="part"))
    with pytest.raises(InputError, match="row 2: 'paw' is no part"):
        prints_from_mosaic(outlines.assign(part=outlines["part"].where(outlines.index != 1, "paw")))
    with pytest.raises(InputError, match="print 'P1' name more than one foot"):
        prints_from_mosaic(outlines.assign(print="P1"))
