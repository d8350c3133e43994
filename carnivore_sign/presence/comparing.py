"""Comparing: which of several models the data favour, and predictions averaged over them.

Models are ranked by AIC corrected for small samples, or by QAIC where an overdispersion
factor is given. A weight is how much of the support of the set a model has; it says nothing
about models that are not in it.

Source: Burnham & Anderson 2002, Model Selection and Multimodel Inference (from memory).
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from scipy.stats import norm

from carnivore_sign.errors import InputError
from carnivore_sign.presence.models import from_link, to_link
from carnivore_sign.presence.result import OccupancyFit


def compare_fits(fits: Mapping[str, OccupancyFit], *, overdispersion: float = 1.0) -> pd.DataFrame:
    """Rank fits of the same histories.

    Parameters
    ----------
    fits : mapping of str to OccupancyFit
        By name. All of the same records (``repeat_visits`` and ``abundance`` share theirs)
        on the same visits.
    overdispersion : float
        From `check_fit` of the richest model; taken as 1 if below.

    Returns
    -------
    DataFrame
        Best first, index the names: ``parameters``, ``loglik``, ``criterion`` (AICc, or
        QAICc with an overdispersion above 1), ``difference`` from the best, ``weight``.

    Raises
    ------
    InputError
        If the fits are not of the same data.

    Examples
    --------
    >>> from carnivore_sign.presence import fit_occupancy, histories_from_matrix
    >>> matrix = pd.DataFrame([[1, 0, 1, 0], [0, 0, 0, 0], [0, 1, 0, 0], [1, 1, 0, 1]] * 10)
    >>> histories = histories_from_matrix(matrix)
    >>> fits = {
    ...     "plain": fit_occupancy(histories),
    ...     "uneven": fit_occupancy(histories, model="abundance"),
    ... }
    >>> compare_fits(fits)[["parameters", "difference", "weight"]].round(2).loc["plain"].to_list()
    [2.0, 0.0, 0.66]
    """
    _require_same_data(fits)
    factor = max(1.0, overdispersion)
    table = pd.DataFrame(
        {
            "parameters": {name: fit.model.n_parameters for name, fit in fits.items()},
            "loglik": {name: fit.loglik for name, fit in fits.items()},
            "criterion": {name: _criterion(fit, factor) for name, fit in fits.items()},
        }
    )
    table["difference"] = table["criterion"] - table["criterion"].min()
    share = np.exp(-0.5 * table["difference"])
    table["weight"] = share / share.sum()
    return table.sort_values("criterion")


def predict_averaged(
    fits: Mapping[str, OccupancyFit],
    frame: pd.DataFrame,
    *,
    part: str = "psi",
    overdispersion: float = 1.0,
    level: float = 0.95,
) -> pd.DataFrame:
    """Return predictions averaged by the models' weights, with limits that carry their spread.

    Parameters
    ----------
    fits : mapping of str to OccupancyFit
        As for `compare_fits`.
    frame : DataFrame
        One row per place or visit, with the covariates of all the models.
    part : str
        The quantity, as for `OccupancyFit.predict`.
    overdispersion : float
        As for `compare_fits`.
    level : float
        Probability that the limits are to cover.

    Returns
    -------
    DataFrame
        ``estimate``, ``low``, ``high``, with the index of `frame`; averaged on the logit (or
        log) scale, with a standard error of ``sum w sqrt(se^2 + (estimate - mean)^2)``.

    Examples
    --------
    >>> from carnivore_sign.presence import fit_occupancy, histories_from_matrix
    >>> matrix = pd.DataFrame([[1, 0, 1, 0], [0, 0, 0, 0], [0, 1, 0, 0], [1, 1, 0, 1]] * 10)
    >>> fit = fit_occupancy(histories_from_matrix(matrix))
    >>> predict_averaged({"plain": fit}, pd.DataFrame(index=["anywhere"]))["estimate"].round(2)
    anywhere    0.82
    Name: estimate, dtype: float64
    """
    weight = compare_fits(fits, overdispersion=overdispersion)["weight"]
    z = float(norm.ppf(0.5 + level / 2.0))
    link = next(iter(fits.values())).model.part(part).kind.link
    middles, errors = [], []
    for name in weight.index:
        told = fits[name].predict(frame, part=part, level=level).apply(to_link(link))
        middles.append(told["estimate"].to_numpy())
        errors.append(((told["high"] - told["low"]) / (2.0 * z)).to_numpy())
    w, middle, error = weight.to_numpy()[:, None], np.array(middles), np.array(errors)
    error = error * np.sqrt(max(1.0, overdispersion))
    mean = (w * middle).sum(axis=0)
    spread = (w * np.sqrt(error**2 + (middle - mean) ** 2)).sum(axis=0)
    back = from_link(link)
    table = {
        "estimate": back(mean),
        "low": back(mean - z * spread),
        "high": back(mean + z * spread),
    }
    return pd.DataFrame(table, index=frame.index)


def _criterion(fit: OccupancyFit, factor: float) -> float:
    k = fit.model.n_parameters + (factor > 1.0)
    small = 2.0 * k * (k + 1) / (fit.n_units - k - 1) if fit.n_units > k + 1 else np.inf
    return -2.0 * fit.loglik / factor + 2.0 * k + small


def _require_same_data(fits: Mapping[str, OccupancyFit]) -> None:
    if not fits:
        raise InputError("there is no fit to compare")
    records = {
        name: (
            _RECORD_OF.get(fit.model.name, fit.model.name),
            fit.model.effort,
            fit.n_units,
            fit.n_visits,
        )
        for name, fit in fits.items()
    }
    if len(set(records.values())) > 1:
        told = "; ".join(
            f"{name}: {record}, {units} units, {visits} visits"
            for name, (record, _, units, visits) in records.items()
        )
        raise InputError(
            f"the fits are not of the same data ({told}), so their likelihoods do not compare",
            remedy="Fit all of them to the same histories, with the same effort.",
        )


_RECORD_OF = {"abundance": "repeat_visits"}
