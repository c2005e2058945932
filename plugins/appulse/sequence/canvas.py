"""The picture of an animation, kept as bytes: only what a dot changes is drawn anew."""

import numpy as np

from appulse.sequence.composite import lay_one
from appulse.sequence.output import to_8bit


class Canvas:
    """A base shown by a look, on which dots are laid one after the other.

    Parameters
    ----------
    base : (c, ny, nx) float32 array
    look : Look

    Attributes
    ----------
    pixels : (1 or 3, h, w) uint8 array
        Of the look's window, rows upwards.
    """

    def __init__(self, base, look):
        self.base, self.look = base, look
        self.laid = {}
        self.bare = to_8bit(look.picture(base))
        self.pixels = self.bare.copy()
        self.extra = np.zeros_like(base)
        self.strength = np.zeros(base.shape[-2:], dtype=np.float32)
        self.neutral = np.zeros(base.shape[-2:], dtype=np.float32)

    def clear(self):
        """Take the dots off again."""
        for box in self.laid.values():
            x0, y0, x1, y1 = box
            for plane in (*self.extra, self.strength, self.neutral):
                plane[y0:y1, x0:x1] = 0.0
            where = self._window(box)
            if where is not None:
                self.pixels[:, where[0], where[1]] = self.bare[:, where[0], where[1]]
        self.laid.clear()

    def add(self, dot):
        """Lay a dot, unless it is there already."""
        if not dot.used or id(dot) in self.laid:
            return
        lay_one(dot, self.extra, self.strength)
        self.neutral[dot.patch] = np.maximum(self.neutral[dot.patch], dot.weight)
        rows, columns = dot.patch
        box = (columns.start, rows.start, columns.stop, rows.stop)
        self.laid[id(dot)] = box
        where = self._window(box)
        if where is None:
            return
        x0, y0 = self.look.box[:2]
        rows, columns = where
        part = slice(rows.start + y0, rows.stop + y0), slice(columns.start + x0, columns.stop + x0)
        light = self.base[:, part[0], part[1]] + self.extra[:, part[0], part[1]]
        box = (part[1].start, part[0].start, part[1].stop, part[0].stop)
        self.pixels[:, rows, columns] = to_8bit(self.look.shown(light, box, self.neutral[part]))

    def _window(self, box):
        """Rows and columns of a box of the grid in the window; None off it."""
        x0, y0, x1, y1 = self.look.box
        left, low = max(box[0], x0), max(box[1], y0)
        right, high = min(box[2], x1), min(box[3], y1)
        if left >= right or low >= high:
            return None
        return slice(low - y0, high - y0), slice(left - x0, right - x0)
