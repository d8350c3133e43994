"""Archives of others, and damaged ones: what is good is read, and every other row is told.

Sources: Darwin Core text guide (defaults of attributes) and Darwin Core (occurrenceStatus: detected
and notDetected since 2026-05-26, present and absent before), TDWG.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from exchange_examples import archive_of
from pyproj import Transformer

from carnivore_sign.cli import main
from carnivore_sign.errors import CarnivoreSignError, FileUnreadable, InputError, UnknownKind
from carnivore_sign.intake import import_files, read_file
from carnivore_sign.intake.reading import Reading
from carnivore_sign.records.season import Season

DWC = "http://rs.tdwg.org/dwc/terms/"
EVENTS = (
    "eventID,eventType,eventDate,decimalLatitude,decimalLongitude,footprintWKT,samplingProtocol"
)
#: A survey of somebody else: one transect, one visit to it, and what was found there.
EVENT_ROWS = (
    "T1,Transect,,,,LINESTRING (-119 37.0; -119 37.1),",
    "V1,,2025-03-01T09:30:00-08:00,37.05,-119.0,,track count on a dirt road",
)
OCCURRENCES = "eventID,occurrenceID,occurrenceStatus,scientificName,basisOfRecord"
FOUND = "V1,o1,present,Puma concolor,HumanObservation"


def part(
    tag: str, row_type: str, file: str, head: str, attributes: str = "", *, link: int = 0
) -> str:
    fields = "".join(
        f'<field index="{at}" term="{name if ":" in name else DWC + name}"/>'
        for at, name in enumerate(head.split(","))
    )
    kind = row_type if ":" in row_type else DWC + row_type
    name = "id" if tag == "core" else "coreid"
    return (
        f'<{tag} rowType="{kind}" ignoreHeaderLines="1" {attributes}><files><location>{file}'
        f'</location></files><{name} index="{link}"/>{fields}</{tag}>'
    )


def meta(*parts: str) -> str:
    return f'<archive xmlns="http://rs.tdwg.org/dwc/text/">{"".join(parts)}</archive>'


def rows(head: str, *lines: str) -> str:
    return "\n".join([head, *lines]).replace("; ", ", ") + "\n"


def quoted(line: str) -> str:
    before, shape, after = line.partition("LINESTRING (-119 37.0; -119 37.1)")
    return f'{before}"{shape}"{after}' if shape else line


def survey(
    folder: Path,
    *occurrences: str,
    head: str = OCCURRENCES,
    events: tuple[str, ...] = EVENT_ROWS,
    more: dict[str, str] | None = None,
    parts: tuple[str, ...] = (),
) -> Path:
    files = {
        "meta.xml": meta(
            part("core", "Event", "event.txt", EVENTS, 'fieldsTerminatedBy=","'),
            part("extension", "Occurrence", "occurrence.txt", head, 'fieldsTerminatedBy=","'),
            *parts,
        ),
        "event.txt": rows(EVENTS, *map(quoted, events)),
        "occurrence.txt": rows(head, *occurrences),
    }
    return archive_of(folder / "survey.zip", {**files, **(more or {})})


def assert_adds_up(reading: Reading) -> None:
    for name, came in reading.rows_in.items():
        assert came == reading.rows_kept[name] + reading.rows_set_aside[name], name


def reasons(reading: Reading) -> list[str]:
    return reading.set_aside["reason"].tolist()


def test_an_archive_of_others_gives_transects_and_sign(tmp_path: Path) -> None:
    reading = read_file(survey(tmp_path, FOUND))
    sign = reading.tables["sign"].iloc[0]
    assert (sign["sign"], sign["named_as"], sign["kind"]) == ("o1", "puma", "track")
    assert str(sign["time"]) == "2025-03-01 17:30:00+00:00"
    assert (sign.geometry.x, sign.geometry.y) == (-119.0, 37.05)
    assert sign["receipt"] == reading.receipt
    transect = reading.tables["transects"].iloc[0]
    assert transect["transect"] == "T1"
    assert list(transect.geometry.coords) == [(-119.0, 37.0), (-119.0, 37.1)]
    assert reasons(reading)[0].startswith("an event without the line of a transect")
    assert_adds_up(reading)


@pytest.mark.parametrize(
    ("word", "kept"),
    [("present", True), ("detected", True), ("Detected", True), ("", True),
     ("absent", False), ("notDetected", False), ("maybe", False)],
)  # fmt: skip
def test_both_vocabularies_of_the_status_are_read(tmp_path: Path, word: str, kept: bool) -> None:
    reading = read_file(survey(tmp_path, FOUND.replace("present", word)))
    assert reading.rows_kept["sign"] == int(kept)
    if not kept:
        told = reasons(reading)[-1]
        expected = "neither vocabulary" if word == "maybe" else "looked for and not found"
        assert expected in told
    assert_adds_up(reading)


def test_unknown_terms_are_kept_in_the_notes_and_named(tmp_path: Path) -> None:
    head = f"{OCCURRENCES},http://example.org/terms/moon,occurrenceRemarks,identificationVerificationStatus"
    reading = read_file(
        survey(tmp_path, f"{FOUND},new moon,at the ford,verified by genetics", head=head)
    )
    notes = reading.tables["sign"]["notes"].item()
    assert notes.startswith("at the ford; ")
    assert "http://example.org/terms/moon: new moon" in notes
    assert "dwc:identificationVerificationStatus: verified by genetics" in notes


def test_measurements_of_a_sign_are_columns_or_notes(tmp_path: Path) -> None:
    head = "eventID,occurrenceID,measurementID,measurementType,measurementValue,measurementUnit"
    facts = rows(
        head,
        "V1,o1,m1,sign: confidence,0.75,",
        "V1,o1,m2,snow depth,12,cm",
        "V1,o9,m3,snow depth,3,cm",
    )
    extension = part("extension", "MeasurementOrFact", "fact.txt", head, 'fieldsTerminatedBy=","')
    reading = read_file(survey(tmp_path, FOUND, more={"fact.txt": facts}, parts=(extension,)))
    sign = reading.tables["sign"].iloc[0]
    assert sign["confidence"] == 0.75
    assert "snow depth: 12 cm" in sign["notes"]
    assert any("no column for this" in one for one in reasons(reading))
    assert_adds_up(reading)


def test_other_kinds_of_record_are_set_aside(tmp_path: Path) -> None:
    camera = FOUND.replace("o1", "o2").replace("HumanObservation", "MachineObservation")
    reading = read_file(survey(tmp_path, FOUND, camera))
    assert reading.rows_kept["sign"] == 1
    assert any("basisOfRecord: machineobservation" in one for one in reasons(reading))


def test_sign_of_no_stated_kind_is_set_aside(tmp_path: Path) -> None:
    events = (EVENT_ROWS[0], EVENT_ROWS[1].replace("track count on a dirt road", "walk"))
    reading = read_file(survey(tmp_path, FOUND, events=events))
    assert reading.rows_kept["sign"] == 0
    assert any(one.startswith("kind: missing") for one in reasons(reading))


@pytest.mark.parametrize(
    ("remark", "kind"),
    [("old scat on the road", "scat"), ("seen crossing, left a track", None), ("", "track")],
)
def test_the_kind_is_taken_from_the_words_of_the_record_and_told(
    tmp_path: Path, remark: str, kind: str | None
) -> None:
    head = f"{OCCURRENCES},occurrenceRemarks"
    reading = read_file(survey(tmp_path, f'{FOUND},"{remark}"', head=head))
    assert reading.tables["sign"]["kind"].tolist() == ([kind] if kind else [])
    told = any("the kind of 1 sign was taken from the words" in one for one in reading.notes)
    assert told == (kind is not None)


def test_other_species_are_something_else_and_wider_names_are_no_naming(tmp_path: Path) -> None:
    lines = [
        FOUND.replace("o1", f"o{at}").replace("Puma concolor", name)
        for at, name in enumerate(("Odocoileus hemionus", "Carnivora", "cougar"))
    ]
    named = read_file(survey(tmp_path, *lines)).tables["sign"]["named_as"]
    assert named.astype("object").where(named.notna(), None).tolist() == ["other", None, "puma"]


@pytest.mark.parametrize(
    ("written", "zone", "expected"),
    [
        ("2025-03-01T09:30:00", "America/Denver", "2025-03-01 16:30:00+00:00"),
        ("2025-03-01T09:30:00Z/2025-03-01T11:00:00Z", None, "2025-03-01 09:30:00+00:00"),
        ("2025-03-01T09:30:00", None, None),
        ("2025-03-01", None, None),
        ("last week", "UTC", None),
    ],
)
def test_times_are_read_as_in_every_other_file(
    tmp_path: Path, written: str, zone: str | None, expected: str | None
) -> None:
    events = (EVENT_ROWS[0], EVENT_ROWS[1].replace("2025-03-01T09:30:00-08:00", written))
    reading = read_file(survey(tmp_path, FOUND, events=events), time_zone=zone)
    if expected is None:
        assert reading.rows_kept["sign"] == 0
        assert any("eventDate" in one for one in reasons(reading))
    else:
        assert str(reading.tables["sign"]["time"].item()) == expected
    assert_adds_up(reading)


def test_a_position_on_another_datum_is_moved(tmp_path: Path) -> None:
    """Source: EPSG:4267 (NAD27) to EPSG:4326, by PROJ."""
    head = f"{OCCURRENCES},decimalLatitude,decimalLongitude,geodeticDatum"
    lines = [f"{FOUND},37.05,-119,EPSG:4267", f"{FOUND.replace('o1', 'o2')},37.05,-119,Mars"]
    reading = read_file(survey(tmp_path, *lines, head=head))
    lon, lat = Transformer.from_crs(4267, 4326, always_xy=True).transform(-119, 37.05)
    place = reading.tables["sign"].geometry.item()
    assert (place.x, place.y) == (lon, lat)
    assert any("no such datum" in one for one in reasons(reading))


@pytest.mark.parametrize(
    ("body", "encoding", "noted"),
    [("utf-8", "UTF-8", False), ("latin-1", "ISO-8859-1", False), ("utf-16", "UTF-16", False),
     ("cp1252", "UTF-8", True)],
)  # fmt: skip
def test_other_encodings_are_read(tmp_path: Path, body: str, encoding: str, noted: bool) -> None:
    head = f"{OCCURRENCES},recordedBy"
    text = rows(head, f"{FOUND},Muñoz")
    core = part("core", "Occurrence", "o.txt", head, f'encoding="{encoding}"', link=1)
    files = {"meta.xml": meta(core), "o.txt": text.encode(body)}
    files["o.txt"] = text.replace("V1,o1", '"2025-03-01T12:00:00Z",o1').encode(body)
    files["meta.xml"] = (
        files["meta.xml"]
        .replace(f"{DWC}eventID", f"{DWC}eventDate")
        .replace(f"{DWC}basisOfRecord", f"{DWC}preparations")
    )
    files["o.txt"] = files["o.txt"].decode(body).replace("HumanObservation", "scat").encode(body)
    reading = read_file(archive_of(tmp_path / "a.zip", files))
    assert reading.tables["sign"]["observer"].tolist() == ["Muñoz"]
    assert reading.tables["sign"]["kind"].tolist() == ["scat"]
    assert any("is not UTF-8" in one for one in reading.notes) == noted


def test_tabs_folders_defaults_and_no_quotes(tmp_path: Path) -> None:
    head = OCCURRENCES
    core = part(
        "core", "Event", "event.txt", EVENTS, 'fieldsTerminatedBy="\\t" fieldsEnclosedBy=""'
    )
    tabbed = "\t" + FOUND.replace(",", "\t")
    extension = part(
        "extension", "Occurrence", "occurrence.txt", f"x,{head}", 'fieldsTerminatedBy="\t"', link=1
    ).replace('index="0" term="http://rs.tdwg.org/dwc/terms/x"',
              f'term="{DWC}recordedBy" default="A. Lind"')  # fmt: skip
    files = {
        "data/meta.xml": meta(core, extension),
        "data/event.txt": rows(EVENTS, *EVENT_ROWS)
        .replace(",", "\t")
        .replace("37.0\t -119", "37.0, -119"),
        "data/occurrence.txt": f"x\t{head}\n".replace(",", "\t") + tabbed + "\n",
    }
    reading = read_file(archive_of(tmp_path / "a.zip", files))
    assert reading.tables["sign"]["observer"].tolist() == ["A. Lind"]
    assert reading.rows_kept["transects"] == 1


def test_rows_that_name_no_event_and_events_named_twice_are_set_aside(tmp_path: Path) -> None:
    events = (*EVENT_ROWS, EVENT_ROWS[1])
    reading = read_file(survey(tmp_path, FOUND, FOUND.replace("V1", "V7"), events=events))
    told = reasons(reading)
    assert any("a row that the core does not have (came: V7)" in one for one in told)
    assert any("its id stands in the core already (came: V1)" in one for one in told)
    assert reading.rows_kept["sign"] == 1
    assert_adds_up(reading)


def test_a_row_with_too_many_cells_is_set_aside_and_the_others_are_read(tmp_path: Path) -> None:
    reading = read_file(survey(tmp_path, FOUND, f"{FOUND.replace('o1', 'o2')},spilled"))
    assert reading.tables["sign"]["sign"].tolist() == ["o1"]
    assert any("6 cells, and there are 5 columns" in one for one in reasons(reading))
    assert reading.set_aside["content"].str.contains("spilled").any()


@pytest.mark.parametrize("spilled", ["x", "x,y,z", '"x', ",,,"])
def test_cells_beyond_the_columns_lose_nothing(tmp_path: Path, spilled: str) -> None:
    lines = [f"{FOUND.replace('o1', 'o0')},{spilled}", FOUND, FOUND.replace("o1", "o2")]
    reading = read_file(survey(tmp_path, *lines))
    names = reading.tables["sign"]["sign"].tolist()
    aside = " ".join(reading.set_aside["content"])
    assert all(name in names or name in aside for name in ("o0", "o1", "o2"))
    if spilled != '"x':  # a quotation mark that is never closed takes in what follows
        assert names[-2:] == ["o1", "o2"]


def test_a_missing_extension_is_told_and_the_rest_is_read(tmp_path: Path) -> None:
    gone = part("extension", "MeasurementOrFact", "gone.txt", "eventID")
    reading = read_file(survey(tmp_path, FOUND, parts=(gone,)))
    assert reading.rows_kept["sign"] == 1
    assert "'gone.txt' is named in meta.xml and missing in the archive" in reading.notes


def test_rows_of_an_unknown_kind_are_kept_aside(tmp_path: Path) -> None:
    extension = part(
        "extension", "http://example.org/Weather", "w.txt", "eventID,http://example.org/wind",
        'fieldsTerminatedBy=","',
    )  # fmt: skip
    more = {"w.txt": "eventID,wind\nV1,strong\n"}
    reading = read_file(survey(tmp_path, FOUND, more=more, parts=(extension,)))
    assert any("http://example.org/Weather" in one for one in reasons(reading))
    assert reading.set_aside["content"].str.contains("wind=strong").any()
    assert any("http://example.org/Weather" in one for one in reading.notes)


def test_pictures_of_others_are_read_from_their_files(tmp_path: Path) -> None:
    head = "eventID,http://purl.org/dc/terms/identifier"
    extension = part(
        "extension", "http://rs.gbif.org/terms/1.0/Multimedia", "m.txt", head,
        'fieldsTerminatedBy=","',
    )  # fmt: skip
    more = {"m.txt": "eventID,identifier\nV1,https://example.org/1.jpg\n"}
    reading = read_file(survey(tmp_path, FOUND, more=more, parts=(extension,)))
    assert any("import the picture" in one for one in reasons(reading))
    assert_adds_up(reading)


OWN = '<archive xmlns="http://rs.tdwg.org/dwc/text/">'
BAD = {
    "no core": ({"meta.xml": meta()}, FileUnreadable, "names no core"),
    "core file missing": (
        {"meta.xml": meta(part("core", "Event", "event.txt", EVENTS))},
        FileUnreadable,
        "'event.txt' is named in meta.xml and missing",
    ),
    "damaged meta": ({"meta.xml": OWN + "<core>"}, FileUnreadable, "meta.xml is damaged"),
    "entities": (
        {"meta.xml": f'<!DOCTYPE a [<!ENTITY x "y">]>{meta()}'},
        FileUnreadable,
        "declares a document type",
    ),
    "a core of names": (
        {"meta.xml": meta(part("core", "Taxon", "t.txt", "taxonID")), "t.txt": "taxonID\n1\n"},
        InputError,
        "the core of the archive is dwc:Taxon",
    ),
    "no archive at all": ({"readme.txt": "hello"}, UnknownKind, "no Darwin Core Archive"),
}  # fmt: skip


@pytest.mark.parametrize("case", BAD)
def test_what_cannot_be_read_is_told_with_the_way_out(tmp_path: Path, case: str) -> None:
    files, error, words = BAD[case]
    with pytest.raises(error, match=words) as raised:
        read_file(archive_of(tmp_path / "bad.zip", files))
    assert "bad.zip" in str(raised.value)
    assert raised.value.remedy


@pytest.mark.parametrize("cut", [0.2, 0.5, 0.9, 0.99])
def test_an_archive_cut_short_is_refused_in_words(tmp_path: Path, cut: float) -> None:
    whole = survey(tmp_path, FOUND).read_bytes()
    path = tmp_path / "cut.zip"
    path.write_bytes(whole[: int(len(whole) * cut)])
    with pytest.raises(CarnivoreSignError):
        read_file(path)


def test_any_byte_may_be_wrong_and_nothing_but_a_plain_error_comes_of_it(tmp_path: Path) -> None:
    head = f"{OCCURRENCES},recordedBy"
    whole = survey(tmp_path, f"{FOUND},Lind", head=head).read_bytes()
    path = tmp_path / "wrong.zip"
    outcomes = set()
    for at in range(0, len(whole), 37):
        path.write_bytes(whole[:at] + bytes([whole[at] ^ 0x15]) + whole[at + 1 :])
        try:
            assert_adds_up(read_file(path))
            outcomes.add("read")
        except CarnivoreSignError:
            outcomes.add("told")
    assert outcomes == {"read", "told"}


def test_an_archive_of_others_goes_into_a_season_once(
    tmp_path: Path, season: Season, capsys: pytest.CaptureFixture[str]
) -> None:
    path = survey(tmp_path, FOUND, FOUND.replace("o1", "o2").replace("present", "absent"))
    assert main(["intake", str(season.path), str(path), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert "darwin_core" in json.dumps(told)
    assert season.read("sign")["sign"].tolist() == ["o1"]
    assert len(season.read("transects")) == 1
    aside = season.read("set_aside")
    assert set(aside["table_name"]) == {"sign", "transects"}
    again = import_files(season, [path])
    assert set(again["outcome"]) == {"known"}
    receipts = season.read("receipts")
    assert (receipts["rows_in"] == receipts["rows_kept"] + receipts["rows_set_aside"]).all()


def test_a_sign_that_the_season_has_otherwise_is_set_aside(tmp_path: Path, season: Season) -> None:
    table = tmp_path / "sign.csv"
    table.write_text("sign,time,kind,lat,lon\no1,2026-03-01 10:00,scat,33,-119\n")
    import_files(season, [table, survey(tmp_path, FOUND)])
    assert season.read("sign")["kind"].tolist() == ["scat"]
    assert season.read("set_aside")["reason"].str.contains("the season has one of that name").any()
    receipts = season.read("receipts")
    assert (receipts["rows_in"] == receipts["rows_kept"] + receipts["rows_set_aside"]).all()


def test_each_row_set_aside_can_be_found_again(tmp_path: Path) -> None:
    reading = read_file(survey(tmp_path, FOUND, FOUND.replace("present", "absent")))
    aside = reading.set_aside[reading.set_aside["table_name"].eq("sign")]
    assert aside["source_row"].tolist() == [3]
    assert "dwc:occurrenceStatus=absent" in aside["content"].item()
