"""Chain: one month for the manager - map, report, tables and layers from one analysis."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd

from carnivore_sign.chain.analysis import Analysis, analyse
from carnivore_sign.chain.options import AnalysisOptions, PageOptions
from carnivore_sign.chain.outputs import (
    TABLES,
    Outcome,
    output_folder,
    page_record,
    refuse_wider,
    rows_of,
    write_csv,
    write_layers,
)
from carnivore_sign.chain.photos import trail_photos
from carnivore_sign.chain.priors import month_under_priors
from carnivore_sign.chain.seasonal import change_of, season_map, season_sheet
from carnivore_sign.chain.units import as_areas, in_words_of, line_noun, unit_noun
from carnivore_sign.errors import InputError
from carnivore_sign.maps import (
    Edition,
    SheetWords,
    Shown,
    plot_effort,
    plot_month,
    png_bytes,
    save_png,
    shown_to,
)
from carnivore_sign.maps.areas import are_areas
from carnivore_sign.maps.gis_styles import rules_of_parcels, rules_of_trails, rules_of_units
from carnivore_sign.presence import MonthlyPresence
from carnivore_sign.progress import with_progress
from carnivore_sign.records.season import Season
from carnivore_sign.records.tables import taxon_column
from carnivore_sign.records.vocabularies import TAXA
from carnivore_sign.reports import (
    PageRecord,
    TrailPhoto,
    monthly_report,
    notable_trails,
    segments_on_word,
    with_grounds,
    write_html,
    write_pdf,
)
from carnivore_sign.survey import (
    detection_rates,
    effort_table,
    rates_with_limits,
    walk_summary,
)
from carnivore_sign.trails import PassageSummary, summarise_passages
from carnivore_sign.trails.fewest import MOST_TRAILS
from carnivore_sign.writing import write_whole

_SEED = 1  # of the links and limits that are drawn: the same month gives the same page

_PERIOD = re.compile(r"\d{4}-(0[1-9]|1[0-2])")


def month(
    season: Season | Analysis,
    period: str,
    out: str | Path,
    *,
    options: AnalysisOptions | None = None,
    page: PageOptions | None = None,
    made_on: dt.date | None = None,
    show_progress: bool = False,
) -> Outcome:
    """Make the map, the report and the tables of one month.

    Parameters
    ----------
    season : Season or Analysis
        The season, or an analysis of it that is at hand already.
    period : str
        Local month, ``YYYY-MM``.
    out : path-like
        Folder to write to; made if it is not there. Files of an earlier run are replaced.
    options : AnalysisOptions, optional
        Choices of the analysis.
    page : PageOptions, optional
        For whom the page is made, and how it prints lengths; for managers, in kilometres.
    made_on : date, optional
        Date that the report bears; today, unless given.
    show_progress : bool
        Draw a bar on standard error.

    Returns
    -------
    Outcome
        The chief numbers, and the files: ``map.png``, ``change.png`` (since the month before),
        ``effort.png`` (who walked what when, with the gaps, for readers who may see who),
        ``season.png`` and ``map.html`` (all months), ``report.html``, ``report.pdf``,
        ``layers.gpkg`` and ``tables/*.csv``.

    Raises
    ------
    InputError
        If the period is not a month, there is no such reader or holding, or the folder holds
        tables of an edition that shows more.
    NothingSurveyed
        If no segment was walked in that month.

    Examples
    --------
    >>> import tempfile
    >>> from carnivore_sign.example import example_analysis
    >>> made = month(example_analysis(), "2026-03", tempfile.mkdtemp())  # doctest: +SKIP
    >>> "map.png" in {path.name for path in made.files.values()}  # doctest: +SKIP
    True
    """
    if not _PERIOD.fullmatch(period):
        raise InputError(f"'{period}' is not a month", remedy="Write it as 2026-03.")
    steps = with_progress(range(4), f"month {period}", show=show_progress)
    next(steps)
    analysis = season if isinstance(season, Analysis) else analyse(season, options)
    page = page or PageOptions()
    edition = replace(page.edition(analysis.parcels), noun=unit_noun(analysis.options))
    presence = analysis.presence(period)
    presence = presence._replace(message=in_words_of(presence.message, analysis.options))
    shown = shown_to(
        edition,
        as_areas(presence.table, analysis.areas) if edition.exact else presence.table,
        trails=trails_of(analysis, period),
        transects=analysis.transects,
        parcels=analysis.parcels,
    )
    next(steps)
    folder = output_folder(out)
    rates, clumping = _rates(analysis)
    tables = _tables(analysis, period, presence, shown, edition=edition, rates=rates)
    refuse_wider(folder / TABLES, tables, made_for=page.made_for)
    record = page_record(
        analysis, made_on, [presence.message], edition=edition, measures=page.measures
    )
    files = _write_month(
        analysis, presence, shown, record,
        folder=folder, rates=rates, clumping=clumping, page=page,
    )  # fmt: skip
    files["map of all months"] = folder / "map.html"
    page_of_season = season_map(analysis, record, first=period)
    write_whole(files["map of all months"], page_of_season.encode("utf-8"))
    sheet = season_sheet(analysis, record)
    if sheet is not None:
        files["sheet of all months"] = save_png(sheet, folder / "season.png")
    next(steps)
    files |= _write_layers(analysis, shown, record, folder)
    files |= write_csv(folder / TABLES, tables)
    next(steps, None)
    return _outcome(analysis, period, presence, rates, files)


def _write_month(
    analysis: Analysis,
    presence: MonthlyPresence,
    shown: Shown,
    record: PageRecord,
    *,
    folder: Path,
    rates: pd.DataFrame,
    clumping: str | None,
    page: PageOptions,
) -> dict[str, Path]:
    taxon, period = analysis.options.taxon, str(presence.table["period"].iloc[0])
    share = _share(presence)
    words = SheetWords(
        season=record.season,
        note=presence.message or None,
        unit=record.edition.unit,
        made_for=record.edition.made_for,
        measures=record.measures,
        elevation=page.elevation,
        basemap=page.basemap,
    )
    drawn = {name: getattr(shown, name) for name in ("trails", "transects", "parcels")}
    map_path = folder / "map.png"
    save_png(plot_month(shown.units, taxon=taxon, words=words, share=share, **drawn), map_path)
    alone = plot_month(shown.units, taxon=taxon, words=replace(words, on_page=True), **drawn)
    change = change_of(analysis, period, record)
    if change.map_png is not None:
        write_whole(folder / "change.png", change.map_png)
    grounded = with_grounds(analysis.trails, analysis.members, analysis.sign, analysis.prints)
    tried = month_under_priors(analysis, period)
    effort_png = _effort_png(analysis, record)
    report = monthly_report(
        _with_words(presence.table, analysis, grounded, period),
        taxon=taxon,
        rates=rates,
        clumping=clumping,
        effort_png=effort_png,
        visits=analysis.visits,
        trails=grounded,
        record=replace(record, choices=replace(record.choices, tried=tried)),
        map_png=png_bytes(alone),
        change=change,
        share=share,
        passages=_passages(analysis, period),
        photos=_photos(analysis, period, record.edition, page),
    )
    pages = {
        "report (HTML)": write_html(report, folder / "report.html"),
        "report (PDF)": write_pdf(report, folder / "report.pdf"),
    }
    maps = {"map": map_path}
    if change.map_png is not None:
        maps["map of what changed"] = folder / "change.png"
    if effort_png is not None:
        maps["effort of the season"] = folder / "effort.png"
        write_whole(maps["effort of the season"], effort_png)
    return maps | pages


def _write_layers(
    analysis: Analysis, shown: Shown, record: PageRecord, folder: Path
) -> dict[str, Path]:
    """Write the layers that a GIS shows as the sheet does: each kind of geometry in its own."""
    areal = are_areas(shown.units)
    single = shown.trails.geom_type.isin(("Point", "MultiPoint")).to_numpy(dtype=bool)
    column = taxon_column(analysis.options.taxon)
    layers = {
        "segments": shown.units[~areal],
        "cells": shown.units[areal],
        "trails": shown.trails[~single],
        "trails_of_one_sign": shown.trails[single],
        "parcels": shown.parcels,
    }
    rules = {
        "segments": rules_of_units(areas=False),
        "cells": rules_of_units(areas=True),
        "trails": rules_of_trails(column),
        "trails_of_one_sign": rules_of_trails(column, points=True),
        "parcels": rules_of_parcels(),
    }
    path = folder / "layers.gpkg"
    return {"layers": write_layers(path, layers, rules=rules, made_on=record.made_on)}


def _photos(
    analysis: Analysis, period: str, edition: Edition, page: PageOptions
) -> tuple[TrailPhoto, ...]:
    """Find the photos of the notable trails, where a folder of photos was named."""
    if page.photos is None:
        return ()
    notable = notable_trails(trails_of(analysis, period), analysis.options.taxon, edition)
    return trail_photos(analysis, notable, page.photos)


def _passages(analysis: Analysis, period: str) -> PassageSummary | None:
    """Count the month's passages; not if they are too many to compare all with all."""
    trails = trails_of(analysis, period)
    if len(trails) > MOST_TRAILS:
        return None
    return summarise_passages(
        analysis.linking, trails, analysis.sign, analysis.prints, np.random.default_rng(_SEED),
        taxon=analysis.options.taxon,
    )  # fmt: skip


def _with_words(
    table: gpd.GeoDataFrame, analysis: Analysis, grounded: pd.DataFrame, period: str
) -> gpd.GeoDataFrame:
    """Mark the segments whose state rests on namings alone."""
    detections = analysis.detections[analysis.detections["period"].eq(period)]
    on_word = segments_on_word(detections, grounded, analysis.options.taxon)
    return table.assign(on_word=table["segment"].astype("object").isin(on_word))


def _rates(analysis: Analysis) -> tuple[pd.DataFrame, str | None]:
    """Return the rates of all months, and what the test for clusters of trails says.

    The draws are the same each time, so that a page made again is the same page.
    """
    rates, clumping = rates_with_limits(
        analysis.visits,
        analysis.detections,
        rng=np.random.default_rng(_SEED),
        taxon=analysis.options.taxon,
        learned=analysis.learned_share,
    )
    return rates, None if clumping is None else clumping.sentence


def _effort_png(analysis: Analysis, record: PageRecord) -> bytes | None:
    """Draw who walked what in the season, for readers who may see who and where."""
    if not record.edition.exact:
        return None
    figure = plot_effort(
        analysis.visits,
        analysis.segments,
        season=record.season,
        time_zone=record.time_zone,
        measures=record.measures,
        noun=line_noun(analysis.options),
    )
    return png_bytes(figure)


def _tables(
    analysis: Analysis,
    period: str,
    presence: MonthlyPresence,
    shown: Shown,
    *,
    edition: Edition,
    rates: pd.DataFrame,
) -> dict[str, pd.DataFrame]:
    """Return the tables of a month; a reader who may not see places gets sums alone."""
    taxon = analysis.options.taxon
    tables = {
        f"{edition.unit}s": shown.units if not edition.exact else _without_places(shown.units),
        "rates_by_month": rates,
    }
    if presence.fit is not None:
        tables["model"] = presence.fit.summary().reset_index()
    if not edition.exact:
        return tables
    visits = analysis.visits[analysis.visits["period"].eq(period)]
    return tables | {
        "visits": visits,
        "effort": effort_table(analysis.visits, analysis.segments),
        "walks": walk_summary(analysis.visits),
        "detections": analysis.detections[analysis.detections["period"].eq(period)],
        "trails": shown.trails,
        "rates_by_transect": detection_rates(
            visits,
            analysis.detections,
            taxon=taxon,
            by=["transect"],
            learned=analysis.learned_share,
        ),
        "inputs": page_record(analysis, None).inputs,
    }


def _without_places(units: gpd.GeoDataFrame) -> pd.DataFrame:
    return pd.DataFrame(units.drop(columns="geometry"))


def trails_of(analysis: Analysis, period: str) -> pd.DataFrame:
    """Return the trails whose first sign was found in a local month."""
    local = analysis.trails["time"].dt.tz_convert(analysis.season.time_zone)
    return analysis.trails[local.dt.strftime("%Y-%m").eq(period)]


def month_in_words(period: str) -> str:
    """Write ``2026-03`` as *March 2026*."""
    return f"{dt.date.fromisoformat(f'{period}-01'):%B %Y}"


def _share(presence: MonthlyPresence) -> tuple[float, float, float] | None:
    if presence.share is None:
        return None
    return presence.share.share, presence.share.low, presence.share.high


def _outcome(
    analysis: Analysis,
    period: str,
    presence: MonthlyPresence,
    rates: pd.DataFrame,
    files: dict[str, Path],
) -> Outcome:
    share = presence.share
    numbers = {
        "period": period,
        "taxon": analysis.options.taxon,
        "segments": len(presence.table),
        "segments_visited": int(presence.table["visits"].gt(0).sum()),
        "states": presence.table["state"].value_counts().to_dict(),
        "rates": rows_of(rates[rates["period"].eq(period)])[0],
        "share_used": None if share is None else dict(share._asdict()),
        "model": None if presence.fit is None else rows_of(presence.fit.summary().reset_index()),
        "prior": dict(analysis.prior),
    }
    title = f"{analysis.season.name}, {analysis.options.taxon_name}, {month_in_words(period)}"
    told = [told_of_region(analysis), presence.message]
    return Outcome(title, numbers, files, tuple(filter(None, told)))


def told_of_region(analysis: Analysis) -> str:
    """Say which animals take a share of every doubt where no country was named."""
    options = analysis.options
    if options.region != AnalysisOptions().region or options.absent:
        return ""
    possible = [TAXA[name] for name, p in analysis.region_prior.items() if p > 0]
    return (
        f"No region was named, so each of these takes a share of every doubtful trail: "
        f"{', '.join(possible)}. Name the region (--region), or those that do not live there "
        "(--absent)."
    )
