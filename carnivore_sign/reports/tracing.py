"""Reports: one offline page on which the marks of a print are traced over its photo.

The page holds the photo, its scripts and its style; it asks no network for anything, and a
content security policy forbids that it could. Its words for what is wrong with an outline, the
parts of a print and the limits it checks against are those of the library, handed over as data.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Final

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from carnivore_sign.errors import InputError
from carnivore_sign.identify.scale import CLICK_ERROR_PX, SCALE_FAULTS
from carnivore_sign.records.outline_checks import FAULTS, PLAUSIBLE_LENGTH_MM, UNIT_FACTOR
from carnivore_sign.records.outlines import PART_NAMES
from carnivore_sign.records.vocabularies import FEET, PRINT_PARTS
from carnivore_sign.reports.tracing_photo import MAX_SIDE_PX, Picture, read_picture
from carnivore_sign.units import METRES, MM_PER_M, SPELLINGS
from carnivore_sign.writing import write_whole

#: The scripts of the page, in the order in which they are read.
SCRIPTS: Final = (
    "geometry", "scale", "measure", "checks", "document", "exchange",
    "view", "actions", "commands", "pointer", "panel", "start",
)  # fmt: skip

#: Names of the parts as the page shows them.
SHOWN_PARTS: Final[dict[str, str]] = {
    part: {"toe": "Toe, unnumbered", "claw": "Claw, unnumbered", "pad": "Main pad"}.get(
        part, part.replace("_", " ").capitalize()
    )
    for part in PRINT_PARTS
}

#: The order of the buttons that choose a part, and how each is drawn.
_CHIPS: Final = (
    ("toe_2", "toe"), ("toe_3", "toe"), ("toe_4", "toe"), ("toe_5", "toe"),
    ("pad", "pad"), ("dewclaw", "other"), ("carpal_pad", "other"),
    ("claw_2", "claw"), ("claw_3", "claw"), ("claw_4", "claw"), ("claw_5", "claw"),
    ("toe", "toe wide"), ("claw", "claw wide"),
)  # fmt: skip

#: What is measured beside the photo: name of the measure, label, unit, decimals, whether chief.
_MEASURES: Final = (
    ("length_mm", "Length", "mm", 1, True),
    ("pad_width_mm", "Pad width", "mm", 1, True),
    ("width_mm", "Width", "mm", 1, False),
    ("length_to_width", "Length over width", "", 2, False),
    ("pad_length_mm", "Pad length", "mm", 1, False),
    ("toes_in_pad_ratio", "Toes that fit into the pad", "", 1, False),
    ("toe_3_lead_mm", "Toe 3 leads toe 4 by", "mm", 1, False),
    ("length_with_claws_mm", "Length with claws", "mm", 1, False),
)

#: Units that a length beside the print may be given in.
_UNITS: Final = ("mm", "cm", "in")

_WAY_NOTES: Final = {
    "length": "Right where the camera looked straight down and the ruler lay level with the "
    "print. On a tilted photo use a square, a card, or two rulers.",
    "corners": "Takes out the tilt of the camera whole. Click clockwise as seen on the ground.",
    "rulers": "Takes out a tilt as far as a stretch can. The second ruler points a quarter turn "
    "to the left of the first.",
}

_PAGE_WORDS: Final = {
    "noLength": "a length of the scale is no number above 0: type it in its field",
    "clickAgain": "Click them clockwise as seen from above (S), or mirror the photo back (M).",
    "clickRulers": "Click the zero of each ruler first; the second points a quarter turn to the "
    "left of the first. Or mirror the photo back (M).",
    "scaleFirst": "set the scale first: without it pixels are no millimetres",
    "nothingDrawn": "no outline is drawn yet",
    "sameName": "two prints have one name: give each a number of its own, then save",
    "noGeoJson": "this is no GeoJSON file of outlines",
    "otherPhoto": "they were traced on another photo and may not lie on their marks here",
    "manyToes": "more than four toes: a second print may lie on this one; trace all of them, the "
    "library proposes which marks belong together",
    "manyPads": "two main pads: a second print lies on this one; the library parts them, or trace "
    "each print under a name of its own",
}


def write_tracing_page(
    photo: str | Path,
    path: str | Path | None = None,
    *,
    sign: str = "",
    max_side_px: int = MAX_SIDE_PX,
) -> Path:
    """Write a page on which the prints of a photo are traced.

    Parameters
    ----------
    photo : path-like
        The photo, with a ruler or a card beside the print.
    path : path-like, optional
        Where to, ending in .html; beside the photo, if not given.
    sign : str
        Name of the sign in the notebook, filled in beforehand.
    max_side_px : int
        Longest side of the picture in the page.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    FileUnreadable
        If the photo cannot be read.
    InputError
        If `path` does not end in .html.

    Examples
    --------
    >>> import tempfile
    >>> from PIL import Image
    >>> folder = Path(tempfile.mkdtemp())
    >>> Image.new("RGB", (64, 48)).save(folder / "photo.jpg")
    >>> write_tracing_page(folder / "photo.jpg", folder / "trace.html", sign="S014").name
    'trace.html'
    """
    photo = Path(photo)
    target = photo.with_name(f"{photo.stem}-tracing.html") if path is None else Path(path)
    if target.suffix.lower() not in (".html", ".htm"):
        raise InputError("a page ends in .html", file=target, remedy="Name it so.")
    if not target.parent.is_dir():
        raise InputError("its folder does not exist", file=target, remedy="Create it first.")
    page = tracing_page(photo.name, read_picture(photo, max_side_px=max_side_px), sign=sign)
    return write_whole(target, page.encode("utf-8"))


def tracing_page(name: str, picture: Picture, *, sign: str = "") -> str:
    """Return the page on which the prints of a picture are traced.

    Parameters
    ----------
    name : str
        Name of the photo's file, whatever it may be.
    picture : Picture
        The photo as the page holds it.
    sign : str
        The sign that it shows, if that is known.

    Returns
    -------
    str
        One page that fetches nothing.

    Examples
    --------
    >>> page = tracing_page("<b>.jpg", Picture("data:image/jpeg;base64,", 40, 30, "0" * 64))
    >>> "<b>.jpg" in page, "&lt;b&gt;.jpg" in page
    (False, True)
    """
    config = _config(_readable(name), picture, _readable(sign))
    style, script = _style(), _script()
    return _environment().get_template("tracing/page.html.jinja").render(
        config=config,
        config_json=Markup(_json_in_html(config)),
        image=picture.data_uri,
        style=Markup(style),
        style_hash=_csp_hash(style),
        script=Markup(script),
        script_hash=_csp_hash(script),
        chips=[{"part": part, "kind": kind, "name": SHOWN_PARTS[part]} for part, kind in _CHIPS],
        measures=[
            {"name": name, "label": label, "unit": unit, "digits": digits, "chief": chief}
            for name, label, unit, digits, chief in _MEASURES
        ],
    )  # fmt: skip


def _config(name: str, picture: Picture, sign: str) -> dict[str, Any]:
    """Gather what the scripts need to know, the words of the library among it."""
    stem = Path(name).stem.strip() or "photo"
    return {
        "photo": name,
        "stem": stem,
        "sign": sign,
        "saveAs": f"{_plain_file_name(stem)}-outlines.geojson",
        "photoHash": picture.sha256,
        "width": picture.width_px,
        "height": picture.height_px,
        "parts": list(PRINT_PARTS),
        "partNames": SHOWN_PARTS,
        "feet": list(FEET),
        "partWords": PART_NAMES,
        "unitWords": {word: METRES[unit] * MM_PER_M for word, unit in SPELLINGS.items()},
        "mmPerUnit": {unit: METRES[unit] * MM_PER_M for unit in _UNITS},
        "clickErrorPx": CLICK_ERROR_PX,
        "plausibleLengthMm": list(PLAUSIBLE_LENGTH_MM),
        "unitFactor": UNIT_FACTOR,
        "wayNotes": _WAY_NOTES,
        "words": FAULTS | SCALE_FAULTS | _PAGE_WORDS,
    }


def _readable(name: str) -> str:
    """Return a file's name without bytes that are no text and signs that cannot be seen."""
    text = name.encode("utf-8", errors="replace").decode("utf-8")
    return "".join(letter if letter.isprintable() else "\ufffd" for letter in text)


def _plain_file_name(stem: str) -> str:
    """Return a name that every system takes for a file."""
    return re.sub(r"[^\w.-]+", "_", stem).strip("._")[:80] or "photo"


def _json_in_html(value: Any) -> str:
    """Write JSON that can end no element of a page."""
    text = json.dumps(value, ensure_ascii=True)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _csp_hash(text: str) -> str:
    """Return the hash by which a content security policy knows a script or a style (CSP 3)."""
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return "sha256-" + base64.b64encode(digest).decode("ascii")


@cache
def _style() -> str:
    return _part("page.css")


@cache
def _script() -> str:
    """Join the scripts into one, with the data of the page read first."""
    head = (
        '"use strict";\n'
        'const CONFIG = JSON.parse(document.getElementById("config").textContent);\n'
        "const WORDS = CONFIG.words;\n"
    )
    return "(() => {\n" + head + "\n".join(_part(f"{name}.js") for name in SCRIPTS) + "})();\n"


def _part(name: str) -> str:
    place = files("carnivore_sign.reports") / "templates" / "tracing" / name
    return place.read_text(encoding="utf-8")


@cache
def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("carnivore_sign.reports"),
        autoescape=True,
        undefined=StrictUndefined,
        keep_trailing_newline=True,
    )
