"""The archive keeps to the standard, and says what the season says.

Sources: Darwin Core text guide and term lists, Humboldt Extension, Audiovisual Core (TDWG; see
data/darwin_core_terms.md); Chapman 2020, Current Best Practices for Generalizing Sensitive Species
Occurrence Data, GBIF.
"""

from __future__ import annotations

import datetime as dt
import io
import json
import zipfile
from pathlib import Path

import numpy as np
import pandas as pd
import pyogrio
import pytest
from exchange_examples import content, drawn, members
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree
from pyproj import Geod

from carnivore_sign.chain import Analysis
from carnivore_sign.exchange import Publisher, write_archive
from carnivore_sign.records.darwin_core import LINEAGES, names_of
from carnivore_sign.records.tables import taxon_column
from carnivore_sign.records.vocabularies import TAXA

TERMS = pd.read_csv(Path(__file__).parent / "data" / "darwin_core_terms.csv")
TEXT = "{http://rs.tdwg.org/dwc/text/}"
OWN = "urn:carnivore-sign:record:1:"
MADE_ON = dt.date(2026, 6, 1)
READERS = ("managers", "landowner", "public")


@pytest.fixture(scope="module")
def analysis() -> Analysis:
    return drawn()


@pytest.fixture(scope="module")
def archives(analysis: Analysis, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("out")
    parcel = analysis.parcels["parcel"].iloc[0]
    return {
        reader: write_archive(
            folder / f"{reader}.zip",
            content(analysis, reader, **({"parcel": parcel} if reader == "landowner" else {})),
            publisher=Publisher("Tolvane Office", "CC-BY 4.0"),
            made_on=MADE_ON,
        )
        for reader in READERS
    }


def tables(path: Path) -> dict[str, pd.DataFrame]:
    """Read the files of an archive by what ``meta.xml`` says of them, with pandas alone."""
    files = members(path)
    meta = etree.fromstring(files["meta.xml"])
    found = {}
    for part in meta:
        name = part.find(f"{TEXT}files/{TEXT}location").text
        columns = {int(f.get("index")): f.get("term") for f in part.iter(f"{TEXT}field")}
        link = part.find(f"{TEXT}id") if part.tag == f"{TEXT}core" else part.find(f"{TEXT}coreid")
        columns[int(link.get("index"))] = "id"
        rows = pd.read_csv(
            io.BytesIO(files[name]), header=None, skiprows=int(part.get("ignoreHeaderLines")),
            dtype=str, keep_default_na=False, encoding=part.get("encoding"),
        )  # fmt: skip
        rows = rows.rename(columns=columns)
        rows.columns = [str(c).replace("http://rs.tdwg.org/dwc/terms/", "") for c in rows]
        found[part.get("rowType")] = rows
    return found


DWC = "http://rs.tdwg.org/dwc/terms/"
ECO = "http://rs.tdwg.org/eco/terms/"


@pytest.mark.parametrize("reader", READERS)
def test_the_structure_is_that_of_the_text_guide(archives: dict[str, Path], reader: str) -> None:
    files = members(archives[reader])
    meta = etree.fromstring(files["meta.xml"])
    assert meta.tag == f"{TEXT}archive"
    assert meta.get("metadata") in files
    assert [part.tag for part in meta].count(f"{TEXT}core") == 1
    assert meta[0].tag == f"{TEXT}core"
    for part in meta:
        name = part.find(f"{TEXT}files/{TEXT}location").text
        assert part.get("encoding") == "UTF-8"
        head = files[name].decode("utf-8").split("\r\n")[0].split(",")
        places = [int(f.get("index")) for f in part.iter(f"{TEXT}field")]
        assert sorted([*places, 0]) == list(range(len(head)))
        terms = [f.get("term") for f in part.iter(f"{TEXT}field")]
        assert len(terms) == len(set(terms))


@pytest.mark.parametrize("reader", READERS)
def test_every_term_is_of_the_published_lists_or_says_that_it_is_ours(
    archives: dict[str, Path], reader: str
) -> None:
    meta = etree.fromstring(members(archives[reader])["meta.xml"])
    terms = set(TERMS.loc[TERMS["what"].eq("term"), "uri"])
    classes = set(TERMS.loc[TERMS["what"].eq("class"), "uri"])
    for part in meta:
        row_type = part.get("rowType")
        used = {f.get("term") for f in part.iter(f"{TEXT}field")}
        if row_type.startswith(OWN):
            assert reader == "managers"
            assert all(term.startswith(OWN) for term in used)
        else:
            assert row_type in classes
            assert used <= terms, used - terms


@pytest.mark.parametrize("reader", READERS)
def test_rows_hang_together(archives: dict[str, Path], reader: str) -> None:
    found = tables(archives[reader])
    events = found[f"{DWC}Event"]
    assert events["eventID"].is_unique
    assert (events["id"] == events["eventID"]).all()
    above = events["parentEventID"]
    assert above[above.ne("")].isin(events["eventID"]).all()
    assert (above == "").sum() == 1
    for rows in found.values():
        assert rows["id"].isin(events["eventID"]).all()
    radius = events["coordinateUncertaintyInMeters"]
    assert (radius[radius.ne("")].astype(float) > 0).all()  # never 0: Darwin Core
    assert (radius.ne("") == events["decimalLatitude"].ne("")).all()
    occurrences = found[f"{DWC}Occurrence"]
    assert occurrences["occurrenceID"].is_unique
    facts = found[f"{DWC}MeasurementOrFact"]
    assert facts["measurementID"].is_unique
    assert facts["measurementValue"].ne("").all()
    if "occurrenceID" in facts:
        named = facts["occurrenceID"]
        assert named[named.ne("")].isin(occurrences["occurrenceID"]).all()
        above = facts["parentMeasurementID"]
        assert above[above.ne("")].isin(facts["measurementID"]).all()


def test_status_is_written_in_the_current_words(archives: dict[str, Path]) -> None:
    """Source: Darwin Core, occurrenceStatus as of 2026-05-26."""
    told = [tables(path)[f"{DWC}Occurrence"]["occurrenceStatus"] for path in archives.values()]
    assert set(told[0]) == {"detected", "notDetected"}
    for status in told[1:]:
        assert len(status)
        assert set(status) <= {"detected", "notDetected"}


def test_visits_without_a_trail_that_may_be_a_pumas_are_non_detections(
    analysis: Analysis, archives: dict[str, Path]
) -> None:
    found = tables(archives["managers"])
    p = (
        analysis.detections["p_puma"]
        .groupby(analysis.detections["visit"])
        .apply(lambda one: 1 - np.prod(1 - one))
    )
    any_puma = p.reindex(analysis.visits["visit"]).fillna(0.0)
    blank = {f"visit:{visit}" for visit in any_puma.index[any_puma < 0.2]}
    occurrences = found[f"{DWC}Occurrence"]
    absent = occurrences[occurrences["occurrenceStatus"].eq("notDetected")]
    assert set(absent["id"]) == blank
    assert 0 < len(blank) < len(any_puma)
    assert set(absent["scientificName"]) == {"Puma concolor"}
    inventory = found[f"{ECO}Event"].set_index("id")
    reported = inventory[f"{ECO}isAbsenceReported"].eq("true")
    assert set(inventory.index[reported]) == blank
    assert inventory.loc[reported, f"{ECO}absentTaxa"].eq("Puma concolor").all()
    assert inventory.loc[~reported, f"{ECO}absentTaxa"].eq("").all()


def test_effort_is_that_of_the_visits(analysis: Analysis, archives: dict[str, Path]) -> None:
    found = tables(archives["managers"])
    inventory = found[f"{ECO}Event"]
    assert len(inventory) == len(analysis.visits)
    km = inventory[f"{ECO}samplingEffortValue"].astype(float)
    assert km.sum() == pytest.approx(analysis.visits["covered_m"].sum() / 1000)
    assert set(inventory[f"{ECO}samplingEffortUnit"]) == {"km"}
    assert set(inventory[f"{ECO}targetTaxonomicScope"]) == {"Puma concolor"}
    assert set(inventory[f"{ECO}inventoryTypes"]) == {"restrictedSearch"}
    facts = found[f"{DWC}MeasurementOrFact"]
    hours = facts[facts["measurementType"].eq("visit: hours since cleared")]
    assert set(hours["measurementUnit"]) == {"h"}
    assert hours["measurementValue"].astype(float).sum() == pytest.approx(
        analysis.visits["hours_since_cleared"].sum()
    )


def test_probabilities_stand_at_each_sign_and_sum_to_one(
    analysis: Analysis, archives: dict[str, Path]
) -> None:
    found = tables(archives["managers"])
    facts = found[f"{DWC}MeasurementOrFact"]
    told = facts[facts["measurementType"].str.startswith("probability that the trail")]
    value = told["measurementValue"].astype(float)
    assert value.groupby(told["occurrenceID"]).sum().to_numpy() == pytest.approx(1.0)
    puma = told[told["measurementType"].str.endswith(" puma")].set_index("occurrenceID")
    trail = analysis.members.astype("object").set_index("sign")["trail"]
    p = analysis.trails.set_index("trail")["p_puma"]
    for sign in trail.index[::40]:
        assert float(puma.loc[f"sign:{sign}", "measurementValue"]) == p[trail[sign]]
    occurrences = found[f"{DWC}Occurrence"].set_index("occurrenceID")
    remarks = occurrences.loc[f"sign:{trail.index[0]}", "identificationRemarks"]
    assert remarks.startswith(f"probability, pooled over trail {trail.iloc[0]}: ")
    assert (
        "unverified"
        in occurrences.loc[f"sign:{trail.index[0]}", "identificationVerificationStatus"]
    )


def test_sign_of_one_trail_are_one_organism_on_a_visit_of_their_walk(
    analysis: Analysis, archives: dict[str, Path]
) -> None:
    occurrences = tables(archives["managers"])[f"{DWC}Occurrence"]
    sign = occurrences[occurrences["recordNumber"].ne("")].set_index("recordNumber")
    trail = analysis.members.astype("object").set_index("sign")["trail"]
    assert (sign.loc[trail.index, "organismID"] == "trail:" + trail).all()
    walk_of = analysis.visits.set_index("visit")["walk"]
    on_visit = sign[sign["id"].str.startswith("visit:")]
    assert len(on_visit) > 30
    for name, visit in on_visit["id"].str.removeprefix("visit:").items():
        assert walk_of[visit] == analysis.walks[name]


def test_prints_are_measurements_with_units(analysis: Analysis, archives: dict[str, Path]) -> None:
    facts = tables(archives["managers"])[f"{DWC}MeasurementOrFact"]
    prints = analysis.season.read("prints")
    pads = facts[facts["measurementType"].eq("footprint: pad width")]
    assert set(pads["measurementUnit"]) == {"mm"}
    assert sorted(pads["measurementValue"].astype(float)) == sorted(prints["pad_width_mm"].dropna())
    hidden = facts[facts["measurementType"].eq("footprint: claws")]["measurementValue"]
    assert (hidden == "not_visible").sum() == (prints["claws"] == "not_visible").sum()


def test_positions_are_those_of_the_sign_and_of_waypoints(
    analysis: Analysis, archives: dict[str, Path]
) -> None:
    occurrences = tables(archives["managers"])[f"{DWC}Occurrence"]
    placed = occurrences[occurrences["decimalLatitude"].ne("")].set_index("recordNumber")
    sign = analysis.sign.set_index(analysis.sign["sign"].astype("object"))
    same = sign.geometry.loc[placed.index]
    assert (placed["decimalLatitude"].astype(float) == same.y).all()
    assert (placed["decimalLongitude"].astype(float) == same.x).all()
    assert set(placed["geodeticDatum"]) == {"EPSG:4326"}
    lent = placed["georeferenceSources"].ne("")
    recorded = analysis.season.read("sign").set_index("sign").geometry
    assert recorded.loc[placed.index[lent]].isna().all()
    assert recorded.loc[placed.index[~lent]].notna().all()


def test_metadata_say_who_publishes_and_under_which_licence(archives: dict[str, Path]) -> None:
    eml = etree.fromstring(members(archives["public"])["eml.xml"])
    assert eml.findtext("dataset/creator/organizationName") == "Tolvane Office"
    assert eml.findtext("dataset/intellectualRights/para") == "CC-BY 4.0"
    assert eml.findtext("dataset/title") == "Drawn <season> & more: tracks and sign of puma"
    told = [one.text for one in eml.findall("dataset/abstract/para")]
    assert any("Chapman 2020" in one for one in told)
    order = [one.tag for one in eml.find("dataset")]
    assert order == [
        "title", "creator", "metadataProvider", "pubDate", "language", "abstract",
        "intellectualRights", "coverage", "contact", "methods",
    ]  # fmt: skip


def test_a_public_copy_knows_cells_alone(analysis: Analysis, archives: dict[str, Path]) -> None:
    found = tables(archives["public"])
    events = found[f"{DWC}Event"]
    units = events[events["decimalLatitude"].ne("")]
    lat, lon = (units[f"decimal{n}"].astype(float) for n in ("Latitude", "Longitude"))
    for middle in (lat, lon):  # the middle of a cell of a tenth of a degree
        assert ((middle * 20).round(6) % 2 == 1).all()
    metres = units["coordinateUncertaintyInMeters"].astype(float)
    geod = Geod(ellps="WGS84")
    corner = geod.inv(lon, lat, lon + 0.05, lat - np.sign(lat) * 0.05)[2]
    assert (metres.to_numpy() >= corner).all()
    assert (metres.to_numpy() <= corner + 2).all()
    for name in (f"{DWC}Event", f"{DWC}Occurrence"):
        rows = found[name][found[name]["id"].ne("season")]
        assert rows["dataGeneralizations"].str.contains("0.1 degrees").all()
        assert rows["informationWithheld"].str.startswith("Withheld").all()
    assert events["eventDate"].str.fullmatch(r"\d{4}-\d\d(/\d{4}-\d\d)?").all()
    km = found[f"{ECO}Event"][f"{ECO}samplingEffortValue"].astype(float).sum()
    assert km == pytest.approx(analysis.visits["effort_km"].sum())


def secrets(analysis: Analysis) -> list[str]:
    """List what the public may not read: names of people, places and finds, and positions."""
    season = analysis.season
    names: set[str] = set()
    for table, columns in {
        "sign": ["sign", "observer", "notes"], "transects": ["transect"], "logs": ["log", "device"],
        "parcels": ["parcel", "owner_reference"], "incidents": ["incident"],
        "photos": ["photo", "observer"], "waypoints": ["name"],
    }.items():  # fmt: skip
        for column in columns:
            names |= set(season.read(table)[column].dropna().astype(str))
    places = []
    for table in ("fixes", "sign", "transects", "parcels"):
        xy = season.read(table).get_coordinates().to_numpy()
        places += [f"{value:.4f}" for value in np.unique(xy[:: max(len(xy) // 300, 1)])]
    return [one for one in {*names, *places} if len(one) > 3]


def test_no_name_and_no_position_is_in_the_bytes_of_a_public_copy(
    analysis: Analysis, archives: dict[str, Path]
) -> None:
    listed = secrets(analysis)
    inside = b"\n".join(members(archives["managers"]).values()).decode()
    told = b"\n".join(members(archives["public"]).values()).decode()
    raw = archives["public"].read_bytes().decode("latin-1")
    assert sum(one in inside for one in listed) > 300, "the test would see a leak"
    assert [one for one in listed if one in told or one in raw] == []


def test_a_landowners_copy_names_no_other_holding(
    analysis: Analysis, archives: dict[str, Path]
) -> None:
    told = b"\n".join(members(archives["landowner"]).values()).decode()
    others = analysis.parcels[["parcel", "owner_reference"]].iloc[1:].to_numpy().ravel()
    people = analysis.season.read("sign")["observer"].dropna()
    assert [one for one in {*others, *people} if str(one) in told] == []


def test_gdal_reads_every_table(archives: dict[str, Path]) -> None:
    path = archives["managers"]
    with zipfile.ZipFile(path) as archive:
        names = [name for name in archive.namelist() if name.endswith(".csv")]
    assert len(names) > 15
    expected = {name: len(rows) for name, rows in _by_file(path).items()}
    for name in names:
        told = pyogrio.read_info(f"/vsizip/{path}/{name}", force_feature_count=True)
        assert told["features"] == expected[name], name


def _by_file(path: Path) -> dict[str, pd.DataFrame]:
    return {
        name: pd.read_csv(io.BytesIO(body), dtype=str)
        for name, body in members(path).items()
        if name.endswith(".csv")
    }


def test_what_has_no_term_is_json(archives: dict[str, Path]) -> None:
    for rows in tables(archives["managers"]).values():
        if "dynamicProperties" in rows:
            for cell in rows["dynamicProperties"].unique():
                assert cell == "" or isinstance(json.loads(cell), dict)


@given(
    st.lists(st.floats(0, 1), min_size=len(TAXA), max_size=len(TAXA)).filter(lambda p: sum(p) > 0)
)
def test_a_name_is_no_narrower_than_its_probability(shares: list[float]) -> None:
    """What a name says is at least as sure as 0.8 for a species, and 0.95 for anything wider."""
    p = np.array(shares) / sum(shares)
    row = pd.DataFrame([p], columns=[taxon_column(taxon) for taxon in TAXA])
    told = names_of(row).iloc[0]
    name = told["dwc:scientificName"]
    inside = sum(share for taxon, share in zip(TAXA, p, strict=True) if name in LINEAGES[taxon])
    if told["dwc:taxonRank"] == "species":
        assert inside >= 0.8
        assert told["dwc:identificationQualifier"].startswith("cf.") == (inside < 0.95)
    else:
        assert inside >= 0.95 - 1e-9
        assert told["dwc:vernacularName"] == ""
