"""Identification room: the prints of one sign, and the sign of one trail, put together.

Prints of one animal err alike: a dog with cat-like feet leaves forty cat-like prints. What
they say together is their sum times 1 / (1 + (n - 1) rho), so that n alike prints count as
n / (1 + (n - 1) rho), which never passes 1 / rho (``tempering.py``).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final, NamedTuple

import numpy as np
import pandas as pd
import scipy.sparse

from carnivore_sign.errors import InputError
from carnivore_sign.identify.characters import witnesses
from carnivore_sign.identify.evidence import Evidence, load_evidence
from carnivore_sign.identify.observers import ObserverSkill, word_log_likelihood
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


class SignEvidence(NamedTuple):
    """What was noted of each sign says, and the part of it that is an observer's word.

    Attributes
    ----------
    together : DataFrame
        Natural log likelihood of each taxon (columns `TAXA`), index name of the sign.
    words : DataFrame
        The part of it that observers' words carry, in the same shape.
    """

    together: pd.DataFrame
    words: pd.DataFrame


def weigh_sign(
    sign: pd.DataFrame,
    prints: pd.DataFrame,
    evidence: Evidence,
    *,
    observers: ObserverSkill | None = None,
) -> pd.DataFrame:
    """Weigh everything that was noted of each sign.

    Each character is pooled over the prints of the sign in which it was seen, under the
    correlation ``rho_sign``; then the characters are tempered together as for a single print.
    A print that shows nothing therefore leaves a clear one as it is; one that says a little of the
    same kind counts as little, and may temper a clear one slightly.

    Of observers who were not tested the naming is weighed only where no character spoke (scat,
    scrape, a track of which nothing was noted). Where characters were noted it was read off them,
    and using it as well would count them twice. Sizes were measured, not judged, and are weighed
    either way. With `observers`, whose word was measured on known prints, the word stands beside
    the characters as one more witness, under the correlation ``rho_word``.

    Parameters
    ----------
    sign : DataFrame
        Columns of SIGN: ``sign`` (unique), ``named_as``, ``surface``, ``stride_m``, ``observer``
        and ``confidence``; all but the first may be absent.
    prints : DataFrame
        Columns of PRINTS. Prints of sign that are not in `sign` are passed over.
    evidence : Evidence
        From `load_evidence`.
    observers : ObserverSkill, optional
        From `fit_observers`.

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
    {'A': 0.89, 'B': 1.57}
    """
    return weigh_sign_parts(sign, prints, evidence, observers=observers).together


def weigh_sign_parts(
    sign: pd.DataFrame,
    prints: pd.DataFrame,
    evidence: Evidence,
    *,
    observers: ObserverSkill | None = None,
) -> SignEvidence:
    """Weigh everything that was noted of each sign, and keep apart what observers' words say.

    Parameters
    ----------
    sign, prints, evidence, observers
        As for `weigh_sign`, which gives the same without the parts.

    Returns
    -------
    SignEvidence
        ``together`` as `weigh_sign`; hand ``words`` to `pool_evidence`, because an observer who
        names the sign of one trail judges once.

    Examples
    --------
    >>> from carnivore_sign.identify.evidence import load_evidence
    >>> sign = pd.DataFrame({"sign": ["A"], "named_as": ["puma"]})
    >>> parts = weigh_sign_parts(sign, pd.DataFrame({"sign": []}), load_evidence())
    >>> bool(parts.together.loc["A", "puma"] == parts.words.loc["A", "puma"])
    True
    """
    names = _unique_names(sign)
    said, heard = _weigh_notes(sign, prints, evidence, names)
    words = word_log_likelihood(sign, evidence, observers)
    if observers is None:
        words[:, heard > 0] = 0.0
        kept = np.ones(len(names))
    else:
        loud, word = spread(said), spread(words)
        kept = share_kept(loud + word, loud**2 + word**2, evidence.constant("rho_word"))
    columns = list(TAXON_ORDER)
    return SignEvidence(
        together=pd.DataFrame(((said + words) * kept).T, index=names, columns=columns),
        words=pd.DataFrame((words * kept).T, index=names, columns=columns),
    )


def _weigh_notes(
    sign: pd.DataFrame, prints: pd.DataFrame, evidence: Evidence, names: pd.Index
) -> tuple[FloatArray, FloatArray]:
    """Weigh prints and stride of each sign; return that, and how loud its characters spoke."""
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
    return said, heard


def pool_evidence(
    log_likelihoods: pd.DataFrame,
    groups: pd.Series,
    *,
    rho: float | None = None,
    words: pd.DataFrame | None = None,
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
    words : DataFrame, optional
        The part of `log_likelihoods` that observers' words carry, from `weigh_sign_parts`. An
        observer who names the sign of one trail judges once, so that words are pooled as wholly
        dependent. Without it a word counts like any other evidence.

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
    member = _membership(rows, len(names))
    said = log_likelihoods.loc[groups.index, list(TAXON_ORDER)].to_numpy(dtype=float).T
    if words is None:
        pooled = _pool(said, spread(said), member, rho)
    else:
        named = words.loc[groups.index, list(TAXON_ORDER)].to_numpy(dtype=float).T
        noted = said - named
        pooled = _pool(noted, spread(noted), member, rho)
        pooled = pooled + _pool(named, spread(named), member, 1.0)
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
