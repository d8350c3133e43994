"""TCX: fixes from the training files of sports watches.

The points of an activity are fixes, one part for each track in it. The points of a course are
route points: a course is a plan, and a plan is never effort. Course points, which have names,
are waypoints. Elements count by their local name, since programs write any prefix.

Source: the Training Center Database schema, version 2 (names and order of elements).
"""

from __future__ import annotations

from collections import Counter
from typing import Final

from carnivore_sign.intake.logs import LogHead, log_reading
from carnivore_sign.intake.reading import Reading
from carnivore_sign.intake.source import Source, as_utf8
from carnivore_sign.intake.text_points import TextPoint, columns_of
from carnivore_sign.intake.xml_walk import content_at, lost_elements, walk

_ROOT: Final = "TrainingCenterDatabase"
_POINTS: Final = ("Trackpoint", "CoursePoint")
#: Children of a point that are kept, and what they are.
_CHILDREN: Final = {
    "Time": "time", "AltitudeMeters": "elevation", "LatitudeDegrees": "lat",
    "LongitudeDegrees": "lon", "Name": "name", "Notes": "comment", "PointType": "symbol",
}  # fmt: skip
_IN_POSITION: Final = ("LatitudeDegrees", "LongitudeDegrees")
_TOLD: Final = 12


class _Points:
    """The points of a file as text, by table; the handler of the walk."""

    def __init__(self) -> None:
        self.tables: dict[str, list[TextPoint]] = {
            "fixes": [], "route_points": [], "waypoints": []
        }  # fmt: skip
        self.left_out: Counter[str] = Counter()
        self.point: TextPoint | None = None
        self.depth = 0
        self.activities = self.courses = self.parts = 0
        self.device: str | None = None
        self.name: str | None = None

    def start(self, name: str, attributes: dict[str, str], parents: list[str], at: int) -> None:
        if self.point is not None:
            if name in _POINTS:
                self.lose(at, name, "a point inside of a point", in_course="Course" in parents)
            return
        if name in _POINTS:
            self.point = TextPoint(at)
            self.depth = len(parents)
        elif name == "Activity":
            self.activities += 1
        elif name == "Course":
            self.courses += 1
        elif name == "Track" and "Course" not in parents:
            self.parts += 1

    def end(self, name: str, text: str, parents: list[str]) -> None:
        if self.point is None:
            self.end_outside(name, text, parents)
        elif len(parents) == self.depth:
            table = self.table(name, parents)
            part = self.courses if table == "route_points" else self.parts
            self.point.part = max(part - 1, 0)
            self.tables[table].append(self.point)
            self.point = None
        elif text:
            above = parents[self.depth + 1 :]
            wanted = ["Position"] if name in _IN_POSITION else []
            if name in _CHILDREN and above == wanted:
                self.point.texts.setdefault(_CHILDREN[name], text)
            else:
                self.left_out[name if name != "Value" else parents[-1]] += 1

    def end_outside(self, name: str, text: str, parents: list[str]) -> None:
        if name != "Name" or not text or not parents:
            return
        if parents[-1] == "Course":
            self.name = self.name or text
        elif parents[-1] == "Creator":
            self.device = self.device or text

    def table(self, name: str, parents: list[str]) -> str:
        if name == "CoursePoint":
            return "waypoints"
        return "route_points" if "Course" in parents else "fixes"

    def lose(self, at: int, name: str, reason: str, *, in_course: bool) -> None:
        """Take a point that the fault of the file broke."""
        parents = ["Course"] if in_course else []
        self.tables[self.table(name, parents)].append(TextPoint(at, fault=reason))

    def last_begin(self) -> int:
        """Byte at which the last whole point begins, -1 if there is none."""
        return max((one.begin for some in self.tables.values() for one in some), default=-1)


def read_tcx(
    source: Source, *, time_zone: str | None = None, observer: str | None = None
) -> Reading:
    """Read a TCX file.

    Parameters
    ----------
    source : Source
        The file.
    time_zone : str, optional
        IANA name of the zone of times that carry none. Without it such points are set aside.
    observer : str, optional
        Who carried the device.

    Returns
    -------
    Reading
        Tables as a log has them; ``source_row`` counts the points of each table from 1.
        Points without a position, which watches write indoors, are set aside. So are those
        behind a fault of the XML.

    Raises
    ------
    FileUnreadable
        If the content is not TCX, or declares entities.
    """
    data, notes = as_utf8(source.data)
    found = _Points()
    fault = walk(data, found, root=_ROOT, file=source.path)
    if fault is not None:
        notes = (*notes, fault.reason)
        in_course = found.courses > 0 and not found.activities
        for at, name in lost_elements(data, _POINTS, found.last_begin() + 1):
            found.lose(at, name, fault.reason, in_course=in_course)
    points = {}
    for table, some in found.tables.items():
        if not some:
            continue
        points[table], told = columns_of(some, time_zone=time_zone)
        notes = (*notes, *(f"{table}: {note}" for note in told))
    if "route_points" in points:
        points["route_points"] = points["route_points"].rename(columns={"part": "route"})
        notes = (*notes, "the points of a course are route points: a course is a plan")
    if found.left_out:
        most = found.left_out.most_common(_TOLD)
        told_out = ", ".join(f"{name} ({count})" for name, count in most)
        notes = (*notes, f"not kept, for want of a column: {told_out}")
    return log_reading(
        source,
        "tcx",
        points=points,
        head=LogHead(
            device=found.device,
            name=found.name,
            observer=observer,
            tracks=found.activities + found.courses,
            parts=found.parts,
        ),
        notes=notes,
        content_of=lambda at: content_at(data, int(at)),
    )
