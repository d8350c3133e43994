"""Reports: the picture of a photo, upright, of a size that a phone holds, and nothing else of it.

A photo carries more than its picture: the place and time where it was taken, the name of the
camera, a thumbnail with a place of its own. The picture is decoded and encoded anew, so that
none of that goes along.
"""

from __future__ import annotations

import base64
import hashlib
import io
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from PIL import Image, ImageOps, UnidentifiedImageError

from carnivore_sign.errors import FileUnreadable, InputError

#: Longest side of the embedded picture: a print that fills half of it has fifteen pixels a
#: millimetre, and the browsers of phones draw it without delay.
MAX_SIDE_PX: Final = 3000

_LEAST_SIDE_PX: Final = 64
_QUALITY: Final = 92
_HEIF: Final = (b"ftypheic", b"ftypheix", b"ftypmif1", b"ftypavif", b"ftyphevc")


@dataclass(frozen=True)
class Picture:
    """A photo's picture, ready to stand in a page.

    Attributes
    ----------
    data_uri : str
        The picture as JPEG.
    width_px, height_px : int
        Its size, upright.
    sha256 : str
        Hash of the file that it was taken from.
    """

    data_uri: str
    width_px: int
    height_px: int
    sha256: str


def read_picture(path: str | Path, *, max_side_px: int = MAX_SIDE_PX) -> Picture:
    """Read the picture of a photo, turned upright and freed of everything else.

    Parameters
    ----------
    path : path-like
        JPEG, PNG, TIFF, WebP or whatever else Pillow reads.
    max_side_px : int
        A picture whose longer side has more pixels is made smaller.

    Returns
    -------
    Picture

    Raises
    ------
    FileUnreadable
        If it is missing, no picture, cut short, too large, or of a kind that cannot be read.
    InputError
        If `max_side_px` is below 64.

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "print.png"
    >>> Image.new("RGB", (200, 100)).save(path)
    >>> picture = read_picture(path, max_side_px=80)
    >>> picture.width_px, picture.height_px
    (80, 40)
    """
    if max_side_px < _LEAST_SIDE_PX:
        raise InputError(
            f"a longest side of {max_side_px} pixels is too small to trace on",
            remedy=f"Give {_LEAST_SIDE_PX} or more; {MAX_SIDE_PX} is usual.",
        )
    data = _bytes_of(Path(path))
    bare = _bare(data, Path(path))
    bare.thumbnail((max_side_px, max_side_px), Image.Resampling.LANCZOS)
    encoded = io.BytesIO()
    bare.save(encoded, "JPEG", quality=_QUALITY, subsampling=0)
    text = base64.b64encode(encoded.getvalue()).decode("ascii")
    width, height = bare.size
    digest = hashlib.sha256(data).hexdigest()
    return Picture(f"data:image/jpeg;base64,{text}", width, height, digest)


def open_upright(path: str | Path) -> Image.Image:
    """Return the picture of a photo, upright and in colour, without anything else of the file.

    Parameters
    ----------
    path : path-like
        A photo.

    Returns
    -------
    Image
        In RGB.

    Raises
    ------
    FileUnreadable
        As `read_picture`.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> path = Path(tempfile.mkdtemp()) / "photo.jpg"
    >>> Image.new("RGB", (64, 48)).save(path)
    >>> open_upright(path).size
    (64, 48)
    """
    return _bare(_bytes_of(Path(path)), Path(path))


def _bare(data: bytes, path: Path) -> Image.Image:
    picture = _upright(data, path)
    bare = Image.new("RGB", picture.size)
    bare.paste(picture)
    return bare


def _bytes_of(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise FileUnreadable(
            f"the photo cannot be read ({error.strerror})",
            file=path,
            remedy="Check the folder, the spelling and your rights.",
        ) from error


def _upright(data: bytes, path: Path) -> Image.Image:
    """Decode a picture and turn it as its file says that it is to be seen."""
    if data[4:12] in _HEIF:
        raise FileUnreadable(
            "this is a HEIF or AVIF photo, which most browsers cannot show",
            file=path,
            remedy="Save it as JPEG: on the phone, share or export it as 'most compatible'.",
        )
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            warnings.filterwarnings("ignore", category=UserWarning, module="PIL")
            with Image.open(io.BytesIO(data)) as opened:
                upright = ImageOps.exif_transpose(opened)
                return _on_white(upright)
    except (Image.DecompressionBombError, Image.DecompressionBombWarning) as error:
        raise FileUnreadable(
            "the photo has more pixels than can be opened safely",
            file=path,
            remedy="Cut out the part with the print and its scale.",
        ) from error
    except (UnidentifiedImageError, OSError, SyntaxError, ValueError, EOFError) as error:
        raise FileUnreadable(
            "this is no photo that can be read, or it is cut short",
            file=path,
            remedy="Copy it from the camera once more, or save it as JPEG.",
        ) from error


def _on_white(picture: Image.Image) -> Image.Image:
    """Return a picture of any mode in colour; what was see-through becomes white."""
    if picture.mode.startswith(("I", "F")):
        picture = _stretched(picture)
    if picture.has_transparency_data:
        seen = picture.convert("RGBA")
        white = Image.new("RGBA", seen.size, "white")
        return Image.alpha_composite(white, seen).convert("RGB")
    return picture.convert("RGB")


def _stretched(picture: Image.Image) -> Image.Image:
    """Return a picture of more than 256 shades of grey in as many, from its darkest to lightest."""
    shades = np.nan_to_num(np.asarray(picture, dtype=float))
    low, high = shades.min(), shades.max()
    return Image.fromarray(((shades - low) * (255.0 / max(high - low, 1e-9))).astype(np.uint8))
