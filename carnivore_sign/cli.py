"""Command line: thin; reads the words, calls the public face, prints.

Commands: ``demo``, ``intake``, ``set-aside``, ``columns``, ``flags``, ``trace``, ``practice``,
``month``, ``answer``. What a machine would read comes with ``--json`` on standard output; bars and
messages go to standard error. Bad input ends with one plain message and exit status 2, an
interruption with 130.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import warnings
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import carnivore_sign
from carnivore_sign.errors import CarnivoreSignError, CarnivoreSignWarning, InputError
from carnivore_sign.records.vocabularies import TAXA

DONE = 0
BAD_INPUT = 2
INTERRUPTED = 130

Command = Callable[[argparse.Namespace], int]


def main(words: Sequence[str] | None = None) -> int:
    """Run the command that `words` (by default those of the shell) name.

    Returns
    -------
    int
        Exit status: 0 done, 2 bad input, 130 interrupted.
    """
    arguments = _parser().parse_args(words)
    command: Command = arguments.command
    with warnings.catch_warnings():
        warnings.simplefilter("always", CarnivoreSignWarning)
        warnings.showwarning = _tell_warning
        try:
            return command(arguments)
        except CarnivoreSignError as error:
            _refuse(str(error), as_json=arguments.json)
        except BrokenPipeError:
            # Whoever read the output has gone (| head); nobody is left to tell.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            return DONE
        except OSError as error:
            where = f"{error.filename}: " if error.filename else ""
            told = f"{where}{error.strerror}. Check path, rights and room on the disk."
            _refuse(told, as_json=arguments.json)
        except KeyboardInterrupt:
            _tell("carnivore-sign: interrupted. What was finished is kept; run it again.")
            return INTERRUPTED
    return BAD_INPUT


def _refuse(message: str, *, as_json: bool) -> None:
    """Say on standard error why nothing more is done, and to a machine on standard output."""
    _tell(f"carnivore-sign: {message}")
    if as_json:
        print(json.dumps({"error": message}, indent=2, ensure_ascii=False))


def _tell(message: str) -> None:
    print(message, file=sys.stderr)


def _tell_warning(
    message: Warning | str, category: type[Warning], *_: object, **__: object
) -> None:
    if issubclass(category, CarnivoreSignWarning):
        _tell(f"note: {message}")


def _print(result: dict[str, Any], *, as_json: bool, lines: Sequence[str]) -> None:
    if as_json:
        print(json.dumps(result, indent=2, ensure_ascii=False, allow_nan=False))
    else:
        print("\n".join(lines))
    sys.stdout.flush()


def _demo(arguments: argparse.Namespace) -> int:
    result = carnivore_sign.run_demo(arguments.out, show_progress=True)
    _print(result.as_dict(), as_json=arguments.json, lines=result.lines())
    return 0


def _intake(arguments: argparse.Namespace) -> int:
    fresh = not Path(arguments.season).exists()
    offsets = _camera_offsets(arguments.camera_offset)
    columns = _columns_said(arguments)
    season = _open_or_create(arguments)
    receipts = carnivore_sign.import_files(
        season,
        arguments.files,
        crs=arguments.crs,
        observer=arguments.observer,
        columns=columns,
        rollover_repaired=arguments.repair_rollover,
        workers=arguments.workers,
        show_progress=True,
    )
    places = None
    if offsets is not None or receipts["outcome"].eq("imported").any():
        places = carnivore_sign.place_season_photos(season, clock_offset_s=offsets)
    summary = carnivore_sign.summarise_import(season, receipts, places=places)
    _print(summary.as_dict(), as_json=arguments.json, lines=summary.lines())
    if fresh and summary.all_refused:
        season.path.unlink()
        _tell("carnivore-sign: no file could be read, so that no season was made.")
    return BAD_INPUT if summary.problems else DONE


def _camera_offsets(words: Sequence[str]) -> float | dict[str, float] | None:
    """Read ``90`` (all cameras) or ``CAMERA=90`` (one of them), in seconds."""
    by_camera: dict[str, float] = {}
    for word in words:
        camera, _, seconds = word.rpartition("=")
        try:
            by_camera[camera] = float(seconds)
        except ValueError as error:
            raise InputError(
                f"--camera-offset {word}: '{seconds}' is no number of seconds",
                remedy="Write --camera-offset 90, or --camera-offset 'Maker Model=90'.",
            ) from error
    if "" not in by_camera:
        return by_camera or None
    if len(by_camera) > 1:
        raise InputError(
            "--camera-offset is given for all cameras and for one of them",
            remedy="Name the camera in each.",
        )
    return by_camera[""]


def _columns_said(arguments: argparse.Namespace) -> dict[str, str]:
    """Return which columns of tables are which, as given, and as asked of who sits there."""
    said = {}
    for word in arguments.column:
        written, _, column = word.rpartition("=")
        if not written:
            raise InputError(f"--column {word}", remedy="Write --column 'Track no.=sign'.")
        said[written] = column
    if arguments.ask:
        for path in arguments.files:
            if Path(path).is_file():
                said |= carnivore_sign.ask_columns(path, columns=said, ask=_ask)
    return said


def _ask(question: str) -> str:
    """Put a question on standard error, and read the answer; blank at the end of the input."""
    print(question, end="", file=sys.stderr, flush=True)
    return sys.stdin.readline().strip()


def _set_aside(arguments: argparse.Namespace) -> int:
    season = carnivore_sign.open_season(arguments.season)
    if arguments.write:
        path = carnivore_sign.write_set_aside(season, arguments.write)
        count = len(carnivore_sign.list_set_aside(season))
        told = {"written": str(path), "rows": count}
        lines = [f"{path}: {count} rows set aside. Mend them in column 'corrected', then: "
                 f"carnivore-sign set-aside {season.path} --corrected {path}"]  # fmt: skip
        _print(told, as_json=arguments.json, lines=lines)
        return DONE
    if arguments.corrected:
        receipts = carnivore_sign.reimport_set_aside(season, arguments.corrected)
        summary = carnivore_sign.summarise_import(season, receipts)
        _print(summary.as_dict(), as_json=arguments.json, lines=summary.lines())
        return DONE
    rows = json.loads(carnivore_sign.list_set_aside(season).to_json(orient="records"))
    lines = [f"{len(rows)} rows set aside, and not settled"]
    lines += [f"  {row['file']}, row {row['source_row']}: {row['reason']}" for row in rows]
    _print({"set_aside": rows}, as_json=arguments.json, lines=lines)
    return DONE


def _open_or_create(arguments: argparse.Namespace) -> Any:  # a Season, loaded on first use
    path = Path(arguments.season)
    if path.exists() or not arguments.zone:
        season = carnivore_sign.open_season(path)
        for option, asked, there in (
            ("zone", arguments.zone, season.time_zone),
            ("name", arguments.name, season.name),
        ):
            if asked and asked != there:
                raise InputError(
                    f"the season has the {option} '{there}', and --{option} says '{asked}'",
                    file=path,
                    remedy=f"Leave --{option} out, or make another season.",
                )
        return season
    return carnivore_sign.create_season(
        path, name=arguments.name or path.stem, time_zone=arguments.zone
    )


def _columns(arguments: argparse.Namespace) -> int:
    guide = carnivore_sign.column_guide(arguments.table)
    rows = guide.to_dict("records")
    lines = []
    for row in rows:
        lines.append(f"{row['column']}{' (needed)' if row['needed'] else ''}")
        told = (row["what"], row["written"], row["words"] and f"one of: {row['words']}")
        lines += [f"    {part}" for part in told if part]
        lines += [f"    also called {row['also']}"] if row["also"] else []
    _print({"table": arguments.table, "columns": rows}, as_json=arguments.json, lines=lines)
    return DONE


def _trace(arguments: argparse.Namespace) -> int:
    page = carnivore_sign.write_tracing_page(
        arguments.photo, arguments.out, sign=arguments.sign, max_side_px=arguments.max_side_px
    )
    lines = [f"{page}: open it in a browser, set the scale, trace the marks and save them; then: "
             "carnivore-sign intake SEASON SAVED.geojson"]  # fmt: skip
    _print({"written": str(page)}, as_json=arguments.json, lines=lines)
    return DONE


def _practice(arguments: argparse.Namespace) -> int:
    page = carnivore_sign.write_practice_page(
        arguments.out, prints=arguments.prints, seed=arguments.seed
    )
    lines = [f"{page}: open it in a browser; it needs no network and can save your answers"]
    _print({"written": str(page)}, as_json=arguments.json, lines=lines)
    return DONE


def _flags(arguments: argparse.Namespace) -> int:
    options = carnivore_sign.AnalysisOptions(
        leave_out=_listed(arguments.leave_out), keep_in=_listed(arguments.keep_in)
    )
    rows = carnivore_sign.flag_table(options).to_dict("records")
    lines = [
        line
        for row in rows
        for line in (
            f"{row['flag']}: {row['effort']}",
            f"    {row['meaning']}",
            f"    {row['why']}",
        )
    ]
    _print({"flags": rows}, as_json=arguments.json, lines=lines)
    return DONE


def _listed(words: str) -> tuple[str, ...]:
    """Part words that commas join."""
    return tuple(filter(None, (word.strip() for word in words.split(","))))


def _month(arguments: argparse.Namespace) -> int:
    result = carnivore_sign.month(
        carnivore_sign.open_season(arguments.season),
        arguments.period,
        arguments.out,
        options=_options(arguments),
        page=carnivore_sign.PageOptions(
            made_for=getattr(arguments, "for"),
            parcel=arguments.parcel,
            sensitivity=arguments.sensitivity,
            units=arguments.units,
            elevation=arguments.elevation,
        ),
        show_progress=True,
    )
    _print(result.as_dict(), as_json=arguments.json, lines=result.lines())
    return 0


def _answer(arguments: argparse.Namespace) -> int:
    result = carnivore_sign.answer(
        carnivore_sign.open_season(arguments.season),
        arguments.incident,
        arguments.out,
        options=_options(arguments),
        within_m=arguments.within_km * 1000,
        page=carnivore_sign.AnswerPage(agency=_agency(arguments), made_by=arguments.by),
        show_progress=True,
    )
    _print(result.as_dict(), as_json=arguments.json, lines=result.lines())
    return 0


def _agency(arguments: argparse.Namespace) -> str | None:
    if arguments.agency or not arguments.contacts:
        return str(arguments.agency) if arguments.agency else None
    return str(carnivore_sign.agency_from_file(arguments.contacts, arguments.region))


def _options(arguments: argparse.Namespace) -> Any:  # AnalysisOptions, loaded on first use
    return carnivore_sign.AnalysisOptions(
        taxon=arguments.taxon,
        region=arguments.region,
        absent=_listed(arguments.absent),
        segment_length_m=arguments.segment_length_m,
        tolerance_m=arguments.tolerance_m,
        leave_out=_listed(arguments.leave_out),
        keep_in=_listed(arguments.keep_in),
        observer_test=arguments.observer_test,
        collection=arguments.collection,
    )


def _parser() -> argparse.ArgumentParser:
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
        _add_flags,
        _add_trace,
        _add_practice,
        _add_month,
        _add_answer,
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
    command = _add(commands, "demo", _demo, about, "carnivore-sign demo carnivore-demo")
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
    command = _add(commands, "intake", _intake, about, example)
    command.add_argument("season", metavar="SEASON", help="the season file (.gpkg)")
    command.add_argument("files", metavar="FILE", nargs="+", help="files to read")
    command.add_argument("--zone", help="local time zone (IANA name) of a season to be created")
    command.add_argument("--name", help="title of a season to be created")
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
    command = _add(commands, "set-aside", _set_aside, about, example)
    command.add_argument("season", metavar="SEASON", help="the season file (.gpkg)")
    which = command.add_mutually_exclusive_group()
    which.add_argument("--write", metavar="OUT.csv", help="write them, to be corrected there")
    which.add_argument("--corrected", metavar="IN.csv", help="read what was corrected there")


def _add_columns(commands: Any) -> None:
    about = (
        "Say which columns a notebook table has, how they are written and which words they hold."
    )
    command = _add(commands, "columns", _columns, about, "carnivore-sign columns sign")
    command.add_argument("table", metavar="TABLE", help="sign, prints, clearings or incidents")


def _add_trace(commands: Any) -> None:
    about = (
        "Write a page on which the toes, pad and claws of a print are traced over its photo. It "
        "is one file, asks no network for anything, and saves outlines that intake reads."
    )
    command = _add(
        commands, "trace", _trace, about, "carnivore-sign trace IMG_0412.jpg --sign S014"
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
        commands, "practice", _practice, about, "carnivore-sign practice --prints 20 --seed 3"
    )
    command.add_argument(
        "--out", metavar="FILE.html", default="practice.html", help="the page (%(default)s)"
    )
    command.add_argument("--prints", type=int, default=12, help="how many prints (%(default)s)")
    command.add_argument(
        "--seed", type=int, default=1, help="the same seed draws the same prints (%(default)s)"
    )


def _add_flags(commands: Any) -> None:
    about = "Say which quality flags a position may carry, and which of them keep it out of effort."
    command = _add(commands, "flags", _flags, about, "carnivore-sign flags --leave-out gap")
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
    command = _add(commands, "month", _month, about, example)
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
    command.add_argument(
        "--sensitivity",
        type=int,
        default=2,
        choices=(1, 2, 3, 4),
        help="size of the cells (%(default)s): 1 is a degree, 2 a tenth, 3 a hundredth, "
        "4 a thousandth",
    )
    command.add_argument(
        "--units", default="metric", choices=("metric", "us"), help="units of length (%(default)s)"
    )
    command.add_argument(
        "--elevation", metavar="FILE", help="your own elevation raster, drawn under the map"
    )
    _add_options(command)


def _add_answer(commands: Any) -> None:
    about = "Answer a landowner: what was near, when, who looked, and how sure anyone can be."
    example = "carnivore-sign answer season.gpkg I1 --out answer"
    command = _add(commands, "answer", _answer, about, example)
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
        "--within-km", type=float, default=5.0, help="how near is near (%(default)s)"
    )
    _add_options(command)


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
