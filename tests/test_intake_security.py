"""What a file could do harm with, for every kind that it concerns: refused, or made harmless.

Archives that lie, and bombs in zip files, are in ``test_intake_kml.py``; bombs in images in
``test_intake_photos_files.py``; formulas in ``test_intake_workbook.py``.
"""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from carnivore_sign.errors import FileUnreadable
from carnivore_sign.intake import Reading, read_file
from carnivore_sign.intake.xml_walk import MAX_TAG_BYTES

#: A document of each kind, with a place for what is done to it in front and inside.
DOCUMENTS = {
    "gpx": '{0}<gpx><wpt lat="1" lon="2"{1}><name>{2}</name></wpt><wpt lat="3" lon="4"/></gpx>',
    "kml": "{0}<kml><Placemark{1}><name>{2}</name><Point><coordinates>2,1</coordinates></Point>"
           "</Placemark><Placemark><Point><coordinates>4,3</coordinates></Point></Placemark></kml>",
    "tcx": "{0}<TrainingCenterDatabase><Courses><Course><CoursePoint{1}><Name>{2}</Name><Position>"
           "<LatitudeDegrees>1</LatitudeDegrees><LongitudeDegrees>2</LongitudeDegrees></Position>"
           "</CoursePoint><CoursePoint><Position><LatitudeDegrees>3</LatitudeDegrees>"
           "<LongitudeDegrees>4</LongitudeDegrees></Position></CoursePoint></Course></Courses>"
           "</TrainingCenterDatabase>",
}  # fmt: skip


def read(folder: Path, kind: str, before: str = "", head: str = "", name: str = "A") -> Reading:
    path = folder / "a.xml"
    path.write_text(DOCUMENTS[kind].format(before, head, name))
    return read_file(path)


@pytest.mark.parametrize("kind", DOCUMENTS)
def test_entity_expansion_external_entities_and_declared_attributes_are_refused(
    tmp_path: Path, kind: str
) -> None:
    (tmp_path / "canary.txt").write_text("CANARY")
    root = {"tcx": "TrainingCenterDatabase"}.get(kind, kind)
    for inside in (
        '<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;&a;">', '<!ENTITY b SYSTEM "canary.txt">',
        '<!ENTITY % b SYSTEM "canary.txt">', f'<!ATTLIST {root} x CDATA "{"y" * 100}">',
    ):  # fmt: skip
        with pytest.raises(FileUnreadable, match="XML entities") as told:
            read(tmp_path, kind, f"<!DOCTYPE {root} [{inside}]>", name="&b;")
        assert "CANARY" not in str(told.value)


@pytest.mark.parametrize("kind", DOCUMENTS)
def test_giant_attributes_and_attributes_by_the_hundred_thousand_are_a_fault(
    tmp_path: Path, kind: str
) -> None:
    giant = ' x="' + "y" * 2 * MAX_TAG_BYTES + '"'
    many = "".join(f' a{number}=""' for number in range(200_000))
    for head in (giant, many):
        start = time.perf_counter()
        reading = read(tmp_path, kind, head=head)
        assert time.perf_counter() - start < 5
        assert (reading.rows_in["waypoints"], reading.rows_kept["waypoints"]) == (2, 1)
        assert "a tag longer than 1 MiB" in reading.set_aside["reason"].item()
        assert len(reading.set_aside["content"].item()) < 5000


@pytest.mark.parametrize("kind", DOCUMENTS)
def test_deep_nesting_is_a_fault(tmp_path: Path, kind: str) -> None:
    reading = read(tmp_path, kind, name="<a>" * 100_000)
    assert reading.rows_set_aside["waypoints"] >= 1
    assert any("nested deeper than 256" in note for note in reading.notes)
