"""Writing (simulate): a simulated season as the files that a user has, and the truth beside it.

`write_season` writes GPX logs, notebook tables in the units and words of each observer, lines
and parcels, clearings and incidents; the truth goes into a folder of its own. Times in
notebooks are local, times in logs UTC.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final
from xml.sax.saxutils import escape

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from carnivore_sign.records.vocabularies import CHARACTERS, MEASURES, NOT_VISIBLE
from carnivore_sign.simulate.country import LINE_DECIMALS
from carnivore_sign.simulate.passages import as_times
from carnivore_sign.simulate.season import SimulatedSeason
from carnivore_sign.simulate.settings import ObserverSettings, SeasonSettings
from carnivore_sign.units import METRES, MM_PER_M

GPX_NAMESPACE: Final = "http://www.topografix.com/GPX/1/1"

#: Compass points in order from north.
COMPASS: Final = (
    "N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE",
    "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW",
)  # fmt: skip

#: Digits after the point in which a length is written, by unit (inches: sixteenths).
_DIGITS: Final = {"mm": 0, "cm": 1, "m": 2}

_SIXTEENTHS: Final = 16


def write_season(simulated: SimulatedSeason, folder: Path | str) -> list[Path]:
    """Write a simulated season into a folder.

    Parameters
    ----------
    simulated : SimulatedSeason
        As `simulate_season` gives it.
    folder : path-like
        Made if it is not there; files of the same names are replaced.

    Returns
    -------
    list of Path
        The files written: ``logs/*.gpx``, ``sign.csv``, ``prints.csv``,
        ``transects.geojson``, ``parcels.geojson``, ``clearings.csv``, ``incidents.csv``,
        ``carcasses.csv`` and ``truth/``.

    Examples
    --------
    >>> import tempfile
    >>> from carnivore_sign.simulate import demo_settings, simulate_season
    >>> season = simulate_season(demo_settings(), np.random.default_rng(7))
    >>> files = write_season(season, Path(tempfile.mkdtemp()))
    >>> {"sign.csv", "prints.csv"} <= {path.name for path in files}
    True
    """
    folder = Path(folder)
    texts = {
        **{f"logs/{log}.gpx": text for log, text in log_texts(simulated).items()},
        "sign.csv": _csv(sign_table(simulated)),
        "prints.csv": _csv(print_table(simulated)),
        "transects.geojson": _geojson(simulated.transects, ["transect", "surface"]),
        "parcels.geojson": _geojson(simulated.parcels, ["parcel", "owner_reference"]),
        "clearings.csv": _csv(clearing_table(simulated)),
        "incidents.csv": _csv(incident_table(simulated)),
        "carcasses.csv": _csv(carcass_table(simulated)),
        **{f"truth/{name}": text for name, text in truth_texts(simulated).items()},
    }
    for name, text in texts.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8", newline="\n")
    return [folder / name for name in texts]


def log_texts(simulated: SimulatedSeason) -> dict[str, str]:
    """Text of the GPX 1.1 file of each log, by the log's name."""
    fixes = _with_lines(simulated.fixes)
    waypoints = simulated.waypoints
    by_log = dict(iter(fixes.groupby("log", sort=False)))
    marks = dict(iter(waypoints.groupby("log", sort=False)))
    none = waypoints.iloc[:0]
    return {
        log.log: _gpx(log, by_log[log.log], marks.get(log.log, none))
        for log in simulated.logs.itertuples()
    }


def _with_lines(fixes: gpd.GeoDataFrame) -> pd.DataFrame:
    """Add to each fix the line that it has in a GPX file."""
    times = fixes["time"].dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    columns = (
        fixes.geometry.y, fixes.geometry.x, fixes["elevation_m"], times, fixes["hdop"]
    )  # fmt: skip
    lines = [
        f'<trkpt lat="{lat:.6f}" lon="{lon:.6f}"><ele>{height:.1f}</ele>'
        f"<time>{time}</time><hdop>{hdop:.1f}</hdop></trkpt>"
        for lat, lon, height, time, hdop in zip(*columns, strict=True)
    ]
    return pd.DataFrame({"log": fixes["log"], "part": fixes["part"], "line": lines})


def _gpx(log: Any, fixes: pd.DataFrame, waypoints: gpd.GeoDataFrame) -> str:
    parts = ["\n".join(part["line"]) for _, part in fixes.groupby("part", sort=True)]
    segments = "\n".join(f"<trkseg>\n{part}\n</trkseg>" for part in parts)
    marks = "".join(
        f'<wpt lat="{mark.geometry.y:.6f}" lon="{mark.geometry.x:.6f}">'
        f"<ele>{mark.elevation_m:.1f}</ele><time>{mark.time:%Y-%m-%dT%H:%M:%SZ}</time>"
        f"<name>{escape(mark.name)}</name><cmt>{escape(mark.comment)}</cmt></wpt>\n"
        for mark in waypoints.itertuples()
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<gpx version="1.1" creator="{escape(log.device)}" xmlns="{GPX_NAMESPACE}">\n'
        f"<metadata><author><name>{escape(log.observer)}</name></author>"
        f"<time>{log.start:%Y-%m-%dT%H:%M:%SZ}</time></metadata>\n"
        f"{marks}<trk><name>{escape(log.name)}</name>\n{segments}\n</trk>\n</gpx>\n"
    )


def sign_table(simulated: SimulatedSeason) -> pd.DataFrame:
    """Notebook of sign as text, each row in the units and words of its observer."""
    sign = simulated.sign
    observers = _observers(simulated.settings)
    local = sign["time"].dt.tz_convert(simulated.settings.country.time_zone)
    placed = sign["waypoint"].isna()
    writers = [observers[name] for name in sign["observer"]]
    return pd.DataFrame(
        {
            "sign": sign["sign"],
            "date": local.dt.strftime("%Y-%m-%d"),
            "time": local.dt.strftime("%H:%M"),
            "lat": sign.geometry.y.map("{:.6f}".format).where(placed, ""),
            "lon": sign.geometry.x.map("{:.6f}".format).where(placed, ""),
            "waypoint": sign["waypoint"].fillna(""),
            "observer": sign["observer"],
            "kind": sign["kind"],
            "named_as": [
                writer.words.get(name, name) if isinstance(name, str) else ""
                for writer, name in zip(writers, sign["named_as"], strict=True)
            ],
            "confidence": list(map(_confidence, writers, sign["confidence"])),
            "age_min": sign["age_min_h"].map(_hours),
            "age_max": sign["age_max_h"].map(_hours),
            "direction": list(map(_direction, writers, sign["direction_deg"])),
            "surface": sign["surface"].fillna(""),
            "stride": [
                _length(length, writer.stride_unit)
                for writer, length in zip(writers, sign["stride_m"], strict=True)
            ],
            "notes": sign["notes"].fillna(""),
        }
    )


def _observers(settings: SeasonSettings) -> dict[str, ObserverSettings]:
    return {observer.name: observer for observer in settings.observing.observers}


def _confidence(observer: ObserverSettings, share: float) -> str:
    if np.isnan(share):
        return ""
    return f"{100 * share:.0f} %" if observer.uses_compass_points else f"{share:g}"


def _hours(hours: float) -> str:
    if np.isnan(hours):
        return ""
    return f"{hours / 24:g} d" if hours >= 48 and hours % 24 == 0 else f"{hours:g} h"


def _direction(observer: ObserverSettings, degrees: float) -> str:
    if np.isnan(degrees):
        return ""
    if observer.uses_compass_points:
        return COMPASS[int(np.floor(degrees / 22.5 + 0.5)) % len(COMPASS)]
    return f"{np.floor(degrees + 0.5) % 360:.0f}"


def _length(metres: float, unit: str) -> str:
    """Write a length with its unit, in the fineness that people use with that unit."""
    if np.isnan(metres):
        return ""
    number = metres / METRES[unit]
    if unit != "in":
        return f"{number:.{_DIGITS.get(unit, 2)}f} {unit}"
    sixteenths = int(np.floor(number * _SIXTEENTHS + 0.5))
    whole, rest = divmod(sixteenths, _SIXTEENTHS)
    if not rest:
        return f"{whole} in"
    divisor = int(np.gcd(rest, _SIXTEENTHS))
    return f"{whole} {rest // divisor}/{_SIXTEENTHS // divisor} in"


def print_table(simulated: SimulatedSeason) -> pd.DataFrame:
    """Notebook of prints as text: a unit in each cell, characters as words."""
    prints = simulated.prints
    observers = _observers(simulated.settings)
    writer = prints["sign"].map(simulated.sign.set_index("sign")["observer"])
    table = {
        "sign": prints["sign"],
        "print": prints["print_no"].astype(str),
        "foot": [
            _foot(observers[name], foot) for name, foot in zip(writer, prints["foot"], strict=True)
        ],
    }
    for measure in MEASURES:
        table[measure.removesuffix("_mm")] = [
            _length(millimetres / MM_PER_M, observers[name].print_unit)
            for name, millimetres in zip(writer, prints[measure], strict=True)
        ]
    for character in CHARACTERS:
        table[character] = prints[character].str.replace("_", " ")
    return pd.DataFrame(table)


def _foot(observer: ObserverSettings, foot: object) -> str:
    if not isinstance(foot, str):
        return ""
    side, end = foot.split("_")
    short = f"{side[0]}{end[0]}".upper()
    return short if observer.print_unit == "in" else f"{side} {end}"


def clearing_table(simulated: SimulatedSeason) -> pd.DataFrame:
    """Clearing events as text, in local time."""
    clearings = simulated.clearings
    local = clearings["time"].dt.tz_convert(simulated.settings.country.time_zone)
    return pd.DataFrame(
        {
            "cause": clearings["cause"],
            "date": local.dt.strftime("%Y-%m-%d"),
            "time": local.dt.strftime("%H:%M"),
            "transects": clearings["transects"],
        }
    )


def incident_table(simulated: SimulatedSeason) -> pd.DataFrame:
    """Incidents as text, in local time."""
    incidents = simulated.incidents
    zone = simulated.settings.country.time_zone
    local = {
        name: incidents[name].dt.tz_convert(zone).dt.strftime("%Y-%m-%d %H:%M")
        for name in ("last_seen_well", "found")
    }
    return pd.DataFrame(
        {
            "incident": incidents["incident"],
            "parcel": incidents["parcel"],
            **local,
            "livestock": incidents["livestock"],
            "count": incidents["count"].astype(str),
            "lat": incidents.geometry.y.map("{:.6f}".format),
            "lon": incidents.geometry.x.map("{:.6f}".format),
            "carcass_notes": incidents["carcass_notes"],
        }
    )


def carcass_table(simulated: SimulatedSeason) -> pd.DataFrame:
    """Carcasses as text; what could not be seen is left blank."""
    seen = simulated.carcasses.drop(columns=["receipt", "source_row", "photo", "notes"])
    words = seen.drop(columns="canine_spacing_mm").astype("object").replace(NOT_VISIBLE, "")
    spacing = seen["canine_spacing_mm"].map("{:g}".format, na_action="ignore")
    return words.assign(canine_spacing_mm=spacing).fillna("")


def truth_texts(simulated: SimulatedSeason) -> dict[str, str]:
    """Text of each file of the truth folder, by name."""
    truth = simulated.truth
    number = truth.used["number"].map("{:03d}".format)
    used = truth.used.assign(
        segment=truth.used["transect"] + "#" + number,
        used=truth.used["used"].map({True: "true", False: "false"}),
    )
    passages = truth.passages
    paths = simulated.country.paths
    where = [paths[p.transect].at(np.array([p.anchor_m])) for p in passages.itertuples()]
    trails = pd.DataFrame(
        {
            "trail": passages.index,
            "taxon": passages["taxon"].to_numpy(),
            "animal": passages["animal"].to_numpy(),
            "transect": passages["transect"].to_numpy(),
            "number": passages["number"].to_numpy(),
            "made": as_times(passages["made_s"]).strftime("%Y-%m-%dT%H:%M:%SZ"),
            "lat": [f"{lat[0]:.6f}" for _, lat in where],
            "lon": [f"{lon[0]:.6f}" for lon, _ in where],
            "anchor_m": passages["anchor_m"].round(1).to_numpy(),
            "direction_deg": passages["direction_deg"].round(0).astype(int).to_numpy(),
            "stride_m": passages["stride_m"].round(3).to_numpy(),
            "found_on": passages["found_on"].fillna("").to_numpy(),
        }
    )
    sign = truth.sign.reset_index()[["sign", "trail", "animal", "taxon", "log"]]
    effort = truth.effort.round({"covered_m": 1, "hours_since_cleared": 2, "km_days": 4})
    columns = ["segment", "transect", "number", "from_m", "to_m", "period", "taxon", "used"]
    return {
        "truth.json": json.dumps(truth_summary(simulated), indent=1, ensure_ascii=False) + "\n",
        "used_segments.csv": _csv(used[columns].round(2)),
        "trails.csv": _csv(trails),
        "sign_truth.csv": _csv(sign),
        "effort.csv": _csv(effort),
    }


def truth_summary(simulated: SimulatedSeason) -> dict[str, object]:
    """Rates, chances, errors, animals and shares of used units, as plain numbers."""
    settings, truth = simulated.settings, simulated.truth
    observing = settings.observing
    used = truth.used.groupby(["taxon", "period"], sort=False)["used"]
    shares: dict[str, dict[str, float]] = {}
    for (taxon, period), share in used.mean().items():
        shares.setdefault(str(taxon), {})[str(period)] = round(float(share), 4)
    return {
        "place": f"{settings.country.name} (invented, as are its people)",
        "periods": list(settings.periods),
        "time_zone": settings.country.time_zone,
        "unit_length_m": settings.country.unit_length_m,
        "rate_per_km_day": {a.taxon: a.rate_per_km_day for a in settings.animals},
        "share_of_units_used": shares,
        "notice": observing.notice,
        "misread": observing.misread,
        "measure_sd_mm": observing.measure_sd_mm,
        "naming_error": observing.naming_error,
        "age_error": observing.age_error,
        "position_sd_m": settings.walking.noise_sd_m,
        "animals": _animals(truth.animals),
        "incident": truth.incident,
    }


def _animals(animals: pd.DataFrame) -> Mapping[str, Mapping[str, object]]:
    return {
        str(animal.Index): {
            "taxon": animal.taxon,
            "size_factor": round(1 + float(animal.size_share), 4),
            "stride_m": round(float(animal.stride_m), 4),
        }
        for animal in animals.rename(columns={"size": "size_share"}).itertuples()
    }


def _csv(table: pd.DataFrame) -> str:
    return str(table.to_csv(index=False, lineterminator="\n"))


def _geojson(frame: gpd.GeoDataFrame, columns: list[str]) -> str:
    """Write a frame as GeoJSON (RFC 7946: longitude, latitude, WGS84), one feature a line."""
    features = []
    for row, shape in zip(frame[columns].to_dict("records"), frame.geometry, strict=True):
        geometry = json.loads(shapely.to_geojson(shape))
        geometry["coordinates"] = _rounded(geometry["coordinates"])
        feature = {"type": "Feature", "properties": row, "geometry": geometry}
        features.append(json.dumps(feature, ensure_ascii=False))
    return '{"type": "FeatureCollection", "features": [\n' + ",\n".join(features) + "\n]}\n"


def _rounded(numbers: Any) -> Any:
    if isinstance(numbers, list):
        return [_rounded(number) for number in numbers]
    return round(numbers, LINE_DECIMALS)
