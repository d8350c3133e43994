"""Work cut into blocks gives what the same work gives in one piece."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from carnivore_sign.identify import load_evidence, measure, measure_print, pooling, weigh_sign
from carnivore_sign.records.vocabularies import CHARACTERS, NOT_VISIBLE, SURFACES
from carnivore_sign.simulate import draw_prints


@pytest.mark.parametrize("block", [1, 7, 50])
def test_sign_weighed_in_blocks_say_what_they_say_in_one_piece(
    block: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    rng = np.random.default_rng(block)
    columns = {name: rng.choice([*states, NOT_VISIBLE], 200) for name, states in CHARACTERS.items()}
    prints = pd.DataFrame(columns).assign(
        sign=rng.choice([f"S{number}" for number in range(60)] + ["elsewhere"], 200),
        length_mm=rng.normal(80, 10, 200),
    )
    sign = pd.DataFrame({"sign": [f"S{number}" for number in range(70)]})
    sign["surface"] = rng.choice(SURFACES, len(sign))
    sign["named_as"] = rng.choice(["puma", "dog"], len(sign))
    whole = weigh_sign(sign, prints, load_evidence())
    monkeypatch.setattr(pooling, "_BLOCK_PRINTS", block)
    cut = weigh_sign(sign, prints, load_evidence())
    pd.testing.assert_frame_equal(cut, whole, rtol=1e-12)
    assert whole.iloc[60:].nunique(axis=1).eq(2).all()  # no prints: only the naming speaks
    assert weigh_sign(sign.iloc[:0], prints, load_evidence()).empty


def test_prints_measured_in_blocks_measure_as_in_one_piece(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    drawn = draw_prints(["puma", "dog"] * 6, rng=np.random.default_rng(3), tracing_mm=0.4)
    drawn = drawn.drop(drawn.index[(drawn["print"] == 4)][:6])  # one print is but a mark or two
    whole = measure_print(drawn, retracings=0)
    monkeypatch.setattr(measure, "_BLOCK_PRINTS", 5)
    pd.testing.assert_frame_equal(measure_print(drawn, retracings=0), whole, check_dtype=False)
