"""What can be set about outlines in an image viewer."""

import numpy as np
from glue.core.subset import Subset
from glue.viewers.matplotlib.state import DeferredDrawCallbackProperty as Drawn
from glue.viewers.matplotlib.state import DeferredDrawSelectionCallbackProperty as DrawnChoice
from glue.viewers.matplotlib.state import MatplotlibLayerState

ALL_TYPES = "all types"


class OutlineLayerState(MatplotlibLayerState):
    """Look and limits of outlines."""

    width = Drawn(1.3, docstring="Width of the lines, points")
    by_type = Drawn(True, docstring="Whether each type of object has its own colour")
    show_names = Drawn(True, docstring="Whether names stand by the outlines")
    label_size = Drawn(9.0, docstring="Size of the names, points")
    object_type = DrawnChoice(docstring="Type of the objects shown")
    min_size = Drawn(0.0, docstring="Smallest long axis shown, arcmin")
    max_magnitude = Drawn(99.0, docstring="Faintest magnitude shown; objects without one stay")

    def __init__(self, viewer_state=None, layer=None, **kwargs):
        data = layer.data if isinstance(layer, Subset) else layer
        types = sorted(set(np.asarray(data["type"]).astype(str))) if data is not None else []
        OutlineLayerState.object_type.set_choices(self, [ALL_TYPES, *types])
        super().__init__(viewer_state=viewer_state, layer=layer, **kwargs)
