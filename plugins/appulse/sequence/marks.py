"""Marks on a finished picture: rings, times, a scale bar, a compass, outlines. None unless asked for."""

import numpy as np
from PIL import Image, ImageDraw

from appulse.errors import InputError
from appulse.frames.frame import SolvedFrame
from appulse.overlays import palette
from appulse.overlays.shapes import outline_in_frame
from appulse.sequence.animate import font

MARKS = ("ring", "times", "scale", "compass", "outlines")
NICE_ARCMIN = (0.5, 1, 2, 5, 10, 15, 20, 30, 60, 120)


def check_marks(names) -> tuple:
    """Names of marks, checked.

    Raises
    ------
    InputError
        For an unknown one.

    Examples
    --------
    >>> check_marks(["scale", "compass"])
    ('scale', 'compass')
    """
    names = tuple(names)
    if unknown := sorted(set(names) - set(MARKS)):
        raise InputError(f"mark {unknown[0]!r} is not known: use {', '.join(MARKS)}")
    return names


def marked(values, night, dots, look, settings, *, outlines=()) -> np.ndarray:
    """A picture (c, h, w) from 0 to 1 with its marks; itself where none are asked for.

    Parameters
    ----------
    values : (1 or 3, h, w) array
    night : Night
    dots : list of Dot
        Those that the picture shows.
    look : Look
    settings : Settings
    outlines : sequence of Outline
    """
    names = check_marks(settings.marks)
    if not names:
        return values
    c, h, w = values.shape
    layer = Image.new("RGBA", (w, h), (0, 0, 0, 0))
    pen = Pen(ImageDraw.Draw(layer), night.grid, look.box, max(11, round(min(h, w) / 45)))
    if "outlines" in names:
        pen.outlines(outlines)
    if "ring" in names:
        pen.rings(dots, night.fwhm)
    if "times" in names:
        pen.times(dots)
    if "scale" in names:
        pen.scale()
    if "compass" in names:
        pen.compass()
    drawn = np.asarray(layer, dtype=np.float32)[::-1] / 255.0
    alpha = drawn[..., 3]
    under = values if c == 3 else np.repeat(values, 3, axis=0)
    return (under * (1 - alpha) + np.moveaxis(drawn[..., :3], -1, 0) * alpha).astype(np.float32)


class Pen:
    """Draws on a layer whose first row is the top of the picture.

    Parameters
    ----------
    draw : PIL.ImageDraw.ImageDraw
    grid : SkyGrid
    box : (x0, y0, x1, y1)
    size : int
        Of letters, px.
    """

    def __init__(self, draw, grid, box, size):
        self.draw, self.grid, self.box, self.size = draw, grid, box, size
        self.width, self.height = box[2] - box[0], box[3] - box[1]
        self.line = max(1, size // 9)

    def at(self, x, y):
        """Layer pixel of grid pixels."""
        return np.asarray(x) - self.box[0], self.height - 1 - (np.asarray(y) - self.box[1])

    def text(self, place, words, anchor="lm", colour=palette.TEXT):
        """Words with a dark rim."""
        self.draw.text(
            tuple(float(v) for v in place), words, fill=colour, font=font(self.size), anchor=anchor,
            stroke_width=max(1, self.size // 10), stroke_fill=palette.HALO,
        )  # fmt: skip

    def rings(self, dots, fwhm):
        """A ring around every dot."""
        r = max(3.2 * fwhm, 0.6 * self.size)
        for dot in dots:
            x, y = self.at(dot.x, dot.y)
            self.draw.ellipse((x - r, y - r, x + r, y + r), outline=palette.TRACK, width=self.line)

    def times(self, dots):
        """Hours and minutes beside the dots, across the path, none over another."""
        last = None
        for dot in dots:
            x, y = (float(v) for v in self.at(dot.x, dot.y))
            if last is not None and np.hypot(x - last[0], y - last[1]) < 3.2 * self.size:
                continue
            last = (x, y)
            self.draw.line(
                (x, y - 0.7 * self.size, x, y - 1.5 * self.size), fill=palette.TRACK, width=self.line
            )
            self.text((x, y - 2.2 * self.size), dot.time[11:16], anchor="mm")

    def scale(self):
        """A bar of a round number of arcminutes."""
        length_px = np.array(NICE_ARCMIN) * 60.0 / self.grid.pixel_scale
        fits = np.flatnonzero(length_px <= 0.25 * self.width)
        index = int(fits[-1]) if len(fits) else 0
        x1, y = self.width - 1.6 * self.size, self.height - 1.8 * self.size
        x0 = x1 - length_px[index]
        self.draw.line((x0, y, x1, y), fill=palette.TEXT, width=self.line + 1)
        for x in (x0, x1):
            self.draw.line((x, y - self.size / 3, x, y + self.size / 3), fill=palette.TEXT, width=self.line)
        self.text(((x0 + x1) / 2, y - 0.9 * self.size), f"{NICE_ARCMIN[index]:g}\u2032", anchor="mm")

    def compass(self):
        """Two arrows: north and east."""
        corner = np.array([self.width - 3.6 * self.size, 4.2 * self.size])
        x, y = self.box[0] + corner[0], self.box[1] + self.height - 1 - corner[1]
        ra, dec = (float(v) for v in self.grid.to_sky(x, y))
        step = 20.0 * self.grid.pixel_scale / 3600.0
        for words, (r, d) in (("N", (ra, dec + step)), ("E", (ra + step / np.cos(np.radians(dec)), dec))):
            gx, gy = (float(v) for v in self.grid.to_pixel(r, d))
            way = np.array([gx - x, -(gy - y)])
            way /= np.hypot(*way)
            tip = corner + way * 2.2 * self.size
            self.draw.line((*corner, *tip), fill=palette.TEXT, width=self.line)
            self.text(corner + way * 3.0 * self.size, words, anchor="mm")

    def outlines(self, outlines):
        """Edges of deep-sky objects."""
        frame = SolvedFrame(wcs=self.grid.wcs, shape=self.grid.shape, exposure=None, observer=None)
        for outline in outlines:
            colour = palette.outline_colour(outline.object_type, outline.kind)
            for polygon in outline_in_frame(frame, outline):
                for points in polygon.strokes:
                    x, y = self.at(points[:, 0], points[:, 1])
                    self.draw.line(
                        list(zip(x.tolist(), y.tolist(), strict=True)), fill=colour, width=self.line
                    )
