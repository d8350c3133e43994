"""Coverage: the metres of each segment that were really walked, each counted once.

Between two consecutive matched fixes of one log and part, on one transect, no longer apart than
the gap allowed and not faster than walking, the line between them was walked. A chain of such
steps covers all from its lowest to its highest metre, so a chain is one stretch, and the union
is taken over stretches and not over steps: out and back is one length.
"""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from carnivore_sign.survey.tracks import Track, order_track

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

_COUNTED: Final = ("matched", "off transect", "too fast")
_LEAST_M: Final = 1e-6

#: Steps of this long are far longer than the noise of a fix, so that their sum is a length.
_STEP_S: Final = 60.0


def walked_stretches(matched: pd.DataFrame, *, max_gap_s: float = 120.0) -> pd.DataFrame:
    """List the unbroken stretches of transects that were walked.

    Parameters
    ----------
    matched : DataFrame
        From `match_logs`.
    max_gap_s : float
        Longest time between two fixes that is bridged, seconds. A fix off the transect or too
        fast breaks a stretch; a fix that was set aside for a flag does not.

    Returns
    -------
    DataFrame
        ``walk``, ``transect`` (categorical), ``from_m``, ``to_m``, ``start``, ``end``; one row
        per stretch, in order of time within each log and part.
    """
    track, on_line, joined = _chains(matched, max_gap_s)
    row = track.row
    first = np.flatnonzero(on_line & ~joined)
    along = matched["along_m"].to_numpy()[row]
    if not len(first):
        row, along = row[:0], along[:0]
        low = high = along
        last = first
    else:
        ends = np.append(first[1:], len(row))
        inner = np.where(on_line, along, np.nan)
        low = np.fmin.reduceat(inner, first)
        high = np.fmax.reduceat(inner, first)
        last = _last_on_line(on_line, ends)
    times = matched["time"].array
    return pd.DataFrame(
        {
            "walk": matched["walk"].array[row[first]],
            "transect": matched["transect"].array[row[first]],
            "from_m": low,
            "to_m": high,
            "start": times[row[first]],
            "end": times[row[last]],
        }
    )


def _chains(matched: pd.DataFrame, max_gap_s: float) -> tuple[Track, BoolArray, BoolArray]:
    """Fixes in order, whether each is on a transect, and whether it was walked to unbroken."""
    track = order_track(matched, matched["state"].isin(_COUNTED).to_numpy())
    row = track.row
    on_line = matched["state"].eq("matched").to_numpy()[row]
    walk = matched["walk"].cat.codes.to_numpy()[row]
    transect = matched["transect"].cat.codes.to_numpy()[row]
    joined = track.continues & on_line & np.roll(on_line, 1) & matched["on_foot"].to_numpy()[row]
    joined &= (walk == np.roll(walk, 1)) & (transect == np.roll(transect, 1))
    joined &= np.nan_to_num(track.step_s, nan=np.inf) <= max_gap_s
    return track, on_line, joined


def _last_on_line(on_line: npt.NDArray[np.bool_], ends: IntArray) -> IntArray:
    """Position of the last matched fix before each end."""
    latest = np.maximum.accumulate(np.where(on_line, np.arange(len(on_line)), -1))
    return latest[ends - 1]


def cover_segments(stretches: pd.DataFrame, segments: gpd.GeoDataFrame) -> pd.DataFrame:
    """Add up the metres of each segment that the stretches of each walk cover.

    Parameters
    ----------
    stretches : DataFrame
        From `walked_stretches`.
    segments : GeoDataFrame
        From `cut_segments`.

    Returns
    -------
    DataFrame
        ``walk`` (categorical), ``segment`` (row in `segments`), ``covered_m``; one row per walk
        and segment of which something was covered. A stretch that crosses the border of two
        segments counts to each as far as it lies on it.
    """
    pair, number, _, low, high = _laid_on(stretches, segments)
    covered = union_lengths(number, low, high, groups=len(pair))
    found = pd.DataFrame(
        {
            "walk": pd.Categorical.from_codes(pair // len(segments), dtype=stretches["walk"].dtype),
            "segment": pair % len(segments),
            "covered_m": covered,
        }
    )
    return found.loc[found["covered_m"] > _LEAST_M].reset_index(drop=True)


def walk_lengths(
    matched: pd.DataFrame, segments: gpd.GeoDataFrame, *, max_gap_s: float = 120.0
) -> pd.DataFrame:
    """Add up the metres that each walk walked on each segment, there and back.

    Effort is what was covered, each metre once; this is the length of the way. It is summed
    over steps of a minute, so that a turn may take some 50 m off it, and the noise of single
    fixes adds next to nothing. Of several receivers of one party the one that went farthest
    counts.

    Parameters
    ----------
    matched, segments, max_gap_s
        As for `walked_stretches` and `cover_segments`.

    Returns
    -------
    DataFrame
        ``walk`` (categorical), ``segment`` (row in `segments`), ``walked_m``, ``walked_s`` (how
        long that took, seconds).
    """
    track, on_line, joined = _chains(matched, max_gap_s)
    here = np.flatnonzero(on_line)
    chain = np.cumsum(~joined)[here]
    begins = np.diff(chain, prepend=-1) != 0
    since = track.seconds[here] - track.seconds[here][np.flatnonzero(begins)][np.cumsum(begins) - 1]
    minute = np.floor(since / _STEP_S)
    kept = begins | np.append(begins[1:], True) | (np.diff(minute, prepend=-1.0) != 0)
    here, chain = here[kept], chain[kept]
    row = track.row[here]
    along = matched["along_m"].to_numpy()[row]
    step = np.flatnonzero(chain[1:] == chain[:-1]) + 1
    logs = len(matched["log"].cat.categories)
    carried = matched["walk"].cat.codes.to_numpy().astype(np.int64) * logs
    carried = (carried + matched["log"].cat.codes.to_numpy())[row[step]]
    steps = pd.DataFrame(
        {
            "walk": pd.Categorical(carried),
            "transect": matched["transect"].array[row[step]],
            "from_m": np.minimum(along[step], along[step - 1]),
            "to_m": np.maximum(along[step], along[step - 1]),
            "seconds": track.seconds[here[step]] - track.seconds[here[step - 1]],
        }
    )
    pair, number, stretch, low, high = _laid_on(steps, segments)
    length_m = (steps["to_m"] - steps["from_m"]).to_numpy()[stretch]
    share = np.divide(high - low, length_m, out=np.ones(len(low)), where=length_m > 0)
    seconds = steps["seconds"].to_numpy()[stretch] * share
    receiver, segment = np.divmod(pair, len(segments))
    walk = steps["walk"].cat.categories.to_numpy(dtype=np.int64)[receiver] // logs
    walked = pd.DataFrame(
        {
            "walk": pd.Categorical.from_codes(walk, dtype=matched["walk"].dtype),
            "segment": segment,
            "walked_m": np.bincount(number, weights=high - low, minlength=len(pair)),
            "walked_s": np.bincount(number, weights=seconds, minlength=len(pair)),
        }
    )
    farthest = walked.sort_values("walked_m", ascending=False, kind="stable")
    return farthest.drop_duplicates(["walk", "segment"]).sort_index(ignore_index=True)


def _laid_on(
    stretches: pd.DataFrame, segments: gpd.GeoDataFrame
) -> tuple[IntArray, IntArray, IntArray, FloatArray, FloatArray]:
    """Lay stretches on segments.

    Returns the pairs of walk and segment as one number each, and for every overlap the row of
    its pair, the row of its stretch, and its ends, metres from the start of the segment.
    """
    order, base = _on_one_axis(segments, stretches["transect"])
    span = stretches["transect"].cat.codes.to_numpy().astype(np.int64)
    stretch, segment = _overlaps(stretches, segments, order, base, span)
    from_m = segments["from_m"].to_numpy(dtype=float)[segment]
    to_m = segments["to_m"].to_numpy(dtype=float)[segment]
    low = np.maximum(stretches["from_m"].to_numpy()[stretch], from_m) - from_m
    high = np.minimum(stretches["to_m"].to_numpy()[stretch], to_m) - from_m
    walk = stretches["walk"].cat.codes.to_numpy()[stretch].astype(np.int64)
    pair, number = np.unique(walk * len(segments) + segment, return_inverse=True)
    return pair, number.ravel(), stretch, low, np.maximum(high, low)


def _on_one_axis(segments: gpd.GeoDataFrame, transect: pd.Series) -> tuple[IntArray, FloatArray]:
    """Order of segments along a single axis on which the transects lie end to end."""
    code = pd.Index(transect.cat.categories).get_indexer(segments["transect"])
    order = np.lexsort((segments["from_m"].to_numpy(dtype=float), code))
    longest = float(segments["to_m"].max()) + 1.0
    axis = np.arange(len(transect.cat.categories), dtype=np.float64) * longest
    return order[code[order] >= 0], axis


def _overlaps(
    stretches: pd.DataFrame,
    segments: gpd.GeoDataFrame,
    order: IntArray,
    base: FloatArray,
    span: IntArray,
) -> tuple[IntArray, IntArray]:
    """Pairs of a stretch and a segment that it may touch."""
    code = pd.Index(stretches["transect"].cat.categories).get_indexer(segments["transect"])[order]
    starts = base[code] + segments["from_m"].to_numpy(dtype=float)[order]
    first = np.searchsorted(starts, base[span] + stretches["from_m"], side="right") - 1
    last = np.searchsorted(starts, base[span] + stretches["to_m"], side="right") - 1
    first = np.maximum(first, np.searchsorted(code, span))
    count = np.maximum(last - first + 1, 0)
    stretch = np.repeat(np.arange(len(stretches)), count)
    nth = np.arange(len(stretch)) - np.repeat(np.cumsum(count) - count, count)
    return stretch, order[first[stretch] + nth]


def union_lengths(group: IntArray, low: FloatArray, high: FloatArray, *, groups: int) -> FloatArray:
    """Length of the union of the intervals of each group.

    Parameters
    ----------
    group : array of int
        Group of each interval, 0 to `groups` - 1.
    low, high : array
        Ends of the intervals, not below zero, ``low <= high``.
    groups : int
        Number of groups.

    Examples
    --------
    >>> low, high = np.array([0.0, 5.0, 8.0, 2.0]), np.array([6.0, 7.0, 10.0, 3.0])
    >>> union_lengths(np.array([0, 0, 0, 1]), low, high, groups=2).tolist()
    [9.0, 1.0]
    """
    if not len(low):
        return np.zeros(groups)
    group, low, high = _merge_neighbours(group, low, high)
    order = np.lexsort((low, group))
    group, low, high = group[order], low[order], high[order]
    shift = group * (float(max(high.max(), low.max())) + 1.0)
    reached = np.maximum.accumulate(high + shift)
    before = np.concatenate([[-np.inf], reached[:-1]]) - shift
    added = np.maximum(high - np.maximum(low, before), 0.0)
    return np.bincount(group, weights=added, minlength=groups).astype(np.float64)


def _merge_neighbours(
    group: IntArray, low: FloatArray, high: FloatArray
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Merge each interval with the one in front of it where they meet.

    A chain of intervals, each meeting the next, covers all from its lowest to its highest end.
    Steps come in order of time and nearly all meet, so that little is left to sort.
    """
    meets = (group[1:] == group[:-1]) & (low[1:] <= high[:-1]) & (high[1:] >= low[:-1])
    first = np.flatnonzero(np.append(True, ~meets))
    return group[first], np.minimum.reduceat(low, first), np.maximum.reduceat(high, first)
