"""Write the demo (simulate): ``python -m carnivore_sign.simulate OUTDIR``."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence

import numpy as np

from carnivore_sign.simulate.demo import DEMO_SEED, demo_settings
from carnivore_sign.simulate.season import simulate_season
from carnivore_sign.simulate.writing import write_season


def main(arguments: Sequence[str] | None = None) -> int:
    """Write the demo into the folder that is named; return 0, or 2 where it cannot be written."""
    parser = argparse.ArgumentParser(
        prog="python -m carnivore_sign.simulate",
        description="Write a simulated season of Tolvane Range, an invented place.",
        epilog="Example: python -m carnivore_sign.simulate data/demo",
    )
    parser.add_argument("folder", help="folder to write into; files of the same names are replaced")
    parser.add_argument("--seed", type=int, default=DEMO_SEED, help="seed (default: %(default)s)")
    chosen = parser.parse_args(arguments)
    simulated = simulate_season(demo_settings(), np.random.default_rng(chosen.seed))
    try:
        files = write_season(simulated, chosen.folder)
    except OSError as error:
        print(f"{chosen.folder}: cannot be written ({error.strerror}).", file=sys.stderr)
        return 2
    print(f"{len(files)} files in {chosen.folder}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
