"""Layer artist of outlines and of subsets of them."""

from glue.core.exceptions import IncompatibleAttribute
from glue.core.subset import Subset

from .base import SkyLayerArtist
from .outline_graphic import OutlineGraphic
from .outline_model import OutlineModel, empty_model
from .outline_state import OutlineLayerState
from .script import export_outlines


class OutlineLayerArtist(SkyLayerArtist):
    """Outlines of catalogue objects in an image viewer, or a selection of them."""

    _layer_state_cls = OutlineLayerState
    _python_exporter = export_outlines

    def __init__(self, axes, viewer_state, layer_state=None, layer=None):
        super().__init__(axes, viewer_state, layer_state=layer_state, layer=layer)
        if layer_state is None and isinstance(self.layer, Subset):
            self.state.width, self.state.show_names = 3.0, False

    def make_graphic(self, projector, swapped):
        """Build the outlines' artist.

        Parameters
        ----------
        projector : SkyProjector
        swapped : bool

        Returns
        -------
        OutlineGraphic
        """
        try:
            model = OutlineModel.from_layer(self.layer)
        except IncompatibleAttribute:
            model = empty_model()
            self.disable_incompatible_subset()
        return OutlineGraphic(model, projector, self.state, swapped=swapped)
