"""Simulated observers find, read, measure and name with the errors that were set."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from carnivore_sign.records.vocabularies import CHARACTERS, FEET, MEASURES, NOT_VISIBLE
from carnivore_sign.simulate import demo_settings, simulate_season
from carnivore_sign.simulate.observing import find_trails, see_prints, share_with_tracks

SETTINGS = demo_settings()
SEASONS = 6


@pytest.fixture(scope="module")
def seasons():
    return [simulate_season(SETTINGS, np.random.default_rng(seed)) for seed in range(SEASONS)]


@pytest.fixture(scope="module")
def prints(seasons) -> pd.DataFrame:
    """Noted and true prints of all seasons, side by side (the true ones end in ``_true``)."""
    tables = [
        s.prints.join(s.truth.prints.add_suffix("_true")).assign(
            ground=s.prints["sign"].map(
                s.truth.sign["transect"].map(s.country.surface_of)
            )
        )
        for s in seasons
    ]  # fmt: skip
    return pd.concat(tables, ignore_index=True)


def within(count: float, of: float, chance: float, limit: float = 4.0) -> bool:
    """Whether a count agrees with a binomial one to `limit` standard deviations."""
    return abs(count - of * chance) < limit * np.sqrt(of * chance * (1 - chance)) + 1e-9


@pytest.mark.parametrize("taxon", ["puma", "dog", "coyote", "bobcat"])
def test_trails_found_agree_with_rate_times_effort_times_notice(seasons, taxon: str) -> None:
    rate = next(a.rate_per_km_day for a in SETTINGS.animals if a.taxon == taxon)
    expected = found = 0.0
    for season in seasons:
        used = season.truth.used
        used = used[used["taxon"].eq(taxon) & used["used"]]
        effort = season.truth.effort.merge(used, on=["transect", "number", "period"])
        expected += rate * SETTINGS.observing.notice * effort["km_days"].sum()
        passages = season.truth.passages
        found += passages.loc[passages["taxon"].eq(taxon), "found_on"].notna().sum()
    assert abs(found - expected) / np.sqrt(expected) < 3.5


@pytest.mark.parametrize("taxon", ["puma", "dog", "coyote"])
def test_most_trails_are_noted_with_tracks_and_some_by_other_sign_alone(seasons, taxon) -> None:
    noted = pd.concat(
        [
            s.truth.sign.assign(season=n, kind=s.sign.set_index("sign")["kind"])
            for n, s in enumerate(seasons)
        ]
    )
    noted = noted[noted["taxon"].eq(taxon)]
    tracks = noted["kind"].eq("track").groupby([noted["season"], noted["trail"]]).any()
    assert within(tracks.sum(), len(tracks), share_with_tracks(taxon))
    assert not tracks.all()


def test_visits_find_the_taxon_with_the_probability_that_the_docstring_gives(seasons) -> None:
    chance, hit = [], []
    for season in seasons:
        truth = season.truth
        used = truth.used[truth.used["taxon"].eq("puma") & truth.used["used"]]
        visits = truth.effort.merge(used, on=["transect", "number", "period"])
        puma = truth.passages[truth.passages["taxon"].eq("puma")]
        found = set(puma[["found_on", "transect", "number"]].itertuples(index=False, name=None))
        keys = visits[["log", "transect", "number"]].itertuples(index=False, name=None)
        hit += [key in found for key in keys]
        chance += list(1 - np.exp(-0.15 * 0.8 * visits["km_days"]))
    chance = np.array(chance)
    assert 0.3 < chance.mean() < 0.5
    z = (np.sum(hit) - chance.sum()) / np.sqrt((chance * (1 - chance)).sum())
    assert abs(z) < 3.5


def test_what_is_found_was_made_in_its_month_after_the_last_wiping_and_before_the_walk(
    seasons,
) -> None:
    for season in seasons:
        truth = season.truth
        sign = truth.sign.join(truth.passages["number"], on="trail")
        sign["time"] = season.sign.set_index("sign")["time"]
        made = pd.to_datetime(sign["made_s"], unit="s", utc=True)
        assert (made <= sign["time"] + pd.Timedelta(minutes=1)).all()
        zone = SETTINGS.country.time_zone
        month = made.dt.tz_convert(zone).dt.strftime("%Y-%m")
        assert (month == sign["time"].dt.tz_convert(zone).dt.strftime("%Y-%m")).all()
        clearings = season.clearings
        for transect, own in sign.groupby("transect"):
            names = clearings["transects"].str.split(";")
            touches = clearings["transects"].eq("all") | names.map(lambda n, t=transect: t in n)
            wiped = clearings.loc[touches, "time"].to_numpy()
            wiped_before = wiped[np.searchsorted(wiped, own["time"].to_numpy(), side="right") - 1]
            assert (made[own.index].to_numpy() > wiped_before).all()
        assert truth.sign.groupby("trail")["log"].nunique().max() == 1


def test_a_trail_is_found_only_if_it_was_there_and_its_anchor_was_walked() -> None:
    trails = pd.DataFrame(
        {
            "transect": "A", "from_m": 0.0, "to_m": 300.0, "crosses": False,
            "anchor_m": [100.0, 100.0, 100.0, 700.0, 100.0],
            "made_s": [50.0, 150.0, 5000.0, 150.0, 99.0],
        },
        index=["wiped", "there", "later", "beyond", "just wiped"],
    )  # fmt: skip
    piece = pd.DataFrame(
        {
            "transect": ["A"], "start_m": [0.0], "end_m": [500.0],
            "along_start_m": [0.0], "along_end_m": [500.0], "low_m": [0.0], "high_m": [500.0],
        }
    )  # fmt: skip
    pace = np.array([0.0, 500.0]), np.array([0.0, 400.0])
    found = find_trails(
        piece, pace, 1000.0, trails, {"A": np.array([100.0])},
        notice=1.0, rng=np.random.default_rng(1),
    )  # fmt: skip
    assert set(found["trail"]) == {"there"}
    assert found["along_m"].between(0.0, 300.0).all()
    unseen = find_trails(
        piece, pace, 1000.0, trails, {"A": np.array([100.0])},
        notice=0.0, rng=np.random.default_rng(1),
    )  # fmt: skip
    assert unseen.empty


def test_visible_characters_are_misread_at_the_known_rate(prints: pd.DataFrame) -> None:
    seen = wrong = 0
    for name, words in CHARACTERS.items():
        visible = prints[prints[name].ne(NOT_VISIBLE)]
        assert visible[name].isin(words).all()
        seen += len(visible)
        wrong += visible[name].ne(visible[f"{name}_true"]).sum()
    assert seen > 5000
    assert within(wrong, seen, SETTINGS.observing.misread)


@pytest.mark.parametrize("ground", ["dust", "sand"])
def test_the_surface_hides_characters_as_often_as_it_should(ground: str) -> None:
    count = 40_000
    true = pd.DataFrame(dict.fromkeys(MEASURES, 80.0), index=range(count))
    true = true.assign(**{name: words[0] for name, words in CHARACTERS.items()})
    noted = see_prints(
        true, np.full(count, ground, dtype=object), SETTINGS, np.random.default_rng(0)
    )
    surface = SETTINGS.surfaces[ground]
    for name in CHARACTERS:
        chance = surface.seen.get(name, surface.otherwise)
        seen = noted[name].ne(NOT_VISIBLE).sum()
        if chance == 0.15:
            # The clearness of a print moves the chance by up to 0.25 and stops it at 0: on average
            # the integral from 0 to 0.4 of c / 0.5, which is 0.16.
            chance = 0.16
        assert within(seen, count, chance), name


def test_what_can_be_seen_of_a_print_hangs_together() -> None:
    true = pd.DataFrame(dict.fromkeys(MEASURES, 80.0), index=range(20_000))
    true = true.assign(**{name: words[0] for name, words in CHARACTERS.items()})
    ground = np.full(len(true), "dust", dtype=object)
    noted = see_prints(true, ground, SETTINGS, np.random.default_rng(0))
    seen = noted[["leading_toe", "outer_toes"]].ne(NOT_VISIBLE).astype(float)
    # Clearness is even on -0.25 to 0.25, so its variance is 0.5**2 / 12; each chance is 0.5.
    expected = (0.5**2 / 12) / 0.25
    assert seen.corr().iloc[0, 1] == pytest.approx(expected, abs=4 / np.sqrt(len(true)))


def test_measures_have_the_known_error_and_sand_swells_them(prints: pd.DataFrame) -> None:
    for name in MEASURES:
        noted = prints[prints[name].notna()]
        swelling = noted["ground"].map({"dust": 1.0, "sand": 1.04})
        error = noted[name] - swelling * noted[f"{name}_true"]
        sd = SETTINGS.observing.measure_sd_mm
        assert abs(error.mean()) < 4 * sd / np.sqrt(len(error))
        assert error.std() == pytest.approx(sd, rel=4 / np.sqrt(2 * len(error)))
        assert within(len(noted), len(prints), 0.85)


def test_feet_are_noted_mostly_and_misread_at_the_known_rate(prints: pd.DataFrame) -> None:
    noted = prints[prints["foot"].notna()]
    assert noted["foot"].isin(FEET).all()
    assert within(len(noted), len(prints), 0.75)
    wrong = noted["foot"].ne(noted["foot_true"]).sum()
    assert within(wrong, len(noted), SETTINGS.observing.misread)


def test_feet_follow_the_order_of_a_walk(seasons) -> None:
    after = {
        "left_front": "left_hind", "left_hind": "right_front",
        "right_front": "right_hind", "right_hind": "left_front",
    }  # fmt: skip
    true = seasons[0].truth.prints
    for _, own in true.groupby("sign"):
        assert [after[foot] for foot in own["foot"].iloc[:-1]] == own["foot"].iloc[1:].tolist()
        assert 2 <= len(own) <= 5
        assert own["print_no"].tolist() == list(range(1, len(own) + 1))


def test_trails_are_misnamed_at_the_known_rate_and_with_less_confidence(seasons) -> None:
    tables = []
    for season in seasons:
        sign = season.sign.set_index("sign")[["named_as", "confidence"]].join(season.truth.sign)
        judged = sign.groupby("trail")["named_as"].nunique()
        assert judged.max() == 1
        tables.append(sign.drop_duplicates("trail"))
    trails = pd.concat(tables)
    named = trails[trails["named_as"].notna()]
    wrong = named["named_as"].ne(named["taxon"])
    assert within(wrong.sum(), len(named), SETTINGS.observing.naming_error)
    mean = named["confidence"].groupby(wrong).mean()
    assert mean[False] > mean[True] + 0.05
    assert named["confidence"].dropna().between(0.5, 0.95).all()
    assert trails.loc[trails["named_as"].isna(), "confidence"].isna().all()


def test_stated_ages_hold_the_true_age_as_often_as_they_should(seasons) -> None:
    held = total = 0
    for season in seasons:
        sign = season.sign.set_index("sign").join(season.truth.sign["made_s"])
        age_h = (sign["time"] - pd.to_datetime(sign["made_s"], unit="s", utc=True)) / pd.Timedelta(
            hours=1
        )
        stated = sign["age_max_h"].notna()
        assert (sign["age_min_h"] <= sign["age_max_h"])[stated].all()
        old = stated & (age_h > 6)
        held += age_h.between(sign["age_min_h"], sign["age_max_h"])[old].sum()
        total += old.sum()
    assert within(held, total, 1 - SETTINGS.observing.age_error)


def test_sign_is_mostly_tracks_with_scat_and_scrapes_now_and_then(seasons) -> None:
    kinds = pd.concat([s.sign["kind"] for s in seasons]).value_counts(normalize=True)
    assert kinds["track"] > 0.85
    assert 0.03 < kinds["scat"] < 0.1
    assert 0.005 < kinds["scrape"] < 0.05
    for season in seasons:
        scrapes = season.truth.sign[season.sign["kind"].eq("scrape").to_numpy()]
        assert scrapes["taxon"].isin(["puma", "bobcat"]).all()
        places = season.truth.sign.groupby("trail").size()
        assert places.between(1, 4).all()
        assert 1.5 < places.mean() < 2.2


def test_strides_and_directions_are_those_of_the_trail_with_known_errors(seasons) -> None:
    stride, turn = [], []
    for season in seasons:
        sign = season.sign.set_index("sign").join(
            season.truth.sign[["trail"]].join(
                season.truth.passages[["stride_m", "direction_deg"]].add_suffix("_true"), on="trail"
            )
        )
        stride.append((sign["stride_m"] / sign["stride_m_true"]).dropna())
        off = sign["direction_deg"] - sign["direction_deg_true"]
        turn.append((np.mod(off + 180, 360) - 180).dropna())
    stride, turn = pd.concat(stride), pd.concat(turn)
    assert stride.std() == pytest.approx(0.03, rel=4 / np.sqrt(2 * len(stride)))
    assert turn.std() == pytest.approx(8.0, rel=4 / np.sqrt(2 * len(turn)))


def test_perfect_observers_on_perfect_ground_note_the_truth() -> None:
    observing = replace(
        SETTINGS.observing, notice=1.0, misread=0.0, measure_sd_mm=0.0, naming_error=0.0
    )
    perfect = replace(SETTINGS, observing=observing, surfaces={})
    season = simulate_season(perfect, np.random.default_rng(1))
    for name in CHARACTERS:
        visible = season.prints[name].ne(NOT_VISIBLE)
        assert (season.prints[name] == season.truth.prints[name])[visible].all()
    for name in MEASURES:
        error = (season.prints[name] - season.truth.prints[name]).dropna()
        assert error.abs().max() <= 0.05 + 1e-9
    named = season.sign.set_index("sign")["named_as"].dropna()
    assert (named == season.truth.sign["taxon"].reindex(named.index)).all()
