"""Charts of the night sheet: altitude through the night, the path over the site, the field on the sky.

Lines differ by width and dashes as well as by colour, so that a grey print can be read.
"""

from __future__ import annotations

import datetime
import zoneinfo

import numpy as np
from astropy.time import TimeDelta
from matplotlib.patheffects import withStroke

from appulse.encounters import airmass, horizon_altitude, offset_words, outline_shape, plane
from appulse.formats import window_shape
from appulse.numerics import unit_from_radec
from appulse.observers import quiet_erfa
from appulse.reports.residual_plots import BODY_COLOURS, FAINT, INK, new_figure, own_figure

BODY, SENSOR, SUN, MOON = (BODY_COLOURS[i] for i in (0, 1, 1, 4))
SHADE = "#dfe6ee"
LEAST_CLOSE_UP_ARCMIN = 0.2
HALO = (withStroke(linewidth=2.5, foreground="white"),)


def draw_field(figure, plan):
    """Two charts of the planned field on a Figure or SubFigure, north up."""
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
    # a slow body would be enlarged without end
    half = max(LEAST_CLOSE_UP_ARCMIN, 0.65 * float(np.ptp(track, axis=0).max()))
    centre = (track.min(axis=0) + track.max(axis=0)) / 2
    _times_of_track(close, plan, track)
    close.set(xlim=(centre[0] - half, centre[0] + half), ylim=(centre[1] - half, centre[1] + half))
    close.set_title("the track enlarged, UTC", fontsize=9.5)
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


GROUND = "#c9c2b4"
TOPS_DEG = (30, 45, 60, 90)
AIRMASSES = (1.0, 1.2, 1.5, 2.0, 3.0, 5.0, 10.0)
LEAST_SPAN_DEG, AROUND_DEG = 90.0, 15.0


def altitude_figure(night):
    """Altitude of body, Moon and Sun against UTC and local time, with twilight and the best interval."""
    return own_figure(draw_altitude, (8.0, 3.8), night)


def window_figure(night):
    """Azimuth against altitude of the body, with horizon and window; None when it never rises."""
    return own_figure(draw_path, (8.0, 3.4), night) if (night.altitude > 0).any() else None


def field_figure(plan):
    """The field on the sky: sensor, outline and track, north up; beside it the track enlarged."""
    return own_figure(draw_field, (8.0, 4.2), plan)


def charts_page(plan):
    """All charts of a plan on one page of paper, A4 upright."""
    figure = new_figure(8.27, 11.69)
    # empty parts all around: printers leave the edge of the paper white
    parts = figure.subfigures(
        5, 3, height_ratios=(0.4, 3.6, 3.2, 4.0, 0.4), width_ratios=(0.5, 7.2, 0.5), hspace=0.04
    )[1:4, 1]
    draw_altitude(parts[0], plan.night)
    draw_path(parts[1], plan.night)
    draw_field(parts[2], plan)
    return figure


def draw_altitude(figure, night):
    """The chart of :func:`altitude_figure` on a Figure or SubFigure."""
    axes, hours = figure.add_subplot(), _hours(night)
    # from dusk to dawn with a margin: the day has nothing to show
    shown = night.sun_altitude < 5
    if not shown.any():
        shown = np.ones(len(hours), dtype=bool)
    first, last = hours[shown][0], hours[shown][-1]
    top = _top(night.altitude[shown].max())
    axes.fill_between(
        hours, 0, top, where=night.dark & shown, color=SHADE, linewidth=0,
        label=f"Sun below {night.site.twilight:g}\u00b0".replace("-", "\u2212"),
    )  # fmt: skip
    axes.plot(hours, night.altitude, color=BODY, linewidth=2.4, label="body")
    axes.plot(hours, night.moon_altitude, color=MOON, linewidth=1.4, linestyle="--", label="Moon")
    axes.plot(hours, night.sun_altitude, color=SUN, linewidth=1.4, linestyle=":", label="Sun")
    lowest = horizon_altitude(night.site.horizon, night.azimuth, night.site.lowest)
    axes.plot(hours, lowest, color=FAINT, linewidth=1.0, label="lowest useful")
    if night.interval is not None:
        begin, end = (_hour(night, moment) for moment in night.interval)
        axes.axvspan(begin, end, ymin=0.0, ymax=0.035, color=BODY, linewidth=0)
        axes.annotate(
            "best interval", ((begin + end) / 2, 0.05 * top), ha="center", color=BODY, fontsize=9,
            path_effects=HALO,
        )  # fmt: skip
    axes.set(xlim=(first, last), ylim=(0, top), ylabel="altitude, degrees")
    axes.set_xlabel(f"UTC, hours of the night of {night.evening:%Y-%m-%d} at {night.site.name}")
    _hour_ticks(axes, night, first, last)
    _airmass_axis(axes, top)
    figure.legend(loc="outside upper center", fontsize=8.5, frameon=False, ncols=6)


def _top(altitude):
    """Where a chart of altitudes ends: low bodies get a low chart."""
    return next((top for top in TOPS_DEG if altitude <= top - 4), TOPS_DEG[-1])


def _hour_ticks(axes, night, first, last):
    """Whole hours of UTC below, of the site's zone above."""
    step = 1 if last - first < 14 else 2
    ticks = np.arange(np.ceil(first), np.floor(last) + 1, step)
    axes.set_xticks(ticks, [f"{int(t) % 24:02d}" for t in ticks])
    zone = zoneinfo.ZoneInfo(night.site.time_zone)
    moment = _at_hour(night, (first + last) / 2).to_datetime(timezone=datetime.UTC).astimezone(zone)
    ahead = moment.utcoffset().total_seconds() / 3600
    # local time is UTC: one axis is enough
    if ahead == 0:
        return
    local = np.arange(np.ceil(first + ahead), np.floor(last + ahead) + 1, step)
    above = axes.secondary_xaxis("top")
    above.set_xticks(local - ahead, [f"{int(t) % 24:02d}" for t in local])
    above.set_xlabel(f"local time, {offset_words(moment)}")


def _airmass_axis(axes, top):
    altitude = np.arange(1.0, 90.01, 0.05)
    # airmass falls with altitude; interpolation wants rising abscissae
    places = np.interp(AIRMASSES, airmass(altitude)[::-1], altitude[::-1])
    wanted = places <= top
    axis = axes.secondary_yaxis("right")
    axis.set_yticks(places[wanted], [f"{a:g}" for a, w in zip(AIRMASSES, wanted, strict=True) if w])
    axis.set_ylabel("airmass")


def draw_path(figure, night):
    """The chart of :func:`window_figure` on a Figure or SubFigure."""
    up = night.altitude > 0
    axes = figure.add_subplot()
    middle = _middle_azimuth(night.azimuth[up]) if up.any() else 180.0
    azimuth = (night.azimuth - middle + 180) % 360 + middle - 180
    window = None if night.site.window is None else np.array(window_shape(night.site.window).exterior.coords)
    if window is not None:
        # windows across north are given on either branch of the azimuth
        window[:, 0] += 360 * np.round((middle - window[:, 0].mean()) / 360)
    west, east, top = _limits(azimuth[up], night.altitude[up], window, middle)
    span = np.linspace(west, east, 361)
    ground = horizon_altitude(night.site.horizon, span, night.site.lowest)
    axes.fill_between(span, 0, ground, color=GROUND, linewidth=0, label="too low or hidden")
    if window is not None:
        axes.fill(*window.T, facecolor=SHADE, edgecolor=INK, linewidth=1.0, label="window")
    # a body that crosses the zenith jumps in azimuth: no line joins the ends
    path = np.where(np.abs(np.diff(azimuth, prepend=azimuth[0])) > 180, np.nan, azimuth)
    for chosen, style in (
        (up, {"color": FAINT, "linewidth": 1.0}),
        (night.usable, {"color": BODY, "linewidth": 1.5}),
        (night.chosen, {"color": BODY, "linewidth": 3.2, "label": "best interval"}),
    ):
        if chosen.any():
            axes.plot(np.where(chosen, path, np.nan), np.where(chosen, night.altitude, np.nan), **style)
    _mark_hours(axes, night, azimuth, up)
    axes.set(xlim=(west, east), ylim=(0, top), ylabel="altitude, degrees", xlabel="azimuth")
    ticks = np.arange(np.ceil(west / 45) * 45, east + 1, 45)
    names = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")
    axes.set_xticks(ticks, [f"{names[round(t / 45) % 8]}\n{round(t) % 360}\u00b0" for t in ticks])
    figure.legend(loc="outside upper center", fontsize=8.5, frameon=False, ncols=4)


def _limits(azimuth, altitude, window, middle):
    """West, east and top of the chart: path and window with some sky around."""
    corners = np.empty((0, 2)) if window is None else window
    across = np.r_[azimuth, corners[:, 0]] if len(azimuth) or len(corners) else np.array([middle])
    west, east = across.min() - AROUND_DEG, across.max() + AROUND_DEG
    # a path of a few degrees would fill the whole chart
    short = max(0.0, LEAST_SPAN_DEG - (east - west)) / 2
    west, east = max(west - short, middle - 180), min(east + short, middle + 180)
    return west, east, _top(max([*altitude, *corners[:, 1]], default=30))


def _hours(night):
    return (night.times - night.times[0]).to_value("hour") + _start_hour(night)


def _start_hour(night):
    start = night.times[0].ymdhms
    return float(start["hour"] + start["minute"] / 60 + start["second"] / 3600)


def _hour(night, moment):
    return (moment - night.times[0]).to_value("hour") + _start_hour(night)


def _at_hour(night, hour):
    return night.times[0] + TimeDelta((hour - _start_hour(night)) * 3600.0, format="sec")


def _middle_azimuth(azimuth):
    # azimuths either side of north have no mean but that of their directions
    angle = np.radians(azimuth)
    middle = np.degrees(np.arctan2(np.sin(angle).mean(), np.cos(angle).mean())) % 360
    return float(np.round(middle / 90) * 90)


def _mark_hours(axes, night, azimuth, up):
    """A tick with its hour along the usable path, or the whole path where none is usable."""
    wanted = night.usable if night.usable.any() else up
    hours = _hours(night)
    step = 1 if wanted.sum() < 90 else 2
    for hour in np.arange(np.ceil(hours[0]), hours[-1], step):
        i = int(np.argmin(np.abs(hours - hour)))
        if wanted[i]:
            axes.plot(azimuth[i], night.altitude[i], "o", color=INK, markersize=4)
            # beside a steep path, above a flat one: never on the line
            before, after = max(i - 1, 0), min(i + 1, len(hours) - 1)
            climb, turn = night.altitude[after] - night.altitude[before], azimuth[after] - azimuth[before]
            steep, inward = abs(climb) > abs(turn), 1 if climb > 0 else -1
            axes.annotate(
                f"{int(hour) % 24:02d}h", (azimuth[i], night.altitude[i]), fontsize=8.5,
                xytext=(8 * inward, 0) if steep else (0, 9), textcoords="offset points", path_effects=HALO,
                ha=("left" if inward > 0 else "right") if steep else "center",
                va="center" if steep else "baseline",
            )  # fmt: skip
