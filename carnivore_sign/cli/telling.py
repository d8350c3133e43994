"""Command line: what it tells - results to standard output, messages to standard error."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from typing import Any

from carnivore_sign.errors import CarnivoreSignWarning


def refuse(message: str, *, as_json: bool) -> None:
    """Say on standard error why nothing more is done, and to a machine on standard output."""
    tell(f"carnivore-sign: {message}")
    if as_json:
        print(json.dumps({"error": message}, indent=2, ensure_ascii=False))


def tell(message: str) -> None:
    """Tell a message on standard error."""
    print(message, file=sys.stderr)


def tell_warning(message: Warning | str, category: type[Warning], *_: object, **__: object) -> None:
    """Tell a warning of the library as a note; others are for its developers."""
    if issubclass(category, CarnivoreSignWarning):
        tell(f"note: {message}")


def print_result(result: dict[str, Any], *, as_json: bool, lines: Sequence[str]) -> None:
    """Print a result: as lines for a person, or as JSON for a machine."""
    if as_json:
        print(json.dumps(result, indent=2, ensure_ascii=False, allow_nan=False))
    else:
        print("\n".join(lines))
    sys.stdout.flush()
