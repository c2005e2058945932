"""One board per axes that writes the words of all layers, so that none lies on another."""

from dataclasses import dataclass

import numpy as np
from matplotlib.artist import Artist
from matplotlib.backends.backend_agg import RendererAgg
from matplotlib.text import Text
from matplotlib.transforms import Bbox, IdentityTransform

from appulse.overlays.palette import HALO

from .moving import Ride, Starter
from .view import View

#: Above every layer of glue, below its frame around the axes.
BOARD_ZORDER = 50_000
#: Words that fit on a screen and can still be read; what is left out comes back under zoom.
MAX_LABELS = 60
#: Directions in which a label is tried around its anchor, degrees from the preferred one.
TURNS = (0, 180, 50, -50, 130, -130)
PLATE_ALPHA = 0.78
#: Room around the letters, display pixels.
PAD_PX = 2
STORED_PICTURES = 2000


@dataclass(frozen=True)
class Label:
    """Words that want a place.

    Parameters
    ----------
    x, y : float
        Anchor, display pixels.
    text : str
    angle : float
        Direction from the anchor in which the words would like to stand, degrees counterclockwise
        from the right of the screen.
    priority : float
        Smaller comes first.
    color : str
    size : float
        Points.
    gap : float
        Free distance between anchor and words, display pixels.
    """

    x: float
    y: float
    text: str
    angle: float = 45.0
    priority: float = 0.0
    color: str = "#ffffff"
    size: float = 9.0
    gap: float = 6.0


def _box(label, width, height, turn):
    """Corner places of the words when they stand in one direction.

    ::

               +-------+
               | words |      the box touches the circle of radius gap around the anchor,
               +-------+      and its nearest point lies in the direction asked for
             /
        anchor
    """
    angle = np.radians(label.angle + turn)
    ux, uy = np.cos(angle), np.sin(angle)
    x = label.x + ux * label.gap + (ux - 1) * width / 2
    y = label.y + uy * label.gap + (uy - 1) * height / 2
    return x, y, x + width, y + height


class Placer:
    """Greedy placement of boxes in a window.

    Parameters
    ----------
    window : (float, float, float, float)
        x0, y0, x1, y1 within which every box must lie.

    Examples
    --------
    >>> placer = Placer((0, 0, 100, 50))
    >>> placer.place(Label(50, 25, "a"), 20, 10) is None
    False
    >>> placer.place(Label(120, 25, "outside"), 20, 10) is None
    True
    """

    def __init__(self, window):
        self.window = window
        self._boxes = np.empty((0, 4))

    def block(self, boxes):
        """Keep words off some boxes.

        Parameters
        ----------
        boxes : array_like, (n, 4)
        """
        self._boxes = np.vstack([self._boxes, np.reshape(boxes, (-1, 4))])

    def place(self, label, width, height):
        """Find a place.

        Parameters
        ----------
        label : Label
        width, height : float
            Size of the words, display pixels.

        Returns
        -------
        (float, float, float, float) or None
            x0, y0, x1, y1; None where every direction is taken.
        """
        x0, y0, x1, y1 = self.window
        if not (x0 <= label.x <= x1 and y0 <= label.y <= y1):
            return None
        for turn in TURNS:
            box = _box(label, width, height, turn)
            if box[0] < x0 or box[1] < y0 or box[2] > x1 or box[3] > y1:
                continue
            taken = self._boxes
            if not np.any(
                (taken[:, 0] < box[2])
                & (taken[:, 2] > box[0])
                & (taken[:, 1] < box[3])
                & (taken[:, 3] > box[1])
            ):
                self.block([box])
                return box
        return None


class LabelBoard(Artist):
    """Artist that asks its providers for words at every drawing and writes those that find room.

    A provider is a graphic with ``labels()``, giving a list of :class:`Label`, and ``obstacles()``, giving
    boxes to keep free. Get the board of an axes from :meth:`of`. While the window moves over the sky at one
    scale, a picture of all graphics and words is carried along instead: see :mod:`.moving`.
    """

    def __init__(self):
        super().__init__()
        self.set_zorder(BOARD_ZORDER)
        self.providers = []
        #: What stood on the screen after the last drawing: (Label, Bbox) pairs.
        self.placed = []
        self._text = Text()
        self._text.set_transform(IdentityTransform())
        # a plate, not a rim: thin letters with a rim run together on a bright nebula
        self._text.set_bbox(
            {"facecolor": HALO, "alpha": PLATE_ALPHA, "linewidth": 0, "boxstyle": "round,pad=0.12"}
        )
        self._sizes, self._pictures = {}, {}
        self._ride = Ride(self)

    @classmethod
    def of(cls, axes):
        """The board of an axes, made on first use.

        Parameters
        ----------
        axes : matplotlib.axes.Axes

        Returns
        -------
        LabelBoard
        """
        board = next((a for a in axes.artists if isinstance(a, cls)), None)
        if board is None:
            board = cls()
            axes.add_artist(board)
            board.set_clip_on(False)
            axes.add_artist(Starter(board._ride))
        return board

    @property
    def riding(self):
        """Whether a picture of the graphics is carried along in this drawing."""
        return self._ride.on

    def join(self, provider):
        """Let a provider's words be written.

        Parameters
        ----------
        provider : object
        """
        if provider not in self.providers:
            self.providers.append(provider)

    def leave(self, provider):
        """Forget a provider.

        Parameters
        ----------
        provider : object
        """
        if provider in self.providers:
            self.providers.remove(provider)

    def _extent(self, renderer, label):
        key = (label.text, label.size, self.get_figure(root=True).dpi)
        if key not in self._sizes:
            if len(self._sizes) > 5000:
                self._sizes.clear()
            self._text.set_text(label.text)
            self._text.set_fontsize(label.size)
            box = self._text.get_window_extent(renderer)
            self._sizes[key] = (box.width + 2 * PAD_PX, box.height + 2 * PAD_PX)
        return self._sizes[key]

    def draw(self, renderer):
        """Write what finds room, or carry the picture of a moment ago along.

        Parameters
        ----------
        renderer : matplotlib.backend_bases.RendererBase
        """
        if not self.get_visible():
            self.placed = []
            return
        if self.riding:
            self._ride.draw(renderer)
        else:
            self.write(renderer, View(self.axes))
            self._ride.drawn()
        self.stale = False

    def write(self, renderer, view):
        """Write what finds room in a window.

        Parameters
        ----------
        renderer : matplotlib.backend_bases.RendererBase
        view : View
        """
        self.placed = []
        self._text.set_figure(self.get_figure())
        providers = [p for p in self.providers if p.get_visible()]
        placer = Placer(view.window)
        for provider in providers:
            placer.block(provider.obstacles())
        wanted = sorted((label for p in providers for label in p.labels()), key=lambda one: one.priority)
        most = MAX_LABELS * view.share
        for label in wanted:
            if len(self.placed) >= most:
                break
            box = placer.place(label, *self._extent(renderer, label))
            if box is not None:
                self.placed.append((label, Bbox.from_extents(*box)))
        for label, box in self.placed:
            self._write(renderer, label, box)

    def _write(self, renderer, label, box):
        """Words on the screen; on a pixel canvas out of a store, for drawing letters is what takes long."""
        x, y = round(box.x0), round(box.y0)
        if not isinstance(renderer, RendererAgg):
            self._letters(renderer, label, box.x0 + PAD_PX, box.y0 + PAD_PX)
            return
        width, height = int(np.ceil(box.width)) + 2 * PAD_PX, int(np.ceil(box.height)) + 2 * PAD_PX
        key = (label.text, label.size, label.color, renderer.dpi)
        if key not in self._pictures:
            if len(self._pictures) > STORED_PICTURES:
                self._pictures.clear()
            canvas = RendererAgg(width, height, renderer.dpi)
            self._letters(canvas, label, 2 * PAD_PX, 2 * PAD_PX)
            # a renderer wants images bottom up
            self._pictures[key] = np.asarray(canvas.buffer_rgba())[::-1].copy()
        renderer.draw_image(renderer.new_gc(), x - PAD_PX, y - PAD_PX, self._pictures[key])

    def _letters(self, renderer, label, x, y):
        text = self._text
        text.set(text=label.text, fontsize=label.size, color=label.color, position=(x, y),
                 horizontalalignment="left", verticalalignment="bottom")  # fmt: skip
        text.draw(renderer)
