"""What is worked out once and counted gives the numbers of the whole; rows find their sites."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from presence_examples import draw_visits

from carnivore_sign.errors import InputError
from carnivore_sign.presence import Histories, fit_occupancy
from carnivore_sign.presence.alike import AlikeSites, count_alike, cut_and_count
from carnivore_sign.presence.layout import lay_out
from carnivore_sign.presence.repeat_visits import CountedFinds, RepeatVisits
from carnivore_sign.presence.two_states import TwoStates


def uneven(rng: np.random.Generator) -> Histories:
    histories, _ = draw_visits(rng, psi=0.5, p=0.4, units=90, visits=5)
    return histories.without_visits(pd.Series(rng.random(450) < 0.3))


def test_sites_that_are_alike_are_counted_and_change_nothing() -> None:
    histories = uneven(np.random.default_rng(4))
    fit = fit_occupancy(histories)
    states = fit.model.on(histories).states
    assert isinstance(states, AlikeSites)
    assert len(states.kinds.times) < 25
    assert states.kinds.times.sum() == 90
    layout = lay_out(histories)
    found = histories.visits["found"].to_numpy(dtype=float)
    by_visit = TwoStates(np.ones((90, 1)), RepeatVisits(layout, found, np.ones((len(found), 1))))
    for at in np.random.default_rng(5).normal(size=(5, 2)):
        for other in (states.whole, by_visit):
            one, whole = states.evaluate(at), other.evaluate(at)
            assert one.loglik == pytest.approx(whole.loglik, abs=1e-10)
            assert one.gradient == pytest.approx(whole.gradient, abs=1e-10)
            assert one.hessian == pytest.approx(whole.hessian, abs=1e-10)
        odds, slope = by_visit.log_odds(at)
        assert states.log_odds(at)[0] == pytest.approx(odds)
        assert states.log_odds(at)[1] == pytest.approx(slope)
    assert states.starts()[0] == pytest.approx(by_visit.starts()[0])


def test_courses_are_cut_after_finds_whatever_their_gaps() -> None:
    rng = np.random.default_rng(6)
    finds = rng.integers(0, 2, 40).astype(float)
    record = CountedFinds(finds, np.full(40, 3.0))
    steps = rng.permutation(np.append(np.arange(40), np.full(8, -1))).reshape(8, 6)
    pieces = cut_and_count(steps, record)
    told = [tuple(row[row >= -1]) for row in pieces.steps]
    assert len(set(zip(told, pieces.after_find, strict=True))) == len(told)
    kinds = count_alike(record).kinds.given.finds
    counted = np.append(kinds, 0.0)[pieces.steps].sum(axis=1) @ pieces.times
    assert counted == finds.sum()
    assert pieces.times.sum() == 8 + np.append(finds, 0.0)[steps[:, :-1]].sum()


def test_a_row_finds_its_site_however_the_names_lie() -> None:
    # So few of all pairs of unit and period that they are renumbered, and in no order.
    rng = np.random.default_rng(7)
    units = pd.DataFrame({"unit": [f"u{k}" for k in range(60)], "period": range(60)})
    units = units.astype(str).sample(frac=1.0, random_state=1, ignore_index=True)
    row = rng.integers(0, 60, 30)
    visits = units.loc[row].reset_index(drop=True).assign(visit=range(30))
    layout = lay_out(Histories(units, visits, pd.DataFrame(), "puma"))
    assert layout.site.tolist() == row.tolist()
    assert layout.visits_per_site.tolist() == np.bincount(row, minlength=60).tolist()
    assert layout.sum_visits @ np.ones(30) == pytest.approx(layout.visits_per_site)
    assert layout.n_visited == len(set(row))
    asked = pd.DataFrame({"unit": ["u3", "u3", "none"], "period": ["3", "4", "3"]})
    place = layout.rows_of(asked).tolist()
    assert place[1:] == [-1, -1]
    assert units.loc[place[0]].tolist() == ["u3", "3"]


@pytest.mark.parametrize("periods", [["x", "x", "x"], ["x", "y", "x"]])
def test_a_unit_twice_and_a_visit_to_none_are_told(periods: list[str]) -> None:
    units = pd.DataFrame({"unit": ["a", "b", "a"], "period": periods})
    visits = pd.DataFrame({"unit": ["b"], "period": [periods[1]], "visit": ["v"]})
    with pytest.raises(InputError, match="unit 'a' stands twice in period 'x'"):
        lay_out(Histories(units, visits, pd.DataFrame(), "puma"))
    for strange in ({"unit": "c"}, {"period": "z"}):
        lost = visits.assign(**strange)
        with pytest.raises(InputError, match=r"no unit '[bc]' in period '[xyz]'"):
            lay_out(Histories(units.iloc[:2], lost, pd.DataFrame(), "puma"))
