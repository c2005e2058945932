"""Charts of the night sheet: altitude through the night, the path over the site, the field."""

from __future__ import annotations

import numpy as np

from appulse.encounters.mask import horizon_altitude
from appulse.encounters.outline_pass import outline_shape, plane
from appulse.reports.plots import BODY_COLOURS, FAINT, INK, _figure

BODY, MOON, SUN = BODY_COLOURS[0], BODY_COLOURS[4], BODY_COLOURS[1]
SHADE = "#dfe6ee"


def altitude_figure(night):
    """Altitude of body, Moon and Sun against UTC, with twilight and the best interval.

    Parameters
    ----------
    night : Night

    Returns
    -------
    Figure
    """
    figure = _figure(8.0, 3.6)
    axes = figure.add_subplot()
    hours = _hours(night)
    shown = night.sun_altitude < 5
    if not shown.any():
        shown = np.ones(len(hours), dtype=bool)
    first, last = hours[shown][0], hours[shown][-1]
    dark = night.dark & shown
    axes.fill_between(hours, 0, 90, where=dark, color=SHADE, linewidth=0, label="dark enough")
    axes.plot(hours, night.altitude, color=BODY, linewidth=2.2, label="body")
    axes.plot(hours, night.moon_altitude, color=MOON, linewidth=1.2, linestyle="--", label="Moon")
    axes.plot(hours, night.sun_altitude, color=SUN, linewidth=1.2, linestyle=":", label="Sun")
    lowest = horizon_altitude(night.site.horizon, night.azimuth, night.site.lowest)
    axes.plot(hours, lowest, color=FAINT, linewidth=1.0, label="horizon there")
    if night.interval is not None:
        begin, end = (_hour(night, moment) for moment in night.interval)
        axes.axvspan(begin, end, ymin=0.0, ymax=0.035, color=BODY, linewidth=0)
        axes.annotate("best interval", ((begin + end) / 2, 4.5), ha="center", color=BODY, fontsize=9)
    axes.set(xlim=(first, last), ylim=(0, 90), ylabel="altitude, degrees")
    ticks = np.arange(np.ceil(first), np.floor(last) + 1, 1 if last - first < 14 else 2)
    axes.set_xticks(ticks, [f"{int(t) % 24:02d}" for t in ticks])
    axes.set_xlabel(f"UTC, hours of the night of {night.evening:%Y-%m-%d}")
    airmass_axis = axes.secondary_yaxis("right")
    airmass_axis.set_yticks([30, 19.3, 11.3, 41.8, 90], ["2", "3", "5", "1.5", "1"])
    airmass_axis.set_ylabel("airmass")
    axes.legend(loc="upper left", fontsize=8.5, frameon=True, framealpha=0.9, ncols=2)
    return figure


def window_figure(night):
    """Path of the body over the site: azimuth against altitude, with horizon and window.

    Parameters
    ----------
    night : Night

    Returns
    -------
    Figure or None
        None when the body never rises.
    """
    up = night.altitude > 0
    if not up.any():
        return None
    figure = _figure(8.0, 3.4)
    axes = figure.add_subplot()
    middle = _middle_azimuth(night.azimuth[up])
    azimuth = (night.azimuth - middle + 180) % 360 + middle - 180
    span = np.linspace(middle - 180, middle + 180, 361)
    axes.fill_between(
        span, 0, horizon_altitude(night.site.horizon, span, night.site.lowest), color="#c9c2b4", linewidth=0
    )
    if night.site.window is not None:
        corners = np.array(night.site.window, dtype=float)
        az = np.unwrap(corners[:, 0], period=360)
        az += 360 * np.round((middle - az.mean()) / 360)
        axes.fill(az, corners[:, 1], facecolor=SHADE, edgecolor=INK, linewidth=1.0, label="window")
    order = np.where(np.abs(np.diff(azimuth, prepend=azimuth[0])) > 180, np.nan, azimuth)
    axes.plot(order, np.where(up, night.altitude, np.nan), color=FAINT, linewidth=1.0)
    good = night.usable
    axes.plot(
        np.where(good, order, np.nan), np.where(good, night.altitude, np.nan), color=BODY, linewidth=3.0,
        label="usable",
    )  # fmt: skip
    _mark_hours(axes, night, azimuth, up)
    axes.set(xlim=(middle - 180, middle + 180), ylim=(0, 90), ylabel="altitude, degrees")
    ticks = np.arange(np.ceil((middle - 180) / 45) * 45, middle + 181, 45)
    names = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")
    axes.set_xticks(ticks, [names[round(t / 45) % 8] for t in ticks])
    axes.set_xlabel("azimuth")
    if axes.get_legend_handles_labels()[0]:
        axes.legend(loc="upper right", fontsize=8.5)
    return figure


def field_figure(plan):
    """The field on the sky: sensor, outline and track, north up.

    Parameters
    ----------
    plan : CapturePlan

    Returns
    -------
    Figure
    """
    figure = _figure(5.2, 4.6)
    axes = figure.add_subplot()
    target, framing = plan.encounter.target, plan.framing
    shape = outline_shape(target)
    if shape is not None:
        for piece in getattr(shape, "geoms", [shape]):
            axes.fill(*np.array(piece.exterior.coords).T, facecolor=SHADE, edgecolor=INK, linewidth=1.0)
    axes.plot(0, 0, "+", color=INK, markersize=9)
    axes.annotate(target.name, (0, 0), xytext=(6, -12), textcoords="offset points", fontsize=9)
    track = plane(_unit(*framing.track.T), target.ra, target.dec)
    axes.plot(*track.T, color=BODY, linewidth=2.2)
    axes.annotate(
        "", track[-1], xytext=track[-2], arrowprops={"arrowstyle": "-|>", "color": BODY, "mutation_scale": 16}
    )
    corners = _sensor(framing, target)
    axes.plot(*np.vstack([corners, corners[:1]]).T, color=SUN, linewidth=1.4)
    axes.annotate("sensor", corners[2], fontsize=9, color=SUN, xytext=(4, -12), textcoords="offset points")
    axes.set_aspect("equal")
    axes.invert_xaxis()
    axes.set(xlabel="east of the object's centre, arcmin", ylabel="north, arcmin")
    return figure


def _hours(night):
    return (night.times - night.times[0]).to_value("hour") + _start_hour(night)


def _start_hour(night):
    start = night.times[0].ymdhms
    return float(start["hour"] + start["minute"] / 60 + start["second"] / 3600)


def _hour(night, moment):
    return (moment - night.times[0]).to_value("hour") + _start_hour(night)


def _middle_azimuth(azimuth):
    angle = np.radians(azimuth)
    middle = np.degrees(np.arctan2(np.sin(angle).mean(), np.cos(angle).mean())) % 360
    return float(np.round(middle / 90) * 90)


def _mark_hours(axes, night, azimuth, up):
    """A tick with its hour along the usable path, or the whole path where none is usable."""
    wanted = night.usable if night.usable.any() else up
    hours = _hours(night)
    step = 1 if wanted.sum() < 60 else 2
    for hour in np.arange(np.ceil(hours[0]), hours[-1], step):
        i = int(np.argmin(np.abs(hours - hour)))
        if wanted[i]:
            axes.plot(azimuth[i], night.altitude[i], "o", color=INK, markersize=3.5)
            axes.annotate(
                f"{int(hour) % 24:02d}h", (azimuth[i], night.altitude[i]), fontsize=8, xytext=(3, 5),
                textcoords="offset points",
            )  # fmt: skip


def _unit(ra, dec):
    a, d = np.radians(ra), np.radians(dec)
    return np.stack([np.cos(d) * np.cos(a), np.cos(d) * np.sin(a), np.sin(d)], axis=-1)


def _sensor(framing, target):
    """Corners of the sensor on the object's plane, arcmin east and north."""
    centre = plane(_unit(np.array([framing.ra]), np.array([framing.dec])), target.ra, target.dec)[0]
    turn = np.radians(framing.rotation_deg)
    right, up = np.array([-np.cos(turn), np.sin(turn)]), np.array([np.sin(turn), np.cos(turn)])
    w, h = framing.width_arcmin / 2, framing.height_arcmin / 2
    signs = ((-1, -1), (1, -1), (1, 1), (-1, 1))
    return np.array([centre + sx * w * right + sy * h * up for sx, sy in signs])
