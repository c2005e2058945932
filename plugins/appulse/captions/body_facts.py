"""Facts of the body on that night: distance, brightness, motion, speed, size."""

from dataclasses import replace

import numpy as np
from astropy.time import Time, TimeDelta

from appulse.captions.facts import Fact
from appulse.captions.formulas import body_diameter, light_time_s, relative_speed_km_s
from appulse.captions.frame_facts import HEADERS
from appulse.constants import AU_KM
from appulse.errors import AppulseError, InputError
from appulse.numerics.spherical import separation_rad, unit_from_radec
from appulse.observers.site import Site
from appulse.observers.timescales import quiet_erfa
from appulse.overlays.columns import plain_column


def body_facts(frames, ephemeris, body, *, name=None, h=None, source="ephemeris of this run", **size) -> list:
    """The body that night.

    Parameters
    ----------
    frames : list of SolvedFrame
    ephemeris : NBodyEphemeris or alike
    body : str
    name : str, optional
        What people read.
    h : float, optional
        Absolute magnitude, for the size.
    source : str
        Of the orbit.
    **size
        `albedo, measured_km, measured_error_km, measured_source` of
        :func:`appulse.captions.formulas.body_diameter`.

    Returns
    -------
    list of Fact
    """
    mids = Time([frame.exposure.mid.utc.isot for frame in frames], scale="utc")
    middle = int(np.argsort(mids.jd)[len(mids) // 2])
    row = ephemeris.at(mids[[middle]], frames[0].observer, bodies=[body])
    names = ("delta", "r", "mag", "phase", "elongation", "rate")
    value = {column: plain_column(row, column)[0] for column in names}
    made = {"frame": frames[middle].name, "time": mids[middle].isot}
    orbit = orbit_words(plain_column(row, "sigma_major")[0])
    facts = [Fact("body", name or body, "", "designation", source)]

    def add(key, number, unit, formula, uncertainty=orbit):
        if np.isfinite(number):
            facts.append(
                Fact(key, float(number), unit, formula, source, inputs=made, uncertainty=uncertainty)
            )

    add("body_distance_km", value["delta"] * AU_KM, "km", "topocentric distance x astronomical unit")
    add("body_distance_au", value["delta"], "au", "topocentric distance")
    add("sun_distance_au", value["r"], "au", "heliocentric distance")
    add("body_mag", value["mag"], "mag", "H,G or total-magnitude law", "that of H and of the law; not stated")
    add("elongation", value["elongation"], "deg", "angle between body and Sun")
    add("motion_per_hour", value["rate"], "arcsec", "ephemeris rate, ICRF, per hour")
    facts.append(_renamed(light_time_s(float(value["delta"])), "body_light_time", source))
    facts += _motion_facts(frames, ephemeris, body, source)
    facts += _speed_fact(ephemeris, body, mids[middle], source)
    try:
        facts.append(body_diameter(h, **size))
    except InputError as error:
        if any(size.values()):
            raise
        del error  # neither H nor a measurement: no size is printed
    return facts


def orbit_words(sigma_arcsec) -> str:
    """What is known of the error of a figure that rests on the orbit.

    Examples
    --------
    >>> orbit_words(0.0213)
    'that of the orbit: on the sky 0.021\u2033 (1 sigma)'
    >>> orbit_words(float("nan"))
    'that of the orbit, which has no covariance'
    """
    if not np.isfinite(sigma_arcsec):
        return "that of the orbit, which has no covariance"
    return f"that of the orbit: on the sky {sigma_arcsec:.2g}\u2033 (1 sigma)"


def _renamed(fact, key, source):
    return replace(fact, key=key, source=f"{fact.source}; {source}")


def span(frames):
    """First opening and last closing of the shutter.

    Returns
    -------
    starts, ends : Time
        UTC.
    """
    starts = min(frames, key=lambda f: f.exposure.start.utc.jd).exposure.start.utc
    ends = max(frames, key=lambda f: f.exposure.end.utc.jd).exposure.end.utc
    return starts, ends


def _motion_facts(frames, ephemeris, body, source):
    starts, ends = span(frames)
    with quiet_erfa():
        times = starts + TimeDelta(np.linspace(0.0, (ends - starts).sec, 9), format="sec")
    rows = ephemeris.at(times, frames[0].observer, bodies=[body], uncertainty=False)
    places = unit_from_radec(plain_column(rows, "ra"), plain_column(rows, "dec"))
    arcmin = float(np.degrees(np.sum(separation_rad(places[:-1], places[1:]))) * 60)
    hours = float((ends - starts).sec / 3600.0)
    inputs = {"from": starts.isot, "to": ends.isot}
    return [
        Fact("motion", arcmin, "arcmin", "path on the sky from first to last light", source, inputs=inputs,
             uncertainty="that of the orbit"),
        Fact("motion_hours", hours, "hours", "last minus first light", HEADERS, inputs=inputs,
             uncertainty="that of the headers"),
    ]


def _speed_fact(ephemeris, body, time, source):
    centre = Site.geocentre()
    with quiet_erfa():
        times = time + TimeDelta(np.array([-1800.0, 0.0, 1800.0]), format="sec")
    try:
        rows = ephemeris.at(times, centre, bodies=[body], uncertainty=False)
    except AppulseError:
        return []  # a table of places holds for its own observer only
    delta, rate = plain_column(rows, "delta"), plain_column(rows, "rate")
    if not np.isfinite(delta).all():
        return []
    fact = relative_speed_km_s(float(delta[0]), float(delta[2]), float(delta[1]), float(rate[1]), 1.0)
    return [replace(fact, source=source)]
