"""Opening a frame's file, finding its image, reading its pixels when they are asked for."""

import gzip
import io
import itertools
import os
import warnings
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from astropy.io import fits
from astropy.io.fits.verify import VerifyError
from astropy.utils.exceptions import AstropyUserWarning

from appulse.errors import FrameError, FrameWCSError
from appulse.formats import file_sha256
from appulse.frames.wcs import REMEDY, has_celestial

# More pixels than any camera has: a damaged header.
MAX_PIXELS = 4_000_000_000
# What astropy's reader stumbles into where a file is damaged.
_BROKEN = (
    OSError, EOFError, ValueError, KeyError, TypeError, IndexError, AttributeError, VerifyError, zlib.error,
)  # fmt: skip


@dataclass(frozen=True)
class Layout:
    """How an HDU's array becomes a picture."""

    # shape: (ny, nx).
    # kind: One plane; three planes one after the other (last FITS axis); three values a pixel (first FITS
    # axis).

    shape: tuple[int, int]
    kind: str = "mono"


@dataclass(frozen=True)
class PixelSource:
    """Reads the pixels of one image of one file each time it is called."""

    # mosaic: Colour-filter pattern: the four places of the pattern are brought to one sky level.

    path: Path
    hdu: int
    layout: Layout
    mosaic: str | None = None

    def __call__(self) -> np.ndarray:
        """Pixels, native float32, shape (ny, nx) or (3, ny, nx), blanks as NaN."""
        with open_fits(self.path) as hdus:
            raw = hdus[self.hdu].data
            # Scaled numbers are in memory of their own already: a frame is not to be there twice.
            pixels = raw if _is_own(raw) else np.array(raw, dtype=np.float32, copy=True)
            del raw
        ny, nx = self.layout.shape
        if self.layout.kind == "interleaved":
            pixels = np.ascontiguousarray(np.moveaxis(pixels.reshape(ny, nx, 3), -1, 0))
        else:
            pixels = pixels.reshape((ny, nx) if self.layout.kind == "mono" else (3, ny, nx))
        finite = np.isfinite(pixels)
        if not finite.any():
            raise FrameError(
                f"{self.path.name}: no pixel has a value (all are blank or NaN): nothing to see or measure"
            )
        if not finite.all():
            pixels[~finite] = np.nan
        return level_mosaic(pixels) if self.mosaic and pixels.ndim == 2 else pixels


def _is_own(array) -> bool:
    """Whether an array is native float32 in plain memory, not a view of the file."""
    root = array
    while isinstance(root.base, np.ndarray):
        root = root.base
    plain = root.base is None and not isinstance(root, np.memmap)
    return plain and array.dtype == np.dtype(np.float32) and array.flags.writeable


def level_mosaic(pixels: np.ndarray) -> np.ndarray:
    """Bring the four places of a 2 x 2 colour-filter pattern to the level of the brightest."""
    # A constant is added to each. Nothing is interpolated: each pixel stays where it is and its noise its
    # own. Without this the pattern itself would look like noise. Levels are only ever raised, so that what
    # was saturated still counts as such.
    places = [(slice(j, None, 2), slice(i, None, 2)) for j in (0, 1) for i in (0, 1)]
    levels = np.array(
        [np.nanmedian(pixels[place]) if np.isfinite(pixels[place]).any() else -np.inf for place in places]
    )
    levelled = pixels.copy()
    for place, level in zip(places, levels, strict=True):
        if np.isfinite(level):
            levelled[place] += np.asarray(levels.max() - level, dtype=pixels.dtype)
    return levelled


def checksum(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal."""
    try:
        return file_sha256(path)
    except OSError as error:
        raise FrameError(f"{Path(path).name}: cannot be read ({error.strerror or error})") from error


@contextmanager
def open_fits(path: Path) -> Iterator[fits.HDUList]:
    """A FITS file, plain or compressed, with everything that can be wrong with it as one sentence."""
    _check_file(path)
    try:
        with warnings.catch_warnings():
            # Extra bytes and odd cards are no reason to stop; a file that is too short is.
            warnings.simplefilter("ignore", AstropyUserWarning)
            warnings.filterwarnings("error", message=".*truncated.*", category=AstropyUserWarning)
            with _opened(path) as hdus:
                yield hdus
    except FrameError:
        raise
    except AstropyUserWarning as error:
        raise FrameError(f"{path.name}: the file is cut short ({_one_line(error)}): copy it anew") from error
    except _BROKEN as error:
        raise FrameError(f"{path.name}: {_reason(path, error)}") from error


@contextmanager
def _opened(path: Path) -> Iterator[fits.HDUList]:
    """uint=False: astropy passes over BLANK where it makes unsigned integers; floats are wanted anyway."""
    with open(path, "rb") as handle:
        is_gzip = handle.read(2) == b"\x1f\x8b"
    if is_gzip:
        # Unpacked as a whole: only the end of the stream tells whether it is all there.
        with gzip.open(path, "rb") as stream:
            whole = io.BytesIO(stream.read())
        with fits.open(whole, uint=False) as hdus:
            yield hdus
    else:
        # The handle is ours, so that it is closed also where astropy gives up half way.
        with open(path, "rb") as handle, fits.open(handle, uint=False) as hdus:
            yield hdus


def _check_file(path: Path) -> None:
    if path.is_dir():
        raise FrameError(f"{path.name}: is a folder, not a frame: name the files in it")
    if not path.exists():
        raise FrameError(f"{path.name}: no such file ({path})")
    if not os.access(path, os.R_OK):
        raise FrameError(f"{path.name}: may not be read (permissions of {path})")
    if path.stat().st_size == 0:
        raise FrameError(f"{path.name}: the file is empty: copy it anew")


def _one_line(error: BaseException) -> str:
    return " ".join(str(error).split())


def _reason(path: Path, error: BaseException) -> str:
    text = _one_line(error)
    if isinstance(error, EOFError | gzip.BadGzipFile | zlib.error):
        return f"the compressed file is cut short or damaged ({text}): copy it anew"
    if "END card" in text:
        return "its FITS header has no END card: the file is cut short or damaged; copy it anew"
    if "No SIMPLE card" in text or "Empty or corrupt" in text or "not a valid" in text:
        return f"is not a FITS file ({text.rstrip('.')}); FITS, also .gz and .fz, is read"
    if "buffer is too small" in text or "reshape" in text or "truncated" in text:
        return f"the file is cut short ({text}): copy it anew"
    return f"cannot be read as FITS ({type(error).__name__}: {text})"


def find_image(path: Path, hdus: fits.HDUList, hdu: int | str | None, needs_wcs: bool) -> int:
    """Index of the HDU to read: the one asked for, or the first image with a celestial WCS."""
    if hdu is not None:
        return _named_image(path, hdus, hdu)
    images = []
    # One by one: the length of an HDUList would read all of a file whose end is damaged.
    for index in itertools.count():
        try:
            image = hdus[index]
        except IndexError:
            break
        if _is_image(image):
            images.append(index)
            if not needs_wcs or has_celestial(image.header):
                return index
    if images:
        names = [str(hdus[i].header["CTYPE1"]) for i in images if "CTYPE1" in hdus[i].header]
        said = f"CTYPE1 {', '.join(names)}" if names else "no CTYPE"
        raise FrameWCSError(
            f"{path.name}: no celestial WCS in any of {len(images)} image(s) ({said}): {REMEDY}"
        )
    kinds = ", ".join(
        f"{i}: {type(image).__name__}, NAXIS {image.header.get('NAXIS')}" for i, image in enumerate(hdus)
    )
    raise FrameError(f"{path.name}: no image of two axes in the file ({kinds})")


def _named_image(path: Path, hdus: fits.HDUList, hdu: int | str) -> int:
    try:
        index = hdus.index_of(hdu)
        image = hdus[index]
    except (KeyError, IndexError, TypeError):
        hdus.readall()
        have = ", ".join(f"{i} {image.name or '(no name)'}" for i, image in enumerate(hdus))
        raise FrameError(f"{path.name}: no HDU {hdu!r}; the file has {have}") from None
    if not _is_image(image):
        raise FrameError(
            f"{path.name}: HDU {hdu!r} is no image of two axes ({type(image).__name__}): name another"
        )
    return index


def _is_image(hdu) -> bool:
    return isinstance(hdu, fits.PrimaryHDU | fits.ImageHDU | fits.CompImageHDU) and len(_size(hdu)) >= 2


def _size(hdu) -> list[int]:
    """NAXISn of an HDU, first axis first."""
    header = hdu.header
    return [int(header[f"NAXIS{i}"]) for i in range(1, int(header.get("NAXIS", 0)) + 1)]


def layout_of(path: Path, hdu) -> tuple[Layout, tuple[str, ...]]:
    """How to make a picture of an HDU's axes, and a note on its colours."""
    size = _size(hdu)
    words = " x ".join(str(n) for n in size)
    if any(n <= 0 for n in size):
        raise FrameError(f"{path.name}: an image of {words} pixels is empty")
    if np.prod(size, dtype=float) > MAX_PIXELS:
        raise FrameError(f"{path.name}: {words} pixels are more than any camera has: the header is damaged")
    long = [n for n in size if n > 1]
    # Axes of length 1 are how some programs write a plane of a cube.
    if len(size) == 2 or (all(n == 1 for n in size[2:])):
        nx, ny = size[:2]
        if min(nx, ny) < 2:
            raise FrameError(f"{path.name}: an image of {words} pixels is a line: two axes are needed")
        return Layout((ny, nx)), ()
    if len(size) == 3 and size[2] == 3 and len(long) == 3:
        note = "colour: three planes (last axis); measured on their mean"
        return Layout((size[1], size[0]), "planes"), (note,)
    if len(size) == 3 and size[0] == 3:
        note = "colour: three values a pixel (first axis); measured on their mean"
        return Layout((size[2], size[1]), "interleaved"), (note,)
    raise FrameError(
        f"{path.name}: a cube of {words} pixels: two axes, or three colours as the first or last axis, are "
        "allowed; name another HDU with --hdu"
    )
