"""What the layers of this plugin set have in common: the reference image they are drawn on."""

from glue.utils import defer_draw
from glue.viewers.matplotlib.layer_artist import MatplotlibLayerArtist

from glue_appulse.data.frame_wcs import SkyProjector
from glue_appulse.data.kinds import is_frame

#: Key of a frame's data set under which its file's checksum is kept.
CHECKSUM_KEY = "sha256"


def frame_key(data):
    """What identifies a frame across sessions: its checksum, or its label where it has none.

    Parameters
    ----------
    data : glue.core.data.Data

    Returns
    -------
    str
    """
    return str(data.meta.get(CHECKSUM_KEY) or data.label)


def is_swapped(viewer_state):
    """Whether an image viewer shows rows across.

    Parameters
    ----------
    viewer_state : glue.viewers.image.state.ImageViewerState

    Returns
    -------
    bool
    """
    return viewer_state.x_att is not None and viewer_state.x_att.axis == viewer_state.reference_data.ndim - 2


class SkyLayerArtist(MatplotlibLayerArtist):
    """Layer artist with one graphic that is drawn through the sky of the viewer's reference image.

    Sub-classes say what :meth:`make_graphic` makes and :meth:`refresh` brings up to date.
    """

    def __init__(self, axes, viewer_state, layer_state=None, layer=None):
        super().__init__(axes, viewer_state, layer_state=layer_state, layer=layer)
        self.graphic = None
        self._reference = None
        self._viewer_state.add_global_callback(self._on_viewer_state)
        self.state.add_global_callback(self._on_layer_state)

    def make_graphic(self, projector, swapped):
        """Build the artist.

        Parameters
        ----------
        projector : SkyProjector
        swapped : bool

        Returns
        -------
        matplotlib.artist.Artist
            With ``join(axes, zorder)``, ``set_projector(projector, swapped)`` and ``remove()``.
        """
        raise NotImplementedError

    def refresh(self):
        """Bring the graphic up to date with the layer's data."""

    def shown(self):
        """Frames that are visible in this viewer.

        Returns
        -------
        set of str
            As :func:`frame_key` gives them.
        """
        layers = self._viewer_state.layers
        return {frame_key(one.layer) for one in layers if one.visible and is_frame(one.layer)}

    def projector(self):
        """The viewer's reference image as a projector, or None with the layer disabled and the reason said.

        Returns
        -------
        SkyProjector or None
        """
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
        """Rebuild from the data."""
        if self.state.layer is None:
            return
        self._drop()
        self._on_viewer_state()
        self.redraw()

    def _on_viewer_state(self, **_changed):
        state = self._viewer_state
        reference = state.reference_data
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

    def _on_layer_state(self, **changed):
        if self.graphic is None:
            return
        self.graphic.set_visible(bool(self.state.visible) and self.enabled)
        self.graphic.set_zorder(self.state.zorder)
        if changed:
            self.restyle(set(changed))
        self.redraw()

    def restyle(self, names):
        """React to properties of the layer state that need more than a new drawing.

        Parameters
        ----------
        names : set of str
        """

    def _drop(self):
        if self.graphic is not None:
            self.graphic.remove()
        self.graphic = None
        self.mpl_artists = []

    def clear(self):
        """Hide."""
        if self.graphic is not None:
            self.graphic.set_visible(False)

    def remove(self):
        """Leave the viewer for good."""
        self._viewer_state.remove_global_callback(self._on_viewer_state)
        self.state.remove_global_callback(self._on_layer_state)
        self._drop()
