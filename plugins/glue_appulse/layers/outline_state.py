"""What can be set about outlines in an image viewer."""

from glue.viewers.matplotlib.state import DeferredDrawCallbackProperty as Drawn
from glue.viewers.matplotlib.state import MatplotlibLayerState


class OutlineLayerState(MatplotlibLayerState):
    """Look and limits of outlines."""

    width = Drawn(1.3, docstring="Width of the lines, points")
    by_type = Drawn(True, docstring="Whether each type of object has its own colour")
    show_names = Drawn(True, docstring="Whether names stand by the outlines")
    label_size = Drawn(9.0, docstring="Size of the names, points")
    types = Drawn([], docstring="Types of the objects shown, a list; empty: all")
    min_size = Drawn(0.0, docstring="Smallest long axis shown, arcmin")
    max_magnitude = Drawn(99.0, docstring="Faintest magnitude shown; objects without one stay")
