"""Opening a frame's file, finding its image, reading its pixels when they are asked for."""

import gzip
import io
import itertools
import math
import os
import re
import struct
import warnings
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np
from astropy.io import fits
from astropy.io.fits.verify import VerifyError
from astropy.utils.exceptions import AstropyUserWarning

from appulse.errors import FrameError, FrameFileError, FrameWCSError
from appulse.files import check_ordinary, most_unpacked
from appulse.formats import file_sha256
from appulse.frames.wcs import REMEDY, has_celestial

# More pixels than any camera has: a damaged header.
MAX_PIXELS = 4_000_000_000
MAX_HDUS = 1000
"""More than any camera writes; opening a file takes a millisecond for each."""
MAX_HEADER_BLOCKS = 5000
"""Of one HDU: 180,000 cards."""
MAX_JUNK = 1_000_000
"""Bytes after the last HDU: some programs add a signature, or fill up."""
BLOCK = 2880
ENOUGH_FOR_LEVEL = 400_000
"""Pixels of one colour whose median is its level: good to a five-hundredth of their scatter."""
SAMPLED_ROWS = 24
LEAST_SCATTER, LARGEST_SCATTER = 1e-5, 1e8
"""Between which the scatter of pixels is left as stored: pictures from 0 to 1 lie near 1e-4."""
# What astropy's reader stumbles into where a file is damaged.
_BROKEN = (
    OSError, EOFError, ValueError, KeyError, TypeError, IndexError, AttributeError, VerifyError, zlib.error,
    ArithmeticError, RuntimeError, MemoryError, RecursionError, AssertionError, struct.error,
)  # fmt: skip


@dataclass(frozen=True)
class Layout:
    """How an HDU's array becomes a picture."""

    # shape: (ny, nx).
    # kind: One plane; three planes one after the other (last FITS axis); three values a pixel (first FITS
    # axis).

    shape: tuple[int, int]
    kind: str = "mono"


class Calibration(Protocol):
    """What calibrates pixels: :class:`~appulse.frames.masters.MasterFiles`."""

    def applied(self, pixels: np.ndarray, seconds: float, saturation: float | None) -> np.ndarray:
        """Calibrated pixels, float32."""


@dataclass(frozen=True)
class PixelSource:
    """Reads the pixels of one image of one file each time it is called."""

    # mosaic: Colour-filter pattern: the four places of the pattern are brought to one sky level.
    # masters, seconds, saturation: what the pixels are calibrated with, in stored units.
    # power: The pixels are in units of so many powers of ten of the stored ones.

    path: Path
    hdu: int
    layout: Layout
    mosaic: str | None = None
    masters: Calibration | None = None
    seconds: float = 0.0
    saturation: float | None = None
    power: int = 0

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
        with np.errstate(over="ignore", invalid="ignore"):
            all_known = bool(np.isfinite(pixels.sum()))
        # A sum is quick, and finite only where every number is.
        if not all_known:
            finite = np.isfinite(pixels)
            if not finite.any():
                words = "no pixel has a value (all are blank or NaN): nothing to see or measure"
                raise FrameError(f"{self.path.name}: {words}")
            pixels[~finite] = np.nan
        if self.masters is not None:
            pixels = self.masters.applied(pixels, self.seconds, self.saturation)
        if self.power:
            # In two steps, since the factor itself may be more than float32 holds.
            for part in (self.power // 2, self.power - self.power // 2):
                pixels *= np.float32(10.0**-part)
        return level_mosaic(pixels) if self.mosaic and pixels.ndim == 2 else pixels


def _is_own(array) -> bool:
    """Whether an array is native float32 in plain memory, not a view of the file."""
    root = array
    while isinstance(root.base, np.ndarray):
        root = root.base
    plain = root.base is None and not isinstance(root, np.memmap)
    return plain and array.dtype == np.dtype(np.float32) and array.flags.writeable


def scatter_of(hdu) -> float:
    """Scatter of the pixels of a few rows, sources and all; NaN for whole numbers, whose unit will do."""
    if hdu.header.get("BITPIX", 16) > 0 and hdu.header.get("BSCALE", 1.0) == 1.0:
        return math.nan
    rows = np.unique(np.linspace(0, hdu.shape[-2] - 1, SAMPLED_ROWS).astype(int))
    try:
        sample = np.concatenate([np.ravel(hdu.section[..., row, :]) for row in rows]).astype(float)
    except _BROKEN:
        return math.nan  # what is broken is said when the pixels are read
    sample = sample[np.isfinite(sample)]
    low, middle, high = np.percentile(sample, [16, 50, 84]) if len(sample) else (0.0, 0.0, 0.0)
    return float((high - low) / 2 or np.abs(sample - middle).max(initial=0.0)) or math.nan


def power_of_ten(scatter: float) -> int:
    """Power of ten in whose units pixels are near one: 0 where float32 bears their squares as stored."""
    # Fluxes in physical units lie near 1e-17: squares and their weights leave the range of float32.
    if not math.isfinite(scatter) or LEAST_SCATTER < scatter < LARGEST_SCATTER:
        return 0
    return math.floor(math.log10(scatter)) - 1


def level_mosaic(pixels: np.ndarray) -> np.ndarray:
    """Bring the four places of a 2 x 2 colour-filter pattern to the level of the brightest."""
    # A constant is added to each. Nothing is interpolated: each pixel stays where it is and its noise its
    # own. Without this the pattern itself would look like noise. Levels are only ever raised, so that what
    # was saturated still counts as such.
    places = [(slice(j, None, 2), slice(i, None, 2)) for j in (0, 1) for i in (0, 1)]
    # Of a large frame every so-manieth pixel says the same.
    step = max(1, int(np.sqrt(pixels.size / 4 / ENOUGH_FOR_LEVEL)))
    samples = [pixels[place][::step, ::step] for place in places]
    if step > 1 and not all(np.isfinite(sample).any() for sample in samples):
        samples = [pixels[place] for place in places]
    levels = np.array(
        [np.nanmedian(sample) if np.isfinite(sample).any() else -np.inf for sample in samples]
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
        raise FrameFileError(f"{Path(path).name}: cannot be read ({error.strerror or error})") from error


@contextmanager
def open_fits(path: Path) -> Iterator[fits.HDUList]:
    """A FITS file, plain or compressed, with everything that can be wrong with it as one sentence.

    Parameters
    ----------
    path : Path

    Yields
    ------
    HDUList

    Raises
    ------
    FrameFileError
        If it is no ordinary file, no FITS, cut short, or promises more pixels than it can hold.

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "a.fits"
    >>> fits.writeto(path, np.ones((2, 3), np.int16))
    >>> with open_fits(path) as hdus:
    ...     print(hdus[0].shape)
    (2, 3)
    """
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
        words = f"{path.name}: the file is cut short ({_one_line(error)}): copy it anew"
        raise FrameFileError(words) from error
    except Exception as error:
        # The decompressor's own class is private to its library.
        if not isinstance(error, _BROKEN) and type(error).__name__ != "CfitsioException":
            raise
        raise FrameFileError(f"{path.name}: {_reason(path, error)}") from error


@contextmanager
def _opened(path: Path) -> Iterator[fits.HDUList]:
    """uint=False: astropy passes over BLANK where it makes unsigned integers; floats are wanted anyway."""
    with open(path, "rb") as handle:
        is_gzip = handle.read(2) == b"\x1f\x8b"
    if is_gzip:
        # Unpacked as a whole: only the end of the stream tells whether it is all there.
        with gzip.open(path, "rb") as stream:
            whole = _promised(path, stream, packed=path.stat().st_size)
        with fits.open(whole, uint=False) as hdus:
            yield hdus
    else:
        # The handle is ours, so that it is closed also where astropy gives up half way.
        with open(path, "rb") as handle:
            _promised(path, handle)
            handle.seek(0)
            with fits.open(handle, uint=False) as hdus:
                yield hdus


_STRUCTURE_CARD = re.compile(rb"(Z?BITPIX|Z?NAXIS\d{0,3}|PCOUNT|GCOUNT|ZIMAGE) *= *([-+]?\d+|T\b)")


def _promised(path: Path, stream, packed: int | None = None) -> io.BytesIO | None:
    """Follow the headers of a file and refuse what no frame has, before a library believes them."""
    # With `packed`, the size of a gzipped file, the stream is unpacked as far as its headers promise pixels:
    # a small file may unpack to more than the memory. What is no FITS header is left to the library's words.
    whole = io.BytesIO() if packed is not None else None
    most = most_unpacked(path.stat().st_size)
    total = 0
    for _ in range(MAX_HDUS):
        first, structure, n_blocks = True, {}, 0
        while True:
            block = stream.read(BLOCK)
            if first and not block.startswith((b"SIMPLE", b"XTENSION")):
                return _rest(path, stream, whole, block)
            if whole is not None:
                whole.write(block)
            first, n_blocks = False, n_blocks + 1
            cards = [block[at : at + 80] for at in range(0, len(block), 80)]
            structure |= {m[1].decode(): m[2] for m in map(_STRUCTURE_CARD.match, cards) if m}
            if len(block) < BLOCK:
                raise FrameFileError(f"{path.name}: the file is cut short in a header: copy it anew")
            if any(card.rstrip() == b"END" for card in cards):
                break
            if n_blocks > MAX_HEADER_BLOCKS:
                raise FrameFileError(
                    f"{path.name}: a header of more than {MAX_HEADER_BLOCKS * 36} cards: the file is damaged"
                )
        size = _data_bytes(path, structure, most)
        total += size
        if whole is None:
            stream.seek(size, os.SEEK_CUR)
            continue
        if total > most:
            raise FrameFileError(
                f"{path.name}: {packed / 1e6:.1f} MB that unpack to {total / 1e6:.0f} MB are no frame"
            )
        while size > 0 and (piece := stream.read(min(size, 1 << 22))):
            whole.write(piece)
            size -= len(piece)
    raise FrameFileError(f"{path.name}: more than {MAX_HDUS} HDUs: no camera writes so many")


def _rest(path: Path, stream, whole, block: bytes) -> io.BytesIO | None:
    """What follows the last HDU of a gzipped file: read to its end, for only there its checksum stands."""
    if whole is None:
        return None
    whole.write(block)
    left = MAX_JUNK
    while piece := stream.read(1 << 16):
        left -= len(piece)
        if left < 0:
            raise FrameFileError(
                f"{path.name}: unpacks to more than its header says: it is damaged, or no frame; copy it anew"
            )
        whole.write(piece)
    whole.seek(0)
    return whole


def _data_bytes(path: Path, structure: dict, most: int) -> int:
    """Bytes of an HDU's data, rounded up to whole blocks."""

    def count(key, default=0):
        value = structure.get(key, b"T")
        return default if value == b"T" else int(value[:30])

    def product(prefix):
        axes = count(f"{prefix}NAXIS")
        if not 0 <= axes <= 999:
            raise FrameFileError(
                f"{path.name}: {prefix}NAXIS = {axes}: FITS has 0 to 999 axes; the header is damaged"
            )
        if any(count(f"{prefix}NAXIS{i}") < 0 for i in range(1, axes + 1)):
            raise FrameFileError(f"{path.name}: an axis of negative length: the header is damaged")
        return math.prod(count(f"{prefix}NAXIS{i}") for i in range(1, axes + 1)) if axes else 0

    if "ZIMAGE" in structure:
        pixels = product("Z")
        if pixels * abs(count("ZBITPIX", 8)) // 8 > most or pixels > MAX_PIXELS:
            raise FrameFileError(
                f"{path.name}: {pixels:.3g} pixels in {path.stat().st_size / 1e6:.1f} MB of compressed tiles "
                "are no frame of a camera: the header is damaged"
            )
    pixels = product("")
    if pixels > MAX_PIXELS * 8:
        raise FrameFileError(
            f"{path.name}: {pixels:.3g} pixels are more than any camera has: the header is damaged"
        )
    size = abs(count("BITPIX", 8)) // 8 * max(count("GCOUNT", 1), 1) * (pixels + max(count("PCOUNT"), 0))
    return -(-size // BLOCK) * BLOCK


def _check_file(path: Path) -> None:
    if path.is_dir():
        raise FrameFileError(f"{path.name}: is a folder, not a frame: name the files in it")
    if not path.exists():
        raise FrameFileError(f"{path}: no such file")
    check_ordinary(path, "a frame", FrameFileError)
    if not os.access(path, os.R_OK):
        raise FrameFileError(f"{path.name}: may not be read (permissions of {path})")
    if path.stat().st_size == 0:
        raise FrameFileError(f"{path.name}: the file is empty: copy it anew")


def _one_line(error: BaseException) -> str:
    return " ".join(str(error).split())


def _reason(path: Path, error: BaseException) -> str:
    text = _one_line(error)
    if isinstance(error, EOFError | gzip.BadGzipFile | zlib.error):
        return f"the compressed file is cut short or damaged ({text}): copy it anew"
    if "decompression" in text:
        return f"its compressed pixels are damaged ({text}): copy it anew"
    if "END card" in text:
        return "its FITS header has no END card: the file is cut short or damaged; copy it anew"
    if "No SIMPLE card" in text or "Empty or corrupt" in text or "not a valid" in text:
        return "is not a FITS file; appulse reads FITS (.fits, .gz, .fz): save your frames as FITS"
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
        for index in images:  # a cube of a spectrograph lacks more than a plate solution
            try:
                layout_of(path, hdus[index])
                break
            except FrameError:
                if index == images[-1]:
                    raise
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
            f"{path.name}: HDU {hdu!r} is not an image of two axes ({type(image).__name__}): name another"
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
        note = "colour: three planes (last axis); measured on their mean, weighted by noise"
        return Layout((size[1], size[0]), "planes"), (note,)
    if len(size) == 3 and size[0] == 3:
        note = "colour: three values a pixel (first axis); measured on their mean, weighted by noise"
        return Layout((size[2], size[1]), "interleaved"), (note,)
    raise FrameError(
        f"{path.name}: a cube of {words} pixels: two axes, or three colours as the first or last axis, are "
        "allowed; name another HDU with --hdu"
    )
