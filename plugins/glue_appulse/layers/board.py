"""Graphics on an axes, and the board that writes their words so that none lies on another.

While the window moves over the sky at one scale, a picture of all graphics and words is carried along:
stroking thousands of outlines at every step of the mouse costs more than the picture below them. ::

    +-----------------------+
    |  canvas   +--------+  |      everything is painted once on a canvas larger than the window; each step
    |           | window |  |      copies the window out of it, moved by whole display pixels;
    |           +--------+  |      once the window rests, everything is drawn anew where it belongs
    +-----------------------+
"""

import time

import numpy as np
from matplotlib.artist import Artist
from matplotlib.backends.backend_agg import RendererAgg
from matplotlib.path import Path
from matplotlib.text import Text
from matplotlib.transforms import Bbox, IdentityTransform

from appulse.overlays import HALO, place_labels

BOARD_ZORDER = 50_000
"""Above every layer of glue, below its frame around the axes."""
STARTER_ZORDER = -1e6
MAX_LABELS = 60
"""Words that fit on a screen and can still be read; what is left out comes back under zoom."""
PLATE_ALPHA = 0.78
PAD_PX = 2
"""Room around the letters, display pixels."""
STORED_PICTURES, STORED_SIZES = 2000, 5000
RIM_PT, RIM_ALPHA = 2.0, 0.7
"""A dark rim keeps a thin coloured line legible on a bright nebula as on a dark sky."""
MOVING_S = 0.4
"""Drawings that follow each other within this time belong to one movement."""
AHEAD, AROUND = 1.0, 0.08
"""The canvas reaches beyond the window by these shares of it: where the window moves to, and elsewhere. A
drag of the mouse moves it by one window at most, so one painting is enough there and back."""


#: Resolution of a screen that lengths in display pixels are meant for; finer ones, and files, have more.
SCREEN_DPI = 100.0


class PaintWindow:
    """Data to display pixels, and the window that is painted.

    A canvas larger than the axes' window is one too: everything is moved by `offset` (display pixels) on it.
    """

    def __init__(self, axes, offset=(0.0, 0.0), window=None):
        self._axes, self._offset = axes, np.asarray(offset, float)
        self.window = tuple(axes.bbox.extents if window is None else window)
        self.clip = Bbox.from_extents(*self.window)

    @property
    def fine(self):
        """Display pixels for one of a plain screen: lengths on the screen stay what they are.

        Examples
        --------
        >>> from matplotlib.figure import Figure
        >>> [PaintWindow(Figure(dpi=dpi).add_axes((0, 0, 1, 1))).fine for dpi in (100, 200)]
        [1.0, 2.0]
        """
        return self._axes.get_figure(root=True).dpi / SCREEN_DPI

    @property
    def share(self):
        """Area of the window in units of the axes' own."""
        return self.clip.width * self.clip.height / (self._axes.bbox.width * self._axes.bbox.height)

    def transform(self, points):
        """Display pixels of data, (n, 2) or (2,)."""
        return self._axes.transData.transform(points) + self._offset

    def limits(self):
        """Data limits of the window, (x0, x1), (y0, y1), ascending whichever way the axes run.

        Examples
        --------
        >>> from matplotlib.figure import Figure
        >>> axes = Figure(figsize=(2, 1), dpi=100).add_axes((0, 0, 1, 1), xlim=(0, 20), ylim=(0, 10))
        >>> PaintWindow(axes, offset=(50, 50), window=(0, 0, 300, 200)).limits()
        ((-5.0, 25.0), (-5.0, 15.0))
        """
        corners = np.reshape(self.window, (2, 2)) - self._offset
        low, high = np.sort(self._axes.transData.inverted().transform(corners), axis=0).round(9).tolist()
        return (low[0], high[0]), (low[1], high[1])


def joined(segments):
    """Polylines (n, 2) end to end as one path: vertices and codes. One path is drawn faster than many.

    Examples
    --------
    >>> joined([np.zeros((2, 2)), np.ones((3, 2))])[1].tolist()
    [1, 2, 1, 2, 2]
    """
    if not segments:
        return np.empty((0, 2)), np.empty(0, Path.code_type)
    codes = np.full(sum(map(len, segments)), Path.LINETO, Path.code_type)
    codes[np.cumsum([0, *map(len, segments[:-1])])] = Path.MOVETO
    return np.concatenate(segments), codes


def stroke(renderer, clip, vertices, codes, *, color, width, alpha=1.0, rim=RIM_PT):
    """Draw a path in display pixels, cut by `clip`; `width` and the `rim` beyond it in points."""
    if not len(vertices):
        return
    path = Path(vertices, codes)
    passes = [(HALO, width + rim, RIM_ALPHA * alpha)] if rim else []
    for paint, points, opacity in [*passes, (color, width, alpha)]:
        gc = renderer.new_gc()
        gc.set_clip_rectangle(clip)
        gc.set_foreground(paint)
        gc.set_alpha(opacity)
        # in points: the renderer itself turns them into pixels
        gc.set_linewidth(points)
        # round joins of thousands of short chords are half the cost, and nobody sees them without a rim
        gc.set_joinstyle("round" if rim else "bevel")
        gc.set_capstyle("round" if rim else "butt")
        renderer.draw_path(gc, path, IdentityTransform(), None)
        gc.restore()


class SkyGraphic(Artist):
    """Artist that paints what is in a :class:`PaintWindow`, and whose words the axes' board writes."""

    def __init__(self):
        super().__init__()
        self._labels, self._obstacles = (), ()

    def paint(self, renderer, view):
        """Paint what is in the window; returns the words that want a place and the boxes they keep off."""
        raise NotImplementedError

    def paint_scene(self, renderer, view, scene, alpha):
        """Paint a scene, the lines of one colour and width as one path; returns as :meth:`paint` does."""
        looks = dict.fromkeys((line.colour, line.width) for line in scene.lines)
        for colour, width in looks:
            segments = [line.points for line in scene.lines if (line.colour, line.width) == (colour, width)]
            stroke(renderer, view.clip, *joined(segments), color=colour, width=width, alpha=alpha)
        return scene.labels, scene.blocked

    def labels(self):
        """Words of the last painting."""
        return self._labels

    def obstacles(self):
        """Boxes of the last painting that words keep off."""
        return self._obstacles

    def stamp(self):
        """What besides the look changes the picture, such as the frames that are shown; comparable."""
        return None

    def draw(self, renderer):
        # while the board carries a picture along, this graphic is in it
        if LabelBoard.of(self.axes).carrying:
            return
        self.repaint(renderer, PaintWindow(self.axes))
        self.stale = False

    def repaint(self, renderer, view):
        """Paint anew where visible."""
        self._labels, self._obstacles = (), ()
        if self.get_visible():
            self._labels, self._obstacles = self.paint(renderer, view)

    def join(self, axes, zorder):
        """Stand on an axes, and let the axes' board write the words."""
        self.set_zorder(zorder)
        axes.add_artist(self)
        LabelBoard.of(axes).join(self)

    def remove(self):
        LabelBoard.of(self.axes).leave(self)
        super().remove()


class LabelBoard(Artist):
    """Artist that asks its graphics for words at every drawing and writes those that find room.

    Get the board of an axes from :meth:`of`; `placed` holds what stood on the screen after the last drawing.
    """

    def __init__(self):
        super().__init__()
        self.set_zorder(BOARD_ZORDER)
        self.graphics, self.placed = [], []
        self._text = Text()
        self._text.set_transform(IdentityTransform())
        # a plate, not a rim: thin letters with a rim run together on a bright nebula
        self._text.set_bbox(
            {"facecolor": HALO, "alpha": PLATE_ALPHA, "linewidth": 0, "boxstyle": "round,pad=0.12"}
        )
        self._sizes, self._pictures = {}, {}
        self._carried = CarriedPicture(self)

    @classmethod
    def of(cls, axes):
        """The board of an axes, made on first use."""
        board = next((artist for artist in axes.artists if isinstance(artist, cls)), None)
        if board is None:
            board = cls()
            axes.add_artist(board)
            board.set_clip_on(False)
            axes.add_artist(DrawingStart(board._carried))
        return board

    @property
    def carrying(self):
        """Whether a picture of the graphics is carried along in this drawing."""
        return self._carried.on

    def join(self, graphic):
        """Let a graphic's words be written."""
        if graphic not in self.graphics:
            self.graphics.append(graphic)

    def leave(self, graphic):
        """Forget a graphic."""
        if graphic in self.graphics:
            self.graphics.remove(graphic)

    def _size(self, renderer, label):
        """Width and height of a label's words."""
        # laying out letters takes long: each text is measured once
        key = (label.text, label.size, self.get_figure(root=True).dpi)
        if key not in self._sizes:
            if len(self._sizes) > STORED_SIZES:
                self._sizes.clear()
            self._text.set_text(label.text)
            self._text.set_fontsize(label.size)
            box = self._text.get_window_extent(renderer)
            self._sizes[key] = (box.width + 2 * PAD_PX, box.height + 2 * PAD_PX)
        return self._sizes[key]

    def draw(self, renderer):
        if not self.get_visible():
            self.placed = []
            return
        if self.carrying:
            self._carried.draw(renderer)
        else:
            self.write(renderer, PaintWindow(self.axes))
            self._carried.drawn()
        self.stale = False

    def write(self, renderer, view):
        """Write what finds room in a window."""
        self._text.set_figure(self.get_figure())
        graphics = [graphic for graphic in self.graphics if graphic.get_visible()]
        self.placed = place_labels(
            (label for graphic in graphics for label in graphic.labels()),
            view.window,
            lambda label: self._size(renderer, label),
            blocked=[box for graphic in graphics for box in graphic.obstacles()],
            # a canvas larger than the window has room for more
            most=int(MAX_LABELS * view.share),
            cover=False,
        )
        for label, box, leader in self.placed:
            if leader is not None:
                stroke(renderer, view.clip, *joined([leader]), color=label.colour, width=0.8)
            self._write(renderer, label, box)

    def _write(self, renderer, label, box):
        """Words on the screen; on a pixel canvas out of a store, for drawing letters is what takes long."""
        if not isinstance(renderer, RendererAgg):
            self._letters(renderer, label, box[0] + PAD_PX, box[1] + PAD_PX)
            return
        size = [int(np.ceil(high - low)) + 2 * PAD_PX for low, high in zip(box[:2], box[2:], strict=True)]
        key = (label.text, label.size, label.colour, renderer.dpi)
        if key not in self._pictures:
            if len(self._pictures) > STORED_PICTURES:
                self._pictures.clear()
            canvas = RendererAgg(*size, renderer.dpi)
            self._letters(canvas, label, 2 * PAD_PX, 2 * PAD_PX)
            # a renderer wants images bottom up
            self._pictures[key] = np.asarray(canvas.buffer_rgba())[::-1].copy()
        x, y = round(box[0]) - PAD_PX, round(box[1]) - PAD_PX
        renderer.draw_image(renderer.new_gc(), x, y, self._pictures[key])

    def _letters(self, renderer, label, x, y):
        self._text.set(
            text=label.text, fontsize=label.size, color=label.colour, position=(x, y),
            horizontalalignment="left", verticalalignment="bottom",
        )  # fmt: skip
        self._text.draw(renderer)


class DrawingStart(Artist):
    """Stands below everything on an axes and tells the carried picture that a drawing begins."""

    def __init__(self, carried):
        super().__init__()
        self._carried = carried
        self.set_zorder(STARTER_ZORDER)

    def draw(self, renderer):
        self._carried.begin(renderer)
        self.stale = False


class CarriedPicture:
    """The picture that is carried along while the window moves."""

    def __init__(self, board):
        self._board = board
        self.on = False
        self._picture = self._made_at = self._last = self._timer = None

    def begin(self, renderer):
        """Find out whether the window has just moved and nothing else changed; paint the canvas if needed."""
        now, here, before = time.monotonic(), self._window(renderer), self._last
        self._last = now, here
        self.on = (
            self._may_carry(renderer)
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
        # from the end of the drawing: a slow one must not use up the time by itself
        self._last = None if self._last is None else (time.monotonic(), self._last[1])

    def rest(self):
        """Forget the movement: the next drawing is a true one."""
        self._last = None

    def draw(self, renderer):
        """Draw the window's part of the canvas."""
        x, rows = self._crop(self._last[1])
        gc = renderer.new_gc()
        gc.set_clip_rectangle(self._board.axes.bbox)
        x0, y0 = np.floor(self._board.axes.bbox.extents[:2]).astype(int)
        # whole rows lie together in memory and need no copy; what is beside the window is clipped
        renderer.draw_image(gc, x0 - x, y0, rows)
        gc.restore()
        self._last = time.monotonic(), self._last[1]
        self._settle_soon()

    def _may_carry(self, renderer):
        """A canvas on a screen, nothing restyled; files and scripts always get the true drawing."""
        board = self._board
        canvas = board.get_figure(root=True).canvas
        return (
            isinstance(renderer, RendererAgg)
            and getattr(canvas, "required_interactive_framework", None) is not None
            and not canvas.is_saving()
            and not any(graphic.stale for graphic in board.graphics)
        )

    def _window(self, renderer):
        """What must stay (scale, size, resolution, what is shown) and what may change (place)."""
        axes, graphics = self._board.axes, self._board.graphics
        matrix = axes.transData.get_affine().get_matrix()
        shown = [(id(g), g.get_visible(), g.get_zorder(), g.stamp()) for g in graphics]
        fixed = (*axes.bbox.extents.tolist(), renderer.dpi if hasattr(renderer, "dpi") else None, shown)
        return fixed, matrix[:2, :2].copy(), matrix[:2, 2].copy()

    def _paint(self, renderer, here, move):
        axes, board = self._board.axes, self._board
        width, height = np.ceil([axes.bbox.width, axes.bbox.height]).astype(int) + 1
        # the sky moves one way on the screen, the window the other way over the canvas
        ahead, inner = move / np.abs(move).max(), np.array([width, height])
        low, high = (
            np.ceil(inner * (AROUND + AHEAD * np.clip(way, 0, 1))).astype(int) for way in (-ahead, ahead)
        )
        size = inner + low + high
        canvas = RendererAgg(*size.tolist(), renderer.dpi)
        corner = np.floor(axes.bbox.extents[:2])
        view = PaintWindow(axes, offset=low - corner, window=(0, 0, *size))
        for graphic in sorted(board.graphics, key=lambda graphic: graphic.get_zorder()):
            graphic.repaint(canvas, view)
        board.write(canvas, view)
        # a renderer wants images bottom up
        self._picture = np.ascontiguousarray(np.asarray(canvas.buffer_rgba())[::-1])
        self._made_at = here[2], low, width, height

    def _crop(self, here):
        """First column of the window on the canvas, and its rows; None where the window has left it."""
        made, low, width, height = self._made_at
        # whole display pixels: a picture moved by parts of one would be smeared
        x, y = low - np.rint(here[2] - made).astype(int)
        rows, columns = self._picture.shape[:2]
        inside = 0 <= x <= columns - width and 0 <= y <= rows - height
        return (int(x), self._picture[y : y + height]) if inside else None

    def _settle_soon(self):
        canvas = self._board.get_figure(root=True).canvas
        if self._timer is None:
            self._timer = canvas.new_timer(interval=int(1000 * MOVING_S) + 50)
            self._timer.single_shot = True
            self._timer.add_callback(self._settle)
        self._timer.stop()
        self._timer.start()

    def _settle(self):
        # the viewer may have been closed while the timer ran
        if self._board.figure is not None:
            self._board.get_figure(root=True).canvas.draw_idle()


def _only_moved(before, here):
    """Whether two windows differ in their place alone."""
    same = before[0] == here[0] and np.allclose(before[1], here[1], rtol=1e-9, atol=0)
    return same and not np.allclose(before[2], here[2], rtol=0, atol=1e-3)
