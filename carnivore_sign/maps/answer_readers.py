"""Readers of an answer: what each may see of one incident, decided before a page is made.

The landowner's copy holds the landowner's own data: the place, what was reported, and what was
near, but no other holding and nobody's name. Managers see other holdings too. The public reads
sums and probabilities alone, with the month and the cell of the loss.
"""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from carnivore_sign.incidents import IncidentFindings, IncidentPlace, IncidentWindow
from carnivore_sign.maps.readers import CATEGORY, READERS, Edition, cell_of, edition_for

#: Columns that name those who walked and noted.
_NAMES = ["observer", "observers", "named"]


def answer_edition(
    reader: str = "landowner",
    *,
    category: int = CATEGORY,
    parcels: gpd.GeoDataFrame | None = None,
    parcel: str | None = None,
) -> Edition:
    """Return the edition of an answer for a reader.

    Parameters
    ----------
    reader : str
        ``landowner``, ``managers`` or ``public``.
    category : int
        Category of sensitivity, 1 to 4, of the cell in which the public reads the loss.
    parcels : GeoDataFrame, optional
        PARCELS.
    parcel : str, optional
        The holding that the incident names.

    Returns
    -------
    Edition
        For whom, and on which grid.

    Raises
    ------
    InputError
        If there is no such reader or category.

    Examples
    --------
    >>> answer_edition("public").reader
    'public'
    """
    known = set() if parcels is None else set(parcels["parcel"])
    if reader == "landowner" and parcel not in known:
        return replace(edition_for("public", category=category), reader=reader)
    return edition_for(reader, category=category, parcels=parcels, parcel=parcel)


def findings_shown_to(edition: Edition, findings: IncidentFindings) -> IncidentFindings:
    """Return the findings as the reader of an edition may see them.

    Parameters
    ----------
    edition : Edition
        From `answer_edition`.
    findings : IncidentFindings
        From `examine_incident`.

    Returns
    -------
    IncidentFindings
        With the same probabilities. For the public the place is a cell, the window whole months,
        and there is neither a trail nor a visit, but what was summed over them.

    Examples
    --------
    >>> from carnivore_sign.example import example_answer
    >>> findings = example_answer().findings
    >>> public = findings_shown_to(answer_edition("public"), findings)
    >>> len(findings.trails) > 0, len(public.trails)
    (True, 0)
    """
    if edition.exact:
        return findings
    if edition.reader == "landowner":
        return _for_landowner(findings)
    return _for_public(findings, edition.category)


def withheld_from_answer(edition: Edition) -> tuple[str, ...]:
    """Say, as sentences, what a copy of an answer does not show.

    Parameters
    ----------
    edition : Edition
        From `answer_edition`.

    Returns
    -------
    tuple of str
        None for managers.

    Examples
    --------
    >>> withheld_from_answer(answer_edition("managers"))
    ()
    >>> len(withheld_from_answer(answer_edition("public"))) > 0
    True
    """
    if edition.exact:
        return ()
    if edition.reader == "landowner":
        return (
            "This copy is the landowner's own. It does not show other holdings, who owns them, or "
            "the names of those who walked.",
        )
    return (
        f"Made for {READERS[edition.reader]}. The place is generalised to a cell of "
        f"{edition.cell_words} of latitude and longitude (category {edition.category} of Chapman "
        "2020, Current Best Practices for Generalizing Sensitive Species Occurrence Data, GBIF), "
        "and the time to its month.",
        "Withheld: the holding and who owns it; what was lost, and what was seen and noted at the "
        "carcass; photos and where they were taken; where single trails and walks lie, and when "
        "they were found; the observers' names; names of files.",
    )


def _for_landowner(findings: IncidentFindings) -> IncidentFindings:
    parcels, place = findings.parcels, findings.place
    own = parcels["parcel"].eq(place.parcel) if place.parcel else parcels.intersects(place.shape)
    own = own.to_numpy(dtype=bool)
    return replace(
        findings,
        parcels=parcels[own].assign(owner_reference=None),
        trails=_without_names(findings.trails),
        sign=_without_names(findings.sign),
        looked=_without_names(findings.looked),
    )


def _for_public(findings: IncidentFindings, category: int) -> IncidentFindings:
    middle = shapely.centroid(findings.place.shape)
    (name,), (box,) = cell_of(np.array([middle.x]), np.array([middle.y]), category=category)
    months = _whole_months(findings.window, findings.time_zone)
    summed = ["when", "walk", "segment", "effort_km", "window_share"]
    looked = findings.looked[summed].assign(walk="", segment="")
    return replace(
        findings,
        incident="",
        place=IncidentPlace("parcel", box, str(name)),
        window=months,
        listed=months,
        livestock=None,
        count=None,
        carcass_notes=None,
        trails=findings.trails.iloc[:0],
        sign=findings.sign.iloc[:0],
        looked=looked,
        effort=findings.effort[["walks", "effort_km"]],
        cleared=findings.cleared.iloc[:0],
        presence=findings.presence.iloc[:0],
        parcels=findings.parcels.iloc[:0],
        segments=findings.segments.iloc[:0],
        carcasses=findings.carcasses.iloc[:0],
        limits=(),
    )


def _without_names(frame: pd.DataFrame) -> pd.DataFrame:
    return frame.drop(columns=[name for name in _NAMES if name in frame])


def _whole_months(window: IncidentWindow, time_zone: str) -> IncidentWindow:
    """Widen a window to the whole local months that it touches."""
    end = window.end.tz_convert(time_zone)
    after = (end.tz_localize(None).to_period("M") + 1).start_time.tz_localize(time_zone)
    if window.start is None:
        return IncidentWindow(None, after.tz_convert("UTC"))
    start = window.start.tz_convert(time_zone).tz_localize(None).to_period("M").start_time
    return IncidentWindow(start.tz_localize(time_zone).tz_convert("UTC"), after.tz_convert("UTC"))
