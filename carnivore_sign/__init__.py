"""carnivore_sign: from tracks and sign to presence maps and landowner answers.

The road, and the names along it::

    GPS logs, notebook tables, transects, parcels, clearings, incidents
        create_season, open_season, import_files, read_file
    -> season (one GeoPackage)
        analyse: identify -> trails -> survey -> presence
    -> Analysis (segments, visits, sign, trails, detections, histories)
        month   -> map, report (HTML, PDF), tables, layers
        answer  -> a landowner's report (HTML, PDF)
        export  -> Darwin Core Archive, GeoPackage, GeoParquet, GeoJSON, KML, GPX, CSV
    photo of a print
        write_tracing_page -> a page to trace it on -> outlines, which go into the season
    a walk
        write_field_kit -> form, sheet, scale card, key -> filled-in forms, which go there too

Each room can be used alone: ``carnivore_sign.intake``, ``identify``, ``trails``, ``survey``,
``presence``, ``incidents``, ``simulate``, ``maps``, ``reports``, ``exchange``, ``field``. Names are
loaded on first use, so that importing the package is quick.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from carnivore_sign._version import __version__

if TYPE_CHECKING:
    from carnivore_sign.chain import (
        Analysis,
        AnalysisOptions,
        AnswerPage,
        PageOptions,
        agency_from_file,
        analyse,
        analyse_seasons,
        answer,
        flag_table,
        landowner_answer,
        month,
        summarise_import,
        visits_of_programme,
        write_months,
    )
    from carnivore_sign.chain.exporting import export
    from carnivore_sign.demo import run_demo
    from carnivore_sign.exchange import Publisher
    from carnivore_sign.field import write_field_kit
    from carnivore_sign.guide import read_guide
    from carnivore_sign.intake import (
        ask_columns,
        column_guide,
        import_files,
        list_set_aside,
        place_season_photos,
        read_file,
        reimport_set_aside,
        season_photos,
        stated_season,
        write_set_aside,
    )
    from carnivore_sign.integrity import check_season
    from carnivore_sign.maps import Basemap
    from carnivore_sign.programme import (
        add_season,
        check_programme,
        create_programme,
        extract_database,
        extract_season,
        list_database,
        open_programme,
        read_database,
        read_programme,
        remove_from_database,
        remove_season,
        season_of,
        write_database,
    )
    from carnivore_sign.records.season import Season, create_season, open_season
    from carnivore_sign.reports.practice import write_practice_page
    from carnivore_sign.reports.tracing import write_tracing_page

_HOMES = {
    "Analysis": "carnivore_sign.chain",
    "AnalysisOptions": "carnivore_sign.chain",
    "AnswerPage": "carnivore_sign.chain",
    "PageOptions": "carnivore_sign.chain",
    "agency_from_file": "carnivore_sign.chain",
    "analyse": "carnivore_sign.chain",
    "answer": "carnivore_sign.chain",
    "landowner_answer": "carnivore_sign.chain",
    "flag_table": "carnivore_sign.chain",
    "month": "carnivore_sign.chain",
    "summarise_import": "carnivore_sign.chain",
    "analyse_seasons": "carnivore_sign.chain",
    "visits_of_programme": "carnivore_sign.chain",
    "write_months": "carnivore_sign.chain",
    "add_season": "carnivore_sign.programme",
    "check_programme": "carnivore_sign.programme",
    "create_programme": "carnivore_sign.programme",
    "extract_database": "carnivore_sign.programme",
    "extract_season": "carnivore_sign.programme",
    "list_database": "carnivore_sign.programme",
    "open_programme": "carnivore_sign.programme",
    "read_database": "carnivore_sign.programme",
    "read_programme": "carnivore_sign.programme",
    "remove_from_database": "carnivore_sign.programme",
    "remove_season": "carnivore_sign.programme",
    "season_of": "carnivore_sign.programme",
    "write_database": "carnivore_sign.programme",
    "export": "carnivore_sign.chain.exporting",
    "Publisher": "carnivore_sign.exchange",
    "write_field_kit": "carnivore_sign.field",
    "run_demo": "carnivore_sign.demo",
    "ask_columns": "carnivore_sign.intake",
    "read_guide": "carnivore_sign.guide",
    "column_guide": "carnivore_sign.intake",
    "import_files": "carnivore_sign.intake",
    "list_set_aside": "carnivore_sign.intake",
    "place_season_photos": "carnivore_sign.intake",
    "read_file": "carnivore_sign.intake",
    "reimport_set_aside": "carnivore_sign.intake",
    "season_photos": "carnivore_sign.intake",
    "stated_season": "carnivore_sign.intake",
    "write_set_aside": "carnivore_sign.intake",
    "check_season": "carnivore_sign.integrity",
    "Basemap": "carnivore_sign.maps",
    "Season": "carnivore_sign.records.season",
    "create_season": "carnivore_sign.records.season",
    "open_season": "carnivore_sign.records.season",
    "write_practice_page": "carnivore_sign.reports.practice",
    "write_tracing_page": "carnivore_sign.reports.tracing",
}

__all__ = [
    "Analysis",
    "AnalysisOptions",
    "AnswerPage",
    "Basemap",
    "PageOptions",
    "Publisher",
    "Season",
    "__version__",
    "add_season",
    "agency_from_file",
    "analyse",
    "analyse_seasons",
    "answer",
    "ask_columns",
    "check_programme",
    "check_season",
    "column_guide",
    "create_programme",
    "create_season",
    "export",
    "extract_database",
    "extract_season",
    "flag_table",
    "import_files",
    "landowner_answer",
    "list_database",
    "list_set_aside",
    "month",
    "open_programme",
    "open_season",
    "place_season_photos",
    "read_database",
    "read_file",
    "read_guide",
    "read_programme",
    "reimport_set_aside",
    "remove_from_database",
    "remove_season",
    "run_demo",
    "season_of",
    "season_photos",
    "stated_season",
    "summarise_import",
    "visits_of_programme",
    "write_database",
    "write_field_kit",
    "write_months",
    "write_practice_page",
    "write_set_aside",
    "write_tracing_page",
]


def __getattr__(name: str) -> Any:
    """Load a public name from its room on first use (PEP 562)."""
    if name not in _HOMES:
        raise AttributeError(f"module 'carnivore_sign' has no attribute '{name}'")
    value = getattr(import_module(_HOMES[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """List the public names, loaded or not."""
    return sorted(__all__)
