"""A frame as a picture with what is known drawn upon it.

::

    +--------------------------------+   One device pixel is a whole number of frame pixels, or the other
    |  frame, rows counted upwards   |   way round, so that an overlay lies where the frame has it.
    |  (0, 0) is the centre of the   |
    |  lowest, leftmost pixel        |
    +--------------------------------+
    |  caption: when, what, symbols  |
    +--------------------------------+
"""

from __future__ import annotations

import io

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from appulse.errors import InputError
from appulse.formats.output import write_bytes
from appulse.overlays import palette
from appulse.reports.labels import Placer
from appulse.reports.marks import draw_corner_marks, draw_measured, draw_outlines, draw_tracks
from appulse.reports.stretch import frame_pixels

LONGEST_PX = 1800
SHORTEST_PX = 1000
"""The longer side of the frame is drawn between these where whole steps allow."""
DPI = 100.0
SYMBOLS = {
    "places": "cross: predicted at mid-exposure",
    "tracks": "thick: while the shutter was open    arrow: motion",
    "measured": "ring: measured",
    "outlines": "dashed outline: no position angle known",
}


class Canvas:
    """A figure that holds a frame, with its geometry.

    Parameters
    ----------
    frame : SolvedFrame
    longest_px : int
        Upper limit of the longer side, device pixels.

    Attributes
    ----------
    scale : float
        Device pixels per frame pixel.
    width, height, strip : int
        Of the frame's part and of the caption strip below, device pixels.
    """

    def __init__(self, frame, longest_px=LONGEST_PX):
        if not 200 <= longest_px <= 20_000:
            raise InputError(f"a picture of {longest_px} pixels: 200 to 20000 is allowed")
        ny, nx = frame.shape
        step = max(1, -(-max(nx, ny) // longest_px))
        zoom = 1 if step > 1 else max(1, min(longest_px, SHORTEST_PX) // max(nx, ny))
        self.frame, self.scale = frame, zoom / step
        pixels = frame_pixels(frame, step)
        self.height, self.width = pixels.shape[0] * zoom, pixels.shape[1] * zoom
        self.size_px = float(np.clip(max(self.width, self.height) / 85.0, 12.0, 22.0))
        self.strip = int(4.2 * self.size_px)
        total = self.height + self.strip
        self.figure = Figure(figsize=(self.width / DPI, total / DPI), dpi=DPI, facecolor=palette.HALO)
        FigureCanvasAgg(self.figure)
        self.axes = self.figure.add_axes((0.0, self.strip / total, 1.0, self.height / total))
        self.axes.set_axis_off()
        edge = (-0.5, pixels.shape[1] * step - 0.5, -0.5, pixels.shape[0] * step - 0.5)
        self.axes.imshow(
            pixels, origin="lower", extent=edge, interpolation="nearest", aspect="auto", zorder=0
        )
        self.axes.set_xlim(edge[:2])
        self.axes.set_ylim(edge[2:])
        self.labels = Placer(self.figure, (4, self.strip + 4, self.width - 4, total - 4), self.size_px)

    def device(self, x, y):
        """Device pixels, from the lower left corner, of frame pixels: (n, 2) array.

        The centre of the lowest, leftmost frame pixel lies half a drawn pixel from the edge.
        """
        x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
        return np.stack([(x + 0.5) * self.scale, (y + 0.5) * self.scale + self.strip], axis=-1)

    def points(self, px):
        """Device pixels as points, the unit of matplotlib's line widths."""
        return px * 72.0 / DPI


def picture_canvas(frame, *, tracks=(), outlines=(), residuals=None, title=None, longest_px=LONGEST_PX):
    """The drawn canvas; see :func:`annotated_png` for the parameters.

    Returns
    -------
    Canvas
    """
    canvas = Canvas(frame, longest_px)
    rows = _rows_of(frame, residuals)
    draw_corner_marks(canvas, [(track.x, track.y) for track in tracks])
    draw_outlines(canvas, outlines)
    draw_tracks(canvas, tracks)
    draw_measured(canvas, rows, tracks)
    shown = {
        "places": any(track.mid is not None for track in tracks),
        "tracks": any(len(track.x) > 1 for track in tracks),
        "measured": any(row["x"] is not None for row in rows),
        "outlines": any(outline.kind == "circle" for outline in outlines),
    }
    _caption(canvas, title, [name for name, seen in shown.items() if seen])
    canvas.labels.finish()
    return canvas


def annotated_png(
    frame, path=None, *, tracks=(), outlines=(), residuals=None, title=None, longest_px=LONGEST_PX,
    overwrite=False,
):  # fmt: skip
    """Draw a frame with tracks, outlines and measured places as PNG.

    Parameters
    ----------
    frame : SolvedFrame
    path : path, optional
        Where to write it.
    tracks : sequence of Track
    outlines : sequence of Outline
        Those that do not reach the frame are passed over.
    residuals : Table or sequence of rows, optional
        Residual table; rows of other frames are passed over.
    title : str, optional
        First line of the caption; the frame's name by default.
    longest_px : int
        Upper limit of the frame's longer side in the picture.
    overwrite : bool

    Returns
    -------
    bytes or Path
        The picture, or `path` where it was given.

    Raises
    ------
    FrameError
        The frame has no pixel to draw.
    InputError
        `longest_px` is out of range.
    OutputExistsError
        `path` exists and `overwrite` is false.

    Examples
    --------
    >>> from astropy.wcs import WCS
    >>> from appulse.frames.frame import SolvedFrame
    >>> wcs = WCS(naxis=2)
    >>> wcs.wcs.ctype, wcs.wcs.cdelt = ["RA---TAN", "DEC--TAN"], [-0.001, 0.001]
    >>> wcs.wcs.crval, wcs.wcs.crpix = [246.35, -24.47], [150.5, 100.5]
    >>> data = np.random.default_rng(1).normal(100.0, 3.0, (200, 300))
    >>> annotated_png(SolvedFrame.from_arrays(data, wcs))[1:4]
    b'PNG'
    """
    canvas = picture_canvas(
        frame, tracks=tracks, outlines=outlines, residuals=residuals, title=title, longest_px=longest_px
    )
    png = to_png(canvas.figure)
    return png if path is None else write_bytes(path, png, overwrite)


def to_png(figure):
    """A figure as PNG, the same bytes for the same picture."""
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", dpi=figure.dpi, metadata={"Software": "appulse"})
    return buffer.getvalue()


def _rows_of(frame, residuals):
    """Rows of this frame as dicts; None where a number is missing."""
    rows = []
    for row in residuals if residuals is not None else ():
        names = row.colnames if hasattr(row, "colnames") else list(row)
        kept = {name: None if _missing(row[name]) else row[name] for name in names}
        if str(kept.get("frame", frame.name)) == frame.name:
            rows.append({"x": None, "y": None, "flag": ""} | kept)
    return rows


def _missing(value):
    return np.ma.is_masked(value) or (isinstance(value, float | np.floating) and not np.isfinite(value))


def _caption(canvas, title, shown):
    frame, size = canvas.frame, canvas.size_px
    parts = []
    if frame.exposure is not None:
        exposure = frame.exposure
        light = f"{exposure.seconds:.3g} s" if exposure.seconds < 100 else f"{exposure.seconds:.0f} s"
        if exposure.is_stack:
            light = f"{exposure.n_sub} exposures, {light} of light in {exposure.span_s:.0f} s"
        parts.append(f"middle {exposure.mid.utc.isot[:19].replace('T', ' ')} UTC, {light}")
    else:
        parts.append("no time known")
    parts.append(f"{frame.pixel_scale:.2f}\u2033/px")
    if frame.parity < 0:
        parts.append("mirrored")
    words = [title or frame.name, "    ".join(parts)]
    words.append("    ".join(SYMBOLS[name] for name in shown))
    for i, line in enumerate(words):
        canvas.figure.text(
            size * 0.8, canvas.strip - size * (0.45 + 1.25 * i), line, transform=None, va="top", ha="left",
            color=palette.TEXT if i < 2 else palette.STAR_REJECTED, family="DejaVu Sans", parse_math=False,
            fontsize=canvas.points(size * (0.95 if i == 0 else 0.85)), weight="bold" if i == 0 else "normal",
        )  # fmt: skip
