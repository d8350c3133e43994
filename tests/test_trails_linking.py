"""Linking: drawn cases whose truth is known, and the assignment against every possible one."""

from __future__ import annotations

from itertools import product

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from carnivore_sign.errors import CrsMissing, InputError
from carnivore_sign.records.tables import taxon_column
from carnivore_sign.records.vocabularies import TAXA
from carnivore_sign.trails import MEMBER_COLUMNS, LinkModel, link_sign, link_trails
from carnivore_sign.trails.candidates import Links
from carnivore_sign.trails.solving import best_paths

START = pd.Timestamp("2024-05-01 14:00", tz="UTC")
EAST, NORTH = 500_000.0, 4_000_000.0  # in EPSG:32611
COLUMNS = [taxon_column(taxon) for taxon in TAXA]


def make_sign(rows: list[dict[str, object]]) -> gpd.GeoDataFrame:
    """Lay sign out on a plane: ``x``, ``y`` in metres; found a minute apart in that order."""
    frame = pd.DataFrame(rows)
    frame["sign"] = frame.get("sign", pd.Series([f"S{i:03d}" for i in range(len(frame))]))
    frame["kind"] = frame.get("kind", pd.Series("track", index=frame.index)).fillna("track")
    frame["time"] = START + pd.to_timedelta(np.arange(len(frame)), unit="min")
    y = frame["y"].fillna(0.0) if "y" in frame else 0.0
    places = gpd.points_from_xy(EAST + frame["x"], NORTH + y, crs="EPSG:32611")
    return gpd.GeoDataFrame(frame.drop(columns="x"), geometry=places).to_crs("EPSG:4326")


def shares(sign: gpd.GeoDataFrame, **taxa: list[float]) -> pd.DataFrame:
    """Return equal shares, or those given for some taxa with the rest spread evenly."""
    table = pd.DataFrame(np.nan, index=sign["sign"], columns=COLUMNS)
    for taxon, values in taxa.items():
        table[taxon_column(taxon)] = values
    rest = (1 - table.sum(axis=1)) / table.isna().sum(axis=1)
    return table.apply(lambda column: column.fillna(rest))


def link(sign: gpd.GeoDataFrame, p: pd.DataFrame | None = None, **options) -> pd.DataFrame:
    walks = options.pop("walks", pd.Series("W", index=sign["sign"]))
    return link_trails(sign, shares(sign) if p is None else p, walks, **options)


def grouped(members: pd.DataFrame) -> set[frozenset[str]]:
    return {frozenset(names) for _, names in members.groupby("trail")["sign"]}


def test_forty_prints_of_one_passage_are_one_trail() -> None:
    members = link(make_sign([{"x": 8.0 * i, "y": i % 3} for i in range(40)]))
    assert len(grouped(members)) == 1
    assert members["sign"].tolist() == [f"S{i:03d}" for i in range(40)]
    assert members["order"].tolist() == list(range(40))


def test_two_animals_in_opposite_directions_are_two_trails() -> None:
    rows = [{"x": 60.0 * i, "direction_deg": 90.0 if i % 2 else 270.0} for i in range(12)]
    found = grouped(link(make_sign(rows)))
    odd = frozenset(f"S{i:03d}" for i in range(1, 12, 2))
    even = frozenset(f"S{i:03d}" for i in range(0, 12, 2))
    assert found == {odd, even}


def test_two_animals_that_cross_are_two_trails() -> None:
    along = [{"x": 50.0 * i - 100, "y": 0.0, "direction_deg": 90.0} for i in range(5)]
    across = [{"x": 10.0, "y": 50.0 * i - 110, "direction_deg": 0.0} for i in range(5)]
    sign = make_sign([row for pair in zip(along, across, strict=True) for row in pair])
    assert grouped(link(sign)) == {
        frozenset(sign["sign"].iloc[0::2]),
        frozenset(sign["sign"].iloc[1::2]),
    }


def test_animals_of_different_size_are_two_trails() -> None:
    sign = make_sign([{"x": 40.0 * i} for i in range(8)])
    large = np.arange(8) % 2 == 0
    prints = pd.DataFrame(
        {"sign": np.repeat(sign["sign"].to_numpy(), 2),
         "pad_width_mm": np.repeat(np.where(large, 56.0, 34.0), 2) + np.tile([1.0, -1.0], 8)}
    )  # fmt: skip
    assert len(grouped(link(sign))) == 1
    assert grouped(link(sign, prints=prints)) == {
        frozenset(sign["sign"][large]),
        frozenset(sign["sign"][~large]),
    }


def test_animals_of_different_taxa_are_two_trails() -> None:
    sign = make_sign([{"x": 40.0 * i} for i in range(8)])
    puma = np.arange(8) < 4
    p = shares(sign, puma=np.where(puma, 0.985, 0.003), dog=np.where(puma, 0.003, 0.985))
    assert grouped(link(sign, p)) == {
        frozenset(sign["sign"][puma]),
        frozenset(sign["sign"][~puma]),
    }


def test_tracks_whose_age_windows_miss_each_other_are_two_trails() -> None:
    fresh = {"age_min_h": 0.0, "age_max_h": 6.0}
    old = {"age_min_h": 30.0, "age_max_h": 60.0}
    sign = make_sign([{"x": 20.0 * i, **(fresh if i % 2 else old)} for i in range(6)])
    assert link(sign)["trail"].nunique() == 2
    open_ended = make_sign([{"x": 0.0, "age_max_h": 6.0}, {"x": 20.0, "age_max_h": np.nan}])
    assert len(grouped(link(open_ended))) == 1


def test_windows_may_miss_each_other_by_the_time_that_was_walked() -> None:
    # Made an hour and a quarter apart: one hour is allowed, and 500 m take ten minutes more.
    def trails(apart_m: float, walking_km_h: float) -> int:
        rows = [{"x": 0.0, "age_min_h": 2.25, "age_max_h": 9.0}, {"x": apart_m, "age_max_h": 1.0}]
        sign = make_sign(rows)
        sign["time"] = START
        model = LinkModel(gap_m=400.0, walking_km_h=walking_km_h)
        return link(sign, trails_per_km=0.01, model=model)["trail"].nunique()

    assert trails(500.0, 1.5) == 1
    assert trails(500.0, 30.0) == 2
    assert trails(50.0, 1.5) == 2


def test_the_surface_between_decides_how_far_a_passage_goes_on() -> None:
    def trails(surface: str | None) -> int:
        sign = make_sign([{"x": 200.0 * i, "surface": surface} for i in range(6)])
        return link(sign, trails_per_km=1.5, model=LinkModel(gap_m=70.0))["trail"].nunique()

    assert trails("dust") == trails(None) == 6
    assert trails("hard") == trails("gravel") == 1


@pytest.mark.parametrize(("times", "low", "high"), [(1.0, 0.7, 1.3), (3.0, 1.8, 3.3)])
def test_how_much_wider_the_gaps_are_on_bare_ground_is_learned(times, low, high) -> None:
    rng = np.random.default_rng(5)
    rows, walks = [], []
    for passage in range(240):
        bare = passage % 2
        gaps = np.cumsum(rng.exponential(40.0 * times if bare else 40.0, 5))
        rows += [{"x": x, "y": 3000.0 * passage, "surface": "gravel" if bare else "dust"}
                 for x in gaps]  # fmt: skip
        walks += [f"W{passage}"] * 5
    sign = make_sign(rows)
    fit = link_sign(sign, shares(sign), pd.Series(walks, index=sign["sign"])).fit
    assert low < fit.model.bare_factor < high
    assert fit.model.gap_m == pytest.approx(40.0, abs=10.0)


def test_far_sign_and_sign_of_other_walks_are_other_trails() -> None:
    sign = make_sign([{"x": 0.0}, {"x": 20.0}, {"x": 1500.0}, {"x": 1520.0}])
    assert link(sign)["trail"].nunique() == 2
    walks = pd.Series(["W1", "W2", "W1", None], index=sign["sign"])
    assert link(sign, walks=walks)["trail"].nunique() == 4


def test_sign_on_no_walk_stand_alone_even_side_by_side() -> None:
    sign = make_sign([{"x": 0.0}, {"x": 1.0}])
    assert link(sign, walks=pd.Series(dtype="str"))["trail"].nunique() == 2


def test_scat_joins_a_near_and_fitting_track_and_otherwise_stands_alone() -> None:
    rows = [{"x": 0.0}, {"x": 60.0}, {"x": 65.0, "y": 20.0, "kind": "scat"}]
    assert len(grouped(link(make_sign(rows)))) == 1
    far = [*rows[:2], {"x": 65.0, "y": 80.0, "kind": "scat"}]
    assert link(make_sign(far))["trail"].nunique() == 2
    assert len(grouped(link(make_sign(far), join_within_m=100.0))) == 1
    old = [*({**row, "age_max_h": 5.0} for row in rows[:2]), {**rows[2], "age_min_h": 48.0}]
    assert link(make_sign(old))["trail"].nunique() == 2
    sign = make_sign(rows)
    other = shares(sign, puma=[0.98, 0.98, 0.005], dog=[0.005, 0.005, 0.98])
    assert link(sign, other)["trail"].nunique() == 2


def test_what_joined_stands_behind_the_track_it_joined() -> None:
    rows = [{"x": 55.0, "y": 10.0, "kind": "scat"}, {"x": 0.0}, {"x": 50.0}, {"x": 100.0}]
    members = link(make_sign(rows))
    assert members["sign"].tolist() == ["S001", "S002", "S000", "S003"]
    assert members["trail"].unique().tolist() == ["trail-S001"]
    assert members["link_probability"].isna().tolist() == [True, False, False, False]


def test_scat_beside_scat_are_not_linked() -> None:
    sign = make_sign([{"x": 5.0 * i, "kind": "scat"} for i in range(3)])
    assert link(sign)["trail"].nunique() == 3


def test_a_trail_is_laid_out_in_the_direction_of_travel() -> None:
    # The walker goes east; the animal went west.
    sign = make_sign(
        [{"x": 80.0 * i, "direction_deg": 265.0 if i == 1 else None} for i in range(4)]
    )
    assert link(sign)["sign"].tolist() == ["S003", "S002", "S001", "S000"]
    unstated = make_sign([{"x": 80.0 * i} for i in range(4)])
    assert link(unstated)["sign"].tolist() == ["S000", "S001", "S002", "S003"]


def test_the_price_of_a_trail_decides_between_few_and_many() -> None:
    sign = make_sign([{"x": x} for x in np.cumsum(np.geomspace(5, 300, 25))])
    counts = [
        link(sign, trails_per_km=price)["trail"].nunique() for price in (0.05, 0.5, 5.0, 500.0)
    ]
    assert counts == sorted(counts)
    assert counts[0] == 1
    assert counts[-1] == 25


def test_link_probabilities_fall_with_distance_and_with_rivals() -> None:
    near, far = (
        link(make_sign([{"x": 0.0}, {"x": gap}]))["link_probability"].iloc[1] for gap in (10, 150)
    )
    assert 0.5 < far < near < 1
    rival = make_sign(
        [{"x": 0.0, "y": 15.0, "direction_deg": 90.0}, {"x": 0.0, "direction_deg": 60.0},
         {"x": 60.0, "direction_deg": 90.0}]
    )  # fmt: skip
    linked = link(rival, trails_per_km=6.0)
    alone = link(rival.iloc[[0, 2]], trails_per_km=6.0)
    assert linked["link_probability"].max() < alone["link_probability"].max()


def test_the_order_of_rows_does_not_matter() -> None:
    rng = np.random.default_rng(5)
    rows = [{"x": x, "direction_deg": d} for x, d in zip(
        rng.uniform(0, 3000, 60), rng.choice([90.0, 270.0, np.nan], 60), strict=True)]  # fmt: skip
    sign = make_sign(rows)
    members = link(sign)
    shuffled = link(sign.sample(frac=1, random_state=1))
    pd.testing.assert_frame_equal(
        members.sort_values("sign", ignore_index=True),
        shuffled.sort_values("sign", ignore_index=True),
    )


def test_sign_without_times_keep_the_order_of_the_notebook() -> None:
    sign = make_sign([{"x": 50.0 * i} for i in range(4)])
    assert link(sign.drop(columns="time"))["sign"].tolist() == sign["sign"].tolist()
    sign.loc[[1, 2], "time"] = pd.NaT
    assert link(sign)["sign"].tolist() == sign["sign"].tolist()


def best_by_hand(count: int, gain: dict[tuple[int, int], float]) -> float:
    """Try every set of links in which each sign has at most one next and one before."""
    best = 0.0
    followers = [[None, *(j for i, j in gain if i == row)] for row in range(count)]
    for choice in product(*followers):
        taken = [j for j in choice if j is not None]
        if len(set(taken)) == len(taken):
            total = sum(gain[i, j] for i, j in enumerate(choice) if j is not None)
            best = max(best, total)
    return best


@settings(max_examples=60, deadline=None)
@given(st.integers(2, 6), st.integers(0, 10_000))
def test_the_assignment_is_the_best_of_all(count: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    first, second = np.triu_indices(count, 1)
    gain = rng.normal(0.5, 2.0, len(first))
    walk = np.zeros(count, dtype=np.intp)
    chosen = best_paths(Links(first, second, gain), walk)
    assert len(set(chosen.first)) == len(chosen.first)
    assert len(set(chosen.second)) == len(chosen.second)
    by_hand = best_by_hand(count, dict(zip(zip(first, second, strict=True), gain, strict=True)))
    assert chosen.gain.sum() == pytest.approx(by_hand)


def test_walks_solved_together_or_apart_give_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(9)
    sign = make_sign([{"x": x} for x in rng.uniform(0, 4000, 120)])
    walks = pd.Series(rng.choice(["A", "B", "C"], 120), index=sign["sign"])
    together = link(sign, walks=walks)
    monkeypatch.setattr("carnivore_sign.trails.solving._BLOCK_LINKS", 1)
    pd.testing.assert_frame_equal(link(sign, walks=walks), together)


some_sign = st.lists(
    st.fixed_dictionaries(
        {
            "x": st.floats(0, 1500), "y": st.floats(-50, 50),
            "kind": st.sampled_from(["track", "track", "scat", "scrape"]),
            "direction_deg": st.none() | st.floats(0, 360),
            "age_max_h": st.none() | st.floats(0, 100),
        }
    ),
    min_size=1, max_size=25,
)  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(some_sign, st.integers(0, 3))
def test_every_sign_is_in_exactly_one_trail(rows: list[dict[str, object]], walkless: int) -> None:
    sign = make_sign(rows)
    walks = pd.Series("W", index=sign["sign"]).iloc[walkless:]
    members = link(sign, walks=walks)
    assert list(members.columns) == list(MEMBER_COLUMNS)
    assert sorted(members["sign"]) == sorted(sign["sign"])
    for _, trail in members.groupby("trail"):
        assert trail["order"].tolist() == list(range(len(trail)))
        assert trail["link_probability"].isna().tolist() == [True] + [False] * (len(trail) - 1)
    assert members["link_probability"].dropna().between(0, 1).all()


def test_no_sign_give_no_members() -> None:
    members = link(make_sign([{"x": 0.0}]).iloc[:0])
    assert members.empty
    assert list(members.columns) == list(MEMBER_COLUMNS)


def test_bad_input_is_refused_with_the_name_of_the_sign() -> None:
    sign = make_sign([{"x": 0.0}, {"x": 5.0}])
    with pytest.raises(InputError, match="'S001' stands more than once"):
        link(sign.assign(sign=["S001", "S001"]), shares(sign))
    with pytest.raises(InputError, match="1 sign have no probabilities, such as 'S001'"):
        link(sign, shares(sign).iloc[:1])
    with pytest.raises(InputError, match="p_<taxon>"):
        link(sign, shares(sign).rename(columns=str.upper))
    with pytest.raises(InputError, match="no position, such as 'S000'"):
        link(sign.set_geometry(gpd.GeoSeries([None, sign.geometry.iloc[1]], crs=sign.crs)))
    with pytest.raises(InputError, match="trails_per_km"):
        link(sign, trails_per_km=0.0)
    with pytest.raises(InputError, match="among the walks"):
        link(sign, walks=pd.Series("W", index=["S000", "S000"]))
    with pytest.raises(CrsMissing):
        link(sign.set_crs(None, allow_override=True))


#: Passages with sign noted at wide gaps, which are the harder to link.
WIDE = LinkModel(gap_m=150.0, direction_concentration=3.0, size_sd_same=0.10)


def drawn_passages(
    rng: np.random.Generator, passages: int, road_m: float
) -> tuple[gpd.GeoDataFrame, pd.Series, pd.DataFrame, pd.DataFrame]:
    """Draw passages along a road: sign, true passage, prints, probabilities.

    Eight sign each, GPS error 5 m; direction and size are noted for half of them; the taxon
    evidence has log likelihood ratios as normal evidence of d' = 1.5 gives them.
    """
    frames = []
    for passage in range(passages):
        x = rng.uniform(0, road_m) + np.cumsum(rng.exponential(WIDE.gap_m, 8))
        heading = rng.choice([90.0, 270.0]) + rng.normal(0, 25, 8)
        width = np.exp(rng.normal(np.log(45), 0.16) + rng.normal(0, 0.07, 8))
        evidence = rng.normal(0, 1.5, (8, len(TAXA)))
        evidence[:, rng.integers(len(TAXA))] += 1.5**2
        frame = pd.DataFrame(np.exp(evidence), columns=COLUMNS).assign(
            x=rng.normal(x, 5.0), y=rng.normal(0.0, 5.0, 8), passage=passage,
            direction_deg=np.where(rng.random(8) < 0.5, heading % 360, np.nan),
            pad_width_mm=np.where(rng.random(8) < 0.5, width, np.nan),
        )  # fmt: skip
        frames.append(frame)
    rows = pd.concat(frames).sort_values("x", ignore_index=True)
    sign = make_sign(rows[["x", "y", "direction_deg"]].to_dict("records"))
    p = rows[COLUMNS].div(rows[COLUMNS].sum(axis=1), axis=0).set_axis(sign["sign"])
    prints = rows[["pad_width_mm"]].assign(sign=sign["sign"])
    return sign, rows["passage"].set_axis(sign["sign"]), prints, p


def test_drawn_passages_are_found_again_and_links_are_as_sure_as_stated() -> None:
    sign, passage, prints, p = drawn_passages(np.random.default_rng(12), 150, 300_000)
    members = link(sign, p, prints=prints, trails_per_km=0.5, model=WIDE)
    assert members["trail"].nunique() == pytest.approx(150, rel=0.15)
    before = members.groupby("trail")["sign"].shift()
    linked = members[before.notna()]
    right = passage.loc[linked["sign"]].to_numpy() == passage.loc[before.dropna()].to_numpy()
    assert len(linked) > 800
    assert right.mean() > 0.75
    stated = linked["link_probability"].to_numpy()
    assert stated.mean() == pytest.approx(right.mean(), abs=0.08)
    # Nothing is learned here, and the passages lie along one line for a kilometre each: the
    # surest links are too sure, 0.96 stated and 0.86 right.
    assert right[stated > 0.9].mean() == pytest.approx(stated[stated > 0.9].mean(), abs=0.10)
    assert right[stated > 0.9].mean() > right[stated < 0.5].mean() + 0.2
