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
from carnivore_sign.presence.drawing import survey_of
from carnivore_sign.presence.fitting import best_maximum, maximise
from carnivore_sign.presence.two_states import TwoStates

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
        [
            _covariates(max(50, round(1000 * scale)), 12),
            _bootstrap(max(50, round(1000 * scale)), 12),
            _months(max(50, round(5000 * scale)), 36),
            _linear_in_rows(scale),
        ],
        ignore_index=True,
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


def _bootstrap(units: int, visits: int, replicates: int = 40) -> pd.DataFrame:
    """Draw surveys from a fit and fit each again, the plain way and ours."""
    fit = fit_occupancy(survey(units, visits), presence=PRESENCE, detection=DETECTION)
    fitted = survey_of(fit)

    def plain_way() -> None:
        rng = np.random.default_rng(3)
        for _ in range(replicates):
            _plain_search(fit.model.on(fitted.draw(rng)).states)

    def our_way() -> None:
        rng = np.random.default_rng(3)
        for _ in range(replicates):
            fitted.again(rng)

    plain = _best_of(1, plain_way) / replicates
    ours = _best_of(3, our_way) / replicates
    return _table(
        f"parametric bootstrap, {units} units x {visits} visits, one replicate",
        [("BFGS, finite differences", plain, 1.0), ("ours", ours, plain / ours)],
    )


def _plain_search(states: TwoStates) -> np.ndarray:
    x, w = states.psi_matrix, states.given.p_matrix
    shape = (len(x), -1)
    found = states.given.found.reshape(shape)
    ever = found.any(axis=1)

    def cost(parameters: np.ndarray) -> float:
        psi = expit(x @ parameters[:4])
        p = expit(w @ parameters[4:]).reshape(shape)
        record = np.exp((found * np.log(p) + (1 - found) * np.log1p(-p)).sum(axis=1))
        return -float(np.log(psi * record + (1 - psi) * ~ever).sum())

    return minimize(cost, np.zeros(8), method="BFGS").x


def _months(units: int, months: int, visits: int = 3) -> pd.DataFrame:
    histories, found = months_survey(units, months, visits)

    def plain() -> tuple[np.ndarray, float]:
        finds, blank = found.sum(axis=2), ~found.any(axis=2)

        def cost(parameters: np.ndarray) -> float:
            psi, gain, loss, p = expit(parameters)
            record = p**finds * (1 - p) ** (visits - finds)
            used, total = np.full(units, psi), 0.0
            for month in range(months):
                there = used * record[:, month]
                either = there + (1 - used) * blank[:, month]
                total += np.log(either).sum()
                used = (there * (1 - loss) + (either - there) * gain) / either
            return -float(total)

        end = minimize(cost, np.zeros(4), method="BFGS")
        return end.x, -float(end.fun)

    fit = fit_occupancy(histories, chain="months")
    states = fit.model.on(histories).states
    begin = time.perf_counter()
    _, loglik = plain()
    slow = time.perf_counter() - begin
    if abs(loglik - fit.loglik) > 1e-6 * abs(loglik):
        raise AssertionError(f"not the same optimum: {loglik} and {fit.loglik}")
    whole = _best_of(2, lambda: fit_occupancy(histories, chain="months"))
    search = _best_of(2, lambda: maximise(states.evaluate, np.zeros(4)))
    return _table(
        f"months, {units} units x {months} months x {visits} visits",
        [
            ("BFGS, finite differences", slow, 1.0),
            ("ours, histories to result", whole, slow / whole),
            ("ours, search alone", search, slow / search),
        ],
    )


def months_survey(units: int, months: int, visits: int) -> tuple[Histories, np.ndarray]:
    """Return an invented survey over months, and its finds as an array."""
    rng = np.random.default_rng(4)
    used = np.zeros((units, months), dtype=bool)
    used[:, 0] = rng.random(units) < 0.5
    for month in range(1, months):
        used[:, month] = rng.random(units) < np.where(used[:, month - 1], 0.7, 0.2)
    found = (rng.random((units, months, visits)) < 0.5) & used[:, :, None]
    periods = pd.period_range("2031-01", periods=months, freq="M").astype(str)
    unit = np.repeat([f"u{k:06d}" for k in range(units)], months)
    pairs = pd.DataFrame({"unit": unit, "period": np.tile(periods, units)})
    table = pairs.loc[pairs.index.repeat(visits)].reset_index(drop=True)
    table = table.assign(visit=table.index.astype(str), found=found.ravel().astype(int))
    signs = pd.DataFrame({"visit": table["visit"].iloc[:0], "log_ratio": np.empty(0)})
    return Histories(pairs, table, signs, "puma"), found


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
