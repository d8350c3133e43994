"""Monthly maps of five thousand units and a month's report of many sign, beside the plain way.

The plain way of a map draws, for each month, the transects, the units of each state, the tallies
and the trails with `GeoDataFrame.plot`, with a legend and axes, and saves a PNG of the same size
and resolution. It has no scale bar, no names and no key of weight, so that it does less. A
report has no plain way; its season has 5,000 units, and trails and receipts as 100,000 sign leave.
The last case goes all the way: a season file of 94,000 sign, which is the demo's country side by
side 110 times with every sign twice, is analysed, fitted, and its month written with all its files.
"""

from __future__ import annotations

import datetime as dt
import io
import time
import warnings
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from matplotlib import pyplot as plt
from shapely.geometry import LineString

import carnivore_sign as cs
from carnivore_sign.maps import (
    SheetWords,
    WebLayers,
    plot_month,
    plot_months,
    png_bytes,
    web_map,
)
from carnivore_sign.maps.sheet import SHEET_IN
from carnivore_sign.maps.style import STATES
from carnivore_sign.records.season import Season, create_season
from carnivore_sign.reports import PageRecord, monthly_report, render_html, render_pdf
from carnivore_sign.simulate import demo_settings, simulate_season

CRS = "EPSG:32613"
MONTHS = 12
DPI = 150


def timed(work: Callable[[], Any]) -> tuple[float, Any]:
    """Seconds of the processor in one run, whatever else the machine does, and the result."""
    begun = time.process_time()
    result = work()
    return time.process_time() - begun, result


def draw_season(rng: np.random.Generator, units: int) -> gpd.GeoDataFrame:
    """Draw MONTHLY of twelve months: transects of twenty segments of a kilometre."""
    turns = np.cumsum(rng.normal(0, 0.15, (units // 20, 20 * 10)), axis=1)
    turns += rng.uniform(0, 2 * np.pi, (units // 20, 1))
    path = np.cumsum(np.stack([np.cos(turns), np.sin(turns)], axis=2) * 100, axis=1)
    path += rng.uniform((450_000, 4_000_000), (560_000, 4_110_000), (units // 20, 2))[:, None]
    lines = [LineString(line[at : at + 11]) for line in path for at in range(0, 200, 10)]
    lines_84 = gpd.GeoSeries(lines, crs=CRS).to_crs("EPSG:4326").to_numpy()
    names = [f"Transect {n // 20}#{n % 20:03}" for n in range(len(lines))]
    frames = []
    for month in range(MONTHS):
        p = rng.uniform(0, 1, len(lines))
        frames.append(
            pd.DataFrame(
                {
                    "segment": names,
                    "period": f"2031-{month + 1:02}",
                    "taxon": "puma",
                    "state": rng.choice(list(STATES), len(lines), p=[0.1, 0.1, 0.5, 0.3]),
                    "visits": rng.integers(0, 4, len(lines)),
                    "effort_km": rng.uniform(0, 4, len(lines)),
                    "effort_km_days": 3.0,
                    "p_found": 0.4,
                    "trails_expected": rng.uniform(0, 2, len(lines)),
                    "p_presence": p,
                    "p_presence_low": p * 0.5,
                    "p_presence_high": np.sqrt(p),
                }
            )
        )
    table = pd.concat(frames, ignore_index=True)
    return gpd.GeoDataFrame(table, geometry=np.tile(lines_84, MONTHS), crs="EPSG:4326")


def draw_trails(rng: np.random.Generator, months: gpd.GeoDataFrame, count: int) -> gpd.GeoDataFrame:
    """Draw TRAILS on the units, with probabilities of three taxa."""
    units = months.geometry.iloc[rng.integers(0, len(months), count)].to_numpy()
    hours = pd.to_timedelta(rng.uniform(0, 364 * 24, count), unit="h")
    p = rng.dirichlet((1, 2, 1), count)
    found = (pd.Timestamp("2031-01-01 08:00", tz="UTC") + hours).floor("s")
    return gpd.GeoDataFrame(
        {
            "trail": [f"trail-{n}" for n in range(count)],
            "sign_count": 3,
            "print_count": 5,
            "time": found,
            "made_after": found - pd.Timedelta(days=2),
            "made_before": found,
            "direction_deg": rng.uniform(0, 360, count),
            "length_m": 400.0,
            "p_puma": p[:, 0],
            "p_dog": p[:, 1],
            "p_other": p[:, 2],
        },
        geometry=units,
        crs="EPSG:4326",
    )


def plain_month(month: gpd.GeoDataFrame, trails: gpd.GeoDataFrame) -> bytes:
    """Draw one month with GeoDataFrame.plot and return the PNG."""
    plane = month.to_crs(CRS)
    figure, ax = plt.subplots(figsize=SHEET_IN)
    plane.plot(ax=ax, color="0.85", linewidth=0.8)
    for state, rows in plane.groupby("state"):
        rows.plot(ax=ax, color=STATES[state].edge, linewidth=1 + 8 * rows["p_presence_high"])
        rows.plot(
            ax=ax, color=STATES[state].color, linewidth=1 + 8 * rows["p_presence"], label=state
        )
    walked = plane[plane["visits"] > 0]
    walked.set_geometry(walked.centroid).plot(ax=ax, markersize=walked["visits"], color="k")
    trails.to_crs(CRS).plot(ax=ax, color="k", linewidth=1)
    ax.legend()
    buffer = io.BytesIO()
    figure.savefig(buffer, dpi=DPI)
    plt.close(figure)
    return buffer.getvalue()


def report_of(month: gpd.GeoDataFrame, trails: gpd.GeoDataFrame, record: PageRecord) -> int:
    """Make the map and both forms of a report; return their bytes."""
    words = SheetWords(on_page=True)
    png = png_bytes(plot_month(month, taxon="puma", words=words, trails=trails))
    visits = pd.DataFrame(
        {
            "visit": month["segment"],
            "walk": month["segment"].str.partition("#")[0],
            "transect": month["segment"].str.partition("#")[0],
            "segment": month["segment"],
            "period": month["period"],
            "start": pd.Timestamp("2031-03-04", tz="UTC"),
            "effort_km": month["effort_km"],
            "effort_km_days": month["effort_km_days"],
            "effort_source": "log",
        }
    )
    rates = pd.DataFrame({"period": ["2031-03"], "visits": [len(visits)], "effort_km": [9.0]})
    report = monthly_report(
        month, taxon="puma", rates=rates, visits=visits, trails=trails, record=record, map_png=png
    )
    return len(render_html(report)) + len(render_pdf(report))


#: What is copied of a simulated season, and what its names are there.
NAMED = {
    "logs": ["log"], "fixes": ["log"], "waypoints": ["name", "log"], "transects": ["transect"],
    "parcels": ["parcel"], "sign": ["sign", "waypoint"], "prints": ["sign"],
}  # fmt: skip
COPIES = 110


def renamed(frame: pd.DataFrame, table: str, copy: int) -> pd.DataFrame:
    """Give a copy of a table names of its own, and a place of its own."""
    ends = {
        name: frame[name].astype("object") + f"-{copy}" for name in NAMED[table] if name in frame
    }
    made = frame.assign(**ends)
    if not isinstance(made, gpd.GeoDataFrame):
        return made
    moved = made.geometry.translate(xoff=0.25 * (copy % 16), yoff=0.2 * (copy // 16))
    return made.set_geometry(moved)


def wide_season(folder: Path, copies: int) -> Season:
    """Put the demo's country side by side, every sign twice, a fix of four."""
    simulated = simulate_season(demo_settings(), np.random.default_rng(7))
    frames = {"clearings": simulated.clearings}
    for table in NAMED:
        frame = getattr(simulated, table)
        frame = frame.iloc[::4] if table == "fixes" else frame
        many = [renamed(frame, table, copy) for copy in range(copies)]
        frames[table] = pd.concat(many, ignore_index=True)
    beside = frames["sign"].assign(sign=frames["sign"]["sign"] + "+")
    beside = beside.set_geometry(beside.geometry.translate(xoff=2e-5))
    frames["sign"] = pd.concat([frames["sign"], beside], ignore_index=True)
    season = create_season(
        folder / "season.gpkg", name="Wide country", time_zone="America/Los_Angeles"
    )
    season.append(frames)
    return season


def whole_way(copies: int) -> list[tuple[str, str, float, float | None, float]]:
    """Measure a month of a season file from the analysis to the last file."""
    with TemporaryDirectory() as name, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        season = wide_season(Path(name), copies)
        sign = len(season.read("sign"))
        options = cs.AnalysisOptions(region="dry_range")
        analysed_s, analysis = timed(lambda: cs.analyse(season, options))
        fitted_s, _ = timed(lambda: analysis.season_presence)
        month_s, told = timed(lambda: cs.month(analysis, "2026-03", Path(name) / "out"))
        size = sum(path.stat().st_size for path in told.files.values()) / 1e6
    case = f"a season of {sign:,} sign on {len(analysis.segments):,} segments"
    return [
        (case, "the analysis", analysed_s, None, np.nan),
        (case, "the fit of presence", fitted_s, None, np.nan),
        (case, "a month: maps, report, layers and tables", month_s, None, size),
    ]


def run(scale: float = 1.0) -> pd.DataFrame:
    """Measure twelve maps, the sheet of all months, the interactive map, and a report."""
    rng = np.random.default_rng(8)
    units = int(5_000 * scale)
    season = draw_season(rng, units)
    trails = draw_trails(rng, season, int(20_000 * scale))
    period = trails["time"].dt.strftime("%Y-%m")
    trails = trails.assign(period=period)
    months = [(rows, trails[period.eq(name)]) for name, rows in season.groupby("period", sort=True)]
    for work in (plain_month, lambda m, t: png_bytes(plot_month(m, taxon="puma", trails=t))):
        work(*months[0])  # fonts are read once
    plain_s, plain = timed(lambda: [plain_month(month, found) for month, found in months])
    ours_s, ours = timed(
        lambda: [
            png_bytes(plot_month(month, taxon="puma", trails=found), dpi=DPI)
            for month, found in months
        ]
    )
    assert len(plain) == len(ours) == MONTHS
    case = f"{MONTHS} monthly maps of {units:,} units as PNG"
    rows: list[tuple[str, str, float, float | None, float]] = [
        (case, "geopandas: GeoDataFrame.plot in a loop", plain_s, 1.0, np.nan),
        (case, "ours", ours_s, plain_s / ours_s, np.nan),
    ]
    small_s, sheet = timed(lambda: png_bytes(plot_months(season, taxon="puma", trails=trails)))
    rows.append(("the same months on one sheet", "ours", small_s, None, len(sheet) / 1e6))
    web_s, page = timed(
        lambda: web_map(
            season, taxon="puma", time_zone="UTC", layers=WebLayers(trails=trails.head(3_000))
        )
    )
    rows.append(("interactive map of the same months", "ours", web_s, None, len(page) / 1e6))
    record = PageRecord("Season", "UTC", dt.date(2031, 6, 1))
    month = season[season["period"].eq("2031-03")]
    found = trails.assign(time=pd.Timestamp("2031-03-09", tz="UTC"))
    report_s, size = timed(lambda: report_of(month, found, record))
    case = f"a month's report, {units:,} units and {len(found):,} trails of {5 * len(found):,} sign"
    rows.append((case, "ours, map, HTML and PDF", report_s, None, size / 1e6))
    rows += whole_way(max(1, int(COPIES * scale)))
    return pd.DataFrame(rows, columns=["case", "what", "seconds", "ratio", "megabytes"]).round(
        {"megabytes": 2}
    )
