"""Command line: what each command does - it calls the public face, and prints."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import carnivore_sign
from carnivore_sign.cli.telling import print_result, tell
from carnivore_sign.errors import InputError

DONE = 0
BAD_INPUT = 2


def run_demo(arguments: argparse.Namespace) -> int:
    """Run the demo."""
    result = carnivore_sign.run_demo(arguments.out, show_progress=True)
    print_result(result.as_dict(), as_json=arguments.json, lines=result.lines())
    return 0


def run_intake(arguments: argparse.Namespace) -> int:
    """Import files, place photos, and tell what became of each."""
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
    print_result(summary.as_dict(), as_json=arguments.json, lines=summary.lines())
    if fresh and summary.all_refused:
        season.path.unlink()
        tell("carnivore-sign: no file could be read, so that no season was made.")
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


def run_set_aside(arguments: argparse.Namespace) -> int:
    """List rows set aside, write them to a file, or read their corrections."""
    season = carnivore_sign.open_season(arguments.season)
    if arguments.write:
        path = carnivore_sign.write_set_aside(season, arguments.write)
        count = len(carnivore_sign.list_set_aside(season))
        told = {"written": str(path), "rows": count}
        lines = [f"{path}: {count} rows set aside. Mend them in column 'corrected', then: "
                 f"carnivore-sign set-aside {season.path} --corrected {path}"]  # fmt: skip
        print_result(told, as_json=arguments.json, lines=lines)
        return DONE
    if arguments.corrected:
        receipts = carnivore_sign.reimport_set_aside(season, arguments.corrected)
        summary = carnivore_sign.summarise_import(season, receipts)
        print_result(summary.as_dict(), as_json=arguments.json, lines=summary.lines())
        return DONE
    rows = json.loads(carnivore_sign.list_set_aside(season).to_json(orient="records"))
    lines = [f"{len(rows)} rows set aside, and not settled"]
    lines += [f"  {row['file']}, row {row['source_row']}: {row['reason']}" for row in rows]
    print_result({"set_aside": rows}, as_json=arguments.json, lines=lines)
    return DONE


def _open_or_create(arguments: argparse.Namespace) -> Any:  # a Season, loaded on first use
    path = Path(arguments.season)
    said = carnivore_sign.stated_season([] if path.exists() else arguments.files)
    zone = arguments.zone or said.time_zone
    if path.exists() or not zone:
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
        path, name=arguments.name or said.name or path.stem, time_zone=zone
    )


def run_columns(arguments: argparse.Namespace) -> int:
    """Print the columns that a notebook table may have."""
    guide = carnivore_sign.column_guide(arguments.table)
    rows = guide.to_dict("records")
    lines = []
    for row in rows:
        lines.append(f"{row['column']}{' (needed)' if row['needed'] else ''}")
        told = (row["what"], row["written"], row["words"] and f"one of: {row['words']}")
        lines += [f"    {part}" for part in told if part]
        lines += [f"    also called {row['also']}"] if row["also"] else []
    print_result({"table": arguments.table, "columns": rows}, as_json=arguments.json, lines=lines)
    return DONE


def run_guide(arguments: argparse.Namespace) -> int:
    """Print a page of the guide."""
    text = carnivore_sign.read_guide(arguments.page)
    told = {"page": arguments.page, "text": text}
    print_result(told, as_json=arguments.json, lines=text.splitlines())
    return DONE


def run_trace(arguments: argparse.Namespace) -> int:
    """Write the page on which the prints of a photo are outlined."""
    page = carnivore_sign.write_tracing_page(
        arguments.photo, arguments.out, sign=arguments.sign, max_side_px=arguments.max_side_px
    )
    lines = [f"{page}: open it in a browser, set the scale, trace the marks and save them; then: "
             "carnivore-sign intake SEASON SAVED.geojson"]  # fmt: skip
    print_result({"written": str(page)}, as_json=arguments.json, lines=lines)
    return DONE


def run_practice(arguments: argparse.Namespace) -> int:
    """Write the page that asks puma or dog."""
    page = carnivore_sign.write_practice_page(
        arguments.out, prints=arguments.prints, seed=arguments.seed
    )
    lines = [f"{page}: open it in a browser; it needs no network and can save your answers"]
    print_result({"written": str(page)}, as_json=arguments.json, lines=lines)
    return DONE


def run_flags(arguments: argparse.Namespace) -> int:
    """Print the quality flags, and which keep a position out of effort."""
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
    print_result({"flags": rows}, as_json=arguments.json, lines=lines)
    return DONE


def _listed(words: str) -> tuple[str, ...]:
    """Part words that commas join."""
    return tuple(filter(None, (word.strip() for word in words.split(","))))


def run_month(arguments: argparse.Namespace) -> int:
    """Make the map, the report and the tables of a month."""
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
            basemap=_basemap(arguments),
            photos=arguments.photos,
        ),
        show_progress=True,
    )
    print_result(result.as_dict(), as_json=arguments.json, lines=result.lines())
    return 0


def run_answer(arguments: argparse.Namespace) -> int:
    """Answer a landowner about one incident."""
    result = carnivore_sign.answer(
        carnivore_sign.open_season(arguments.season),
        arguments.incident,
        arguments.out,
        options=_options(arguments),
        within_m=arguments.within_km * 1000,
        page=carnivore_sign.AnswerPage(
            agency=_agency(arguments),
            made_by=arguments.by,
            made_for=getattr(arguments, "for"),
            sensitivity=arguments.sensitivity,
        ),
        show_progress=True,
    )
    print_result(result.as_dict(), as_json=arguments.json, lines=result.lines())
    return 0


def run_check(arguments: argparse.Namespace) -> int:
    """Check a season file, and tell what is wrong with it."""
    check = carnivore_sign.check_season(
        arguments.season, inputs=arguments.inputs, show_progress=True
    )
    print_result(check.as_dict(), as_json=arguments.json, lines=check.lines())
    return DONE if check.sound else BAD_INPUT


def run_export(arguments: argparse.Namespace) -> int:
    """Write the season in open standards."""
    result = carnivore_sign.export(
        carnivore_sign.open_season(arguments.season),
        arguments.out,
        forms=_listed(getattr(arguments, "as")),
        options=_options(arguments),
        page=carnivore_sign.PageOptions(
            made_for=getattr(arguments, "for"),
            parcel=arguments.parcel,
            sensitivity=arguments.sensitivity,
        ),
        publisher=carnivore_sign.Publisher(
            **{
                name: word
                for name, word in (("name", arguments.by), ("licence", arguments.licence))
                if word
            }
        ),
        show_progress=True,
    )
    print_result(result.as_dict(), as_json=arguments.json, lines=result.lines())
    return DONE


def _basemap(arguments: argparse.Namespace) -> Any:  # a Basemap, loaded on first use
    if not arguments.basemap:
        return None
    return carnivore_sign.Basemap(arguments.basemap, arguments.basemap_credit)


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
        cells=getattr(arguments, "cells", ""),
        areas=getattr(arguments, "areas", None),
        free_search=getattr(arguments, "free_search", False),
        tolerance_m=arguments.tolerance_m,
        leave_out=_listed(arguments.leave_out),
        keep_in=_listed(arguments.keep_in),
        observer_test=arguments.observer_test,
        collection=arguments.collection,
    )
