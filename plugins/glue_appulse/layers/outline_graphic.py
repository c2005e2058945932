"""Drawing of outlines: one path for all, culled to the window and thinned by size on the screen."""

import numpy as np
from matplotlib.path import Path

from .board import MAX_LABELS, Label
from .graphic import SkyGraphic
from .outline_model import CIRCLE, POINT, POLYGON
from .stroke import stroke
from .view import View

NAME_RANK = 20.0
#: Half width of the lozenge that marks an object without size, display pixels.
POINT_PX = 5.0
#: Objects smaller than this on the screen keep their names for a closer look, display pixels.
NAME_PX = 12.0
#: How far a thinned ellipse may stray from the true one, display pixels; a hand-drawn polygon keeps one
#: vertex for each of POLYGON_PX, for nobody knows which of its corners matter.
SAGITTA_PX, CROWD_SAGITTA_PX, POLYGON_PX = 0.3, 0.5, 1.5
#: So many outlines in sight and the picture is crowded anyway: they go without rims, at half the cost.
CROWD = 300
RIM_PT = 1.2


class OutlineGraphic(SkyGraphic):
    """Artist of the outlines of a layer on a reference image.

    Objects whose shape is a guess (no position angle known) are dashed; objects without size are lozenges.

    Parameters
    ----------
    model : OutlineModel
    projector : SkyProjector
    look : object
        With the attributes of :class:`~glue_appulse.layers.outline_state.OutlineLayerState`.
    swapped : bool
    """

    def __init__(self, model, projector, look, *, swapped=False):
        super().__init__()
        self.look = look
        self.set_model(model, projector, swapped)

    def set_model(self, model, projector, swapped=False):
        """Change the objects.

        Parameters
        ----------
        model : OutlineModel
        projector : SkyProjector
        swapped : bool
        """
        self.model, self._grouped = model, None
        self.set_projector(projector, swapped)

    def set_projector(self, projector, swapped=False):
        """Change the reference image.

        Parameters
        ----------
        projector : SkyProjector
        swapped : bool
        """
        order = [1, 0] if swapped else [0, 1]
        model = self.model
        self.pixels = np.column_stack(projector.to_pixel(*model.vertices.T))[:, order]
        self.centres = np.column_stack(projector.to_pixel(*model.centres.T))[:, order]
        good = np.isfinite(self.pixels).all(1)
        # a ring that dips behind the sky is broken there; the stroke starts anew after the break
        starts = (model.order == 0) | ~np.concatenate([[False], good[:-1]])[: len(good)]
        self._codes = np.where(starts, Path.MOVETO, Path.LINETO).astype(Path.code_type)
        last = np.append(model.order[1:] == 0, True)[: len(good)]
        self._good = good
        #: Vertices that no thinning takes: both ends of every stroke.
        self._fixed = good & (starts | last)
        self._count = np.bincount(model.owner, minlength=len(model.names))
        self._bounds = self._object_bounds()

    def _object_bounds(self):
        """x0, y0, x1, y1 of every object on the reference image; NaN for what cannot be seen."""
        count = len(self.model.names)
        low, high = np.full((count, 2), np.inf), np.full((count, 2), -np.inf)
        owner = self.model.owner[self._good]
        np.minimum.at(low, owner, self.pixels[self._good])
        np.maximum.at(high, owner, self.pixels[self._good])
        bare = ~np.isfinite(low[:, 0])
        low[bare] = high[bare] = self.centres[bare]
        return np.hstack([low, high])

    def visible_objects(self, view=None):
        """Objects within the limits and the window.

        Parameters
        ----------
        view : View or None
            None: the axes' own window.

        Returns
        -------
        ndarray of bool, (m,)
        """
        view = View(self.axes) if view is None else view
        (x0, x1), (y0, y1) = view.limits()
        low, high = self._bounds[:, :2], self._bounds[:, 2:]
        inside = (low[:, 0] <= x1) & (high[:, 0] >= x0) & (low[:, 1] <= y1) & (high[:, 1] >= y0)
        return inside & self.model.wanted(self.look)

    def paint(self, renderer, view):
        """Paint what is in the window.

        Parameters
        ----------
        renderer : matplotlib.backend_bases.RendererBase
        view : View
        """
        if not len(self.model.names):
            return
        visible = self.visible_objects(view)
        if not visible.any():
            return
        scale = np.abs(np.diff(view.transform([[0, 0], [1, 1]]), axis=0)).max()
        extent = (self._bounds[:, 2:] - self._bounds[:, :2]).max(1) * scale
        points, crowd = self.model.shapes == POINT, visible.sum() > CROWD
        groups, colours = self._groups()
        vertices, codes, owner = self._paths(visible, extent, view)
        member = groups[owner]
        for group in np.unique(groups[visible]):
            colour, dashed = colours[group // 2], bool(group % 2)
            path = vertices[member == group], codes[member == group]
            lone = visible & points & (groups == group)
            self._draw_group(renderer, view, colour, *path, lone, crowd, dashed)
        if self.look.show_names:
            self._labels = self._names(visible, extent, points, np.asarray(colours)[groups // 2], view)

    def _groups(self):
        """Number of every object's group, two for each colour (solid, dashed), and the colours."""
        key = (self.look.by_type, self.look.color)
        if self._grouped is None or self._grouped[0] != key:
            colours, number = np.unique(self.model.colours(self.look), return_inverse=True)
            groups = 2 * number + (self.model.shapes == CIRCLE)
            self._grouped = key, groups, [str(colour) for colour in colours]
        return self._grouped[1:]

    def _draw_group(self, renderer, view, colour, vertices, codes, points, crowd, dashed):
        """Objects of one colour, solid or dashed."""
        if dashed and crowd:
            # dashes for nothing: every other chord; a renderer's own cost as much as all the rest
            codes, dashed = np.where(np.arange(len(codes)) % 2, codes, Path.MOVETO), False
        elif not dashed:
            vertices, codes = self._with_points(vertices, codes, points, view)
        look = self.look
        stroke(renderer, view.clip, vertices, codes, color=colour, width=look.width, alpha=look.alpha,
               dashed=dashed, rim=0.0 if crowd else RIM_PT)  # fmt: skip

    def _paths(self, chosen, extent, view):
        """Vertices that are needed, in display pixels, their codes and objects."""
        if not len(self.model.owner):
            return np.empty((0, 2)), np.empty(0, Path.code_type), np.empty(0, int)
        # a chord of length c misses an arc of diameter e by c^2 / 4e; pi e / c chords close the ellipse
        sagitta = CROWD_SAGITTA_PX if chosen.sum() > CROWD else SAGITTA_PX
        smooth = np.pi * np.sqrt(np.fmax(extent, 1.0) / (4 * sagitta))
        wanted = np.where(self.model.shapes == POLYGON, np.pi * extent / POLYGON_PX, smooth)
        stride = np.clip(self._count / np.fmax(wanted, 8.0), 1, 64).astype(int)
        stride[~chosen] = 0
        mine = np.repeat(stride, self._count)
        keep = self._fixed & (mine > 0)
        keep |= (mine > 0) & self._good & (self.model.order % np.maximum(mine, 1) == 0)
        return view.transform(self.pixels[keep]), self._codes[keep], self.model.owner[keep]

    def _with_points(self, vertices, codes, chosen, view):
        centres = view.transform(self.centres[chosen])
        centres = centres[np.isfinite(centres).all(1)]
        if not len(centres):
            return vertices, codes
        lozenge = POINT_PX * np.array([[0, 1], [1, 0], [0, -1], [-1, 0], [0, 1]])
        more = (centres[:, None, :] + lozenge).reshape(-1, 2)
        begin = np.array([Path.MOVETO, *[Path.LINETO] * 4], Path.code_type)
        return np.vstack([vertices, more]), np.concatenate([codes, np.tile(begin, len(centres))])

    def _names(self, visible, extent, points, colours, view):
        """Names above the outlines, within the window for those that reach beyond it; largest first."""
        x0, y0, x1, y1 = view.window
        named = np.flatnonzero(visible & (points | (extent > NAME_PX)))
        named = named[np.argsort(-extent[named], kind="stable")][: 4 * MAX_LABELS]
        low, high = (view.transform(self._bounds[named][:, part]) for part in ([0, 1], [2, 3]))
        x = np.clip((low + high)[:, 0] / 2, x0 + 30, x1 - 30)
        y = np.clip(np.maximum(low, high)[:, 1], y0 + 20, y1 - 24)
        gap = np.where(points[named], POINT_PX + 3, 4.0)
        rank = NAME_RANK + 1.0 / (1.0 + extent[named])
        look = self.look
        return [
            Label(*place, self.model.names[i], 90.0, first, str(colours[i]), look.label_size, room)
            for i, first, room, *place in zip(named, rank, gap, x, y, strict=True)
        ]

