"""Drawing of outlines: one path for all, culled to the window and thinned by size on the screen."""

import numpy as np
from matplotlib.artist import Artist
from matplotlib.patches import PathPatch
from matplotlib.path import Path
from matplotlib.patheffects import Normal, Stroke
from matplotlib.transforms import IdentityTransform

from .board import HALO, Label, LabelBoard
from .outline_model import CIRCLE, POINT

NAME_RANK = 20.0
#: Half width of the lozenge that marks an object without size, display pixels.
POINT_PX = 5.0
#: Objects smaller than this on the screen keep their names for a closer look, display pixels.
NAME_PX = 12.0
#: A ring is drawn with about one vertex for so many display pixels.
VERTEX_PX = 2.0


class OutlineGraphic(Artist):
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
        self._labels = []
        self._patches = [
            PathPatch(Path(np.empty((0, 2))), facecolor="none", transform=IdentityTransform())
            for _ in range(2)
        ]
        self.set_model(model, projector, swapped)

    def set_model(self, model, projector, swapped=False):
        """Change the objects.

        Parameters
        ----------
        model : OutlineModel
        projector : SkyProjector
        swapped : bool
        """
        self.model = model
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
        self._last = np.append(model.order[1:] == 0, True)[: len(good)]
        self._good = good
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

    def visible_objects(self):
        """Objects within the limits and the window.

        Returns
        -------
        ndarray of bool, (m,)
        """
        (x0, x1), (y0, y1) = np.sort(self.axes.get_xlim()), np.sort(self.axes.get_ylim())
        low, high = self._bounds[:, :2], self._bounds[:, 2:]
        inside = (low[:, 0] <= x1) & (high[:, 0] >= x0) & (low[:, 1] <= y1) & (high[:, 1] >= y0)
        return inside & self.model.wanted(self.look)

    def labels(self, _renderer):
        """Words of the last drawing.

        Returns
        -------
        list of Label
        """
        return self._labels

    def obstacles(self):
        """Outlines keep no words off.

        Returns
        -------
        list
        """
        return []

    def draw(self, renderer):
        """Draw what is in the window.

        Parameters
        ----------
        renderer : matplotlib.backend_bases.RendererBase
        """
        self._labels = []
        if not self.get_visible() or not len(self.model.names):
            return
        visible = self.visible_objects()
        if not visible.any():
            return
        scale = np.abs(np.diff(self.axes.transData.transform([[0, 0], [1, 1]]), axis=0)).max()
        extent = (self._bounds[:, 2:] - self._bounds[:, :2]).max(1) * scale
        guessed = self.model.shapes == CIRCLE
        points = self.model.shapes == POINT
        for patch, chosen, style in (
            (self._patches[0], visible & ~guessed, "-"),
            (self._patches[1], visible & guessed, "--"),
        ):
            vertices, codes = self._paths(chosen, extent)
            if style == "-":
                vertices, codes = self._with_points(vertices, codes, visible & points)
            self._stroke(renderer, patch, vertices, codes, style)
        if self.look.show_names:
            self._labels = self._names(visible, extent, points)
        self.stale = False

    def _paths(self, chosen, extent):
        if not len(self.model.owner):
            return np.empty((0, 2)), np.empty(0, Path.code_type)
        count = np.bincount(self.model.owner, minlength=len(extent))
        crowding = count * VERTEX_PX / np.fmax(3 * extent, 1e-9)
        stride = 2 ** np.floor(np.log2(np.clip(crowding, 1, 8))).astype(int)
        mine = self.model.owner
        keep = (
            chosen[mine]
            & self._good
            & ((self.model.order % stride[mine] == 0) | self._last | (self._codes == Path.MOVETO))
        )
        return self.axes.transData.transform(self.pixels[keep]), self._codes[keep]

    def _with_points(self, vertices, codes, chosen):
        centres = self.axes.transData.transform(self.centres[chosen])
        centres = centres[np.isfinite(centres).all(1)]
        if not len(centres):
            return vertices, codes
        lozenge = POINT_PX * np.array([[0, 1], [1, 0], [0, -1], [-1, 0], [0, 1]])
        more = (centres[:, None, :] + lozenge).reshape(-1, 2)
        begin = np.array([Path.MOVETO, *[Path.LINETO] * 4], Path.code_type)
        return np.vstack([vertices, more]), np.concatenate([codes, np.tile(begin, len(centres))])

    def _stroke(self, renderer, patch, vertices, codes, style):
        if not len(vertices):
            return
        look = self.look
        patch.set_figure(self.get_figure())
        patch.axes = self.axes
        patch.set_clip_path(self.axes.patch)
        patch.set_path(Path(vertices, codes))
        patch.set(linestyle=style, linewidth=look.width, edgecolor=look.color, alpha=look.alpha)
        patch.set_path_effects([Stroke(linewidth=look.width + 1.6, foreground=HALO, alpha=0.55), Normal()])
        patch.draw(renderer)

    def _names(self, visible, extent, points):
        """Names above the outlines, or at the window's middle of those that reach beyond it."""
        window = self.axes.bbox.extents
        made = []
        for i in np.flatnonzero(visible & (points | (extent > NAME_PX))):
            box = self.axes.transData.transform(self._bounds[i].reshape(2, 2))
            top = box[np.argmax(box[:, 1])]
            x = np.clip(box[:, 0].mean(), window[0] + 30, window[2] - 30)
            y = np.clip(top[1], window[1] + 20, window[3] - 24)
            gap = POINT_PX + 3 if points[i] else 4.0
            rank = NAME_RANK + 1.0 / (1.0 + extent[i])
            made.append(
                Label(x, y, self.model.names[i], 90.0, rank, self.look.color, self.look.label_size, gap)
            )
        return made

    def join(self, axes, zorder):
        """Stand on an axes, and let the axes' board write the names.

        Parameters
        ----------
        axes : matplotlib.axes.Axes
        zorder : float
        """
        self.set_zorder(zorder)
        axes.add_artist(self)
        LabelBoard.of(axes).join(self)

    def remove(self):
        """Leave the axes and its board."""
        LabelBoard.of(self.axes).leave(self)
        super().remove()
