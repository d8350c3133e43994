"""GPX scan columns: the texts of scanned track points, read many at once into columns."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from carnivore_sign.intake.gpx_points import MEASURES, SIGNED, extras_as_json
from carnivore_sign.intake.texts import Text, decimals, moments_ms

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
#: Which of the points under construction: their places, or all of them.
Places = IntArray | slice

SPACE: Final = b" \t\r\n"
#: Letters that may stand in a text: plain ASCII without what begins a tag or an entity or ends
#: a section of character data.
TEXT_LETTERS: Final = bytes({*SPACE, *range(0x20, 0x7F)} - {*b"<&]"})
#: Longest text, in bytes, that is cut out.
_MAX_PIECE: Final = 1000


class Irregular(Exception):
    """The file is not of the kind that can be scanned."""


@dataclass
class ScanColumns:
    """The columns under construction."""

    count: int
    lon: FloatArray = field(init=False)
    lat: FloatArray = field(init=False)
    time_ms: IntArray = field(init=False)
    measures: dict[str, FloatArray] = field(default_factory=dict)
    texts: dict[str, npt.NDArray[np.object_]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.lon, self.lat = np.empty(self.count), np.empty(self.count)
        self.time_ms = np.full(self.count, np.iinfo(np.int64).min, dtype=np.int64)

    def fill(self, name: str, where: Places, text: Text, start: IntArray, end: IntArray) -> None:
        """Read the texts of one column."""
        if name == "time":
            moments = moments_ms(text, start, end)
            if moments is None:
                raise Irregular
            self.time_ms[where] = moments
        elif name in ("lat", "lon", *MEASURES):
            self._fill_number(name, where, _numbers(text, start, end))
        else:
            words = cut_pieces(text, start, end)
            if name == "fix":  # the others, such as its name, have no column in a track point
                self._words(name)[where] = words

    def add_extras(self, where: Places, extras: dict[str, list[str]]) -> None:
        """Write texts without a column as JSON."""
        rows = zip(*extras.values(), strict=True)
        words = [extras_as_json(dict(zip(extras, row, strict=True))) for row in rows]
        self._words("extras")[where] = words

    def _fill_number(self, name: str, where: Places, numbers: FloatArray) -> None:
        if name in ("lat", "lon"):
            if np.abs(numbers).max() > (90 if name == "lat" else 180):
                raise Irregular
            (self.lat if name == "lat" else self.lon)[where] = numbers
            return
        if name not in SIGNED and (numbers < 0).any():
            raise Irregular
        self.measures.setdefault(name, np.full(self.count, np.nan))[where] = numbers

    def _words(self, name: str) -> npt.NDArray[np.object_]:
        return self.texts.setdefault(name, np.full(self.count, None, dtype=object))


def cut_pieces(text: Text, start: IntArray, end: IntArray) -> list[str]:
    """Cut out texts, as the referee would give them."""
    if int((end - start).max(initial=0)) > _MAX_PIECE:
        raise Irregular
    data = text.data
    pieces = [data[first:last] for first, last in zip(start.tolist(), end.tolist(), strict=True)]
    if b"".join(pieces).translate(None, TEXT_LETTERS):
        raise Irregular
    return [
        piece.decode("ascii").replace("\r\n", "\n").replace("\r", "\n").strip() for piece in pieces
    ]


def _numbers(text: Text, start: IntArray, end: IntArray) -> FloatArray:
    numbers = decimals(text, start, end)
    if numbers is None:
        raise Irregular
    return numbers
