"""What can be set about a track in an image viewer."""

from echo import CallbackProperty, SelectionCallbackProperty
from glue.viewers.matplotlib.state import DeferredDrawCallbackProperty as Drawn
from glue.viewers.matplotlib.state import DeferredDrawSelectionCallbackProperty as DrawnChoice
from glue.viewers.matplotlib.state import MatplotlibLayerState

#: Tick steps offered, minutes; 0 means: as the zoom asks.
TICK_STEPS = (0, 1, 5, 10, 15, 30, 60, 120, 180, 360, 720, 1440)

__all__ = [
    "CallbackProperty",
    "SelectionCallbackProperty",
    "TrackLayerState",
    "TrackSubsetLayerState",
    "step_words",
]


def step_words(step_min):
    """Words for a tick step.

    Parameters
    ----------
    step_min : float

    Returns
    -------
    str

    Examples
    --------
    >>> [step_words(s) for s in (0, 30, 120, 1440)]
    ['as the zoom asks', '30 min', '2 h', '1 d']
    """
    if step_min == 0:
        return "as the zoom asks"
    for unit, minutes in (("d", 1440), ("h", 60)):
        if step_min % minutes == 0:
            return f"{step_min // minutes:g} {unit}"
    return f"{step_min:g} min"


class TrackLayerState(MatplotlibLayerState):
    """Look of a track."""

    width = Drawn(1.6, docstring="Width of the line, points")
    tick_step = DrawnChoice(docstring="Time between ticks, minutes; 0: as the zoom asks")
    show_ticks = Drawn(True, docstring="Whether ticks stand on the line")
    show_labels = Drawn(True, docstring="Whether ticks carry their time")
    show_name = Drawn(True, docstring="Whether the body's name stands by its place")
    show_places = Drawn(True, docstring="Whether the place at mid-exposure is marked")
    show_ellipse = Drawn(True, docstring="Whether the uncertainty ellipse is drawn")
    ellipse_sigma = Drawn(3.0, docstring="Size of the ellipse, in standard deviations")
    show_direction = Drawn(True, docstring="Whether an arrow tells the direction of motion")
    label_size = Drawn(9.0, docstring="Size of the words, points")

    def __init__(self, viewer_state=None, **kwargs):
        TrackLayerState.tick_step.set_choices(self, list(TICK_STEPS))
        TrackLayerState.tick_step.set_display_func(self, step_words)
        super().__init__(viewer_state=viewer_state, **kwargs)


class TrackSubsetLayerState(MatplotlibLayerState):
    """Look of a selected stretch of a track."""

    width = Drawn(5.0, docstring="Width of the stretch, points")
