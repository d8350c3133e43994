"""Identification room: the prints of one sign, and the sign of one trail, put together.

Prints of one animal err alike: a dog with cat-like feet leaves forty cat-like prints. What
they say together is their sum times 1 / (1 + (n - 1) rho), so that n alike prints count as
n / (1 + (n - 1) rho), which never passes 1 / rho (``tempering.py``).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
import pandas as pd
import scipy.sparse

from carnivore_sign.errors import InputError
from carnivore_sign.identify.characters import witnesses
from carnivore_sign.identify.evidence import Evidence, load_evidence
from carnivore_sign.identify.observers import naming_log_likelihood
from carnivore_sign.identify.sizes import stride_log_likelihood
from carnivore_sign.identify.tempering import (
    TAXON_ORDER,
    FloatArray,
    Witness,
    share_kept,
    spread,
    temper,
)
from carnivore_sign.records.vocabularies import CHARACTERS

#: Prints, and sign, that are weighed at a time.
_BLOCK_PRINTS: Final = 65_536


def weigh_sign(sign: pd.DataFrame, prints: pd.DataFrame, evidence: Evidence) -> pd.DataFrame:
    """Weigh everything that was noted of each sign.

    Each character is pooled over the prints of the sign in which it was seen, under the
    correlation ``rho_sign``; then the characters are tempered together as for a single print.
    A print that shows nothing therefore leaves a clear one as it is; one that says a little of the
    same kind counts as little, and may temper a clear one slightly.

    The observer's naming is weighed only where no character spoke (scat, scrape, a track of
    which nothing was noted). Where characters were noted it was read off them, and using it
    as well would count them twice. Sizes were measured, not judged, and are weighed either way.

    Parameters
    ----------
    sign : DataFrame
        Columns of SIGN: ``sign`` (unique), ``named_as``, ``surface``, ``stride_m``; all but
        the first may be absent.
    prints : DataFrame
        Columns of PRINTS. Prints of sign that are not in `sign` are passed over.
    evidence : Evidence
        From `load_evidence`.

    Returns
    -------
    DataFrame
        Natural log likelihood of each taxon (columns `TAXA`), index name of the sign, in the
        order of `sign`. Zeros where nothing was noted and nothing named.

    Raises
    ------
    InputError
        If two sign have one name, or a word is none of its vocabulary.

    Examples
    --------
    >>> sign = pd.DataFrame({"sign": ["A", "B"], "named_as": ["puma", None]})
    >>> prints = pd.DataFrame({"sign": ["B", "B"], "claws": ["none", "none"]})
    >>> said = weigh_sign(sign, prints, load_evidence())
    >>> (said["puma"] - said["dog"]).round(2).to_dict()
    {'A': 0.89, 'B': 1.34}
    """
    names = _unique_names(sign)
    rows = names.get_indexer(prints["sign"]) if len(prints) else np.zeros(0, dtype=np.intp)
    surfaces = sign["surface"].to_numpy() if "surface" in sign else None
    heard = np.zeros(len(names))
    said = np.empty((len(TAXON_ORDER), len(names)))
    for signs, mine in _blocks(rows, len(names)):
        of = rows[mine] - signs.start
        kept = prints.iloc[mine].reset_index(drop=True)
        ground = None if surfaces is None else pd.Series(surfaces[signs][of])
        pooled = _pooled_witnesses(kept, of, ground, evidence, heard[signs])
        said[:, signs] = temper(pooled, evidence.tempering, signs.stop - signs.start)
    if "stride_m" in sign:
        power = evidence.constant("groups_exponent")
        said += power * stride_log_likelihood(sign["stride_m"], evidence)
    if "named_as" in sign:
        unheard = heard == 0
        said[:, unheard] += naming_log_likelihood(sign["named_as"], evidence)[:, unheard]
    return pd.DataFrame(said.T, index=names, columns=list(TAXON_ORDER))


def pool_evidence(
    log_likelihoods: pd.DataFrame, groups: pd.Series, *, rho: float | None = None
) -> pd.DataFrame:
    """Pool what the sign of each trail say.

    Parameters
    ----------
    log_likelihoods : DataFrame
        From `weigh_sign`: columns `TAXA`, index name of the sign.
    groups : Series
        Trail of each sign, index name of the sign. Sign that are in no trail are left out;
        a sign of a trail that was not weighed is an error.
    rho : float, optional
        Correlation, within a taxon, of what two sign of one trail say, 0 to 1. As shipped
        if not given (``rho_trail`` of the constants).

    Returns
    -------
    DataFrame
        Natural log likelihood of each taxon (columns `TAXA`), index group, in order of first
        appearance in `groups`. Sign that say nothing do not count.

    Raises
    ------
    InputError
        If a sign stands twice or was not weighed, or `rho` is not between 0 and 1.

    Examples
    --------
    >>> said = pd.DataFrame({"puma": [2.0, 2.0, 0.0], "dog": 0.0}, index=["A", "B", "C"])
    >>> said = said.reindex(columns=list(TAXON_ORDER), fill_value=0.0)
    >>> trails = pd.Series("one", index=["A", "B", "C"])
    >>> float(pool_evidence(said, trails, rho=0.6).at["one", "puma"])
    2.5
    """
    if rho is None:
        rho = load_evidence().constant("rho_trail")
    if not 0 <= rho <= 1:
        raise InputError(f"rho is a correlation between 0 and 1, and {rho} came")
    groups = groups.dropna()
    if groups.index.has_duplicates or log_likelihoods.index.has_duplicates:
        raise InputError("a sign stands twice", remedy="Give each sign one row and one group.")
    missing = groups.index.difference(log_likelihoods.index)
    if len(missing):
        raise InputError(
            f"{len(missing)} sign were not weighed, such as '{missing[0]}'",
            remedy="Weigh them with weigh_sign first.",
        )
    rows, names = pd.factorize(groups)
    said = log_likelihoods.loc[groups.index, list(TAXON_ORDER)].to_numpy(dtype=float).T
    pooled = _pool(said, spread(said), _membership(rows, len(names)), rho)
    index = pd.Index(names, name=groups.name)
    return pd.DataFrame(pooled.T, index=index, columns=list(TAXON_ORDER))


def _unique_names(sign: pd.DataFrame) -> pd.Index:
    names = pd.Index(sign["sign"], name="sign")
    if names.has_duplicates:
        again = names[names.duplicated()].unique()
        raise InputError(
            f"{len(again)} names of sign stand more than once, such as '{again[0]}'",
            remedy="Give each sign a name of its own.",
        )
    return names


def _blocks(rows: np.ndarray, count: int) -> Iterator[tuple[slice, np.ndarray]]:
    """Yield runs of sign, and where their prints stand, in blocks whose arrays stay small."""
    order = np.argsort(rows, kind="stable")
    ends = np.searchsorted(rows[order], np.arange(count), side="right")
    start, first = 0, int(np.searchsorted(rows[order], 0))
    while start < count:
        stop = int(np.searchsorted(ends, first + _BLOCK_PRINTS, side="right"))
        stop = min(max(stop, start + 1), start + _BLOCK_PRINTS, count)
        yield slice(start, stop), order[first : ends[stop - 1]]
        start, first = stop, int(ends[stop - 1])


def _pooled_witnesses(
    prints: pd.DataFrame,
    rows: np.ndarray,
    surfaces: pd.Series | None,
    evidence: Evidence,
    heard: FloatArray,
) -> Iterator[Witness]:
    """Yield each character pooled over the prints of a sign; add to `heard` what spoke."""
    member = _membership(rows, len(heard))
    rho = evidence.constant("rho_sign")
    for name, said, strength in witnesses(prints, evidence, surfaces):
        pooled = _pool(said, strength, member, rho)
        if name in CHARACTERS:
            heard += member @ strength
        yield Witness(name, pooled, spread(pooled))


def _membership(rows: np.ndarray, count: int) -> scipy.sparse.csr_array:
    """Return the matrix (groups, rows) that sums rows by group."""
    shape = (count, len(rows))
    return scipy.sparse.csr_array((np.ones(len(rows)), (rows, np.arange(len(rows)))), shape=shape)


def _pool(
    said: FloatArray, strength: FloatArray, member: scipy.sparse.csr_array, rho: float
) -> FloatArray:
    kept = share_kept(member @ strength, member @ strength**2, rho)
    return (member @ said.T).T * kept
