"""Reading a picture: a screenshot or a photo becomes grey values, upright, with its time.

Grey is the luma of ITU-R BT.601, 0.299 R + 0.587 G + 0.114 B. The orientation that a camera wrote
is honoured. The time is EXIF's DateTimeOriginal; with OffsetTimeOriginal it is known in UTC,
without it is what the camera's clock showed (CIPA DC-008, EXIF 2.31).
"""

from __future__ import annotations

import hashlib
import re
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from athwart.errors import FileError
from athwart.input_limits import LIMITS, most
from athwart.unchanged import unchanged

if TYPE_CHECKING:
    from PIL import Image

__all__ = ["Picture", "read_picture"]

Single = NDArray[np.float32]

_FORMATS = ["PNG", "JPEG", "WEBP", "TIFF", "BMP", "GIF", "PPM", "JPEG2000", "AVIF"]
# Not every format that Pillow knows: some start other programs.

_HEIF_BRANDS = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1")

_ORIENTATION, _EXIF_IFD = 0x0112, 0x8769
_TAKEN, _TAKEN_OFFSET, _TAKEN_SUBSECOND = 0x9003, 0x9011, 0x9291
_UNREADABLE = (OSError, SyntaxError, ValueError, LookupError, TypeError, AttributeError)

_BAND_PIXELS = 4_000_000

_STORED: dict[int, Callable[[Single], Single]] = {
    1: lambda upright: upright,
    2: np.fliplr,
    3: lambda upright: np.rot90(upright, 2),
    4: np.flipud,
    5: np.transpose,
    6: lambda upright: np.rot90(upright, 1),
    7: lambda upright: np.rot90(upright.T, 2),
    8: lambda upright: np.rot90(upright, -1),
}
"""Upright values in the order in which the file stores them, by EXIF's orientation: a view."""

_MEASURED = "holds measured numbers and no shades; save it as PNG or JPEG"

COLOURED = (
    "the picture is in colour and was turned to grey by brightness, which a screen's colours need "
    "not follow; a grey palette on the screen is better"
)


@dataclass(frozen=True, eq=False, kw_only=True)
class Picture:
    """A picture in grey.

    Parameters
    ----------
    gray : numpy.ndarray of float32, shape (height, width)
        0 black to 1 white, upright.
    taken : numpy.datetime64
        When it was taken: UTC if `taken_zone_known`, else what the camera's clock showed; NaT if
        the file does not tell.
    taken_zone_known : bool
        The file tells the zone.
    sha256 : str
        Of the file's bytes, hexadecimal.
    width, height : int
        Pixels, upright.
    words : tuple of str
        What was done to it, for people.
    """

    gray: Single
    taken: np.datetime64
    taken_zone_known: bool
    sha256: str
    width: int
    height: int
    words: tuple[str, ...] = ()


def read_picture(
    source: str | Path | bytes,
    *,
    name: str = "",
    max_pixels: int | None = None,
    max_bytes: int | None = None,
) -> Picture:
    """Read a picture.

    Parameters
    ----------
    source : path or bytes
        A file, or what a file holds.
    name : str
        Name for messages; the file's own if not given.
    max_pixels, max_bytes : int, optional
        Larger pictures are refused before they are decoded; `athwart.input_limits` if not given.

    Raises
    ------
    FileError
        The file cannot be read, is too large, damaged, or no picture.
    """
    max_bytes = most("PICTURE_MB") if max_bytes is None else max_bytes
    max_pixels = most("PICTURE_MEGAPIXELS") if max_pixels is None else max_pixels
    if isinstance(source, bytes):
        name, data = name or "picture", source
        if len(data) > max_bytes:
            raise FileError(name, _too_long(max_bytes))
    else:
        path = Path(source)
        name = name or path.name
        try:
            with unchanged(path), path.open("rb") as file:
                data = file.read(max_bytes + 1)
        except OSError as error:
            raise FileError(name, f"cannot be read: {error.strerror}") from error
        if len(data) > max_bytes:
            raise FileError(name, _too_long(max_bytes))
    if not data:
        raise FileError(name, "is empty")
    return _decode(data, name, max_pixels)


def _too_long(max_bytes: int) -> str:
    raised = LIMITS["PICTURE_MB"].variable
    return (
        f"is larger than {max_bytes / 1e6:g} MB; save the picture smaller (the variable {raised} "
        "raises that)"
    )


def _decode(data: bytes, name: str, max_pixels: int) -> Picture:
    import struct

    from PIL import Image, UnidentifiedImageError

    Image.init()
    if Image.MAX_IMAGE_PIXELS and max_pixels > 2 * Image.MAX_IMAGE_PIXELS:
        Image.MAX_IMAGE_PIXELS = max_pixels  # ours was raised over Pillow's own
    formats = [f for f in _FORMATS if f in Image.OPEN]
    if data[4:8] == b"ftyp" and data[8:12] in _HEIF_BRANDS:
        formats = _with_heif(name)
    try:
        # Pillow warns of large pictures and of faulty EXIF; both are looked after here.
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(BytesIO(data), formats=formats) as image:
                width, height = image.size
                if width * height > max_pixels:
                    raise FileError(name, _too_many(width * height, max_pixels))
                if max(width, height) > most("PICTURE_SIDE"):
                    raise FileError(name, _too_wide(width, height))
                image.load()
                taken, zone_known = _taken(image)
                gray, words = _to_gray(image, name)
    except UnidentifiedImageError as error:
        raise FileError(
            name, "is not a picture that can be read; save it as PNG or JPEG"
        ) from error
    except Image.DecompressionBombError as error:
        at_least = 2 * (Image.MAX_IMAGE_PIXELS or 0)  # all that Pillow tells
        raise FileError(name, _too_many(at_least, max_pixels, "more than ")) from error
    except MemoryError as error:
        raise FileError(
            name, "needs more memory than there is; save the picture smaller"
        ) from error
    except (
        OSError,
        SyntaxError,
        ValueError,
        EOFError,
        LookupError,
        TypeError,
        AttributeError,
        ArithmeticError,
        RuntimeError,
        struct.error,
    ) as error:  # all that decoders raise on damaged files
        raise FileError(name, "is damaged or cut off; save or send it again") from error
    return Picture(
        gray=gray,
        taken=taken,
        taken_zone_known=zone_known,
        sha256=hashlib.sha256(data).hexdigest(),
        width=gray.shape[1],
        height=gray.shape[0],
        words=words,
    )


def _too_many(pixels: int, max_pixels: int, about: str = "") -> str:
    return (
        f"has {about}{pixels / 1e6:.3g} million pixels; allowed are {max_pixels / 1e6:g} million, so save "
        f"it smaller (the variable {LIMITS['PICTURE_MEGAPIXELS'].variable} raises that)"
    )


def _too_wide(width: int, height: int) -> str:
    return (
        f"is {width} x {height} pixels; a side may have {most('PICTURE_SIDE')}, so cut it into pieces "
        f"(the variable {LIMITS['PICTURE_SIDE'].variable} raises that)"
    )


def _with_heif(name: str) -> list[str]:
    try:
        from pillow_heif import register_heif_opener
    except ImportError as error:
        raise FileError(
            name,
            "is in HEIC format, which needs an extra package; install it with pip install "
            "'athwart[heic]', or let the phone save JPEG",
        ) from error
    register_heif_opener()
    return ["HEIF"]


def _to_gray(image: Image.Image, name: str) -> tuple[Single, tuple[str, ...]]:
    """Return grey values 0 to 1, upright, and what is to be said of it.

    Goes band by band: beside the picture and its grey values no third copy is held.
    """
    if image.mode == "F":
        raise FileError(name, _MEASURED)
    orientation = _orientation(image)
    turned = orientation in (5, 6, 7, 8)
    gray = np.empty(image.size if turned else image.size[::-1], np.float32)
    stored = _STORED[orientation](gray)
    if image.mode.startswith("I"):
        for top, band in _bands(image):
            stored[top : top + band.height] = np.asarray(band)
        if gray.min(initial=0) < 0:
            raise FileError(name, _MEASURED)
        gray /= np.float32(65535.0 if gray.max(initial=0) <= 65535 else 2147483647.0)
        return gray, ()
    step = max(1, int(np.sqrt(image.width * image.height / 250_000)))
    coloured = sampled = 0
    for top, band in _bands(image, step):
        shades = _opaque(band)
        stored[top : top + band.height] = np.asarray(shades.convert("L"))
        if shades.mode == "RGB":
            sample = np.asarray(shades.reduce(step) if step > 1 else shades).astype(np.int16)
            spread = sample.max(axis=-1) - sample.min(axis=-1)
            coloured += int(np.count_nonzero(spread > 24))
            sampled += spread.size
    gray /= np.float32(255.0)
    # More than a few pixels: a coloured cursor does not make a picture coloured.
    return gray, (COLOURED,) if coloured > 0.02 * sampled else ()


def _bands(image: Image.Image, step: int = 1) -> Iterator[tuple[int, Image.Image]]:
    """Yield a picture in bands of a multiple of ``step`` rows, each with its first row."""
    rows = max(1, _BAND_PIXELS // (image.width * step)) * step
    for top in range(0, image.height, rows):
        yield top, image.crop((0, top, image.width, min(top + rows, image.height)))


def _opaque(image: Image.Image) -> Image.Image:
    """Return a picture in RGB, grey or two shades; what shows through is black."""
    from PIL import Image

    if image.mode in ("P", "PA"):
        see_through = image.mode == "PA" or "transparency" in image.info
        image = image.convert("RGBA" if see_through else "RGB")
    if image.mode in ("RGBA", "LA", "La", "RGBa"):
        image = image.convert("RGBA")
        black = Image.new("RGBA", image.size, (0, 0, 0, 255))
        return Image.alpha_composite(black, image).convert("RGB")
    return image if image.mode in ("1", "L", "RGB") else image.convert("RGB")


def _orientation(image: Image.Image) -> int:
    """Return where EXIF says that row 0 and column 0 lie; 1, upright, if it does not tell."""
    try:
        value = image.getexif().get(_ORIENTATION)
    except _UNREADABLE:
        return 1  # a picture whose EXIF is damaged is still a picture
    return value if isinstance(value, int) and value in _STORED else 1


def _taken(image: Image.Image) -> tuple[np.datetime64, bool]:
    none = np.datetime64("NaT", "us"), False
    try:
        exif = image.getexif().get_ifd(_EXIF_IFD)
    except _UNREADABLE:
        return none  # a picture without a readable time is still a picture
    match = re.match(
        r"^(\d{4})[:-](\d\d)[:-](\d\d)[ T](\d\d):(\d\d):(\d\d)$", _text(exif.get(_TAKEN))
    )
    if match is None:
        return none
    try:
        moment = datetime(*(int(v) for v in match.groups()))  # type: ignore[arg-type]
    except ValueError:
        return none
    part = re.match(r"^\d{1,6}", _text(exif.get(_TAKEN_SUBSECOND)))
    if part is not None:
        moment += timedelta(seconds=float(f"0.{part[0]}"))
    offset = re.match(r"^([+-])(\d\d):(\d\d)$", _text(exif.get(_TAKEN_OFFSET)))
    if offset is None or int(offset[2]) > 14 or int(offset[3]) > 59:
        return np.datetime64(moment, "us"), False
    ahead = timedelta(hours=int(offset[2]), minutes=int(offset[3]))
    try:
        moment -= ahead if offset[1] == "+" else -ahead
    except OverflowError:
        return none
    return np.datetime64(moment, "us"), True


def _text(value: Any) -> str:
    if isinstance(value, bytes):
        value = value.decode("ascii", "replace")
    return value.strip("\x00 ") if isinstance(value, str) else ""
