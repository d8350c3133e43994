"""Checks: every fault is found, told once, and the good rows are kept."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from carnivore_sign.errors import CrsMissing, TableFaults
from carnivore_sign.records.check import check_table, conform, empty, find_faults, split_faults
from carnivore_sign.records.tables import DETECTIONS, FIXES, PRINTS, SIGN, TABLES, Table
from carnivore_sign.records.vocabularies import CHARACTERS, TAXA, TAXON_NAMES


def sign(**changes: object) -> gpd.GeoDataFrame:
    frame = gpd.GeoDataFrame(
        {
            "receipt": "r",
            "sign": ["S1", "S2", "S3"],
            "time": pd.to_datetime(["2026-02-01T15:00Z"] * 3),
            "kind": "track",
            "confidence": [0.5, None, 1.0],
        },
        geometry=gpd.points_from_xy([-129.0, -129.1, -129.2], [33, 33, 33]),
        crs=4326,
    )
    return frame.assign(**changes)


def test_a_good_table_has_no_faults_and_gets_every_column() -> None:
    checked = check_table(sign(), SIGN)
    assert list(checked.columns) == [*SIGN.names, "geometry"]
    assert checked["time"].dtype == "datetime64[ms, UTC]"
    assert np.isnan(checked["confidence"][1])


@pytest.mark.parametrize(
    ("changes", "row", "column", "reason"),
    [
        ({"kind": ["track", "pawprint", "scat"]}, 1, "kind", "not one of track"),
        ({"confidence": [0.5, 1.5, 1.0]}, 1, "confidence", "above 1"),
        ({"confidence": [0.5, -0.5, 1.0]}, 1, "confidence", "below 0"),
        ({"stride_m": [0.5, np.inf, 1.0]}, 1, "stride_m", "not a finite"),
        ({"confidence": ["0.5", "half", None]}, 1, "confidence", "not a number"),
        ({"sign": ["S1", None, "S3"]}, 1, "sign", "missing"),
        ({"sign": ["S1", "S1", "S3"]}, 1, "sign", "already"),
        ({"time": ["2026-02-01T15:00Z", "soon", "2026-02-01T15:00Z"]}, 1, "time", "not a time"),
        (
            {"time": ["2026-02-01T15:00Z", "2026-02-01 15:00", "2026-02-01T15:00+01:00"]},
            1,
            "time",
            "without a zone",
        ),
    ],
)
def test_a_fault_is_named_with_row_column_and_reason(
    changes: dict, row: int, column: str, reason: str
) -> None:
    faults = find_faults(sign(**changes), SIGN)
    assert len(faults) == 1
    fault = faults.iloc[0]
    assert (fault["row"], fault["column"]) == (row, column)
    assert reason in fault["reason"]
    kept, _ = split_faults(sign(**changes), SIGN)
    assert kept.index.tolist() == [0, 2]


def test_all_faults_are_told_at_once() -> None:
    bad = sign(kind=["pawprint", "track", "x"], confidence=[2, 0.1, 0.1])
    with pytest.raises(TableFaults, match=r"3 fault\(s\) in table 'sign'") as told:
        check_table(bad, SIGN)
    assert sorted(told.value.faults["row"]) == [0, 0, 2]


def test_a_missing_required_column_faults_every_row() -> None:
    faults = find_faults(sign().drop(columns="kind"), SIGN)
    assert faults["row"].tolist() == [0, 1, 2]
    assert faults["reason"].str.contains("column is missing").all()


def test_positions_off_the_earth_are_faults_and_missing_ones_where_required() -> None:
    shapes = [shapely.Point(0, 95), shapely.Point(200, 0), None]
    frame = gpd.GeoDataFrame(
        {"receipt": "r", "log": "l", "part": [0, 0, 0]}, geometry=shapes, crs=4326
    )
    faults = find_faults(frame, FIXES)
    assert faults.groupby("row")["reason"].first().tolist() == [
        "latitude or longitude out of range",
        "latitude or longitude out of range",
        "there is no position",
    ]
    optional = sign().set_geometry([None, None, None], crs=4326)
    assert find_faults(optional, SIGN).empty


def test_a_wrong_kind_of_shape_is_a_fault() -> None:
    lines = sign().set_geometry([shapely.LineString([(0, 0), (1, 1)])] * 3, crs=4326)
    assert find_faults(lines, SIGN)["reason"].eq("not a point").all()


def test_positions_without_a_crs_raise() -> None:
    bare = gpd.GeoDataFrame(pd.DataFrame(sign().drop(columns="geometry")), geometry=sign().to_wkt()
                            .geometry.pipe(gpd.GeoSeries.from_wkt))  # fmt: skip
    with pytest.raises(CrsMissing, match="set_crs"):
        conform(bare, SIGN)


def test_another_crs_is_brought_to_the_stored_one() -> None:
    moved = conform(sign().to_crs(32609), SIGN)
    assert moved.crs == "EPSG:4326"
    assert moved.geometry.x.tolist() == pytest.approx([-129.0, -129.1, -129.2])


@pytest.mark.parametrize("table", TABLES.values(), ids=lambda t: t.name)
def test_an_empty_frame_of_each_table_keeps_to_it(table: Table) -> None:
    frame = empty(table)
    assert find_faults(frame, table).empty
    assert conform(frame, table).dtypes.equals(frame.dtypes)


def test_words_of_the_vocabularies_agree_with_each_other() -> None:
    assert set(TAXON_NAMES.values()) == set(TAXA)
    assert {column.name for column in PRINTS.columns} >= set(CHARACTERS)
    assert {f"p_{taxon}" for taxon in TAXA} <= set(DETECTIONS.names)
    assert all(PRINTS[name].words[:-1] == states for name, states in CHARACTERS.items())


def test_a_quick_look_and_a_thorough_one_find_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(4)
    for _ in range(30):
        frame = check_table(
            sign(confidence=[0.0, 0.5, 1.0], age_min_h=rng.choice([0.0, 4.0, np.nan], 3)), SIGN
        )
        column = rng.choice(["confidence", "age_min_h", "direction_deg", "sign", "time"])
        bad = {"sign": None, "time": pd.NaT}.get(column, rng.choice([-1.0, np.inf, np.nan, 361.0]))
        frame.loc[int(rng.integers(3)), column] = bad
        quick = find_faults(frame, SIGN)
        with monkeypatch.context() as patch:
            patch.setattr("carnivore_sign.records.check._is_sound", lambda *_: False)
            patch.setattr("carnivore_sign.records.check._all_on_earth", lambda *_: False)
            pd.testing.assert_frame_equal(quick, find_faults(frame, SIGN))
