"""The composite and the animation out of base and dots: one transfer for all of them."""

from dataclasses import dataclass

import numpy as np

from appulse.errors import InputError
from appulse.sequence import animate
from appulse.sequence.canvas import Canvas
from appulse.sequence.colour import Transfer, lrgb, neutral_balance, transfer_for
from appulse.sequence.composite import lay, spaced
from appulse.sequence.output import fitted, shown, to_8bit

ASPECT = 1.5
STRIP_ROWS = 512


@dataclass
class Look:
    """How light becomes a picture.

    Parameters
    ----------
    box : (x0, y0, x1, y1)
        Part of the grid that is shown.
    transfer : Transfer
    colour : (3, ny, nx) array or None
        Colour base on the grid, already from 0 to 1.
    saturation : float
    balance : (3,) array or None
        Factors of the frames' own colours; the stacks keep theirs.
    """

    box: tuple
    transfer: Transfer
    colour: np.ndarray | None = None
    saturation: float = 1.0
    balance: np.ndarray | None = None

    def picture(self, planes, box=None, neutral=None) -> np.ndarray:
        """Values from 0 to 1 of light on the grid; (1 or 3, h, w).

        Parameters
        ----------
        planes : (c, ny, nx) array
            Of the whole grid.
        box : (x0, y0, x1, y1), optional
        neutral : (ny, nx) array, optional
            0 to 1: how much of the colour base's hue is not to be taken, the light being the body's.
        """
        x0, y0, x1, y1 = box or self.box
        out = None
        # Strip by strip: a large picture in colour would be in memory six times over otherwise.
        for first in range(y0, y1, STRIP_ROWS):
            rows = slice(first, min(first + STRIP_ROWS, y1))
            share = None if neutral is None else neutral[rows, x0:x1]
            part = self.shown(planes[:, rows, x0:x1], (x0, rows.start, x1, rows.stop), share)
            if out is None:
                out = np.empty((len(part), y1 - y0, x1 - x0), dtype=np.float32)
            out[:, first - y0 : rows.stop - y0] = part
        return out

    def shown(self, light, box, neutral=None) -> np.ndarray:
        """As :meth:`picture`, of light and neutral that are cut to the box already."""
        x0, y0, x1, y1 = box
        if self.balance is not None:
            light = light * self.balance[:, None, None]
        values = self.transfer.apply(light)
        if self.colour is None or len(light) == 3:
            return values
        tint = self.colour[:, y0:y1, x0:x1]
        if neutral is not None:
            tint = tint * (1 - neutral) + tint.mean(axis=0, keepdims=True) * neutral
        return lrgb(values[0], tint, saturation=self.saturation)


def view_box(grid, track, view_arcmin) -> tuple:
    """Part of the grid to show: all of it, or a window of a given width around the body's path.

    Parameters
    ----------
    grid : SkyGrid
    track : (n, 2) array
        Places of the body, grid px.
    view_arcmin : float or None

    Returns
    -------
    x0, y0, x1, y1 : int

    Raises
    ------
    InputError
        If the window would hold fewer than 64 pixels, or lies off the grid.
    """
    ny, nx = grid.shape
    if view_arcmin is None:
        return 0, 0, nx, ny
    width = min(round(view_arcmin * 60.0 / grid.pixel_scale), nx)
    height = min(round(width / ASPECT), ny)
    if width < 64 or height < 64:
        raise InputError(f"a view of {view_arcmin:g} arcmin is {width} x {height} px: at least 64 are needed")
    x, y = (np.nanmin(track, axis=0) + np.nanmax(track, axis=0)) / 2
    x0 = int(np.clip(round(x - width / 2), 0, nx - width))
    y0 = int(np.clip(round(y - height / 2), 0, ny - height))
    return x0, y0, x0 + width, y0 + height


def look_for(grid, base, track, settings, colour=None) -> Look:
    """Choose window and transfer.

    Parameters
    ----------
    grid : SkyGrid
    base : (c, ny, nx) array
    track : (n, 2) array
    settings : Settings
    colour : (3, ny, nx) array, optional
        Light of the colour base on the grid.
    """
    box = view_box(grid, track, settings.view_arcmin)
    x0, y0, x1, y1 = box
    balance = None
    if len(base) == 3:
        # A camera's own colours are those of its filters: green is seen by twice as many pixels, and so on.
        balance = neutral_balance(base).astype(np.float32)
    factors = np.ones(len(base), dtype=np.float32) if balance is None else balance
    seen = (plane[y0:y1, x0:x1] * factor for plane, factor in zip(base, factors, strict=True))
    transfer = transfer_for(seen, brightness=settings.brightness)
    tint = None
    if colour is not None:
        balanced = colour * neutral_balance(colour)[:, None, None].astype(np.float32)
        tint = transfer_for(balanced[:, y0:y1, x0:x1], brightness=settings.brightness).apply(balanced)
    return Look(box, transfer, tint, settings.saturation, balance)


def chosen_dots(dots, settings) -> list:
    """Dots that the composite shows."""
    if settings.dots == "none":
        return []
    used = [dot for dot in dots if dot.used]
    if settings.dots == "line" or not used or settings.cadence_h <= 0:
        return used
    hours = hours_of([dot.time for dot in used])
    return [used[i] for i in sorted(spaced(hours, settings.cadence_h))]


def hours_of(times) -> np.ndarray:
    """Hours after the first of UTC times in ISO form."""
    from astropy.time import Time

    jd = Time(list(times), scale="utc")
    return (jd - jd.min()).to_value("h")


def neutral_of(dots, shape) -> np.ndarray:
    """Share of a body's own light in each pixel, 0 to 1."""
    out = np.zeros(shape, dtype=np.float32)
    for dot in dots:
        out[dot.patch] = np.maximum(out[dot.patch], dot.weight)
    return out


def composite(base, dots, look) -> np.ndarray:
    """The picture: values from 0 to 1, (1 or 3, h, w)."""
    return look.picture(lay(base, dots), neutral=neutral_of(dots, base.shape[-2:]))


def stamp_words(step, start, *, gap_words="no frame") -> str:
    """Words of the time stamp of a step."""
    from astropy.time import TimeDelta

    time = start + TimeDelta(step.hours * 3600.0, format="sec")
    words = time.isot[:16].replace("T", "  ") + " UTC"
    return f"{words}   {gap_words}" if step.gap else words


def animation(night, base, laid, dots, look, settings, *, tracked=None, decorate=None, progress=None) -> list:
    """Pictures of the animation, in order, (h, w, c) bytes.

    Parameters
    ----------
    night : Night
    base : (c, ny, nx) array
    laid : list of Laid
        On the star grid.
    dots : list of Dot
        Of the same frames.
    look : Look
    settings : Settings
    tracked : list of Laid, optional
        On the body's grid: needed where the body stands still.
    decorate : callable, optional
        ``decorate(pixels, index)`` draws marks.
    progress : callable, optional
        Called after each frame's picture.
    """
    from astropy.time import Time

    times = [one.shot.place.time for one in laid]
    hours, start = hours_of(times), Time(min(times), scale="utc")
    steps = animate.timeline(hours, settings.step_h)
    shots = {}
    pictures = []
    canvas = None
    if settings.animation == "stars" and settings.animation_of == "clean":
        canvas = Canvas(base, look)
    for step in animate.played(steps, settings.animation_path):
        if step.index not in shots:
            if canvas is not None:
                values = _with_dots(canvas, dots, step.index, settings.growing)
            else:
                values = to_8bit(_frame(step.index, night, laid, look, settings, tracked))
            pixels = fitted(shown(values), settings.longest_px)
            shots[step.index] = pixels if decorate is None else decorate(pixels, step.index)
            if progress is not None:
                progress()
        words = stamp_words(step, start) if settings.stamp else ""
        pictures.append(animate.stamped(shots[step.index], words, dim=step.gap))
    return pictures


def _with_dots(canvas, dots, index, growing):
    """Bytes of the base with the dots of a step."""
    if not growing:
        canvas.clear()
    for dot in dots[: index + 1] if growing else dots[index : index + 1]:
        canvas.add(dot)
    return canvas.pixels


def _frame(index, night, laid, look, settings, tracked):
    if settings.animation == "body":
        one = tracked[index]
        return look.picture(_levelled(one), body_box(night, one.place, look.box))
    return look.picture(_levelled(laid[index]))


def _levelled(one):
    ny = one.planes[0].shape[0]
    return np.stack(
        [level.apply(plane.rows(0, ny)) for plane, level in zip(one.planes, one.levels, strict=True)]
    )


def body_box(night, place, box) -> tuple:
    """Window around the body, as large as the composite's but not beyond the grid's half."""
    ny, nx = night.grid.shape
    width, height = min(box[2] - box[0], nx // 2), min(box[3] - box[1], ny // 2)
    x0 = int(np.clip(round(place[0] - width / 2), 0, nx - width))
    y0 = int(np.clip(round(place[1] - height / 2), 0, ny - height))
    return x0, y0, x0 + width, y0 + height
