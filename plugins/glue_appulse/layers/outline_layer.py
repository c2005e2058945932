"""Outlines in an image viewer: one path for all of a colour, culled to the window, thinned by their size."""

import numpy as np
from glue.core.exceptions import IncompatibleAttribute
from glue.core.subset import Subset
from glue.viewers.matplotlib.state import DeferredDrawCallbackProperty as Drawn
from glue.viewers.matplotlib.state import MatplotlibLayerState
from matplotlib.path import Path

from appulse.overlays import LOZENGE, OBJECT_RANK, Label, arc_mask, lozenge
from glue_appulse.layers.board import MAX_LABELS, PaintWindow, SkyGraphic, stroke
from glue_appulse.layers.outline_model import CIRCLE, POINT, POLYGON, OutlineModel
from glue_appulse.layers.sky_layer import SkyLayerArtist, exported
from glue_appulse.layers.track_layer import SYMBOL_PX

LATE_RANK, FIRST_NAMES = 20.0, 20
"""Names beyond the largest so many give way to the dates of tracks."""
NAME_PX = 12.0
"""Objects smaller than this on the screen keep their names for a closer look, display pixels."""
LEADER_PX = 16.0
SAGITTA_PX, CROWD_SAGITTA_PX, POLYGON_PX = 0.3, 0.5, 1.5
"""How far a thinned ellipse may stray from the true one, display pixels; a hand-drawn polygon keeps one
vertex for each of POLYGON_PX, for nobody knows which of its corners matter."""
CROWD = 300
"""So many outlines in sight and the picture is crowded anyway: they go without rims, at half the cost."""
RIM_PT = 1.2
OUTLINE_LOOK = (
    "color", "alpha", "width", "show_names", "label_size", "by_type", "min_size", "max_magnitude", "types",
)  # fmt: skip


class OutlineLayerState(MatplotlibLayerState):
    """Look and limits of outlines."""

    width = Drawn(1.3, docstring="Width of the lines, points")
    by_type = Drawn(True, docstring="Whether each type of object has its own colour")
    show_names = Drawn(True, docstring="Whether names stand by the outlines")
    label_size = Drawn(9.0, docstring="Size of the names, points")
    types = Drawn([], docstring="Types of the objects shown, a list; empty: all")
    min_size = Drawn(0.0, docstring="Smallest long axis shown, arcmin")
    max_magnitude = Drawn(99.0, docstring="Faintest magnitude shown; objects without one stay")


class OutlineGraphic(SkyGraphic):
    """Artist of the outlines of a layer on a reference image.

    An object whose position angle is not known is four short arcs, one without size a lozenge. `look` has the
    attributes of :class:`OutlineLayerState`; `swapped` where the image is shown with rows across.
    """

    def __init__(self, model, projector, look, *, swapped=False):
        super().__init__()
        self.model, self.look, self._grouped = model, look, None
        self.set_projector(projector, swapped)

    def set_projector(self, projector, swapped=False):
        """Change the reference image."""
        order = [1, 0] if swapped else [0, 1]
        model = self.model
        self.pixels = np.column_stack(projector.to_pixel(*model.vertices.T))[:, order]
        self.centres = np.column_stack(projector.to_pixel(*model.centres.T))[:, order]
        self._bounds = self._object_bounds(np.isfinite(self.pixels).all(1))
        guess = (model.shapes == CIRCLE)[model.owner]
        drawn = np.isfinite(self.pixels).all(1) & (~guess | arc_mask(model.share))
        before = np.concatenate([[False], drawn[:-1]])[: len(drawn)]
        after = np.concatenate([drawn[1:], [False]])[: len(drawn)]
        # a ring that dips behind the sky is broken there, as arcs are; the stroke starts anew after the break
        starts = (model.order == 0) | ~before
        ends = np.append(model.order[1:] == 0, True)[: len(drawn)] | ~after
        self._codes = np.where(starts, Path.MOVETO, Path.LINETO).astype(Path.code_type)
        self._drawn = drawn
        # no thinning takes the ends of a stroke, else the next one would be joined to it
        self._fixed = drawn & (starts | ends)
        self._count = np.bincount(model.owner, minlength=len(model.names))
        self._tops = self._highest(drawn)

    def _highest(self, drawn):
        """The highest drawn vertex of every object, pixels; NaN where there is none."""
        tops = np.full((len(self.model.names), 2), np.nan)
        chosen = np.flatnonzero(drawn)
        # the last one written stays: the highest, for they are written in the order of their height
        chosen = chosen[np.argsort(self.pixels[chosen, 1], kind="stable")]
        tops[self.model.owner[chosen]] = self.pixels[chosen]
        return tops

    def _object_bounds(self, good):
        """x0, y0, x1, y1 of every object on the reference image; NaN for what cannot be seen."""
        count = len(self.model.names)
        low, high = np.full((count, 2), np.inf), np.full((count, 2), -np.inf)
        owner = self.model.owner[good]
        np.minimum.at(low, owner, self.pixels[good])
        np.maximum.at(high, owner, self.pixels[good])
        bare = ~np.isfinite(low[:, 0])
        low[bare] = high[bare] = self.centres[bare]
        return np.hstack([low, high])

    def visible_objects(self, view=None):
        """Mask of the objects within the look's limits and the window; None: the axes' own window."""
        view = PaintWindow(self.axes) if view is None else view
        (x0, x1), (y0, y1) = view.limits()
        low, high = self._bounds[:, :2], self._bounds[:, 2:]
        inside = (low[:, 0] <= x1) & (high[:, 0] >= x0) & (low[:, 1] <= y1) & (high[:, 1] >= y0)
        return inside & self.model.wanted(self.look)

    def paint(self, renderer, view):
        if not len(self.model.names):
            return (), ()
        visible = self.visible_objects(view)
        if not visible.any():
            return (), ()
        scale = np.abs(np.diff(view.transform([[0, 0], [1, 1]]), axis=0)).max()
        extent = (self._bounds[:, 2:] - self._bounds[:, :2]).max(1) * scale
        crowd, look = visible.sum() > CROWD, self.look
        colours, groups = self._groups()
        vertices, codes, owner = self._paths(visible, extent, view, crowd)
        member = groups[owner]
        for group in np.unique(groups[visible]):
            mine = member == group
            points = visible & (self.model.shapes == POINT) & (groups == group)
            path = self._with_points(vertices[mine], codes[mine], points, view)
            rim = 0.0 if crowd else RIM_PT
            stroke(
                renderer, view.clip, *path, color=colours[group], width=look.width, alpha=look.alpha, rim=rim
            )
        names = self._names(visible, extent, [colours[group] for group in groups], view)
        return names if look.show_names else (), ()

    def _groups(self):
        """The colours, and the number of every object's."""
        key = (self.look.by_type, self.look.color)
        if self._grouped is None or self._grouped[0] != key:
            colours, number = np.unique(self.model.colours(self.look), return_inverse=True)
            self._grouped = key, [str(colour) for colour in colours], number
        return self._grouped[1:]

    def _paths(self, chosen, extent, view, crowd):
        """Vertices that are needed, in display pixels, their codes and objects."""
        # a chord of length c misses an arc of diameter e by c^2 / 4e; pi e / c chords close the ellipse
        sagitta = CROWD_SAGITTA_PX if crowd else SAGITTA_PX
        smooth = np.pi * np.sqrt(np.fmax(extent, 1.0) / (4 * sagitta))
        wanted = np.where(self.model.shapes == POLYGON, np.pi * extent / POLYGON_PX, smooth)
        stride = np.clip(self._count / np.fmax(wanted, 8.0), 1, 64).astype(int)
        stride[~chosen] = 0
        mine = np.repeat(stride, self._count)
        keep = self._fixed & (mine > 0)
        keep |= (mine > 0) & self._drawn & (self.model.order % np.maximum(mine, 1) == 0)
        return view.transform(self.pixels[keep]), self._codes[keep], self.model.owner[keep]

    def _with_points(self, vertices, codes, chosen, view):
        """A path with the lozenges of objects without size."""
        centres = view.transform(self.centres[chosen])
        centres = centres[np.isfinite(centres).all(1)]
        if not len(centres):
            return vertices, codes
        more = (centres[:, None, :] + lozenge(LOZENGE * SYMBOL_PX * view.fine)).reshape(-1, 2)
        begin = np.array([Path.MOVETO, *[Path.LINETO] * 4], Path.code_type)
        return np.vstack([vertices, more]), np.concatenate([codes, np.tile(begin, len(centres))])

    def _names(self, visible, extent, colours, view):
        """Names above the outlines, within the window for those that reach beyond it; largest first."""
        x0, y0, x1, y1 = view.window
        points, guess = self.model.shapes == POINT, self.model.shapes == CIRCLE
        named = np.flatnonzero(visible & (points | (extent > NAME_PX * view.fine)))
        named = named[np.argsort(-extent[named], kind="stable")][: 4 * MAX_LABELS]
        low, high = (view.transform(self._bounds[named][:, part]) for part in ([0, 1], [2, 3]))
        x, y = (low + high)[:, 0] / 2, np.maximum(low, high)[:, 1]
        # the top of four arcs is open: their name stands on a leader from the highest arc, where that is seen
        tops = view.transform(self._tops[named])
        top = y1 - (LEADER_PX + 20) * view.fine
        leads = guess[named] & (tops > [x0, y0]).all(1) & (tops < [x1, top]).all(1)
        x, y = np.where(leads, tops[:, 0], x), np.where(leads, tops[:, 1], y)
        side, low, high = (room * view.fine for room in (30, 20, 24))
        x, y = np.clip(x, x0 + side, x1 - side), np.clip(y, y0 + low, y1 - high)
        gap = np.where(leads, LEADER_PX, np.where(points[named], LOZENGE * SYMBOL_PX + 3, 4.0)) * view.fine
        rank = np.where(np.arange(len(named)) < FIRST_NAMES, OBJECT_RANK, LATE_RANK)
        rank = rank + 1.0 / (1.0 + extent[named])
        return [
            Label(
                *place, self.model.names[i], 90.0, first, colours[i], self.look.label_size, room,
                leader=bool(lead),
            )
            for i, first, room, lead, *place in zip(named, rank, gap, leads, x, y, strict=True)
        ]  # fmt: skip


class OutlineLayerArtist(SkyLayerArtist):
    """Outlines of catalogue objects in an image viewer, or a selection of them."""

    _layer_state_cls = OutlineLayerState
    _python_exporter = exported("draw_outlines", OUTLINE_LOOK)

    def __init__(self, axes, viewer_state, layer_state=None, layer=None):
        super().__init__(axes, viewer_state, layer_state=layer_state, layer=layer)
        # a selection lies on the outlines that it selects from: their names are enough
        if layer_state is None and isinstance(self.layer, Subset):
            self.state.width, self.state.show_names = 3.0, False

    def make_graphic(self, projector, swapped):
        try:
            model = OutlineModel.from_layer(self.layer)
        except IncompatibleAttribute:
            model = OutlineModel.empty()
            self.disable_incompatible_subset()
        return OutlineGraphic(model, projector, self.state, swapped=swapped)
