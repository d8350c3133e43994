"""Small invented frames for the tests of incidents, maps and reports.

Three transects of five 1 km segments in an invented country, one month of visits, four
trails, one parcel and one loss. Every frame keeps to its schema in `records/tables.py`.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, fields, replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
from shapely.geometry import LineString, Point, Polygon

from carnivore_sign.incidents import (
    IncidentFindings,
    IncidentTables,
    SeasonSays,
    examine_incident,
)
from carnivore_sign.maps import png_bytes
from carnivore_sign.maps.lettering import new_figure
from carnivore_sign.records.check import check_table, conform
from carnivore_sign.records.tables import TABLES
from carnivore_sign.reports import Choices, PageRecord, Report, landowner_report, monthly_report
from carnivore_sign.reports.content import as_plain

CRS = pyproj.CRS("EPSG:32613")
EAST, NORTH = 500_000.0, 4_000_000.0
ZONE = "America/Denver"
PERIOD = "2031-05"


def utc(*texts: str | None) -> pd.Series:
    return pd.Series(pd.to_datetime(list(texts), utc=True))


def stored(rows: dict[str, object], shapes: list[object], table: str) -> gpd.GeoDataFrame:
    frame = gpd.GeoDataFrame(rows, geometry=shapes, crs=CRS).to_crs("EPSG:4326")
    return check_table(frame, TABLES[table])


def at(x: float, y: float) -> tuple[float, float]:
    """Return plane coordinates x, y metres east and north of the corner of the country."""
    return EAST + x, NORTH + y


@dataclass(frozen=True)
class Country:
    """The frames of one invented month."""

    segments: gpd.GeoDataFrame
    visits: pd.DataFrame
    trails: gpd.GeoDataFrame
    members: pd.DataFrame
    sign: gpd.GeoDataFrame
    monthly: gpd.GeoDataFrame
    parcels: gpd.GeoDataFrame
    clearings: pd.DataFrame
    incidents: gpd.GeoDataFrame
    receipts: pd.DataFrame
    rates: pd.DataFrame

    def examine(self, incident: object = None, **options: object) -> IncidentFindings:
        names = ["sign", "trails", "members", "visits"]
        names += ["monthly", "parcels", "segments", "clearings"]
        names += ["carcasses", "photos"]
        tables = {name: options.pop(name, getattr(self, name, None)) for name in names}
        known = IncidentTables(
            **{name: table for name, table in tables.items() if table is not None}
        )
        told = {
            field.name: options.pop(field.name)
            for field in fields(SeasonSays)
            if field.name in options
        }
        chosen = self.incidents if incident is None else incident
        return examine_incident(chosen, known, SeasonSays(**told), **{"time_zone": ZONE, **options})


def make_segments(
    names: tuple[str, ...] = ("Dry Fork", "Ash Rim", "Mill Wash"),
) -> gpd.GeoDataFrame:
    rows, shapes = [], []
    for line, name in enumerate(names):
        for step in range(5):
            rows.append((f"{name}#{step}", name, step * 1000.0, step * 1000.0 + 1000.0))
            x = np.array([step * 1000.0, step * 1000.0 + 500.0, step * 1000.0 + 1000.0])
            y = 2500.0 * line + 250.0 * np.sin(x / 700.0 + line)
            shapes.append(LineString([at(a, b) for a, b in zip(x, y, strict=True)]))
    table = pd.DataFrame(rows, columns=["segment", "transect", "from_m", "to_m"])
    table["length_m"], table["surface"] = 1000.0, "dust"
    return stored(dict(table), shapes, "segments")


def make_visits(segments: gpd.GeoDataFrame) -> pd.DataFrame:
    """Visit the first two transects three times, the last four segments of the third never."""
    rows = []
    walked = segments.iloc[:11]
    for number, day in enumerate((4, 14, 24)):
        for order, row in enumerate(walked.itertuples()):
            start = pd.Timestamp(2031, 5, day, 13, 0, tz="UTC") + pd.Timedelta(minutes=15 * order)
            rows.append(
                {
                    "visit": f"log{number}#1@{row.segment}",
                    "walk": f"log{number}#1",
                    "log": f"log{number}",
                    "segment": row.segment,
                    "transect": row.transect,
                    "observer": "Invented Walker",
                    "start": start,
                    "end": start + pd.Timedelta(minutes=15),
                    "period": PERIOD,
                    "covered_m": 950.0,
                    "coverage": 0.95,
                    "hours_since_cleared": 72.0 if number else np.nan,
                    "cleared_by": "rain" if number else None,
                    "effort_km": 0.95,
                    "effort_km_days": 2.85 if number else np.nan,
                }
            )
    return check_table(pd.DataFrame(rows), TABLES["visits"])


def make_trails() -> gpd.GeoDataFrame:
    """Four trails: a likely puma, a likely dog, one undecided, one of unknown age."""
    shapes = [
        LineString([at(1200, 200), at(1500, 420)]),
        LineString([at(3100, -240), at(3400, -230)]),
        Point(at(2600, 2350)),
        LineString([at(4200, 2600), at(4300, 2550)]),
    ]
    rows = {
        "trail": ["T1", "T2", "T3", "T4"],
        "sign_count": [3, 2, 1, 2],
        "print_count": [6, 3, 1, 2],
        "time": utc("2031-05-14 13:20", "2031-05-14 13:50", "2031-05-14 14:40", "2031-05-04 15:00"),
        "made_after": utc("2031-05-11 13:20", "2031-05-11 13:50", "2031-05-11 14:40", None),
        "made_before": utc(
            "2031-05-14 13:20", "2031-05-14 13:50", "2031-05-14 14:40", "2031-05-14 15:00"
        ),
        "wiped": utc("2031-05-11 13:20", "2031-05-11 13:50", "2031-05-11 14:40", None),
        "direction_deg": [45.0, 90.0, np.nan, 120.0],
        "length_m": [370.0, 300.0, 0.0, 112.0],
        "p_puma": [0.93, 0.04, 0.45, 0.70],
        "p_dog": [0.05, 0.94, 0.50, 0.20],
        "p_coyote": [0.01, 0.01, 0.03, 0.05],
        "p_other": [0.01, 0.01, 0.02, 0.05],
    }
    return stored(rows, shapes, "trails")


def make_monthly(segments: gpd.GeoDataFrame, taxon: str = "puma") -> gpd.GeoDataFrame:
    states = ["not_found", "found_sure", "found_likely", *["not_found"] * 8, *["not_looked"] * 4]
    looked = np.array([state != "not_looked" for state in states])
    best = np.array([0.1, 0.98, 0.7, *np.linspace(0.06, 0.3, 8), *[0.35] * 4])
    rows = {
        "segment": segments["segment"],
        "period": PERIOD,
        "taxon": taxon,
        "state": states,
        "visits": np.where(looked, 3, 0),
        "effort_km": np.where(looked, 2.85, 0.0),
        "effort_km_days": np.where(looked, 5.7, 0.0),
        "p_found": [np.nan, 0.93, 0.45, *[np.nan] * 12],
        "trails_expected": [0.0, 0.93, 0.45, *[0.0] * 12],
        "p_presence": best,
        "p_presence_low": best * 0.4,
        "p_presence_high": np.minimum(1.0, best * 1.9 + 0.03),
    }
    frame = gpd.GeoDataFrame(rows, geometry=segments.geometry.to_numpy(), crs=segments.crs)
    return check_table(frame, TABLES["monthly"])


def make_sign() -> gpd.GeoDataFrame:
    rows = {
        "receipt": "r",
        "sign": ["s1", "s2", "s3", "s9"],
        "time": utc("2031-05-14 13:20", "2031-05-14 13:50", "2031-05-14 14:40", "2031-05-14 14:00"),
        "kind": ["track", "track", "track", "scat"],
        "named_as": ["puma", "dog", None, "puma"],
        "confidence": [0.9, 0.8, np.nan, 0.6],
    }
    shapes = [
        Point(at(1200, 200)),
        Point(at(3100, -240)),
        Point(at(2600, 2350)),
        Point(at(1900, 700)),
    ]
    return stored(rows, shapes, "sign")


def make_incidents(**changes: object) -> gpd.GeoDataFrame:
    rows = {
        "receipt": "r",
        "incident": "Loss 7",
        "parcel": "Lower Pasture",
        "last_seen_well": "2031-05-12T18:00-06:00",
        "found": "2031-05-13T07:00-06:00",
        "livestock": "sheep",
        "count": 2,
        "carcass_notes": "Two ewes, one under leaves.",
        **changes,
    }
    frame = gpd.GeoDataFrame([rows], geometry=[None], crs="EPSG:4326")
    return conform(frame, TABLES["incidents"])


def make_parcels() -> gpd.GeoDataFrame:
    shape = Polygon([at(1400, 900), at(2400, 900), at(2400, 1700), at(1400, 1700)])
    rows = {"receipt": "r", "parcel": ["Lower Pasture"], "owner_reference": ["A-12"]}
    return stored(rows, [shape], "parcels")


def make_receipts() -> pd.DataFrame:
    rows = {
        "receipt": ["aaaaaaaaaaaa", "bbbbbbbbbbbb"],
        "file": ["may_walks.gpx", "notebook.csv"],
        "sha256": ["a" * 64, "b" * 64],
        "kind": ["gpx", "sign table"],
        "table_name": ["fixes", "sign"],
        "rows_in": [5000, 40],
        "rows_kept": [4990, 38],
        "rows_set_aside": [10, 2],
        "imported_at": utc("2031-06-01 00:00", "2031-06-01 00:00"),
        "library_version": "0.1.0",
    }
    return check_table(pd.DataFrame(rows), TABLES["receipts"])


def make_rates() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "period": ["2031-04", PERIOD],
            "visits": [22, 33],
            "effort_km": [20.9, 31.35],
            "effort_km_days": [np.nan, 62.7],
            "trails_expected": [0.6, 1.38],
            "trails_per_km": [0.0287, 0.0440],
            "trails_per_km_low": [0.001, 0.0079],
            "trails_per_km_high": [0.165, 0.138],
            "trails_per_km_day": [np.nan, 0.0220],
            "trails_per_km_day_low": [np.nan, 0.0040],
            "trails_per_km_day_high": [np.nan, 0.0690],
        }
    )


def make_country(**changes: object) -> Country:
    """Return the invented month, with some frames exchanged."""
    segments = make_segments()
    clearings = pd.DataFrame(
        {"receipt": "r", "cause": ["rain"], "time": utc("2031-05-11 13:00"), "transects": ["all"]}
    )
    country = Country(
        segments=segments,
        visits=make_visits(segments),
        trails=make_trails(),
        members=pd.DataFrame({"sign": ["s1", "s2", "s3"], "trail": ["T1", "T2", "T3"]}),
        sign=make_sign(),
        monthly=make_monthly(segments),
        parcels=make_parcels(),
        clearings=check_table(clearings, TABLES["clearings"]),
        incidents=make_incidents(),
        receipts=make_receipts(),
        rates=make_rates(),
    )
    return replace(country, **changes)


RECORD = PageRecord(
    season="Coldwater country (invented)",
    time_zone=ZONE,
    made_on=dt.date(2031, 6, 3),
    receipts=make_receipts(),
    choices=Choices(
        region="general",
        prior={"puma": 0.2, "dog": 0.6, "coyote": 0.1, "wolf": 0.0, "other": 0.1},
        settings={"length of segments": "1000 m"},
        messages=("The fit says this of itself.",),
    ),
    tables="tables",
    version="0.0.0",
)


def tiny_png() -> bytes:
    """Return a small figure, to stand for a map."""
    figure = new_figure(1, 1)
    figure.add_axes((0.2, 0.2, 0.6, 0.6))
    return png_bytes(figure, dpi=30)


def month_report(country: Country, **changes: object) -> Report:
    frames = {name: getattr(country, name) for name in ("rates", "visits", "trails")}
    record = replace(RECORD, receipts=country.receipts)
    given = {"taxon": "puma", "record": record, "map_png": tiny_png(), **frames, **changes}
    monthly = given.pop("monthly", country.monthly)
    return monthly_report(monthly, **given)


def answer_report(findings: IncidentFindings, **changes: object) -> Report:
    given = {"record": RECORD, "map_png": tiny_png(), "timeline_png": tiny_png(), **changes}
    return landowner_report(findings, **given)


def all_text(report: Report) -> str:
    """Return every word of a report that a reader can see or hear, one block a line."""
    content, _ = as_plain(report)
    lines = [content["title"], content["subtitle"]]
    for block in content["blocks"]:
        words = [
            block.get(name, "") for name in ("text", "title", "source", "caption", "alt", "note")
        ]
        words += block.get("items", [])
        words += block.get("head", [])
        words += [cell for row in block.get("rows", []) for cell in row]
        lines.append(" | ".join(word for word in words if word))
    return "\n".join(lines)
