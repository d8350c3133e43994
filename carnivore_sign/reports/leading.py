"""Leading: the one trail that says most, and how wide a number on the page has to be taken."""

from __future__ import annotations

import math

import pandas as pd

from carnivore_sign.incidents import IncidentFindings, words_of_range
from carnivore_sign.incidents.words import percent, percent_range
from carnivore_sign.records.vocabularies import SURE_FROM
from carnivore_sign.reports.grounds import ON_WORD
from carnivore_sign.reports.wording import TaxonWords, kilometres


def leading_trail(findings: IncidentFindings, words: TaxonWords) -> tuple[str, ...]:
    """Say whose the most telling trail is and when it was made; nothing if none tells a thing.

    Whose it is and when it was made are told apart, so that a trail of uncertain time does not
    read as if it were of an uncertain animal.
    """
    row = findings.most_telling
    if row is None:
        return ()
    trail = findings.trails.iloc[row]
    which = "It" if len(findings.trails) == 1 else f"The most telling (no. {row + 1})"
    away = (
        "crosses the place"
        if not trail["distance_m"] > 0
        else (f"lies {kilometres(trail['distance_m'])} away")
    )
    whose = f"{which} {away}; {whose_trail(trail, words)}."
    if bool(trail.get("on_word", False)):
        whose += f" That rests on {ON_WORD}: no print was noted."
    return whose, when_made(trail, findings)


def whose_trail(trail: pd.Series, words: TaxonWords) -> str:
    """Say how probable it is that a trail is that of the animal, with its range over priors."""
    p = float(trail["p_taxon"])
    if math.isnan(p):
        return "there is no probability for it"
    low, high = float(trail["p_taxon_low"]), float(trail["p_taxon_high"])
    number = percent(p)
    if percent(low) != percent(high):
        number += f"; {percent_range(low, high)} over the priors tried"
    return f"it is {words_of_range(p, low, high)} ({number}) to be that of {words.one}"


def when_made(trail: pd.Series, findings: IncidentFindings) -> str:
    """Say when a trail was made, and whether that was in the time of the loss."""
    span = _span(trail["made_after"], trail["made_before"], findings.time_zone)
    time = "before the loss was found"
    if not findings.window.open_at_start:
        time = "in the time of the loss"
    p = float(trail["p_in_window"])
    if p >= SURE_FROM:
        return f"It was made {span}, which is {time}."
    said = f"It was made {span}; whether that was {time} cannot be told"
    return f"{said}." if math.isnan(p) else f"{said} ({percent(p)} if every hour is as likely)."


def with_range(findings: IncidentFindings, taxon: str, probability: float) -> str:
    """Print a probability with its range over the priors tried, where that says more."""
    low, high = findings.range_of(taxon)
    if math.isnan(high) or percent(low) == percent(high):
        return percent(probability)
    over = " over the priors tried" if findings.priors_tried > 1 else ", however trails depend"
    if findings.passing.trails_not_told:
        over += ", and with the trails that cannot be told"
    return f"{percent(probability)}; {percent_range(low, high)}{over}"


def not_in_the_range(findings: IncidentFindings) -> str:
    """Say plainly what the range covers and what it does not."""
    covers = "however the trails depend on each other"
    if findings.priors_tried > 1:
        covers = f"{findings.priors_tried} priors, and {covers}"
    return (
        f"The range covers {covers}. It does not cover errors of the likelihood ratios, which are "
        "working values, nor of the times, where every hour is taken as equally likely."
    )


def _span(after: pd.Timestamp, before: pd.Timestamp, zone: str) -> str:
    """Write when a trail was made, in local days; in hours too where both are of one day."""
    end = before.tz_convert(zone)
    if pd.isna(after):
        return f"before {end:%d %b %Y %H:%M}"
    start = after.tz_convert(zone)
    if start.date() == end.date():
        return f"on {end:%d %b %Y} between {start:%H:%M} and {end:%H:%M}"
    return f"between {start:%d %b %Y %H:%M} and {end:%d %b %Y %H:%M}"
