"""Occupancy: our Newton fits beside BFGS with finite differences, in one run.

The plain way is ``scipy.optimize.minimize(method="BFGS")`` on a vectorised numpy likelihood.
Both start at the same point and must reach the same optimum. Ours is timed twice: from
histories to result (frames, covariates, checks, standard errors and all), and the search alone.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
import pandas as pd
from scipy.optimize import minimize
from scipy.special import expit

from carnivore_sign.presence import Histories, fit_occupancy
from carnivore_sign.presence.fitting import best_maximum

PRESENCE = ["x1", "x2", "x3"]
DETECTION = ["w1", "w2", "w3"]


def run(scale: float = 1.0) -> pd.DataFrame:
    """Time the cases at `scale` times their full size.

    Returns
    -------
    DataFrame
        ``case``, ``what``, ``seconds``, ``ratio`` (the plain way's seconds over these).
    """
    return pd.concat(
        [_covariates(max(50, round(1000 * scale)), 12), _linear_in_rows(scale)], ignore_index=True
    )


def survey(units: int, visits: int, *, seed: int = 1) -> Histories:
    """Return an invented survey with 3 covariates of presence and 3 of detection."""
    rng = np.random.default_rng(seed)
    x, w = rng.normal(size=(units, 3)), rng.normal(size=(units * visits, 3))
    used = rng.random(units) < expit(0.2 + x @ [0.8, -0.5, 0.3])
    p = expit(-1.0 + w @ [0.5, 0.3, -0.4])
    found = (rng.random(units * visits) < p) & np.repeat(used, visits)
    name = np.array([f"u{k:06d}" for k in range(units)])
    unit_table = pd.DataFrame(x, columns=PRESENCE).assign(unit=name, period="2031-05")
    visit_table = pd.DataFrame(w, columns=DETECTION).assign(
        unit=np.repeat(name, visits),
        period="2031-05",
        visit=[f"v{k}" for k in range(units * visits)],
        found=found.astype(int),
    )
    signs = pd.DataFrame({"visit": visit_table["visit"].iloc[:0], "log_ratio": np.empty(0)})
    return Histories(unit_table, visit_table, signs, "puma")


def plain_fit(histories: Histories) -> tuple[np.ndarray, float]:
    """Fit the plain way; return the parameters and the log-likelihood."""
    x = np.column_stack([np.ones(len(histories.units)), histories.units[PRESENCE]])
    w = np.column_stack([np.ones(len(histories.visits)), histories.visits[DETECTION]])
    shape = (len(x), -1)
    found = histories.visits["found"].to_numpy(dtype=float).reshape(shape)
    ever = found.any(axis=1)

    def cost(parameters: np.ndarray) -> float:
        psi = expit(x @ parameters[:4])
        p = expit(w @ parameters[4:]).reshape(shape)
        record = np.exp((found * np.log(p) + (1 - found) * np.log1p(-p)).sum(axis=1))
        return -float(np.log(psi * record + (1 - psi) * ~ever).sum())

    end = minimize(cost, np.zeros(8), method="BFGS")
    return end.x, -float(end.fun)


def _covariates(units: int, visits: int) -> pd.DataFrame:
    histories = survey(units, visits)
    options = {"presence": PRESENCE, "detection": DETECTION}
    fit = fit_occupancy(histories, **options)
    states = fit.model.on(histories).states
    _, loglik = plain_fit(histories)
    if abs(loglik - fit.loglik) > 1e-6 * abs(loglik):
        raise AssertionError(f"not the same optimum: {loglik} and {fit.loglik}")
    case = f"{units} units x {visits} visits, 3 + 3 covariates"
    plain = _best_of(3, lambda: plain_fit(histories))
    whole = _best_of(10, lambda: fit_occupancy(histories, **options))
    search = _best_of(10, lambda: best_maximum(states.evaluate, states.starts()))
    return _table(
        case,
        [
            ("BFGS, finite differences", plain, 1.0),
            ("ours, histories to result", whole, plain / whole),
            ("ours, search alone", search, plain / search),
        ],
    )


def _linear_in_rows(scale: float) -> pd.DataFrame:
    rows = []
    for units in (1_000, 10_000, 100_000):
        size = max(50, round(units * scale))
        histories = survey(size, 6)
        seconds = _best_of(2, lambda histories=histories: _fit(histories))
        rows.append((f"ours, {size} units", seconds, np.nan))
    return _table("time linear in rows, 6 visits a unit", rows)


def _fit(histories: Histories) -> object:
    return fit_occupancy(histories, presence=PRESENCE, detection=DETECTION)


def _best_of(times: int, work: Callable[[], object]) -> float:
    taken = []
    for _ in range(times):
        begin = time.perf_counter()
        work()
        taken.append(time.perf_counter() - begin)
    return min(taken)


def _table(case: str, rows: list[tuple[str, float, float]]) -> pd.DataFrame:
    table = pd.DataFrame(rows, columns=["what", "seconds", "ratio"])
    table.insert(0, "case", case)
    return table


if __name__ == "__main__":
    print(run().to_string(index=False))
