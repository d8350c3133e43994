"""Chain: a season in open standards, for whoever may have it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import geopandas as gpd

from carnivore_sign.chain.analysis import Analysis, analyse
from carnivore_sign.chain.options import AnalysisOptions, PageOptions
from carnivore_sign.chain.outputs import Outcome, output_folder, write_layers
from carnivore_sign.errors import InputError, NothingSurveyed
from carnivore_sign.exchange import (
    Content,
    Publisher,
    layers_of,
    tables_of,
    withheld_words,
    write_archive,
    write_geojson,
    write_geoparquet,
    write_kml,
    write_package,
    write_transects_gpx,
)
from carnivore_sign.exchange.content import by_month
from carnivore_sign.intake import place_sign, season_photos
from carnivore_sign.intake.optional import optional_library
from carnivore_sign.maps import READERS
from carnivore_sign.maps.areas import are_areas
from carnivore_sign.maps.gis_styles import (
    Rule,
    rules_of_parcels,
    rules_of_trails,
    rules_of_units,
)
from carnivore_sign.progress import with_progress
from carnivore_sign.records.season import Season
from carnivore_sign.records.tables import SEASON_TABLES, taxon_column

#: Forms in which a season is exported, and what each is.
FORMS: Final[dict[str, str]] = {
    "darwin-core": "Darwin Core Archive, which intake reads back",
    "geopackage": "GeoPackage with the styles of the maps",
    "geoparquet": "GeoParquet 1.1, a file per layer",
    "geojson": "GeoJSON (RFC 7946), a file per layer",
    "kml": "KML for map viewers",
    "gpx": "GPX 1.1 of transects and trails, for a receiver",
    "csv": "tables as CSV with a dictionary of their columns",
}


@dataclass(frozen=True, eq=False)
class _Job:
    """What is written, and where to."""

    content: Content
    folder: Path
    publisher: Publisher
    made_on: dt.date
    title: str
    about: str


def export(
    season: Season | Analysis,
    out: str | Path,
    *,
    forms: Sequence[str] = ("darwin-core",),
    options: AnalysisOptions | None = None,
    page: PageOptions | None = None,
    publisher: Publisher | None = None,
    made_on: dt.date | None = None,
    show_progress: bool = False,
) -> Outcome:
    """Write a season, and what is computed from it, in open standards.

    Parameters
    ----------
    season : Season or Analysis
        The season, or an analysis of it that is at hand already.
    out : path-like
        Folder to write to; made if it is not there. Files of the same names are replaced.
    forms : sequence of str
        Keys of `FORMS`.
    options : AnalysisOptions, optional
        Choices of the analysis.
    page : PageOptions, optional
        For whom it is made; for managers, unless given. Others get what their maps show.
    publisher : Publisher, optional
        Who publishes it, and under which licence; stands in the archive.
    made_on : date, optional
        Date that the files bear; today, unless given.
    show_progress : bool
        Draw a bar on standard error.

    Returns
    -------
    Outcome
        The files, and how many rows there were.

    Raises
    ------
    InputError
        If there is no such form or reader, or the folder holds files that are not for this
        reader.
    LibraryMissing
        If a form needs a library that is not installed; nothing is written then.
    NothingSurveyed
        If the season has no effort, and the reader is not a manager: others get maps alone.

    Examples
    --------
    >>> import tempfile
    >>> from carnivore_sign.records.season import create_season
    >>> folder = Path(tempfile.mkdtemp())
    >>> season = create_season(folder / "season.gpkg", name="March", time_zone="UTC")
    >>> export(season, folder / "out", forms=["csv"]).files["column dictionary"].name
    'datapackage.json'

    >>> import tempfile
    >>> from carnivore_sign.example import example_analysis
    >>> made = export(example_analysis(), Path(tempfile.mkdtemp()) / "out", forms=("geojson",))
    >>> len(made.files) > 0
    True
    """
    unknown = [form for form in forms if form not in FORMS]
    if unknown or not forms:
        raise InputError(
            f"'{', '.join(unknown)}' is no form that is exported",
            remedy=f"Use one of: {', '.join(FORMS)}.",
        )
    for form in _LIBRARIES.keys() & set(forms):
        optional_library(_LIBRARIES[form], file=out, purpose=f"export as {form}")
    content, message = content_of(season, options, page or PageOptions())
    folder = output_folder(out)
    _refuse_others(folder, content, forms)
    whole = content.season
    job = _Job(
        content,
        folder,
        publisher or Publisher(),
        made_on or dt.datetime.now(whole.zone).date(),
        f"{whole.name}: {content.taxon_name}",
        " ".join(filter(None, withheld_words(content))),
    )
    files: dict[str, Path] = {}
    for form in with_progress(list(dict.fromkeys(forms)), "exporting", show=show_progress):
        files |= _WRITERS[form](job)
    rows = {name: len(frame) for name, (_, frame) in tables_of(content).items() if len(frame)}
    title = f"{whole.name}, exported for {READERS[content.edition.reader]}"
    told = [message, job.about, *_left_out(forms, files)]
    return Outcome(title, {"rows": rows}, files, tuple(filter(None, told)))


def content_of(
    season: Season | Analysis, options: AnalysisOptions | None, page: PageOptions
) -> tuple[Content, str]:
    """Gather what an export is made from; say so where there is nothing but the record.

    Returns
    -------
    content : Content
        The record, and what is computed from it if the season has effort.
    message : str
        Blank, or why nothing was computed.
    """
    whole = season.season if isinstance(season, Analysis) else season
    tables = {name: whole.read(name) for name in SEASON_TABLES}
    edition = page.edition(tables["parcels"])
    try:
        analysis = season if isinstance(season, Analysis) else analyse(season, options)
        monthly = analysis.season_presence.table
    except NothingSurveyed as error:
        if not edition.exact:
            raise
        taxon = (options or AnalysisOptions()).taxon
        placed, _ = place_sign(tables["sign"], tables["waypoints"], season_photos(whole))
        return Content(whole, edition, taxon, tables, placed=placed), f"The record alone: {error}"
    content = Content(
        whole,
        edition,
        analysis.options.taxon,
        tables,
        placed=analysis.sign,
        segments=analysis.segments,
        visits=analysis.visits,
        detections=analysis.detections,
        trails=analysis.trails,
        members=analysis.members,
        walks=analysis.walks,
        monthly=monthly,
    )
    return content, ""


def _refuse_others(folder: Path, content: Content, forms: Sequence[str]) -> None:
    """Refuse a folder with other files than these, so that none is handed on with them."""
    if content.edition.exact:
        return
    names = {_FILES.get(form) for form in forms}
    endings = {_ENDINGS.get(form) for form in forms}
    ours = set(layers_of(content)) | set(tables_of(content)) | {"datapackage"}
    others = sorted(
        path.name
        for path in folder.iterdir()
        if path.name not in names and not (path.stem in ours and path.suffix in endings | {".json"})
    )
    if others:
        raise InputError(
            f"the folder holds files that may not be for this reader ({', '.join(others[:4])})",
            file=folder,
            remedy="Name a new folder, so that what is passed on holds nothing else.",
        )


def _left_out(forms: Sequence[str], files: dict[str, Path]) -> list[str]:
    if "gpx" in forms and "lines for a receiver" not in files:
        return ["There is no GPX: this reader sees no transects and no trails."]
    return []


#: Optional libraries that write a form.
_LIBRARIES: Final = {"geoparquet": "pyarrow"}
#: Names of files, and endings of files that bear the names of layers.
_FILES: Final = {
    "darwin-core": "archive.zip",
    "geopackage": "layers.gpkg",
    "kml": "layers.kml",
    "gpx": "lines.gpx",
}
_ENDINGS: Final = {"geojson": ".geojson", "geoparquet": ".parquet", "csv": ".csv"}


def _darwin_core(job: _Job) -> dict[str, Path]:
    path = job.folder / _FILES["darwin-core"]
    write_archive(path, job.content, publisher=job.publisher, made_on=job.made_on)
    return {"Darwin Core Archive": path}


def _geopackage(job: _Job) -> dict[str, Path]:
    """Write the layers with their styles; units as a layer per month."""
    layers: dict[str, gpd.GeoDataFrame] = {}
    rules: dict[str, tuple[Rule, ...]] = {
        "trails": rules_of_trails(taxon_column(job.content.taxon)),
        "parcels": rules_of_parcels(),
    }
    for name, layer in by_month(layers_of(job.content)).items():
        if not name.startswith("units"):
            layers[name] = layer
            continue
        areal = are_areas(layer)
        for word, some in (("cells", areal), ("segments", ~areal)):
            key = name.replace("units ", f"{word}_")
            layers[key] = layer.loc[some]
            rules[key] = rules_of_units(areas=word == "cells")
    path = job.folder / _FILES["geopackage"]
    return {"layers": write_layers(path, layers, rules=rules, made_on=job.made_on)}


def _geojson(job: _Job) -> dict[str, Path]:
    return {
        f"GeoJSON of {name}": write_geojson(job.folder / f"{name}.geojson", layer)
        for name, layer in layers_of(job.content).items()
    }


def _geoparquet(job: _Job) -> dict[str, Path]:
    return {
        f"GeoParquet of {name}": write_geoparquet(job.folder / f"{name}.parquet", layer)
        for name, layer in layers_of(job.content).items()
    }


def _kml(job: _Job) -> dict[str, Path]:
    path = job.folder / _FILES["kml"]
    layers = by_month(layers_of(job.content))
    return {"layers for map viewers": write_kml(path, layers, title=job.title, about=job.about)}


def _gpx(job: _Job) -> dict[str, Path]:
    shown = job.content.shown
    path = job.folder / _FILES["gpx"]
    if shown.transects.empty and shown.trails.empty:
        path.unlink(missing_ok=True)
        return {}
    written = write_transects_gpx(path, shown.transects, trails=shown.trails, name=job.title)
    return {"lines for a receiver": written}


def _csv(job: _Job) -> dict[str, Path]:
    tables = tables_of(job.content)
    return write_package(job.folder, tables, title=job.title, about=job.about, made_on=job.made_on)


_WRITERS: Final[dict[str, Callable[[_Job], dict[str, Path]]]] = {
    "darwin-core": _darwin_core,
    "geopackage": _geopackage,
    "geoparquet": _geoparquet,
    "geojson": _geojson,
    "kml": _kml,
    "gpx": _gpx,
    "csv": _csv,
}
