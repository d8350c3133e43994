"""Fuzz a reader led by the code that it reaches, with atheris (optional extra ``fuzz``).

    pip install "carnivore-sign[fuzz]"
    python tests/fuzz_atheris.py gpx FOLDER -max_total_time=600

Starts from the files of ``tests/data/corpus``; what reaches new code is kept in FOLDER, and a file
that fails is written to the folder from which the command was run. Options behind the folder are
those of libFuzzer.
"""

from __future__ import annotations

import resource
import sys
from pathlib import Path

try:
    import atheris
except ImportError as missing:
    raise SystemExit('atheris is missing: pip install "carnivore-sign[fuzz]"') from missing

sys.path.insert(0, str(Path(__file__).parent))

# What is behind the readers is imported first, and so left as it is: atheris 2.3 breaks a chain of
# comparisons in it.
import carnivore_sign.records.season  # noqa: F401

with atheris.instrument_imports(include=["carnivore_sign.intake"]):
    import fuzz_seeds
    import fuzzing

CORPUS = Path(__file__).parent / "data" / "corpus"


def main() -> None:
    """Read what atheris makes of the corpus of a kind, until it is stopped."""
    kind, folder, *options = sys.argv[1:]
    if kind not in fuzz_seeds.KINDS:
        raise SystemExit(f"no kind {kind}; there are {', '.join(fuzz_seeds.KINDS)}")
    Path(folder).mkdir(parents=True, exist_ok=True)
    told = fuzzing.Told()

    def read(data: bytes) -> None:
        fuzzing.read_all(kind, [data], told=told)
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
        assert peak < fuzzing.MAX_BYTES, f"{peak / 2**20:.0f} MiB"

    seeds = str(CORPUS / kind.replace(" ", "-"))
    atheris.Setup([sys.argv[0], folder, seeds, "-timeout=5", "-rss_limit_mb=0", *options], read)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
