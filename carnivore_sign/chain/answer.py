"""Chain: a landowner's question - what was near, when, who looked, and how sure anyone can be."""

from __future__ import annotations

import datetime as dt
import re
from pathlib import Path

import geopandas as gpd
import pandas as pd

from carnivore_sign.chain.analysis import Analysis, analyse
from carnivore_sign.chain.options import AnalysisOptions
from carnivore_sign.chain.outputs import (
    TABLES,
    Outcome,
    output_folder,
    page_record,
    plain,
    rows_of,
    write_csv,
)
from carnivore_sign.chain.priors import priors_tried
from carnivore_sign.errors import InputError
from carnivore_sign.incidents import IncidentFindings, examine_incident
from carnivore_sign.intake import list_set_aside
from carnivore_sign.maps import incident_map, png_bytes, timeline
from carnivore_sign.progress import with_progress
from carnivore_sign.records.check import empty
from carnivore_sign.records.season import Season
from carnivore_sign.records.tables import MONTHLY
from carnivore_sign.reports import PageRecord, landowner_report, with_grounds, write_html, write_pdf

#: What may stand between the cells of a row.
_CELLS = re.compile(r"[,;\t|]")


def answer(
    season: Season | Analysis,
    incident: str,
    out: str | Path,
    *,
    options: AnalysisOptions | None = None,
    within_m: float = 5000.0,
    agency: str | None = None,
    made_on: dt.date | None = None,
    show_progress: bool = False,
) -> Outcome:
    """Answer a landowner about one incident of the season.

    Parameters
    ----------
    season : Season or Analysis
        The season, or an analysis of it that is at hand already.
    incident : str
        Name of the incident in the season.
    out : path-like
        Folder to write to; made if it is not there.
    options : AnalysisOptions, optional
        Choices of the analysis.
    within_m : float
        Sign and walks within this distance of the place are looked at.
    agency : str, optional
        Whom to call, as it shall stand on the page.
    made_on : date, optional
        Date that the page bears; today, unless given.
    show_progress : bool
        Draw a bar on standard error.

    Returns
    -------
    Outcome
        The chief numbers, and the files: ``answer.html``, ``answer.pdf``, ``map.png``,
        ``timeline.png`` and ``tables/*.csv``.

    Raises
    ------
    InputError
        If the season has no such incident (the message lists those it has), or its window
        is impossible.
    """
    steps = with_progress(range(4), f"answer {incident}", show=show_progress)
    next(steps)
    row = _find_incident(season.season if isinstance(season, Analysis) else season, incident)
    analysis = season if isinstance(season, Analysis) else analyse(season, options)
    next(steps)
    monthly, messages = _presence_around(analysis, row)
    findings = examine_incident(
        row,
        sign=analysis.sign,
        trails=with_grounds(analysis.trails, analysis.members, analysis.sign, analysis.prints),
        members=analysis.members,
        visits=analysis.visits,
        monthly=monthly,
        parcels=analysis.parcels,
        segments=analysis.segments,
        clearings=analysis.clearings,
        under_priors={
            what: analysis.under_prior(prior) for what, prior in priors_tried(analysis).items()
        },
        taxon=analysis.options.taxon,
        within_m=within_m,
        time_zone=analysis.season.time_zone,
    )
    next(steps)
    record = page_record(analysis, made_on, messages)
    files = _write_answer(findings, record, output_folder(out), agency)
    next(steps, None)
    return _outcome(findings, files)


def _find_incident(season: Season, incident: str) -> gpd.GeoDataFrame:
    known = season.read("incidents")
    row = known[known["incident"].eq(incident)]
    if row.empty:
        names = ", ".join(known["incident"]) or "none"
        raise InputError(
            f"the season has no incident '{incident}'",
            file=season.path,
            remedy=_why_set_aside(season, incident)
            or f"It has: {names}. Import a table of incidents, or name one of these.",
        )
    return row


def _why_set_aside(season: Season, incident: str) -> str | None:
    """Say where a row that names an incident was set aside, and why; None if there is none."""
    aside = list_set_aside(season)
    aside = aside[aside["table_name"].eq("incidents")]
    wanted = incident.strip().casefold()
    told = [
        f"{row.file}, row {row.source_row}: {row.reason}"
        for row in aside.itertuples()
        if wanted in {cell.strip(' "').casefold() for cell in _CELLS.split(str(row.content))}
    ]
    if not told:
        return None
    return (
        "A row that names it was set aside: " + "; ".join(told) + ". Correct it in the table and "
        f"import that again, or use: carnivore-sign set-aside {season.path}"
    )


def _presence_around(
    analysis: Analysis, row: gpd.GeoDataFrame
) -> tuple[gpd.GeoDataFrame, list[str]]:
    """Presence in the months that the incident's window touches, where walked, and its messages."""
    zone = analysis.season.time_zone
    ends = row[["last_seen_well", "found"]].iloc[0].dropna()
    touched = {f"{time.tz_convert(zone):%Y-%m}" for time in ends}
    walked = sorted(touched & set(analysis.visits["period"]))
    if not walked:
        return empty(MONTHLY), []
    told = [analysis.presence(period) for period in walked]
    messages = list(dict.fromkeys(month.message for month in told))
    return pd.concat([month.table for month in told], ignore_index=True), messages


def _write_answer(
    findings: IncidentFindings, record: PageRecord, folder: Path, agency: str | None
) -> dict[str, Path]:
    figures = {
        "map": png_bytes(incident_map(findings)),
        "timeline": png_bytes(timeline(findings)),
    }
    files = {name: folder / f"{name}.png" for name in figures}
    for name, path in files.items():
        path.write_bytes(figures[name])
    report = landowner_report(
        findings,
        record=record,
        map_png=figures["map"],
        timeline_png=figures["timeline"],
        agency=agency,
    )
    tables = {
        "trails_near": findings.trails,
        "visits_near": findings.looked,
        "animals": findings.passing_by_taxon,
        "animals_by_prior": findings.over_priors,
        "inputs": record.inputs,
    }
    return {
        "answer (HTML)": write_html(report, folder / "answer.html"),
        "answer (PDF)": write_pdf(report, folder / "answer.pdf"),
        **files,
        **write_csv(folder / TABLES, tables),
    }


def safe_name(name: str) -> str:
    """Make a file name of any text: what is not a letter, digit, dot or hyphen becomes ``_``."""
    return re.sub(r"[^\w.-]+", "_", name).strip("._")[:80] or "unnamed"


def _outcome(findings: IncidentFindings, files: dict[str, Path]) -> Outcome:
    passing = findings.passing
    numbers = {
        "incident": findings.incident,
        "taxon": findings.taxon,
        "window": [plain(findings.window.start), plain(findings.window.end)],
        "trails_near": rows_of(findings.trails),
        "passing": {name: plain(value) for name, value in vars(passing).items()},
        "range_over_priors": [plain(end) for end in findings.range_of(findings.taxon)],
        "animals": rows_of(findings.passing_by_taxon),
        "walks_near": len(findings.looked),
        "limits": list(findings.limits),
    }
    return Outcome(f"Answer about incident {findings.incident}", numbers, files)
