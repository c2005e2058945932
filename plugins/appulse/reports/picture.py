"""A frame as a picture with what is known painted over it.

::

    +--------------------------------+   One pixel of the picture is a whole number of frame pixels, or the
    |  frame, rows counted upwards   |   other way round, so that an overlay lies where the frame has it.
    |  (0, 0) is the centre of the   |
    |  lowest, leftmost pixel        |
    +--------------------------------+
    |  caption on a light margin:    |
    |  what, when, symbols, file     |
    +--------------------------------+
"""

from __future__ import annotations

import cv2
import numpy as np
from matplotlib.artist import Artist
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patheffects import withStroke
from matplotlib.transforms import Bbox

from appulse.errors import FrameError, InputError
from appulse.formats import NO_FILTER, dots_per_inch, encode_png, write_bytes
from appulse.numerics import MAD_TO_SIGMA
from appulse.overlays import (
    BODY_RANK,
    LEAST_ELLIPSE_PX,
    OBJECT_RANK,
    Target,
    frame_scene,
    palette,
    place_labels,
    tails_scene,
)

LONGEST_PX = 1800
JPEG = (
    *(cv2.IMWRITE_JPEG_QUALITY, 80),
    *(cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444),
)
SHORTEST_PX = 1000
"""The longer side of the frame is drawn between these where whole steps allow."""
SHEET_PX = 1000
"""The longer side of a frame's picture in a sheet, which holds those of all frames."""
DPI = 100.0
MARGIN, MARGIN_INK, MARGIN_FAINT = "#efe9dc", "#1f2430", "#5b606b"
SYMBOLS = {
    "places": "two bars: predicted, the body lies between them",
    "ellipses": "ellipse: 1 sigma of it",
    "tracks": "arrow: motion",
    "measured": "ring: measured",
    "outlines": "four arcs: no position angle known",
    "tails": "tail: antisolar line, syndynes \u03b2 solid, synchrones dashed, ion tail (estimate) dotted",
}

SAMPLE = 400_000
"""Pixels looked at to find the ends of the stretch."""
BLACK_SIGMAS, SOFT_SIGMAS = 2.0, 4.0
WHITE_PERCENTILE = 99.7
LEAST_LETTER_PX = 5.0
BLANK = 18
"""Grey of pixels without a number."""
STRIP_ROWS = 32


class _DevicePixels(Artist):
    """Bytes (ny, nx, 3) put down pixel by pixel; an image of axes would be resampled, ten times slower."""

    def __init__(self, pixels, above):
        super().__init__()
        self.set_zorder(-1)  # under all that is drawn
        self.above, self.rgba = above, np.full((*pixels.shape[:2], 4), 255, np.uint8)
        _copy_colours(pixels, self.rgba)

    def draw(self, renderer):
        gc = renderer.new_gc()
        renderer.draw_image(gc, 0, self.above, self.rgba)
        gc.restore()


def _copy_colours(pixels, target):
    """Three planes of pixels into another array of pixels, which is returned."""
    # Plane by plane: pixel by pixel numpy takes four times as long.
    for plane in range(3):
        target[..., plane] = pixels[..., plane]
    return target


class FramePicture:
    """A figure that holds a frame, with its geometry; a scene is painted over it.

    Attributes
    ----------
    target : Target
        Where the frame's pixels lie, device pixels from the lower left corner.
    scale, size_px : float
        Device pixels per frame pixel; height of a letter.
    width, height, strip : int
        Of the frame's part and of the caption below, device pixels.
    placed : list of PlacedLabel
        Words that found a place.
    """

    def __init__(self, frame, longest_px=LONGEST_PX, standing_out=None):
        if not 200 <= longest_px <= 20_000:
            raise InputError(f"a picture of {longest_px} pixels: 200 to 20000 is allowed")
        step, zoom = whole_steps(frame.shape, longest_px)
        self.frame, self.scale, self.placed = frame, zoom / step, []
        pixels = frame_pixels(frame, step, standing_out)
        self.height, self.width = pixels.shape[0] * zoom, pixels.shape[1] * zoom
        self.size_px = float(np.clip(max(self.width, self.height) / 85.0, 12.0, 22.0))
        self.strip = int(4.2 * self.size_px)
        total = self.height + self.strip
        self.figure = Figure(figsize=(self.width / DPI, total / DPI), dpi=DPI, facecolor=MARGIN)
        FigureCanvasAgg(self.figure)
        # Axes, of which nothing would be seen, take a tenth of the drawing.
        self.box = Bbox.from_extents(0.0, self.strip, self.width, total)
        if zoom > 1:
            pixels = pixels.repeat(zoom, axis=0).repeat(zoom, axis=1)
        self.figure.add_artist(_DevicePixels(pixels, self.strip))
        self.target = Target(
            frame, self.width, self.height, self.size_px, self.scale, (0.0, float(self.strip))
        )

    def paint(self, scene):
        """Paint lines and words of a scene."""
        for line in scene.lines:
            self._line(line.points, line.colour, line.width)
        x0, y0, x1, y1 = self.target.window
        # words keep off the rim of the picture
        self.placed = place_labels(
            scene.labels, (x0 + 4, y0 + 4, x1 - 4, y1 - 4), self._measure, blocked=scene.blocked,
            avoid=scene.points(),
        )  # fmt: skip
        for label, box, leader in self.placed:
            if leader is not None:
                self._line(leader, label.colour, 0.06 * self.size_px)
            self._words(label, box[:2], ha="left", va="bottom")
        for label in scene.words:
            self._words(label, (label.x, label.y), ha="center", va="center")

    def _line(self, points, colour, width):
        """A line in device pixels, cut at the frame's edge, with a dark rim against bright nebulae."""
        rim = [withStroke(linewidth=points_of(width + 2.0), foreground=palette.HALO, alpha=0.6)]
        line = Line2D(
            *np.asarray(points).T, transform=None, color=colour, linewidth=points_of(width),
            solid_capstyle="butt", path_effects=rim, zorder=5,
        )  # fmt: skip
        self.figure.add_artist(line)
        line.set_clip_box(self.box)

    def _words(self, label, place, **where):
        return self.figure.text(
            *place, label.text, transform=None, color=label.colour, fontsize=points_of(max(label.size, 10.0)),
            family="DejaVu Sans", weight="bold" if label.bold else "normal", parse_math=False, zorder=10,
            path_effects=[withStroke(linewidth=points_of(0.2 * self.size_px), foreground=palette.HALO)],
            **where,
        )  # fmt: skip

    def _measure(self, label):
        # only drawn letters have a size
        text = self._words(label, (0, 0), ha="left", va="bottom")
        box = text.get_window_extent(self.figure.canvas.get_renderer())
        text.remove()
        return box.width, box.height

    def caption(self, lines, file_name):
        """Lines on the margin, the first one large; the file's name comes last."""
        for i, line in enumerate(lines):
            self._margin_line(line, 0.8 * self.size_px, i, "left")
        if file_name:
            self._margin_line(file_name, self.width - 0.8 * self.size_px, 1, "right")

    def _margin_line(self, words, x, row, side):
        size = self.size_px * (0.95 if row == 0 else 0.85)
        text = self.figure.text(
            x, self.strip - self.size_px * (0.45 + 1.25 * row), words, transform=None, va="top", ha=side,
            color=MARGIN_INK if row < 2 else MARGIN_FAINT, family="DejaVu Sans", parse_math=False,
            fontsize=points_of(size), weight="bold" if row == 0 else "normal",
        )  # fmt: skip
        # A small frame's margin is narrow: smaller letters rather than words that are cut. Letters come in
        # whole pixels, so their width does not follow their size.
        while text.get_window_extent().width > self.width - 1.6 * self.size_px and size > LEAST_LETTER_PX:
            size *= 0.96
            text.set_fontsize(points_of(size))


def whole_steps(shape, longest_px):
    """Frame pixels a side that become one of the picture's, and the other way round; one of both is 1.

    Examples
    --------
    >>> whole_steps((4000, 6000), 1800), whole_steps((200, 300), 1800)
    ((4, 1), (1, 3))
    """
    # whole steps only: an overlay then lies on the pixel that it speaks of
    step = max(1, -(-max(shape) // longest_px))
    return step, 1 if step > 1 else max(1, min(longest_px, SHORTEST_PX) // max(shape))


def points_of(px):
    """Device pixels as points, the unit of matplotlib's line widths."""
    return px * 72.0 / DPI


def frame_picture(
    frame, *, tracks=(), outlines=(), residuals=None, tails=(), title=None, longest_px=LONGEST_PX,
    standing_out=None,
):  # fmt: skip
    """The painted picture; see :func:`annotated_png` for the parameters."""
    picture = FramePicture(frame, longest_px, standing_out)
    rows = _rows_of(frame, residuals)
    beneath = tails_scene(picture.target, tails)
    scene = frame_scene(picture.target, tracks=tracks, outlines=outlines, rows=rows, beneath=beneath)
    picture.paint(scene)
    mids = [track.mid for track in tracks if track.mid is not None]
    sigmas = [mid.sigma_major_px for mid in mids if mid.sigma_major_px is not None]
    shown = {
        "places": bool(mids),
        "ellipses": any(2.0 * sigma * picture.scale > LEAST_ELLIPSE_PX for sigma in sigmas),
        "tracks": any(len(track.x) > 1 for track in tracks),
        "measured": any(row["x"] is not None for row in rows),
        "outlines": any(outline.kind == "circle" for outline in outlines),
        "tails": bool(tails),
    }
    symbols = "    ".join(words for name, words in SYMBOLS.items() if shown[name])
    picture.caption([title or _subject(frame, tracks, scene), _circumstances(frame), symbols], frame.name)
    return picture


def annotated_png(
    frame, path=None, *, tracks=(), outlines=(), residuals=None, tails=(), title=None,
    longest_px=LONGEST_PX, standing_out=None, overwrite=False,
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
    tails : sequence of CometTail
    title : str, optional
        First line of the caption; the bodies and objects shown by default.
    longest_px : int
        Upper limit of the frame's longer side in the picture.
    standing_out : (k, 2) array, optional
        Pixels, zero-based (x, y), whose light must not drown in a nebula: the greys reach up to it.
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
    picture = frame_picture(
        frame, tracks=tracks, outlines=outlines, residuals=residuals, tails=tails, title=title,
        longest_px=longest_px, standing_out=standing_out,
    )  # fmt: skip
    png = to_png(picture.figure)
    return png if path is None else write_bytes(path, png, overwrite)


def annotated_pictures(frame, kinds, **drawing):
    """One drawing as a PNG ('picture'), as a smaller JPEG for sheets ('small'), or both; name to bytes.

    `drawing` as :func:`annotated_png`.
    """
    # For a sheet alone nothing is drawn that would be made smaller.
    longest = LONGEST_PX if "picture" in kinds else SHEET_PX
    pixels = drawn_pixels(frame_picture(frame, longest_px=longest, **drawing).figure)
    made = {"picture": png_bytes, "small": sheet_jpeg}
    return {kind: made[kind](pixels) for kind in kinds}


def drawn_pixels(figure):
    """A figure drawn, as (ny, nx, 3) bytes, the uppermost row first."""
    figure.canvas.draw()
    # Nothing shows through: a fourth plane of nothing but 255 is left out.
    drawn = np.asarray(figure.canvas.buffer_rgba())
    return _copy_colours(drawn, np.empty((*drawn.shape[:2], 3), np.uint8))


def to_png(figure):
    """A figure as PNG, the same bytes for the same picture."""
    return png_bytes(drawn_pixels(figure), figure.dpi)


def png_bytes(pixels, dpi=DPI):
    """Pixels (ny, nx, 3), bytes, as PNG, the same bytes for the same pixels.

    Examples
    --------
    >>> import io
    >>> from PIL import Image
    >>> pixels = np.arange(24, dtype=np.uint8).reshape(2, 4, 3)
    >>> bool((np.asarray(Image.open(io.BytesIO(png_bytes(pixels)))) == pixels).all())
    True
    """
    about, size = [("Software", "appulse")], [dots_per_inch(dpi)]
    return encode_png(pixels, about, size, row_filter=NO_FILTER)


def sheet_jpeg(pixels):
    """Pixels of a picture for a sheet: no side over 1000, as JPEG: noise makes a PNG ten times larger."""
    share = SHEET_PX / max(pixels.shape[:2])
    if share < 1.0:
        size = tuple(round(share * side) for side in pixels.shape[1::-1])
        # Pictures are drawn no larger than twice this: so narrow a blur keeps noise from making patterns.
        pixels = cv2.resize(cv2.GaussianBlur(pixels, (3, 3), 0.5), size, interpolation=cv2.INTER_LINEAR)
    blue_first = cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR)
    _, content = cv2.imencode(".jpg", blue_first, JPEG)  # in a third of Pillow's time
    return content.tobytes()


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


def _subject(frame, tracks, scene):
    """The bodies, and the objects named with them, the nearest to the first body first."""
    names = [label for label in scene.labels if label.rank == OBJECT_RANK]
    body = next((label for label in scene.labels if label.rank == BODY_RANK), None)
    if body is not None:
        names.sort(key=lambda label: np.hypot(label.x - body.x, label.y - body.y))
    objects = [label.text for label in names]
    words = [_several(names) for names in ([track.name for track in tracks], objects) if names]
    return " by ".join(words) or frame.name


def _several(names, most=3):
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")


def _circumstances(frame):
    parts = ["no time known"]
    if frame.exposure is not None:
        exposure = frame.exposure
        light = f"{exposure.seconds:.3g} s" if exposure.seconds < 100 else f"{exposure.seconds:.0f} s"
        if exposure.is_stack:
            light = f"{exposure.n_sub} exposures, {light} of light in {exposure.span_s:.0f} s"
        parts = [f"mid-exposure {exposure.mid.utc.isot[:19].replace('T', ' ')} UTC, {light}"]
    parts.append(f"{frame.pixel_scale:.2f}\u2033/px")
    # a mirrored frame surprises whoever compares it with a chart
    return "    ".join(parts + ["mirrored"] * (frame.parity < 0))


# --- from numbers to grey: an asinh stretch whose ends come from the frame itself


def stretch_ends(values):
    """Black, knee and white of a stretch: sky less two sigmas, four sigmas above it, the brightest 0.3 %.

    Raises FrameError where no pixel is finite.

    Examples
    --------
    >>> black, soft, white = stretch_ends(np.random.default_rng(1).normal(100.0, 5.0, (200, 200)))
    >>> round(black), round(soft), round(white)
    (90, 20, 130)
    """
    flat = np.ravel(values)
    flat = flat[:: max(1, flat.size // SAMPLE)]
    flat = flat[np.isfinite(flat)]
    if flat.size == 0:
        raise FrameError("no pixel of the frame is a finite number: there is nothing to draw")
    middle, bright = (float(value) for value in np.percentile(flat, [50.0, WHITE_PERCENTILE]))
    sigma = float(MAD_TO_SIGMA * np.median(np.abs(flat - middle)))
    if not sigma > 0:
        sigma = max(float(np.std(flat, dtype=float)) / 3.0, 1e-12 * max(abs(middle), 1.0))
    black = middle - BLACK_SIGMAS * sigma
    white = max(bright, middle + 6.0 * sigma)
    return float(black), float(SOFT_SIGMAS * sigma), float(white)


def to_bytes(values, ends):
    """Values from 0 to 255 by an asinh stretch between the ends of :func:`stretch_ends`; blank pixels dark.

    Examples
    --------
    >>> to_bytes(np.array([0.0, 10.0, 100.0, np.nan]), (0.0, 10.0, 100.0)).tolist()
    [0, 75, 255, 18]
    """
    black, soft, white = ends
    top = float(np.arcsinh((white - black) / soft))
    grey = np.empty(values.shape, np.uint8)
    # In strips: what is worked on stays in the processor's cache.
    for first in range(0, len(values), STRIP_ROWS):
        strip = values[first : first + STRIP_ROWS]
        blank = ~np.isfinite(strip)
        scaled = np.where(blank, black, strip) - black
        scaled /= soft
        np.arcsinh(scaled, out=scaled)
        scaled /= top
        np.clip(scaled, 0.0, 1.0, out=scaled)
        scaled *= 255.0
        grey[first : first + STRIP_ROWS] = np.rint(scaled, out=scaled)
        grey[first : first + STRIP_ROWS][blank] = BLANK
    return grey


def reduced(plane, step):
    """Means of `step` by `step` pixels, blank ones left out; the last ones are of what remains.

    Examples
    --------
    >>> reduced(np.arange(6.0).reshape(2, 3), 2).tolist()
    [[2.0, 3.5]]
    """
    if step == 1:
        return np.asarray(plane, dtype=np.float32)
    ny, nx = plane.shape
    rows = range(0, ny, step)
    out = np.empty((len(rows), -(-nx // step)), dtype=np.float32)
    for i, first in enumerate(rows):
        # Strip by strip: no second copy of a large frame.
        strip = np.asarray(plane[first : first + step], dtype=np.float64)
        good = np.isfinite(strip)
        starts = np.arange(0, nx, step)
        total = np.add.reduceat(np.where(good, strip, 0.0).sum(axis=0), starts)
        count = np.add.reduceat(good.sum(axis=0), starts)
        out[i] = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return out


NEBULA_GREY = 0.4
"""Of white: what was white by itself, the brightest of a nebula say, where dots on it must stand out."""


def reaching(ends, level):
    """Ends of a stretch in which a level stands out from what was white before, a middle grey then.

    Examples
    --------
    >>> faint = reaching((0.0, 2.0, 60.0), 600.0)
    >>> to_bytes(np.array([0.0, 60.0, 600.0]), faint).tolist()
    [0, 101, 255]
    >>> to_bytes(np.array([0.0, 60.0, 1e5]), reaching((0.0, 20.0, 60.0), 1e5)).tolist()
    [0, 102, 255]
    >>> reaching((0.0, 2.0, 60.0), 30.0)
    (0.0, 2.0, 60.0)
    """
    black, soft, white = ends
    if not level > white:
        return ends
    # Far brighter dots may be white beyond measure: with room for all their light the nebula would be black.
    enough = black + soft * np.sinh(np.arcsinh((white - black) / soft) / NEBULA_GREY)
    if level >= enough:
        return black, soft, float(enough)
    knees = np.geomspace(soft, max(level - black, soft), 200)
    share = np.arcsinh((white - black) / knees) / np.arcsinh((level - black) / knees)
    # The share falls as the knee rises; where even a straight line leaves the nebula brighter, that is taken.
    low = np.flatnonzero(share <= NEBULA_GREY)
    return black, float(knees[low[0]] if len(low) else knees[-1]), float(level)


def _level_at(plane, places, step):
    """The brightest of the pixels around some places of the frame; minus infinity where none lies on it."""
    columns, rows = (np.round(np.asarray(places, dtype=float).reshape(-1, 2)) // step).astype(int).T
    on = (rows >= 0) & (rows < plane.shape[0]) & (columns >= 0) & (columns < plane.shape[1])
    around = zip(rows[on], columns[on], strict=True)
    boxes = [plane[max(r - 1, 0) : r + 2, max(c - 1, 0) : c + 2] for r, c in around]
    return max((float(np.nanmax(box)) for box in boxes if np.isfinite(box).any()), default=-np.inf)


def frame_pixels(frame, step=1, standing_out=None):
    """A frame as (ny, nx, 3) bytes, rows counted upwards; `step` pixels are taken together."""
    if frame.colour is None:
        plane = reduced(frame.data, step)
        ends = stretch_ends(plane)
        if standing_out is not None and len(standing_out):
            ends = reaching(ends, _level_at(plane, standing_out, step))
        grey = to_bytes(plane, ends)
        return np.broadcast_to(grey[:, :, None], (*grey.shape, 3))
    planes = [reduced(plane, step) for plane in frame.colour]
    ends = [stretch_ends(plane) for plane in planes]
    # One range for the three keeps the colours of what is brighter than the sky.
    soft, span = max(e[1] for e in ends), max(e[2] - e[0] for e in ends)
    return np.stack(
        [to_bytes(p, (e[0], soft, e[0] + span)) for p, e in zip(planes, ends, strict=True)], axis=2
    )
