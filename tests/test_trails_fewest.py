"""The fewest animals: pairs that one animal cannot have left, and pairs that it can."""

from __future__ import annotations

from itertools import combinations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from carnivore_sign.errors import InputError
from carnivore_sign.trails import fewest, fewest_animals

DAWN = pd.Timestamp("2024-05-01 06:00", tz="UTC")


def make_trails(*rows: dict[str, object]) -> gpd.GeoDataFrame:
    """Lay out trails: start ``x``, ``y`` and ``length`` east (m), window in hours from dawn."""
    lines, table = [], []
    for number, row in enumerate(rows):
        x, y = 500_000 + row.get("x", 0.0), 4_000_000 + row.get("y", 0.0)
        lines.append(shapely.LineString([(x, y), (x + row.get("length", 100.0), y)]))
        after, before = row.get("hours", (0.0, 5.0))
        table.append(
            {
                "trail": f"T{number}",
                "made_after": pd.NaT if after is None else DAWN + pd.Timedelta(hours=after),
                "made_before": DAWN + pd.Timedelta(hours=before),
                "direction_deg": row.get("direction_deg", np.nan),
                "p_puma": row.get("p_puma", 0.9),
            }
        )
    frame = pd.DataFrame(table)
    frame["made_after"] = pd.to_datetime(frame["made_after"], utc=True)
    return gpd.GeoDataFrame(frame, geometry=lines, crs="EPSG:32611").to_crs("EPSG:4326")


def test_two_trails_too_far_apart_for_the_time_between_them_need_two_animals() -> None:
    both = make_trails({"hours": (0, 1)}, {"x": 30_000, "hours": (0, 1)})
    told = fewest_animals(both)
    assert told.count == 2
    assert told.reasons["reason"].tolist() == ["apart"]
    assert "29.9 km apart and were made within 1.0 hours" in told.sentence()
    # One animal covers 30 km in the five hours between them.
    assert fewest_animals(make_trails({"hours": (0, 1)}, {"x": 30_000, "hours": (4, 5)})).count == 1


def test_the_distance_is_between_the_nearest_ends() -> None:
    # At 10 km/h an hour is 10 km; the lines end 9.9 km and 10.1 km apart.
    for gap, count in ((9_900, 1), (10_100, 2)):
        rows = make_trails({"hours": (0, 1)}, {"x": 100 + gap, "hours": (0, 1)})
        assert fewest_animals(rows).count == count


def test_a_window_that_is_open_says_nothing() -> None:
    rows = make_trails({"hours": (None, 1)}, {"x": 50_000, "hours": (0, 1)})
    assert fewest_animals(rows).count == 1
    assert fewest_animals(rows).sentence().startswith("One animal can have left all")


def test_a_female_with_young_side_by_side_are_two() -> None:
    beside = {"direction_deg": 90.0, "hours": (0, 5)}
    told = fewest_animals(make_trails(beside, {**beside, "y": 4.0, "direction_deg": 80.0}))
    assert told.count == 2
    assert told.reasons["reason"].tolist() == ["side by side"]
    assert "female with young" in told.sentence()


@pytest.mark.parametrize(
    "change",
    [
        {"y": 40.0},  # too far aside
        {"direction_deg": 270.0},  # out and back
        {"direction_deg": np.nan},  # nobody knows which way
        {"hours": (8, 9)},  # another time
        {"x": 90.0},  # one goes on where the other ends
        {"length": 10.0},  # too short to say
    ],
)
def test_not_side_by_side(change: dict[str, object]) -> None:
    beside = {"direction_deg": 90.0, "hours": (0, 5)}
    assert fewest_animals(make_trails(beside, {**beside, "y": 4.0, **change})).count == 1


def sized(mm: dict[str, float], prints: int = 5, surface: str = "dust", foot: str = "left_front"):
    """Members, sign and prints of trails with pads so many millimetres wide."""
    spread = np.linspace(-1, 1, prints)
    sign = pd.DataFrame({"sign": [f"s{trail}" for trail in mm], "surface": surface})
    members = sign[["sign"]].assign(trail=list(mm))
    rows = [(f"s{trail}", width + d) for trail, width in mm.items() for d in spread]
    return members, sign, pd.DataFrame(rows, columns=["sign", "pad_width_mm"]).assign(foot=foot)


def test_sizes_apart_by_more_than_error_need_two_animals() -> None:
    two = make_trails({}, {"x": 500})
    told = fewest_animals(two, *sized({"T0": 56.0, "T1": 38.0}))
    assert told.count == 2
    assert told.reasons["reason"].tolist() == ["size"]
    assert "front pads of T0 (56 mm wide, 5 prints)" in told.sentence()
    assert fewest_animals(two, *sized({"T0": 50.0, "T1": 46.0})).count == 1


def test_sizes_are_compared_like_with_like_and_from_three_prints_on() -> None:
    # Sets of at least 3 tracks before any claim on an individual (Grigione et al. 1999).
    two = make_trails({}, {"x": 500})
    assert fewest_animals(two, *sized({"T0": 56.0, "T1": 38.0}, prints=2)).count == 1
    members, sign, prints = sized({"T0": 56.0, "T1": 38.0})
    # Soft mud swells a print to nearly twice its size (Elbroch, Kresky & Evans 2012).
    assert fewest_animals(two, members, sign.assign(surface=["mud", "dust"]), prints).count == 1
    hind = prints["foot"].where(prints["sign"].eq("sT0"), "left_hind")
    assert fewest_animals(two, members, sign, prints.assign(foot=hind)).count == 1
    assert fewest_animals(two, members, sign, prints.assign(foot=None)).count == 1


def test_only_trails_of_the_taxon_count() -> None:
    rows = make_trails({"hours": (0, 1)}, {"x": 30_000, "hours": (0, 1), "p_puma": 0.2})
    assert fewest_animals(rows).count == 2
    assert fewest_animals(rows, taxon="puma").trails == ("T0",)
    none = fewest_animals(rows, taxon="puma", at_least=0.99)
    assert (none.count, none.sentence()) == (0, "There are no trails.")


def test_too_many_trails_are_refused() -> None:
    rows = make_trails(*[{}] * 3)
    many = rows.iloc[np.zeros(fewest.MOST_TRAILS + 1, dtype=int)]
    with pytest.raises(InputError, match="one month or one place at a time"):
        fewest_animals(many)


@given(st.integers(1, 7), st.sets(st.tuples(st.integers(0, 6), st.integers(0, 6))))
def test_every_two_of_the_set_need_two_animals_and_it_is_seldom_too_small(
    count: int, pairs: set[tuple[int, int]]
) -> None:
    needs = {(min(p), max(p)) for p in pairs if p[0] != p[1] and max(p) < count}
    table = pd.DataFrame(sorted(needs), columns=["first", "second"], dtype="int64")
    kept = fewest._largest_set(count, table)
    assert all(pair in needs for pair in combinations(kept, 2))
    largest = max(
        size for size in range(1, count + 1)
        if size == 1 or any(
            all(pair in needs for pair in combinations(group, 2))
            for group in combinations(range(count), size)
        )
    )  # fmt: skip
    assert largest - 1 <= len(kept) <= largest
