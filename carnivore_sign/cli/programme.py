"""Command line: programmes - many seasons in a folder of Parquet, or in a PostGIS database."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib import import_module
from typing import Any

import carnivore_sign
from carnivore_sign.cli.telling import print_result
from carnivore_sign.errors import InputError, LibraryMissing, SeasonMissing

ABOUT = (
    "Keep many seasons in one folder of Parquet, or in a PostGIS database: put them in, list "
    "them, take one out again, check them, or write every month of all of them."
)
EXAMPLE = "example: carnivore-sign programme add state spring.gpkg autumn.gpkg"
DONE, BAD_INPUT = 0, 2
_DATABASE = ("postgresql://", "postgres://")
_WHERE = "folder of the programme, or postgresql://user@host/database"


def describe(actions: Any) -> None:
    """Add what can be done with a programme, each with its words.

    Parameters
    ----------
    actions : argparse subparsers
        Of the command ``programme``.
    """
    add = _action(
        actions, "add", run_add, "Put seasons into a programme, which is made if need be."
    )
    add.add_argument("seasons", metavar="SEASON", nargs="+", help="season files (.gpkg)")
    add.add_argument("--replace", action="store_true", help="in the place of those of that name")
    add.add_argument("--name", help="title of a programme to be made")
    _action(actions, "list", run_list, "List the seasons of a programme.")
    extract = _action(actions, "extract", run_extract, "Write a season of it as a file of its own.")
    extract.add_argument("season", metavar="ID", help="the season's name in the programme")
    extract.add_argument("out", metavar="OUT.gpkg", help="the season file, which must be new")
    _action(actions, "check", run_check, "Hold a folder's files against their hashes and counts.")
    months = _action(actions, "months", run_months, "Write every month of every season of it.")
    months.add_argument("--out", metavar="DIR", required=True, help="folder to write to")
    months.add_argument("--region", default="general", help="as for 'month' (%(default)s)")
    months.add_argument("--taxon", default="puma", help="the animal asked about (%(default)s)")
    months.add_argument(
        "--on",
        metavar="WHERE",
        help="'threads', 'processes', or the address of a Dask scheduler (tcp://host:8786)",
    )


def _action(
    actions: Any, name: str, run: Callable[[argparse.Namespace], int], about: str
) -> argparse.ArgumentParser:
    action: argparse.ArgumentParser = actions.add_parser(name, help=about, description=about)
    action.set_defaults(command=run)
    action.add_argument("--json", action="store_true", help="print the result as JSON")
    action.add_argument("programme", metavar="PROGRAMME", help=_WHERE)
    return action


def _is_database(arguments: argparse.Namespace) -> bool:
    return str(arguments.programme).startswith(_DATABASE)


def _listed(arguments: argparse.Namespace) -> list[dict[str, str]]:
    if _is_database(arguments):
        rows = carnivore_sign.list_database(arguments.programme)
        return [dict(row) for row in rows.astype(str).to_dict("records")]
    programme = carnivore_sign.open_programme(arguments.programme)
    return [
        {"season": season, "name": about["name"], "time_zone": about["time_zone"]}
        for season in programme.seasons
        for about in [programme.about(season)]
    ]


def run_add(arguments: argparse.Namespace) -> int:
    """Put seasons in."""
    seasons = [carnivore_sign.open_season(path) for path in arguments.seasons]
    if _is_database(arguments):
        names = [
            carnivore_sign.write_database(
                arguments.programme, season, replace=arguments.replace, show_progress=True
            )
            for season in seasons
        ]
    else:
        programme = _open_or_create(arguments)
        names = [
            carnivore_sign.add_season(
                programme, season, replace=arguments.replace, show_progress=True
            )
            for season in seasons
        ]
    print_result({"added": names}, as_json=arguments.json, lines=[f"added: {', '.join(names)}"])
    return DONE


def _open_or_create(arguments: argparse.Namespace) -> Any:  # a Programme, loaded on first use
    try:
        return carnivore_sign.open_programme(arguments.programme)
    except SeasonMissing:
        title = arguments.name or str(arguments.programme).rstrip("/\\").rpartition("/")[2]
        return carnivore_sign.create_programme(arguments.programme, name=title)


def run_list(arguments: argparse.Namespace) -> int:
    """List seasons."""
    rows = _listed(arguments)
    lines = [f"{len(rows)} seasons"]
    lines += [f"  {row['season']}: {row['name']} ({row['time_zone']})" for row in rows]
    print_result({"seasons": rows}, as_json=arguments.json, lines=lines)
    return DONE


def run_extract(arguments: argparse.Namespace) -> int:
    """Take a season out."""
    if _is_database(arguments):
        made = carnivore_sign.extract_database(
            arguments.programme, arguments.season, arguments.out, show_progress=True
        )
    else:
        programme = carnivore_sign.open_programme(arguments.programme)
        made = carnivore_sign.extract_season(
            programme, arguments.season, arguments.out, show_progress=True
        )
    lines = [f"{made.path}: the season as it was put in, by counts and fingerprints"]
    print_result({"written": str(made.path)}, as_json=arguments.json, lines=lines)
    return DONE


def run_check(arguments: argparse.Namespace) -> int:
    """Check a folder; the status says whether all is well."""
    if _is_database(arguments):
        raise InputError(
            "a database is checked as its seasons are taken out",
            remedy="carnivore-sign programme extract PROGRAMME ID OUT.gpkg",
        )
    programme = carnivore_sign.open_programme(arguments.programme)
    faults = carnivore_sign.check_programme(programme, show_progress=True)
    rows = faults.to_dict("records")
    lines = [f"{len(programme.seasons)} seasons: {'DAMAGED' if rows else 'sound'}"]
    lines += [
        f"  {row['season']} {row['path'] or row['table_name']}: {row['told']}" for row in rows
    ]
    print_result({"sound": not rows, "faults": rows}, as_json=arguments.json, lines=lines)
    return BAD_INPUT if rows else DONE


def run_months(arguments: argparse.Namespace) -> int:
    """Write every month of every season."""
    kept_in = arguments.programme
    if not _is_database(arguments):
        kept_in = carnivore_sign.open_programme(kept_in)
    seasons = [carnivore_sign.season_of(kept_in, row["season"]) for row in _listed(arguments)]
    options = carnivore_sign.AnalysisOptions(region=arguments.region, taxon=arguments.taxon)
    with _place(arguments.on) as on:
        written = carnivore_sign.write_months(
            seasons, arguments.out, options=options, on=on, show_progress=True
        )
    rows = written.astype("object").where(written.notna(), None).to_dict("records")
    lines = [
        f"{row['season']} {row['period'] or ''}: {row['problem'] or row['folder']}" for row in rows
    ]
    print_result({"months": rows}, as_json=arguments.json, lines=lines)
    return BAD_INPUT if written["problem"].notna().any() else DONE


@contextmanager
def _place(on: str | None) -> Iterator[Any]:
    """Return where to work; a cluster is connected to, and let go of at the end."""
    if on is None or "://" not in on:
        yield on
        return
    try:
        distributed = import_module("distributed")
    except ImportError as error:
        raise LibraryMissing(
            "a cluster is reached through distributed. Install it: pip install distributed"
        ) from error
    try:
        client = distributed.Client(on, timeout=10)
    except OSError as error:
        raise InputError(
            f"no Dask scheduler answers at {on}", remedy="Look at its address."
        ) from error
    with client:
        yield client
