"""Seeds of the fuzz: a few small files of each kind, and how changed content becomes a file.

Files are small, so that many can be tried: what a reader does with a field, a row or a tag shows in
the first of them. Archives and layers are made of parts; the part that is changed is put back into
its place, so that the fuzz gets through the container to what reads its content.
"""

from __future__ import annotations

import functools
import io
import itertools
import json
import sqlite3
import tempfile
import zipfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

import geopandas as gpd
import openpyxl
import shapely
from photo_making import CLOCK, MAKERS, PLACE, heic, jpeg, png, tiff
from shapely import LineString, Polygon
from test_intake_fit import COURSE_POINT, START, fit, message, record
from test_intake_nmea import framed, gga, rmc

Build = Callable[[int, bytes], bytes]


@dataclass(frozen=True)
class Seeds:
    """Content to be changed, and what makes a file of it.

    Attributes
    ----------
    contents : tuple of bytes
        What is changed, in turn.
    build : callable
        Makes the file of the number of the content among `contents`, and the content changed.
    ending : str
        Ending of the file if it must lie on the disk to be read, blank otherwise.
    beside : mapping of str to bytes
        Files beside it by their ending, whole; the contents are those of them in turn.
    """

    contents: tuple[bytes, ...]
    build: Build = lambda _, content: content
    ending: str = ""
    beside: Mapping[str, bytes] = field(default_factory=dict)


def packed(parts: Mapping[str, bytes]) -> bytes:
    """Pack files into a zip archive, all with one date, so that it is always the same."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        for name, part in parts.items():
            archive.writestr(zipfile.ZipInfo(name), part)
    return stream.getvalue()


_POINT = (
    '<trkpt lat="37.40{0}" lon="-119.2"><ele>60{0}.5</ele><time>2026-02-14T15:40:0{0}Z</time>'
    "<hdop>1.{0}</hdop><extensions><x:hr>9{0}</x:hr></extensions></trkpt>"
)
_GPX = (
    '<?xml version="1.0" encoding="UTF-8"?><gpx version="1.1" creator="Made"><metadata><name>A'
    '</name></metadata><wpt lat="37.4" lon="-119.2"><name>S&amp;1</name></wpt><rte><rtept '
    'lat="37.5" lon="-119.1"/></rte><trk><name>B</name><trkseg>'
    f"{_POINT.format(1)}{_POINT.format(2)}{_POINT.format(3)}</trkseg></trk></gpx>"
)
_TRACK_ONLY = f'<gpx version="1.0"><trk><trkseg>{_POINT.format(1)}{_POINT.format(2)}</trkseg></trk>'


def gpx() -> Seeds:
    return Seeds((_GPX.encode(), _GPX.encode("utf-16"), (_TRACK_ONLY + "</gpx>").encode()))


_KML_LOG = (
    '<kml xmlns:gx="g"><Document><Placemark><name>S1</name><Point><coordinates>-119.2,37.4,612'
    "</coordinates></Point></Placemark><Placemark><gx:Track><when>2026-02-14T15:40:00Z</when><when>"
    "2026-02-14T15:40:05Z</when><gx:coord>-119.2 37.4 612</gx:coord><gx:coord>-119.2 37.5 613"
    "</gx:coord></gx:Track></Placemark></Document></kml>"
)
_KML_LAYER = (
    "<kml><Document><Placemark><name>North</name><MultiGeometry><Polygon><outerBoundaryIs>"
    "<LinearRing><coordinates>0,0 1,0 1,1 0,0</coordinates></LinearRing></outerBoundaryIs>"
    "</Polygon></MultiGeometry></Placemark></Document></kml>"
)


def kml() -> Seeds:
    return Seeds((_KML_LOG.encode(), _KML_LOG.encode("utf-16"), _KML_LAYER.encode()))


def kmz() -> Seeds:
    """KML in an archive: three in four are changed inside it, and one is changed whole."""
    names = ("doc.kml", "doc.kml", "files/walk.kml")
    inside = (_KML_LOG.encode(), _KML_LAYER.encode(), _KML_LOG.encode())

    def build(number: int, content: bytes) -> bytes:
        return packed({names[number]: content}) if number < len(names) else content

    return Seeds((*inside, packed({"doc.kml": _KML_LOG.encode()})), build)


def _feature(shape: shapely.Geometry, **about: object) -> str:
    geometry = json.loads(shapely.to_geojson(shape))
    return json.dumps({"type": "Feature", "properties": about, "geometry": geometry})


_LINE = LineString([(-119.2, 37.4), (-119.2, 37.5)])
_AREA = Polygon([(0, 0), (1, 0), (1, 1)])
_LOG_FEATURES = (
    _feature(shapely.Point(-119.2, 37.4), name="S1", time="2026-02-14T15:40:00Z"),
    _feature(_LINE, coordTimes=["2026-02-14T15:40:00Z", "2026-02-14T15:40:05Z"]),
)


def _collection(*features: str) -> bytes:
    return f'{{"type": "FeatureCollection", "features": [{", ".join(features)}]}}'.encode()


def geojson() -> Seeds:
    layer = _collection(_feature(_LINE, name="Wash"))
    return Seeds((_collection(*_LOG_FEATURES), layer), ending=".geojson")


def geojson_lines() -> Seeds:
    lines = "\n".join(_LOG_FEATURES).encode()
    return Seeds((lines, b"\x1e" + lines.replace(b"\n", b"\n\x1e"), lines.replace(b"\n", b"\r\n")))


def outlines() -> Seeds:
    ring = Polygon([(0, 0), (40, 0), (40, 30), (0, 30)])
    toe = Polygon([(5, 40), (15, 40), (15, 55), (5, 55)])
    about = {"print": "S14/2", "unit": "mm"}
    marks = (_feature(ring, part="main_pad", **about), _feature(toe, part="toe 2", **about))
    return Seeds((_collection(*marks), _collection(marks[0])))


def _layers() -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(
        {"name": ["Wash", "Road"], "surface": ["sand", "dust"]}, geometry=[_LINE, _LINE], crs=4326
    )


@functools.cache
def _written(ending: str) -> dict[str, bytes]:
    """Write a layer of two lines; return its files by their ending."""
    with tempfile.TemporaryDirectory() as folder:
        _layers().to_file(Path(folder) / f"layer{ending}")
        return {path.suffix: path.read_bytes() for path in sorted(Path(folder).iterdir())}


def flatgeobuf() -> Seeds:
    return Seeds((_written(".fgb")[".fgb"],), ending=".fgb")


def geopackage() -> Seeds:
    """GeoPackage: two in three are changed in a shape or a name, one in the pages of the file."""
    whole = _small_pages(_written(".gpkg")[".gpkg"])
    shape, name = _cells_of(whole, "geom", "name")

    def build(number: int, content: bytes) -> bytes:
        column = ("geom", "name")[number] if number < 2 else None
        return _with_cell(whole, column, content) if column else content

    return Seeds((shape, name, whole), build, ".gpkg")


def _connected(data: bytes) -> sqlite3.Connection:
    connection = sqlite3.connect(":memory:", isolation_level=None)
    connection.deserialize(data)
    return connection


def _small_pages(data: bytes) -> bytes:
    """Put a GeoPackage on small pages, without its triggers and its index of places."""
    with closing(_connected(data)) as connection:
        names = connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")
        for (name,) in names.fetchall():
            connection.execute(f'DROP TRIGGER "{name}"')
        connection.execute("DROP TABLE rtree_layer_geom")
        connection.execute("DELETE FROM gpkg_extensions")
        connection.execute("DELETE FROM gpkg_spatial_ref_sys WHERE srs_id NOT IN (-1, 0, 4326)")
        connection.execute("PRAGMA page_size = 512")
        connection.execute("VACUUM")
        return bytes(connection.serialize())


def _cells_of(data: bytes, *columns: str) -> tuple[bytes, ...]:
    with closing(_connected(data)) as connection:
        row = connection.execute(f"SELECT {', '.join(columns)} FROM layer WHERE fid = 1").fetchone()
    return tuple(cell.encode() if isinstance(cell, str) else cell for cell in row)


def _with_cell(data: bytes, column: str, content: bytes) -> bytes:
    cell = "CAST(? AS TEXT)" if column == "name" else "?"
    with closing(_connected(data)) as connection:
        connection.execute(f"UPDATE layer SET {column} = {cell} WHERE fid = 1", (content,))
        return bytes(connection.serialize())


def shapefile() -> Seeds:
    """Shapefile: the shapes are changed, the table, the index or the reference system."""
    files = _written(".shp")
    changed = {ending: files[ending] for ending in (".shp", ".dbf", ".shx", ".prj")}
    return Seeds(tuple(changed.values()), ending=".shp", beside=changed)


def fit_files() -> Seeds:
    mark = message(COURSE_POINT, START, 0, 0, "S014")
    return Seeds((fit(*(record(second) for second in range(3))), fit(record(0), mark, kind=6)))


_TCX_POINT = (
    "<Trackpoint><Time>2026-02-14T15:40:0{0}Z</Time><Position><LatitudeDegrees>37.{0}"
    "</LatitudeDegrees><LongitudeDegrees>-119.2</LongitudeDegrees></Position><AltitudeMeters>612.5"
    "</AltitudeMeters></Trackpoint>"
)
_TCX = (
    "<TrainingCenterDatabase><Activities><Activity><Lap><Track>{0}</Track></Lap></Activity>"
    "</Activities></TrainingCenterDatabase>",
    "<TrainingCenterDatabase><Courses><Course><Name>Loop</Name><Track>{0}</Track><CoursePoint>"
    "<Name>S014</Name><Time>2026-02-14T15:41:00Z</Time><Position><LatitudeDegrees>37.5"
    "</LatitudeDegrees><LongitudeDegrees>-119.3</LongitudeDegrees></Position></CoursePoint>"
    "</Course></Courses></TrainingCenterDatabase>",
)


def tcx() -> Seeds:
    points = _TCX_POINT.format(1) + _TCX_POINT.format(2)
    return Seeds(tuple(text.format(points).encode() for text in _TCX))


def nmea() -> Seeds:
    pairs = [rmc(f"12000{n}", "140226") + gga(f"12000{n}") for n in range(2)]
    marks = [framed("GPWPL,3558.322,N,08708.082,W,S014"), framed("GPZDA,120004,14,02,2026,00,00")]
    text = "".join([*pairs, *marks])
    return Seeds((text.encode(), text.replace(",A,", ",V,", 1).encode(), text.encode("utf-16")))


#: First columns whose cells name the row.
NAMED = ("sign", "incident", "walk")
#: Tables, of two or three rows each; between them they use every column.
TABLES: dict[str, tuple[str, ...]] = {
    "points": (
        "lat,lon,time,name\n37.4,-119.2,2026-02-14T07:40Z,\n37.4,-119.2,2026-02-14T07:41Z,S1\n",
        "utm_zone;easting;northing;alt (ft)\n11N;305229;4141500,5;2000\n11S;305229;4141500;2 m\n",
    ),
    "sign": (
        "sign,date,time,lat,lon,kind\nS1,2026-02-14,08:01,37.4,-119.2,scat\n"
        "S2,14.2.2026,8.15 am,37 24.6 N,119 12.3 W,track\n",
        "sign,time,kind,species,sure,stride,notes\nS1,2026-02-14T07:40Z,track,puma,80%,1.1 m,old\n",
        "sign,time,kind,waypoint,age_min,age_max,direction,surface\n"
        "S1,2026-02-14T07:40Z,track,014,2 h,1 d,NNE,dust\n",
    ),
    "prints": (
        "sign;print;foot;length (mm);claws\nS1;1;LF;82,5;none\nS1;2;right hind;3 in;not visible\n",
        "sign,print,width,pad_width\nS1,1,80 mm,5 cm\nS2,1,3 1/4 in,\n",
    ),
    "clearings": (
        "cause,date,time,transects\nrain,2026-02-13,22:00,all\nsnow,2026-02-10,04:30,A; B\n",
    ),
    "walks": (
        "walk,transect,date,start,end,distance,back\nW1,A,2026-02-13,07:00,9:30,2.5 km,yes\n"
        "W2,B,2026-02-14,07:00,,,no\n",
    ),
    "weather": (
        "time,transects,surface,keeps_tracks\n2026-02-13T22:00,all,crusted snow,2 d\n"
        "2026-02-14T22:00,A; B,mud,\n",
    ),
    "incidents": (
        "incident,found,count\nI1,2026-02-14T07:30Z,3\nI2,2026-02-15T07:30,1\n",
        "incident,last_seen_well,found,parcel,lat,lon\n"
        "I1,2026-02-13T18:00,2026-02-14T07:30,North,37.4,-119.2\n",
    ),
    "carcasses": (
        "incident,carcass,bleeding,canine_spacing,notes\nI1,1,yes,45 mm,throat\nI1,2,no,,\n",
        "incident,carcass,jaw,feeding,dragged\nI1,1,upper,?,yes\n",
    ),
}  # fmt: skip


def table(name: str) -> Seeds:
    return Seeds(tuple(text.encode() for text in TABLES[name]))


SHEET = "xl/worksheets/sheet1.xml"


@functools.cache
def workbook_parts(name: str) -> dict[str, bytes]:
    """Return the parts of a workbook that holds the first table of a name."""
    made = openpyxl.Workbook()
    for line in TABLES[name][0].splitlines():
        made.active.append(line.replace(";", ",").split(","))
    stream = io.BytesIO()
    made.save(stream)
    with zipfile.ZipFile(stream) as archive:
        return {one.filename: archive.read(one) for one in archive.infolist()}


def workbook() -> Seeds:
    """XLSX of each table: most are changed in their sheet, two of them whole."""
    names = list(TABLES)
    whole = [packed(workbook_parts(name)) for name in ("sign", "points")]

    def build(number: int, content: bytes) -> bytes:
        if number >= len(names):
            return content
        return packed({**workbook_parts(names[number]), SHEET: content})

    return Seeds((*(workbook_parts(name)[SHEET] for name in names), *whole), build)


_BLOCK = tiff(
    {"Make": "Toy", "Model": "Toy One"},
    {"DateTimeOriginal": "2026:02:14 07:40:30", "OffsetTimeOriginal": "-08:00"},
    {**PLACE, **CLOCK, "GPSAltitude": [(25, 2)], "GPSImgDirection": [(90, 1)]},
    thumbnail=jpeg(None),
)


def photos(form: str) -> Seeds:
    more = {
        "PNG": (png(_BLOCK, late=True),),
        "HEIC": (heic(_BLOCK, version=2), heic(_BLOCK, inside=True)),
    }
    return Seeds((MAKERS[form](_BLOCK), *more.get(form, ())))


#: Kinds that are photos.
PHOTOS = tuple(form.lower() for form in MAKERS)
KINDS: dict[str, Callable[[], Seeds]] = {
    "gpx": gpx, "kml": kml, "kmz": kmz, "geojson": geojson, "geojson lines": geojson_lines,
    "gpkg": geopackage, "shp": shapefile, "fgb": flatgeobuf, "fit": fit_files, "tcx": tcx,
    "nmea": nmea, "outlines": outlines,
    **{f"csv {name}": functools.partial(table, name) for name in TABLES},
    "xlsx": workbook,
    **{form.lower(): functools.partial(photos, form) for form in MAKERS},
}  # fmt: skip


@functools.cache
def seeds_of(kind: str) -> Seeds:
    """Return the seeds of a kind."""
    return KINDS[kind]()


def in_turn(seeds: Seeds) -> Iterator[tuple[int, bytes]]:
    """Yield number and content of the seeds, again and again."""
    return itertools.cycle(enumerate(seeds.contents))
