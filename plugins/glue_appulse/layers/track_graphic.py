"""Drawing of one track; every measure on the screen is taken anew at each drawing.

::

       22:00        23:00   <- ticks, perpendicular on the screen
    ─────┼──── ─ ┃   ┃ ─ ────┼──────>     the line opens around the place at mid-exposure, so that the
                  (7)                     body in the picture stays visible between two bars
"""

import numpy as np

from .board import Label
from .curve import choose_step, tick_label, tick_times
from .graphic import SkyGraphic
from .stroke import joined, stroke

GAP_PX = 11.0
TICK_PX = 5.0
BAR_PX = 9.0
ARROW_PX = 10.0
#: Words between rank 0 (names) and this give way to nobody but each other.
NAME_RANK, TICK_RANK = 0.0, 10.0


def runs(good):
    """Slices of consecutive true values.

    Parameters
    ----------
    good : ndarray of bool, (n,)

    Returns
    -------
    list of slice

    Examples
    --------
    >>> runs(np.array([True, True, False, True]))
    [slice(0, 2, None), slice(3, 4, None)]
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[False], good, [False]]).astype(int)))
    return [slice(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


class TrackGraphic(SkyGraphic):
    """Artist of a track on a reference image.

    Parameters
    ----------
    model : TrackModel
    projector : SkyProjector
    look : object
        With the attributes of :class:`~glue_appulse.layers.track_state.TrackLayerState`.
    swapped : bool
        Whether the image is shown with rows across.
    shown : callable or None
        Gives the keys of the frames whose places are marked; None marks all.
    """

    def __init__(self, model, projector, look, *, swapped=False, shown=None):
        super().__init__()
        self.model, self.look, self.shown = model, look, shown
        self.set_projector(projector, swapped)

    def set_projector(self, projector, swapped=False):
        """Change the reference image.

        Parameters
        ----------
        projector : SkyProjector
        swapped : bool
        """
        self.projector, self.swapped = projector, swapped
        self.vertices = self._pixels(self.model.ra, self.model.dec)
        self._ticks = {}
        self._marks = [(place, self._place_pixels(place)) for place in self.model.places]

    def _pixels(self, ra, dec):
        x, y = self.projector.to_pixel(ra, dec)
        return np.column_stack([y, x] if self.swapped else [x, y])

    def _place_pixels(self, place):
        """Centre, trail ends and unit ellipse of a place, pixels of the reference image."""
        centre = self._pixels(place.ra, place.dec)[0]
        trail = self._pixels(*self.model.at([place.start_mjd, place.end_mjd]))
        east, north = place.ellipse()
        ring = np.empty((0, 2))
        if east.size and np.isfinite(centre).all():
            x, y = centre[::-1] if self.swapped else centre
            ring = np.linalg.solve(self.projector.jacobian(x, y), np.vstack([east, north])).T
            ring = ring[:, ::-1] if self.swapped else ring
        return centre, trail, ring

    def tick_pixels(self, step_min):
        """Ticks of a step on the reference image.

        Parameters
        ----------
        step_min : float

        Returns
        -------
        times : ndarray, (n,)
            UTC, MJD.
        xy : ndarray, (n, 2)
            Zero-based pixels.
        """
        return self._tick_table(step_min)[:2]

    def _tick_table(self, step_min):
        """Times, places, and places a little before and after, of the ticks of a step."""
        if step_min not in self._ticks:
            first, last = self.model.mjd[0], self.model.mjd[-1]
            times, half = tick_times(first, last, step_min), 0.5 * (self.model.mjd[1] - first)
            moments = (times, np.clip(times - half, first, last), np.clip(times + half, first, last))
            self._ticks[step_min] = times, *(self._pixels(*self.model.at(moment)) for moment in moments)
        return self._ticks[step_min]

    def stamp(self):
        """Frames whose places are marked.

        Returns
        -------
        set of str or None
        """
        return None if self.shown is None else self.shown()

    def paint(self, renderer, view):
        """Paint line, ticks, places, ellipse and arrow.

        Parameters
        ----------
        renderer : matplotlib.backend_bases.RendererBase
        view : View
        """
        line = view.transform(self.vertices)
        seen = self._seen(line, view.window)
        marks = self._visible_marks(view)
        segments = [
            line[part] for part in runs(seen & self._clear(line, marks)) if part.stop - part.start > 1
        ]
        if self.look.show_ticks and seen.sum() > 1 and self.model.curve is not None:
            segments += self._draw_ticks(line, seen, view, marks)
        for place, centre, trail, ring in marks:
            segments += self._draw_place(place, centre, trail, ring, line, seen)
        if self.look.show_direction and self.model.curve is not None:
            segments += self._arrow(line, seen, view)
        look = self.look
        stroke(renderer, view.clip, *joined(segments), color=look.color, width=look.width, alpha=look.alpha)

    @staticmethod
    def _seen(line, window):
        """Vertices in the window, and one beyond each end so that the line reaches the edge."""
        x0, y0, x1, y1 = window
        inside = (line[:, 0] >= x0) & (line[:, 0] <= x1) & (line[:, 1] >= y0) & (line[:, 1] <= y1)
        crossing = (
            (np.minimum(line[:-1], line[1:]) <= [x1, y1]) & (np.maximum(line[:-1], line[1:]) >= [x0, y0])
        ).all(1)
        seen = inside.copy()
        seen[:-1] |= crossing
        seen[1:] |= crossing
        return seen & np.isfinite(line).all(1)

    def _visible_marks(self, view):
        x0, y0, x1, y1 = view.window
        transform = view.transform
        found, shown = [], self.stamp()
        for place, (centre, trail, ring) in self._marks:
            if not np.isfinite(centre).all() or not (shown is None or place.frame in shown):
                continue
            at = transform(centre)
            if x0 <= at[0] <= x1 and y0 <= at[1] <= y1:
                found.append(
                    (place, at, transform(trail), transform(centre + ring * self.look.ellipse_sigma))
                )
        return found

    def _gap(self, trail):
        length = np.hypot(*(trail[1] - trail[0]))
        return GAP_PX + (length / 2 if np.isfinite(length) else 0.0)

    def _clear(self, line, marks):
        """False for vertices within the opening around a marked place."""
        clear = np.ones(len(line), bool)
        if self.look.show_places:
            for _place, centre, trail, _ring in marks:
                clear &= np.hypot(*(line - centre).T) > self._gap(trail)
        return clear

    def _draw_ticks(self, line, seen, view, marks):
        part = line[seen]
        length = np.hypot(*np.diff(part, axis=0).T).sum()
        span_min = np.ptp(self.model.mjd[seen]) * 1440
        step = self.look.tick_step or choose_step(span_min, length)
        times, pixels, before, after = self._tick_table(step)
        at, window = view.transform(pixels), view.window
        keep = (
            np.isfinite(at).all(1)
            & (at >= window[:2]).all(1)
            & (at <= window[2:]).all(1)
            & self._clear(at, marks)
        )
        normal = self._normals(view.transform(before[keep]), view.transform(after[keep]))
        for time, point, across in zip(times[keep], at[keep], normal, strict=True):
            if self.look.show_labels:
                angle = np.degrees(np.arctan2(across[1], across[0]))
                self._labels.append(
                    Label(
                        *point,
                        tick_label(time, step),
                        angle,
                        TICK_RANK,
                        self.look.color,
                        self.look.label_size,
                        gap=TICK_PX + 3,
                    )
                )
        return [np.array([p - TICK_PX * n, p + TICK_PX * n]) for p, n in zip(at[keep], normal, strict=True)]

    @staticmethod
    def _normals(before, after):
        """Unit vectors across the line on the screen, pointing up rather than down."""
        along = after - before
        along /= np.maximum(np.hypot(*along.T), 1e-9)[:, None]
        across = np.column_stack([-along[:, 1], along[:, 0]])
        return np.where(across[:, 1:] < 0, -across, across)

    def _draw_place(self, place, centre, trail, ring, line, seen):
        along = trail[1] - trail[0]
        norm = np.hypot(*along)
        if not np.isfinite(norm) or norm < 1e-6:
            nearest = np.argmin(np.hypot(*(line - centre).T))
            low, high = max(nearest - 1, 0), min(nearest + 1, len(line) - 1)
            along = line[high] - line[low]
            norm = np.hypot(*along)
        along = along / max(norm, 1e-9)
        across = np.array([-along[1], along[0]])
        gap = self._gap(trail)
        made = []
        if self.look.show_places:
            for end in (-gap, gap):
                foot = centre + end * along
                made.append(np.array([foot - BAR_PX * across, foot + BAR_PX * across]))
            self._obstacles.append((*(centre - gap), *(centre + gap)))
        if self.look.show_ellipse and len(ring) and np.ptp(ring, axis=0).max() > 2.0:
            made.append(ring)
        if self.look.show_name:
            angle = np.degrees(np.arctan2(*across[::-1] * (-1 if across[1] > 0 else 1)))
            self._labels.append(
                Label(
                    *centre,
                    self.model.name,
                    angle,
                    NAME_RANK,
                    self.look.color,
                    self.look.label_size + 2,
                    gap=gap + 3,
                )
            )
        return made

    def _arrow(self, line, seen, view):
        """Two strokes at the last vertex in the window, set in from its edge."""
        inside = np.flatnonzero(seen)
        if inside.size < 2:
            return []
        x0, y0, x1, y1 = view.window
        within = inside[((line[inside] > [x0 + 4, y0 + 4]) & (line[inside] < [x1 - 4, y1 - 4])).all(1)]
        if within.size < 2:
            return []
        tip, tail = line[within[-1]], line[within[-2]]
        back = tail - tip
        norm = np.hypot(*back)
        if norm < 1e-9:
            return []
        back = back / norm * ARROW_PX
        turn = np.radians(25)
        left = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        return [np.array([tip + left @ back, tip, tip + left.T @ back])]

