"""Drawings: each state of each character of a print, drawn so that the eye goes to it.

The print is drawn in light grey and what the character is about in black, so that a copy in
black and white keeps it. The prints are schemes (see ``simulate/outlines.py``), not casts of
real feet, and every state is drawn as clearly as it ever gets.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
import shapely
from shapely import affinity

from carnivore_sign.simulate import SCHEMES, PrintScheme, draw_scheme

PALE: Final = "#cfcfcf"
DARK: Final = "#111111"
WHITE: Final = "#ffffff"
#: Room around the print in a drawing, mm of the drawn foot.
_ROOM_MM: Final = 4.0
_PUMA: Final = replace(SCHEMES["puma"], lead=0.10, rear_lobe_depth=0.05)
_DOG: Final = SCHEMES["dog"]
_CLAWS: Final = ("claw_2", "claw_3", "claw_4", "claw_5")


@dataclass
class _Picture:
    """A drawing: filled shapes and lines, in the order in which they lie on each other."""

    shapes: list[tuple[shapely.Geometry, str]] = field(default_factory=list)
    lines: list[tuple[shapely.Geometry, float, str]] = field(default_factory=list)
    parts: dict[str, shapely.Polygon] = field(default_factory=dict)

    def svg(self) -> str:
        """Return the drawing as SVG, as large as what is in it."""
        every = [shape for shape, _ in self.shapes] + [line for line, _, _ in self.lines]
        west, south, east, north = shapely.total_bounds(np.array(every, dtype=object))
        west, south, east, north = (
            west - _ROOM_MM, south - _ROOM_MM, east + _ROOM_MM, north + _ROOM_MM,
        )  # fmt: skip
        body = "".join(
            f'<path d="{_path(shape)}" fill="{color}" fill-rule="evenodd"/>'
            for shape, color in self.shapes
        )
        body += "".join(
            f'<path d="{_path(line)}" fill="none" stroke="{DARK}" stroke-width="{width}" '
            f'stroke-linecap="round" stroke-linejoin="round"{dashes}/>'
            for line, width, dashes in self.lines
        )
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{west:.2f} {-north:.2f} '
            f'{east - west:.2f} {north - south:.2f}">{body}</svg>'
        )


def draw_state(character: str, state: str) -> str:
    """Draw one state of a character as SVG.

    Parameters
    ----------
    character, state : str
        A key of `CHARACTERS`, and one of its states.

    Examples
    --------
    >>> draw_state("claws", "none")[:4]
    '<svg'
    """
    return _DRAWN[character](state).svg()


def _print(scheme: PrintScheme, dark: Iterable[str], *, claws: bool = False) -> _Picture:
    """Draw a print in grey, and some of its parts in black."""
    picture = _Picture()
    for row in draw_scheme(scheme, claws=claws).itertuples():
        picture.parts[row.part] = row.geometry
        picture.shapes.append((row.geometry, DARK if row.part in dark else PALE))
    return picture


def _leading_toe(state: str) -> _Picture:
    picture = _print(_PUMA if state == "one_leads" else _DOG, ("toe_3", "toe_4"))
    for toe in ("toe_3", "toe_4"):
        west, _, east, north = picture.parts[toe].bounds
        reach = shapely.LineString([(west - 6, north + 1), (east + 6, north + 1)])
        picture.lines.append((reach, 1.3, ' stroke-dasharray="3 3"'))
    return picture


def _toe_shape(state: str) -> _Picture:
    scheme = replace(_PUMA, taper=0.45) if state == "teardrop" else replace(_DOG, taper=0.0)
    return _print(scheme, ("toe_3", "toe_4"))


def _outer_toes(state: str) -> _Picture:
    scheme = _PUMA if state == "smooth" else replace(_DOG, outer_corners=0.15)
    return _print(scheme, ("toe_2", "toe_5"))


def _pad_rear_edge(state: str) -> _Picture:
    if state == "three_lobes":
        return _print(_PUMA, ("pad",))
    picture = _print(_DOG if state == "single_curve" else _PUMA, ())
    pad = picture.parts["pad"]
    if state == "two_lobes":
        pad = _two_lobed(draw_scheme(replace(_PUMA, rear_lobe_depth=0.0)).geometry.iloc[4])
    picture.shapes[4] = (pad, DARK)
    return picture


def _two_lobed(pad: shapely.Polygon) -> shapely.Polygon:
    """Take one round bite out of the middle of the rear edge, and round its corners."""
    west, south, east, _ = pad.bounds
    bite = affinity.scale(
        shapely.Point((west + east) / 2, south - 1.5).buffer(1.0), 0.13 * (east - west), 10.0
    )
    return pad.difference(bite).buffer(-2.0).buffer(4.0).buffer(-2.0)


def _pad_front_edge(state: str) -> _Picture:
    return _print(_PUMA if state == "two_lobes_or_flat" else _DOG, ("pad",))


#: Where copies of a toe, laid across, have their middles: in shares of the length of a toe
#: across and of its width along, from the middle of the pad.
_FOUR_IN_PAD: Final = ((-0.5, 0.42), (0.5, 0.42), (-0.5, -0.58), (0.5, -0.58))
_TWO_IN_PAD: Final = ((0.0, 0.4), (0.0, -0.6))


def _toes_in_pad(state: str) -> _Picture:
    cat = state == "about_four"
    picture = _print(_PUMA if cat else _DOG, ("pad",))
    toe = affinity.rotate(picture.parts["toe_4"], 90)
    west, south, east, north = toe.bounds
    pad = picture.parts["pad"].envelope.centroid
    for across, along in _FOUR_IN_PAD if cat else _TWO_IN_PAD:
        x, y = pad.x + across * (east - west), pad.y + along * (north - south)
        laid = affinity.translate(toe, x - toe.centroid.x, y - toe.centroid.y)
        picture.shapes.append((laid.buffer(-1.2), WHITE))
        picture.lines.append((laid.buffer(-1.2).exterior, 0.7, ""))
    return picture


def _pad_texture(state: str) -> _Picture:
    picture = _print(_PUMA if state == "smooth" else _DOG, ("pad",))
    if state == "pebbled":
        pad = picture.parts["pad"].buffer(-1.5)
        west, south, east, north = pad.bounds
        rows = np.arange(south, north, 3.6)
        for number, y in enumerate(rows):
            for x in np.arange(west + (number % 2) * 1.8, east, 3.6):
                dot = shapely.Point(x, y).buffer(1.1)
                if pad.contains(dot):
                    picture.shapes.append((dot, WHITE))
    return picture


def _claws(state: str) -> _Picture:
    fine = replace(_PUMA, claw_length=0.075, claw_width=0.022, claw_gap=0.04)
    blunt = replace(_DOG, claw_length=0.11, claw_width=0.055, claw_gap=-0.02)
    picture = _print(blunt if state == "blunt_joined" else fine, _CLAWS, claws=True)
    if state == "none":
        bare = _print(_PUMA, ())
        for claw in _CLAWS:
            ring = picture.parts[claw].centroid.buffer(5.0).exterior
            bare.lines.append((ring, 0.9, ' stroke-dasharray="2 2"'))
        return bare
    return picture


def _negative_space(state: str) -> _Picture:
    picture = _print(_PUMA if state == "c_shape" else _DOG, ())
    pad, toe, outer = (picture.parts[name] for name in ("pad", "toe_4", "toe_5"))
    middle = pad.envelope.centroid.x
    front = (pad.bounds[3] + toe.bounds[1]) / 2
    low, top = outer.bounds[1] - 3.0, outer.bounds[3] + 5.0
    side = (toe.bounds[2] + outer.bounds[0]) / 2 - middle
    if state == "c_shape":
        angle = np.linspace(0.0, np.pi, 60)
        strokes = [
            np.column_stack(
                [middle + 1.15 * side * np.cos(angle), low + 4 + (front - low - 4) * np.sin(angle)]
            )
        ]
    elif state == "h_shape":
        strokes = [np.array([(middle + x, low), (middle + x, top)]) for x in (-side, side)]
        strokes.append(np.array([(middle - side, front), (middle + side, front)]))
    else:
        far = 1.25 * side
        strokes = [
            np.array([(middle - x, front - 19.0), (middle + x, front + 19.0)]) for x in (-far, far)
        ]
    picture.lines += [(shapely.LineString(stroke), 3.2, "") for stroke in strokes]
    return picture


def _outline(state: str) -> _Picture:
    if state == "rounder":
        picture = _print(_PUMA, ())
    else:
        picture = _print(replace(_DOG, toe_x=(-0.28, -0.1, 0.1, 0.28), toe_width=0.165), ())
    every = shapely.union_all(list(picture.parts.values()))
    west, south, east, north = every.bounds
    middle = shapely.Point((west + east) / 2, (south + north) / 2)
    oval = affinity.scale(middle.buffer(1.0), 0.58 * (east - west), 0.58 * (north - south))
    picture.lines.append((oval.exterior, 1.6, ""))
    return picture


_DRAWN: Final[dict[str, Callable[[str], _Picture]]] = {
    "leading_toe": _leading_toe,
    "toe_shape": _toe_shape,
    "outer_toes": _outer_toes,
    "pad_rear_edge": _pad_rear_edge,
    "pad_front_edge": _pad_front_edge,
    "toes_in_pad": _toes_in_pad,
    "pad_texture": _pad_texture,
    "claws": _claws,
    "negative_space": _negative_space,
    "outline": _outline,
}


def _path(shape: shapely.Geometry) -> str:
    """Return a shape as SVG path data, y turned downwards."""
    lines = []
    for one in shapely.get_parts(shape):
        rings = [one.exterior, *one.interiors] if one.geom_type == "Polygon" else [one]
        for ring in rings:
            points = " L".join(f"{x:.2f} {-y:.2f}" for x, y in shapely.get_coordinates(ring))
            lines.append(f"M{points}" + ("Z" if one.geom_type == "Polygon" else ""))
    return "".join(lines)
