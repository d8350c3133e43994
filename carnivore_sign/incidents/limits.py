"""Limits: why the findings of an incident say less than one might think, as sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pandas as pd
import shapely

from carnivore_sign.incidents.inputs import IncidentTables

if TYPE_CHECKING:
    from carnivore_sign.incidents.findings import IncidentFindings

#: A photo of the carcass that was taken farther than this from the place is told.
PHOTO_APART_M: Final = 500.0


def limits_of(findings: IncidentFindings, tables: IncidentTables) -> tuple[str, ...]:
    """Say why the findings say less than one might think; each condition has one sentence."""
    km = f"{findings.within_m / 1000:g} km"
    first_walk = tables.visits["start"].min()
    before_any = not findings.window.end >= first_walk  # NaT, for no walk, is after everything
    open_timing = findings.passing.trails_not_told
    weights = findings.explanations.carcass
    said = (
        (
            findings.window.open_at_start,
            "Nobody recorded when the stock was last seen well. "
            "The time of the loss is open at its start.",
        ),
        (
            findings.outside_survey,
            f"The place lies outside the surveyed country: no surveyed line is within {km}.",
        ),
        (before_any, "The loss was found before the first recorded walk of the season."),
        (findings.nobody_looked, f"Nobody looked within {km} of the place around that time."),
        (
            bool(open_timing),
            f"For {_so_many(open_timing, findings.passing.trails)} near, it cannot be told how "
            "probable it is that the animal asked about made it within that time.",
        ),
        (
            findings.place.point_to_parcel_m > 0,
            f"The stated position lies {findings.place.point_to_parcel_m:.0f} m outside the "
            "stated parcel. Distances are taken from the position.",
        ),
        (
            findings.carcasses.empty,
            "Nothing that can be weighed was recorded at the carcass. "
            "Free notes are passed on as they are.",
        ),
        (
            weights.gate_shut,
            "Bleeding under the skin was looked for and not found. Bites and tracks then tell "
            "who fed on the carcass, and are not weighed.",
        ),
    )
    sentences = [sentence for applies, sentence in said if applies]
    return (*sentences, *weights.contradictions, *_photos_apart(findings, tables.photos))


def _photos_apart(findings: IncidentFindings, photos: pd.DataFrame) -> list[str]:
    """Name the photos of the carcass whose own position is not at the place."""
    named = findings.carcasses["photo"].dropna().astype(str).str.split(";").explode().str.strip()
    shown = photos[photos["photo"].astype("object").isin(named).to_numpy(dtype=bool)]
    shown = shown[~shapely.is_missing(shown.geometry.to_numpy())]
    if shown.empty:
        return []
    apart_m = findings.place.nearest(shown)["distance_m"]
    return [
        f"Photo {photo} was taken {distance / 1000:.1f} km from the stated place, by its own "
        "position. Is it of this loss?"
        for photo, distance in zip(shown["photo"], apart_m, strict=True)
        if distance > PHOTO_APART_M
    ]


def _so_many(part: int, whole: int) -> str:
    if whole == 1:
        return "the only trail"
    return f"all {whole} trails" if part == whole else f"{part} of the {whole} trails"
