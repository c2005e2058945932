"""Files for people and programs: FITS with WCS, 16-bit TIFF and PNG with ICC profile, JPEG, table of dots."""

import io
import struct
import zlib
from functools import lru_cache
from pathlib import Path

import numpy as np
import tifffile
from astropy.io import fits
from astropy.table import QTable
from PIL import Image, ImageCms, ImageFont

from appulse import __version__
from appulse.errors import InputError
from appulse.formats import encode_png, replacing, write_bytes, write_table

JPEG_QUALITY = 92
STRIP_ROWS = 512
PROGRAM = f"appulse {__version__}"


def srgb_profile() -> bytes:
    """The ICC profile of sRGB, the same bytes every time."""
    profile = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    # The moment of its making (bytes 24 to 35) and the digest over it would differ from run to run.
    profile[24:36] = struct.pack(">6H", 2000, 1, 1, 0, 0, 0)
    profile[84:100] = bytes(16)
    return bytes(profile)


def shown(values) -> np.ndarray:
    """Planes (c, ny, nx), rows counted upwards, as an image (ny, nx, c) whose first row is the top."""
    return np.moveaxis(np.asarray(values), 0, -1)[::-1]


def to_16bit(values) -> np.ndarray:
    """Values from 0 to 1 as 16-bit numbers."""
    return _whole(values, 65535.0, np.uint16)


def to_8bit(values) -> np.ndarray:
    """Values from 0 to 1 as bytes."""
    return _whole(values, 255.0, np.uint8)


def _whole(values, top, kind):
    values = np.asarray(values)
    out = np.empty(values.shape, dtype=kind)
    if values.ndim < 2:
        out[...] = np.round(np.clip(values, 0.0, 1.0) * top)
        return out
    for first in range(0, values.shape[-2], STRIP_ROWS):
        rows = slice(first, first + STRIP_ROWS)
        out[..., rows, :] = np.round(np.clip(values[..., rows, :], 0.0, 1.0) * top)
    return out


def png_bytes(pixels, description: str = "") -> bytes:
    """A PNG of 8 or 16 bit with the sRGB profile and a description.

    Parameters
    ----------
    pixels : (ny, nx, c) uint8 or uint16 array
        c is 1 or 3; the first row is the top.
    description : str

    Returns
    -------
    bytes
        The same for the same picture.

    Examples
    --------
    >>> picture = Image.open(io.BytesIO(png_bytes(np.zeros((4, 5, 3), np.uint8), "dark")))
    >>> picture.size, picture.text["Description"], "icc_profile" in picture.info
    ((5, 4), 'dark', True)
    """
    pixels = np.asarray(pixels)
    if pixels.shape[-1] == 3:
        colours = (b"iCCP", b"sRGB\x00\x00" + zlib.compress(srgb_profile(), 9))
    else:
        # A colour profile is not allowed on grey; this chunk says that the greys are sRGB's.
        colours = (b"sRGB", b"\x00")
    return encode_png(pixels, [("Description", description), ("Software", PROGRAM)], [colours])


def write_png(values, path, description="", *, bits=16, overwrite=False):
    """Planes (c, ny, nx) from 0 to 1, rows upwards, as PNG; returns the path."""
    pixels = to_16bit(values) if bits == 16 else to_8bit(values)
    return write_bytes(path, png_bytes(shown(pixels), description), overwrite)


def write_tiff(values, path, description="", *, overwrite=False):
    """Planes (c, ny, nx) from 0 to 1, rows upwards, as 16-bit TIFF with profile and description."""
    pixels = shown(to_16bit(values))
    kind = "rgb" if pixels.shape[-1] == 3 else "minisblack"
    with replacing(path, overwrite) as temporary:
        tifffile.imwrite(
            temporary, pixels if kind == "rgb" else pixels[..., 0], photometric=kind, compression="zlib",
            predictor=True, iccprofile=srgb_profile() if kind == "rgb" else None, software=PROGRAM,
            description=description.encode("utf-8"), metadata=None,
        )  # fmt: skip
    return path


def fitted(pixels, longest):
    """An image (ny, nx, c) of bytes, made smaller where its longer side has more than `longest` pixels."""
    if longest is None:
        return pixels
    if longest < 16:
        raise InputError(f"a picture of {longest} pixels: at least 16 are needed")
    ny, nx = pixels.shape[:2]
    if max(ny, nx) <= longest:
        return pixels
    size = (max(1, round(nx * longest / max(nx, ny))), max(1, round(ny * longest / max(nx, ny))))
    image = Image.fromarray(pixels[..., 0] if pixels.shape[-1] == 1 else pixels)
    small = np.asarray(image.resize(size, Image.Resampling.LANCZOS))
    return small if small.ndim == 3 else small[..., None]


def write_jpeg(values, path, description="", *, longest=None, overwrite=False):
    """Planes (c, ny, nx) from 0 to 1, rows upwards, as JPEG with profile; returns the path."""
    pixels = fitted(shown(to_8bit(values)), longest)
    image = Image.fromarray(
        np.ascontiguousarray(np.repeat(pixels, 3, axis=-1) if pixels.shape[-1] == 1 else pixels)
    )
    buffer = io.BytesIO()
    exif = Image.Exif()
    exif[0x010E], exif[0x0131] = description.encode("ascii", "replace").decode(), PROGRAM
    image.save(
        buffer, "JPEG", quality=JPEG_QUALITY, subsampling=0, icc_profile=srgb_profile(), exif=exif.tobytes()
    )
    return write_bytes(path, buffer.getvalue(), overwrite)


def write_fits(path, data, grid, cards=(), *, noise=None, count=None, overwrite=False):
    """A stack as 32-bit FITS with WCS; noise and number of frames as further HDUs."""
    header = grid.wcs.to_header()
    for keyword, value, comment in cards:
        # A FITS header holds printable ASCII; a name in other letters is kept as their numbers.
        if isinstance(value, str):
            value = "".join(c if c.isascii() and c.isprintable() else f"\\u{ord(c):04x}" for c in value)
        if keyword in ("HISTORY", "COMMENT"):
            header[keyword] = str(value)
        elif value is not None:
            header[keyword] = (value, comment)
    hdus = fits.HDUList([fits.PrimaryHDU(np.asarray(data, dtype=np.float32), header)])
    for name, plane, kind in (("NOISE", noise, np.float32), ("FRAMES", count, np.int16)):
        if plane is not None:
            hdus.append(fits.ImageHDU(np.asarray(plane, dtype=kind), grid.wcs.to_header(), name=name))
    with replacing(path, overwrite) as temporary:
        hdus.writeto(temporary, overwrite=True, checksum=True)
    return path


def write_stack(path, stacks, night, settings, body, words, overwrite=False):
    """A stack with noise, frames per pixel, and what it is."""
    single = len(stacks) == 1
    light = stacks[0].data[None] if single else np.stack([stack.data for stack in stacks])
    # Freed here: there may be no room for the stacks and the light made of them.
    for stack in stacks:
        stack.data = None
    noise = stacks[0].noise if single else np.stack([stack.noise for stack in stacks])
    kept = night.kept
    cards = [
        ("BUNIT", night.reference.frame.bunit or "adu", "of the reference frame"),
        ("OBJECT", body, "body of the sequence"),
        ("NCOMBINE", len(kept), "frames in the stack"),
        ("EXPTOTAL", round(sum(s.frame.exposure.seconds for s in kept), 3), "[s] light collected"),
        ("DATE-BEG", min(s.frame.exposure.start.utc.isot for s in kept), "UTC"),
        ("DATE-END", max(s.frame.exposure.end.utc.isot for s in kept), "UTC"),
        ("REFFRAME", night.reference.frame.name[:68], "sets grid and brightness"),
        ("DATE-REF", night.reference.place.time, "UTC, the body's place belongs to it"),
        ("KEPT", settings.keep, "by resampling: surface brightness or flux"),
        ("REJECTED", round(float(np.mean([s.rejected for s in stacks])), 6), "share of pixels thrown out"),
        ("COMMENT", words, ""),
    ]
    count = stacks[0].count
    data = light[0] if single else light
    write_fits(path, data, night.grid, cards, noise=noise, count=count, overwrite=overwrite)
    return light


def write_dots(path, night, dots, picked, overwrite=False):
    """Where each dot of the composite comes from, as a table; returns the path."""
    table = QTable()
    table["frame"] = [dot.frame for dot in dots]
    table["time"] = [dot.time for dot in dots]
    ra, dec = night.grid.to_sky(np.array([dot.x for dot in dots]), np.array([dot.y for dot in dots]))
    places = {"x": [d.x for d in dots], "y": [d.y for d in dots], "ra": ra, "dec": dec}
    for name, values in places.items():
        table[name] = np.asarray(values, dtype=float)
    table["snr"] = [round(float(dot.snr), 2) for dot in dots]
    table["laid"] = [dot in picked for dot in dots]
    table["reason"] = [
        dot.reason or ("" if dot in picked else "left out by the chosen dots or cadence") for dot in dots
    ]
    sums = {subframe.frame.name: subframe.frame.checksum or "in memory" for subframe in night.subframes}
    table["sha256"] = [sums[dot.frame] for dot in dots]
    table.meta["comments"] = [
        "where each dot of the composite comes from: frame, its effective middle (UTC), zero-based pixel on "
        "base.fits, ICRF degrees by the frames' stars"
    ]
    return write_table(table, path, overwrite)


def coverage_png(night, path, overwrite=False):
    """How many frames cover each part of the sky, with the grid's edge; returns the path."""
    count = night.coverage.astype(float)
    values = np.where(count > 0, 0.15 + 0.7 * count / max(count.max(), 1), 0.03)
    pixels = np.repeat(to_8bit(values)[..., None], 3, axis=-1)
    x0, y0, nx, ny = (int(n) // 8 for n in night.box)
    x1, y1 = min(x0 + nx, pixels.shape[1]) - 1, min(y0 + ny, pixels.shape[0]) - 1
    edge = np.array([240, 168, 48], dtype=np.uint8)
    pixels[y0, x0 : x1 + 1] = pixels[y1, x0 : x1 + 1] = edge
    pixels[y0 : y1 + 1, x0] = pixels[y0 : y1 + 1, x1] = edge
    pixels = np.repeat(np.repeat(pixels, 2, 0), 2, 1)[::-1]
    words = f"frames on each part of the sky, up to {int(count.max())}; frame: the grid of the stacks"
    return write_bytes(path, png_bytes(pixels, words), overwrite)


@lru_cache(maxsize=16)
def font(size_px: int):
    """DejaVu Sans, as it comes with matplotlib."""
    import matplotlib

    path = Path(matplotlib.get_data_path()) / "fonts" / "ttf" / "DejaVuSans.ttf"
    return ImageFont.truetype(str(path), size_px)
