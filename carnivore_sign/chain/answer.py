"""Chain: a landowner's question - what was near, when, who looked, and how sure anyone can be."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd

from carnivore_sign.chain.analysis import Analysis, analyse
from carnivore_sign.chain.around import look_around, passages_near
from carnivore_sign.chain.changes import EARLIER, changes_since, write_numbers
from carnivore_sign.chain.contacts import AnswerPage
from carnivore_sign.chain.options import AnalysisOptions
from carnivore_sign.chain.outputs import (
    TABLES,
    Outcome,
    output_folder,
    page_record,
    plain,
    refuse_wider,
    rows_of,
    write_csv,
)
from carnivore_sign.errors import InputError
from carnivore_sign.incidents import IncidentFindings, examine_incident
from carnivore_sign.intake import list_set_aside
from carnivore_sign.maps import (
    answer_edition,
    findings_shown_to,
    incident_map,
    png_bytes,
    timeline,
)
from carnivore_sign.progress import with_progress
from carnivore_sign.records.season import Season
from carnivore_sign.reports import (
    PageRecord,
    Passages,
    landowner_report,
    public_answer,
    write_html,
    write_pdf,
)
from carnivore_sign.writing import write_whole

#: What may stand between the cells of a row.
_CELLS = re.compile(r"[,;\t|]")


@dataclass(frozen=True, eq=False)
class LandownerAnswer:
    """The answer about one incident, before any page is written.

    Attributes
    ----------
    findings : IncidentFindings
        What was near and when, who looked, and what the loss may have been.
    passages : Passages or None
        How often trails of the animal are found near; None where nobody walked near.
    analysis : Analysis
        The season it was computed from.
    messages : tuple of str
        What the fit of presence says of itself.
    """

    findings: IncidentFindings
    passages: Passages | None
    analysis: Analysis
    messages: tuple[str, ...]


def landowner_answer(
    season: Season | Analysis,
    incident: str,
    *,
    options: AnalysisOptions | None = None,
    within_m: float = 5000.0,
) -> LandownerAnswer:
    """Work out what a season can say about one incident.

    Parameters
    ----------
    season : Season or Analysis
        The season, or an analysis of it that is at hand already.
    incident : str
        Name of the incident in the season.
    options : AnalysisOptions, optional
        Choices of the analysis.
    within_m : float
        Sign and walks within this distance of the place are looked at.

    Returns
    -------
    LandownerAnswer
        The findings, and what the season says of passages there.

    Raises
    ------
    InputError
        If the season has no such incident (the message lists those it has), or its window
        is impossible.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> landowner_answer(analysis, "I1").findings.explanations.ranked["cause"].nunique()
    7
    """
    row = _find_incident(season.season if isinstance(season, Analysis) else season, incident)
    analysis = season if isinstance(season, Analysis) else analyse(season, options)
    around = look_around(analysis, row, within_m=within_m)
    findings = examine_incident(
        row,
        around.tables,
        around.says,
        taxon=analysis.options.taxon,
        within_m=within_m,
        time_zone=analysis.season.time_zone,
    )
    return LandownerAnswer(findings, passages_near(analysis, findings), analysis, around.messages)


def answer(
    season: Season | Analysis,
    incident: str,
    out: str | Path,
    *,
    options: AnalysisOptions | None = None,
    within_m: float = 5000.0,
    page: AnswerPage | None = None,
    made_on: dt.date | None = None,
    show_progress: bool = False,
) -> Outcome:
    """Answer a landowner about one incident of the season.

    Parameters
    ----------
    season, incident
        See `landowner_answer`.
    out : path-like
        Folder to write to; made if it is not there. If it holds an earlier answer about the
        same incident, the page says what is new since.
    options, within_m
        See `landowner_answer`.
    page : AnswerPage, optional
        Whom to call, who made the answer, and for whom: the landowner, unless given.
    made_on : date, optional
        Date that the page bears; today, unless given.
    show_progress : bool
        Draw a bar on standard error.

    Returns
    -------
    Outcome
        The chief numbers, and the files: ``answer.html``, ``answer.pdf``, ``answer.json``,
        ``map.png``, ``timeline.png`` (neither for the public) and ``tables/*.csv``.

    Raises
    ------
    InputError
        If the season has no such incident (the message lists those it has), its window is
        impossible, or the folder holds tables of a copy that shows more.

    Examples
    --------
    >>> import tempfile
    >>> from carnivore_sign.example import example_analysis
    >>> made = answer(example_analysis(), "I1", tempfile.mkdtemp())  # doctest: +SKIP
    >>> sorted(path.name for path in made.files.values())[:3]  # doctest: +SKIP
    ['animals.csv', 'animals_by_prior.csv', 'answer.html']
    """
    steps = with_progress(range(3), f"answer {incident}", show=show_progress)
    next(steps)
    found = landowner_answer(season, incident, options=options, within_m=within_m)
    next(steps)
    page = page or AnswerPage()
    shown, record = _for_reader(found, page, made_on)
    tables = _tables(shown, record)
    folder = output_folder(out)
    refuse_wider(folder / TABLES, tables, made_for=page.made_for)
    numbers = _numbers(shown.findings)
    earlier = folder / EARLIER
    changes = changes_since(earlier, numbers, record)
    files = _write_pages(shown, record, folder, agency=page.agency, changes=changes)
    files |= write_csv(folder / TABLES, tables)
    files["numbers"] = write_numbers(earlier, numbers, record, changes)
    next(steps, None)
    named = f" about incident {incident}" if record.edition.reader != "public" else ""
    return Outcome(f"Answer{named}", numbers, files)


def _for_reader(
    found: LandownerAnswer, page: AnswerPage, made_on: dt.date | None
) -> tuple[LandownerAnswer, PageRecord]:
    """Return the answer with no more than its reader may see, and the record of its page."""
    analysis = found.analysis
    edition = answer_edition(
        page.made_for,
        category=page.sensitivity,
        parcels=analysis.parcels,
        parcel=found.findings.place.parcel,
    )
    record = replace(
        page_record(analysis, made_on, found.messages, edition=edition),
        made_by=page.made_by,
        own_copy=edition.reader == "landowner",
    )
    return replace(found, findings=findings_shown_to(edition, found.findings)), record


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


def _write_pages(
    found: LandownerAnswer,
    record: PageRecord,
    folder: Path,
    *,
    agency: str | None,
    changes: tuple[str, ...],
) -> dict[str, Path]:
    findings, files = found.findings, {}
    if record.edition.reader == "public":
        report = public_answer(findings, record=record, passages=found.passages)
    else:
        figures = {
            "map": png_bytes(incident_map(findings)),
            "timeline": png_bytes(timeline(findings)),
        }
        for name, png in figures.items():
            files[name] = folder / f"{name}.png"
            write_whole(files[name], png)
        report = landowner_report(
            findings,
            record=record,
            map_png=figures["map"],
            timeline_png=figures["timeline"],
            agency=agency,
            passages=found.passages,
            changes=changes,
        )
    return {
        "answer (HTML)": write_html(report, folder / "answer.html"),
        "answer (PDF)": write_pdf(report, folder / "answer.pdf"),
        **files,
    }


def _tables(found: LandownerAnswer, record: PageRecord) -> dict[str, pd.DataFrame]:
    """Return the tables beside the page; the public gets those that name no place and no time."""
    findings = found.findings
    tables: dict[str, pd.DataFrame] = {
        "animals": findings.passing_by_taxon,
        "animals_by_prior": findings.over_priors,
        "explanations": findings.explanations.ranked,
        "explanations_by_prior": findings.explanations.by_prior,
    }
    if record.edition.reader == "public":
        return tables
    return {
        "trails_near": findings.trails,
        "visits_near": findings.looked,
        **tables,
        "inputs": record.inputs,
    }


def safe_name(name: str) -> str:
    """Make a file name of any text: what is not a letter, digit, dot or hyphen becomes ``_``."""
    return re.sub(r"[^\w.-]+", "_", name).strip("._")[:80] or "unnamed"


def _numbers(findings: IncidentFindings) -> dict[str, Any]:
    """Return the chief numbers, ready for JSON."""
    return {
        "incident": findings.incident,
        "taxon": findings.taxon,
        "window": [plain(findings.window.start), plain(findings.window.end)],
        "trails_near": rows_of(findings.trails.drop(columns="named", errors="ignore")),
        "passing": {name: plain(value) for name, value in vars(findings.passing).items()},
        "range_over_priors": [plain(end) for end in findings.range_of(findings.taxon)],
        "animals": rows_of(findings.passing_by_taxon),
        "explanations": rows_of(findings.explanations.ranked),
        "blank": {name: plain(value) for name, value in vars(findings.blank).items()},
        "walks_near": len(findings.looked),
        "limits": list(findings.limits),
    }
