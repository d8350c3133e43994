"""The web map: a season in one HTML file that opens with no network, a month at a time.

The file carries its script and the map library it is drawn with (Leaflet, whose licence stands
in ``assets/`` and in every file). A policy in the file lets no other script run and nothing be
fetched; the words of the record are data, and the script sets them as text.
"""

from __future__ import annotations

import base64
import hashlib
import json
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from typing import Final

import geopandas as gpd
import pandas as pd
from jinja2 import Environment, PackageLoader, StrictUndefined, Template

from carnivore_sign.errors import InputError
from carnivore_sign.incidents.words import percent, percent_range
from carnivore_sign.maps import style
from carnivore_sign.maps.key import share_used
from carnivore_sign.maps.monthly import SheetWords
from carnivore_sign.maps.web_data import (
    middle_of,
    months_of_web,
    places_of_web,
    sign_of_web,
    style_of_web,
    trails_of_web,
    units_of_web,
)
from carnivore_sign.records.vocabularies import TAXA

_COLORS: Final = {
    "ink": style.INK,
    "quiet": style.QUIET,
    "hairline": style.HAIRLINE,
    "paper": style.PAPER,
    "ground": style.GROUND,
    "focus": style.STATES["not_found"].color,
}


@dataclass(frozen=True, eq=False)
class WebLayers:
    """The layers of a web map besides its units, each left out unless it is given.

    Attributes
    ----------
    trails : GeoDataFrame, optional
        TRAILS.
    sign : GeoDataFrame, optional
        SIGN; columns ``p_<taxon>`` and ``evidence`` are shown with it.
    transects, parcels : GeoDataFrame, optional
        TRANSECTS and PARCELS.
    shares : mapping of str to tuple of float
        Share of the walked units used, with its limits, by period; by default as on a sheet.
    """

    trails: gpd.GeoDataFrame | None = None
    sign: gpd.GeoDataFrame | None = None
    transects: gpd.GeoDataFrame | None = None
    parcels: gpd.GeoDataFrame | None = None
    shares: dict[str, tuple[float, float, float]] = field(default_factory=dict)


def web_map(
    months: gpd.GeoDataFrame,
    *,
    taxon: str,
    time_zone: str,
    words: SheetWords | None = None,
    layers: WebLayers | None = None,
    first: str | None = None,
) -> str:
    """Return a season as one HTML file with a slider of months.

    Parameters
    ----------
    months : GeoDataFrame
        MONTHLY of any number of periods; rows of other taxa are passed over.
    taxon : str
        Key of `TAXA`.
    time_zone : str
        IANA name of the zone in which times are told, and by which trails belong to months.
    words : SheetWords, optional
        Season, title, note, the noun for a unit, and the units of length.
    layers : WebLayers, optional
        What else is drawn.
    first : str, optional
        Month shown at the beginning; by default the last.

    Returns
    -------
    str
        The whole file.

    Raises
    ------
    InputError
        If there is no row of the taxon, or `first` is none of its months.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> months = analysis.season_presence.table
    >>> page = web_map(months, taxon="puma", time_zone="America/Los_Angeles")
    >>> page.lstrip()[:15].lower()
    '<!doctype html>'
    """
    words, layers = words or SheetWords(), layers or WebLayers()
    months = months[months["taxon"].eq(taxon).to_numpy(dtype=bool)]
    periods = sorted(months["period"].unique())
    if not periods or (first is not None and first not in periods):
        raise InputError(
            f"there is no row of '{taxon}'{f' in {first}' if periods else ''} to draw",
            remedy="Compute the months first: season_presence(..., taxon=...).",
        )
    middle = middle_of(months)
    units = units_of_web(months, middle)
    told = [_said(rows, taxon, words, layers) for _, rows in months.groupby("period", sort=True)]
    data = {
        "first": periods.index(first or periods[-1]),
        "unit": words.unit,
        "taxon": TAXA[taxon],
        "long": words.measures.long,
        "style": style_of_web(),
        **units,
        "months": [
            {**month, "said": said}
            for month, said in zip(
                months_of_web(months, units["names"], words.measures), told, strict=True
            )
        ],
        "trails": []
        if layers.trails is None
        else trails_of_web(layers.trails, taxon, periods, time_zone, middle),
        "sign": []
        if layers.sign is None
        else sign_of_web(layers.sign, taxon, periods, time_zone, middle),
        "transects": []
        if layers.transects is None
        else places_of_web(layers.transects, "transect", middle),
        "parcels": []
        if layers.parcels is None
        else places_of_web(layers.parcels, "parcel", middle),
    }
    span = " to ".join(dict.fromkeys([_month(periods[0]), _month(periods[-1])]))
    notes = [
        "One trail is one passage of one animal. A unit that was looked at and left blank keeps a "
        "probability: sign can be missed. Positions are on WGS 84; the map is drawn in the "
        "Mercator projection of the web.",
        *([style.FOUND_AND_USED] if months["p_presence"].notna().any() else []),
        *filter(None, [words.note, words.made_for]),
    ]
    return _page(
        data,
        title=words.title or f"{TAXA[taxon].capitalize()}, {span}",
        subtitle=words.season or "",
        notes=notes,
    )


def _page(data: dict[str, object], *, title: str, subtitle: str, notes: list[str]) -> str:
    library = _asset("leaflet.js").rsplit("//# sourceMappingURL", 1)[0]
    script = _asset("map.js")
    months = data["months"]
    return _template().render(
        title=title,
        subtitle=subtitle,
        notes=notes,
        unit=data["unit"],
        first=data["first"],
        last=len(months) - 1 if isinstance(months, list) else 0,
        hashes=" ".join(f"'sha256-{_digest(text)}'" for text in (library, script)),
        colors=_COLORS,
        library_css=_without_pictures(_asset("leaflet.css")),
        css=_asset("map.css"),
        licence=_asset("leaflet.LICENSE"),
        library_js=library,
        js=script,
        data=_as_data(data),
    )


def _as_data(data: dict[str, object]) -> str:
    """Write data so that nothing in it can end the element that holds it."""
    text = json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for sign in "<>&\u2028\u2029":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return text.encode("utf-8", "replace").decode("utf-8")


def _said(rows: pd.DataFrame, taxon: str, words: SheetWords, layers: WebLayers) -> str:
    """Say one month in two sentences."""
    looked = int((rows["visits"] > 0).sum())
    states = rows["state"].value_counts()
    share = layers.shares.get(str(rows["period"].iloc[0]), share_used(rows))
    said = (
        f"{looked} of {len(rows)} {words.unit}s looked at; {states.get('found_sure', 0)} found, "
        f"sure, {states.get('found_likely', 0)} found, likely."
    )
    if pd.isna(share[0]):
        return f"{said} The share that is used cannot be told."
    return (
        f"{said} Share used, of all that was walked: {percent(share[0])} (95 % limits "
        f"{percent_range(share[1], share[2])})."
    )


def _month(period: str) -> str:
    return pd.Period(period, freq="M").strftime("%B %Y")


def _digest(text: str) -> str:
    return base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")


def _without_pictures(css: str) -> str:
    """Drop the rules that name pictures, which a file by itself does not carry."""
    return "\n".join(line for line in css.splitlines() if "url(" not in line)


@cache
def _asset(name: str) -> str:
    text = (files("carnivore_sign.maps") / "assets" / name).read_text(encoding="utf-8")
    return text.replace("\r\n", "\n")


@cache
def _template() -> Template:
    environment = Environment(
        loader=PackageLoader("carnivore_sign.maps", "assets"),
        autoescape=True,
        undefined=StrictUndefined,
        keep_trailing_newline=True,
    )
    return environment.get_template("map.html.jinja")
