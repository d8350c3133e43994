"""Reports: practice on drawn prints of known makers, in a notebook or as one offline page.

The prints are schemes with the characters that are taught, not casts of real feet: practice
shows whether somebody knows the characters and how well they know what they know. It does not
show how well they read the ground. Every print is measured and weighed by the library itself,
and what is revealed is what the library says, with the even prior that it was weighed under.
"""

from __future__ import annotations

import base64
import hashlib
import json
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from shapely.affinity import rotate

from carnivore_sign.errors import InputError
from carnivore_sign.identify import (
    character_weights,
    characters_from,
    load_evidence,
    measure_print,
    prints_from,
    to_probabilities,
    weigh_characters,
)
from carnivore_sign.maps.style import GROUND, HAIRLINE, INK, PAPER, QUIET
from carnivore_sign.records.vocabularies import MEASURES, NOT_VISIBLE, TAXA
from carnivore_sign.simulate import draw_prints
from carnivore_sign.writing import write_whole

#: What is asked for: puma or dog, the hardest call. Weighed under an even prior.
TAXA_ASKED: Final = ("puma", "dog")
EVEN_PRIOR: Final = {"puma": 0.5, "dog": 0.5}

#: Difficulty (0 a clear scheme, 1 the middle between both) of the first and of the last print.
FIRST_DIFFICULTY: Final = 0.1
LAST_DIFFICULTY: Final = 0.75

#: From which difficulty a print has which level.
LEVELS: Final = ((0.0, "clear"), (0.3, "fair"), (0.55, "hard"))

#: Length in mm, mean and SD, that prints are drawn with (common practice, no source).
_LENGTHS: Final = {"puma": (88.0, 7.0), "dog": (84.0, 12.0)}

#: Chance that a dog shows no claws and that a puma does (common practice, no source).
_CLAWS_UNLIKE: Final = 0.15

#: Bounds of the bins of the reliability table of the page: nobody names what they hold below even.
PRACTICE_EDGES: Final = (0.0, 0.65, 0.85, 1.0)

#: Most prints of one page.
MOST_PRINTS: Final = 200

_SAND: Final = "#efe7d6"
_PRESSED: Final = {"pad": "#5b4a38", "toe": "#6a5743", "claw": "#2f261c"}


@dataclass(frozen=True, eq=False)
class PracticePrint:
    """One drawn print, its answer, and what the library says of it.

    Attributes
    ----------
    name : str
        Names the print in a table of answers.
    level : str
        ``clear``, ``fair`` or ``hard``.
    outlines : GeoDataFrame
        ``part``, ``geometry`` in mm.
    taxon : str
        The answer.
    p_puma : float
        What the library makes of it, puma against dog at even odds beforehand.
    why : DataFrame
        One row per character that spoke, weightiest first: ``character``, ``seen`` (state or
        size), ``for_puma`` (log10 of the odds; below 0 speaks for a dog).
    """

    name: str
    level: str
    outlines: gpd.GeoDataFrame
    taxon: str
    p_puma: float
    why: pd.DataFrame

    def svg(self) -> str:
        """Return the print as SVG, with a bar of 5 cm, and nothing of the answer."""
        left, top, wide, high = _frame(self.outlines)
        marks = "".join(f'<path d="{one["d"]}" fill="{one["fill"]}"/>' for one in _marks(self))
        bar = (
            f'<path d="M{left + 6:.1f} {top + high - 7:.1f}h50" stroke="{INK}" stroke-width="1.4"/>'
            f'<text x="{left + 6:.1f}" y="{top + high - 10:.1f}" font-size="6" '
            f'font-family="sans-serif" fill="{INK}">5 cm</text>'
        )
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="320" height="320" '
            f'viewBox="{left:.1f} {top:.1f} {wide:.1f} {high:.1f}" role="img" '
            f'aria-label="Print {self.name}"><rect x="{left:.1f}" y="{top:.1f}" width="{wide:.1f}" '
            f'height="{high:.1f}" fill="{_SAND}"/>{marks}{bar}</svg>'
        )

    def _repr_svg_(self) -> str:
        """Show the print in a notebook."""
        return self.svg()


def practice_prints(count: int = 12, *, seed: int = 1) -> list[PracticePrint]:
    """Draw prints of pumas and dogs to practise on, clear ones first.

    Parameters
    ----------
    count : int
        How many, 1 to `MOST_PRINTS`.
    seed : int
        The same seed draws the same prints.

    Returns
    -------
    list of PracticePrint
        Each shows itself in a notebook.

    Raises
    ------
    InputError
        If `count` is out of bounds or `seed` below 0.

    Examples
    --------
    >>> prints = practice_prints(2, seed=3)
    >>> prints[0].name, prints[0].level, prints[0].taxon in TAXA_ASKED
    ('3-1', 'clear', True)
    """
    if not 1 <= count <= MOST_PRINTS:
        raise InputError(f"{count} prints were asked for", remedy=f"Ask for 1 to {MOST_PRINTS}.")
    if seed < 0:
        raise InputError(f"a seed is a whole number of 0 or more, and {seed} came")
    rng = np.random.default_rng(seed)
    steps = np.linspace(FIRST_DIFFICULTY, LAST_DIFFICULTY, count)
    taxa = [str(taxon) for taxon in rng.choice(TAXA_ASKED, count)]
    drawn = pd.concat(
        [
            _draw(number, taxon, hard, rng)
            for number, (taxon, hard) in enumerate(zip(taxa, steps, strict=True))
        ],
        ignore_index=True,
    )
    outlines = gpd.GeoDataFrame(drawn, geometry="geometry")
    measured = measure_print(outlines[["print", "part", "geometry"]])
    said, why = _weigh(measured)
    prints = []
    for number, (taxon, hard) in enumerate(zip(taxa, steps, strict=True)):
        level = next(word for least, word in reversed(LEVELS) if hard >= least)
        mine = outlines[outlines["print"].eq(number)][["part", "geometry"]].reset_index(drop=True)
        prints.append(
            PracticePrint(
                f"{seed}-{number + 1}", level, mine, taxon, float(said[number]), why[number]
            )
        )
    return prints


def write_practice_page(path: str | Path, *, prints: int = 12, seed: int = 1) -> Path:
    """Write the practice as one HTML page that needs no network.

    Parameters
    ----------
    path : path-like
        Where to, ending in .html.
    prints : int
        How many.
    seed : int
        The same seed gives the same page.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    InputError
        If `path` does not end in .html or its folder is missing, or as `practice_prints`.

    Examples
    --------
    >>> import tempfile
    >>> write_practice_page(Path(tempfile.mkdtemp()) / "practice.html", prints=2).name
    'practice.html'
    """
    target = Path(path)
    if target.suffix.lower() not in (".html", ".htm"):
        raise InputError("a page ends in .html", file=target, remedy="Name it so.")
    if not target.parent.is_dir():
        raise InputError("its folder does not exist", file=target, remedy="Create it first.")
    return write_whole(target, practice_page(practice_prints(prints, seed=seed)).encode("utf-8"))


def practice_page(prints: list[PracticePrint]) -> str:
    """Return the practice as HTML. The answers stand in it, but not to be read at a glance."""
    style, script = _part("page.css"), _part("page.js")
    data = {
        "taxa": {taxon: TAXA[taxon] for taxon in TAXA_ASKED},
        "edges": PRACTICE_EDGES,
        "sand": _SAND,
        "ink": INK,
        "prints": [_item(one) for one in prints],
    }
    text = json.dumps(data, ensure_ascii=True).replace("<", "\\u003c").replace(">", "\\u003e")
    environment = Environment(
        loader=PackageLoader("carnivore_sign.reports"), autoescape=True, undefined=StrictUndefined
    )
    return environment.get_template("practice/page.html.jinja").render(
        count=len(prints),
        data=Markup(text),
        style=Markup(style),
        style_hash=_hash(style),
        script=Markup(script),
        script_hash=_hash(script),
    )


def _draw(number: int, taxon: str, hard: float, rng: np.random.Generator) -> pd.DataFrame:
    """Draw one print, heading roughly up the page, with claws now and then unlike its kind."""
    mean, sd = _LENGTHS[taxon]
    unlike = rng.random() < _CLAWS_UNLIKE
    drawn = draw_prints(
        [taxon],
        length_mm=float(np.clip(rng.normal(mean, sd), 60.0, 115.0)),
        foot=str(rng.choice(["left_front", "right_front", "left_hind", "right_hind"])),
        claws=(taxon == "dog") != unlike,
        difficulty=float(hard),
        tracing_mm=0.3,
        rng=rng,
    )
    toes = drawn[drawn["part"].str.startswith("toe")].geometry.union_all().centroid
    pad = drawn[drawn["part"].eq("pad")].geometry.union_all().centroid
    heading = np.degrees(np.arctan2(toes.y - pad.y, toes.x - pad.x))
    turn = 90.0 - heading + rng.uniform(-20.0, 20.0)
    turned = [rotate(one, turn, origin=(0.0, 0.0)) for one in drawn.geometry]
    return pd.DataFrame({"print": number, "part": drawn["part"], "geometry": turned})


def _weigh(measured: pd.DataFrame) -> tuple[np.ndarray, list[pd.DataFrame]]:
    """Return the probability of puma of each print, and the weight of each of its characters."""
    evidence = load_evidence()
    table = prints_from(measured)
    p_puma = to_probabilities(weigh_characters(table, evidence), EVEN_PRIOR)["p_puma"].to_numpy()
    weights = character_weights(table, evidence, taxon="puma", against="dog")
    words = characters_from(measured).set_index(["print", "character"])["state"]
    why = []
    for row, name in enumerate(measured.index):
        lines = [
            (character, _seen(character, name, words, table), float(weight))
            for character, weight in weights.iloc[row].items()
        ]
        told = pd.DataFrame(lines, columns=["character", "seen", "for_puma"])
        told = told[told["seen"].ne("") & told["for_puma"].abs().gt(1e-9)]
        order = told["for_puma"].abs().sort_values(ascending=False, kind="stable").index
        why.append(told.loc[order].reset_index(drop=True))
    return p_puma, why


def _seen(character: Any, name: Any, words: pd.Series, table: pd.DataFrame) -> str:
    """Say in words what was measured of a character; nothing where it was not."""
    if character in MEASURES:
        size = table.loc[name, character] if character in table else np.nan
        return f"{size:.0f} mm" if np.isfinite(size) else ""
    state = str(words[(name, character)])
    return "" if state == NOT_VISIBLE else state.replace("_", " ")


def _frame(outlines: gpd.GeoDataFrame) -> tuple[float, float, float, float]:
    """Return left, top, width and height of the picture in mm, y downwards; a square."""
    low_x, low_y, high_x, high_y = outlines.total_bounds
    side = max(high_x - low_x, high_y - low_y, 110.0) + 30.0
    return (low_x + high_x - side) / 2, -(low_y + high_y + side) / 2, side, side


def _marks(one: PracticePrint) -> list[dict[str, str]]:
    """Return the outline of each mark as an SVG path, with its fill."""
    marks = []
    for part, shape in zip(one.outlines["part"], one.outlines.geometry, strict=True):
        points = shapely.get_coordinates(shape)[:-1]
        path = "M" + "L".join(f"{x:.1f} {-y:.1f}" for x, y in points) + "Z"
        marks.append({"d": path, "fill": _PRESSED[str(part).split("_")[0]]})
    return marks


def _item(one: PracticePrint) -> dict[str, Any]:
    """Return what the page needs of a print; the answer is wrapped up."""
    answer = {
        "taxon": one.taxon,
        "pPuma": round(one.p_puma, 4),
        "why": [
            [
                str(row.character).replace("_mm", "").replace("_", " "),
                row.seen,
                round(row.for_puma, 3),
            ]
            for row in one.why.itertuples()
        ],
    }
    wrapped = base64.b64encode(json.dumps(answer).encode("utf-8")).decode("ascii")
    return {
        "name": one.name,
        "level": one.level,
        "frame": [round(value, 1) for value in _frame(one.outlines)],
        "marks": _marks(one),
        "answer": wrapped[::-1],
    }


@cache
def _part(name: str) -> str:
    folder = files("carnivore_sign.reports").joinpath("templates/practice")
    text = folder.joinpath(name).read_text(encoding="utf-8")
    if name.endswith(".css"):
        for word, color in (("INK", INK), ("PAPER", PAPER), ("QUIET", QUIET),
                            ("HAIRLINE", HAIRLINE), ("GROUND", GROUND)):  # fmt: skip
            text = text.replace(f"@{word}", color)
    return text


def _hash(text: str) -> str:
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return "sha256-" + base64.b64encode(digest).decode("ascii")
