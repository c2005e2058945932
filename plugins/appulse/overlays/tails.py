"""A comet's tail in the pixels of a frame, and its lines in a scene.

::

    o-----+-----+-----+--   antisolar line: ticks in km on one side of it, in degrees on the other
     `-._  `-.               syndynes: solid, at their ends beta
        ' - .  ' - .         synchrones: dashed, at their ends the age
     . . . . . . .           ion tail: dotted, for its direction is an estimate
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from appulse.overlays import palette
from appulse.overlays.labels import Label
from appulse.overlays.scene import TICK, Polyline, Scene, runs

TAIL_RANK = 6.0
"""Words of a tail come after bodies and objects."""
TAIL_PARTS = {
    "antisolar": (palette.ANTISOLAR, None),
    "syndyne": (palette.SYNDYNE, None),
    "synchrone": (palette.SYNCHRONE, (0.8, 0.5)),
    "ion tail": (palette.ION_TAIL, (0.15, 0.45)),
}
"""Kinds of lines: colour, and lengths of dash and gap in heights of a letter."""
BUNDLE = 1.2
"""Ends of lines of a kind that lie closer than this many heights of a letter share their words."""
LEAST_PX = 6.0
"""A shorter piece of a line in sight says nothing."""


@dataclass(frozen=True, eq=False)
class TailLine:
    """A line of a tail in a frame: kind, value and label as of the tail, zero-based pixels (n, 2)."""

    kind: str
    value: float
    label: str
    pixels: np.ndarray


def part_of(kind: str) -> str:
    """The key of :data:`TAIL_PARTS` for a kind of curve.

    Examples
    --------
    >>> part_of("ion tail (estimate)"), part_of("syndyne")
    ('ion tail', 'syndyne')
    """
    return next(part for part in TAIL_PARTS if kind.startswith(part))


def tail_in_frame(frame, tail, margin_px=0.0):
    """The lines of a comet's tail that show on a frame.

    Parameters
    ----------
    frame : SolvedFrame
    tail : CometTail
        Of :func:`appulse.bodies.comet_tail`.
    margin_px : float
        Kept beyond the frame's edges.

    Returns
    -------
    list of TailLine
        A curve that leaves the frame and comes back gives a line for each piece.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> from astropy.wcs import WCS
    >>> from appulse.frames import SolvedFrame
    >>> wcs = WCS(naxis=2)
    >>> wcs.wcs.ctype, wcs.wcs.cdelt = ["RA---TAN", "DEC--TAN"], [-0.001, 0.001]
    >>> wcs.wcs.crval, wcs.wcs.crpix = [10.0, 0.0], [100.5, 100.5]
    >>> frame = SolvedFrame.from_arrays(np.zeros((200, 200)), wcs)
    >>> curve = SimpleNamespace(kind="syndyne", value=0.1, label="β 0.1",
    ...                         ra=np.array([10.0, 10.0]), dec=np.array([0.0, 5.0]))
    >>> line, = tail_in_frame(frame, SimpleNamespace(curves=(curve,)))
    >>> line.label, line.pixels.round(1).tolist()
    ('β 0.1', [[99.5, 99.5], [99.5, 199.5]])
    """
    ny, nx = frame.shape
    window = (-0.5 - margin_px, -0.5 - margin_px, nx - 0.5 + margin_px, ny - 0.5 + margin_px)
    found = []
    for curve in tail.curves:
        pixels = np.stack(frame.to_pixel(curve.ra, curve.dec), axis=1)
        parts = clipped(pixels, window)
        found += [TailLine(curve.kind, curve.value, curve.label, part) for part in parts]
    return found


def clipped(points, window):
    """The pieces (n, 2) of a line within a window, in its own direction; NaN breaks it."""
    box, pieces = shapely.box(*window), []
    for part in runs(np.isfinite(points).all(axis=1)):
        if part.stop - part.start < 2:
            continue
        line = shapely.LineString(points[part])
        cut = shapely.get_parts(shapely.line_merge(line.intersection(box)))
        cut = [piece for piece in cut if piece.geom_type == "LineString" and piece.length > 0.0]
        # A cut may turn a piece round, and gives the pieces in no order.
        cut.sort(key=lambda piece: line.project(shapely.Point(piece.coords[len(piece.coords) // 2])))
        for piece in cut:
            xy = np.array(piece.coords)
            ends = [line.project(shapely.Point(xy[i])) for i in (0, -1)]
            pieces.append(xy if ends[0] <= ends[1] else xy[::-1])
    return pieces


def dashed(points, dash, gap):
    """Pieces of a line (n, 2): dashes of a length with gaps between.

    Examples
    --------
    >>> [piece.tolist() for piece in dashed(np.array([[0.0, 0.0], [5.0, 0.0]]), 2.0, 1.0)]
    [[[0.0, 0.0], [2.0, 0.0]], [[3.0, 0.0], [5.0, 0.0]]]
    """
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    pieces = []
    for start in np.arange(0.0, along[-1], dash + gap):
        inner = along[(along > start) & (along < start + dash)]
        at = np.concatenate([[start], inner, [min(start + dash, along[-1])]])
        pieces.append(np.stack([np.interp(at, along, points[:, i]) for i in (0, 1)], axis=1))
    return pieces


def tail_scene(curves, ticks, *, window, size, width, letters=None, labels=True):
    """The lines of a tail on a picture.

    Parameters
    ----------
    curves : sequence of (kind, label, points)
        Points (n, 2) in pixels of the picture, from the nucleus outwards; NaN where there is no place.
    ticks : sequence of (point, along, label, unit)
        Point (2,) on the antisolar line, a unit vector (2,) along it, words, 'km' or 'deg'.
    window : (x0, y0, x1, y1)
        What lies outside is cut off.
    size, width : float
        Height of a letter, pixels; width of the lines in the painter's own unit.
    letters : float, optional
        Size of the letters in the painter's own unit; `size` by default.
    labels : bool
        Whether words stand by lines and ticks.

    Returns
    -------
    Scene

    Examples
    --------
    >>> line = np.array([[0.0, 5.0], [100.0, 5.0]])
    >>> scene = tail_scene([("syndyne", "β 0.1", line)], [], window=(0, 0, 50, 10), size=9.0, width=1.0)
    >>> scene.lines[0].points[-1].tolist(), scene.labels[0].text
    ([50.0, 5.0], 'β 0.1')
    """
    letters = size if letters is None else letters
    lines, words, ends = [], [], []
    for kind, label, points in curves:
        colour, pattern = TAIL_PARTS[part_of(kind)]
        pieces = [piece for piece in clipped(points, window) if _length(piece) >= LEAST_PX]
        for piece in pieces:
            strokes = [piece] if pattern is None else dashed(piece, pattern[0] * size, pattern[1] * size)
            lines += [Polyline(stroke, colour, width) for stroke in strokes]
        if labels and pieces and part_of(kind) != "antisolar":
            ends.append((part_of(kind), label, pieces[-1]))
    for part, label, piece in _bundled(ends, BUNDLE * size):
        line = shapely.LineString(piece)
        # Before the end by half the words: where the window cuts the line, they find room there.
        back = min((0.6 + 0.3 * len(label)) * size, 0.5 * line.length)
        end, before = (np.array(line.interpolate(line.length - at).coords[0]) for at in (back, back + size))
        way = end - before
        angle = float(np.degrees(np.arctan2(way[1], way[0]))) + 90.0
        words.append(Label(*end, label, angle, TAIL_RANK, TAIL_PARTS[part][0], 0.8 * letters, 0.4 * size))
    for point, along, label, unit in ticks:
        x0, y0, x1, y1 = window
        if not (np.isfinite(point).all() and x0 <= point[0] <= x1 and y0 <= point[1] <= y1):
            continue
        # Degrees to the left of the way outwards, kilometres to the right: two scales on one line.
        side = np.array([-along[1], along[0]]) * (1.0 if unit == "deg" else -1.0)
        lines.append(Polyline(np.array([point, point + 1.6 * TICK * size * side]), palette.ANTISOLAR, width))
        if labels:
            angle = float(np.degrees(np.arctan2(side[1], side[0])))
            look = {"colour": palette.ANTISOLAR, "size": 0.8 * letters, "gap": (1.6 * TICK + 0.3) * size}
            words.append(Label(*point, label, angle, TAIL_RANK + 1.0, turns=(0,), **look))
    return Scene(tuple(lines), tuple(words))


def _bundled(ends, apart):
    """Lines (kind, label, points) with one label for neighbours of a kind whose ends lie too close."""
    # Which of six words belongs to which of six lines in the height of one letter nobody can see: there the
    # first and the last are named, and the lines between them come in order.
    bundles = []
    for end in ends:
        last = bundles[-1] if bundles else None
        if last and last[-1][0] == end[0] and np.hypot(*(last[-1][2][-1] - end[2][-1])) < apart:
            last.append(end)
        else:
            bundles.append([end])
    for bundle in bundles:
        part, _, points = bundle[len(bundle) // 2]
        yield part, _joined(bundle[0][1], bundle[-1][1]), points


def _joined(first, last):
    """Two labels as one: '5 d' and '40 d' as '5–40 d'."""
    pairs = zip(first.split(), last.split(), strict=False)
    return " ".join(a if a == b else f"{a}\u2013{b}" for a, b in pairs)


def _length(points):
    return float(np.hypot(*np.diff(points, axis=0).T).sum())


def ticks_on(tail, to_pixels):
    """Ticks of a tail as :func:`tail_scene` takes them; ``to_pixels(ra, dec)`` gives pixels (n, 2)."""
    line = next((curve for curve in tail.curves if curve.kind == "antisolar"), None)
    if line is None or not tail.ticks:
        return []
    path = to_pixels(line.ra, line.dec)
    ra, dec = np.array([(tick.ra, tick.dec) for tick in tail.ticks]).T
    points = to_pixels(ra, dec)
    found = []
    for tick, point in zip(tail.ticks, points, strict=True):
        away = np.hypot(*(path - point).T)
        if not np.isfinite(away).any():
            continue
        near = int(np.clip(np.nanargmin(away), 1, len(path) - 2))
        way = path[near + 1] - path[near - 1]
        length = np.hypot(*way)
        if np.isfinite(length) and length > 0.0:
            found.append((point, way / length, tick.label, tick.unit))
    return found


def tails_scene(target, tails):
    """Tails of comets (:class:`appulse.bodies.CometTail`) on a picture of a frame."""
    scene = Scene()
    for tail in tails:
        place = lambda ra, dec: target.at(*target.frame.to_pixel(ra, dec))  # noqa: E731
        curves = [(curve.kind, curve.label, place(curve.ra, curve.dec)) for curve in tail.curves]
        look = {"window": target.window, "size": target.size, "width": 0.09 * target.size}
        scene += tail_scene(curves, ticks_on(tail, place), **look)
    return scene
