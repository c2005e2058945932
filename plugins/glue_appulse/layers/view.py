"""Data to display pixels, for a window or for a larger canvas."""

import numpy as np
from matplotlib.transforms import Bbox


class View:
    """Data to display pixels, and the window that is painted.

    A canvas larger than the axes' window is a view too: everything is moved by ``offset`` on it.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
    offset : (float, float)
        Display pixels.
    window : (float, float, float, float) or None
        x0, y0, x1, y1 in display pixels; None: the axes' own.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> axes = Figure(figsize=(2, 1), dpi=100).add_axes((0, 0, 1, 1), xlim=(0, 20), ylim=(0, 10))
    >>> View(axes, offset=(5, 5)).transform([[10, 5]]).tolist()
    [[105.0, 55.0]]
    >>> View(axes, offset=(50, 50), window=(0, 0, 300, 200)).limits()
    ((-5.0, 25.0), (-5.0, 15.0))
    """

    def __init__(self, axes, offset=(0.0, 0.0), window=None):
        self._axes, self._offset = axes, np.asarray(offset, float)
        self.window = tuple(axes.bbox.extents if window is None else window)
        self.clip = Bbox.from_extents(*self.window)

    @property
    def share(self):
        """Area of the window in units of the axes' own."""
        return self.clip.width * self.clip.height / (self._axes.bbox.width * self._axes.bbox.height)

    def transform(self, points):
        """Display pixels of data.

        Parameters
        ----------
        points : array_like, (n, 2) or (2,)

        Returns
        -------
        ndarray
        """
        return self._axes.transData.transform(points) + self._offset

    def limits(self):
        """Data limits of the window, whichever way the axes run.

        Returns
        -------
        (x0, x1), (y0, y1) : tuples of float
            Ascending.
        """
        corners = np.reshape(self.window, (2, 2)) - self._offset
        low, high = np.sort(self._axes.transData.inverted().transform(corners), axis=0).round(9).tolist()
        return (low[0], high[0]), (low[1], high[1])
