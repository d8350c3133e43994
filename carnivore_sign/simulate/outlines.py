"""Drawn prints (simulate): outlines of toes, pad and claws from a few numbers, truth known.

A drawn print is a scheme, not a cast: it has the characters that are taught for its kind
(common practice, no source), scaled to a stated length. The cat scheme: toe 3 leads, teardrop
toes set close around a broad trapezoid pad with two front and three rear lobes, into which
about four toes would fit, no claws. The dog scheme: level middle toes, oval middle and angular
outer toes set apart from a small triangular pad with one front point, into which two to three
toes would fit, blunt claws joined to the toes. Between the two lies every shade: `difficulty`
moves a print from its own scheme to the middle between both.

Millimetres, x to the right, y forward before the print is turned, origin in the pad.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from carnivore_sign.errors import InputError

FloatArray = npt.NDArray[np.float64]

_TOES: Final = ("toe_2", "toe_3", "toe_4", "toe_5")
_CLAWS: Final = ("claw_2", "claw_3", "claw_4", "claw_5")
_SIDES: Final = ("left", "right")
_PLACES: Final = ("front", "hind")


@dataclass(frozen=True)
class PrintScheme:
    """Numbers that a drawn print is made from: a right foot of length 1.

    Attributes
    ----------
    toe_x, toe_y : tuple of float
        Centres of toes 2 to 5 before toes 3 and 2 are moved ahead.
    lead, outer_lead : float
        How far toe 3 is ahead of toe 4, and toe 2 ahead of toe 5.
    toe_length, toe_width : float
        Of each toe.
    splay_deg : float
        Turn of the outer toes outwards.
    taper : float
        How much narrower a toe is at its front than at its back; 0 for an ellipse.
    outer_corners : float
        Depth of the three corners of the outer toes.
    pad_length, pad_width : float
    pad_top : float
        Width of the pad's front as a share of its rear: 0 a triangle, 1 a rectangle.
    rear_lobe_depth, front_lobe_depth : float
        Depth of the hollows between the rear lobes, and between the front lobes.
    pinch : float
        Depth of the hollow in each side of the pad.
    claw_length, claw_width, claw_gap : float
        A gap below 0 lets the claw mark run into the toe.
    """

    toe_x: tuple[float, float, float, float]
    toe_y: tuple[float, float, float, float]
    lead: float
    outer_lead: float
    toe_length: float
    toe_width: float
    splay_deg: float
    taper: float
    outer_corners: float
    pad_length: float
    pad_width: float
    pad_top: float
    rear_lobe_depth: float
    front_lobe_depth: float
    pinch: float
    claw_length: float
    claw_width: float
    claw_gap: float


#: Schemes of a front foot; common practice, no source.
SCHEMES: Final[dict[str, PrintScheme]] = {
    "puma": PrintScheme(
        toe_x=(-0.38, -0.13, 0.13, 0.38), toe_y=(0.27, 0.575, 0.575, 0.27),
        lead=0.07, outer_lead=0.06, toe_length=0.30, toe_width=0.195, splay_deg=14.0,
        taper=0.34, outer_corners=0.0, pad_length=0.46, pad_width=0.60, pad_top=0.62,
        rear_lobe_depth=0.045, front_lobe_depth=0.02, pinch=0.035,
        claw_length=0.06, claw_width=0.015, claw_gap=0.035,
    ),
    "dog": PrintScheme(
        toe_x=(-0.33, -0.115, 0.115, 0.33), toe_y=(0.31, 0.64, 0.64, 0.31),
        lead=0.0, outer_lead=0.0, toe_length=0.285, toe_width=0.185, splay_deg=8.0,
        taper=0.0, outer_corners=0.125, pad_length=0.38, pad_width=0.46, pad_top=0.16,
        rear_lobe_depth=0.0, front_lobe_depth=0.0, pinch=0.01,
        claw_length=0.09, claw_width=0.04, claw_gap=-0.015,
    ),
}  # fmt: skip

#: How much a number of a scheme differs from animal to animal and print to print (SD).
#: Working choices; common practice, no source.
VARIATION: Final[dict[str, float]] = {
    "lead": 0.02, "outer_lead": 0.02, "toe_length": 0.012, "toe_width": 0.010, "splay_deg": 4.0,
    "taper": 0.07, "outer_corners": 0.02, "pad_length": 0.02, "pad_width": 0.02, "pad_top": 0.06,
    "rear_lobe_depth": 0.007, "front_lobe_depth": 0.006, "pinch": 0.012,
}  # fmt: skip

#: Numbers that cannot fall below 0, however they vary.
_NOT_BELOW_ZERO: Final = (
    "taper", "outer_corners", "pad_top", "rear_lobe_depth", "front_lobe_depth", "pinch",
)  # fmt: skip


def draw_prints(
    taxa: npt.ArrayLike,
    *,
    length_mm: npt.ArrayLike = 85.0,
    foot: str | npt.ArrayLike = "right_front",
    claws: bool | None = None,
    with_dewclaw: bool = False,
    difficulty: float = 0.0,
    tracing_mm: float = 0.0,
    rng: np.random.Generator | None = None,
) -> gpd.GeoDataFrame:
    """Draw schematic prints of pumas and dogs, one outline per mark.

    Parameters
    ----------
    taxa : array_like of str
        Keys of `SCHEMES`, one per print.
    length_mm : float or array_like
        Length of each print without claws, about.
    foot : str or array_like of str
        ``left_front``, ``right_front``, ``left_hind`` or ``right_hind``.
    claws : bool, optional
        Draw claw marks. If not given, dogs have them and pumas have none.
    with_dewclaw : bool
        Draw dewclaw (inside) and carpal pad (outside) behind front feet.
    difficulty : float
        From 0, the scheme of the taxon, to 1, the middle between puma and dog.
    tracing_mm : float
        SD of a smooth error of each outline, as of a hand that traces it.
    rng : Generator, optional
        Varies and turns the prints and places the errors. Without it each print is its scheme,
        heading along y.

    Returns
    -------
    GeoDataFrame
        Columns ``print`` (0, 1, ...), ``part``, ``geometry`` (polygons in mm, no CRS: a plane of
        its own), ``taxon`` and ``foot`` as drawn.

    Raises
    ------
    InputError
        If a taxon has no scheme, a foot is unknown, or noise is asked for without `rng`.

    Examples
    --------
    >>> drawn = draw_prints(["puma", "dog"])
    >>> drawn.groupby("print")["part"].count().tolist()
    [5, 9]
    """
    names = np.atleast_1d(np.asarray(taxa, dtype=object))
    feet = np.broadcast_to(np.asarray(foot, dtype=object), names.shape)
    _check(names, feet, difficulty, tracing_mm, rng)
    numbers = _numbers(names, difficulty, rng)
    hind = np.array([str(one).endswith("hind") for one in feet])
    _make_hind(numbers, hind)
    left = np.array([str(one).startswith("left") for one in feet])
    parts = _toe_outlines(numbers) | {"pad": _pad_outline(numbers)} | _claw_outlines(numbers)
    parts |= _behind(with_dewclaw and not hind.all())
    clawed = names == "dog" if claws is None else np.full(len(names), claws)
    size = np.broadcast_to(np.asarray(length_mm, dtype=float), names.shape) * np.where(
        hind, 0.94, 1
    )
    turn = np.zeros(len(names)) if rng is None else rng.uniform(-180.0, 180.0, len(names))
    frames = []
    for part, outline in parts.items():
        shown = np.ones(len(names), dtype=bool)
        if part in _CLAWS:
            shown = clawed
        elif part in ("dewclaw", "carpal_pad"):
            shown = ~hind
        points = np.broadcast_to(outline, (len(names), outline.shape[-1]))[shown]
        points = np.where(left[shown, None], -points.conj(), points) * size[shown, None]
        points = points * np.exp(1j * np.radians(turn[shown]))[:, None]
        if tracing_mm and rng is not None:
            points = points + _tracing_error(points.shape, tracing_mm, rng)
        frames.append(_frame(np.flatnonzero(shown), part, points))
    drawn = pd.concat(frames, ignore_index=True).sort_values("print", kind="stable")
    drawn = drawn.assign(taxon=names[drawn["print"]], foot=feet[drawn["print"]])
    return gpd.GeoDataFrame(drawn.reset_index(drop=True), geometry="geometry")


def draw_scheme(
    scheme: PrintScheme, *, length_mm: float = 85.0, claws: bool = False
) -> gpd.GeoDataFrame:
    """Draw one print from the numbers of a scheme of one's own, as for a page of characters.

    Parameters
    ----------
    scheme : PrintScheme
        Of a right front foot.
    length_mm : float
        Length without claws, about.
    claws : bool
        Draw claw marks.

    Returns
    -------
    GeoDataFrame
        ``part``, ``geometry`` in mm, heading along y.

    Examples
    --------
    >>> draw_scheme(SCHEMES["puma"])["part"].tolist()
    ['toe_2', 'toe_3', 'toe_4', 'toe_5', 'pad']
    """
    numbers = {name: np.array([value]) for name, value in _flat(scheme).items()}
    parts = _toe_outlines(numbers) | {"pad": _pad_outline(numbers)}
    if claws:
        parts |= _claw_outlines(numbers)
    row = np.zeros(1, dtype=np.intp)
    drawn = [_frame(row, part, outline * length_mm) for part, outline in parts.items()]
    joined = pd.concat(drawn, ignore_index=True).drop(columns="print")
    return gpd.GeoDataFrame(joined, geometry="geometry")


def _check(
    names: npt.NDArray[np.object_],
    feet: npt.NDArray[np.object_],
    difficulty: float,
    tracing_mm: float,
    rng: np.random.Generator | None,
) -> None:
    strange = sorted({str(name) for name in names} - set(SCHEMES))
    if strange:
        raise InputError(
            f"no print of '{strange[0]}' can be drawn", remedy=f"Use {' or '.join(SCHEMES)}."
        )
    known = {f"{side}_{place}" for side in _SIDES for place in _PLACES}
    strange = sorted({str(one) for one in feet} - known)
    if strange:
        raise InputError(f"'{strange[0]}' is no foot", remedy=f"Use {', '.join(sorted(known))}.")
    if not 0.0 <= difficulty <= 1.0:
        raise InputError(f"difficulty lies between 0 and 1, and {difficulty} came")
    if tracing_mm and rng is None:
        raise InputError("tracing errors need a random generator", remedy="Hand in rng.")


def _numbers(
    names: npt.NDArray[np.object_], difficulty: float, rng: np.random.Generator | None
) -> dict[str, FloatArray]:
    """Return the numbers of each print: its scheme, moved to the middle, and varied."""
    own = {taxon: _flat(scheme) for taxon, scheme in SCHEMES.items()}
    middle = {key: (own["puma"][key] + own["dog"][key]) / 2.0 for key in own["puma"]}
    numbers = {}
    for key, between in middle.items():
        scheme = np.array([own[str(name)][key] for name in names])
        value = scheme + difficulty * (between - scheme)
        if rng is not None:
            value = value + rng.normal(size=len(names)) * VARIATION.get(key, 0.0)
        numbers[key] = np.maximum(value, 0.0) if key in _NOT_BELOW_ZERO else value
    return numbers


def _flat(scheme: PrintScheme) -> dict[str, float]:
    """Return the numbers of a scheme by name; those of single toes as ``toe_x_2`` and so on."""
    flat: dict[str, float] = {}
    for item in fields(scheme):
        value = getattr(scheme, item.name)
        if isinstance(value, tuple):
            flat |= {f"{item.name}_{toe}": each for toe, each in enumerate(value, start=2)}
        else:
            flat[item.name] = value
    return flat


def _make_hind(numbers: dict[str, FloatArray], hind: npt.NDArray[np.bool_]) -> None:
    """Make hind feet narrower and smaller-padded than front feet, in place."""
    for toe in (2, 3, 4, 5):
        numbers[f"toe_x_{toe}"] = numbers[f"toe_x_{toe}"] * np.where(hind, 0.88, 1.0)
    numbers["toe_width"] = numbers["toe_width"] * np.where(hind, 0.92, 1.0)
    for side in ("pad_width", "pad_length"):
        numbers[side] = numbers[side] * np.where(hind, 0.90, 1.0)


def _toe_outlines(numbers: dict[str, FloatArray]) -> dict[str, npt.NDArray[np.complex128]]:
    """Return the outlines of toes 2 to 5, shape (prints, points)."""
    angle = np.linspace(0.0, 2.0 * np.pi, 36, endpoint=False)
    across, along = np.cos(angle), np.sin(angle)
    outlines = {}
    for number, part in enumerate(_TOES, start=2):
        outer = number in (2, 5)
        outward = -1.0 if number < 4 else 1.0
        width = across * (1.0 - numbers["taper"][:, None] * along)
        shape = width * numbers["toe_width"][:, None] / 2.0 + 1j * (
            along * numbers["toe_length"][:, None] / 2.0
        )
        if outer:
            corner = np.cos(3 * (angle if outward > 0 else np.pi - angle))
            sharper = 0.15 * np.cos(6 * angle)
            shape = shape * (1.0 + numbers["outer_corners"][:, None] * (corner + sharper))
        splay = numbers["splay_deg"][:, None] * (1.0 if outer else 0.25)
        outlines[part] = shape * np.exp(-1j * outward * np.radians(splay)) + _toe_centre(
            numbers, number
        )
    return outlines


def _toe_centre(numbers: dict[str, FloatArray], toe: int) -> npt.NDArray[np.complex128]:
    ahead = {2: 0.5 * numbers["outer_lead"], 3: 0.5 * numbers["lead"]}
    ahead |= {5: -ahead[2], 4: -ahead[3]}
    centre = numbers[f"toe_x_{toe}"] + 1j * (numbers[f"toe_y_{toe}"] + ahead[toe])
    return np.asarray(centre[:, None])


def _pad_outline(numbers: dict[str, FloatArray]) -> npt.NDArray[np.complex128]:
    """Return the outline of the pad, shape (prints, points), from its front round to the left.

    The pad is a trapezoid whose four edges are hollowed, with its corners rounded by the
    lowest harmonics of the outline.
    """
    part = np.linspace(0.0, 1.0, 40, endpoint=False)
    half = numbers["pad_width"][:, None] / 2.0
    long = numbers["pad_length"][:, None]
    top = np.maximum(numbers["pad_top"][:, None], 0.05)
    front_y, rear_y = 0.56 * long, -0.44 * long
    hollow = np.sin(np.pi * part) ** 2
    front = half * top * (1 - 2 * part) + 1j * (
        front_y - 2.0 * numbers["front_lobe_depth"][:, None] * hollow
    )
    down = half * (top + (1 - top) * part) - numbers["pinch"][:, None] * 2.0 * hollow
    left = -down + 1j * (front_y + (rear_y - front_y) * part)
    lobes = np.cos(4.0 * np.pi * part) - 1.0
    rear = half * (2 * part - 1) + 1j * (
        rear_y - 0.05 * np.sin(np.pi * part) - numbers["rear_lobe_depth"][:, None] * lobes
    )
    right = -left[:, ::-1].conj()
    trace = np.concatenate([front, left, rear, right], axis=1)
    rounded = np.fft.fft(_even(trace, 96), axis=1)
    wave = np.abs(np.fft.fftfreq(96, 1 / 96))
    return np.asarray(np.fft.ifft(rounded * np.exp(-((wave / 9.0) ** 2)), axis=1))


def _even(points: npt.NDArray[np.complex128], count: int) -> npt.NDArray[np.complex128]:
    """Place `count` points at equal steps along each closed outline."""
    closed = np.concatenate([points, points[:, :1]], axis=1)
    gone = np.cumsum(np.abs(np.diff(closed, axis=1)), axis=1)
    gone = np.concatenate([np.zeros((len(points), 1)), gone], axis=1)
    wanted = np.arange(count) / count
    return np.stack(
        [np.interp(wanted * far[-1], far, each) for far, each in zip(gone, closed, strict=True)]
    )


def _claw_outlines(numbers: dict[str, FloatArray]) -> dict[str, npt.NDArray[np.complex128]]:
    angle = np.linspace(0.0, 2.0 * np.pi, 16, endpoint=False)
    shape = np.cos(angle) * numbers["claw_width"][:, None] / 2.0 + 1j * (
        np.sin(angle) * numbers["claw_length"][:, None] / 2.0
    )
    reach = (numbers["toe_length"] + numbers["claw_length"]) / 2.0 + numbers["claw_gap"]
    outlines = {}
    for number, part in enumerate(_CLAWS, start=2):
        outward = -1.0 if number < 4 else 1.0
        splay = numbers["splay_deg"] * (1.0 if number in (2, 5) else 0.25)
        heading = np.exp(-1j * outward * np.radians(splay))[:, None]
        moved = (shape + 1j * reach[:, None]) * heading
        outlines[part] = moved + _toe_centre(numbers, number)
    return outlines


def _behind(wanted: bool) -> dict[str, npt.NDArray[np.complex128]]:
    """Return dewclaw, inside, and carpal pad, outside, of a right front foot."""
    if not wanted:
        return {}
    round_about = np.exp(1j * np.linspace(0.0, 2.0 * np.pi, 20, endpoint=False))
    return {"dewclaw": -0.36 - 0.42j + 0.05 * round_about,
            "carpal_pad": 0.22 - 0.62j + 0.10 * round_about}  # fmt: skip


def _tracing_error(
    shape: tuple[int, int], sd_mm: float, rng: np.random.Generator
) -> npt.NDArray[np.complex128]:
    """Return a smooth random displacement of every point: harmonics 0 to 3 along the outline."""
    angle = np.linspace(0.0, 2.0 * np.pi, shape[1], endpoint=False)
    waves = np.concatenate([[np.ones_like(angle)]] + [
        [np.sqrt(2) * np.cos(k * angle), np.sqrt(2) * np.sin(k * angle)] for k in (1, 2, 3)
    ])  # fmt: skip
    weights = rng.normal(size=(2, shape[0], 7)) * sd_mm / np.sqrt(7.0)
    moved = weights @ waves
    return np.asarray(moved[0] + 1j * moved[1])


def _frame(
    rows: npt.NDArray[np.intp], part: str, points: npt.NDArray[np.complex128]
) -> pd.DataFrame:
    xy = np.stack([points.real, points.imag], axis=-1)
    shapes = np.asarray(shapely.polygons(shapely.linearrings(np.concatenate([xy, xy[:, :1]], 1))))
    return pd.DataFrame({"print": rows, "part": part, "geometry": shapes})


def without_lead(scheme: PrintScheme) -> PrintScheme:
    """Return a scheme whose middle and outer toes are level: mirror-symmetric."""
    return replace(scheme, lead=0.0, outer_lead=0.0)
