"""Run the command line as ``python -m carnivore_sign``."""

from __future__ import annotations

import sys

from carnivore_sign.cli import main

if __name__ == "__main__":
    sys.exit(main())
