"""Outlines of prints go into the season, whole or set aside with a reason, and come out again."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import shapely

from carnivore_sign.chain import summarise_import
from carnivore_sign.errors import DataWarning, FileUnreadable
from carnivore_sign.identify import join_traced, measure_print, read_outlines, to_geojson
from carnivore_sign.intake import import_files, orphan_prints, read_file, read_table
from carnivore_sign.records.check import check_table
from carnivore_sign.records.outline_checks import FAULTS
from carnivore_sign.records.season import Season
from carnivore_sign.records.tables import OUTLINES, PRINTS
from carnivore_sign.records.vocabularies import PRINT_PARTS
from carnivore_sign.simulate import draw_prints

PUMA = draw_prints(["puma"], length_mm=88.0, with_dewclaw=True)
BOW = {"type": "Polygon", "coordinates": [[[0, 0], [9, 9], [9, 0], [0, 9], [0, 0]]]}


def feature(part: object, geometry: Any, **about: object) -> dict[str, Any]:
    told = {"print": "S14/2", "part": part, "unit": "mm", **about}
    return {"type": "Feature", "properties": told, "geometry": geometry}


def features_of(drawn: pd.DataFrame, **about: object) -> list[dict[str, Any]]:
    shapes = [json.loads(shapely.to_geojson(one)) for one in drawn["geometry"]]
    return [feature(part, one, **about) for part, one in zip(drawn["part"], shapes, strict=True)]


def saved(path: Path, features: list[Any], **tracing: object) -> Path:
    """Write a file of outlines as the tracing page does."""
    about = {"photo": "IMG_1.jpg", "scale_error_fraction": 0.004, **tracing}
    content = {"type": "FeatureCollection", "tracing": about, "features": features}
    path.write_text(json.dumps(content), encoding="utf-8")
    return path


def test_outlines_are_told_from_layers_and_logs_by_their_parts(tmp_path: Path) -> None:
    path = saved(tmp_path / "anything.json", features_of(PUMA))
    reading = read_file(path)
    assert reading.kind == "outlines"
    rows = reading.tables["outlines"]
    assert reading.rows_in == {"outlines": len(PUMA)} == {"outlines": len(rows)}
    assert rows["sign"].unique().tolist() == ["S14"]
    assert rows["print_no"].unique().tolist() == [2]
    assert rows["part"].tolist() == PUMA["part"].tolist()
    assert rows["source_row"].tolist() == list(range(1, len(PUMA) + 1))
    assert rows["photo"].unique().tolist() == ["IMG_1.jpg"]
    assert rows["scale_error_fraction"].unique().tolist() == [0.004]
    check_table(rows, OUTLINES)
    with pytest.raises(Exception, match="not a notebook table"):
        read_table(path)
    parcel = {"type": "Polygon", "coordinates": [[[0, 0], [1, 0], [1, 1], [0, 0]]]}
    layer = {"type": "FeatureCollection", "features": [feature("north", parcel, name="Alder")]}
    path.write_text(json.dumps(layer))
    assert read_file(path).kind == "layer"


@pytest.mark.parametrize("part", [*PRINT_PARTS, "Toe 2", "main pad", "heel-pad", "Carpal pad"])
def test_every_part_is_recognised_however_it_is_written(tmp_path: Path, part: str) -> None:
    path = saved(tmp_path / "one.geojson", features_of(PUMA.assign(part=part).head(1)))
    assert read_file(path).rows_in == {"outlines": 1}


def test_what_went_into_the_season_measures_as_what_was_traced(
    season: Season, tmp_path: Path
) -> None:
    path = saved(tmp_path / "traced.geojson", features_of(PUMA, foot="Right front"))
    receipts = import_files(season, [path])
    assert receipts[["table_name", "rows_in", "rows_kept"]].to_numpy().tolist() == [
        ["outlines", 6 + 1, 7]
    ]
    held = season.read("outlines")
    traced = join_traced(season.read("prints"), held)
    truth = measure_print(PUMA).iloc[0]
    assert traced[["sign", "print_no", "foot"]].to_numpy().tolist() == [["S14", 2, "right_front"]]
    for name in ("length_mm", "width_mm", "pad_width_mm"):
        assert traced[name].item() == pytest.approx(truth[name], abs=0.01)
    assert traced["leading_toe:one_leads"].item() == 1.0
    again = import_files(season, [path])
    assert again["outcome"].tolist() == ["known"]
    pd.testing.assert_frame_equal(season.read("outlines"), held)


def test_names_units_and_feet_are_brought_to_ours(tmp_path: Path) -> None:
    marks = [
        *features_of(PUMA.head(1), sign="Trail 3/b", print_no=7, unit="cm"),
        *features_of(PUMA.head(1), print="S9", foot=None),
        *features_of(PUMA.head(1), print=None, foot="LEFT HIND"),
    ]
    rows = read_file(saved(tmp_path / "walk.geojson", marks)).tables["outlines"]
    assert rows["sign"].tolist() == ["Trail 3/b", "S9", "walk"]
    assert rows["print_no"].tolist() == [7, 1, 1]
    assert rows["foot"].tolist()[2] == "left_hind"
    areas = shapely.area(shapely.from_wkt(rows["outline_mm"].to_numpy(dtype=object)))
    assert areas[0] == pytest.approx(100 * areas[1], rel=1e-4)


LINE = {"type": "LineString", "coordinates": [[0, 0], [30, 0], [30, 30]]}
CLAW = {"type": "LineString", "coordinates": [[0, 60], [0, 66]]}


def test_marks_that_cannot_be_measured_are_set_aside_and_the_rest_is_kept(
    season: Season, tmp_path: Path
) -> None:
    good = features_of(PUMA)
    faulty = {
        FAULTS["unknownPart"]: feature("tail", good[0]["geometry"]),
        "'fathom' is no unit of length": feature("toe_2", good[0]["geometry"], unit="fathom"),
        FAULTS["empty"]: feature("toe_2", None),
        FAULTS["open"]: feature("toe_5", LINE),
        FAULTS["crossing"]: feature("pad", BOW, print="S14/3"),
        FAULTS["twice"]: feature("toe", good[0]["geometry"]),
        FAULTS["strange"]: feature("toe", {"type": "Point", "coordinates": [1, 1]}),
        "foot: not one of": feature("claw", CLAW, foot="third", print="S14/4"),
        "print_no: 'two' is no whole number": feature("claw", CLAW, sign="S14", print_no="two"),
    }
    path = saved(tmp_path / "traced.geojson", [*good, *faulty.values(), feature("claw_3", CLAW)])
    receipts = import_files(season, [path])
    assert receipts["rows_in"].item() == len(good) + len(faulty) + 1
    assert receipts["rows_kept"].item() == len(good) + 1  # the claw is a line, and may be one
    aside = season.read("set_aside")
    assert aside["source_row"].tolist() == list(range(8, 8 + len(faulty)))
    for reason, said in zip(aside["reason"], faulty, strict=True):
        assert said in reason
    assert all(json.loads(text)["type"] == "Feature" for text in aside["content"])
    told = "\n".join(summarise_import(season, receipts).lines())
    assert "outlines: 17 read, 8 kept, 9 set aside" in told
    assert "1 prints belong to sign that the season does not have: S14" in told


def test_what_measuring_mends_is_kept_as_traced_and_told(season: Season, tmp_path: Path) -> None:
    marks = features_of(PUMA)
    marks[1] = feature("toe_2", marks[1]["geometry"])  # two toes bear one number
    receipts = import_files(season, [saved(tmp_path / "traced.geojson", marks)])
    assert FAULTS["sameNumber"] in receipts["notes"].item()
    held = season.read("outlines")
    assert held.loc[held["part"].eq("toe_2"), "mark_no"].tolist() == [1, 2]
    with pytest.warns(DataWarning, match="Of 1 traced prints 1 have marks to look at. print S14/2"):
        traced = join_traced(season.read("prints"), held)
    assert traced["length_mm"].item() == pytest.approx(88.0, rel=0.02)


def test_a_file_gone_on_with_adds_its_marks_and_another_tracing_is_never_mixed_in(
    season: Season, tmp_path: Path
) -> None:
    marks = features_of(PUMA)
    import_files(season, [saved(tmp_path / "first.geojson", marks[:5])])
    receipts = import_files(season, [saved(tmp_path / "more.geojson", marks)])
    assert receipts[["rows_kept", "rows_known"]].to_numpy().tolist() == [[7, 5]]
    assert len(season.read("outlines")) == 7
    other = features_of(draw_prints(["puma"], length_mm=91.0))
    beside = feature("pad", other[-1]["geometry"], print="S14/9")
    again = saved(tmp_path / "again.geojson", [*other, beside])
    elsewhere = saved(tmp_path / "other.geojson", [feature("claw_2", CLAW)], photo="IMG_2.jpg")
    receipts = import_files(season, [again, elsewhere])
    assert receipts["rows_kept"].tolist() == [1, 0]
    assert receipts["rows_set_aside"].tolist() == [5, 1]
    reasons = season.read("set_aside")["reason"]
    assert reasons.str.contains("holds another tracing of print S14/2, on photo IMG_1.jpg").all()
    assert len(season.read("outlines")) == 8
    assert receipts["outcome"].tolist() == ["imported", "imported"]


def test_noted_characters_and_sizes_stand_and_measured_ones_fill_the_rest(
    season: Season, tmp_path: Path
) -> None:
    import_files(season, [saved(tmp_path / "traced.geojson", features_of(PUMA))])
    noted = pd.DataFrame(
        {"receipt": "x", "sign": ["S14", "S14"], "print_no": [1, 2], "claws": ["none", None],
         "pad_width_mm": [None, 60.0], "foot": [None, "left_hind"]}
    )  # fmt: skip
    season.append({"prints": check_table(noted, PRINTS)})
    traced = join_traced(season.read("prints"), season.read("outlines"))
    assert traced[["sign", "print_no"]].to_numpy().tolist() == [["S14", 1], ["S14", 2]]
    assert traced["pad_width_mm"].tolist()[1] == 60.0
    assert traced["foot"].tolist()[1] == "left_hind"
    assert traced["length_mm"].isna().tolist() == [True, False]
    assert traced["toes_in_pad:about_four"].notna().tolist() == [False, True]
    assert join_traced(noted, season.read("outlines").iloc[:0]) is noted


def test_the_error_of_each_photo_widens_the_sizes_traced_on_it(tmp_path: Path) -> None:
    two = pd.concat([PUMA.assign(print="A/1"), PUMA.assign(print="A/2")], ignore_index=True)
    by_print = measure_print(two, scale_error_fraction=pd.Series({"A/1": 0.0, "A/2": 0.05}))
    for name, fraction in (("A/1", 0.0), ("A/2", 0.05)):
        alike = measure_print(two, scale_error_fraction=fraction)
        pd.testing.assert_series_equal(by_print.loc[name], alike.loc[name])
    assert by_print.loc["A/2", "length_mm_error"] > 5 * by_print.loc["A/1", "length_mm_error"]
    path = tmp_path / "two.geojson"
    path.write_text(to_geojson(two))
    assert read_outlines(path)["print"].unique().tolist() == ["A/1", "A/2"]
    assert read_file(path).tables["outlines"]["print_no"].unique().tolist() == [1, 2]


def test_traced_prints_of_sign_that_is_not_there_are_orphans_once(
    season: Season, tmp_path: Path
) -> None:
    import_files(season, [saved(tmp_path / "traced.geojson", features_of(PUMA))])
    season.append({"prints": check_table(pd.DataFrame(
        {"receipt": "x", "sign": ["S14", "S14"], "print_no": [2, 3]}), PRINTS)})  # fmt: skip
    assert orphan_prints(season)[["sign", "prints"]].to_numpy().tolist() == [["S14", 2]]


STRANGE = [float("nan"), float("inf"), 1e308, -1e308, None, "x", [], {}]


@pytest.mark.parametrize("value", STRANGE, ids=repr)
def test_whatever_stands_in_a_file_its_rows_are_all_accounted_for(
    tmp_path: Path, value: object
) -> None:
    marks = features_of(PUMA.head(6))
    marks[0]["geometry"]["coordinates"][0][3] = [value, 1.0]
    marks[1]["geometry"]["coordinates"] = value
    for mark, name in zip(marks[2:], ("unit", "part", "foot", "print_no"), strict=True):
        mark["properties"][name] = value
    reading = read_file(saved(tmp_path / "odd.geojson", marks, photo=value))
    assert reading.rows_in["outlines"] == 6
    assert set(reading.set_aside["source_row"]) >= {1, 2} if value is not None else {2}
    check_table(reading.tables["outlines"], OUTLINES)


def test_a_file_cut_short_is_refused(tmp_path: Path) -> None:
    path = saved(tmp_path / "cut.geojson", features_of(PUMA))
    path.write_bytes(path.read_bytes()[:-40])
    with pytest.raises(FileUnreadable, match="Save the outlines once more"):
        read_file(path)
