"""A compiled grid hash that finds the nearest edge of points: what a fused kernel can do.

It needs numba, which the library does not; the benchmark of matching shows it where it is there.
Each edge is listed under every cell that its reach touches, cells share buckets, and a point looks
through the bucket of its own cell.
"""

from __future__ import annotations

import numpy as np
import shapely
from numba import njit

#: Primes that spread the cells of a plane over buckets (Teschner et al. 2003, from memory).
_FIRST, _SECOND = 73856093, 19349663


@njit(cache=False)
def _lists(x0, y0, x1, y1, reach, mask):  # noqa: PLR0917
    """Lay the edges out by bucket: where each bucket's list begins, and the lists."""
    begins = np.zeros(mask + 2, np.int64)
    filled = np.zeros(mask + 2, np.int64)
    lists = np.empty(0, np.int64)
    for again in range(2):
        if again:
            begins[1:] = np.cumsum(filled[:-1])
            filled[:] = begins
            lists = np.empty(begins[-1], np.int64)
        for edge in range(len(x0)):
            left = int(np.floor((min(x0[edge], x1[edge]) - reach) / reach))
            right = int(np.floor((max(x0[edge], x1[edge]) + reach) / reach))
            low = int(np.floor((min(y0[edge], y1[edge]) - reach) / reach))
            top = int(np.floor((max(y0[edge], y1[edge]) + reach) / reach))
            for column in range(left, right + 1):
                for row in range(low, top + 1):
                    bucket = (column * _FIRST ^ row * _SECOND) & mask
                    if again:
                        lists[filled[bucket]] = edge
                    filled[bucket] += 1
    return begins, lists


@njit(cache=False)
def _nearest(px, py, x0, y0, x1, y1, begins, lists, reach):  # noqa: PLR0917
    """Return the nearest edge within reach of each point, the share along it, and the distance."""
    mask = len(begins) - 2
    edges = np.full(len(px), -1, np.int64)
    shares = np.zeros(len(px))
    nearest = np.full(len(px), reach * reach)
    for point in range(len(px)):
        column, row = int(np.floor(px[point] / reach)), int(np.floor(py[point] / reach))
        bucket = (column * _FIRST ^ row * _SECOND) & mask
        for at in range(begins[bucket], begins[bucket + 1]):
            edge = lists[at]
            dx, dy = x1[edge] - x0[edge], y1[edge] - y0[edge]
            rx, ry = px[point] - x0[edge], py[point] - y0[edge]
            share = min(max((rx * dx + ry * dy) / (dx * dx + dy * dy), 0.0), 1.0)
            apart = (rx - share * dx) ** 2 + (ry - share * dy) ** 2
            if apart < nearest[point]:
                nearest[point] = apart
                edges[point], shares[point] = edge, share
    return edges, shares, np.sqrt(nearest)


def compiled_match(xy: np.ndarray, lines: np.ndarray, reach_m: float) -> dict[str, np.ndarray]:
    """Find the nearest line within reach of each point, the grid laid as well.

    Returns
    -------
    dict of str to array
        ``point``, ``line`` (their numbers), ``along_m``, ``offset_m``.
    """
    places, owner = shapely.get_coordinates(lines, return_index=True)
    same = owner[1:] == owner[:-1]
    first, last = places[:-1][same], places[1:][same]
    line = owner[1:][same]
    length = np.hypot(*(last - first).T)
    moved = length > 0
    first, last, line, length = first[moved], last[moved], line[moved], length[moved]
    run = np.cumsum(length) - length
    begun = run - run[np.searchsorted(line, line)]
    ends = [np.ascontiguousarray(column) for column in (*first.T, *last.T)]
    mask = (1 << int(np.ceil(np.log2(8 * len(line))))) - 1
    begins, lists = _lists(*ends, reach_m, mask)
    points = [np.ascontiguousarray(column) for column in xy.T]
    edge, share, offset = _nearest(*points, *ends, begins, lists, reach_m)
    found = np.flatnonzero(edge >= 0)
    of = edge[found]
    along = begun[of] + share[found] * length[of]
    return {"point": found, "line": line[of], "along_m": along, "offset_m": offset[found]}
