"""Command line: ``field-kit``, which writes what is taken along on a walk."""

from __future__ import annotations

import argparse

import carnivore_sign
from carnivore_sign.cli.telling import print_result

ABOUT = (
    "Write what is taken along on a walk to a folder: the form for the phone (an XLSForm), and as "
    "PDF the field sheet, the scale card and the key of puma or dog."
)
EXAMPLE = "carnivore-sign field-kit field --season season.gpkg --paper a4"


def add_words(command: argparse.ArgumentParser) -> None:
    """Add the words of the command."""
    command.add_argument("out", metavar="OUT", help="folder to write to")
    command.add_argument(
        "--season", metavar="FILE", help="the season (.gpkg) whose transects the form offers"
    )
    command.add_argument(
        "--paper", default="both", choices=("a4", "letter", "both"), help="paper (%(default)s)"
    )


def run_field_kit(arguments: argparse.Namespace) -> int:
    """Write the field kit."""
    season = carnivore_sign.open_season(arguments.season) if arguments.season else None
    kit = carnivore_sign.write_field_kit(arguments.out, season=season, paper=arguments.paper)
    print_result(kit.as_dict(), as_json=arguments.json, lines=kit.lines())
    return 0
