"""Decodes the bytes of a camera into an array of grey values, with notes on its limitations.

Eight and sixteen bits, PNG, JPEG and TIFF. Colour becomes luma. Decoding does not make a picture linear in light:
`linear_table` does, if the camera's exponent is known, and the notes say if it is needed.
"""

from __future__ import annotations

import struct
import warnings
import zlib
from dataclasses import dataclass
from io import BytesIO
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from benchd.imaging.refusals import PictureRefused

if TYPE_CHECKING:
    from PIL.Image import Image as PillowImage

Grey = NDArray[np.uint8] | NDArray[np.uint16]
"""Grey values of a picture, rows x columns."""

Note = Literal["colour_to_luma", "lossy", "gamma_encoded", "bits_lost", "alpha_dropped"]

LARGEST_MEGAPIXELS = 50
"""Limit by the file's header, checked before decoding: the worker needs a few bytes per pixel."""
STRIP_ROWS = 256
"""Colour becomes luma in strips of so many rows, as each step of it is another copy."""

_BROKEN = (OSError, SyntaxError, ValueError, EOFError, KeyError, IndexError, TypeError, struct.error, zlib.error)


@dataclass(frozen=True, slots=True)
class Picture:
    """Grey values (rows x columns), the highest value they can take, and notes on them."""

    values: Grey
    full_scale: int
    notes: tuple[Note, ...] = ()

    @property
    def linear(self) -> bool:
        """False if the file itself says that its values are not proportional to light."""
        return "gamma_encoded" not in self.notes


def decode(data: bytes) -> Grey:
    """The grey values in a PNG, JPEG or TIFF file, uint8 or uint16, rows x columns.

    Raises PictureRefused: `unreadable`, `too_large`, `unsupported`.
    """
    return read_picture(data).values


def read_picture(data: bytes) -> Picture:
    """As `decode`, with full scale and notes."""
    from PIL import Image, UnidentifiedImageError

    try:
        with (
            warnings.catch_warnings(action="ignore"),  # of a damaged file's tags: hundreds of lines a picture
            Image.open(BytesIO(data), formats=("PNG", "JPEG", "TIFF")) as image,
        ):
            megapixels = image.width * image.height / 1e6
            if megapixels > LARGEST_MEGAPIXELS:
                raise _too_large(megapixels)
            deep = _sixteen_bit_colour(image)
            image.load()
            return _as_grey(image, deep)
    except PictureRefused:
        raise
    except (Image.DecompressionBombError, Image.DecompressionBombWarning) as error:
        raise _too_large(float("inf")) from error
    except UnidentifiedImageError as error:
        raise _unreadable(data, "they begin like none of these") from error
    except _BROKEN as error:
        raise _unreadable(data, str(error)) from error


def _unreadable(data: bytes, why: str) -> PictureRefused:
    text = f"{len(data)} bytes are no whole PNG, JPEG or TIFF picture: {why}."
    return PictureRefused("unreadable", text, {"bytes": len(data)})


def _too_large(megapixels: float) -> PictureRefused:
    return PictureRefused(
        "too_large",
        f"A picture of {megapixels:.0f} megapixels is beyond the {LARGEST_MEGAPIXELS} that are taken.",
        {"megapixels": megapixels, "most_megapixels": LARGEST_MEGAPIXELS},
    )


def _as_grey(image: PillowImage, deep: bool) -> Picture:
    notes: list[Note] = []
    if image.format == "JPEG":
        notes.append("lossy")
    if _gamma_encoded(image):
        notes.append("gamma_encoded")
    if image.mode.startswith("I;16"):
        return Picture(np.asarray(image).astype(np.uint16, copy=False), 65535, tuple(notes))
    if image.mode == "I":
        return _from_32_bits(np.asarray(image), tuple(notes))
    if image.mode in ("LA", "RGBA", "PA"):
        notes.append("alpha_dropped")
    if image.mode in ("RGB", "RGBA", "P", "PA", "YCbCr"):
        notes.append("colour_to_luma")
        if deep:
            notes.append("bits_lost")
        # the luma of ITU-R BT.601: any fixed mix of linear channels is linear, so the weights only set the colour
        return Picture(_luma(image), 255, tuple(notes))
    if image.mode == "LA":
        image = image.getchannel("L")
    elif image.mode != "L":
        raise PictureRefused(
            "unsupported",
            f"Pixels of kind {image.mode!r} are not taken: 8 or 16 bits of grey, or colour.",
            {"mode": image.mode},
        )
    return Picture(np.asarray(image, dtype=np.uint8), 255, tuple(notes))


def _luma(image: PillowImage) -> NDArray[np.uint8]:
    values = np.empty((image.height, image.width), dtype=np.uint8)
    for top in range(0, image.height, STRIP_ROWS):
        strip = image.crop((0, top, image.width, min(top + STRIP_ROWS, image.height)))
        values[top : top + strip.height] = np.asarray(strip.convert("RGB").convert("L"))
    return values


def _from_32_bits(values: NDArray[Any], notes: tuple[Note, ...]) -> Picture:
    """Sixteen bits of grey that the decoder widened."""
    low, high = int(values.min()), int(values.max())
    if low < 0 or high > 65535:
        raise PictureRefused(
            "unsupported",
            f"Grey values of {low} to {high} do not fit 16 bits.",
            {"lowest": low, "highest": high},
        )
    return Picture(values.astype(np.uint16), 65535, notes)


def _gamma_encoded(image: PillowImage) -> bool:
    """JPEG by its convention, PNG where an sRGB chunk or a gamma other than 1 stands in it."""
    if image.format == "JPEG":
        return True
    gamma = image.info.get("gamma")
    return "srgb" in image.info or (gamma is not None and abs(float(gamma) - 1.0) > 0.01)


def _sixteen_bit_colour(image: PillowImage) -> bool:
    """The decoder has no 16-bit colour and silently keeps the upper byte; the layout shows that before loading."""
    return image.mode in ("RGB", "RGBA") and any("16" in str(tile) for tile in _layouts(image))


def _layouts(image: PillowImage) -> list[Any]:
    return [tile[3] for tile in getattr(image, "tile", [])]


def linear_table(exponent: float, full_scale: int) -> NDArray[np.float64]:
    """One entry per grey value: the light behind it, scaled so that full scale stays full scale.

    `exponent` is the one the camera encoded with (value = light^(1/exponent)), 2.2 for a usual video curve.
    """
    if not exponent > 0:
        raise ValueError(f"the exponent of an encoding is positive, not {exponent}")
    steps: NDArray[np.float64] = np.arange(full_scale + 1, dtype=np.float64) / full_scale
    return np.asarray(full_scale * steps**exponent, dtype=np.float64)
