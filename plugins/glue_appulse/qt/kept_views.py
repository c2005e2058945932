"""Image viewers as their user left them: the next frame when one goes, nebulae shown, a session's range."""

import weakref

from echo import delay_callback
from qtpy.QtCore import QObject, QTimer

from glue_appulse.data.kinds import is_frame
from glue_appulse.layers.sky_layer import soften

LIMITS = ("x_min", "x_max", "y_min", "y_max")


class ViewKeeper(QObject):
    """Looks after the frames of one image viewer, whenever layers have come or gone."""

    def __init__(self, viewer):
        super().__init__(viewer)
        self._viewer = weakref.ref(viewer)
        # layers of a session keep the stretch that they were saved with
        self._known = [(state.layer, state) for state in viewer.state.layers if is_frame(state.layer)]
        self._later = QTimer(self)
        self._later.setSingleShot(True)
        self._later.timeout.connect(self.look)
        # glue is in the middle of a change of its list
        viewer._layer_artist_container.on_changed(self._soon)

    def _soon(self):
        viewer = self._viewer()
        if viewer is not None and not viewer._closed:
            self._later.start(0)

    def look(self):
        """Let nebulae show in frames that have come; show the next where the one in sight has gone."""
        viewer = self._viewer()
        if viewer is None or viewer._closed:
            return
        layers = [layer for layer in viewer.layers if is_frame(layer.layer)]
        known = [id(state) for _data, state in self._known]
        for layer in layers:
            if id(layer.state) not in known:
                soften(layer)
        self._show_next(layers)
        self._known = [(layer.layer, layer.state) for layer in layers]

    def _show_next(self, layers):
        here = {id(layer.state): layer for layer in layers}
        order = [state for _data, state in self._known]
        gone = [i for i, state in enumerate(order) if id(state) not in here and state.visible]
        if not gone or any(layer.visible for layer in layers):
            return
        # the one after it in the night, and after the last the one before it
        following = [*order[gone[0] + 1 :], *order[: gone[0]][::-1]]
        after = next((here[id(state)] for state in following if id(state) in here), None)
        if after is not None:
            after.state.visible = True


def set_limits(state, limits):
    """Change the four limits of a viewer at once: one drawing instead of four."""
    with delay_callback(state, *LIMITS):
        for name, value in zip(LIMITS, limits, strict=True):
            setattr(state, name, float(value))


def keep_limits_of_sessions(viewer_cls: type):
    """Let glue's image viewer come back with the range it was saved with; glue shows the whole image."""
    restore = viewer_cls.__setgluestate__.__func__
    if getattr(restore, "keeps_limits", False):
        return

    def restored(cls, rec, context):
        values = rec.get("state", {}).get("values", {})
        viewer = restore(cls, rec, context)
        limits = [values.get(name) for name in LIMITS]
        if not any(value is None for value in limits):
            limits = [context.object(value) for value in limits]
            set_limits(viewer.state, limits)
            # the window takes its size later, and glue fits the range to each size that it passes through
            later = QTimer(viewer)
            later.setSingleShot(True)
            later.timeout.connect(lambda: set_limits(viewer.state, limits))
            later.start(0)
        return viewer

    restored.keeps_limits = True
    viewer_cls.__setgluestate__ = classmethod(restored)
