"""Identification room: what an observer's word is worth.

An observer who names a taxon is right at a known rate and wrong at a known rate. The rates
that ship were published for experienced observers of another species and are used for every
taxon until an observer's own are known. Stated confidence is not yet weighed.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.identify.evidence import Evidence
from carnivore_sign.identify.tempering import TAXON_ORDER, FloatArray


def naming_odds(evidence: Evidence) -> float:
    """Return how many to one a naming speaks for the taxon named, against any other.

    Examples
    --------
    >>> from carnivore_sign.identify.evidence import load_evidence
    >>> round(naming_odds(load_evidence()), 2)
    2.42
    """
    return (1.0 - evidence.constant("observer_missed")) / evidence.constant("observer_false")


def naming_log_likelihood(named_as: pd.Series, evidence: Evidence) -> FloatArray:
    """Weigh the taxon that an observer named.

    Parameters
    ----------
    named_as : Series of str
        Taxa; missing where nothing was named.
    evidence : Evidence
        Holds the observers' error rates.

    Returns
    -------
    ndarray, shape (taxa, rows)
        0 for the taxon named and ``-log(odds)`` for every other; zeros where none was named.

    Raises
    ------
    InputError
        If a name is none of `TAXA`.
    """
    rows, words = pd.factorize(named_as)
    strange = [word for word in words if word not in TAXON_ORDER]
    if strange:
        raise InputError(
            f"'{strange[0]}' is not a taxon", remedy=f"Known are {', '.join(TAXON_ORDER)}."
        )
    against = -np.log(naming_odds(evidence))
    table = np.full((len(TAXON_ORDER), len(words) + 1), against)
    table[:, -1] = 0.0
    for column, word in enumerate(words):
        table[TAXON_ORDER.index(word), column] = 0.0
    return table[:, rows]
