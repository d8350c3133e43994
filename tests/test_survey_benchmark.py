"""The benchmark of matching runs, and what it compares agrees. No time is tested."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


@pytest.mark.parametrize("how", [["-m", "tests.benchmarks"], ["tests/benchmarks"]])
def test_the_benchmark_runs_and_its_answers_agree(how) -> None:
    run = subprocess.run(
        [sys.executable, *how, "matching", "--scale", "0.01"],
        capture_output=True, text=True, check=False, cwd=ROOT,
    )  # fmt: skip
    assert run.returncode == 0, run.stderr
    assert "sjoin_nearest" in run.stdout
    assert "1.0 x" in run.stdout


def test_an_unknown_benchmark_is_told() -> None:
    run = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks", "knitting"],
        capture_output=True, text=True, check=False, cwd=ROOT,
    )  # fmt: skip
    assert run.returncode == 2
    assert "no benchmark knitting; there are" in run.stderr
