"""Prints: outlines measured and characters weighed, beside the same work row by row.

Prints are drawn from a seed: puma and dog in every shade, traced with an error. Row by row
means one call per print, as a loop over a table would have it; it is timed on a part of the
prints, and `prints_per_minute` sets both on one footing. Everything runs on one core.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
import pandas as pd

from carnivore_sign.identify import load_evidence, measure_print, weigh_characters, weigh_sign
from carnivore_sign.records.vocabularies import CHARACTERS, FEET, NOT_VISIBLE, SURFACES
from carnivore_sign.simulate import draw_prints

MEASURED_PRINTS = 4_000
WEIGHED_PRINTS = 1_000_000
MEASURED_ONE_BY_ONE = 60
WEIGHED_ONE_BY_ONE = 300


def run(scale: float = 1.0) -> pd.DataFrame:
    """Time measuring and weighing; `scale` multiplies the number of prints."""
    return pd.DataFrame([*_measuring(scale), *_weighing(scale), *_weighing_sign(scale)])


def _measuring(scale: float) -> list[dict[str, object]]:
    count = max(MEASURED_ONE_BY_ONE, round(MEASURED_PRINTS * scale))
    rng = np.random.default_rng(0)
    drawn = draw_prints(["puma", "dog"] * (count // 2), rng=rng, tracing_mm=0.5, difficulty=0.4)
    few = drawn[drawn["print"] < MEASURED_ONE_BY_ONE]

    def one_by_one(retracings: int) -> pd.DataFrame:
        parts = [measure_print(one, retracings=retracings) for _, one in few.groupby("print")]
        return pd.concat(parts)

    both = one_by_one(0), measure_print(few, retracings=0)
    numbers = both[0].select_dtypes("number").columns
    assert np.allclose(both[0][numbers], both[1][numbers], equal_nan=True)
    rows = []
    for words, retracings in (("with errors", 6), ("without errors", 0)):
        case = f"measure {count} prints of {len(drawn)} outlines, {words}"
        rows += _pair(
            case,
            ("row by row", lambda r=retracings: one_by_one(r), MEASURED_ONE_BY_ONE),
            ("measure_print", lambda r=retracings: measure_print(drawn, retracings=r), count),
        )
    return rows


def noted_prints(count: int) -> pd.DataFrame:
    """Draw a table of noted prints, a third of each character not visible."""
    rng = np.random.default_rng(1)
    columns: dict[str, object] = {}
    for name, states in CHARACTERS.items():
        words = pd.Index([*states, NOT_VISIBLE], dtype="str")
        columns[name] = words[rng.integers(0, len(words), count)]
    for name, usual in (("length_mm", 80.0), ("width_mm", 72.0), ("pad_width_mm", 44.0)):
        columns[name] = np.where(rng.random(count) < 0.5, rng.normal(usual, 9, count), np.nan)
    feet = pd.Index(FEET, dtype="str")
    columns["foot"] = feet[rng.integers(0, len(feet), count)]
    return pd.DataFrame(columns)


def _weighing(scale: float) -> list[dict[str, object]]:
    count = max(WEIGHED_ONE_BY_ONE, round(WEIGHED_PRINTS * scale))
    evidence = load_evidence()
    prints = noted_prints(count)
    as_categories = prints.astype(dict.fromkeys(CHARACTERS, "category") | {"foot": "category"})
    few = prints.head(WEIGHED_ONE_BY_ONE)

    def one_by_one() -> pd.DataFrame:
        return pd.concat([weigh_characters(few.iloc[[at]], evidence) for at in range(len(few))])

    assert np.allclose(one_by_one(), weigh_characters(few, evidence))
    return _pair(
        f"weigh {count} prints",
        ("row by row", one_by_one, WEIGHED_ONE_BY_ONE),
        ("weigh_characters, words", lambda: weigh_characters(prints, evidence), count),
        ("weigh_characters, categories", lambda: weigh_characters(as_categories, evidence), count),
    )


def _weighing_sign(scale: float) -> list[dict[str, object]]:
    count = max(WEIGHED_ONE_BY_ONE, round(WEIGHED_PRINTS * scale))
    evidence = load_evidence()
    prints = noted_prints(count).assign(sign=np.arange(count) // 4)
    names = np.unique(prints["sign"])
    surface = np.resize(np.array(SURFACES, dtype=object), len(names))
    sign = pd.DataFrame({"sign": names, "surface": surface})
    few = sign.head(WEIGHED_ONE_BY_ONE // 4)

    def one_by_one() -> pd.DataFrame:
        parts = []
        for at in range(len(few)):
            mine = prints.iloc[4 * at : 4 * at + 4]
            parts.append(weigh_sign(few.iloc[[at]], mine, evidence))
        return pd.concat(parts)

    together = weigh_sign(few, prints.head(4 * len(few)), evidence)
    assert np.allclose(one_by_one(), together)
    return _pair(
        f"weigh {len(sign)} sign of {count} prints",
        ("sign by sign", one_by_one, 4 * len(few)),
        ("weigh_sign", lambda: weigh_sign(sign, prints, evidence), count),
    )


def _pair(case: str, *ways: tuple[str, Callable[[], object], int]) -> list[dict[str, object]]:
    """Time each way on its own number of prints; the ratio is of the times per print."""
    rows: list[dict[str, object]] = []
    for what, way, prints in ways:
        took = min(_seconds(way) for _ in range(2))
        each = took / prints
        first = rows[0]["_each"] if rows else each
        rows.append(
            {"case": case, "what": what, "seconds": took, "ratio": first / each,
             "prints": prints, "prints_per_minute": round(60 / each), "_each": each}
        )  # fmt: skip
    return [{key: value for key, value in row.items() if key != "_each"} for row in rows]


def _seconds(way: Callable[[], object]) -> float:
    begun = time.perf_counter()
    way()
    return time.perf_counter() - begun
