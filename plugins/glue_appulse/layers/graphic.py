"""What every graphic of ours shares: its place on an axes, its words, how it is drawn."""

from matplotlib.artist import Artist

from .board import LabelBoard
from .view import View


class SkyGraphic(Artist):
    """Artist that paints through a :class:`~glue_appulse.layers.view.View`, in :meth:`paint`."""

    def __init__(self):
        super().__init__()
        self._labels, self._obstacles = [], []

    def paint(self, renderer, view):
        """Paint what is in the window, and note the words that want a place.

        Parameters
        ----------
        renderer : matplotlib.backend_bases.RendererBase
        view : View
        """
        raise NotImplementedError

    def labels(self):
        """Words of the last painting.

        Returns
        -------
        list of Label
        """
        return self._labels

    def obstacles(self):
        """Boxes of the last painting that words keep off.

        Returns
        -------
        list of (float, float, float, float)
        """
        return self._obstacles

    def stamp(self):
        """What besides the look changes the picture, such as the frames that are shown.

        Returns
        -------
        object
            Comparable.
        """
        return None

    def draw(self, renderer):
        """Paint, unless the axes' board carries a picture of it along while the window moves.

        Parameters
        ----------
        renderer : matplotlib.backend_bases.RendererBase
        """
        if LabelBoard.of(self.axes).riding:
            return
        self.repaint(renderer, View(self.axes))
        self.stale = False

    def repaint(self, renderer, view):
        """Paint anew where visible.

        Parameters
        ----------
        renderer : matplotlib.backend_bases.RendererBase
        view : View
        """
        self._labels, self._obstacles = [], []
        if self.get_visible():
            self.paint(renderer, view)

    def join(self, axes, zorder):
        """Stand on an axes, and let the axes' board write the words.

        Parameters
        ----------
        axes : matplotlib.axes.Axes
        zorder : float
        """
        self.set_zorder(zorder)
        axes.add_artist(self)
        LabelBoard.of(axes).join(self)

    def remove(self):
        """Leave the axes and its board."""
        LabelBoard.of(self.axes).leave(self)
        super().remove()
