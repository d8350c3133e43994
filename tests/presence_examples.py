"""Invented surveys with known truth, for the tests of the presence room."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy.special import expit, logit

from carnivore_sign.presence import Histories


def blank_survey(units: int, visits: int, effort: np.ndarray | float = 1.0) -> Histories:
    """Return a survey of `units` x `visits` on which nothing was found."""
    unit = np.repeat([f"u{k:05d}" for k in range(units)], visits)
    table = pd.DataFrame(
        {
            "unit": unit,
            "period": "2031-05",
            "visit": [f"v{k}" for k in range(units * visits)],
            "effort_km": np.broadcast_to(effort, units * visits),
            "effort_km_days": np.broadcast_to(effort, units * visits),
            "trails": 0,
            "trails_expected": 0.0,
            "p_found": 0.0,
            "grade": 0,
            "found": 0,
        }
    )
    signs = pd.DataFrame({"visit": table["visit"].iloc[:0], "log_ratio": np.empty(0)})
    return Histories(
        table[["unit", "period"]].drop_duplicates(ignore_index=True), table, signs, "puma"
    )


def draw_visits(
    rng: np.random.Generator,
    *,
    psi: np.ndarray | float,
    p: np.ndarray | float,
    units: int,
    visits: int,
) -> tuple[Histories, np.ndarray]:
    """Draw found and not found; return the histories and which units are used."""
    survey = blank_survey(units, visits)
    used = rng.random(units) < psi
    found = (rng.random(units * visits) < p) & np.repeat(used, visits)
    table = survey.visits.assign(found=found.astype(int), grade=2 * found)
    return Histories(survey.units, table, survey.signs, "puma"), used


def draw_signs(
    rng: np.random.Generator,
    *,
    psi: float,
    rate: float,
    lookalike_rate: float,
    units: int,
    visits: int,
    spread: float = 1.5,
    prior: float = 0.4,
) -> tuple[Histories, np.ndarray]:
    """Draw signs with evidence of limited weight; return the histories and which units are used.

    The evidence of a sign is normal with mean ``spread / 2`` for the taxon and ``-spread / 2``
    for anything else, and unit variance: its log ratio is ``spread`` times it, and calibrated.
    """
    survey = blank_survey(units, visits, rng.uniform(0.5, 2.0, units * visits))
    used = rng.random(units) < psi
    rates = {"rate": rate, "lookalike_rate": lookalike_rate}
    there = np.repeat(used, visits)
    return with_signs(rng, survey, there, **rates, spread=spread, prior=prior), used


def with_signs(
    rng: np.random.Generator,
    survey: Histories,
    used: np.ndarray,
    *,
    rate: float,
    lookalike_rate: float,
    spread: float = 1.5,
    prior: float = 0.4,
) -> Histories:
    """Draw the signs of the visits of a survey, of which `used` are to used country."""
    effort = survey.visits["effort_km"].to_numpy()
    own = rng.poisson(rate * effort * used)
    other = rng.poisson(lookalike_rate * effort)
    at = np.concatenate(
        [np.repeat(np.arange(len(own)), own), np.repeat(np.arange(len(own)), other)]
    )
    mean = np.repeat([spread / 2, -spread / 2], [own.sum(), other.sum()])
    log_ratio = spread * rng.normal(mean)
    posterior = expit(log_ratio + logit(prior)).clip(max=1 - 1e-12)
    p_found = np.zeros(len(own))
    np.maximum.at(p_found, at, posterior)
    grade = (p_found >= 0.5).astype(int) + (p_found >= 0.95)
    table = survey.visits.assign(
        trails=own + other,
        trails_expected=np.bincount(at, posterior, minlength=len(own)),
        p_found=p_found,
        grade=grade,
        found=(grade == 2).astype(int),
    )
    signs = pd.DataFrame({"visit": table["visit"].to_numpy()[at], "log_ratio": log_ratio})
    return Histories(survey.units, table, signs, "puma")


def frames_of(histories: Histories, *, prior: float = 0.4) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the histories as frames of VISITS and DETECTIONS."""
    start = pd.Timestamp("2031-05-01T06:00Z") + pd.to_timedelta(
        np.arange(len(histories.visits)), "min"
    )
    table = histories.visits
    visits = pd.DataFrame(
        {
            "visit": table["visit"],
            "walk": "walk_" + table["visit"],
            "log": "log_1",
            "segment": table["unit"],
            "transect": "wash",
            "start": start,
            "end": start + pd.Timedelta("1min"),
            "period": table["period"],
            "covered_m": 1000 * table["effort_km"],
            "coverage": 1.0,
            "effort_km": table["effort_km"],
            "effort_km_days": table["effort_km_days"],
        }
    )
    place = table.set_index("visit").loc[histories.signs["visit"]]
    detections = pd.DataFrame(
        {
            "trail": [f"t{k}" for k in range(len(histories.signs))],
            "visit": histories.signs["visit"].to_numpy(),
            "segment": place["unit"].to_numpy(),
            "period": place["period"].to_numpy(),
            "offset_m": 1.0,
            "p_puma": expit(histories.signs["log_ratio"].to_numpy() + logit(prior)),
        }
    )
    return visits, detections


def segments_of(units: list[str]) -> gpd.GeoDataFrame:
    """Return a row of straight segments with these names."""
    table = {
        "segment": units,
        "transect": "wash",
        "from_m": np.arange(len(units)) * 1000.0,
        "to_m": np.arange(len(units)) * 1000.0 + 1000,
        "length_m": 1000.0,
        "surface": "sand",
    }
    lines = [shapely.LineString([(k / 100, 40), ((k + 1) / 100, 40)]) for k in range(len(units))]
    return gpd.GeoDataFrame(table, geometry=lines, crs="EPSG:4326")


def draw_graded(
    rng: np.random.Generator,
    *,
    psi: float,
    p: float,
    false_ratio: float,
    sure_share: float,
    units: int,
    visits: int,
) -> tuple[Histories, np.ndarray]:
    """Draw sure and unsure finds, some of the unsure ones false."""
    survey = blank_survey(units, visits)
    used = rng.random(units) < psi
    there = np.repeat(used, visits)
    find = rng.random(units * visits) < np.where(there, p, p * false_ratio)
    sure = find & there & (rng.random(units * visits) < sure_share)
    table = survey.visits.assign(grade=find.astype(int) + sure, found=sure.astype(int))
    return Histories(survey.units, table, survey.signs, "puma"), used


def draw_lines(
    rng: np.random.Generator,
    *,
    psi: float,
    after_unused: float,
    after_used: float,
    p: float,
    lines: int,
    segments: int,
) -> tuple[Histories, np.ndarray]:
    """Draw one walk of each line, whose used segments come in stretches."""
    used = rng.random(lines) < psi
    state = np.zeros((lines, segments), dtype=bool)
    steady = after_unused / (after_unused + 1 - after_used)
    chance = np.full(lines, steady)
    for k in range(segments):
        state[:, k] = used & (rng.random(lines) < chance)
        chance = np.where(state[:, k], after_used, after_unused)
    found = (rng.random((lines, segments)) < p) & state
    line = np.repeat([f"line_{k:04d}" for k in range(lines)], segments)
    segment = [
        f"{name}#{k}" for name, k in zip(line, np.tile(np.arange(segments), lines), strict=True)
    ]
    survey = blank_survey(lines, segments)
    visits = survey.visits.assign(
        unit=segment,
        transect=line,
        walk="walk of " + pd.Series(line),
        found=found.ravel().astype(int),
        grade=2 * found.ravel(),
    )
    units = pd.DataFrame(
        {
            "unit": segment,
            "period": "2031-05",
            "transect": line,
            "from_m": np.tile(np.arange(segments) * 500.0, lines),
        }
    )
    return Histories(units, visits, survey.signs, "puma"), used


def draw_months(
    rng: np.random.Generator,
    *,
    psi: float,
    colonisation: float,
    extinction: float,
    p: float,
    units: int,
    months: int,
    visits: int,
) -> tuple[Histories, np.ndarray]:
    """Draw units that come into use and fall out of it, and visits in each month."""
    used = np.zeros((units, months), dtype=bool)
    used[:, 0] = rng.random(units) < psi
    for month in range(1, months):
        chance = np.where(used[:, month - 1], 1 - extinction, colonisation)
        used[:, month] = rng.random(units) < chance
    found = (rng.random((units, months, visits)) < p) & used[:, :, None]
    periods = pd.period_range("2031-01", periods=months, freq="M").astype(str)
    survey = blank_survey(units, months * visits)
    table = survey.visits.assign(
        period=np.tile(np.repeat(periods, visits), units),
        found=found.ravel().astype(int),
        grade=2 * found.ravel(),
    )
    pairs = table[["unit", "period"]].drop_duplicates(ignore_index=True)
    return Histories(pairs, table, survey.signs, "puma"), used
