"""Covariates: named columns become a matrix, standardised inside and reported outside.

A number column is centred and scaled for the optimiser; a column of words becomes one
column of 0 and 1 for each word but the first. Coefficients are turned back to the scale of
the caller's columns before anyone sees them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.presence.layout import FloatArray


@dataclass(frozen=True)
class Covariates:
    """How to make the matrix of one part of a model from a frame.

    Attributes
    ----------
    columns : tuple of str
        Columns used, in order.
    terms : tuple of str
        Names of the matrix' columns; the first is ``intercept``.
    centre, scale : arrays, shape (n_terms,)
        Taken from each column of the matrix, in the caller's units.
    levels : dict of str to tuple of str
        Words of each column of words; the first is the reference.
    """

    columns: tuple[str, ...]
    terms: tuple[str, ...]
    centre: FloatArray
    scale: FloatArray
    levels: dict[str, tuple[str, ...]]

    def matrix(self, frame: pd.DataFrame) -> FloatArray:
        """Return the matrix of `frame`, shape (n_rows, n_terms), its terms one after another."""
        rows = _raw_terms(frame, self.columns, self.levels)
        if self.columns:
            rows -= self.centre[:, None]
            rows /= self.scale[:, None]
        return rows.T

    def to_reported(self) -> FloatArray:
        """Return the matrix that turns inner coefficients into those of the caller's units."""
        turn = np.diag(1.0 / self.scale)
        turn[0, 1:] = -self.centre[1:] / self.scale[1:]
        return turn


def learn_covariates(frame: pd.DataFrame, columns: Sequence[str], what: str) -> Covariates:
    """Learn levels, centres and scales of `columns` from `frame`.

    Parameters
    ----------
    frame : DataFrame
        One row per unit or per visit.
    columns : sequence of str
        Columns of numbers, of true and false, or of words.
    what : str
        What a row of the frame is, for messages: ``units`` or ``visits``.

    Raises
    ------
    InputError
        If a column is not there, holds missing values, or does not vary.

    Examples
    --------
    >>> frame = pd.DataFrame({"elevation_m": [100.0, 300.0], "surface": ["dust", "sand"]})
    >>> learned = learn_covariates(frame, ["elevation_m", "surface"], "units")
    >>> learned.terms
    ('intercept', 'elevation_m', 'surface: sand')
    >>> learned.matrix(frame)
    array([[ 1., -1.,  0.],
           [ 1.,  1.,  1.]])
    """
    if isinstance(columns, str):
        columns = [columns]
    _require_columns(frame, columns, what)
    levels = {
        name: tuple(sorted(frame[name].astype(str).unique()))
        for name in columns
        if _is_words(frame[name])
    }
    terms = ["intercept"]
    for name in columns:
        terms += [f"{name}: {word}" for word in levels[name][1:]] if name in levels else [name]
    centre, scale = np.zeros(len(terms)), np.ones(len(terms))
    if columns:
        raw = _raw_terms(frame, tuple(columns), levels)
        numeric = np.array([term in columns for term in terms])
        centre = np.where(numeric, raw.mean(axis=1), 0.0)
        raw -= centre[:, None]
        spread = np.sqrt(np.einsum("ij,ij->i", raw, raw) / len(frame))
        scale = np.where(numeric, spread, 1.0)
    still = [term for term, spread in zip(terms, scale, strict=True) if spread == 0]
    still += [name for name, words in levels.items() if len(words) < 2]
    if still:
        raise InputError(
            f"column {still[0]!r} has one value over all {what}, so nothing can be learnt from it",
            remedy="Leave it out.",
        )
    return Covariates(tuple(columns), tuple(terms), centre, scale, levels)


def missing_rows(frame: pd.DataFrame, columns: Sequence[str], what: str) -> pd.Series:
    """Return True for each row of `frame` that lacks one of `columns`."""
    _require_columns(frame, columns, what)
    missing = np.zeros(len(frame), dtype=bool)
    for name in columns:
        column = frame[name]
        missing |= (
            np.isnan(column.to_numpy()) if column.dtype == float else column.isna().to_numpy()
        )
    return pd.Series(missing, index=frame.index)


def _require_columns(frame: pd.DataFrame, columns: Sequence[str], what: str) -> None:
    lacking = [name for name in columns if name not in frame]
    if lacking:
        raise InputError(
            f"the {what} have no column {lacking[0]!r}",
            remedy=f"They have {', '.join(map(str, frame.columns))}.",
        )


def _is_words(values: pd.Series) -> bool:
    return not (pd.api.types.is_numeric_dtype(values) or pd.api.types.is_bool_dtype(values))


def _raw_terms(
    frame: pd.DataFrame, columns: tuple[str, ...], levels: dict[str, tuple[str, ...]]
) -> FloatArray:
    """Return the terms as they stand in the frame, shape (n_terms, n_rows)."""
    parts = [np.ones(len(frame))]
    for name in columns:
        if name not in levels:
            parts.append(frame[name].to_numpy(dtype=float))
            continue
        words = frame[name].astype(str)
        strange = ~words.isin(levels[name])
        if strange.any():
            raise InputError(
                f"column {name!r} holds {words[strange].iloc[0]!r}, which the model never saw",
                remedy=f"It was fitted on {', '.join(levels[name])}.",
            )
        parts += [(words == word).to_numpy(dtype=float) for word in levels[name][1:]]
    return np.stack(parts)
