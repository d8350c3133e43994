"""What a blank is worth: would these walks have found a trail, had the animal been about?

Where a taxon uses the land, its trails are found at a rate per km and day of collecting. The
walks near, in so far as the ground still held the time of the loss, gathered so many km-days of
that time. A Poisson count of that mean is above zero with probability 1 - exp(-rate * km-days).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from carnivore_sign.incidents.inputs import SignRate
from carnivore_sign.incidents.window import IncidentWindow
from carnivore_sign.units import HOURS_PER_DAY


@dataclass(frozen=True)
class BlankWorth:
    """How likely the walks near were to find a trail from the time of the loss.

    Attributes
    ----------
    km_days : float
        Length walked times days of the window that the ground still held; NaN where the
        window is open at its start or no walk tells how long its ground had been collecting.
    probability, low, high : float
        Of at least one trail, had the taxon used the land near as it uses land elsewhere in the
        season, with the limits of the rate; NaN where the rate could not be estimated.
    """

    km_days: float
    probability: float
    low: float
    high: float

    @property
    def told(self) -> bool:
        """Whether there is a number."""
        return not np.isnan(self.probability)


def worth_of_blank(
    looked: pd.DataFrame, window: IncidentWindow, rate: SignRate | None
) -> BlankWorth:
    """Say what it means that the walks near found nothing of the taxon from that time.

    Parameters
    ----------
    looked : DataFrame
        From `visits_near`: ``effort_km`` and ``window_share``.
    window : IncidentWindow
        The time of the loss.
    rate : SignRate or None
        Trails per km-day where the taxon uses the land.

    Returns
    -------
    BlankWorth
        The probability of a find, with the limits of the rate.

    Examples
    --------
    Two kilometres over all of a window of one day, at 0.1 trails per km-day:

    >>> window = IncidentWindow(pd.Timestamp("2030-05-01", tz="UTC"),
    ...                         pd.Timestamp("2030-05-02", tz="UTC"))
    >>> looked = pd.DataFrame({"effort_km": [2.0], "window_share": [1.0]})
    >>> worth = worth_of_blank(looked, window, SignRate(0.1, 0.05, 0.2))
    >>> round(worth.km_days, 2), round(worth.probability, 3)
    (2.0, 0.181)
    """
    known = looked[looked["window_share"].notna()]
    if window.open_at_start or (len(looked) and known.empty):
        return BlankWorth(np.nan, np.nan, np.nan, np.nan)
    days = window.length_h / HOURS_PER_DAY
    km_days = float((known["effort_km"] * known["window_share"]).sum() * days)
    rates = (np.nan, np.nan, np.nan) if rate is None else rate
    found = [float(-np.expm1(-each * km_days)) for each in rates]
    return BlankWorth(km_days, *found)
