"""Three animals cross, half of their sign is missed: links are right, and as sure as is stated."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from test_trails_linking import make_sign, shares

from carnivore_sign.trails import Linking, LinkModel, link_sign

SITES, APART_M = 60, 2_000.0
BINS = [0.0, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0]


def three_animals(rng: np.random.Generator) -> tuple[list[dict[str, object]], np.ndarray]:
    """Three animals cross one place on courses 60 degrees apart; half their sign is missed.

    GPS error 5 m in each of east and north; sign every 25 m; directions noted within 15
    degrees for three in four.
    """
    rows, passage = [], []
    for animal, bearing in enumerate(rng.uniform(0, 360) + np.array([0.0, 60.0, 120.0])):
        along = np.arange(-200.0, 201.0, 25.0)[rng.random(17) < 0.5]
        east, north = np.sin(np.radians(bearing)), np.cos(np.radians(bearing))
        x = along * east + rng.normal(0, 5, len(along))
        y = along * north + rng.normal(0, 5, len(along))
        noted = bearing + rng.normal(0, 15, len(along))
        noted = np.where(rng.random(len(along)) < 0.75, noted % 360, np.nan)
        rows += [{"x": a, "y": b, "direction_deg": c} for a, b, c in zip(x, y, noted, strict=True)]
        passage += [animal] * len(along)
    order = np.argsort([row["x"] for row in rows])  # a party in line, sweeping from west to east
    return [rows[n] for n in order], np.array(passage)[order]


def drawn_sites(rng: np.random.Generator) -> tuple[pd.DataFrame, pd.Series, pd.Series]:
    """Draw many such places, a walk each: rows for `make_sign`, walks, and the truth."""
    rows, walks, truth = [], [], []
    for site in range(SITES):
        here, passage = three_animals(rng)
        rows += [{**row, "y": row["y"] + APART_M * site} for row in here]
        walks += [f"W{site}"] * len(here)
        truth += [f"{site} {animal}" for animal in passage]
    return pd.DataFrame(rows), pd.Series(walks), pd.Series(truth)


@pytest.fixture(scope="module", params=["learned", "working"])
def links(request: pytest.FixtureRequest) -> tuple[pd.DataFrame, int]:
    """Link with weights learned, or with working values: the links, and the count of trails."""
    rows, walks, truth = drawn_sites(np.random.default_rng(606))
    sign = make_sign(rows.to_dict("records"))
    given = {"trails_per_km": 1.5, "model": LinkModel(gap_m=60.0)}
    told: Linking = link_sign(
        sign, shares(sign), walks.set_axis(sign["sign"]),
        **(given if request.param == "working" else {}),
    )  # fmt: skip
    truth, rows = truth.set_axis(sign["sign"]), rows.set_axis(sign["sign"])
    members = told.members
    before = members.groupby("trail")["sign"].shift()
    linked, before = members[before.notna()], before.dropna()
    place = rows.loc[linked["sign"], ["x", "y"]].to_numpy()
    site = np.round(place[:, 1] / APART_M)
    table = pd.DataFrame(
        {
            "right": truth.loc[linked["sign"]].to_numpy() == truth.loc[before].to_numpy(),
            "stated": linked["link_probability"].to_numpy(),
            "from_crossing_m": np.hypot(place[:, 0], place[:, 1] - APART_M * site),
        }
    )
    return table, members["trail"].nunique()


def test_nine_links_in_ten_are_right(links) -> None:
    table, trails = links
    assert len(table) > 1_200
    assert table.loc[table["from_crossing_m"] > 20.0, "right"].mean() >= 0.9
    # Where the courses cross the errors of two positions make them one.
    assert trails == pytest.approx(3 * SITES, rel=0.2)


def test_links_are_right_as_often_as_is_stated(links) -> None:
    table, _ = links
    rng = np.random.default_rng(7)
    for _, part in table.groupby(pd.cut(table["stated"], BINS), observed=True):
        drawn = rng.random((2_000, len(part))) < part["stated"].to_numpy()
        low, high = np.quantile(drawn.mean(axis=1), [0.005, 0.995])
        # The Monte Carlo limits of a bin, and what the model is allowed to be off: 0.06.
        assert low - 0.06 <= part["right"].mean() <= high + 0.06, part.describe()
    assert table["stated"].mean() == pytest.approx(table["right"].mean(), abs=0.05)


def test_a_link_nearer_to_the_crossing_is_less_sure_and_less_often_right(links) -> None:
    table, _ = links
    near = table["from_crossing_m"] < 40.0
    assert table.loc[near, "stated"].mean() < table.loc[~near, "stated"].mean() - 0.05
    assert table.loc[near, "right"].mean() < table.loc[~near, "right"].mean() - 0.05
