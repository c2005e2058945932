"""PNG of 8 or 16 bit with words (PNG specification, W3C 2003, chapters 7, 9 and 11)."""

import struct

import numpy as np
from isal import isal_zlib as zlib

from appulse.errors import InputError

STRIP_ROWS = 512
LEVEL = 2
"""Of the library's 0 to 3: on noise of a camera a quarter of zlib's quickest time, for a file no larger."""
NO_FILTER, UP = 0, 2
_INCH_M = 0.0254


def encode_png(pixels, texts=(), chunks=(), *, row_filter: int = UP) -> bytes:
    """A PNG, the same bytes for the same picture. (Pillow writes no 16-bit colour, and tries every filter.)

    Parameters
    ----------
    pixels : (ny, nx, c) uint8 or uint16 array
        c is 1 or 3; the first row is the top.
    texts : iterable of (str, str)
        Keywords and words; empty ones are left out.
    chunks : iterable of (bytes, bytes)
        Kind and body of what else goes before the pixels.
    row_filter : int
        :data:`UP` for what is smooth from row to row, :data:`NO_FILTER` for noise and drawings.

    Raises
    ------
    InputError
        If there are other planes or depths.

    Examples
    --------
    >>> import io
    >>> from PIL import Image
    >>> pixels = np.arange(24, dtype=np.uint8).reshape(2, 4, 3)
    >>> picture = Image.open(io.BytesIO(encode_png(pixels, [("Title", "dots")], row_filter=NO_FILTER)))
    >>> bool((np.asarray(picture) == pixels).all()), picture.text["Title"]
    (True, 'dots')
    """
    pixels = np.asarray(pixels)
    ny, nx, planes = pixels.shape
    depth = 8 * pixels.dtype.itemsize
    if planes not in (1, 3) or depth not in (8, 16):
        raise InputError(f"a PNG of {planes} channels and {depth} bit: 1 or 3, and 8 or 16, are written")
    head = struct.pack(">IIBBBBB", nx, ny, depth, 0 if planes == 1 else 2, 0, 0, 0)
    said = [(b"iTXt", key.encode() + bytes(5) + text.encode("utf-8")) for key, text in texts if text]
    body = (b"IDAT", _deflated(pixels, row_filter))
    parts = ((b"IHDR", head), *chunks, *said, body, (b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + b"".join(_chunk(kind, content) for kind, content in parts)


def dots_per_inch(dpi: float) -> tuple[bytes, bytes]:
    """The chunk that says how large a pixel is.

    Examples
    --------
    >>> dots_per_inch(100.0)[1].hex()
    '00000f6100000f6101'
    """
    per_metre = round(dpi / _INCH_M)
    return b"pHYs", struct.pack(">IIB", per_metre, per_metre, 1)


def _deflated(pixels, row_filter) -> bytes:
    """Lines of a PNG, filtered and deflated strip by strip."""
    ny, nx, planes = pixels.shape
    squeeze, parts = zlib.compressobj(LEVEL), []
    previous = np.zeros((1, nx * planes * pixels.dtype.itemsize), dtype=np.uint8)
    for first in range(0, ny, STRIP_ROWS):
        strip = pixels[first : first + STRIP_ROWS]
        lines = np.ascontiguousarray(strip, dtype=pixels.dtype.newbyteorder(">")).view(np.uint8)
        lines = lines.reshape(len(strip), -1)
        filtered = np.empty((len(lines), lines.shape[1] + 1), dtype=np.uint8)
        filtered[:, 0] = row_filter
        # Deflate then sees small differences.
        filtered[:, 1:] = lines - np.vstack([previous, lines[:-1]]) if row_filter == UP else lines
        previous = lines[-1:].copy()
        parts.append(squeeze.compress(filtered))
    return b"".join([*parts, squeeze.flush()])


def _chunk(kind, body):
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(body, zlib.crc32(kind)))
