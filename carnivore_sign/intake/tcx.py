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
from carnivore_sign.intake.text_points import TextPoints
from carnivore_sign.intake.xml_walk import Broken, Fault, content_at, walk

_ROOT: Final = "TrainingCenterDatabase"
_POINTS: Final = ("Trackpoint", "CoursePoint")
#: Where reading can go on behind a fault, and in which elements those stand.
_RESTARTS: Final = {
    "Trackpoint": ("Track", "Lap", "Activity", "Course"),
    "CoursePoint": ("Course",),
    "Track": ("Lap", "Activity", "Course"),
    "Lap": ("Activity",),
    "Activity": ("Activities", _ROOT),
    "Course": ("Courses", _ROOT),
}
#: Children of a point that are kept, and what they are.
_CHILDREN: Final = {
    "Time": "time", "AltitudeMeters": "elevation", "LatitudeDegrees": "lat",
    "LongitudeDegrees": "lon", "Name": "name", "Notes": "comment", "PointType": "symbol",
}  # fmt: skip
_IN_POSITION: Final = ("LatitudeDegrees", "LongitudeDegrees")
_TOLD: Final = 12


class _Reader:
    """The handler of the walk: adds the points of a file, by table."""

    def __init__(self, points: TextPoints) -> None:
        self.points = points
        self.left_out: Counter[str] = Counter()
        self.point: dict[str, str] | None = None
        self.kind = ""
        self.begin = self.depth = 0
        self.in_course = False
        self.activities = self.courses = self.parts = 0
        self.device: str | None = None
        self.name: str | None = None

    def start(self, name: str, attributes: dict[str, str], parents: list[str], at: int) -> None:
        if name in _POINTS:
            if self.point is not None:
                raise Broken("a point inside of a point")
            self.point, self.kind = {}, name
            self.begin, self.depth = at, len(parents)
            self.in_course = "Course" in parents
        elif self.point is not None:
            return
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
            self.add(self.begin, name, self.in_course, self.point)
            self.point = None
        elif text:
            above = parents[self.depth + 1 :]
            wanted = ["Position"] if name in _IN_POSITION else []
            if name in _CHILDREN and above == wanted:
                self.point.setdefault(_CHILDREN[name], text)
            else:
                self.left_out[name if name != "Value" else parents[-1]] += 1

    def end_outside(self, name: str, text: str, parents: list[str]) -> None:
        if name != "Name" or not text or not parents:
            return
        if parents[-1] == "Course":
            self.name = self.name or text
        elif parents[-1] == "Creator":
            self.device = self.device or text

    def add(
        self,
        begin: int,
        name: str,
        in_course: bool,
        texts: dict[str, str],
        fault: str | None = None,
    ) -> None:
        table, part = ("route_points", self.courses) if in_course else ("fixes", self.parts)
        if name == "CoursePoint":
            table, part = "waypoints", 0
        self.points.add(table, begin, texts, part=max(part - 1, 0), fault=fault)

    def broken(self, fault: Fault, restart: str | None, parents: list[str]) -> bool:
        if self.point is None:
            return False
        self.add(self.begin, self.kind, self.in_course, {}, fault.reason)
        self.point = None
        return True

    def lose(self, at: int, name: str, reason: str, parents: list[str]) -> None:
        if name in _POINTS:
            self.add(at, name, "Course" in parents, {}, reason)


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
        that a fault of the XML broke; reading goes on behind it.

    Raises
    ------
    FileUnreadable
        If the content is not TCX, or declares entities.
    """
    data, notes = as_utf8(source.data)
    found = _Reader(TextPoints(source.path))
    faults = walk(data, found, root=_ROOT, restarts=_RESTARTS, file=source.path)
    points, told = found.points.columns(time_zone=time_zone)
    notes = (*notes, *faults, *told)
    if "route_points" in points:
        points["route_points"] = points["route_points"].rename(columns={"part": "route"})
        notes = (*notes, "the points of a course are route points: a course is a plan")
    if found.left_out:
        most = found.left_out.most_common(_TOLD)
        names = ", ".join(f"{name} ({count})" for name, count in most)
        notes = (*notes, f"not kept, for want of a column: {names}")
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
