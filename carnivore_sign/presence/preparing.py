"""Preparing: which visits a model can use, and whether they can tell anything at all."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from carnivore_sign.errors import EstimateError, InputError
from carnivore_sign.presence.covariates import missing_rows
from carnivore_sign.presence.histories import Histories
from carnivore_sign.presence.models import EFFORTS
from carnivore_sign.presence.notes import Note, left_out


def choose_effort(visits: pd.DataFrame, effort: str | None, notes: list[Note]) -> str:
    """Return the column of effort to use; say so in `notes` if it is the second best."""
    if effort is not None:
        if effort not in EFFORTS:
            raise InputError(
                f"there is no effort {effort!r}", remedy=f"There are {', '.join(EFFORTS)}."
            )
        return effort
    unknown = int(visits["effort_km_days"].isna().sum())
    if not unknown:
        return "effort_km_days"
    notes.append(
        Note(
            "Effort is counted in km, not km-days: it is not known how long the surface had been "
            f"collecting tracks on {unknown} of {len(visits)} visits."
        )
    )
    return "effort_km"


def set_aside_without_effort(histories: Histories, effort: str, notes: list[Note]) -> Histories:
    """Leave out the visits that lack effort, and those with sign on no effort at all."""
    visits = histories.visits
    if effort not in visits:
        raise InputError(f"the visits have no column {effort!r}")
    values = visits[effort].to_numpy(dtype=float, na_value=np.nan)
    missing = np.isnan(values)
    impossible = (values <= 0) & visits["visit"].isin(histories.signs["visit"]).to_numpy()
    if missing.any():
        told = f"{int(missing.sum())} of {len(visits)} visits, which have no {effort}."
        notes.append(left_out(told))
    if impossible.any():
        told = f"{int(impossible.sum())} visits with sign but with an {effort} of zero."
        notes.append(left_out(told))
    gone = pd.Series(missing | impossible, index=visits.index)
    return histories.without_visits(gone) if gone.any() else histories


def set_aside_without_covariates(
    histories: Histories, columns: Sequence[str], notes: list[Note]
) -> Histories:
    """Leave out the visits that lack a covariate."""
    if not columns:
        return histories
    gone = missing_rows(histories.visits, columns, "visits")
    if not gone.any():
        return histories
    told = f"{int(gone.sum())} of {len(gone)} visits, which lack a covariate"
    notes.append(left_out(f"{told} ({', '.join(columns)})."))
    return histories.without_visits(gone)


def require_complete_units(histories: Histories, columns: Sequence[str]) -> None:
    """Raise if a unit lacks one of the columns of units that the model uses."""
    if not columns:
        return
    gone = missing_rows(histories.units, columns, "units")
    if gone.any():
        first = histories.units.loc[gone].iloc[0]
        raise InputError(
            f"{int(gone.sum())} unit(s) lack a covariate ({', '.join(columns)}), the first is "
            f"{first['unit']!r} in period {first['period']!r}",
            remedy="Fill it in, or leave the unit out.",
        )


def require_substance(histories: Histories, model: str, most_visits: int) -> None:
    """Raise if the histories cannot tell presence from detection at all."""
    visits = histories.visits
    if visits.empty:
        raise EstimateError("There are no visits to estimate presence from.")
    if model == "sure_unsure" and not visits["grade"].any():
        raise EstimateError(
            f"{histories.taxon} was not found, surely or likely, on any of {len(visits)} visits."
        )
    if model in ("repeat_visits", "abundance") and not visits["found"].any():
        raise EstimateError(
            f"{histories.taxon} was not found (surely) on any of {len(visits)} visits: not used, "
            "and used but missed, look the same. With detection known from elsewhere, "
            "presence_limit_if_all_blank(p, visits) says how much presence so many blanks leave "
            "room for."
        )
    if model != "scored_signs" and most_visits < 2:
        raise EstimateError(
            "No unit was visited twice in a period: presence and detection cannot be told "
            "apart. Visit again, take a longer period, or fit model='scored_signs', which "
            "learns from effort and from the number of signs."
        )
    if model == "scored_signs" and histories.signs.empty:
        raise EstimateError(
            f"No sign of any animal was found on {len(visits)} visits: neither presence nor the "
            "rate of sign can be estimated."
        )
