"""One box of a drawing, with its ticks and words at fixed places, made of few artists.

Axes of matplotlib look for room, measure all their labels and keep what a window may ask for; a sheet with
two drawings of every frame does not wait for that.
"""

from __future__ import annotations

import numpy as np
from matplotlib.collections import PolyCollection
from matplotlib.image import BboxImage
from matplotlib.lines import Line2D
from matplotlib.markers import TICKDOWN, TICKLEFT, TICKRIGHT
from matplotlib.patches import Rectangle
from matplotlib.transforms import (
    Bbox,
    BboxTransformFrom,
    BboxTransformTo,
    ScaledTranslation,
    TransformedBbox,
    blended_transform_factory,
)

TICK_PT, PAD_PT = 3.5, 3.5
LINE_PT = 0.8
DIGIT_EM = 0.64
"""Width of a digit in heights of a letter (of DejaVu Sans, from its file)."""
ARROW = np.array([(0.0, 0.5), (-4.5, 0.5), (-5.0, 1.5), (0.0, 0.0), (-5.0, -1.5), (-4.5, -0.5), (0.0, -0.5)])
FROM_TIP = np.array([False, True, True, True, True, True, False])
"""Corners of an arrow, along and across it in widths of its shaft, counted from its tip or its foot."""
LEAST_LENGTH = 5.0
"""In the same: a shorter arrow is smaller as a whole."""


class ChartBox:
    """A box at `place` (left, bottom, width, height in parts of the panel) that shows some limits of x and y.

    The panel is a Figure or SubFigure.
    """

    def __init__(self, panel, place, xlim, ylim, *, ink, rim):
        self.panel, self.xlim, self.ylim, self.ink = panel, xlim, ylim, ink
        self.box = TransformedBbox(Bbox.from_bounds(*place), panel.transSubfigure)
        self.parts = BboxTransformTo(self.box)
        self.data = BboxTransformFrom(Bbox([[xlim[0], ylim[0]], [xlim[1], ylim[1]]])) + self.parts
        edge = Rectangle((0, 0), 1, 1, fill=False, edgecolor=rim, linewidth=LINE_PT, transform=self.parts)
        panel.add_artist(edge).set_zorder(3)

    def image(self, values, **shown):
        """Numbers as an image that fills the box, the first row below."""
        picture = BboxImage(self.box, origin="lower", interpolation="nearest", **shown)
        picture.set_data(values)
        self.panel.add_artist(picture).set_zorder(0)

    def marks(self, x, y, marker, **style):
        """Marks at places, cut at the rim."""
        marks = Line2D(x, y, linestyle="none", marker=marker, transform=self.data, **style)
        self.panel.add_artist(marks).set_clip_box(self.box)
        return marks

    def arrows(self, x, y, dx, dy, *, width, colour, cut=True):
        """Arrows from places, their shafts of one width; all in units of x and y, which have one scale."""
        length = np.hypot(dx, dy)
        unit = np.minimum(length / LEAST_LENGTH, width)[:, None]
        along = unit * ARROW[:, 0] + FROM_TIP * length[:, None]
        across = unit * ARROW[:, 1]
        ux, uy = (np.divide(d, length, out=np.zeros(len(d)), where=length > 0)[:, None] for d in (dx, dy))
        corners = np.stack([x[:, None] + along * ux - across * uy, y[:, None] + along * uy + across * ux], -1)
        arrows = PolyCollection(corners, facecolor=colour, linewidth=0, transform=self.data)
        self.panel.add_artist(arrows)
        if cut:
            arrows.set_clip_box(self.box)
        return arrows

    def words(self, x, y, text, away=(0.0, 0.0), **style):
        """Words at a part of the box, `away` points off it."""
        step = ScaledTranslation(away[0] / 72.0, away[1] / 72.0, self.panel.dpi_scale_trans)
        return self._text(x, y, text, self.parts + step, **style)

    def _text(self, x, y, text, transform, **style):
        return self.panel.text(x, y, text, transform=transform, color=self.ink, parse_math=False, **style)

    def ticks_below(self, values, size, name=""):
        """Ticks of x with their numbers, and the axis's name below."""
        across = blended_transform_factory(self.data, self.parts)
        down = ScaledTranslation(0.0, -(TICK_PT + PAD_PT) / 72.0, self.panel.dpi_scale_trans)
        at = self._ticks(values, self.xlim, TICKDOWN, across, lambda tick: (tick, 0.0))
        for tick, word in at:
            self._text(tick, 0.0, word, across + down, fontsize=size, ha="center", va="top")
        if name:
            self.words(
                0.5, 0.0, name, (0.0, -(TICK_PT + PAD_PT + 1.6 * size)), fontsize=size, ha="center", va="top"
            )

    def ticks_beside(self, values, size, name="", right=False):
        """Ticks of y with their numbers, and the axis's name beside; on the right where asked."""
        across = blended_transform_factory(self.parts, self.data)
        side, sign = (1.0, 1.0) if right else (0.0, -1.0)
        off = ScaledTranslation(sign * (TICK_PT + PAD_PT) / 72.0, 0.0, self.panel.dpi_scale_trans)
        mark = TICKRIGHT if right else TICKLEFT
        at = self._ticks(values, self.ylim, mark, across, lambda tick: (side, tick))
        for tick, word in at:
            self._text(
                side,
                tick,
                word,
                across + off,
                fontsize=size,
                ha="left" if right else "right",
                va="center_baseline",
            )
        if name:
            widest = max((len(word) for _, word in at), default=1)
            away = sign * (TICK_PT + PAD_PT + 4.0 + DIGIT_EM * size * widest)
            self.words(side, 0.5, name, (away, 0.0), fontsize=size, rotation=90, ha="right", va="center")

    def _ticks(self, values, limits, marker, transform, place):
        """Marks of the ticks between two limits; those with their words."""
        shown = [float(value) for value in values if min(limits) <= value <= max(limits)]
        x, y = np.array([place(value) for value in shown]).reshape(-1, 2).T
        marks = Line2D(
            x, y, linestyle="none", marker=marker, markersize=TICK_PT,
            markeredgewidth=LINE_PT, color=self.ink, transform=transform,
        )  # fmt: skip
        self.panel.add_artist(marks)
        return [(value, f"{value:g}".replace("-", "\u2212")) for value in shown]
