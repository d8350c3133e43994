"""Trails room: which sign of a walk, or of one outing, belong to one passage of one animal.

The sign of each walk are put in the order in which they were found. A passage is a path
through some of them; each sign has at most one next and at most one before. Linking two
costs or gains the log likelihood ratio of ``likelihood.py``, weighed as ``estimating.py``
learned it, whose distance part holds the price of starting a trail, and the turn from link to
link (``reweighing.py``). ``solving.py`` finds the best set of paths exactly. Trails of the
walks of one outing are then joined the same way.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import scipy.sparse
from scipy.sparse.csgraph import breadth_first_order

from carnivore_sign.errors import InputError
from carnivore_sign.records.check import TEXT
from carnivore_sign.records.tables import taxon_column
from carnivore_sign.records.vocabularies import TAXA
from carnivore_sign.space import bearings_deg, stored
from carnivore_sign.trails.candidates import (
    Links,
    Noted,
    Said,
    at_one_time,
    gather,
    hear_pairs,
    near_pairs,
    strange_pairs,
)
from carnivore_sign.trails.directions import mean_direction_deg
from carnivore_sign.trails.estimating import WORKING_TRAILS_PER_KM, LinkFit, estimate_links
from carnivore_sign.trails.likelihood import FloatArray, IntArray, LinkModel
from carnivore_sign.trails.reweighing import weigh_links
from carnivore_sign.trails.solving import Candidates, Chosen, held_links, no_links, rivalled

#: Columns of the table of members.
MEMBER_COLUMNS: Final = ("sign", "trail", "order", "link_probability")
_P_COLUMNS: Final = tuple(taxon_column(taxon) for taxon in TAXA)


@dataclass(frozen=True, eq=False)
class Linking:
    """How the sign of a season were linked, and with what.

    Attributes
    ----------
    names : Series
        Names of the sign.
    fit : LinkFit
        What the links were weighed with.
    candidates : Candidates
        Every link that was weighed.
    """

    names: pd.Series
    fit: LinkFit
    candidates: Candidates

    @cached_property
    def chosen(self) -> Chosen:
        """The best set of trails."""
        return self.candidates.solve()

    @cached_property
    def members(self) -> pd.DataFrame:
        """The trails, as `link_trails` gives them."""
        return _members(self.names, self.candidates, self.chosen)


def link_trails(
    sign: gpd.GeoDataFrame,
    probabilities: pd.DataFrame,
    walks: pd.Series | pd.DataFrame,
    prints: pd.DataFrame | None = None,
    *,
    trails_per_km: float | None = None,
    join_within_m: float = 50.0,
    prior: Mapping[str, float] | pd.Series | None = None,
    model: LinkModel | None = None,
) -> pd.DataFrame:
    """Link sign into trails, each one passage of one animal.

    Tracks of one walk are linked by distance and the surface between, turn, stated direction,
    age windows that must overlap, size, stride and taxon. Other sign (scat, scrape, ...) join
    the track of the same walk that they most likely belong to, within `join_within_m`, and
    otherwise stand alone. Sign on no walk is linked with sign of its outing, and stands alone
    if that is not known either. What was not recorded says nothing for or against.

    Parameters
    ----------
    sign : GeoDataFrame
        Columns of SIGN, each with a position.
    probabilities : DataFrame
        Columns ``p_<taxon>``, index name of the sign; one row for every sign.
    walks : Series or DataFrame
        Walk of each sign, index name of the sign; missing means on no walk. As a table with
        columns ``walk`` and, if wanted, ``outing`` (walks and sign without a log of one party
        or day, whose trails may be one; see `outings_of_day`) and ``followed`` (the trail that
        was followed by hand and that the sign lies on; see `assign_followed`).
    prints : DataFrame, optional
        Columns of PRINTS; the median sizes of each sign are compared.
    trails_per_km : float, optional
        Passages that begin per kilometre walked: the price of starting a trail. A lower one
        makes fewer and longer trails. If it or `model` is given, nothing is learned from the
        season, and what is not given has its working value.
    join_within_m : float
        How near a track other sign must lie to be of its passage.
    prior : mapping or Series, optional
        The prior under which `probabilities` were computed; equal shares if not given.
    model : LinkModel, optional
        What is expected of two sign of one passage.

    Returns
    -------
    DataFrame
        ``sign``; ``trail``; ``order`` from 0, along the stated direction of travel where
        there is one and otherwise as found; ``link_probability`` of the link that ties it to
        the sign before it, missing for the first. Every sign is in exactly one trail. Trails
        that were followed keep together, with a column ``followed``.

    Raises
    ------
    InputError
        If two sign have one name, one has no position or no probabilities, or a number
        among the options cannot be.
    CrsMissing
        If the positions have no reference system.

    Notes
    -----
    A link probability weighs the link against starting a new trail and against the links
    that would join the two sign to other trails. In seasons drawn with the demo's settings,
    and with 0.4 and 2.5 times as many passages, it agreed with the share of right links within
    a few hundredths at every distance. The surest links of the densest seasons were 0.03 too
    sure (0.99 stated, 0.96 right): residents pass a place again, and sign alike in all that
    was noted can be of two passages.

    Where the sign before or after a link was linked too, the turn counts that the trail makes
    there, unless a direction was stated at that place, which says more.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> members = link_trails(analysis.sign, analysis.probabilities, analysis.walks)
    >>> members["trail"].nunique() < len(analysis.sign)
    True
    """
    return link_sign(
        sign, probabilities, walks, prints, trails_per_km=trails_per_km,
        join_within_m=join_within_m, prior=prior, model=model,
    ).members  # fmt: skip


def link_sign(
    sign: gpd.GeoDataFrame,
    probabilities: pd.DataFrame,
    walks: pd.Series | pd.DataFrame,
    prints: pd.DataFrame | None = None,
    *,
    trails_per_km: float | None = None,
    join_within_m: float = 50.0,
    prior: Mapping[str, float] | pd.Series | None = None,
    model: LinkModel | None = None,
) -> Linking:
    """Link sign as `link_trails` does, and keep what it was done with.

    Parameters
    ----------
    sign, probabilities, walks, prints, trails_per_km, join_within_m, prior, model
        As for `link_trails`.

    Returns
    -------
    Linking
        Its ``members`` are what `link_trails` gives; `count_range`, `link_alternatives` and
        `price_sensitivity` say how sure the count of trails is.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> linking = link_sign(analysis.sign, analysis.probabilities, analysis.walks)
    >>> len(linking.members) == len(analysis.sign)
    True
    """
    given = trails_per_km is not None or model is not None
    model = LinkModel() if model is None else model
    price = WORKING_TRAILS_PER_KM if trails_per_km is None else trails_per_km
    _check_options(trails_per_km=price, join_within_m=join_within_m)
    sign, shares = _check_sign(sign, probabilities)
    noted = gather(sign, shares, walks, prints, prior)
    said = hear_pairs(at_one_time(near_pairs(noted, model), noted, model), noted, model)
    between = noted.track[said.first] & noted.track[said.second]
    between &= ~_both_followed(said, noted)
    tracks = said.chosen(between)
    if given or not len(tracks.first):
        fit = LinkFit(model, price)
    else:
        strangers = hear_pairs(strange_pairs(noted, model), noted, model)
        fit = estimate_links(tracks, strangers, len(sign), model)
    mixed = said.chosen(noted.track[said.first] ^ noted.track[said.second])
    joins = _joins(fit.gains(mixed, fit.trails_per_km), mixed, noted, join_within_m)
    held = held_links(noted.followed, noted.rank)
    fit, candidates = weigh_links(tracks, fit, Candidates(noted, no_links(), joins, held), model)
    return Linking(sign["sign"], fit, candidates)


def _both_followed(said: Said, noted: Noted) -> np.ndarray:
    """Say which pairs lie on two trails that were followed: who followed them told them apart."""
    one, two = noted.followed[said.first], noted.followed[said.second]
    return np.asarray((one >= 0) & (two >= 0) & (one != two))


def _joins(links: Links, said: Said, noted: Noted, within_m: float) -> Links:
    """Turn candidates between a track and other sign so that the other sign is in front."""
    swap = noted.track[links.first]
    other = np.where(swap, links.second, links.first)
    track = np.where(swap, links.first, links.second)
    near = (said.metres <= within_m) & (noted.walk[other] == noted.walk[track])
    return Links(other, track, links.gain).chosen(near)


def _check_options(**options: float) -> None:
    for name, value in options.items():
        if not value > 0:
            raise InputError(f"{name} must be above 0, and {value} came")


def _check_sign(
    sign: gpd.GeoDataFrame, probabilities: pd.DataFrame
) -> tuple[gpd.GeoDataFrame, FloatArray]:
    again = sign["sign"][sign["sign"].duplicated()]
    if len(again) or probabilities.index.has_duplicates:
        name = (
            again.iloc[0]
            if len(again)
            else probabilities.index[probabilities.index.duplicated()][0]
        )
        raise InputError(
            f"the sign '{name}' stands more than once",
            remedy="Give each sign a name of its own and one row of probabilities.",
        )
    nowhere = sign["sign"][sign.geometry.isna() | sign.geometry.is_empty]
    if len(nowhere):
        raise InputError(
            f"{len(nowhere)} sign have no position, such as '{nowhere.iloc[0]}'",
            remedy="Place them by their waypoints first, and leave out those that stay unplaced.",
        )
    columns = [column for column in _P_COLUMNS if column in probabilities]
    if not columns:
        raise InputError("there is no column p_<taxon> among the probabilities")
    shares = probabilities.reindex(index=sign["sign"], columns=list(_P_COLUMNS))
    shares = shares.fillna(dict.fromkeys(set(_P_COLUMNS) - set(columns), 0.0))
    unknown = shares.index[shares.isna().any(axis=1)]
    if len(unknown):
        raise InputError(
            f"{len(unknown)} sign have no probabilities, such as '{unknown[0]}'",
            remedy="Weigh every sign first; one that says nothing has the prior.",
        )
    return stored(sign.reset_index(drop=True), "the sign"), shares.to_numpy(dtype=float)


def _members(names: pd.Series, candidates: Candidates, chosen: Chosen) -> pd.DataFrame:
    """Lay the trails out: tracks along each path, and behind each what joined it."""
    noted = candidates.noted
    if not len(names):
        return _no_members()
    rows = np.arange(len(names))
    host = rows.copy()  # the track a sign stands behind; itself, if it did not join one
    host[chosen.joins.first] = chosen.joins.second
    trail = np.unique(chosen.trail, return_inverse=True)[1]
    along = _along(trail, noted)
    found_first = _first_found(trail, noted.rank, host == rows)
    order = np.lexsort([noted.rank, host != rows, along[host], noted.rank[found_first[trail]]])
    first = order[np.unique(trail[order], return_index=True)[1]]
    links = rivalled(chosen.links, candidates.tracks, chosen.trail)
    laid_out = pd.DataFrame(
        {
            "sign": names,
            "trail": "trail-" + names.astype(str).to_numpy(dtype=object)[found_first[trail]],
            "link_probability": _tied(first, [links, chosen.joins, chosen.held], len(rows)),
        }
    )
    columns = list(MEMBER_COLUMNS)
    if (noted.followed >= 0).any():
        names_of = noted.followed_names.astype(object).append(pd.Index([None]))
        laid_out["followed"] = pd.Series(names_of[noted.followed], dtype=TEXT)
        columns.append("followed")
    laid_out = laid_out.iloc[order].reset_index(drop=True)
    laid_out["order"] = laid_out.groupby("trail").cumcount()
    return laid_out[columns]


def _along(trail: IntArray, noted: Noted) -> FloatArray:
    """Place of each sign along its trail: as found, or along its axis if found on many walks.

    Trails that were found from their end to their beginning, by stated direction, are turned.
    """
    along = noted.rank.astype(float)
    walks = pd.Series(noted.walk).groupby(trail).nunique().to_numpy()
    many = walks[trail] > 1
    if many.any():
        along[many] = _axis_place(trail, noted.xy_m)[many]
    ordered = np.lexsort([along, ~noted.track, trail])
    starts = np.unique(trail[ordered], return_index=True)[1]
    tracks = np.bincount(trail, noted.track).astype(np.intp)
    first, last = ordered[starts], ordered[starts + np.maximum(tracks, 1) - 1]
    bearing = bearings_deg(*noted.lonlat_deg[first].T, *noted.lonlat_deg[last].T)
    travel = mean_direction_deg(noted.direction_deg, trail, len(starts))
    with np.errstate(invalid="ignore"):
        backward = (np.cos(np.radians(travel - bearing)) < 0) & (first != last)
    return np.where(backward[trail], -along, along)


def _axis_place(trail: IntArray, xy_m: FloatArray) -> FloatArray:
    """Metres along the axis through the sign of each trail, from their middle."""
    number = np.bincount(trail)[:, None]
    middle = np.column_stack([np.bincount(trail, column) for column in xy_m.T]) / number
    x, y = (xy_m - middle[trail]).T
    angle = 0.5 * np.arctan2(
        2.0 * np.bincount(trail, x * y), np.bincount(trail, x * x) - np.bincount(trail, y * y)
    )
    return np.asarray(x * np.cos(angle[trail]) + y * np.sin(angle[trail]))


def _tied(first: IntArray, links: list[Links], count: int) -> FloatArray:
    """Probability of the link that ties each sign to its trail, seen from the first sign."""
    one = np.concatenate([part.first for part in links])
    two = np.concatenate([part.second for part in links])
    log_odds = np.concatenate([part.gain for part in links])
    ends = np.concatenate([one, np.full(len(first), count)])
    tips = np.concatenate([two, first])
    graph = scipy.sparse.csr_array((np.ones(len(ends)), (ends, tips)), shape=(count + 1,) * 2)
    _, before = breadth_first_order(graph, count, directed=False)
    own = np.arange(count)
    before = before[:count]
    low, high = np.minimum(own, before), np.maximum(own, before)
    keys = np.minimum(one, two) * (count + 1) + np.maximum(one, two)
    by_key = pd.Series(log_odds, index=keys).groupby(level=0).max()
    tied = by_key.reindex(low * (count + 1) + high).to_numpy()
    return np.asarray(1.0 / (1.0 + np.exp(-tied)))


def _first_found(trail: IntArray, rank: IntArray, on_path: np.ndarray) -> IntArray:
    """Row of the sign of each trail's path that was found first."""
    order = np.lexsort([rank, ~on_path, trail])
    return order[np.unique(trail[order], return_index=True)[1]]


def _no_members() -> pd.DataFrame:
    return pd.DataFrame(
        {"sign": pd.Series(dtype=TEXT), "trail": pd.Series(dtype=TEXT),
         "order": pd.Series(dtype="int64"), "link_probability": pd.Series(dtype=float)}
    )  # fmt: skip
