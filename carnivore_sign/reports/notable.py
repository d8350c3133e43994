"""Notable: the trails of a month that show most of the taxon, with their gait and photos.

Notable are those that count as likely or sure, the ones with most prints and the longest first.
Photos are made small and encoded anew, so that neither place nor camera goes along.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from pathlib import Path
from typing import Final, NamedTuple

import geopandas as gpd
import pandas as pd
import shapely
from matplotlib.font_manager import findfont
from PIL import Image, ImageDraw, ImageFont

from carnivore_sign.incidents.words import percent
from carnivore_sign.maps.readers import Edition
from carnivore_sign.maps.style import INK, PAPER
from carnivore_sign.records.tables import taxon_column
from carnivore_sign.records.vocabularies import LIKELY_FROM, TAXA
from carnivore_sign.reports.content import Block, FigureBlock, Heading, Paragraph, TableBlock
from carnivore_sign.reports.record import PageRecord
from carnivore_sign.reports.tracing_photo import open_upright
from carnivore_sign.reports.wording import count, taxon_words

#: The most trails, and the most photos, that are shown.
MOST_TRAILS: Final = 8
MOST_PHOTOS: Final = 6
#: Size of a photo on the sheet, how many stand in a row, and the room between, pixels.
_PHOTO_PX: Final = (440, 330)
_IN_A_ROW: Final = 3
_GAP_PX: Final = 16
_LABEL_PX: Final = 34
_QUALITY: Final = 85


class TrailPhoto(NamedTuple):
    """A photo of one sign of a trail: its file, and what it is of.

    Attributes
    ----------
    trail, sign : str
        What it is of.
    path : Path
        The file.
    """

    trail: str
    sign: str
    path: Path


def notable_trails(trails: gpd.GeoDataFrame, taxon: str, edition: Edition) -> gpd.GeoDataFrame:
    """Return the notable trails of a month that a reader may see one by one.

    Parameters
    ----------
    trails : GeoDataFrame
        TRAILS of the month.
    taxon : str
        Key of `TAXA`.
    edition : Edition
        For whom: managers see all, a landowner those that lie on the holding, the public none.

    Returns
    -------
    GeoDataFrame
        At most `MOST_TRAILS` rows of `trails`, most telling first.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> from carnivore_sign.maps import edition_for
    >>> len(notable_trails(analysis.trails, "puma", edition_for("public")))
    0
    """
    if edition.reader == "public" or (not edition.exact and edition.land is None):
        return trails.iloc[:0]
    likely = trails[trails[taxon_column(taxon)].ge(LIKELY_FROM).to_numpy(dtype=bool)]
    if edition.land is not None:
        likely = likely[shapely.covered_by(likely.geometry.to_numpy(), edition.land)]
    order = ["print_count", "length_m", taxon_column(taxon), "trail"]
    return likely.sort_values(order, ascending=[False, False, False, True]).head(MOST_TRAILS)


def notable_blocks(
    trails: gpd.GeoDataFrame,
    taxon: str,
    record: PageRecord,
    photos: tuple[TrailPhoto, ...] = (),
) -> tuple[Block, ...]:
    """Print the notable trails of a month, and their photos.

    Parameters
    ----------
    trails : GeoDataFrame
        TRAILS of the month; with the columns of `with_grounds` their stride is printed too.
    taxon, record
        As for `monthly_report`.
    photos : tuple of TrailPhoto
        Photos at hand; those of other trails are passed over.
    """
    rows = notable_trails(trails, taxon, record.edition)
    if rows.empty:
        return ()
    words = taxon_words(taxon)
    named = record.edition.exact
    label = rows["trail"] if named else pd.Series(range(1, len(rows) + 1), rows.index).astype(str)
    frame = pd.DataFrame(
        {
            "Trail": label,
            "Found": rows["time"].map(record.local),
            "Length": rows["length_m"],
            "Went": [_compass(degrees) for degrees in rows["direction_deg"].astype(float)],
            "Sign": rows["sign_count"],
            "Prints": rows["print_count"],
            **_strides(rows),
            TAXA[taxon].capitalize(): [percent(p) for p in rows[taxon_column(taxon)]],
        }
    )
    caption = (
        f"Trails that are likely or surely those of {words.many}, with most prints first. A full "
        "stride is from one print to the next of the same foot."
    )
    table = TableBlock(frame, caption, {"Length": "m"}, {"Length": 0})
    shown = [p for p in photos if p.trail in set(rows["trail"])][:MOST_PHOTOS]
    names = dict(zip(rows["trail"], label, strict=True))
    return (Heading("Notable trails"), table, *_photo_blocks(shown, names, named=named))


def _strides(rows: pd.DataFrame) -> Mapping[str, object]:
    if "stride_m" not in rows:
        return {}
    told = [
        None if pd.isna(row.stride_m) else f"{row.stride_m:.2f} ({row.strides} noted)"
        for row in rows.itertuples()
    ]
    return {"Full stride, m": told}


def _compass(degrees: float) -> str | None:
    """Name one of eight directions; None where none is known."""
    if pd.isna(degrees):
        return None
    return ("N", "NE", "E", "SE", "S", "SW", "W", "NW")[round(degrees / 45) % 8]


def _photo_blocks(
    photos: list[TrailPhoto], names: Mapping[str, str], *, named: bool
) -> tuple[Block, ...]:
    if not photos:
        return ()
    told = [
        f"{number}: trail {names[photo.trail]}{f', sign {photo.sign}' if named else ''}"
        for number, photo in enumerate(photos, start=1)
    ]
    caption = f"{count(len(photos), 'photo')} of notable trails. {'; '.join(told)}."
    alt = f"Photos of sign, numbered. {caption}"
    note = "Photos are shown small and without what the camera wrote into them."
    return (FigureBlock(photo_sheet([p.path for p in photos]), caption, alt), Paragraph(note))


def photo_sheet(paths: list[Path]) -> bytes:
    """Put photos side by side, numbered from 1, on one JPEG that carries nothing but pixels.

    Parameters
    ----------
    paths : list of Path
        Photos that Pillow reads.

    Raises
    ------
    FileUnreadable
        If one is no picture that can be read.
    """
    wide, high = _PHOTO_PX
    columns, rows = min(_IN_A_ROW, len(paths)), -(-len(paths) // _IN_A_ROW)
    step_x, step_y = wide + _GAP_PX, high + _LABEL_PX + _GAP_PX
    sheet = Image.new("RGB", (columns * step_x - _GAP_PX, rows * step_y - _GAP_PX), PAPER)
    font = ImageFont.truetype(findfont("DejaVu Sans"), 26)
    for at, path in enumerate(paths):
        x, y = at % _IN_A_ROW * step_x, at // _IN_A_ROW * step_y
        picture = open_upright(path)
        picture.thumbnail(_PHOTO_PX, Image.Resampling.LANCZOS)
        ImageDraw.Draw(sheet).text((x, y), str(at + 1), fill=INK, font=font)
        sheet.paste(picture, (x, y + _LABEL_PX))
    encoded = io.BytesIO()
    sheet.save(encoded, "JPEG", quality=_QUALITY)
    return encoded.getvalue()
