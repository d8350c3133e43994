"""Command line: its words - the commands, their arguments and options, and their help."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from typing import Any

import carnivore_sign
from carnivore_sign.cli import field_kit, programme
from carnivore_sign.cli.running import (
    run_answer,
    run_check,
    run_columns,
    run_demo,
    run_export,
    run_flags,
    run_guide,
    run_intake,
    run_month,
    run_practice,
    run_set_aside,
    run_trace,
)
from carnivore_sign.guide import GUIDE_PAGES
from carnivore_sign.records.vocabularies import TAXA

Command = Callable[[argparse.Namespace], int]


def make_parser() -> argparse.ArgumentParser:
    """Return the parser of the command line, with every command."""
    parser = argparse.ArgumentParser(
        prog="carnivore-sign",
        description="From tracks and sign to monthly presence maps and landowner answers.",
        epilog=(
            "Try it: carnivore-sign demo carnivore-demo. Exit status: 0 done, 2 bad input (a file "
            "that was refused, a word that makes no sense), 130 interrupted."
        ),
    )
    parser.add_argument(
        "--version", action="version", version=f"carnivore-sign {carnivore_sign.__version__}"
    )
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    for add in (
        _add_demo,
        _add_intake,
        _add_set_aside,
        _add_columns,
        _add_guide,
        _add_flags,
        _add_trace,
        _add_practice,
        _add_field_kit,
        _add_month,
        _add_answer,
        _add_export,
        _add_check,
        _add_programme,
    ):
        add(commands)
    return parser


def _add(commands: Any, name: str, run: Command, about: str, example: str) -> Any:
    command = commands.add_parser(
        name,
        help=about,
        description=about,
        epilog=f"example:\n  {example}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    command.set_defaults(command=run)
    command.add_argument("--json", action="store_true", help="print the result as JSON")
    return command


def _add_demo(commands: Any) -> None:
    about = "Run the whole chain on the invented demo season and write what it makes to a folder."
    command = _add(commands, "demo", run_demo, about, "carnivore-sign demo carnivore-demo")
    command.add_argument("out", metavar="OUT", help="folder to write to")


def _add_intake(commands: Any) -> None:
    about = (
        "Read GPS logs, photos, notebook tables, transects, parcels, clearing events and "
        "incidents into a season file. The kind of each file is told by its content. Photos "
        "without a position are placed on the logs by time. Importing the same file twice changes "
        "nothing."
    )
    example = (
        "carnivore-sign intake season.gpkg --zone America/Denver "
        "transects.geojson logs/*.gpx sign.csv prints.csv clearings.csv"
    )
    command = _add(commands, "intake", run_intake, about, example)
    command.add_argument("season", metavar="SEASON", help="the season file (.gpkg)")
    command.add_argument("files", metavar="FILE", nargs="+", help="files to read")
    command.add_argument(
        "--zone",
        help="local time zone (IANA name) of a season to be created; not needed where an "
        "archive that is read states it",
    )
    command.add_argument(
        "--name",
        help="title of a season to be created; that of an archive, "
        "or else the name of the file, unless given",
    )
    command.add_argument("--crs", help="reference system of layers that state none, EPSG:...")
    command.add_argument(
        "--observer", help="who carried the GPS, where the log does not say, and took the photos"
    )
    command.add_argument(
        "--camera-offset",
        action="append",
        default=[],
        metavar="SECONDS",
        help="seconds by which the camera's clock is behind, to be added to it when photos "
        "without a position are placed on logs; 'CAMERA=SECONDS' for one camera of several",
    )
    command.add_argument(
        "--column",
        action="append",
        default=[],
        metavar="WRITTEN=NAME",
        help="a column of a table called WRITTEN is column NAME (see carnivore-sign columns)",
    )
    command.add_argument(
        "--ask", action="store_true", help="ask which is which of columns that are not recognised"
    )
    command.add_argument(
        "--repair-rollover",
        action="store_true",
        help="the receiver was an old one: put dates 1024 weeks early where they belong",
    )
    command.add_argument(
        "--workers", type=int, default=1, help="processes that read files (%(default)s)"
    )


def _add_set_aside(commands: Any) -> None:
    about = "List the rows set aside, write them to a file, or read them back, corrected."
    example = "carnivore-sign set-aside season.gpkg --write aside.csv"
    command = _add(commands, "set-aside", run_set_aside, about, example)
    command.add_argument("season", metavar="SEASON", help="the season file (.gpkg)")
    which = command.add_mutually_exclusive_group()
    which.add_argument("--write", metavar="OUT.csv", help="write them, to be corrected there")
    which.add_argument("--corrected", metavar="IN.csv", help="read what was corrected there")


def _add_columns(commands: Any) -> None:
    about = (
        "Say which columns a notebook table has, how they are written and which words they hold."
    )
    command = _add(commands, "columns", run_columns, about, "carnivore-sign columns sign")
    command.add_argument(
        "table",
        metavar="TABLE",
        help="sign, prints, walks, weather, clearings, incidents or carcasses",
    )


def _add_guide(commands: Any) -> None:
    about = "Print a page of the guide: what words mean, and how numbers are computed."
    command = _add(commands, "guide", run_guide, about, "carnivore-sign guide words")
    pages = "; ".join(f"{page}: {what}" for page, what in GUIDE_PAGES.items())
    command.add_argument(
        "page", metavar="PAGE", nargs="?", choices=GUIDE_PAGES, default="glossary", help=pages
    )


def _add_trace(commands: Any) -> None:
    about = (
        "Write a page on which the toes, pad and claws of a print are traced over its photo. It "
        "is one file, asks no network for anything, and saves outlines that intake reads."
    )
    command = _add(
        commands,
        "trace",
        run_trace,
        about,
        "carnivore-sign trace IMG_0412.jpg --sign S014",
    )
    command.add_argument("photo", metavar="PHOTO", help="the photo, with a scale in it")
    command.add_argument("--out", metavar="FILE.html", help="the page (default: beside the photo)")
    command.add_argument("--sign", default="", help="name of the sign in the notebook")
    command.add_argument(
        "--max-side-px", type=int, default=3000, help="longest side of the picture (%(default)s)"
    )


def _add_practice(commands: Any) -> None:
    about = (
        "Write a page on which to practise the call of puma or dog on drawn prints. It is one "
        "file, asks no network for anything, keeps score, and saves the answers as a table."
    )
    command = _add(
        commands,
        "practice",
        run_practice,
        about,
        "carnivore-sign practice --prints 20 --seed 3",
    )
    command.add_argument(
        "--out", metavar="FILE.html", default="practice.html", help="the page (%(default)s)"
    )
    command.add_argument("--prints", type=int, default=12, help="how many prints (%(default)s)")
    command.add_argument(
        "--seed", type=int, default=1, help="the same seed draws the same prints (%(default)s)"
    )


def _add_field_kit(commands: Any) -> None:
    run, about = field_kit.run_field_kit, field_kit.ABOUT
    field_kit.add_words(_add(commands, "field-kit", run, about, field_kit.EXAMPLE))


def _add_flags(commands: Any) -> None:
    about = "Say which quality flags a position may carry, and which of them keep it out of effort."
    command = _add(commands, "flags", run_flags, about, "carnivore-sign flags --leave-out gap")
    _add_flag_options(command)


def _add_flag_options(command: Any) -> None:
    command.add_argument(
        "--leave-out", default="", metavar="FLAG,...", help="positions with these are no effort"
    )
    command.add_argument(
        "--keep-in", default="", metavar="FLAG,...", help="positions with these are effort"
    )


def _add_month(commands: Any) -> None:
    about = "Make the map, the report and the tables of one month."
    example = "carnivore-sign month season.gpkg 2026-03 --out march"
    command = _add(commands, "month", run_month, about, example)
    command.add_argument("season", metavar="SEASON", help="the season file (.gpkg)")
    command.add_argument("period", metavar="YYYY-MM", help="the month, in local time")
    command.add_argument(
        "--for",
        default="managers",
        choices=("managers", "landowner", "public"),
        help="who will read it (%(default)s): a landowner sees the own holding (--parcel) and "
        "cells elsewhere, the public sees cells",
    )
    command.add_argument("--parcel", metavar="NAME", help="the holding of the landowner")
    _add_sensitivity(command)
    unit = command.add_mutually_exclusive_group()
    unit.add_argument(
        "--cells",
        default="",
        metavar="SIZE",
        help="grid cells in place of segments: '2 km' for squares, or 'hexagon 2 km'",
    )
    unit.add_argument(
        "--areas",
        metavar="FILE",
        help="management units in place of segments: a layer of polygons with their names in a "
        "column 'unit'",
    )
    command.add_argument(
        "--free-search",
        action="store_true",
        help="walks off the transects are effort too, in the cells or areas that they pass",
    )
    command.add_argument(
        "--units", default="metric", choices=("metric", "us"), help="units of length (%(default)s)"
    )
    command.add_argument(
        "--elevation", metavar="FILE", help="your own elevation raster, drawn under the map"
    )
    command.add_argument(
        "--basemap",
        metavar="URL",
        help="tiles to fetch and draw under the map, as https://.../{z}/{x}/{y}.png; without it "
        "nothing is fetched, and with it the server learns which country is looked at",
    )
    command.add_argument(
        "--basemap-credit", metavar="TEXT", default="", help="who made the tiles, for the map"
    )
    command.add_argument(
        "--photos",
        metavar="DIR",
        help="folder of the season's photos; the report shows those of notable trails, small and "
        "without what the camera wrote into them",
    )
    _add_options(command)


def _add_sensitivity(command: Any) -> None:
    command.add_argument(
        "--sensitivity",
        type=int,
        default=2,
        choices=(1, 2, 3, 4),
        help="size of the cells (%(default)s): 1 is a degree, 2 a tenth, 3 a hundredth, "
        "4 a thousandth",
    )


def _add_answer(commands: Any) -> None:
    about = "Answer a landowner: what was near, when, who looked, and how sure anyone can be."
    example = "carnivore-sign answer season.gpkg I1 --out answer"
    command = _add(commands, "answer", run_answer, about, example)
    command.add_argument("season", metavar="SEASON", help="the season file (.gpkg)")
    command.add_argument("incident", metavar="INCIDENT", help="name of the incident in the season")
    command.add_argument("--agency", help="whom to call, as it shall stand on the page")
    command.add_argument(
        "--contacts",
        metavar="FILE",
        help="CSV with region, agency and telephone, from which whom to call is taken",
    )
    command.add_argument("--by", metavar="NAME", help="who makes the answer")
    command.add_argument(
        "--for",
        default="landowner",
        choices=("landowner", "managers", "public"),
        help="who will read it (%(default)s): the landowner's copy shows no other holding and "
        "names nobody, the public's tells the month and the cell of the loss and sums alone",
    )
    _add_sensitivity(command)
    command.add_argument(
        "--within-km", type=float, default=5.0, help="how near is near (%(default)s)"
    )
    _add_options(command)


def _add_export(commands: Any) -> None:
    about = (
        "Write the season in open standards: a Darwin Core Archive, GeoPackage, GeoParquet, "
        "GeoJSON, KML, GPX, or CSV with a dictionary of its columns. An archive for managers holds "
        "the whole record, and intake reads it back."
    )
    example = "carnivore-sign export season.gpkg --as darwin-core,geojson --out exported"
    command = _add(commands, "export", run_export, about, example)
    command.add_argument("season", metavar="SEASON", help="the season file (.gpkg)")
    command.add_argument(
        "--as",
        default="darwin-core",
        metavar="FORM,...",
        help="darwin-core, geopackage, geoparquet, geojson, kml, gpx, csv (%(default)s)",
    )
    command.add_argument(
        "--for",
        default="managers",
        choices=("managers", "landowner", "public"),
        help="who will have it (%(default)s): a landowner sees the own holding (--parcel) and "
        "cells elsewhere, the public sees cells",
    )
    command.add_argument("--parcel", metavar="NAME", help="the holding of the landowner")
    _add_sensitivity(command)
    command.add_argument("--by", metavar="NAME", help="who publishes it")
    command.add_argument("--licence", help="what others may do with it, best its address")
    _add_options(command)


def _add_check(commands: Any) -> None:
    about = (
        "Check a season file: whether every receipt agrees with its rows, every value, name and "
        "shape is as it must be, and every row names what is there. Nothing is changed. Exit "
        "status 2 if it is damaged."
    )
    example = "carnivore-sign check season.gpkg --inputs logs notebook"
    command = _add(commands, "check", run_check, about, example)
    command.add_argument("season", metavar="SEASON", help="the season file (.gpkg)")
    command.add_argument(
        "--inputs",
        nargs="+",
        default=[],
        metavar="FOLDER",
        help="folders or files it was made from, to be held against their hashes",
    )


def _add_programme(commands: Any) -> None:
    command = commands.add_parser(
        "programme", help=programme.ABOUT, description=programme.ABOUT, epilog=programme.EXAMPLE
    )
    programme.describe(command.add_subparsers(required=True, metavar="ACTION"))


def _add_options(command: Any) -> None:
    _add_flag_options(command)
    command.add_argument("--out", metavar="DIR", required=True, help="folder to write to")
    command.add_argument(
        "--taxon",
        default="puma",
        help=f"the animal asked about (%(default)s); one of {', '.join(TAXA)}",
    )
    command.add_argument(
        "--region",
        default="general",
        help="which taxa and priors to weigh with (%(default)s): general holds every taxon "
        "possible, dry_range is puma, bobcat, coyote and dog country",
    )
    command.add_argument(
        "--absent", default="", metavar="TAXON,...", help="taxa known not to live there"
    )
    command.add_argument(
        "--observer-test",
        metavar="FILE",
        help="CSV of answers to a test of known prints; it weighs the word of each observer",
    )
    command.add_argument(
        "--collection", metavar="FILE", help="CSV of known prints of your own, to weigh with"
    )
    command.add_argument(
        "--segment-length-m", type=float, default=1000.0, help="length of a segment (%(default)s)"
    )
    command.add_argument(
        "--tolerance-m", type=float, default=30.0, help="a fix this near is on it (%(default)s)"
    )
