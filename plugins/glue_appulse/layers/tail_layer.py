"""Tails of comets in an image viewer: each kind of line with its own tick, cut at the window."""

from types import SimpleNamespace

import numpy as np
from glue.core.exceptions import IncompatibleAttribute
from glue.core.subset import Subset
from glue.viewers.matplotlib.state import DeferredDrawCallbackProperty as Drawn
from glue.viewers.matplotlib.state import MatplotlibLayerState

from appulse.overlays import tail_scene, ticks_on
from glue_appulse.data.kinds import from_json
from glue_appulse.layers.board import SkyGraphic
from glue_appulse.layers.sky_layer import SkyLayerArtist, exported
from glue_appulse.layers.track_layer import SYMBOL_PX, TICK_LETTERS

TAIL_KEY = "appulse_tail"
"""Key of a data set's metadata under which lines and ticks are kept."""
PARTS = {
    "show_antisolar": "antisolar", "show_syndynes": "syndyne", "show_synchrones": "synchrone",
    "show_ion": "ion tail",
}  # fmt: skip
"""Properties of the look, and the kinds of lines that they show."""
TAIL_LOOK = ("alpha", "width", *PARTS, "show_ticks", "show_labels", "label_size")


class TailLayerState(MatplotlibLayerState):
    """Look of a comet's tail."""

    width = Drawn(1.3, docstring="Width of the lines, points")
    show_antisolar = Drawn(True, docstring="Whether the antisolar line is drawn")
    show_ticks = Drawn(True, docstring="Whether ticks in degrees and km stand on the antisolar line")
    show_syndynes = Drawn(True, docstring="Whether syndynes are drawn")
    show_synchrones = Drawn(True, docstring="Whether synchrones are drawn")
    show_ion = Drawn(True, docstring="Whether the ion tail is drawn; its direction is an estimate")
    show_labels = Drawn(True, docstring="Whether words stand by lines and ticks")
    label_size = Drawn(9.0, docstring="Size of the words, points")


def tail_of(data):
    """Lines and ticks of a data set, as :class:`appulse.bodies.CometTail` has them."""
    kept = from_json(data.meta[TAIL_KEY])
    ra, dec = (np.asarray(data[data.id[name]], float) for name in ("RA", "Dec"))
    curves, at = [], 0
    for kind, label, count in kept["curves"]:
        part = slice(at, at + count)
        curves.append(SimpleNamespace(kind=kind, label=label, ra=ra[part], dec=dec[part]))
        at += count
    names = ("ra", "dec", "label", "unit")
    ticks = [SimpleNamespace(**dict(zip(names, tick, strict=True))) for tick in kept["ticks"]]
    return SimpleNamespace(curves=tuple(curves), ticks=tuple(ticks))


class TailGraphic(SkyGraphic):
    """Artist of a tail on a reference image; `look` has the attributes of :class:`TailLayerState`."""

    def __init__(self, tail, projector, look, *, swapped=False):
        super().__init__()
        self.tail, self.look, self.chosen = tail, look, None
        self.set_projector(projector, swapped)

    def set_projector(self, projector, swapped=False):
        """Change the reference image."""
        self.projector, self.swapped = projector, swapped
        self.lines = [self._pixels(curve.ra, curve.dec) for curve in self.tail.curves]
        self.ticks = ticks_on(self.tail, self._pixels)

    def _pixels(self, ra, dec):
        x, y = self.projector.to_pixel(ra, dec)
        return np.column_stack([y, x] if self.swapped else [x, y])

    def paint(self, renderer, view):
        look, at = self.look, 0
        shown = tuple(part for name, part in PARTS.items() if getattr(look, name))
        curves = []
        for curve, pixels in zip(self.tail.curves, self.lines, strict=True):
            points = view.transform(pixels)
            if self.chosen is not None:
                points = np.where(self.chosen[at : at + len(points), None], points, np.nan)
            at += len(pixels)
            if curve.kind.startswith(shown):
                curves.append((curve.kind, curve.label, points))
        ticks = self._ticks(view) if look.show_ticks and look.show_antisolar and self.chosen is None else []
        scene = tail_scene(
            curves, ticks, window=view.window, size=SYMBOL_PX * view.fine, width=look.width,
            letters=look.label_size / TICK_LETTERS, labels=look.show_labels,
        )  # fmt: skip
        return self.paint_scene(renderer, view, scene, look.alpha)

    def _ticks(self, view):
        """Ticks in display pixels; the direction along the line goes through the axes' own scale."""
        found = []
        for point, along, label, unit in self.ticks:
            here, there = view.transform(np.array([point, point + along]))
            way = there - here
            found.append((here, way / max(np.hypot(*way), 1e-9), label, unit))
        return found


class TailLayerArtist(SkyLayerArtist):
    """A comet's tail in an image viewer, or the chosen vertices of one."""

    _layer_state_cls = TailLayerState
    _python_exporter = exported("draw_tail", TAIL_LOOK)

    def make_graphic(self, projector, swapped):
        return TailGraphic(tail_of(self._data()), projector, self.state, swapped=swapped)

    def _data(self):
        return self.layer.data if isinstance(self.layer, Subset) else self.layer

    def refresh(self):
        if not isinstance(self.layer, Subset):
            return
        try:
            self.graphic.chosen = np.asarray(self.layer.to_mask(), bool)
        except IncompatibleAttribute:
            self.graphic.chosen = np.zeros(self._data().size, bool)
            self.disable_incompatible_subset()
