"""Measures: the units of length that a page is printed in, metric or those of the US.

Everything is computed and stored in metres and kilometres; only what a person reads on a page
or a map is turned into miles and feet. Tables as CSV and layers stay metric, as their column
names say.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from carnivore_sign.errors import InputError
from carnivore_sign.units import M_PER_KM, METRES


@dataclass(frozen=True)
class Measures:
    """The units in which lengths on the ground are printed.

    Attributes
    ----------
    long, short : str
        Symbols of the unit of distances walked, and of the one for short distances.
    """

    long: str
    short: str

    @property
    def m_per_long(self) -> float:
        """Metres in one long unit."""
        return METRES[self.long]

    @property
    def m_per_short(self) -> float:
        """Metres in one short unit."""
        return METRES[self.short]

    def from_km(self, km: Any) -> Any:
        """Turn kilometres (a number or a column) into the long unit.

        Examples
        --------
        >>> round(MEASURES["us"].from_km(1.609344), 9), MEASURES["metric"].from_km(2.5)
        (1.0, 2.5)
        """
        return km * (M_PER_KM / self.m_per_long)

    def per_long(self, per_km: Any) -> Any:
        """Turn a number per kilometre into one per long unit.

        Examples
        --------
        >>> round(MEASURES["us"].per_long(1.0), 6)
        1.609344
        """
        return per_km * (self.m_per_long / M_PER_KM)

    def told(self, km: float, decimals: int = 1) -> str:
        """Print a distance.

        Examples
        --------
        >>> MEASURES["us"].told(16.09344), MEASURES["metric"].told(16.09344)
        ('10.0 mi', '16.1 km')
        """
        return f"{self.from_km(km):.{decimals}f} {self.long}"


#: Both ways of printing lengths, by name.
MEASURES: Final[dict[str, Measures]] = {
    "metric": Measures("km", "m"),
    "us": Measures("mi", "ft"),
}
METRIC: Final = MEASURES["metric"]


def measures_of(name: str) -> Measures:
    """Return the measures of a name, `metric` or `us`.

    Parameters
    ----------
    name : str
        Key of `MEASURES`.

    Returns
    -------
    Measures
        The units.

    Raises
    ------
    InputError
        If there are none of that name.

    Examples
    --------
    >>> measures_of("metric").long
    'km'
    """
    if name not in MEASURES:
        raise InputError(
            f"'{name}' is no way of printing lengths", remedy=f"Use one of: {', '.join(MEASURES)}."
        )
    return MEASURES[name]
