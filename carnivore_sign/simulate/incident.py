"""The incident (simulate): one loss of sheep, placed where a puma passed near a parcel.

Of all puma trails found in the last month within some kilometres of a parcel, the one with
most dog sign found near the same parcel is taken, and the loss is laid into a window of 36 hours
around it. Nothing is drawn here: the truth says which animal did it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from carnivore_sign.records.tables import CARCASSES, INCIDENTS
from carnivore_sign.records.vocabularies import CARCASS_CHARACTERS, NOT_VISIBLE
from carnivore_sign.simulate.country import Country, place, places_km
from carnivore_sign.simulate.passages import as_times, inside_range, seconds
from carnivore_sign.simulate.settings import ParcelSettings, SeasonSettings
from carnivore_sign.units import SECONDS_PER_HOUR

#: How far from the loss sign counts as near, in km.
NEAR_KM = 2.5

#: Hours between the stock being last seen well and the loss being found.
WINDOW_HOURS = 36.0

#: Local hour of the morning round on which a loss is found.
FOUND_AT_HOUR = 7.5

LIVESTOCK, LOST = "sheep", 3
CARCASS_NOTES = (
    "Three ewes. Two bitten at the throat and neck, with bleeding under the skin at the wounds; "
    "one of them dragged about 25 m to the fence. The third opened from behind and much torn, "
    "birds had been at it. Ground trampled by the flock."
)

#: Columns that intake fills.
_SOURCE: Final = ("receipt", "source_row")

#: The same as a table, with what could not be seen left out: columns of CARCASSES.
_SEEN: Final[list[dict[str, object]]] = [
    {
        "carcass": "1", "bleeding": "present", "bite_place": "neck_or_head",
        "canine_spacing_mm": 44.0, "canine_jaw": "upper", "dragged": "dragged",
        "covered": "not_covered", "mutilation": "little",
    },
    {
        "carcass": "2", "bleeding": "present", "bite_place": "throat", "dragged": "not_dragged",
        "covered": "not_covered", "mutilation": "little",
    },
    {"carcass": "3", "dragged": "not_dragged", "covered": "not_covered", "mutilation": "much"},
]  # fmt: skip


@dataclass(frozen=True)
class PlacedIncident:
    """The incident as reported (one row or none), its carcasses, and what happened."""

    table: pd.DataFrame
    carcasses: pd.DataFrame
    truth: dict[str, object]


def choose_incident(
    country: Country, settings: SeasonSettings, sign: pd.DataFrame, passages: pd.DataFrame
) -> PlacedIncident:
    """Choose the parcel and the hours of the loss.

    Parameters
    ----------
    country, settings
        The place.
    sign : DataFrame
        As `write_notes` gives it.
    passages : DataFrame
        As `draw_passages` gives it.

    Returns
    -------
    PlacedIncident
        An empty table and an empty truth if no found puma trail fits.
    """
    candidates = pd.DataFrame(
        [
            (parcel, trail, dogs)
            for parcel in country.settings.parcels
            for trail, dogs in _near_trails(country, settings, sign, parcel)
        ],
        columns=["parcel", "trail", "dogs"],
    )
    if candidates.empty:
        table = pd.DataFrame(columns=[*INCIDENTS.names, "lon", "lat"])
        return PlacedIncident(table, pd.DataFrame(columns=list(CARCASSES.names)), {})
    best = candidates.sort_values("dogs", ascending=False, kind="stable").iloc[0]
    return _place_incident(country, best["parcel"], passages.loc[best["trail"]])


def _near_trails(
    country: Country, settings: SeasonSettings, sign: pd.DataFrame, parcel: ParcelSettings
) -> list[tuple[str, int]]:
    """Puma trails of the last month near a parcel in a range, and dog sign near it for each."""
    middle = _middle_km(parcel)
    month = settings.months - 1
    ranges = [home for group in settings.animals if group.taxon == "puma" for home in group.ranges]
    if not any(inside_range(home, month, middle[None, :])[0] for home in ranges):
        return []
    places = places_km(country.settings, sign["lon"].to_numpy(), sign["lat"].to_numpy())
    near = sign[np.hypot(*(places - middle).T) <= NEAR_KM]
    last = near[as_local(near["made_s"], country).strftime("%Y-%m") == settings.periods[-1]]
    dogs = near[near["taxon"].eq("dog")]
    found = []
    for trail, made in last[last["taxon"].eq("puma")].groupby("trail")["made_s"].first().items():
        apart_hours = (dogs["made_s"] - made).abs() / SECONDS_PER_HOUR
        found.append((str(trail), int((apart_hours < WINDOW_HOURS).sum())))
    return found


def _middle_km(parcel: ParcelSettings) -> npt.NDArray[np.float64]:
    """Middle of a parcel, where the loss is laid."""
    return np.asarray(np.asarray(parcel.corners_km).mean(axis=0))


def as_local(values: pd.Series, country: Country) -> pd.DatetimeIndex:
    """Local times of seconds since 1970."""
    return as_times(values).tz_convert(country.settings.time_zone)


def _place_incident(country: Country, parcel: ParcelSettings, trail: pd.Series) -> PlacedIncident:
    """Lay the loss into the window that ends on the first morning after the trail was made."""
    made = as_local(pd.Series([trail["made_s"]]), country)[0]
    morning = made.normalize().tz_localize(None) + pd.Timedelta(hours=FOUND_AT_HOUR)
    if morning <= made.tz_localize(None):
        morning += pd.Timedelta(days=1)
    zone = country.settings.time_zone
    found_s = seconds(pd.DatetimeIndex([morning]).tz_localize(zone))
    lon, lat = place(country.settings, [_middle_km(parcel)])
    table = pd.DataFrame(
        {
            "incident": ["I1"],
            "parcel": [parcel.name],
            "last_seen_well": as_times(found_s - WINDOW_HOURS * SECONDS_PER_HOUR),
            "found": as_times(found_s),
            "livestock": [LIVESTOCK],
            "count": [LOST],
            "carcass_notes": [CARCASS_NOTES],
            "lon": np.round(lon, 6),
            "lat": np.round(lat, 6),
        }
    )
    truth = {"incident": "I1", "taxon": "puma", "animal": trail["animal"], "trail": trail.name}
    return PlacedIncident(table, _carcasses("I1"), truth)


def _carcasses(incident: str) -> pd.DataFrame:
    """Rows of CARCASSES: what was seen, and *not visible* for the rest."""
    table = pd.DataFrame(_SEEN).assign(incident=incident, examined_by="district warden")
    noted = [*CARCASS_CHARACTERS, "canine_jaw"]
    table = table.reindex(columns=[name for name in CARCASSES.names if name not in _SOURCE])
    return table.assign(**table[noted].astype("object").fillna(NOT_VISIBLE))
