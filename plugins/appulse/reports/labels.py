"""Words on a picture, placed so that none covers another.

Each label has a few places around its anchor; the one that hides least is taken. A label that may be left out
is left out when every place is taken.
"""

from __future__ import annotations

import numpy as np
from matplotlib.patheffects import withStroke

from appulse.overlays import palette

COVERS_LINE = 0.15
"""Weight of covering a pixel of a line against covering a pixel of another label."""


class Placer:
    """Keeps account of what is taken; all in device pixels, from the lower left corner of the canvas.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
    bounds : (x0, y0, x1, y1)
        Labels stay within.
    size_px : float
        Height of the letters.
    """

    def __init__(self, figure, bounds, size_px):
        self.figure, self.bounds, self.size_px = figure, bounds, size_px
        self.renderer = figure.canvas.get_renderer()
        self.taken = np.empty((0, 4))
        self.lines = np.empty((0, 2))
        self.drawn = []
        self.waiting = []

    def keep_free(self, x0, y0, x1, y1):
        """Nothing is put on this rectangle if it can be helped."""
        self.taken = np.vstack([self.taken, [x0, y0, x1, y1]])

    def avoid(self, points):
        """Labels rather do not cover these points, (n, 2)."""
        points = np.asarray(points, dtype=float).reshape(-1, 2)
        self.lines = np.vstack([self.lines, points[np.isfinite(points).all(axis=1)]])

    def later(self, words, anchor, *, rank=1, **options):
        """Place words when everything is drawn; those of lower rank first. Options as :meth:`place`."""
        self.waiting.append((rank, words, anchor, options))

    def finish(self):
        """Place what waits."""
        for _, words, anchor, options in sorted(self.waiting, key=lambda one: one[0]):
            self.place(words, anchor, **options)
        self.waiting = []

    def place(self, words, anchor, *, gap=8.0, angle=None, colour=palette.TEXT, scale=1.0, optional=False,
              weight="normal"):  # fmt: skip
        """Put words next to an anchor.

        Parameters
        ----------
        words : str
        anchor : (x, y)
        gap : float
            Between the anchor and the nearest edge of the words.
        angle : float, optional
            Direction preferred, degrees from +x towards +y.
        colour, scale, weight
            Of the letters.
        optional : bool
            Leave it out rather than cover another label.

        Returns
        -------
        matplotlib.text.Text or None
        """
        size_pt = self.size_px * scale * 72.0 / self.figure.dpi
        text = self.figure.text(
            0, 0, words, color=colour, fontsize=size_pt, family="DejaVu Sans", weight=weight, ha="left",
            va="bottom", path_effects=[withStroke(linewidth=self.size_px * 0.2, foreground=palette.HALO)],
            transform=None, parse_math=False, zorder=10,
        )  # fmt: skip
        box = text.get_window_extent(self.renderer)
        best, cost = None, np.inf
        for rank, (x, y) in enumerate(_corners(anchor, box.width, box.height, gap, angle)):
            rectangle = (x, y, x + box.width, y + box.height)
            now = self._cost(rectangle) + 0.002 * rank * box.width * box.height / 10.0
            if now < cost:
                best, cost = rectangle, now
        outside = self._outside(best)
        if optional and (self._overlap(best) > 0 or outside > 0):
            text.remove()
            return None
        x, y = self._inside(best) if outside else best[:2]
        text.set_position((x, y))
        self.keep_free(x - 3, y - 2, x + box.width + 3, y + box.height + 2)
        self.drawn.append((words, (x, y, x + box.width, y + box.height)))
        return text

    def _overlap(self, box):
        if not len(self.taken):
            return 0.0
        wide = np.minimum(self.taken[:, 2], box[2]) - np.maximum(self.taken[:, 0], box[0])
        high = np.minimum(self.taken[:, 3], box[3]) - np.maximum(self.taken[:, 1], box[1])
        return float((np.clip(wide, 0, None) * np.clip(high, 0, None)).sum())

    def _outside(self, box):
        x0, y0, x1, y1 = self.bounds
        wide = max(x0 - box[0], 0.0) + max(box[2] - x1, 0.0)
        high = max(y0 - box[1], 0.0) + max(box[3] - y1, 0.0)
        return wide * (box[3] - box[1]) + high * (box[2] - box[0])

    def _cost(self, box):
        hidden = 0
        if len(self.lines):
            x, y = self.lines.T
            hidden = np.count_nonzero((x > box[0]) & (x < box[2]) & (y > box[1]) & (y < box[3]))
        return self._overlap(box) + 3.0 * self._outside(box) + COVERS_LINE * hidden * self.size_px**2

    def _inside(self, box):
        x0, y0, x1, y1 = self.bounds
        wide, high = box[2] - box[0], box[3] - box[1]
        return min(max(box[0], x0), max(x1 - wide, x0)), min(max(box[1], y0), max(y1 - high, y0))


def _corners(anchor, wide, high, gap, angle):
    """Lower left corners of the places around an anchor, preferred ones first."""
    angles = np.arange(0.0, 360.0, 30.0)
    preferred = 30.0 if angle is None else angle
    away = np.abs((angles - preferred + 180.0) % 360.0 - 180.0)
    for distance in (gap, gap * 2.5, gap * 5.0):
        for turn in [preferred, *angles[np.argsort(away, kind="stable")]]:
            c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
            # The box touches the circle of radius `distance` from outside.
            reach = distance + _support(c, s, wide, high)
            yield anchor[0] + reach * c - wide / 2.0, anchor[1] + reach * s - high / 2.0


def _support(c, s, wide, high):
    """Distance from a box's centre to its edge in a direction."""
    across = wide / 2.0 / abs(c) if abs(c) > 1e-9 else np.inf
    up = high / 2.0 / abs(s) if abs(s) > 1e-9 else np.inf
    return min(across, up)
