"""Set aside: listed, corrected by hand, read again; and nothing is ever taken away."""

from __future__ import annotations

import csv
import hashlib
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from carnivore_sign import check_season
from carnivore_sign.errors import FileUnreadable, InputError
from carnivore_sign.intake import (
    import_files,
    list_set_aside,
    read_file,
    reading,
    reimport_set_aside,
    write_set_aside,
)
from carnivore_sign.records.season import Season

GPX = (
    '<x:gpx xmlns:x="http://www.topografix.com/GPX/1/1"><x:wpt lat="37.4" lon="999">'
    "<x:name>S1</x:name></x:wpt><x:trk><x:trkseg/><x:trkseg>"
    '<x:trkpt lat="37.4" lon="-119.2"><x:time>2026-02-14T15:40:00Z</x:time></x:trkpt>'
    '<x:trkpt lat="374" lon="-119.2"><x:time>2026-02-14T15:40:05Z</x:time></x:trkpt>'
    '<x:trkpt lat="37.4002" lon="-119.2"><x:time>soon</x:time></x:trkpt>'
    "</x:trkseg></x:trk></x:gpx>"
)
SIGN = (
    "sign;date;time;lat;lon;kind;notes\n"
    'S1;2026-02-14;08:01;37.4;-119.2;paw;"fresh; sharp edges"\n'
    "S2;2026-02-14;08:20;37.4;-119.2;scat;=1+1\n"
    "S3;2026-02-14;25:20;37.4;-119.2;scat;\n"
)


@pytest.fixture
def filled(season: Season, tmp_path: Path) -> Season:
    """Return a season into which files with faults were imported."""
    (tmp_path / "walk.gpx").write_text(GPX)
    (tmp_path / "sign.csv").write_text(SIGN)
    import_files(season, [tmp_path / "walk.gpx", tmp_path / "sign.csv"])
    return season


def correct(path: Path, mend: Callable[[str], str]) -> Path:
    with path.open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    for row in rows:
        row["corrected"] = mend(row["corrected"])
    with path.open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    return path


def mended(text: str) -> str:
    for wrong, right in (("999", "-119.1"), ("374", "37.4001"), (">soon<", "/><!--"),
                         (";paw;", ";track;"), ("25:20", "23:20")):  # fmt: skip
        text = text.replace(wrong, right)
    return text.replace("/><!--", ">2026-02-14T15:40:10Z<")


def test_rows_set_aside_are_listed_with_their_file_and_reason(filled: Season) -> None:
    listed = list_set_aside(filled)
    assert listed["set_aside_no"].tolist() == [1, 2, 3, 4, 5]
    assert listed.groupby("file").size().to_dict() == {"walk.gpx": 3, "sign.csv": 2}
    assert listed["reason"].str.contains("out of range|time: |kind: ").all()
    assert listed["settled_by"].isna().all()


def test_a_row_without_a_change_is_passed_over(filled: Season, tmp_path: Path) -> None:
    path = write_set_aside(filled, tmp_path / "aside.csv")
    assert reimport_set_aside(filled, path).empty
    assert reimport_set_aside(filled, correct(path, lambda _: "")).empty
    assert len(list_set_aside(filled)) == 5


def test_corrected_rows_become_rows_with_a_receipt_that_names_the_earlier_one(
    filled: Season, tmp_path: Path
) -> None:
    before = filled.read("set_aside")
    path = correct(write_set_aside(filled, tmp_path / "aside.csv"), mended)
    told = reimport_set_aside(filled, path)
    assert (told["rows_in"] == told["rows_kept"] + told["rows_set_aside"]).all()
    assert told.set_index("table_name")["rows_kept"].to_dict() == {
        "waypoints": 1, "fixes": 2, "sign": 2,
    }  # fmt: skip
    first = filled.read("receipts")["receipt"].iloc[0]
    assert told["notes"].iloc[0] == f"corrects rows 2, 3 set aside under receipt {first}"
    pd.testing.assert_frame_equal(filled.read("set_aside"), before)
    assert list_set_aside(filled).empty
    assert set(list_set_aside(filled, with_settled=True)["settled_by"]) == set(told["receipt"])

    fixes = filled.read("fixes")
    assert fixes["log"].tolist() == ["walk"] * 3
    assert fixes["part"].tolist() == [1, 1, 1]
    assert fixes["source_row"].tolist() == [1, 2, 3]
    assert fixes.geometry.y.tolist() == [37.4, 37.4001, 37.4002]
    assert fixes["receipt"].tolist() == [first, *[told["receipt"].iloc[0]] * 2]
    assert filled.read("waypoints").geometry.x.tolist() == [-119.1]
    sign = filled.read("sign")
    assert sign["sign"].tolist() == ["S2", "S1", "S3"]
    assert sign["notes"].tolist()[:2] == ["=1+1", "fresh; sharp edges"]
    assert sign["time"].iloc[2] == pd.Timestamp("2026-02-15T07:20Z")


def test_a_correction_that_is_wrong_is_set_aside_in_its_turn(
    filled: Season, tmp_path: Path
) -> None:
    path = write_set_aside(filled, tmp_path / "aside.csv")
    told = reimport_set_aside(filled, correct(path, lambda text: text.replace("374", "370")))
    assert told[["rows_in", "rows_kept", "rows_set_aside"]].to_numpy().tolist() == [[1, 0, 1]]
    listed = list_set_aside(filled)
    assert listed["set_aside_no"].tolist() == [2, 3, 4, 5, 6]
    assert listed["file"].iloc[-1] == "walk.gpx, corrected"
    again = correct(write_set_aside(filled, path), lambda text: text.replace("370", "37.4001"))
    reimport_set_aside(filled, again)
    assert filled.read("fixes").geometry.y.tolist() == [37.4, 37.4001]
    assert len(filled.read("set_aside")) == 6


def test_a_correction_must_be_one_row_of_its_table(filled: Season, tmp_path: Path) -> None:
    path = write_set_aside(filled, tmp_path / "aside.csv")
    told = reimport_set_aside(filled, correct(path, lambda text: text and text * 2 + "\nx"))
    assert told["rows_kept"].eq(0).all()
    assert list_set_aside(filled)["set_aside_no"].tolist() == [6, 7, 8, 9, 10]


def test_a_name_that_is_taken_can_be_given_anew(filled: Season, tmp_path: Path) -> None:
    other = tmp_path / "other.csv"
    other.write_text("sign,time,lat,lon,kind\nS2,2026-02-15T08:00:00Z,37.5,-119.3,scat\n")
    import_files(filled, [other])
    path = correct(
        write_set_aside(filled, tmp_path / "a.csv"), lambda text: text.replace("S2,", "S22,")
    )
    told = reimport_set_aside(filled, path)
    assert told["rows_kept"].tolist() == [1]
    last = filled.read("sign").iloc[-1]
    assert (last["sign"], last["kind"]) == ("S22", "scat")
    assert last["time"] == pd.Timestamp("2026-02-15T08:00Z")
    assert (last.geometry.x, last.geometry.y) == (-119.3, 37.5)


def test_a_point_can_be_given_in_place_of_what_cannot_be_read(
    season: Season, tmp_path: Path
) -> None:
    (tmp_path / "cut.gpx").write_text('<gpx><trk><trkseg><trkpt lat="37.4" lon="-11')
    import_files(season, [tmp_path / "cut.gpx"])
    path = write_set_aside(season, tmp_path / "aside.csv")
    line = "37.4,-119.2,2026-02-14T15:40:00Z,600,"
    reimport_set_aside(season, correct(path, lambda _: line))
    fixes = season.read("fixes")
    assert fixes["elevation_m"].tolist() == [600]
    assert list_set_aside(season).empty


def test_no_cell_of_the_file_is_run_as_a_formula(season: Season, tmp_path: Path) -> None:
    text = "sign,time,kind,notes\n=HYPERLINK(1),2026-02-14T08:00:00Z,paw,x\n"
    (tmp_path / "bad.csv").write_text(text)
    import_files(season, [tmp_path / "bad.csv"])
    path = write_set_aside(season, tmp_path / "aside.csv")
    with path.open(encoding="utf-8-sig", newline="") as file:
        cells = [cell for row in csv.reader(file) for cell in row]
    assert not any(cell.startswith(("=", "+", "-", "@")) for cell in cells)
    reimport_set_aside(season, correct(path, lambda cell: cell.replace(",paw,", ",scat,")))
    assert season.read("sign")["sign"].tolist() == ["=HYPERLINK(1)"]


def test_a_file_of_corrections_that_does_not_fit_is_told(filled: Season, tmp_path: Path) -> None:
    path = tmp_path / "aside.csv"
    path.write_text("a,b\n1,2\n")
    with pytest.raises(FileUnreadable, match="no columns set_aside_no and corrected"):
        reimport_set_aside(filled, path)
    path.write_text("set_aside_no,corrected\n99,x\n")
    with pytest.raises(InputError, match="no row number 99"):
        reimport_set_aside(filled, path)
    path.write_text("set_aside_no,corrected\nx,y\n")
    with pytest.raises(InputError, match="row 2: 'x' is not the number"):
        reimport_set_aside(filled, path)
    with pytest.raises(FileUnreadable):
        reimport_set_aside(filled, tmp_path / "none.csv")
    good = correct(write_set_aside(filled, path), mended)
    reimport_set_aside(filled, good)
    with pytest.raises(InputError, match="was settled already with another text"):
        reimport_set_aside(filled, correct(good, lambda cell: cell.replace("37.4", "37.5")))


def test_the_same_corrections_once_more_change_nothing_and_complete_a_broken_run(
    filled: Season, tmp_path: Path
) -> None:
    path = correct(write_set_aside(filled, tmp_path / "aside.csv"), mended)
    header, *lines = path.read_text("utf-8-sig").splitlines()
    some = tmp_path / "some.csv"
    some.write_text("\n".join([header, *(line for line in lines if "walk.gpx" in line)]))
    reimport_set_aside(filled, some)  # as if the run had been broken off here
    assert len(list_set_aside(filled)) == 2
    told = reimport_set_aside(filled, path)
    assert told["table_name"].tolist() == ["sign"]
    assert list_set_aside(filled).empty
    before = filled.path.read_bytes()
    assert reimport_set_aside(filled, path).empty
    assert filled.path.read_bytes() == before


def test_rows_of_a_mended_table_settle_those_that_were_set_aside_of_it(
    filled: Season, tmp_path: Path
) -> None:
    """S1 and S3 were set aside; the mended table has a row more on top, and S3 is still wrong."""
    head, first, second, third = SIGN.splitlines()
    rows = [head, "S0;2026-02-14;07:55;37.4;-119.2;scat;", first.replace("paw", "track"), second]
    (tmp_path / "mended.csv").write_text("\n".join([*rows, third]))
    told = import_files(filled, [tmp_path / "mended.csv"])
    assert told["rows_known"].item() == 1
    assert set(filled.read("sign")["sign"]) == {"S0", "S1", "S2"}
    listed = list_set_aside(filled)
    of_sign = listed[listed["table_name"].eq("sign")]
    assert of_sign["content"].tolist() == [third]
    assert of_sign["file"].tolist() == ["mended.csv"]
    everything = list_set_aside(filled, with_settled=True)
    settled = everything[everything["settled_by"].notna()]
    assert settled["content"].tolist() == [first, third]
    assert settled["settled_by"].eq(told["receipt"].item()).all()
    (tmp_path / "again.csv").write_text("\n".join([*rows, third.replace("25:20", "23:20")]))
    import_files(filled, [tmp_path / "again.csv"])
    assert not list_set_aside(filled)["table_name"].eq("sign").any()
    before = filled.path.read_bytes()
    import_files(filled, [tmp_path / "again.csv"])
    assert filled.path.read_bytes() == before


def test_rows_settled_by_hand_stay_settled_when_their_notebook_comes_once_more(
    filled: Season, tmp_path: Path
) -> None:
    reimport_set_aside(filled, correct(write_set_aside(filled, tmp_path / "aside.csv"), mended))
    assert list_set_aside(filled).empty
    before = list_set_aside(filled, with_settled=True)
    more = "S4;2026-02-14;09:01;37.4;-119.2;scat;\nS5;noon;;37.4;-119.2;scat;\n"
    (tmp_path / "longer.csv").write_text(SIGN + more)
    told = import_files(filled, [tmp_path / "longer.csv"])
    counts = ["rows_in", "rows_kept", "rows_set_aside"]
    assert told[counts].to_numpy().tolist() == [[5, 2, 3]]
    (left,) = list_set_aside(filled)["content"]
    assert left.startswith("S5;noon")
    whole = list_set_aside(filled, with_settled=True)
    assert len(whole) == len(before) + 3
    by = whole[whole["table_name"].eq("sign")].groupby("content")["settled_by"]
    assert sorted(by.nunique()) == [0, 1, 1]  # the copies by the receipt of the first
    assert check_season(filled.path).sound  # with fixes that came after the end of their log


def test_a_row_that_is_still_open_in_a_later_file_is_not_settled_by_what_settled_its_copy(
    filled: Season, tmp_path: Path
) -> None:
    """Each file lists the faulty row anew; only the last of them is open, and none hides it."""
    for count in (1, 2):
        more = "".join(f"S{9 + n};2026-02-14;09:01;37.4;-119.2;scat;\n" for n in range(count))
        (tmp_path / f"{count}.csv").write_text(SIGN + more)
        import_files(filled, [tmp_path / f"{count}.csv"])
        listed = list_set_aside(filled)
        of_sign = listed[listed["table_name"].eq("sign")]
        assert of_sign["file"].tolist() == [f"{count}.csv"] * 2


def test_another_row_of_a_table_settles_nothing(filled: Season, tmp_path: Path) -> None:
    (tmp_path / "more.csv").write_text(
        "sign,date,time,lat,lon,kind\nS9,2026-02-14,08:01,37.4,-119.2,scat\n"
    )
    import_files(filled, [tmp_path / "more.csv"])
    assert len(list_set_aside(filled)) == 5


@pytest.mark.parametrize(("name", "left"), [("clearings.csv", 0), ("other.csv", 1)])
def test_rows_without_a_name_are_settled_by_their_place_in_the_file(
    season: Season, tmp_path: Path, name: str, left: int
) -> None:
    text = "cause,time,transects\nfog,2026-02-14 08:00,MESA\nrain,2026-02-15 08:00,MESA\n"
    (tmp_path / "clearings.csv").write_text(text)
    import_files(season, [tmp_path / "clearings.csv"])
    assert len(list_set_aside(season)) == 1
    (tmp_path / name).write_text(text.replace("fog", "snow"))
    import_files(season, [tmp_path / name])
    assert len(list_set_aside(season)) == left


def test_prints_are_settled_by_sign_and_number(season: Season, tmp_path: Path) -> None:
    text = "sign,print,length\nS1,1,82 mm\nS1,2,eighty\nS2,2,82\n"
    for name, words in (("a.csv", text), ("b.csv", text.replace("eighty", "80 mm"))):
        (tmp_path / name).write_text(words)
        import_files(season, [tmp_path / name])
    assert list_set_aside(season)["content"].tolist() == ["S2,2,82"]


def test_originals_beyond_the_budget_are_told_by_number_and_hash_and_can_be_corrected(
    season: Season, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(reading, "MAX_ORIGINALS", 500)
    points = [
        f'<trkpt lat="9{place % 10}.5" lon="{place}"><ele>600</ele></trkpt>' for place in range(40)
    ]
    path = tmp_path / "bad.gpx"
    path.write_text(f"<gpx><trk><trkseg>{''.join(points)}</trkseg></trk></gpx>")
    receipts = import_files(season, [path])
    fixes = receipts.set_index("table_name").loc["fixes"]
    assert (fixes["rows_in"], fixes["rows_kept"], fixes["rows_set_aside"]) == (40, 0, 40)
    rows = list_set_aside(season)
    assert rows["source_row"].tolist() == list(range(1, 41))
    assert rows["reason"].str.startswith("latitude out of range").all()
    whole = [text == point for text, point in zip(rows["content"], points, strict=True)]
    kept = sum(len(point) for point, there in zip(points, whole, strict=True) if there)
    assert 400 < kept <= 500
    assert whole == sorted(whole, reverse=True)
    for text, point in zip(rows["content"][sum(whole) :], points[sum(whole) :], strict=True):
        digest = hashlib.sha256(point.encode()).hexdigest()[:16]
        assert text == f"not kept: {len(point)} characters, sha256 {digest}"
    assert f"the originals of {40 - sum(whole)} of them are not kept" in fixes["notes"]
    written = write_set_aside(season, tmp_path / "aside.csv")
    table = pd.read_csv(written, dtype=str, keep_default_na=False)
    assert table["corrected"].ne("").tolist() == whole
    table.loc[39, "corrected"] = "37.4,-119.2,2026-02-14T15:40:00Z,600,"
    table.drop(columns="heading").assign(heading=table["heading"]).to_csv(written, index=False)
    outcome = reimport_set_aside(season, written)
    assert outcome["rows_kept"].sum() == 1
    assert len(list_set_aside(season)) == 39


def test_a_reason_is_never_long(tmp_path: Path) -> None:
    path = tmp_path / "sign.csv"
    path.write_text(f"sign,time,kind\nS1,2026-02-14T07:40Z,{'x' * 100_000}\n")
    aside = read_file(path).set_aside
    assert aside["reason"].str.len().item() == reading.MAX_REASON
