"""Filled-in field forms in the season: as submissions and as exported tables, whole or not.

What is filled in here is filled in on what pyxform makes of the form (`field_client`).
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from field_client import Client, export_tables
from pandas.testing import assert_frame_equal
from pyxform.xls2xform import convert

from carnivore_sign.chain import AnalysisOptions, analyse, summarise_import
from carnivore_sign.cli import main
from carnivore_sign.demo import demo_folder
from carnivore_sign.errors import FileUnreadable, InputError, UnknownKind
from carnivore_sign.field import write_field_form
from carnivore_sign.intake import (
    import_files,
    list_set_aside,
    read_file,
    read_table,
    reimport_set_aside,
    write_set_aside,
)
from carnivore_sign.records.check import find_faults
from carnivore_sign.records.season import Season, create_season
from carnivore_sign.records.tables import SEASON_TABLES
from carnivore_sign.records.vocabularies import CHARACTERS

ZONE = "America/Los_Angeles"
FIRST, SECOND = "uuid:7c9e6679-7425-40de-944b-e07fc1f90ae7", "uuid:0b1d-2"
TRACK = {
    "sign_time": "2026-03-08T08:10:00.000-08:00", "place": "33.05 -129.01 12 4.5", "kind": "track",
    "sign_surface": "dust", "named_as": "puma", "certainty_percent": 85, "age_min_h": 2,
    "age_max_h": 12.5, "direction_deg": 45, "stride_mm": 930, "sign_photo": "a.jpg",
    "sign_photo_2": "b.jpg", "sign_notes": "by the gate",
}  # fmt: skip
PRINTS = [
    {"foot": "left_front", "length_mm": 88.5, "claws": "none", "leading_toe": "one_leads",
     "negative_space": "not_visible", "print_photo": "c.jpg"},
    {},  # opened by the client, and nothing written
    {"pad_width_mm": 51, "outline": "rounder"},
]  # fmt: skip
SCAT = {"sign_time": "2026-03-08T08:40:00.000-08:00", "waypoint": "W7", "kind": "scat",
        "named_as": "unknown"}  # fmt: skip
WALK = {
    "observer": "A. Quill", "transect": "Ember Road", "started": "2026-03-08T07:40:00.000-08:00",
    "ended": "2026-03-08T09:30:00.000-08:00", "logged": "no", "distance_km": 4.2, "back": "yes",
    "began_at": "end", "tracking_quality": "fair", "surface_state": "crusted", "walk_notes": "cold",
    "was_wiped": "yes", "found_sign": "yes",
    "surface_wiped": [{"wiped_by": "rain", "wiped_where": "this_transect",
                       "wiped_at": "2026-03-06T18:00:00.000-08:00"}],
    "sign_found": [TRACK | {"print_seen": PRINTS}, SCAT],
}  # fmt: skip
TABLES = ("walks", "clearings", "sign", "prints")


@pytest.fixture(scope="module")
def xform(tmp_path_factory: pytest.TempPathFactory) -> str:
    return convert(write_field_form(tmp_path_factory.mktemp("form") / "form.xlsx")).xform


@pytest.fixture
def client(xform: str) -> Client:
    return Client(xform, datetime(2026, 3, 8, 18, 0, tzinfo=UTC))


@pytest.fixture
def season(tmp_path: Path) -> Season:
    return create_season(tmp_path / "season.gpkg", name="Forms", time_zone=ZONE)


def saved(folder: Path, name: str, content: bytes | str) -> Path:
    path = folder / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


def exported(folder: Path, *submissions: bytes) -> list[Path]:
    tables = export_tables(list(submissions))
    return [saved(folder, f"export-{name}.csv", text) for name, text in tables.items()]


def said(frame: pd.DataFrame) -> pd.DataFrame:
    """Return what rows say, without where they came from."""
    return pd.DataFrame(frame).drop(columns=["receipt", "source_row"])


def test_every_answer_reaches_its_column_in_the_unit_of_the_record(client, tmp_path) -> None:
    reading = read_file(saved(tmp_path, "one.xml", client.fill(WALK, instance=FIRST)))
    assert reading.kind == "submission"
    assert client.broken == client.missing == []
    assert {name: len(frame) for name, frame in reading.tables.items()} == dict(
        zip(TABLES, (1, 1, 2, 2), strict=True)
    )
    for name, frame in reading.tables.items():
        assert find_faults(frame, SEASON_TABLES[name]).empty
    walk, clearing = reading.tables["walks"].iloc[0], reading.tables["clearings"].iloc[0]
    assert walk["walk"].startswith("20260308-")
    told = walk.drop(["receipt", "source_row", "walk", "start", "end", "replaces"]).to_dict()
    assert told == {
        "transect": "Ember Road", "observer": "A. Quill", "logged": "no", "distance_m": 4200.0,
        "began_at": "end", "back": "yes", "found_sign": "yes", "tracking_quality": "fair",
        "surface_state": "crusted", "notes": "cold", "submission": FIRST,
    }  # fmt: skip
    assert str(walk["start"]) == "2026-03-08 15:40:00+00:00"
    assert clearing["transects"] == "Ember Road"
    assert str(clearing["time"]) == "2026-03-07 02:00:00+00:00"
    track, scat = (row for _, row in reading.tables["sign"].iterrows())
    told = track.drop(["receipt", "source_row", "sign", "time", "geometry"]).dropna().to_dict()
    assert told == {
        "observer": "A. Quill", "kind": "track", "surface": "dust", "named_as": "puma",
        "confidence": 0.85, "age_min_h": 2.0, "age_max_h": 12.5, "direction_deg": 45.0,
        "stride_m": 0.93, "photo": "a.jpg;b.jpg", "walk": walk["walk"],
        "notes": "by the gate; accuracy of the place, m: 4.5",
    }  # fmt: skip
    assert (track.geometry.x, track.geometry.y) == (-129.01, 33.05)
    assert scat.geometry is None
    assert (scat["waypoint"], scat["kind"]) == ("W7", "scat")
    assert pd.isna(scat["named_as"])


def test_what_is_missing_is_missing_and_not_visible_is_what_was_answered(client, tmp_path) -> None:
    reading = read_file(saved(tmp_path, "one.xml", client.fill(WALK, instance=FIRST)))
    prints = reading.tables["prints"]
    assert prints["sign"].eq(reading.tables["sign"]["sign"].iloc[0]).all()
    assert prints["print_no"].tolist() == [1, 3]
    first, third = (row[list(CHARACTERS)].dropna().to_dict() for _, row in prints.iterrows())
    assert first == {
        "claws": "none", "leading_toe": "one_leads", "negative_space": "not_visible",
    }  # fmt: skip
    assert third == {"outline": "rounder"}
    assert "1 of 'print_seen' passed over, in which nothing was written" in reading.notes
    blank = client.fill(WALK | {"sign_found": [], "found_sign": "no"}, instance=FIRST)
    reading = read_file(saved(tmp_path, "none.xml", blank))
    assert reading.tables["walks"]["found_sign"].item() == "no"
    assert not len(reading.tables["sign"])


def test_exported_tables_say_the_same_as_the_submissions(client, tmp_path, season) -> None:
    rain = WALK["surface_wiped"][0] | {"wiped_where": "all"}
    other_walk = WALK | {"surface_wiped": [rain]}
    forms = [client.fill(WALK, instance=FIRST), client.fill(other_walk, instance=SECOND)]
    xml = [saved(tmp_path, f"{number}.xml", form) for number, form in enumerate(forms)]
    csv = exported(tmp_path, *forms)
    assert {read_file(path).kind for path in csv} == {"form_table"}
    assert import_files(season, xml)["outcome"].eq("imported").all()
    other = create_season(tmp_path / "csv.gpkg", name="CSV", time_zone=ZONE)
    receipts = import_files(other, csv)
    assert receipts["problem"].isna().all()
    assert receipts["rows_kept"].tolist() == [2, 2, 4, 4]
    for table in TABLES:
        assert_frame_equal(said(season.read(table)), said(other.read(table)))
    again = import_files(season, csv)
    assert again["rows_known"].tolist() == [2, 2, 4, 4]
    assert len(season.read("sign")) == 4


@pytest.mark.parametrize("mark", ["/", ":", "."])
def test_paths_may_be_joined_otherwise_and_places_stand_in_one_cell(client, tmp_path, mark) -> None:
    (_, _, sign, _) = export_tables([client.fill(WALK, instance=FIRST)]).items()
    header, *rows = sign[1].splitlines()
    told = read_file(saved(tmp_path, "a.csv", "\n".join([header.replace("-", mark), *rows])))
    plain = read_file(saved(tmp_path, "b.csv", sign[1]))
    assert_frame_equal(said(told.tables["sign"]), said(plain.tables["sign"]))
    whole = ("form_sign,kind,sign_time,place,PARENT_KEY\n"
             "s1,track,2026-03-08T08:10:00Z,33.05 -129.01 12 4.5,uuid:1\n")  # fmt: skip
    read = read_file(saved(tmp_path, "c.csv", whole)).tables["sign"]
    assert read.geometry.iloc[0].coords[0] == (-129.01, 33.05)


def test_rows_are_joined_by_their_keys_where_the_form_named_nothing(client, tmp_path) -> None:
    tables = export_tables([client.fill(WALK, instance=FIRST)])
    frames = {}
    for name, text in tables.items():
        path = saved(tmp_path, f"{name}.csv", text)
        named = ["form_walk", "form_sign", "sign_walk", "print_sign", "print_no"]
        pd.read_csv(path, dtype=str).drop(columns=named, errors="ignore").to_csv(path, index=False)
        frames |= read_file(path).tables
    assert frames["walks"]["walk"].tolist() == ["walk-7c9e6679"]
    assert frames["sign"]["sign"].tolist() == ["walk-7c9e6679-1", "walk-7c9e6679-2"]
    assert frames["sign"]["walk"].eq("walk-7c9e6679").all()
    assert frames["prints"][["sign", "print_no"]].to_numpy().tolist() == [
        ["walk-7c9e6679-1", 1], ["walk-7c9e6679-1", 3],
    ]  # fmt: skip


def test_a_half_filled_form_keeps_its_good_parts(client, tmp_path, season) -> None:
    half = WALK | {
        "ended": "", "logged": "", "surface_wiped": [{"wiped_by": "rain"}],
        "sign_found": [TRACK, {"sign_time": "2026-03-08T08:40:00.000-08:00", "sign_notes": "odd"},
                       SCAT | {"sign_time": ""}],
    }  # fmt: skip
    receipts = import_files(season, [saved(tmp_path, "h.xml", client.fill(half, instance=FIRST))])
    counts = receipts.set_index("table_name")[["rows_in", "rows_kept", "rows_set_aside"]]
    assert counts.loc["walks"].tolist() == [1, 1, 0]
    assert counts.loc["clearings"].tolist() == [1, 0, 1]
    assert counts.loc["sign"].tolist() == [3, 1, 2]
    walk = season.read("walks").iloc[0]
    assert walk[["end", "logged"]].isna().all()
    reasons = season.read("set_aside").set_index("table_name")["reason"]
    assert "time: missing, and must be there" in reasons["clearings"]
    assert reasons["sign"].tolist() == [
        "kind: missing, and must be there", "time: missing, and must be there",
    ]  # fmt: skip


def test_a_row_set_aside_can_be_mended_and_read_again(client, tmp_path, season) -> None:
    form = client.fill(WALK | {"sign_found": [TRACK]}, instance=FIRST)
    form = form.replace(b"<kind>track", b"<kind>dragon")
    form = form.replace(b"</sign_notes>", b"</sign_notes><own_question>hot</own_question>")
    import_files(season, [saved(tmp_path, "w.xml", form)])
    name = season.read("walks")["walk"].item()
    aside = pd.read_csv(write_set_aside(season, tmp_path / "aside.csv"))
    aside["corrected"] = aside["content"].str.replace("dragon", "track")
    aside.to_csv(tmp_path / "aside.csv", index=False)
    assert reimport_set_aside(season, tmp_path / "aside.csv")["rows_kept"].tolist() == [1]
    assert not len(list_set_aside(season))
    sign = season.read("sign").iloc[0]
    assert sign[["kind", "confidence", "stride_m", "walk"]].tolist() == ["track", 0.85, 0.93, name]
    assert sign["photo"] == "a.jpg;b.jpg"
    assert "own_question: hot" in sign["notes"]


def test_the_same_submission_again_is_known_however_it_is_written(client, tmp_path, season) -> None:
    form = client.fill(WALK, instance=FIRST)
    import_files(season, [saved(tmp_path, "a.xml", form)])
    same = import_files(season, [saved(tmp_path, "b.xml", form)])
    assert same["outcome"].eq("known").all()
    respelt = form.replace(b"><", b">\n <").replace(b' xmlns="http://www.w3.org/2002/xforms"', b"")
    again = import_files(season, [saved(tmp_path, "c.xml", respelt)])
    assert again["rows_known"].tolist() == again["rows_kept"].tolist() == [1, 1, 2, 2]
    assert [len(season.read(table)) for table in TABLES] == [1, 1, 2, 2]
    assert not len(season.read("set_aside"))


def edited(client: Client, form: bytes) -> bytes:
    """Correct a submission: one sign is dropped, one says otherwise, one is new."""
    names = read_names(form)
    found = [{**TRACK, "form_sign": names[0], "named_as": "dog"},
             {**SCAT, "form_sign": f"{names[0]}-new"}]  # fmt: skip
    answers = WALK | {"form_walk": names[0].rsplit("-", 2)[0], "sign_found": found}
    return client.fill(answers, instance=SECOND, replaces=FIRST)


def read_names(form: bytes) -> list[str]:
    return [piece.split(b"<")[0].decode() for piece in form.split(b"<form_sign>")[1:]]


def test_a_corrected_submission_is_reported_and_changes_no_row(client, tmp_path, season) -> None:
    form = client.fill(WALK, instance=FIRST)
    import_files(season, [saved(tmp_path, "a.xml", form)])
    before = season.read("sign")
    later = import_files(season, [saved(tmp_path, "b.xml", edited(client, form))])
    assert later["notes"].str.contains(f"it corrects submission {FIRST}").all()
    after = season.read("sign")
    assert_frame_equal(pd.DataFrame(after.iloc[:2]), pd.DataFrame(before))
    assert after["sign"].tolist()[2:] == [f"{before['sign'].iloc[0]}-new"]
    reasons = season.read("set_aside").set_index("table_name")["reason"]
    assert "submission uuid:7c9e" in reasons["walks"]
    assert "named_as puma there, dog here" in reasons["sign"]
    assert len(season.read("walks")) == 1
    lines = "\n".join(summarise_import(season, later).lines())
    assert "it corrects submission" in lines


def test_of_an_older_version_nothing_is_taken(client, tmp_path, season) -> None:
    form = client.fill(WALK, instance=FIRST)
    import_files(season, [saved(tmp_path, "b.xml", edited(client, form))])
    before = {table: len(season.read(table)) for table in TABLES}
    receipts = import_files(season, [saved(tmp_path, "a.xml", form)])
    assert {table: len(season.read(table)) for table in TABLES} == before
    aside = season.read("set_aside")
    assert receipts["rows_set_aside"].sum() == len(aside)
    assert aside["reason"].str.contains("corrected version").sum() == 3  # a sign, two prints
    assert receipts["rows_in"].sum() == receipts[["rows_kept", "rows_set_aside"]].sum().sum()


def test_a_form_that_is_cut_short_is_read_as_far_as_it_goes(client, tmp_path) -> None:
    form = client.fill(WALK, instance=FIRST)
    within_scat = form.rindex(b"<waypoint>W7") + 5
    reading = read_file(saved(tmp_path, "cut.xml", form[:within_scat]))
    assert reading.rows_in == {"walks": 1, "clearings": 1, "sign": 2, "prints": 2}
    assert len(reading.tables["sign"]) == 1
    assert "cut short in it" in reading.set_aside["reason"].item()
    assert any("it is not whole" in note for note in reading.notes)


@pytest.mark.parametrize("step", range(0, 100, 9))
def test_no_cut_loses_a_row_that_stood_whole_before_it(client, tmp_path, step: int) -> None:
    form = client.fill(WALK, instance=FIRST)
    start = form.index(b"<form_walk>")
    at = start + (len(form) - start) * step // 100
    reading = read_file(saved(tmp_path, "cut.xml", form[:at]))
    assert len(reading.tables["sign"]) == form[:at].count(b"</sign_found>")
    whole_prints = form[:at].count(b"</print_seen>")
    assert len(reading.tables["prints"]) >= whole_prints - 1  # one of the three is blank


def test_forms_that_were_spoilt_at_random_are_read_or_refused_in_words(client, tmp_path) -> None:
    form = client.fill(WALK, instance=FIRST)
    sound = [form, *(text.encode() for text in export_tables([form]).values())]
    odd = [b"", b"\xff", b"\x00", b"nan", b"1e400", b"9" * 300, b"9999-12-31T23:59:59Z", b"</",
           b"<sign_found>", b"&bad;", b'"', b"\n", b",", b"999 999", b"<print_seen/>"]  # fmt: skip
    rng = np.random.default_rng(20310308)
    read = 0
    for _ in range(25):
        spoilt = bytearray(sound[rng.integers(len(sound))])
        for at in rng.integers(len(spoilt), size=3):
            spoilt[at : at + rng.integers(8)] = odd[rng.integers(len(odd))]
        try:
            reading = read_file(saved(tmp_path, "spoilt", bytes(spoilt)), time_zone=ZONE)
        except InputError:
            continue
        read += 1
        for name, frame in reading.tables.items():
            assert find_faults(frame, SEASON_TABLES[name]).empty
    assert read >= 12


def test_other_forms_and_dangerous_xml_are_refused(client, tmp_path) -> None:
    form = client.fill(WALK, instance=FIRST)
    with pytest.raises(UnknownKind, match="root element <data>"):
        read_file(saved(tmp_path, "o.xml", form.replace(b"carnivore_sign_walk", b"bird_count")))
    bomb = b'<!DOCTYPE data [<!ENTITY a "aaaa">]>' + form.split(b"?>", 1)[1]
    with pytest.raises((FileUnreadable, UnknownKind)):
        read_file(saved(tmp_path, "d.xml", bomb))
    later = form.replace(b'version="1"', b'version="7"', 2)
    notes = read_file(saved(tmp_path, "v.xml", later)).notes
    assert "version 7 of the form was read as version 1" in notes


def test_latin_letters_and_other_encodings_are_read(client, tmp_path) -> None:
    form = client.fill(WALK | {"observer": "Zoë Ångström"}, instance=FIRST)
    latin = form.decode().replace("UTF-8", "ISO-8859-1").encode("latin-1")
    read = read_file(saved(tmp_path, "l.xml", latin))
    assert read.tables["walks"]["observer"].item() == "Zoë Ångström"
    csv = export_tables([form])["walks"]
    read = read_file(saved(tmp_path, "l.csv", csv.replace(",", ";").encode("utf-16")))
    assert read.tables["walks"]["observer"].item() == "Zoë Ångström"


def test_a_season_of_forms_alone_has_effort_and_detections(client, tmp_path, season) -> None:
    roads = read_file(demo_folder() / "transects.geojson").tables["transects"]
    road = roads.set_index("transect").geometry["Ember Road"]
    at = road.interpolate(0.9, normalized=True)
    track = TRACK | {"place": f"{at.y} {at.x}", "print_seen": PRINTS}
    form = client.fill(WALK | {"sign_found": [track], "distance_km": 2.5, "back": "no"},
                       instance=FIRST)  # fmt: skip
    import_files(season, [saved(tmp_path, "w.xml", form), demo_folder() / "transects.geojson"])
    analysis = analyse(season, AnalysisOptions(region="dry_range"))
    assert analysis.visits["effort_source"].eq("stated").all()
    assert analysis.visits["effort_km"].sum() == pytest.approx(2.5)
    assert analysis.visits["walk"].eq(season.read("walks")["walk"].item()).all()
    assert len(analysis.detections) == 1
    assert not len(analysis.incidental)


def test_the_command_line_takes_forms_beside_other_files(client, tmp_path, capsys) -> None:
    form = saved(tmp_path, "form.xml", client.fill(WALK, instance=FIRST))
    words = ["intake", str(tmp_path / "s.gpkg"), "--zone", ZONE, str(form)]
    assert main([*words, str(demo_folder() / "transects.geojson")]) == 0
    told = capsys.readouterr().out
    assert "sign: 2 read, 2 kept" in told
    assert "walks: 1 read, 1 kept" in told


def forms_of_demo(client: Client, sign: pd.DataFrame, prints: pd.DataFrame) -> list[bytes]:
    """Fill in a form for each party and day of the demo, saying what its notebook says."""
    days = sign["time"].dt.tz_convert(ZONE).dt.date
    forms = []
    for number, (_, found) in enumerate(sign.groupby([sign["observer"], days])):
        filled = []
        for row in found.itertuples():
            told = {
                "form_sign": row.sign, "sign_time": row.time.isoformat(), "kind": row.kind,
                "place": f"{row.geometry.y} {row.geometry.x}" if row.geometry else "",
                "waypoint": row.waypoint, "sign_surface": row.surface, "named_as": row.named_as,
                "certainty_percent": row.confidence * 100, "age_min_h": row.age_min_h,
                "age_max_h": row.age_max_h, "direction_deg": row.direction_deg,
                "stride_mm": row.stride_m * 1000, "sign_notes": row.notes,
            }  # fmt: skip
            mine = prints[prints["sign"].eq(row.sign)].drop(columns=["receipt", "source_row"])
            told["print_seen"] = [
                {name: value for name, value in one.items() if pd.notna(value)}
                for one in mine.to_dict("records")
            ]
            filled.append({name: value for name, value in told.items() if _is_there(value)})
        walk = WALK | {"observer": found["observer"].iloc[0], "sign_found": filled,
                       "was_wiped": "no", "surface_wiped": []}  # fmt: skip
        forms.append(client.fill(walk, instance=f"uuid:{number:08d}"))
    return forms


def _is_there(value: object) -> bool:
    return isinstance(value, list) or bool(pd.notna(value) and value != "")


def test_from_form_to_month_by_forms_as_by_the_notebook(client, tmp_path) -> None:
    demo = demo_folder()
    days = ("2026-03-04", "2026-03-05", "2026-03-06", "2026-03-07")
    sign = read_table(demo / "sign.csv", time_zone=ZONE).tables["sign"]
    prints = read_table(demo / "prints.csv").tables["prints"]
    day = sign["time"].dt.tz_convert(ZONE).dt.strftime("%Y-%m-%d")
    sign = sign[day.isin(days)].sort_values("sign", ignore_index=True)
    prints = prints[prints["sign"].isin(sign["sign"])].reset_index(drop=True)
    logs = [log for one in days for log in demo.glob(f"logs/{one}*.gpx")]
    forms = forms_of_demo(client, sign, prints)
    paths = [saved(tmp_path, f"{number}.xml", form) for number, form in enumerate(forms)]
    season = create_season(tmp_path / "forms.gpkg", name="Forms", time_zone=ZONE)
    others = [demo / "transects.geojson", demo / "clearings.csv", *logs]
    assert import_files(season, [*others, *paths])["problem"].isna().all()
    assert not len(season.read("set_aside"))
    told = season.read("sign").sort_values("sign", ignore_index=True)
    own = ["receipt", "source_row", "walk"]
    assert_frame_equal(pd.DataFrame(told).drop(columns=own), pd.DataFrame(sign).drop(columns=own))
    keys = ["sign", "print_no"]
    by_forms, by_hand = (
        frame.sort_values(keys, ignore_index=True).drop(columns=own[:2])
        for frame in (season.read("prints"), prints)
    )
    assert_frame_equal(by_forms, by_hand)
    analysis = analyse(season, AnalysisOptions(region="dry_range"))
    assert len(analysis.trails) >= 5
    assert len(analysis.detections) >= 5
    month = analysis.presence("2026-03").table
    walked = month[month["visits"] > 0]
    assert len(walked) >= 5
    assert walked["p_presence"].between(0, 1).all()
    assert walked["state"].isin(["found_sure", "found_likely"]).any()
