"""The planned field on the sky: sensor, outline and track, and the track from nearby."""

from __future__ import annotations

import numpy as np
from astropy.time import TimeDelta
from matplotlib.patheffects import withStroke

from appulse.encounters.outline_pass import outline_shape, plane
from appulse.numerics.sphere import unit_from_radec
from appulse.observers.timescales import quiet_erfa
from appulse.reports.plots import BODY_COLOURS, INK

BODY, SENSOR = BODY_COLOURS[0], BODY_COLOURS[1]
SHADE = "#dfe6ee"
LEAST_CLOSE_UP_ARCMIN = 0.2
HALO = (withStroke(linewidth=2.5, foreground="white"),)


def draw_field(figure, plan):
    """Two charts on a Figure or SubFigure, north up.

    Parameters
    ----------
    figure : Figure or SubFigure
    plan : CapturePlan
    """
    wide, close = figure.subplots(1, 2)
    target, framing = plan.encounter.target, plan.framing
    track = plane(unit_from_radec(*framing.track.T), target.ra, target.dec)
    for axes in (wide, close):
        _outline(axes, target)
        axes.plot(*track.T, color=BODY, linewidth=2.6)
        axes.set_aspect("equal", adjustable="box")
    corners = _sensor(framing, target)
    wide.plot(*np.vstack([corners, corners[:1]]).T, color=SENSOR, linewidth=1.6)
    above = 0.92 * corners[2:].mean(axis=0) + 0.08 * corners[:2].mean(axis=0)
    wide.annotate("sensor, up", above, fontsize=9, color=SENSOR, ha="center", va="center", path_effects=HALO)
    wide.set_title(f"{framing.width_arcmin:.0f}' x {framing.height_arcmin:.0f}'", fontsize=9.5)
    half = max(LEAST_CLOSE_UP_ARCMIN, 0.65 * float(np.ptp(track, axis=0).max()))
    centre = (track.min(axis=0) + track.max(axis=0)) / 2
    _times_of_track(close, plan, track)
    close.set(xlim=(centre[0] - half, centre[0] + half), ylim=(centre[1] - half, centre[1] + half))
    close.set_title("the track from nearby, UTC", fontsize=9.5)
    box = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1], [-1, -1]]) * half + centre
    wide.plot(*box.T, color=INK, linewidth=0.8, linestyle="--")
    beside = {"xytext": (8, -14), "textcoords": "offset points"}
    wide.annotate(target.name, (0, 0), fontsize=9, path_effects=HALO, **beside)
    for axes in (wide, close):
        axes.invert_xaxis()
        axes.set(xlabel="east of the object's centre, arcmin", ylabel="north, arcmin")


def _outline(axes, target):
    shape = outline_shape(target)
    if shape is not None:
        for piece in getattr(shape, "geoms", [shape]):
            axes.fill(*np.array(piece.exterior.coords).T, facecolor=SHADE, edgecolor=INK, linewidth=1.0)
    axes.plot(0, 0, "+", color=INK, markersize=9)


@quiet_erfa()
def _times_of_track(axes, plan, track):
    """Begin, end and the whole hours between, beside the track; not so many that they touch."""
    total = (plan.end - plan.begin).sec
    share = np.linspace(0.0, 1.0, len(track))
    way = track[-1] - track[0]
    across = np.array([-way[1], way[0]]) / max(np.hypot(*way), 1e-9)
    across *= -1.0 if across[0] < 0 else 1.0  # the words stand to the left, where east is
    start = plan.begin.ymdhms
    first = 3600.0 - (start["minute"] * 60 + start["second"])
    whole = np.arange(first, total, 3600.0 * max(1, int(np.ceil(total / 3600 / 4))))
    near = 0.15 * total
    marks = [0.0, *(s for s in whole if near < s < total - near), total]
    for seconds in marks:
        x, y = (np.interp(seconds / total, share, track[:, i]) for i in (0, 1))
        axes.plot(x, y, "o", color=INK, markersize=4)
        moment = plan.begin + TimeDelta(seconds, format="sec")
        # the axis runs to the left, so that a shift to the east is one to the left on paper
        axes.annotate(
            moment.strftime("%H:%M"), (x, y), fontsize=8.5, xytext=(-18 * across[0], 18 * across[1]),
            textcoords="offset points", ha="center", va="center", path_effects=HALO,
        )  # fmt: skip
    axes.annotate(
        "", track[-1], xytext=track[-2], arrowprops={"arrowstyle": "-|>", "color": BODY, "mutation_scale": 18}
    )


def _sensor(framing, target):
    """Corners of the sensor on the object's plane, arcmin east and north."""
    centre = plane(unit_from_radec(np.array([framing.ra]), np.array([framing.dec])), target.ra, target.dec)[0]
    turn = np.radians(framing.rotation_deg)
    right, up = np.array([-np.cos(turn), np.sin(turn)]), np.array([np.sin(turn), np.cos(turn)])
    w, h = framing.width_arcmin / 2, framing.height_arcmin / 2
    signs = ((-1, -1), (1, -1), (1, 1), (-1, 1))
    return np.array([centre + sx * w * right + sy * h * up for sx, sy in signs])
