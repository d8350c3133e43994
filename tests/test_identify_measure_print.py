"""Prints measured end to end: drawn puma and dog, errors, feet, overlaps, bad outlines."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import shapely
from shapely import affinity

from carnivore_sign.errors import FileUnreadable, InputError
from carnivore_sign.identify import (
    MEASURED,
    add_measured,
    character_weights,
    characters_from,
    check_outlines,
    load_evidence,
    measure_print,
    measured_states,
    outlines_from_table,
    prints_from,
    read_outlines,
    state_likelihoods,
    to_geojson,
    to_probabilities,
    weigh_characters,
    weigh_sign,
)
from carnivore_sign.identify.foot import foot_numbers
from carnivore_sign.identify.overlap import TEMPLATE, fit_residual, share_out
from carnivore_sign.records.vocabularies import CHARACTERS, FEET
from carnivore_sign.simulate import SCHEMES, draw_prints

EVIDENCE = load_evidence()
EVEN = {"puma": 0.5, "dog": 0.5}


def probabilities(outlines: pd.DataFrame, surface: str | None = None) -> pd.DataFrame:
    prints = prints_from(measure_print(outlines, retracings=0))
    surfaces = None if surface is None else pd.Series(surface, index=prints.index)
    return to_probabilities(weigh_characters(prints, EVIDENCE, surfaces=surfaces), EVIDENCE.prior)


def states(outlines: pd.DataFrame) -> pd.DataFrame:
    said = characters_from(measure_print(outlines))
    return said.set_index(["print", "character"])["state"].unstack()  # noqa: PD010


# --- the practice rows: common practice, no source ------------------------------------------

PUMA_STATES = {
    "leading_toe": "one_leads", "toe_shape": "teardrop", "outer_toes": "smooth",
    "pad_rear_edge": "three_lobes", "pad_front_edge": "two_lobes_or_flat",
    "toes_in_pad": "about_four", "claws": "none", "negative_space": "c_shape",
    "outline": "rounder", "pad_texture": "not_visible",
}  # fmt: skip
DOG_STATES = {
    "leading_toe": "level", "toe_shape": "round_or_oval", "outer_toes": "angular",
    "pad_rear_edge": "single_curve", "pad_front_edge": "single_point",
    "toes_in_pad": "two_or_three", "claws": "blunt_joined", "outline": "longer",
    "pad_texture": "not_visible",
}  # fmt: skip


@pytest.mark.parametrize("turn_deg", [0, 77, 200])
def test_a_schematic_puma_and_a_schematic_dog_show_the_characters_that_are_taught(
    turn_deg: float,
) -> None:
    drawn = draw_prints(["puma", "dog"])
    drawn = drawn.set_geometry(drawn.rotate(turn_deg, origin=(30, 900)))
    found = states(drawn)
    assert found.loc[0].to_dict() == PUMA_STATES
    dog = found.loc[1].to_dict()
    assert dog.pop("negative_space") in ("h_shape", "x_shape")  # sources teach either for dogs
    assert dog == DOG_STATES


@pytest.mark.parametrize("foot", FEET)
def test_drawn_prints_come_out_right_from_outline_to_probability(foot: str) -> None:
    after = probabilities(draw_prints(["puma", "dog"], foot=foot))
    assert after.loc[0].idxmax() == "p_puma"
    assert after.loc[1].idxmax() == "p_dog"
    assert after.loc[0, "p_dog"] < 0.1
    assert after.loc[1, "p_puma"] < 0.01


@pytest.mark.parametrize("foot", ["right_front", "left_hind"])
def test_claws_of_a_puma_in_deep_mud_and_their_lack_in_a_dog_flip_nothing(foot: str) -> None:
    drawn = pd.concat(
        [
            draw_prints(["puma"], foot=foot, claws=True).assign(print="puma"),
            draw_prints(["dog"], foot=foot, claws=False).assign(print="dog"),
        ]
    )
    for surface in ("mud", "dust", None):
        after = probabilities(drawn, surface)
        # soft mud hides the size, and with it whether the cat was large
        cats = after.loc["puma", ["p_puma", "p_bobcat", "p_lynx"]].sum()
        assert cats > 2 * after.loc["puma", "p_dog"]
        assert after.loc["puma", "p_puma"] > after.loc["puma", "p_dog"]
        assert after.loc["dog", "p_dog"] > 3 * after.loc["dog", "p_puma"]
        assert after.loc["dog", "p_puma"] < 0.02
    bare = drawn[~drawn["part"].str.startswith("claw")]
    with_claws, without = probabilities(drawn, "mud"), probabilities(bare, "mud")
    # in mud claws say nothing, and nothing else of the print changes without them
    assert np.allclose(with_claws, without, atol=1e-12)


def test_traced_prints_of_every_shade_are_told_apart_as_far_as_they_differ() -> None:
    share = []
    for difficulty in (0.0, 0.6, 0.9):
        drawn = draw_prints(
            ["puma", "dog"] * 60, claws=False, difficulty=difficulty, tracing_mm=0.5,
            rng=np.random.default_rng(5),
        )  # fmt: skip
        said = weigh_characters(prints_from(measure_print(drawn, retracings=2)), EVIDENCE)
        after = to_probabilities(said, EVEN)["p_puma"]
        share.append((after.gt(0.5) == (np.arange(120) % 2 == 0)).mean())
    assert share[0] > 0.98
    assert share[0] >= share[1] > share[2] > 0.5


# --- measures and their errors --------------------------------------------------------------


def test_sizes_and_leads_are_those_that_were_drawn() -> None:
    scheme = SCHEMES["puma"]
    drawn = draw_prints(["puma"], length_mm=100.0)
    found = measure_print(drawn, retracings=0).loc[0]
    whole = shapely.union_all(drawn.geometry.to_numpy())
    assert found["area_mm2"] == pytest.approx(whole.area, rel=1e-9)
    turned = affinity.rotate(whole, found["axis_deg"], origin=(0, 0))
    west, south, east, north = turned.bounds
    assert found["length_mm"] == pytest.approx(north - south, rel=1e-9)
    assert found["width_mm"] == pytest.approx(east - west, rel=1e-9)
    assert found["toe_3_lead_mm"] == pytest.approx(100 * scheme.lead, abs=0.3)
    assert found["toe_2_lead_mm"] == pytest.approx(100 * scheme.outer_lead, abs=0.3)
    assert found["toe_length_mm"] == pytest.approx(100 * scheme.toe_length, rel=0.01)
    assert found["pad_rear_lobes"] == 3


@pytest.mark.parametrize("factor", [0.5, 1.7])
def test_shapes_do_not_change_with_size_and_sizes_change_with_it(factor: float) -> None:
    drawn = draw_prints(["puma", "dog"])
    large = drawn.assign(geometry=drawn.geometry.scale(factor, factor, origin=(0, 0)))
    small_one, large_one = (measure_print(each, retracings=0) for each in (drawn, large))
    for name in MEASURED:
        power = 2 if name.endswith("_mm2") else -1 if name.endswith("_per_mm") else 0
        power = 1 if name.endswith("_mm") and power == 0 else power
        expected = small_one[name] * factor**power
        assert np.allclose(large_one[name], expected, rtol=1e-6, atol=1e-7, equal_nan=True), name


def test_a_mirrored_print_measures_alike_and_is_the_other_foot() -> None:
    drawn = draw_prints(["puma"], with_dewclaw=True)
    other = drawn.assign(geometry=drawn.geometry.scale(-1, 1, origin=(0, 0)))
    right, left = (measure_print(each, retracings=0).loc[0] for each in (drawn, other))
    assert (right["side"], left["side"]) == ("right", "left")
    for name in ("length_mm", "symmetry_iou", "toe_taper", "diagonal_room_ratio", "toe_3_lead_mm"):
        assert left[name] == pytest.approx(right[name], rel=1e-3, abs=1e-3)
    assert left["left_lead_mm"] == pytest.approx(-right["left_lead_mm"], abs=1e-6)


def test_every_measure_has_an_error_and_it_is_the_spread_of_real_retracings() -> None:
    truth = draw_prints(["puma"], length_mm=90.0)
    told = measure_print(truth, tracing_error_mm=0.5, retracings=200).loc[0]
    # each mark displaced as a whole: the seventh part of the variance, which a hand that shifts
    # what it traces leaves, so that the error told is above it, and not by any factor
    many = pd.concat([truth.assign(print=number) for number in range(300)], ignore_index=True)
    shift = np.random.default_rng(8).normal(0, 0.5 / np.sqrt(7), (len(many), 2))
    moved = [affinity.translate(shape, *by) for shape, by in zip(many.geometry, shift, strict=True)]
    again = measure_print(many.assign(geometry=moved), retracings=0)
    for name in MEASURED:
        if not name.startswith("claw"):
            assert told[f"{name}_error"] >= 0, name
    for name in ("length_mm", "width_mm", "left_lead_mm", "axis_deg"):
        assert 0.25 < again[name].std() / told[f"{name}_error"] < 1.1, name
    assert again["pad_area_mm2"].std() == pytest.approx(0, abs=1e-6)
    assert told["pad_area_mm2_error"] > 5


def test_errors_grow_with_the_tracing_error_and_the_scale() -> None:
    drawn = draw_prints(["dog"])
    fine, coarse = (measure_print(drawn, tracing_error_mm=sd).loc[0] for sd in (0.2, 0.4))
    assert coarse["length_mm_error"] == pytest.approx(2 * fine["length_mm_error"], rel=0.2)
    scaled = measure_print(drawn, tracing_error_mm=0.0, scale_error_fraction=0.02).loc[0]
    assert scaled["length_mm_error"] == pytest.approx(0.02 * scaled["length_mm"])
    assert scaled["pad_area_mm2_error"] == pytest.approx(0.04 * scaled["pad_area_mm2"])
    assert scaled["length_to_width_error"] == 0


def test_a_print_measures_the_same_alone_and_among_others_and_twice() -> None:
    drawn = draw_prints(["puma", "dog"] * 150, rng=np.random.default_rng(2))
    many = measure_print(drawn, retracings=0)
    alone = measure_print(drawn[drawn["print"] == 299], retracings=0)
    pd.testing.assert_frame_equal(many.loc[[299]], alone, check_dtype=False)
    few = drawn[drawn["print"] < 4]
    pd.testing.assert_frame_equal(measure_print(few), measure_print(few))
    shuffled = measure_print(few.sample(frac=1, random_state=1), retracings=0).sort_index()
    pd.testing.assert_frame_equal(shuffled, many.loc[:3], check_dtype=False)


def test_calipers_fill_the_same_columns_and_say_how_sure_they_are() -> None:
    drawn = draw_prints(["puma"], length_mm=90)
    outline = measure_print(drawn, retracings=0).loc[0]
    toes = {
        f"toe_{t}_{s}_mm": outline[f"toe_{s}_mm"] for t in (2, 3, 4, 5) for s in ("length", "width")
    }
    sizes = {
        name: outline[name] for name in ("length_mm", "width_mm", "pad_width_mm", "pad_length_mm")
    }
    found = measure_print(pd.DataFrame([{"print": "A", "foot": "left_front", **sizes, **toes}]))
    assert set(found.columns) == set(measure_print(drawn).columns)
    one = found.loc["A"]
    assert one["length_mm_error"] == 1.0
    assert one["length_to_width"] == pytest.approx(outline["length_to_width"])
    assert (
        abs(one["toes_in_pad_ratio"] - outline["toes_in_pad_ratio"])
        < 2 * one["toes_in_pad_ratio_error"]
    )
    assert one["foot"] == "left_front"
    assert np.isnan(one["symmetry_iou"])
    said = characters_from(found).set_index("character")["state"]
    assert said["claws"] == said["leading_toe"] == "not_visible"
    with pytest.raises(InputError, match=r"row 1.*length_mm is 'big'"):
        measure_print(pd.DataFrame({"length_mm": [80, "big"]}))
    with pytest.raises(InputError, match="neither outlines nor caliper"):
        measure_print(pd.DataFrame({"claws": ["none"]}))


# --- which foot -----------------------------------------------------------------------------


@pytest.mark.parametrize("foot", FEET)
def test_a_leading_toe_tells_the_side_of_a_puma_and_a_level_dog_stays_unknown(foot: str) -> None:
    found = measure_print(draw_prints(["puma", "dog"], foot=foot))
    side, _, _ = foot.partition("_")
    assert found.loc[0, "side"] == side
    assert found.loc[0, f"p_{side}"] > 0.9
    assert found.loc[1, "side"] == "unknown"
    assert found.loc[1, "foot"] is None or pd.isna(found.loc[1, "foot"])
    assert np.allclose(found["p_left"] + found["p_right"], 1)
    assert np.allclose(found["p_front"] + found["p_hind"], 1)


@pytest.mark.parametrize("foot", ["left_front", "right_front"])
def test_dewclaw_inside_and_carpal_pad_outside_prove_a_front_foot_and_its_side(foot: str) -> None:
    found = measure_print(draw_prints(["puma", "dog"], foot=foot, with_dewclaw=True))
    assert found["foot"].tolist() == [foot, foot]
    assert found["p_front"].min() > 0.99


def test_front_prints_are_held_rather_front_and_hind_rather_hind_within_a_taxon() -> None:
    for taxon in SCHEMES:
        found = measure_print(draw_prints([taxon, taxon], foot=["right_front", "right_hind"]))
        assert found.loc[0, "p_front"] > found.loc[1, "p_front"] + 0.1


def test_every_number_of_the_feet_and_of_the_states_names_a_source() -> None:
    assert foot_numbers()["source"].str.len().gt(10).all()
    assert measured_states()["source"].str.len().gt(10).all()
    assert foot_numbers()["value"].gt(0).all()


# --- overlap --------------------------------------------------------------------------------


def patch(hind_parts: list[str], *, shift=(12.0, -24.0)) -> pd.DataFrame:
    front = draw_prints(["puma"], foot="right_front").assign(print="P")
    hind = draw_prints(["puma"], foot="right_hind", length_mm=82).assign(print="P")
    hind = hind[hind["part"].isin(hind_parts)]
    hind = hind.assign(geometry=hind.geometry.translate(*shift))
    both = pd.concat([front, hind], ignore_index=True)
    return both.assign(part=both["part"].where(~both["part"].str.startswith("toe"), "toe"))


def test_a_hind_print_on_a_front_print_is_proposed_mark_by_mark_and_left_out() -> None:
    marks = patch(["toe_3", "toe_4"])
    found = measure_print(marks).loc["P"]
    assert found["p_overlap"] > 0.9
    assert sorted(found["second_print_marks"]) == [5, 6]
    alone = measure_print(patch([])).loc["P"]
    assert found["toe_count"] == 4
    assert found["length_mm"] == pytest.approx(alone["length_mm"])
    assert "two prints fit better" in found["notes"]


def test_two_whole_prints_are_parted_at_their_pads() -> None:
    marks = patch(["toe_2", "toe_3", "toe_4", "toe_5", "pad"], shift=(15, -55))
    found = measure_print(marks).loc["P"]
    second = set(found["second_print_marks"])
    assert found["p_overlap"] > 0.99
    assert second in ({0, 1, 2, 3, 4}, {5, 6, 7, 8, 9})


def test_a_fifth_mark_far_from_any_second_print_is_a_stray_and_not_counted() -> None:
    marks = patch([])
    clod = marks[marks["part"] == "toe"].iloc[[0]]
    clod = clod.assign(geometry=[shapely.Point(150, -120).buffer(9)])
    found = measure_print(pd.concat([marks, clod], ignore_index=True)).loc["P"]
    assert found["p_overlap"] < 0.5
    assert found["stray_marks"] == [5]
    assert found["second_print_marks"] == []
    assert found["toe_count"] == 4


def test_counting_alone_decides_nothing() -> None:
    # the same number of marks, placed as a second print's toes or anywhere
    first = TEMPLATE * 85
    second = TEMPLATE * 80 + 10 - 25j
    near = share_out(np.concatenate([first[:4], second[1:4]]), first[4:])
    rng = np.random.default_rng(4)
    chances = []
    for _ in range(20):
        anywhere = rng.uniform(-120, 120, 3) + 1j * rng.uniform(-120, 120, 3)
        chances.append(share_out(np.concatenate([first[:4], anywhere]), first[4:]).p_two)
    assert near.p_two > 0.95
    assert np.median(chances) < 0.5


def test_ordinary_prints_fit_one_print_and_are_not_suspected() -> None:
    drawn = draw_prints(["puma", "dog"] * 100, tracing_mm=0.7, rng=np.random.default_rng(6))
    assert (measure_print(drawn, retracings=0)["p_overlap"] == 0).all()
    assert fit_residual((TEMPLATE * (30 + 40j) + 5)[None]).item() == pytest.approx(0, abs=1e-9)
    rng = np.random.default_rng(9)
    assert np.median(fit_residual(rng.normal(size=(50, 5)) + 1j * rng.normal(size=(50, 5)))) > 2


def test_a_patch_that_cannot_be_fitted_says_so_and_keeps_its_pad() -> None:
    marks = patch([])
    extra = pd.concat([marks[marks["part"] == "toe"]] * 3, ignore_index=True)
    shifts = np.repeat([40.0, 80.0, 120.0], 4)
    extra = extra.assign(
        geometry=[affinity.translate(g, 0, s) for g, s in zip(extra.geometry, shifts, strict=True)]
    )
    found = measure_print(pd.concat([marks, extra], ignore_index=True)).loc["P"]
    assert np.isnan(found["p_overlap"])
    assert found["pad_area_mm2"] > 1000
    assert "name of their own" in found["notes"]


# --- bad outlines: named, explained, and the rest measured ------------------------------------


def broken(part: str, shape: shapely.Geometry | None) -> pd.DataFrame:
    drawn = pd.DataFrame(draw_prints(["puma"])[["print", "part", "geometry"]])
    row = drawn.index[drawn["part"] == part][0]
    shapes = drawn["geometry"].to_numpy(dtype=object).copy()
    shapes[row] = shape
    return drawn.assign(geometry=shapes)


BOW = shapely.Polygon([(0, 0), (20, 20), (20, 0), (0, 20)])


@pytest.mark.parametrize(
    ("shape", "said", "done"),
    [
        (BOW, "crosses itself", "set aside"),
        (shapely.LineString([(0, 0), (30, 0), (30, 30)]), "open", "set aside"),
        (shapely.LineString([(0, 0), (1, 1)]), "fewer than three", "set aside"),
        (None, "missing or empty", "set aside"),
        (shapely.Polygon(), "missing or empty", "set aside"),
        (shapely.Polygon([(0, 0), (5, 0), (9, 0)]), "no area|crosses", "set aside"),
        (shapely.Point(3, 3), "neither a polygon nor a line", "set aside"),
        (shapely.Point(0, 50).buffer(1.0), "units seem mixed", "set aside"),
    ],
)
def test_a_faulty_toe_is_named_and_the_rest_of_the_print_is_measured(
    shape: shapely.Geometry | None, said: str, done: str
) -> None:
    marks = broken("toe_5", shape)
    checked = check_outlines(marks)
    assert len(checked.kept) + len(checked.set_aside) == len(marks)
    fault = checked.faults.iloc[0]
    assert (fault["part"], fault["done"]) == ("toe_5", done)
    assert pd.Series([fault["fault"]]).str.contains(said).all()
    whole, found = (
        measure_print(each, retracings=2).loc[0] for each in (broken("toe_5", None), marks)
    )
    assert found["pad_area_mm2"] == whole["pad_area_mm2"]
    assert found["toe_3_lead_mm"] == pytest.approx(whole["toe_3_lead_mm"])
    assert found["axis_from"] == "pad and middle toes"
    assert np.isnan(found["width_mm"])
    assert found["length_mm"] > 80
    assert fault["fault"] in found["notes"]


def test_small_slips_of_the_hand_are_mended_and_told() -> None:
    good = draw_prints(["puma"]).set_index("part").geometry["toe_5"]
    ring = np.array(good.exterior.coords)
    looped = shapely.Polygon(
        np.concatenate([ring[:10], ring[9:8:-1] + 1.0, ring[8:9] + np.array([[1, 0]]), ring[10:]])
    )
    assert not looped.is_valid
    gap = shapely.LineString(ring[:-2])
    for shape, said in ((looped, "crossed itself"), (gap, "small gap")):
        checked = check_outlines(broken("toe_5", shape))
        assert checked.faults["done"].tolist() == ["kept"]
        assert said in checked.faults["fault"].iloc[0]
        assert checked.kept.geometry.iloc[-1].is_valid
        area = checked.kept.set_index("part").geometry["toe_5"].area
        assert area == pytest.approx(good.area, rel=0.1)


def test_what_was_drawn_twice_is_measured_once() -> None:
    drawn = draw_prints(["puma"])
    again = pd.concat([drawn, drawn[drawn["part"].isin(["pad", "toe_3"])]], ignore_index=True)
    checked = check_outlines(again)
    assert checked.set_aside.tolist() == [5, 6]
    found, once = measure_print(again).loc[0], measure_print(drawn).loc[0]
    assert found["length_mm"] == once["length_mm"]
    assert found["p_overlap"] == 0
    assert "stands twice" in found["notes"]


def test_toes_numbered_wrongly_are_taken_by_their_places() -> None:
    drawn = draw_prints(["puma"])
    swapped = drawn.assign(part=drawn["part"].replace({"toe_3": "toe_4", "toe_4": "toe_3"}))
    found, right = measure_print(swapped).loc[0], measure_print(drawn).loc[0]
    assert "numbered wrongly" in found["notes"]
    assert found["length_mm"] == right["length_mm"]
    assert found["toe_3_lead_mm"] == pytest.approx(right["toe_3_lead_mm"])
    assert found["toes_numbered_by"] == "likelier side"
    twins = drawn.assign(part=drawn["part"].replace({"toe_3": "toe_2"}))
    assert "bear this number" in measure_print(twins).loc[0, "notes"]


def test_a_mirrored_photo_is_noticed_where_anything_contradicts_it() -> None:
    drawn = draw_prints(["puma"], with_dewclaw=True)
    from_outside = drawn["part"].replace({f"toe_{n}": f"toe_{7 - n}" for n in (2, 3, 4, 5)})
    assert "mirrored" in measure_print(drawn.assign(part=from_outside)).loc[0, "notes"]
    stated = drawn.assign(foot="left_front")
    assert "mirrored" in measure_print(stated).loc[0, "notes"]
    assert measure_print(drawn.assign(foot="right_front")).loc[0, "notes"] == ""


@pytest.mark.parametrize("factor", [0.1, 1 / 25.4, 40])
def test_a_print_that_was_not_drawn_in_millimetres_keeps_its_shapes_only(factor: float) -> None:
    drawn = draw_prints(["puma"])
    tiny = drawn.assign(geometry=drawn.geometry.scale(factor, factor, origin=(0, 0)))
    found, right = measure_print(tiny).loc[0], measure_print(drawn).loc[0]
    assert "not mm" in found["notes"]
    assert found[["length_mm", "pad_width_mm", "area_mm2"]].isna().all()
    assert found["toes_in_pad_ratio"] == pytest.approx(right["toes_in_pad_ratio"])


def test_prints_of_which_little_or_nothing_is_left_keep_their_row() -> None:
    drawn = draw_prints(["puma"] * 4)
    pads = drawn[(drawn["print"] == 1) & (drawn["part"] == "pad")]
    toes = drawn[(drawn["print"] == 2) & (drawn["part"] != "pad")]
    bad = drawn[(drawn["print"] == 3)].assign(part="tail")
    found = measure_print(pd.concat([drawn[drawn["print"] == 0], pads, toes, bad]))
    assert found.index.tolist() == [0, 1, 2, 3]
    assert found.loc[1, "pad_area_mm2"] == pytest.approx(found.loc[0, "pad_area_mm2"])
    assert found.loc[1, "axis_from"] == "pad alone"
    assert found.loc[2, "axis_from"] == "four toes"
    assert found.loc[2, "toe_3_lead_mm"] == pytest.approx(found.loc[0, "toe_3_lead_mm"], abs=1)
    assert found.loc[3, [*MEASURED]].isna().all()
    assert "unknown part" in found.loc[3, "notes"]
    said = state_likelihoods(found)
    assert said.loc[3].isna().all()
    assert (weigh_characters(prints_from(found), EVIDENCE).loc[3] == 0).all()


@pytest.mark.parametrize(("taxon", "lobes"), [("puma", 3), ("dog", 1)])
def test_a_print_in_dust_of_which_only_the_pad_is_left_still_shows_its_rear_lobes(
    taxon: str, lobes: int
) -> None:
    rng = np.random.default_rng(12)
    drawn = draw_prints([taxon] * 60, tracing_mm=0.4, rng=rng)
    whole = measure_print(drawn, retracings=0)
    pads = measure_print(drawn[drawn["part"] == "pad"], retracings=0)
    off = (pads["axis_deg"] - whole["axis_deg"] + 180) % 360 - 180
    assert (off.abs() < 30).mean() > 0.8
    assert pads["pad_rear_lobes"].eq(lobes).mean() > 0.8
    assert pads["length_mm"].isna().all()
    said = weigh_characters(prints_from(pads), EVIDENCE)
    ahead = (said["puma"] - said["dog"]) * (1 if taxon == "puma" else -1)
    assert ahead.gt(0).mean() > 0.8


def test_an_empty_table_gives_an_empty_table() -> None:
    none = draw_prints(["puma"]).iloc[:0]
    found = measure_print(none)
    assert len(found) == 0
    assert set(MEASURED) <= set(found.columns)


@pytest.mark.parametrize(
    "options", [{"tracing_error_mm": -1}, {"retracings": 1}, {"scale_error_fraction": np.nan}]
)
def test_options_out_of_range_are_refused(options: dict[str, float]) -> None:
    with pytest.raises(InputError):
        measure_print(draw_prints(["puma"]), **options)


# --- from measures to the weighing ------------------------------------------------------------


def test_a_measured_character_replaces_not_visible_and_nothing_else() -> None:
    measured = measure_print(draw_prints(["dog"]))
    noted = pd.DataFrame({"leading_toe": ["one_leads"], "toe_shape": ["not_visible"]}, index=[0])
    joined = add_measured(noted, measured)
    assert joined["leading_toe"].tolist() == ["one_leads"]
    why = character_weights(joined, EVIDENCE, taxon="puma", against="dog").loc[0]
    assert why["leading_toe"] > 0 > why["toe_shape"]
    assert why["pad_texture"] == 0
    plain = weigh_characters(noted, EVIDENCE)
    assert np.array_equal(weigh_characters(noted.join(pd.DataFrame(index=[0])), EVIDENCE), plain)


def test_a_measure_half_way_between_two_states_leaves_the_odds_exactly() -> None:
    flat = pd.DataFrame(
        {"claws:none": [1.0], "claws:fine_apart": [1.0], "claws:blunt_joined": [1.0]}
    )
    assert np.allclose(weigh_characters(flat, EVIDENCE), 0, atol=1e-15)
    sure = pd.DataFrame(
        {"claws:none": [1.0], "claws:fine_apart": [0.0], "claws:blunt_joined": [0.0]}
    )
    noted = pd.DataFrame({"claws": ["none"]})
    assert np.allclose(weigh_characters(sure, EVIDENCE), weigh_characters(noted, EVIDENCE))


@pytest.mark.parametrize(
    ("measure", "character", "state", "values"),
    [
        ("lead_ratio", "leading_toe", "one_leads", [0, 0.02, 0.05, 0.09, 0.3]),
        ("toes_in_pad_ratio", "toes_in_pad", "about_four", [1, 2.5, 3.2, 4, 9]),
        ("length_to_width", "outline", "longer", [0.7, 1, 1.1, 1.2, 2]),
        ("pad_front_width_ratio", "pad_front_edge", "two_lobes_or_flat", [0, 0.3, 0.5, 0.7, 1]),
    ],
)
def test_more_of_a_measure_never_speaks_less_for_its_state(
    measure: str, character: str, state: str, values: list[float]
) -> None:
    measured = pd.DataFrame({measure: values})
    said = characters_from(measured)
    said = said[said["character"] == character]
    chance = np.where(said["state"] == state, said["probability"], 1 - said["probability"])
    assert (np.diff(chance) >= 0).all()
    assert chance[0] < 0.2
    assert chance[-1] > 0.8
    assert chance.max() <= 20 / 21 + 1e-9
    unsure = characters_from(measured.assign(**{f"{measure}_error": 10.0}))
    assert (unsure[unsure["character"] == character]["probability"] < 0.6).all()


def test_measured_prints_go_through_the_weighing_of_sign() -> None:
    measured = measure_print(draw_prints(["puma", "puma", "dog"], rng=np.random.default_rng(1)))
    prints = add_measured(pd.DataFrame({"sign": ["A", "A", "B"]}, index=measured.index), measured)
    sign = pd.DataFrame({"sign": ["A", "B"], "surface": ["dust", "mud"]})
    after = to_probabilities(weigh_sign(sign, prints, EVIDENCE), EVIDENCE.prior)
    assert after.loc["A"].idxmax() == "p_puma"
    assert after.loc["B"].idxmax() == "p_dog"


def test_likelihoods_that_are_none_and_names_that_clash_are_refused() -> None:
    bad = pd.DataFrame({f"claws:{state}": [0.0] for state in CHARACTERS["claws"]})
    with pytest.raises(InputError, match="not all 0"):
        weigh_characters(bad, EVIDENCE)
    measured = measure_print(draw_prints(["dog"]))
    with pytest.raises(InputError, match="not in the table"):
        add_measured(pd.DataFrame({"sign": ["A"]}, index=["X"]), measured)
    own = measured_states()
    with pytest.raises(InputError, match="one SD"):
        state_likelihoods(measured, own.assign(sd=own["sd"] * np.arange(1, len(own) + 1)))
    with pytest.raises(InputError, match="one row for each"):
        state_likelihoods(measured, own.drop(index=0))


# --- reading --------------------------------------------------------------------------------


def test_outlines_written_as_geojson_read_back_the_same(tmp_path: Path) -> None:
    drawn = draw_prints(["puma", "dog"])
    file = tmp_path / "prints.geojson"
    file.write_text(to_geojson(drawn), encoding="utf-8")
    read = read_outlines(file)
    assert read.crs is None
    assert read["part"].tolist() == drawn["part"].tolist()
    assert shapely.equals_exact(read.geometry.to_numpy(), drawn.geometry.to_numpy(), 1e-9).all()


def test_units_and_names_of_features_are_brought_to_ours(tmp_path: Path) -> None:
    square = {"type": "Polygon", "coordinates": [[[0, 0], [1, 0], [1, 1], [0, 1], [0, 0]]]}
    unclosed = {"type": "Polygon", "coordinates": [[[0, 0], [1, 0], [1, 1], [0, 1]]]}
    features = [
        {"type": "Feature", "properties": {"part": "Heel pad", "unit": "in"}, "geometry": square},
        {"type": "Feature", "properties": {"part": "toe 3", "unit": "cm"}, "geometry": unclosed},
        {"type": "Feature", "properties": None, "geometry": None},
    ]
    file = tmp_path / "dusty.geojson"
    file.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    read = read_outlines(file)
    assert read["print"].tolist() == ["dusty"] * 3
    assert read["part"].tolist()[:2] == ["pad", "toe_3"]
    assert read.geometry.iloc[0].area == pytest.approx(25.4**2)
    faults = check_outlines(read).faults
    assert faults["done"].tolist().count("set aside") >= 1
    features[0]["properties"]["unit"] = "cubits"
    with pytest.raises(InputError, match="cubits"):
        read_outlines({"type": "FeatureCollection", "features": features})
    file.write_text("[1, 2")
    with pytest.raises(FileUnreadable, match=r"dusty\.geojson"):
        read_outlines(file)
    with pytest.raises(FileUnreadable, match="FeatureCollection"):
        read_outlines({"type": "Point", "coordinates": [0, 0]})


@pytest.mark.parametrize(
    ("path", "area"),
    [
        ("M0 0 h10 v10 h-10 z", 100),
        ("M 0,0 L 10,0 10,10 0,10 Z", 100),
        ("m5 5 l10 0 0 10 -10 0z", 100),
        ("M10 0 A10 10 0 1 1 -10 0 A10 10 0 1 1 10 0 Z", np.pi * 100),
        ("M10 0A10 10 0 11-10 0A10 10 0 1110 0z", np.pi * 100),  # flags without spaces
        ("M0-5 a10 5 0 1 0 .001 0 z", np.pi * 50),
        ("M0 0 Q5 10 10 0 Z", 100 / 3),  # a parabola holds two thirds of its box, 10 by 5
        ("M0 0 Q5 10 10 0 T20 0 Z", 0),  # its smooth sequel lies on the other side
        ("M0 0 C0 10 10 10 10 0 Z", 60),  # Green: 3/20 (2 * 10 * 10 + 2 * 10 * 10)
        ("M0 0 C0 10 10 10 10 0 S20-10 20 0 Z", 0),
        ("M1e1 0 H0 V1E1 H10 Z", 100),
    ],
)
def test_svg_paths_enclose_their_closed_form_area(path: str, area: float) -> None:
    # commands and arcs: Scalable Vector Graphics 1.1 (W3C), section 8.3 and appendix F.6
    read = outlines_from_table(pd.DataFrame({"print": "A", "part": ["pad"], "geometry": [path]}))
    xy = np.array(read.geometry.iloc[0].exterior.coords)
    signed = np.sum(xy[:-1, 0] * xy[1:, 1] - xy[1:, 0] * xy[:-1, 1]) / 2
    assert abs(signed) == pytest.approx(area, rel=0.01, abs=0.5)


def test_y_of_svg_runs_down_and_is_turned_up() -> None:
    read = outlines_from_table(
        pd.DataFrame({"print": "A", "part": ["pad"], "geometry": ["M0 0h4v7h-4z"]})
    )
    assert read.total_bounds.tolist() == [0, -7, 4, 0]


@pytest.mark.parametrize(
    "text", ["", "hello", "M0 0 L5", "L0 0 5 5", "M0 0 L5 5 M9 9 L1 1", "M0 0 b 4"]
)
def test_text_that_is_no_outline_leaves_its_row_to_be_set_aside(text: str) -> None:
    read = outlines_from_table(pd.DataFrame({"print": "A", "part": ["pad"], "geometry": [text]}))
    checked = check_outlines(read)
    assert len(read) == len(checked.set_aside) == 1
    assert np.isnan(measure_print(read).loc["A", "pad_area_mm2"])
