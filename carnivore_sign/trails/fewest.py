"""Trails room: the fewest animals that can have left some trails, and why.

Two trails need two animals if one animal cannot have made both: it would have had to be at two
places at once, its feet would have had to change size by more than error allows, or the two
run side by side at one time, as those of a female with young do. The largest set of trails found
in which every two need two animals is a lower bound of their number. It is never an upper one, and
the shape of a pad is not used: heel-pad shape alone does not separate individual pumas (Grigione &
Burman 2000), and sets of at least three prints come before any claim about an individual (Grigione
et al. 1999).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from carnivore_sign.errors import InputError
from carnivore_sign.records.tables import taxon_column
from carnivore_sign.space import project, working_crs
from carnivore_sign.units import M_PER_KM

#: Prints of one kind of foot that a trail must have before its size is compared.
LEAST_PRINTS: Final = 3
#: Most trails that are compared, all with all.
MOST_TRAILS: Final = 3_000

_PRINT_SD: Final = 0.07  # of the log of one width: foot, ground and ruler
_TRAIL_SD: Final = 0.04  # of what all prints of a trail share: ground and observer
_SIDE_M: Final = 10.0  # side by side, with two errors of a receiver
_SIDE_SHARE: Final = 0.6  # of the shorter trail that runs beside the other
_SIDE_LENGTH_M: Final = 30.0
_SIDE_TURN_DEG: Final = 45.0


@dataclass(frozen=True, eq=False)
class FewestAnimals:
    """A lower bound of the number of animals.

    Attributes
    ----------
    count : int
        At least so many animals.
    trails : tuple of str
        Trails of which every two need two animals.
    reasons : DataFrame
        ``first``, ``second``, ``reason`` (*apart*, *size*, *side by side*) and ``why``, for
        every two of those trails.
    """

    count: int
    trails: tuple[str, ...]
    reasons: pd.DataFrame

    def sentence(self) -> str:
        """Say it in words, with what it rests on."""
        if self.count <= 1:
            return (
                "One animal can have left all of these trails; how many did is not known."
                if self.count
                else "There are no trails."
            )
        why = "; ".join(self.reasons["why"].head(3))
        return f"At least {self.count} animals, if what was noted is right: {why}."


def fewest_animals(
    trails: gpd.GeoDataFrame,
    members: pd.DataFrame | None = None,
    sign: pd.DataFrame | None = None,
    prints: pd.DataFrame | None = None,
    *,
    taxon: str | None = None,
    at_least: float = 0.5,
    max_speed_km_h: float = 10.0,
    size_z: float = 3.0,
) -> FewestAnimals:
    """Find the fewest animals that can have left the trails.

    Parameters
    ----------
    trails : GeoDataFrame
        Columns of TRAILS.
    members, sign, prints : DataFrame, optional
        Which sign make up the trails, and their prints: sizes are compared if all are given,
        between trails on one surface, front foot with front foot and hind with hind.
    taxon : str, optional
        Count only trails of this taxon, those with a probability of `at_least`.
    at_least : float
        See `taxon`.
    max_speed_km_h : float
        No animal covers the ground between two trails faster, on the mean. Common practice,
        no source.
    size_z : float
        Standard errors by which sizes differ that one animal cannot have.

    Returns
    -------
    FewestAnimals
        The number, the trails that show it, and why.

    Raises
    ------
    InputError
        If there are too many trails to compare all with all.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> fewest_animals(analysis.trails.head(0)).count
    0
    """
    if taxon is not None:
        trails = trails[(trails[taxon_column(taxon)] >= at_least).to_numpy(dtype=bool)]
    trails = trails.reset_index(drop=True)
    if len(trails) > MOST_TRAILS:
        raise InputError(
            f"{len(trails)} trails are too many to compare all with all",
            remedy=f"Ask for one month or one place at a time, up to {MOST_TRAILS} trails.",
        )
    if trails.empty:
        return FewestAnimals(0, (), _reasons([]))
    first, second = np.triu_indices(len(trails), 1)
    found = [_apart(trails, first, second, max_speed_km_h), _beside(trails, first, second)]
    if members is not None and sign is not None and prints is not None:
        found.append(_sized(trails, first, second, _sizes(members, sign, prints), size_z))
    reasons = pd.concat(found, ignore_index=True).drop_duplicates(["first", "second"])
    kept = _largest_set(len(trails), reasons)
    within = reasons[reasons["first"].isin(kept) & reasons["second"].isin(kept)]
    names = trails["trail"].astype(str).to_numpy()
    named = within.assign(first=names[within["first"]], second=names[within["second"]])
    return FewestAnimals(len(kept), tuple(names[kept]), named.reset_index(drop=True))


def _reasons(rows: list[tuple[int, int, str, str]]) -> pd.DataFrame:
    table = pd.DataFrame(rows, columns=["first", "second", "reason", "why"])
    return table.astype({"first": "int64", "second": "int64"})


def _apart(
    trails: gpd.GeoDataFrame, first: np.ndarray, second: np.ndarray, max_speed_km_h: float
) -> pd.DataFrame:
    """Find trails too far from each other for the time between them, whatever their order."""
    hour = pd.Timedelta(hours=1)
    epoch = pd.Timestamp(0, tz="UTC")
    after = ((trails["made_after"] - epoch) / hour).to_numpy(dtype=float, na_value=np.nan)
    before = ((trails["made_before"] - epoch) / hour).to_numpy(dtype=float, na_value=np.nan)
    longest = np.maximum(before[first] - after[second], before[second] - after[first])
    places = project(trails, working_crs(trails)).geometry.to_numpy()
    km = shapely.distance(places[first], places[second]) / M_PER_KM
    with np.errstate(invalid="ignore"):
        bad = np.flatnonzero(km > max_speed_km_h * np.maximum(longest, 0.0))
    names = trails["trail"].astype(str).to_numpy()
    return _reasons(
        [
            (first[n], second[n], "apart",
             f"{names[first[n]]} and {names[second[n]]} lie {km[n]:.1f} km apart and were made "
             f"within {max(longest[n], 0.0):.1f} hours")
            for n in bad
        ]
    )  # fmt: skip


def _beside(trails: gpd.GeoDataFrame, first: np.ndarray, second: np.ndarray) -> pd.DataFrame:
    """Find trails that run side by side, the same way and at one time as far as is known."""
    lines = project(trails, working_crs(trails)).geometry.to_numpy()
    turn = trails["direction_deg"].to_numpy(dtype=float, na_value=np.nan)
    angle = np.abs((turn[first] - turn[second] + 180.0) % 360.0 - 180.0)
    after, before = trails["made_after"], trails["made_before"]
    one, two = (side.reset_index(drop=True) for side in (after.iloc[first], after.iloc[second]))
    end_one, end_two = (
        side.reset_index(drop=True) for side in (before.iloc[first], before.iloc[second])
    )
    meet = ((one <= end_two) & (two <= end_one)).to_numpy(dtype=bool)
    length = shapely.length(lines)
    with np.errstate(invalid="ignore"):
        likely = meet & (angle <= _SIDE_TURN_DEG)
    likely &= np.minimum(length[first], length[second]) >= _SIDE_LENGTH_M
    rows = np.flatnonzero(likely)
    swap = length[first[rows]] > length[second[rows]]
    short = lines[np.where(swap, second[rows], first[rows])]
    long = lines[np.where(swap, first[rows], second[rows])]
    near = shapely.length(shapely.intersection(short, shapely.buffer(long, _SIDE_M)))
    rows = rows[near >= _SIDE_SHARE * shapely.length(short)]
    names = trails["trail"].astype(str).to_numpy()
    return _reasons(
        [
            (first[n], second[n], "side by side",
             f"{names[first[n]]} and {names[second[n]]} run side by side the same way and may be "
             "of one time, as those of a female with young do")
            for n in rows
        ]
    )  # fmt: skip


def _sizes(members: pd.DataFrame, sign: pd.DataFrame, prints: pd.DataFrame) -> pd.DataFrame:
    """Mean log of the pad width by trail, surface and front or hind, and the prints behind it."""
    table = prints[["sign", "foot", "pad_width_mm"]].dropna()
    table = table.merge(members[["sign", "trail"]], on="sign").merge(
        sign[["sign", "surface"]].dropna(), on="sign"
    )
    table["end"] = table["foot"].str.rsplit("_").str[-1]
    table["log"] = np.log(table["pad_width_mm"].astype(float))
    grouped = table.groupby(["trail", "surface", "end"])["log"].agg(mean_log="mean", number="count")
    return grouped[grouped["number"] >= LEAST_PRINTS].reset_index()


def _sized(
    trails: gpd.GeoDataFrame,
    first: np.ndarray,
    second: np.ndarray,
    sizes: pd.DataFrame,
    size_z: float,
) -> pd.DataFrame:
    """Find trails whose feet differ in size by more than error allows."""
    numbers = pd.Series(np.arange(len(trails)), index=trails["trail"].astype(str))
    sizes = sizes.assign(row=sizes["trail"].astype(str).map(numbers)).dropna(subset=["row"])
    both = sizes.merge(sizes, on=["surface", "end"], suffixes=("", "_other"))
    both = both[both["row"] < both["row_other"]]
    error = np.sqrt(
        _PRINT_SD**2 * (1 / both["number"] + 1 / both["number_other"]) + 2 * _TRAIL_SD**2
    )
    both = both[(both["mean_log"] - both["mean_log_other"]).abs() > size_z * error]
    return _reasons(
        [
            (int(row.row), int(row.row_other), "size",
             f"the {row.end} pads of {row.trail} ({np.exp(row.mean_log):.0f} mm wide, {row.number} "
             f"prints) and {row.trail_other} ({np.exp(row.mean_log_other):.0f} mm, "
             f"{row.number_other}) differ by more than error allows")
            for row in both.itertuples()
        ]
    )  # fmt: skip


def _largest_set(count: int, reasons: pd.DataFrame) -> list[int]:
    """Grow a set in which every two need two animals from each trail; keep the largest."""
    needs = np.zeros((count, count), dtype=bool)
    needs[reasons["first"], reasons["second"]] = True
    needs |= needs.T
    degree = needs.sum(axis=1)
    best = [0]
    for start in np.argsort(-degree, kind="stable"):
        if degree[start] < len(best):
            break
        kept, open_ = [int(start)], needs[start].copy()
        while open_.any():
            among = np.where(open_, (needs & open_).sum(axis=1), -1)
            kept.append(int(among.argmax()))
            open_ &= needs[kept[-1]]
        best = max(best, kept, key=len)
    return sorted(best)
