"""Tracks, and selected stretches of them, in an image viewer."""

import numpy as np
from glue.core.exceptions import IncompatibleAttribute
from glue.viewers.matplotlib.state import DeferredDrawCallbackProperty as Drawn
from glue.viewers.matplotlib.state import DeferredDrawSelectionCallbackProperty as DrawnChoice
from glue.viewers.matplotlib.state import MatplotlibLayerState

from appulse.overlays import (
    DAY_S,
    GAP,
    PlaceMark,
    choose_step_s,
    in_opening,
    opened,
    runs,
    tick_label,
    track_scene,
    whole_steps,
)
from glue_appulse.layers.board import SkyGraphic, joined, stroke
from glue_appulse.layers.sky_layer import SkyLayerArtist, exported
from glue_appulse.layers.track_model import TrackModel

SYMBOL_PX = 10.0
"""Unit of the symbols on a screen, display pixels."""
TICK_SPACING_PX = 70.0
TICK_LETTERS = 0.85
"""Size of a tick's words in that of a scene's letters."""
TICK_STEPS = (0, 1, 5, 10, 15, 30, 60, 120, 180, 360, 720, 1440)
"""Steps offered, minutes; 0: automatic."""
TRACK_LOOK = (
    "color", "alpha", "width", "tick_step", "show_ticks", "show_labels", "show_name", "show_places",
    "show_ellipse", "ellipse_sigma", "show_direction", "label_size",
)  # fmt: skip
STRETCH_LOOK = ("color", "alpha", "width")


def step_words(step_min):
    """Words for a tick step.

    Examples
    --------
    >>> [step_words(minutes) for minutes in (0, 30, 120, 1440)]
    ['automatic', '30 min', '2 h', '1 d']
    """
    if step_min == 0:
        return "automatic"
    for unit, minutes in (("d", 1440), ("h", 60)):
        if step_min % minutes == 0:
            return f"{step_min // minutes:g} {unit}"
    return f"{step_min:g} min"


class TrackLayerState(MatplotlibLayerState):
    """Look of a track."""

    width = Drawn(1.6, docstring="Width of the line, points")
    tick_step = DrawnChoice(docstring="Time between ticks, minutes; 0: automatic")
    show_ticks = Drawn(True, docstring="Whether ticks stand on the line")
    show_labels = Drawn(True, docstring="Whether ticks carry their time")
    show_name = Drawn(True, docstring="Whether the body's name stands by its place")
    show_places = Drawn(True, docstring="Whether the place at mid-exposure is marked")
    show_ellipse = Drawn(True, docstring="Whether the uncertainty ellipse is drawn")
    ellipse_sigma = Drawn(3.0, docstring="Size of the ellipse, in standard deviations")
    show_direction = Drawn(True, docstring="Whether an arrow shows the direction of motion")
    label_size = Drawn(9.0, docstring="Size of the words, points")

    def __init__(self, viewer_state=None, **kwargs):
        TrackLayerState.tick_step.set_choices(self, list(TICK_STEPS))
        TrackLayerState.tick_step.set_display_func(self, step_words)
        super().__init__(viewer_state=viewer_state, **kwargs)


class TrackSubsetLayerState(MatplotlibLayerState):
    """Look of a selected stretch of a track."""

    width = Drawn(5.0, docstring="Width of the stretch, points")


class TrackGraphic(SkyGraphic):
    """Artist of a track on a reference image.

    `look` has the attributes of :class:`TrackLayerState`; `shown` gives the keys of the frames whose places
    are marked, None marks all; `swapped` where the image is shown with rows across.
    """

    def __init__(self, model, projector, look, *, swapped=False, shown=None):
        super().__init__()
        self.model, self.look, self.shown = model, look, shown
        self.set_projector(projector, swapped)

    def set_projector(self, projector, swapped=False):
        """Change the reference image."""
        self.projector, self.swapped = projector, swapped
        self.vertices = self._pixels(self.model.ra, self.model.dec)
        self._ticks = {}
        self._marks = [(place.frame, *self._place_pixels(place)) for place in self.model.places]

    def _pixels(self, ra, dec):
        x, y = self.projector.to_pixel(ra, dec)
        return np.column_stack([y, x] if self.swapped else [x, y])

    def _place_pixels(self, place):
        """Centre, trail ends and unit ellipse (offsets) of a place, pixels of the reference image."""
        centre = self._pixels(place.ra, place.dec)[0]
        trail = self._pixels(*self.model.at([place.start_mjd, place.end_mjd]))
        ellipse = place.ellipse()
        if len(ellipse) and np.isfinite(centre).all():
            x, y = centre[::-1] if self.swapped else centre
            ellipse = np.linalg.solve(self.projector.jacobian(x, y), ellipse.T).T
        return centre, trail, ellipse[:, ::-1] if self.swapped else ellipse

    def _tick_table(self, step_s):
        """Days and seconds of the ticks of a step, their places, and places a little before and after."""
        if step_s not in self._ticks:
            first, last = self.model.mjd[0], self.model.mjd[-1]
            seconds = whole_steps(first * DAY_S, last * DAY_S, step_s)
            times, half = seconds / DAY_S, 0.5 * (self.model.mjd[1] - first)
            moments = (times, np.clip(times - half, first, last), np.clip(times + half, first, last))
            # a step is asked for again at every drawing of the same zoom
            self._ticks[step_s] = seconds, *(self._pixels(*self.model.at(moment)) for moment in moments)
        return self._ticks[step_s]

    def stamp(self):
        return None if self.shown is None else self.shown()

    def paint(self, renderer, view):
        look, line = self.look, view.transform(self.vertices)
        seen = _seen(line, view.window)
        moves = self.model.curve is not None
        scene = track_scene(
            # what is out of sight is cut off: the rest is quicker to cut
            np.where(seen[:, None], line, np.nan),
            self._ticks_in(line, seen, view) if look.show_ticks and moves and seen.sum() > 1 else [],
            self._marks_in(view, look.ellipse_sigma if look.show_ellipse else 0.0),
            window=view.window, colour=look.color, size=SYMBOL_PX * view.fine, width=look.width,
            name=self.model.name if look.show_name else "", bars=look.show_places,
            arrow=look.show_direction and moves, letters=look.label_size / TICK_LETTERS,
        )  # fmt: skip
        return self.paint_scene(renderer, view, scene, look.alpha)

    def _marks_in(self, view, n_sigma=0.0):
        """Places in the window whose frames are shown, with ellipses of so many sigma."""
        x0, y0, x1, y1 = view.window
        found, shown = [], self.stamp()
        for frame, centre, trail, ellipse in self._marks:
            if not np.isfinite(centre).all() or not (shown is None or frame in shown):
                continue
            at = view.transform(centre)
            if x0 <= at[0] <= x1 and y0 <= at[1] <= y1:
                # where the table does not reach as far as the exposure, there is no trail
                ends = view.transform(trail) if np.isfinite(trail).all() else np.array([at, at])
                outer = view.transform(centre + ellipse * n_sigma) if n_sigma and len(ellipse) else ()
                found.append(PlaceMark(at, ends, np.reshape(outer, (-1, 2))))
        return found

    def _ticks_in(self, line, seen, view):
        """Ticks in the window, each with the direction across the line on the screen."""
        look = self.look
        length, span_h = np.hypot(*np.diff(line[seen], axis=0).T).sum(), np.ptp(self.model.mjd[seen]) * 24.0
        # the track may leave the window and come back: its speed is that of what is seen
        step_s = look.tick_step * 60 or choose_step_s(
            length / max(span_h, 1e-9), TICK_SPACING_PX * view.fine, span_h
        )
        seconds, pixels, before, after = self._tick_table(step_s)
        at, window = view.transform(pixels), view.window
        keep = np.isfinite(at).all(1) & (at >= window[:2]).all(1) & (at <= window[2:]).all(1)
        across = _across(view.transform(before[keep]), view.transform(after[keep]))
        days, of_day = np.divmod(seconds[keep], DAY_S)
        words = [
            tick_label(day, second, step_s) if look.show_labels else ""
            for day, second in zip(days, of_day, strict=True)
        ]
        return list(zip(at[keep], across, words, strict=True))


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


def _across(before, after):
    """Unit vectors across the line on the screen, pointing up rather than down."""
    along = after - before
    along /= np.maximum(np.hypot(*along.T), 1e-9)[:, None]
    across = np.column_stack([-along[:, 1], along[:, 0]])
    return np.where(across[:, 1:] < 0, -across, across)


class StretchGraphic(TrackGraphic):
    """Selected rows of a track: joined where they follow each other, dots where they stand alone."""

    def __init__(self, *args, **options):
        self.chosen = np.empty(0, bool)
        super().__init__(*args, **options)

    def paint(self, renderer, view):
        look, line = self.look, view.transform(self.vertices)
        good = np.isfinite(line).all(1)
        good[: len(self.chosen)] &= self.chosen
        good[len(self.chosen) :] = False
        marks, gap = self._marks_in(view), GAP * SYMBOL_PX * view.fine
        lines = opened(np.where(good[:, None], line, np.nan), marks, gap)
        lone = [part.start for part in runs(good) if part.stop - part.start == 1]
        # a line of no length is drawn as a dot by its round ends
        lines += [np.repeat(line[i : i + 1], 2, axis=0) for i in lone if not in_opening(line[i], marks, gap)]
        stroke(renderer, view.clip, *joined(lines), color=look.color, width=look.width, alpha=look.alpha)
        return (), ()


class _MarkedTrackArtist(SkyLayerArtist):
    """What a track and a stretch of one share: the frames whose places are marked."""

    def frame_keys(self):
        """Keys of the frames whose places are marked now."""
        return [place.frame for place in self.graphic.model.places if place.frame in self.shown()]


class TrackLayerArtist(_MarkedTrackArtist):
    """A track in an image viewer."""

    _layer_state_cls = TrackLayerState
    _python_exporter = exported("draw_track", TRACK_LOOK)

    def make_graphic(self, projector, swapped):
        model = TrackModel.from_data(self.layer)
        return TrackGraphic(model, projector, self.state, swapped=swapped, shown=self.shown)


class TrackSubsetArtist(_MarkedTrackArtist):
    """A subset of a track in an image viewer."""

    _layer_state_cls = TrackSubsetLayerState
    _python_exporter = exported("draw_stretch", STRETCH_LOOK)

    def make_graphic(self, projector, swapped):
        model = TrackModel.from_data(self.layer.data)
        return StretchGraphic(model, projector, self.state, swapped=swapped, shown=self.shown)

    def refresh(self):
        try:
            self.graphic.chosen = np.asarray(self.layer.to_mask(), bool)
        except IncompatibleAttribute:
            # a selection made in a picture knows nothing of this table until the two are linked
            self.graphic.chosen = np.empty(0, bool)
            self.disable_incompatible_subset()
