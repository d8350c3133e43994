"""Identification room: evidence estimated from the user's own collection of known prints.

A collection is a table of prints whose makers are known. From it come the shares of the states of
each character and the sizes of each taxon, in the same `Evidence` that the working values come
in. A small sample is drawn to the working values by Bayes' rule with a prior that counts as so
many prints; a taxon or a character that the collection has not stays as it ships.

Shares have a Dirichlet prior at the working values, sizes a normal-inverse-gamma one, and what is
used is the mean of the posterior. Prints of one animal resemble each other: n of them count as
n / (1 + (n - 1) rho), with the correlation of the prints of one sign. What a collection holds of
each taxon says nothing about how common it is, so that the prior of the region stays.
"""

from __future__ import annotations

import dataclasses
from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.stats import beta, t

from carnivore_sign.errors import InputError
from carnivore_sign.identify.evidence import FOOT_PLACES, Evidence
from carnivore_sign.identify.sizes import place_of_foot
from carnivore_sign.identify.tempering import TAXON_ORDER, FloatArray
from carnivore_sign.records.vocabularies import CHARACTERS, MEASURES, NOT_VISIBLE, TAXON_NAMES

#: The working values count as this many prints of each taxon, one per animal (a working choice).
PRIOR_PRINTS: Final = 20.0


#: What stands for a taxon of which the collection has nothing.
_NONE_COUNTED: Final = {"prints": 0, "animals": 0, "counts_as": 0.0}


class Collection(NamedTuple):
    """Known prints that can be used, and those that cannot with the reason.

    Attributes
    ----------
    prints : DataFrame
        Columns of PRINTS with ``taxon`` and ``animal``; index as it came.
    set_aside : DataFrame
        ``row`` (index label), ``reason``.
    """

    prints: pd.DataFrame
    set_aside: pd.DataFrame


class EstimatedEvidence(NamedTuple):
    """Evidence from a collection, and every number of it beside what ships.

    Attributes
    ----------
    evidence : Evidence
        To be used like the one that `load_evidence` gives.
    numbers : DataFrame
        One row per number: ``taxon``, ``character`` (or measure), ``state`` (or the foot),
        ``quantity`` (``share``, ``mean_mm`` or ``sd_mm``), ``shipped``, ``estimate``, ``low``,
        ``high`` (95 % of the posterior; missing for an SD), ``prints``, ``animals`` and
        ``counts_as`` (independent prints). With no prints the estimate is what ships.
    """

    evidence: Evidence
    numbers: pd.DataFrame


def check_collection(table: pd.DataFrame) -> Collection:
    """Hold a collection against what can be used; set other rows aside with the reason.

    Parameters
    ----------
    table : DataFrame
        ``taxon`` (as people write it), any of `CHARACTERS`, `MEASURES` and ``foot``,
        ``surface``, and ``animal``. Without ``animal`` each print is taken as of an animal of its
        own, which makes too much of several prints of one.

    Returns
    -------
    Collection
        The prints kept, and those set aside with their reasons.

    Raises
    ------
    InputError
        If there is no column ``taxon``.

    Examples
    --------
    >>> known = pd.DataFrame({"taxon": ["cougar", "cat"], "claws": ["none", "none"]})
    >>> checked = check_collection(known)
    >>> checked.prints["taxon"].tolist(), checked.set_aside["reason"].tolist()
    (['puma'], ["taxon 'cat' is not known"])
    """
    if "taxon" not in table:
        raise InputError(
            "the collection has no column 'taxon'", remedy="Say for each print what made it."
        )
    words = table["taxon"].astype(object).where(table["taxon"].notna(), "").astype(str).str.strip()
    taxon = words.str.lower().map(TAXON_NAMES)
    reasons = pd.Series("", index=table.index).mask(
        taxon.isna(), "taxon '" + words + "' is not known"
    )
    for name, states in CHARACTERS.items():
        if name in table:
            strange = table[name].notna() & ~table[name].isin([*states, NOT_VISIBLE])
            told = f"{name} '" + table[name].astype(str) + "' is none of its states"
            reasons = reasons.mask(strange & reasons.eq(""), told)
    for name in MEASURES:
        if name in table:
            value = pd.to_numeric(table[name], errors="coerce")
            bad = table[name].notna() & ~(value > 0)
            reasons = reasons.mask(bad & reasons.eq(""), f"{name} is no size above 0")
    good = reasons.eq("")
    prints = table[good].assign(taxon=taxon[good])
    prints["animal"] = _animals(prints)
    aside = pd.DataFrame({"row": table.index[~good], "reason": reasons[~good].to_numpy()})
    return Collection(prints, aside)


def estimate_evidence(
    prints: pd.DataFrame, evidence: Evidence, *, prior_prints: float = PRIOR_PRINTS
) -> EstimatedEvidence:
    """Estimate shares of states and sizes from known prints, drawn to the working values.

    Parameters
    ----------
    prints : DataFrame
        From `check_collection`.
    evidence : Evidence
        The working values, and everything that is not estimated: tempering, surfaces, strides
        and the prior of the region.
    prior_prints : float
        How many prints of a taxon the working values count as; above 0.

    Returns
    -------
    EstimatedEvidence
        The evidence, and each number beside what ships.

    Raises
    ------
    InputError
        If `prior_prints` is not above 0.

    Notes
    -----
    With counts k of the states of a character, weighted so that prints of one animal count as
    fewer, n their sum and w the working shares: share = (k + A w) / (n + A), A = `prior_prints`.
    With mean x and sum of squares S of a size, m and s its working mean and SD:
    mean = (n x + A m) / (n + A), SD^2 = (A s^2 + S + A n / (A + n) (x - m)^2) / (n + A).
    Prints on a surface where a character says nothing, or which changes sizes, are passed over
    for that. A character may move the odds past the cap of 20 to 1 only as far as the 95 %
    limits of its shares still support.

    Examples
    --------
    >>> from carnivore_sign.identify.evidence import load_evidence
    >>> known = pd.DataFrame({"taxon": ["dog"] * 30, "claws": ["none"] * 30})
    >>> told = estimate_evidence(check_collection(known).prints, load_evidence())
    >>> shares = told.evidence.characters["dog"]
    >>> float(shares[("claws", "none")].round(3)), float(shares[("outline", "longer")])
    (0.688, 0.64)
    """
    if not prior_prints > 0:
        raise InputError(
            f"a prior that counts as {prior_prints:g} prints", remedy="Give a number above 0."
        )
    rho = evidence.constant("rho_sign")
    shares = pd.concat(
        [_share_numbers(prints, name, evidence, rho, prior_prints) for name in CHARACTERS],
        ignore_index=True,
    )
    sizes = pd.concat(
        [_size_numbers(prints, name, evidence, rho, prior_prints) for name in MEASURES],
        ignore_index=True,
    )
    learnt = dataclasses.replace(
        evidence,
        characters=_characters_table(shares, evidence),
        sizes=_sizes_table(sizes, evidence),
        cap_of=_supported_caps(shares, evidence),
    )
    return EstimatedEvidence(learnt, pd.concat([shares, sizes], ignore_index=True))


def _animals(prints: pd.DataFrame) -> pd.Series:
    """Return the animal of each print; one of its own where none is named."""
    own = "print " + pd.Series(prints.index, index=prints.index).astype(str)
    if "animal" not in prints:
        return own
    return prints["animal"].astype(object).where(prints["animal"].notna(), own)


def _weights(prints: pd.DataFrame, rho: float) -> pd.Series:
    """Return what each print counts as: 1 / (1 + (n - 1) rho), n the prints of its animal."""
    alike = prints.groupby(["taxon", "animal"])["taxon"].transform("size")
    return 1.0 / (1.0 + (alike.astype(float) - 1.0) * rho)


def _share_numbers(
    prints: pd.DataFrame, name: str, evidence: Evidence, rho: float, prior_prints: float
) -> pd.DataFrame:
    """Return a row per taxon and state of one character."""
    seen = prints.iloc[:0]
    if name in prints:
        seen = prints[prints[name].isin(CHARACTERS[name])]
        if "surface" in seen:
            seen = seen[~seen["surface"].isin(evidence.says_nothing(name))]
    seen = seen.assign(weight=_weights(seen, rho))
    keys = pd.MultiIndex.from_product([TAXON_ORDER, CHARACTERS[name]], names=["taxon", "state"])
    table = pd.DataFrame({"character": name, "quantity": "share"}, index=keys)
    shares = evidence.characters.loc[name].loc[list(CHARACTERS[name]), list(TAXON_ORDER)]
    table["shipped"] = shares.to_numpy(dtype=float).T.ravel()
    table = table.join(_counted(seen, "taxon"), on="taxon").fillna(_NONE_COUNTED)
    hits = pd.Series(0.0, index=keys)
    if len(seen):
        hits = seen.groupby(["taxon", name])["weight"].sum().reindex(keys, fill_value=0.0)
    up = hits + prior_prints * table["shipped"]
    every = table["counts_as"] + prior_prints
    table["estimate"] = (up / every).where(table["prints"].gt(0), table["shipped"])
    for end, tail in (("low", 0.025), ("high", 0.975)):
        # A share that ships as 0 and was never seen has no spread: its limits are itself.
        limit = pd.Series(beta.ppf(tail, up, every - up), index=keys)
        table[end] = limit.where(limit.notna(), table["estimate"])
    return table.reset_index()


def _counted(seen: pd.DataFrame, by: str | list[str]) -> pd.DataFrame:
    """Count prints, animals and independent prints, per taxon, or per taxon and foot."""
    return seen.groupby(by).agg(
        prints=("taxon", "size"), animals=("animal", "nunique"), counts_as=("weight", "sum")
    )


def _size_numbers(
    prints: pd.DataFrame, name: str, evidence: Evidence, rho: float, prior_prints: float
) -> pd.DataFrame:
    """Return two rows, mean and SD, per taxon and foot of one measure."""
    known = prints.iloc[:0]
    if name in prints:
        known = prints.assign(**{name: pd.to_numeric(prints[name], errors="coerce")})
        known = known[known[name].notna()]
        if "surface" in known:
            known = known[~known["surface"].isin(evidence.surface_sizes.index)]
    known = known.assign(weight=_weights(known, rho), place=place_of_foot(known))
    keys = pd.MultiIndex.from_product([TAXON_ORDER, FOOT_PLACES], names=["taxon", "state"])
    shipped = evidence.sizes.xs(name, level="measure").loc[keys, ["mean_mm", "sd_mm"]]
    shape = (len(TAXON_ORDER), len(FOOT_PLACES))
    before = [shipped[column].to_numpy(dtype=float).reshape(shape) for column in shipped]
    weight, mean, squares = _sums(known, name, keys, shape)
    moved = _normal_posterior(before, (weight, mean, squares), prior_prints)
    unknown = _moved(before, moved)
    after = _normal_posterior(unknown, (weight, mean, squares), prior_prints)
    table = pd.DataFrame({"character": name}, index=keys)
    by_foot = _counted(known, ["taxon", "place"]).rename_axis(["taxon", "state"])
    any_foot = pd.concat({"unknown": _counted(known, "taxon")}, names=["state"]).swaplevel()
    table = table.join(any_foot.combine_first(by_foot)).fillna(_NONE_COUNTED)
    reach = t.ppf(0.975, prior_prints + weight) / np.sqrt(prior_prints + weight) * after[1]
    parts = []
    for which, quantity in enumerate(("mean_mm", "sd_mm")):
        estimate = after[which].ravel()
        off = reach.ravel() if quantity == "mean_mm" else np.nan
        parts.append(
            table.assign(
                quantity=quantity, shipped=shipped[quantity].to_numpy(), estimate=estimate,
                low=estimate - off, high=estimate + off,
            ).reset_index()
        )  # fmt: skip
    return pd.concat(parts, ignore_index=True)


def _sums(
    known: pd.DataFrame, name: str, keys: pd.MultiIndex, shape: tuple[int, int]
) -> tuple[npt.NDArray[Any], npt.NDArray[Any], npt.NDArray[Any]]:
    """Return weight, weighted mean and weighted squares about it, per taxon and foot."""
    rows = keys.get_indexer(pd.MultiIndex.from_frame(known[["taxon", "place"]]))
    weight = np.bincount(rows, known["weight"], len(keys))
    value = known[name].to_numpy(dtype=float) if len(known) else np.zeros(0)
    mean = np.zeros(len(keys))
    total = np.bincount(rows, known["weight"] * value, len(keys))
    np.divide(total, weight, out=mean, where=weight > 0)
    squares = np.bincount(rows, known["weight"] * (value - mean[rows]) ** 2, len(keys))
    return weight.reshape(shape), mean.reshape(shape), squares.reshape(shape)


def _normal_posterior(
    before: list[FloatArray], sums: tuple[FloatArray, FloatArray, FloatArray], prior_prints: float
) -> list[FloatArray]:
    """Return means and SDs after the prints, from those before; unchanged where there are none."""
    (mean, sd), (weight, middle, squares) = before, sums
    every = weight + prior_prints
    apart = prior_prints * weight / every * (middle - mean) ** 2
    variance = (prior_prints * sd**2 + squares + apart) / every
    counted = weight > 0
    return [
        np.where(counted, (weight * middle + prior_prints * mean) / every, mean),
        np.where(counted, np.sqrt(variance), sd),
    ]


def _moved(before: list[FloatArray], after: list[FloatArray]) -> list[FloatArray]:
    """Move the size of an unknown foot as front and hind have moved, in equal shares."""
    unknown = FOOT_PLACES.index("unknown")
    (old, old_sd), (new, new_sd) = (_mixture(*sizes) for sizes in (before, after))
    mean, sd = before[0].copy(), before[1].copy()
    mean[:, unknown] += new - old
    sd[:, unknown] *= new_sd / old_sd
    return [mean, sd]


def _mixture(mean: FloatArray, sd: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return mean and SD of front and hind in equal shares, per taxon."""
    feet = [FOOT_PLACES.index("front"), FOOT_PLACES.index("hind")]
    one, other = mean[:, feet].T
    variance = (sd[:, feet] ** 2).mean(axis=1) + ((one - other) / 2) ** 2
    return (one + other) / 2, np.sqrt(variance)


def _characters_table(shares: pd.DataFrame, evidence: Evidence) -> pd.DataFrame:
    table = evidence.characters.copy()
    by_taxon = shares.set_index(["character", "state"]).groupby("taxon")
    counts = pd.DataFrame({taxon: rows["prints"] for taxon, rows in by_taxon}).loc[table.index]
    for taxon, rows in by_taxon:
        table[taxon] = rows["estimate"].loc[table.index]
    table["source"] = [
        _told(counts.loc[key], str(source)) for key, source in table["source"].items()
    ]
    return table


def _told(counts: pd.Series, source: str) -> str:
    """Say of a row of shares which taxa were estimated, and from how many prints."""
    named = [f"{taxon} {int(count)}" for taxon, count in counts[counts.gt(0)].items()]
    if not named:
        return source
    rest = "" if len(named) == len(counts) else f"; the other taxa: {source}"
    return f"estimated from known prints ({', '.join(named)}), drawn to the working values{rest}"


def _sizes_table(sizes: pd.DataFrame, evidence: Evidence) -> pd.DataFrame:
    table = evidence.sizes.copy()
    told = sizes.set_index(["taxon", "character", "state"])
    for quantity in ("mean_mm", "sd_mm"):
        table[quantity] = told.loc[told["quantity"].eq(quantity), "estimate"].loc[table.index]
    counts = told[told["quantity"].eq("mean_mm")].loc[table.index]
    words = (
        "estimated from " + counts["prints"].astype(int).astype(str) + " known prints of "
        + counts["animals"].astype(int).astype(str) + " animals, drawn to the working values"
    )  # fmt: skip
    table["source"] = table["source"].where(counts["prints"].eq(0), words)
    return table


def _supported_caps(shares: pd.DataFrame, evidence: Evidence) -> dict[str, float]:
    """Return how far each character may move the odds: the cap, or what its limits support."""
    caps = {}
    counted = shares[shares["prints"].gt(0)]
    for name, rows in counted.groupby("character"):
        ends = rows.groupby("state").agg(sure=("low", "max"), most=("high", "min"))
        supported = float((ends["sure"] / ends["most"]).max())
        if supported > evidence.constant("cap_odds"):
            caps[str(name)] = supported
    return caps
