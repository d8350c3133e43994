"""Chain: what is otherwise than in an earlier answer about the same incident.

An answer leaves its numbers and the hashes of its inputs beside the page. A later one into the
same folder reads them, says what came since, and replaces them. Answered again from the same
inputs, the page is the same, what was new included.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from carnivore_sign.chain.outputs import plain
from carnivore_sign.incidents.words import percent
from carnivore_sign.records.vocabularies import CAUSE_OF_TAXON, CAUSES, TAXA
from carnivore_sign.reports import PageRecord
from carnivore_sign.reports.wording import count, listed, taxon_words
from carnivore_sign.writing import write_whole

#: Name of the file that an answer leaves for the next.
EARLIER: Final = "answer.json"
#: The most files that are named one by one.
_MOST_NAMED: Final = 5


def changes_since(path: Path, numbers: Mapping[str, Any], record: PageRecord) -> tuple[str, ...]:
    """Say what is otherwise than in the answer that `path` holds; nothing if there is none.

    Parameters
    ----------
    path : Path
        The numbers of an earlier answer.
    numbers : mapping
        Those of this one.
    record : PageRecord
        What this one was made from.
    """
    earlier = _read(path)
    if earlier is None or earlier["numbers"].get("incident") != numbers["incident"]:
        return ()
    if _stamp(earlier) == _stamp(_told(numbers, record, ())):
        return tuple(earlier["changes"])
    return tuple(_sentences(earlier, numbers, record))


def write_numbers(
    path: Path, numbers: Mapping[str, Any], record: PageRecord, changes: tuple[str, ...]
) -> Path:
    """Leave the numbers of an answer for the next; whole, or not at all."""
    text = json.dumps(
        _told(numbers, record, changes), indent=1, ensure_ascii=False, allow_nan=False
    )
    write_whole(path, f"{text}\n".encode())
    return path


def _told(
    numbers: Mapping[str, Any], record: PageRecord, changes: tuple[str, ...]
) -> dict[str, Any]:
    return {
        "made_on": record.made_on.isoformat(),
        "version": record.version,
        "inputs": _inputs(record),
        "choices": _choices(record),
        "numbers": plain(dict(numbers)),
        "changes": list(changes),
    }


def _inputs(record: PageRecord) -> dict[str, str]:
    """Name the inputs by their hashes; for the public without the names of files."""
    named = record.inputs["file"] if record.edition.reader != "public" else ""
    return dict(record.inputs.assign(file=named).set_index("sha256")["file"])


def _choices(record: PageRecord) -> dict[str, str]:
    return {**record.choices.settings, "region": str(record.choices.region)}


def _stamp(told: Mapping[str, Any]) -> tuple[Any, ...]:
    """What two answers from the same inputs have in common."""
    return told["version"], sorted(told["inputs"]), told["choices"], told["numbers"]


def _read(path: Path) -> dict[str, Any] | None:
    """Read an earlier answer; None if there is none, or it is not one."""
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
        told["numbers"]["passing"], told["inputs"], told["version"], told["choices"]
        told["changes"], told["made_on"]
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return dict(told)


def _sentences(
    earlier: Mapping[str, Any], numbers: Mapping[str, Any], record: PageRecord
) -> list[str]:
    said = [f"The last answer bears the date {earlier['made_on']}."]
    now = _inputs(record)
    came = [name for digest, name in now.items() if digest not in earlier["inputs"]]
    if came:
        more = f" and {len(came) - _MOST_NAMED} more" if len(came) > _MOST_NAMED else ""
        named = listed(came[:_MOST_NAMED]) if not more else ", ".join(came[:_MOST_NAMED])
        said.append(f"{count(len(came), 'file')} came since: {named}{more}.")
    if earlier["version"] != record.version:
        said.append(
            f"Version {earlier['version']} of the library made it, and now {record.version}."
        )
    if earlier["choices"] != _choices(record):
        said.append("It rested on other choices; those of now stand at the end.")
    before, after = earlier["numbers"], plain(dict(numbers))
    for what, old, new in _compared(before, after):
        if old != new:
            said.append(f"{what}: {old} before, {new} now.")
    return said


def _compared(before: Mapping[str, Any], after: Mapping[str, Any]) -> list[tuple[str, str, str]]:
    """Pair the numbers that a reader would ask for: what, then, now."""
    then, now = _chief(before, str(after["taxon"])), _chief(after, str(after["taxon"]))
    return [(what, then[what], now[what]) for what in now]


def _chief(numbers: Mapping[str, Any], taxon: str) -> dict[str, str]:
    """Print the numbers of an answer that a reader would ask for, by what each is."""
    cause = CAUSE_OF_TAXON[taxon]
    rows = numbers.get("explanations") or []
    caused = next((row["probability"] for row in rows if row["cause"] == cause), None)
    return {
        "Animal asked about": TAXA.get(str(numbers["taxon"]), str(numbers["taxon"])),
        "Trails near": str(numbers["passing"]["trails"]),
        "Visits near": str(numbers["walks_near"]),
        f"Probability that {taxon_words(taxon).one} passed then": _percent(
            numbers["passing"]["probability"]
        ),
        f"Probability of the explanation \u201c{CAUSES[cause]}\u201d": _percent(caused),
    }


def _percent(probability: float | None) -> str:
    return "no number" if probability is None else percent(probability)
