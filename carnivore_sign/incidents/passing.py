"""The probability that an animal of the taxon passed, as far as the trails found can tell.

Each trail k near the place carries p_k = P(left by the taxon) * P(made within the window).
The probability that at least one was both is 1 - prod(1 - p_k) if trails are independent of
one another. They seldom are: two trails may be one animal, and one wrong rule of reading errs
on all. Whatever the dependence, the truth lies between max p_k and min(1, sum p_k)
(Frechet 1935, the bounds of a union), so this range stands beside the number.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from carnivore_sign.records.tables import taxon_column
from carnivore_sign.records.vocabularies import TAXA


@dataclass(frozen=True)
class PassingProbability:
    """That at least one of the trails near was left by the taxon within the window.

    Attributes
    ----------
    probability : float
        Under independence of the trails; NaN where no trail can be told.
    low, high : float
        Bounds that hold whatever the dependence; trails that cannot be told count as 0 in
        `low` and as the most they could be in `high`. NaN if there is no trail at all.
    trails : int
        Trails near the place.
    trails_not_told : int
        Those of them without a number, for want of a bound on their time or of evidence.
    """

    probability: float
    low: float
    high: float
    trails: int
    trails_not_told: int


def probability_of_passing(
    p_taxon: npt.ArrayLike, p_in_window: npt.ArrayLike
) -> PassingProbability:
    """Pool trails into the probability that the taxon left at least one within the window.

    Parameters
    ----------
    p_taxon, p_in_window : array_like
        One per trail, from 0 to 1; NaN where it cannot be told. Whose trail it is and when it
        was made are taken as independent of each other.

    Returns
    -------
    PassingProbability
        The probability, its bounds, and how many trails it rests on.

    Examples
    --------
    >>> found = probability_of_passing([0.5, 0.8], [1.0, 0.5])
    >>> round(found.probability, 2), found.low, found.high
    (0.7, 0.5, 0.9)
    """
    taxon, window = np.asarray(p_taxon, dtype=float), np.asarray(p_in_window, dtype=float)
    if not len(taxon):
        return PassingProbability(np.nan, np.nan, np.nan, 0, 0)
    product = np.where((taxon == 0) | (window == 0), 0.0, taxon * window)
    told = ~np.isnan(product)
    most = np.where(told, product, np.nan_to_num(taxon, nan=1.0) * np.nan_to_num(window, nan=1.0))
    known = product[told]
    return PassingProbability(
        probability=float(1 - np.prod(1 - known)) if told.any() else np.nan,
        low=float(known.max(initial=0.0)),
        high=float(min(1.0, most.sum())),
        trails=len(taxon),
        trails_not_told=int((~told).sum()),
    )


def passing_by_taxon(trails: pd.DataFrame) -> pd.DataFrame:
    """Pool the same trails for each taxon in turn.

    Parameters
    ----------
    trails : DataFrame
        ``p_in_window`` and a column ``p_<taxon>`` for each taxon that was weighed.

    Returns
    -------
    DataFrame
        ``taxon`` and the fields of `PassingProbability`, most probable first; a taxon without
        a number comes last. A taxon that was not weighed, or is 0 on every trail, has no row.
        The rows do not sum to 1: two animals may each have left a trail.

    Examples
    --------
    >>> trails = pd.DataFrame({"p_puma": [0.1], "p_dog": [0.9], "p_wolf": [0.0],
    ...                        "p_in_window": [0.5]})
    >>> passing_by_taxon(trails).set_index("taxon")["probability"].round(2).to_dict()
    {'dog': 0.45, 'puma': 0.05}
    """
    weighed = [taxon for taxon in TAXA if taxon_column(taxon) in trails]
    possible = [taxon for taxon in weighed if trails[taxon_column(taxon)].gt(0).any()]
    rows = [
        {
            "taxon": taxon,
            **asdict(probability_of_passing(trails[taxon_column(taxon)], trails["p_in_window"])),
        }
        for taxon in possible
    ]
    columns = ["taxon", *PassingProbability.__dataclass_fields__]
    return pd.DataFrame(rows, columns=columns).sort_values(
        ["probability", "taxon"], ascending=[False, True], ignore_index=True
    )


def passing_over_priors(trails: pd.DataFrame, under: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Pool the same trails under several priors.

    Parameters
    ----------
    trails : DataFrame
        ``trail`` and ``p_in_window``.
    under : mapping of str to DataFrame
        By what each prior is, in words: ``p_<taxon>`` of the trails, index their names.

    Returns
    -------
    DataFrame
        ``prior`` and the columns of `passing_by_taxon`.

    Examples
    --------
    >>> trails = pd.DataFrame({"trail": ["T1"], "p_in_window": [0.5]})
    >>> p = pd.DataFrame({"p_puma": [0.8], "p_dog": [0.2]}, index=["T1"])
    >>> told = passing_over_priors(trails, {"of the region": p, "equal": p / 2})
    >>> told = told[told["taxon"].eq("puma")].set_index("prior")
    >>> told["probability"].round(2).to_dict()
    {'of the region': 0.4, 'equal': 0.2}
    """
    bare = trails[["trail", "p_in_window"]]
    tables = [
        passing_by_taxon(bare.merge(shares, left_on="trail", right_index=True, how="left")).assign(
            prior=what
        )
        for what, shares in under.items()
    ]
    columns = ["prior", "taxon", *PassingProbability.__dataclass_fields__]
    if not tables:
        return pd.DataFrame(columns=columns)
    return pd.concat(tables, ignore_index=True)[columns]
