"""What the layers of this plugin set have in common: the reference image they are drawn on."""

import operator

from glue.core.subset import Subset
from glue.utils import defer_draw
from glue.viewers.matplotlib.layer_artist import MatplotlibLayerArtist

from glue_appulse.data.frame_wcs import SkyProjector
from glue_appulse.data.kinds import is_frame

CHECKSUM_KEY = "sha256"
"""Key of a frame's data set under which its file's checksum is kept."""


def frame_key(data):
    """What identifies a frame across sessions: its checksum, or its label where it has none."""
    return str(data.meta.get(CHECKSUM_KEY) or data.label)


def is_swapped(viewer_state):
    """Whether an image viewer shows rows across."""
    return viewer_state.x_att is not None and viewer_state.x_att.axis == viewer_state.reference_data.ndim - 2


#: Range and stretch of a layer that glue has just made.
GLUES_STRETCH = (100, "linear")


def soften(layer):
    """Show stars and nebulae of a frame at once: a gentle stretch, where nobody has chosen another."""
    if not is_frame(layer.layer) or not hasattr(layer.state, "stretch"):
        return
    if (layer.state.percentile, layer.state.stretch) != GLUES_STRETCH:
        return
    layer.state.percentile = 99.5
    layer.state.stretch = "arcsinh"


class SkyLayerArtist(MatplotlibLayerArtist):
    """Layer artist with one graphic that is drawn through the sky of the viewer's reference image.

    Sub-classes say what :meth:`make_graphic` makes and :meth:`refresh` brings up to date.
    """

    def __init__(self, axes, viewer_state, layer_state=None, layer=None):
        super().__init__(axes, viewer_state, layer_state=layer_state, layer=layer)
        self.graphic = None
        self._reference = self._made_of = None
        self._layers, self._frames = [], []
        self._viewer_state.add_global_callback(self._on_viewer_state)
        self.state.add_global_callback(self._on_layer_state)

    def make_graphic(self, projector, swapped):
        """Build a SkyGraphic that has ``set_projector(projector, swapped)``."""
        raise NotImplementedError

    def refresh(self):
        """Bring the graphic up to date with the layer's data."""

    def shown(self, key=frame_key):
        """Keys of the frames that are visible in this viewer."""
        layers = self._viewer_state.layers
        # asked by every track at every step of a moving window: looked through when the layers change
        if len(layers) != len(self._layers) or not all(map(operator.is_, layers, self._layers)):
            self._layers = list(layers)
            self._frames = [layer for layer in layers if is_frame(layer.layer)]
        return {key(layer.layer) for layer in self._frames if layer.visible}

    def projector(self):
        """The viewer's reference image as a projector; None with the layer disabled and the reason given."""
        reference = self._viewer_state.reference_data
        if reference is None or self._viewer_state.x_att is None or self._viewer_state.y_att is None:
            return None
        try:
            return SkyProjector(reference.coords, reference.shape)
        except ValueError as exc:
            self.disable(str(exc))
            return None

    @defer_draw
    def update(self):
        """Rebuild from the data, where they have changed."""
        # a layer that has just been taken away is updated once more by glue
        if self.state.layer is None:
            return
        # glue updates every layer whenever a link comes or goes, and that changes no overlay
        content = self._content()
        if content is None or self._made_of is None or not all(map(operator.is_, content, self._made_of)):
            self._drop()
            self._made_of = content
        self._on_viewer_state()
        self.redraw()

    def _content(self):
        """The label and the arrays that a whole data set is drawn from; of a selection None."""
        data = self.layer
        if isinstance(data, Subset):
            return None
        return [data.label, *(data.get_component(cid).data for cid in data.main_components)]

    def _on_viewer_state(self, **_changed):
        state = self._viewer_state
        reference = state.reference_data
        # the viewer's state changes at every step of the mouse; only these four move the graphic
        now = (id(reference), id(getattr(reference, "coords", None)), state.x_att, state.y_att)
        if self.graphic is not None and now == self._reference:
            return
        projector = self.projector()
        if projector is None:
            self._drop()
            return
        self._reference = now
        self.enable()
        swapped = is_swapped(state)
        if self.graphic is None:
            self.graphic = self.make_graphic(projector, swapped)
            self.graphic.join(self.axes, self.state.zorder)
            self.mpl_artists = [self.graphic]
        else:
            self.graphic.set_projector(projector, swapped)
        self.refresh()
        self._on_layer_state()

    def _on_layer_state(self, **_changed):
        if self.graphic is None:
            return
        self.graphic.set_visible(bool(self.state.visible) and self.enabled)
        self.graphic.set_zorder(self.state.zorder)
        # a width or a colour is read at the drawing: without this a moving window would show the old one
        self.graphic.stale = True
        self.redraw()

    def _drop(self):
        if self.graphic is not None:
            self.graphic.remove()
        self.graphic = None
        self.mpl_artists = []

    def clear(self):
        if self.graphic is not None:
            self.graphic.set_visible(False)

    def remove(self):
        # callbacks first: a graphic without axes must not be drawn once more
        self._viewer_state.remove_global_callback(self._on_viewer_state)
        self.state.remove_global_callback(self._on_layer_state)
        self._drop()


def exported(function, look):
    """A glue exporter that draws a layer again by a function of :mod:`glue_appulse.layers.script`.

    `look` names the properties of the layer's state that the function takes. The function goes by its name,
    for the module that holds it imports the layers.
    """

    def export(artist, *_args):
        if not artist.enabled or not artist.visible or artist.graphic is None:
            return [], None
        # echo keeps a list as a type of its own, which a script cannot write
        values = {name: getattr(artist.state, name) for name in look}
        options = {name: list(v) if isinstance(v, list) else v for name, v in values.items()}
        if hasattr(artist, "frame_keys"):
            options = {"frames": artist.frame_keys(), **options}
        words = ", ".join(f"{name}={value!r}" for name, value in options.items())
        call = f"{function}(ax, layer_data, ref_data, zorder={artist.state.zorder!r}, {words})"
        return [f"from glue_appulse.layers.script import {function}"], call

    return export
