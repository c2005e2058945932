"""Overlays that ride along while the window moves over the sky, so that panning stays smooth.

Stroking thousands of outlines at every step of the mouse costs more than the picture beneath them. While
the scale stays and only the place changes, everything is painted once on a canvas larger than the window::

    +-----------------------+
    |  canvas   +--------+  |      each step copies the window out of it, moved by whole display pixels;
    |           | window |  |      once the window rests, everything is drawn anew where it belongs
    |           +--------+  |
    +-----------------------+
"""

import time

import numpy as np
from matplotlib.artist import Artist
from matplotlib.backends.backend_agg import RendererAgg

from .view import View

#: Drawings that follow each other within this time belong to one movement, seconds.
MOVING_S = 0.4
#: The canvas reaches beyond the window by these shares of it: where the window moves to, and elsewhere.
AHEAD, AROUND = 0.6, 0.08
STARTER_ZORDER = -1e6


class Starter(Artist):
    """Stands below everything on an axes and tells a ride that a drawing begins.

    Parameters
    ----------
    ride : Ride
    """

    def __init__(self, ride):
        super().__init__()
        self._ride = ride
        self.set_zorder(STARTER_ZORDER)

    def draw(self, renderer):
        """Decide how this drawing goes.

        Parameters
        ----------
        renderer : matplotlib.backend_bases.RendererBase
        """
        self._ride.begin(renderer)
        self.stale = False


class Ride:
    """The picture that is carried along.

    Parameters
    ----------
    board : glue_appulse.layers.board.LabelBoard
    """

    def __init__(self, board):
        self._board = board
        self.on = False
        self._picture = self._made_at = self._last = self._timer = None

    def begin(self, renderer):
        """Whether the window has just moved and nothing else has changed; paints the canvas where needed.

        Parameters
        ----------
        renderer : matplotlib.backend_bases.RendererBase
        """
        now, here, before = time.monotonic(), self._window(renderer), self._last
        self._last = now, here
        self.on = (
            self._may_ride(renderer)
            and before is not None
            and now - before[0] < MOVING_S
            and _only_moved(before[1], here)
        )
        if not self.on:
            self._picture = None
        elif self._picture is None or self._crop(here) is None:
            self._paint(renderer, here, before[1][2] - here[2])

    def drawn(self):
        """Everything has been drawn where it belongs; movement counts from now on."""
        self._last = None if self._last is None else (time.monotonic(), self._last[1])

    def draw(self, renderer):
        """Draw the window's part of the canvas.

        Parameters
        ----------
        renderer : matplotlib.backends.backend_agg.RendererAgg
        """
        part = self._crop(self._last[1])
        gc = renderer.new_gc()
        gc.set_clip_rectangle(self._board.axes.bbox)
        x0, y0 = np.floor(self._board.axes.bbox.extents[:2]).astype(int)
        renderer.draw_image(gc, x0, y0, np.ascontiguousarray(part))
        gc.restore()
        self._last = time.monotonic(), self._last[1]
        self._settle_soon()

    def _may_ride(self, renderer):
        """A canvas on a screen, nothing restyled; files and scripts always get the true drawing."""
        board = self._board
        canvas = board.get_figure(root=True).canvas
        return (
            isinstance(renderer, RendererAgg)
            and getattr(canvas, "required_interactive_framework", None) is not None
            and not canvas.is_saving()
            and not any(one.stale for one in board.providers)
        )

    def _window(self, renderer):
        """What must stay (scale, size, resolution, what is shown) and what may change (place)."""
        axes, providers = self._board.axes, self._board.providers
        matrix = axes.transData.get_affine().get_matrix()
        shown = [(id(one), one.get_visible(), one.get_zorder(), one.stamp()) for one in providers]
        fixed = (*axes.bbox.extents.tolist(), renderer.dpi if hasattr(renderer, "dpi") else None, shown)
        return fixed, matrix[:2, :2].copy(), matrix[:2, 2].copy()

    def _paint(self, renderer, here, move):
        axes, board = self._board.axes, self._board
        width, height = np.ceil([axes.bbox.width, axes.bbox.height]).astype(int) + 1
        ahead, inner = move / np.abs(move).max(), np.array([width, height])
        low, high = (
            np.ceil(inner * (AROUND + AHEAD * np.clip(way, 0, 1))).astype(int) for way in (-ahead, ahead)
        )
        size = inner + low + high
        canvas = RendererAgg(*size.tolist(), renderer.dpi)
        corner = np.floor(axes.bbox.extents[:2])
        view = View(axes, offset=low - corner, window=(0, 0, *size))
        for graphic in sorted(board.providers, key=lambda one: one.get_zorder()):
            graphic.repaint(canvas, view)
        board.write(canvas, view)
        # a renderer wants images bottom up
        self._picture = np.asarray(canvas.buffer_rgba())[::-1]
        self._made_at = here[2], low, width, height

    def _crop(self, here):
        """The window's part of the canvas; None where the window has left it."""
        made, low, width, height = self._made_at
        x, y = low - np.rint(here[2] - made).astype(int)
        rows, columns = self._picture.shape[:2]
        inside = 0 <= x <= columns - width and 0 <= y <= rows - height
        return self._picture[y : y + height, x : x + width] if inside else None

    def _settle_soon(self):
        canvas = self._board.get_figure(root=True).canvas
        if self._timer is None:
            self._timer = canvas.new_timer(interval=int(1000 * MOVING_S) + 50)
            self._timer.single_shot = True
            self._timer.add_callback(self._settle)
        self._timer.stop()
        self._timer.start()

    def _settle(self):
        if self._board.figure is not None:
            self._board.get_figure(root=True).canvas.draw_idle()


def _only_moved(before, here):
    """Whether two windows differ in their place alone."""
    same = before[0] == here[0] and np.allclose(before[1], here[1], rtol=1e-9, atol=0)
    return same and not np.allclose(before[2], here[2], rtol=0, atol=1e-3)
