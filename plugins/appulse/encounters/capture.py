"""Where to point and how to turn the camera so that object and track are both in the field.

The figures of a capture plan, subject by subject, each with its formula's source.

The capture plan: framing, exposure, how many, against which sky; each figure with its formula's source.

::

    best interval of the night        --> altitude, airmass, sky brightness, field rotation
    instrument                        --> scale, field, electrons from body, object and sky
    motion, seeing, tracking, mount   --> longest exposure --> number, cadence, S/N, dots or a line
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from astropy.time import Time, TimeDelta

from appulse.constants import ARCSEC_PER_RAD
from appulse.encounters.atmosphere import parallactic_rate_arcsec_s, refraction_deg
from appulse.encounters.local_sky import SkyOver, angle_deg
from appulse.encounters.outline_pass import ARCMIN_PER_RAD, plane
from appulse.encounters.photon_rates import (
    electrons_per_s,
    longest_exposure_s,
    noise_pixels,
    peak_fraction,
    pixel_scale_arcsec,
    signal_to_noise,
    surface_brightness,
    trailing_loss_mag,
)
from appulse.encounters.ranking import best_index
from appulse.errors import InputError
from appulse.numerics.sphere import unit_from_radec
from appulse.observers.timescales import quiet_erfa

FULL_SHARE = 0.9
"""Share of the field that is used: the rest is margin for pointing errors (common practice, no source)."""

WHOLE = "the whole object and the whole track"
MIDDLE = "the object's centre and the whole track"
TRACK = "the track alone; the object is too far away for this field: plan a mosaic or a shorter focal length"
NOTHING = "not even the track, which is longer than the field: take fewer hours or a shorter focal length"


@dataclass(frozen=True)
class Framing:
    """A pointing.

    Attributes
    ----------
    ra, dec : float
        Centre, ICRF degrees.
    rotation_deg : float
        Position angle of the sensor's up side, east of north.
    width_arcmin, height_arcmin : float
        Field.
    track : (k, 2) array
        RA and Dec of the body over the interval, degrees.
    fits, object_fits : bool
        Track inside the field; whole object inside the field.
    words : str
    """

    ra: float
    dec: float
    rotation_deg: float
    width_arcmin: float
    height_arcmin: float
    track: np.ndarray
    fits: bool
    object_fits: bool
    words: str


def frame_field(one, interval, instrument, vector_au, site):
    """Choose centre and rotation.

    The camera's own rotation is kept where it is given; else north is up, or the longer side is laid along
    the line that holds most of object and track where only that fits. On an altazimuth mount the camera hangs
    from the zenith: its up side is that of the interval's middle, and only the circle that the turning field
    always covers counts. The centre is the middle of what must be seen; what does not fit gives way:
    first the object's rim, then its centre.

    Parameters
    ----------
    one : Pass
    interval : (Time, Time)
    instrument : InstrumentSettings
    vector_au : callable
    site : Site

    Returns
    -------
    Framing
    """
    begin, end = interval
    times = begin + TimeDelta(np.linspace(0, (end - begin).sec, 25), format="sec")
    vector = vector_au(times) - site.posvel_au(Time(times))[0]
    unit = vector / np.linalg.norm(vector, axis=1, keepdims=True)
    target = one.target
    track = plane(unit, target.ra, target.dec)
    scale = float(pixel_scale_arcsec(instrument.pixel_um, instrument.focal_length_mm))
    width, height = (scale * n / 60 for n in instrument.sensor_px)
    semi = (target.major_arcmin or 0.0) / 2
    room, rotations = (width, height), (instrument.rotation_deg,)
    if instrument.mount == "altazimuth":
        zenith = float(SkyOver(site, times).zenith_pa(unit)[len(times) // 2])
        room, rotations = (min(width, height),) * 2, (zenith + (instrument.rotation_deg or 0.0),)
    elif instrument.rotation_deg is None:
        rotations = 0.0, _best_rotation(track, semi, *room)
    wishes = {
        WHOLE if semi else MIDDLE: np.vstack([track, _circle(semi)]),
        f"{MIDDLE}; the object is larger than the field": np.vstack([track, [[0.0, 0.0]]]),
        TRACK: track,
    }
    words, rotation, centre = _first_that_fits(wishes, rotations, room)
    ra, dec = _sky(centre, target.ra, target.dec)
    whole = words in (WHOLE, MIDDLE)
    fits = words != NOTHING
    return Framing(ra, dec, rotation % 360.0, width, height, _radec(unit), fits, whole, words)


def _first_that_fits(wishes, rotations, room):
    """The most that the field holds: words, rotation and centre; the track's middle where nothing fits."""
    for words, points in wishes.items():
        for rotation in rotations:
            centre, fits = _centre(points, rotation, *room)
            if fits:
                return words, rotation, centre
    return NOTHING, rotations[-1], _centre(wishes[TRACK], rotations[-1], *room)[0]


def _best_rotation(track, semi, width, height):
    """Position angle of 'up' that lays the longer side along the spread of object and track."""
    points = np.vstack([track, _circle(semi)])
    centred = points - points.mean(axis=0)
    _, _, axes = np.linalg.svd(centred, full_matrices=False)
    pa = np.degrees(np.arctan2(axes[0, 0], axes[0, 1]))
    return float((pa if height >= width else pa + 90.0) % 180.0)


def _circle(semi):
    angle = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    return semi * np.stack([np.sin(angle), np.cos(angle)], axis=1)


def _centre(points, rotation, width, height):
    """Middle of the rectangle around the points in the camera's axes; whether it fits."""
    turn = np.radians(rotation)
    right = np.array([-np.cos(turn), np.sin(turn)])  # east is left of north on the sky
    up = np.array([np.sin(turn), np.cos(turn)])
    across, along = points @ right, points @ up
    middle = (across.min() + across.max()) / 2 * right + (along.min() + along.max()) / 2 * up
    inside = np.ptp(across) <= FULL_SHARE * width and np.ptp(along) <= FULL_SHARE * height
    return middle, bool(inside)


def _sky(point, ra, dec):
    """Inverse of the gnomonic projection, degrees."""
    xi, eta = point / ARCMIN_PER_RAD
    a = np.radians(ra)
    east = np.array([-np.sin(a), np.cos(a), 0.0])
    centre = unit_from_radec(ra, dec)
    vector = centre + xi * east + eta * np.cross(centre, east)
    x, y, z = vector / np.linalg.norm(vector)
    return float(np.degrees(np.arctan2(y, x)) % 360), float(np.degrees(np.arcsin(z)))


def _radec(unit):
    ra = np.degrees(np.arctan2(unit[:, 1], unit[:, 0])) % 360
    return np.stack([ra, np.degrees(np.arcsin(unit[:, 2]))], axis=1)


LUMINANCE_SHARE = 2 / 3
"""Share of the time that goes into luminance when a colour base is wanted: common practice, no source."""

BYTES_PER_PIXEL = 2
SMALLEST_TOLD = 0.001
LONGEST_TRAIL_ARCSEC = 36_000.0
MOTION_STEPS = 12
SATURATION_SHARE = 0.7
"""Share of the full well that is filled at most; the seeing may be better: common practice, no source."""

TWILIGHT_SEEN_DEG = -15.0
"""Sun's altitude above which twilight is worth a word; the sky's brightness is told without it."""

TRAIL_IN_FWHM = 1.0
"""A trail may grow to the seeing: common practice, no source."""


@dataclass(frozen=True)
class Figure:
    """One number of a plan."""

    key: str
    label: str
    value: float | str
    unit: str
    source: str

    def __str__(self):
        if isinstance(self.value, str):
            return self.value
        if 0 < abs(self.value) < SMALLEST_TOLD:
            return f"below {SMALLEST_TOLD:g} {self.unit}".strip()
        text = f"{self.value:.0f}" if abs(self.value) >= 1000 else f"{self.value:.3g}"
        return f"{text} {self.unit}".strip()


class FigureMaker:
    """Gathers the figures of a plan; every method adds those of one subject."""

    def __init__(self, one, night, instrument, vector_au, binning):
        self.one, self.night, self.instrument = one, night, instrument
        self.rate, self.fastest, self.motion_pa = _motion(night, vector_au)
        self.at = best_index(night)
        pixel_um = instrument.pixel_um * binning
        self.scale = float(pixel_scale_arcsec(pixel_um, instrument.focal_length_mm))
        air = float(night.air[self.at])
        # Kolmogorov seeing grows with airmass^0.6
        self.fwhm = night.site.seeing * air**0.6
        self.figures, self.warnings = {}, []
        self.add("scale", "pixel scale", self.scale, "arcsec/px", "206.265 p / f (geometry)")
        self.add(
            "altitude", "greatest altitude", night.altitude[self.at], "deg", "N-body place, IERS rotation"
        )
        self.add("airmass", "airmass there", air, "", "Kasten & Young 1989, eq. 3")
        refraction = float(refraction_deg(night.altitude[self.at])) * 60
        self.add("refraction", "refraction there", refraction, "arcmin", "Saemundsson 1986")
        self.add("sky", "sky at the body", night.sky[self.at], "mag/arcsec2", "Krisciunas & Schaefer 1991")
        self.add("seeing", "seeing there", self.fwhm, "arcsec", "site's seeing x airmass^0.6 (Kolmogorov)")
        self.add("moon", "Moon lit", night.moon_illumination * 100, "%", "JPL DE440")
        self.add("moon_altitude", "Moon's altitude", night.moon_altitude[self.at], "deg", "JPL DE440")
        self.add("moon_distance", "Moon away", night.moon_separation[self.at], "deg", "JPL DE440")
        self.add("mag", "body's magnitude", _magnitude(one), "", "H, G or comet's law at the pass")
        if not np.isfinite(one.mag):
            self.warnings.append(
                "the body's brightness is not known: no S/N is told, and it may saturate sooner than the sky"
            )
        sun = float(night.sun_altitude[night.chosen].max())
        if sun > TWILIGHT_SEEN_DEG:
            self.warnings.append(
                f"the Sun comes up to {sun:.0f} degrees in the interval: its twilight is not in the figures"
            )
        if night.altitude[self.at] < 15:
            self.warnings.append("the body stays below 15 degrees: expect poor seeing and colour fringes")

    def add(self, key, label, value, unit, source):
        """Keep one figure."""
        value = value if isinstance(value, str) else float(value)
        self.figures[key] = Figure(key, label, value, unit, source)

    def exposure(self, trail_arcsec):
        """Longest exposure that trail, tracking and field rotation allow, seconds."""
        limit = self.fwhm * TRAIL_IN_FWHM if trail_arcsec is None else float(trail_arcsec)
        if not 0 < limit < LONGEST_TRAIL_ARCSEC:
            most = f"above 0 and below {LONGEST_TRAIL_ARCSEC:g} is needed"
            raise InputError(f"a trail of {trail_arcsec} arcsec: {most}")
        by_trail = float(longest_exposure_s(self.fastest, limit))
        self.add(
            "trail_limit", "longest exposure by trailing", by_trail, "s", "trail / motion (common practice)"
        )
        limits = {"trailing": by_trail, "tracking": self.instrument.tracking_limit_s}
        if self.instrument.mount == "altazimuth":
            limits["field rotation"] = self._rotation_limit()
        full = self._saturation_limit()
        what = "body saturates after" if np.isfinite(self.one.mag) else "sky saturates after"
        self.add("saturation_limit", what, full, "s", "full well / brightest pixel's light")
        limits["saturation"] = SATURATION_SHARE * full
        reason = min(limits, key=limits.get)
        exposure = _rounded_down(limits[reason])
        share = f" ({SATURATION_SHARE:.0%} of it)" if reason == "saturation" else ""
        self.add("exposure", "exposure", exposure, "s", f"the least of the limits{share}: {reason}")
        if reason == "saturation" and exposure < 0.01:
            self.warnings.append("the body saturates at once: use a filter, a smaller aperture or defocus")
        return exposure

    def _rotation_limit(self):
        """Seconds until the field's corners have turned by one pixel, at the interval's median rate.

        Near the zenith the rate runs away for some minutes; those frames are cropped or left out rather than
        the whole night cut to their exposure.
        """
        latitude = self.night.site.place.geodetic[1]
        chosen = self.night.chosen
        azimuth, altitude = self.night.azimuth[chosen], self.night.altitude[chosen]
        rates = np.abs(parallactic_rate_arcsec_s(latitude, azimuth, altitude))
        rate = float(np.median(rates))
        source = "15.04107 cos(lat) cos(Az) / cos(alt)"
        self.add("field_rotation", "field turns by (median)", rate, "arcsec/s", source)
        self.add("field_rotation_worst", "field turns by at most", rates.max(), "arcsec/s", source)
        corner_px = np.hypot(*self.instrument.sensor_px) / 2
        limit = ARCSEC_PER_RAD / max(rate, 1e-6) / corner_px
        by = "1 px / (rate x half diagonal)"
        self.add("rotation_limit", "corners turn by one pixel in", limit, "s", by)
        if rates.max() > 3 * rate:
            self.warnings.append("near the zenith the field turns several times faster: soft corners there")
        return limit

    def _rate(self, mag, at=None):
        """Electrons per second of a source of this magnitude above the air."""
        air = self.night.air[self.at if at is None else at]
        return electrons_per_s(self.instrument, mag, self.night.site.extinction * air)

    def _sky_rate(self, at=None):
        """Electrons per second and pixel of the sky, which is not dimmed: it is measured from the ground."""
        sky = self.night.sky[self.at if at is None else at]
        return electrons_per_s(self.instrument, sky) * self.scale**2

    def _saturation_limit(self):
        optics = self.instrument
        room = min(optics.full_well_e, optics.gain_e_adu * (2**optics.bits - 1))
        peak = self._rate(self.one.mag) * float(peak_fraction(self.fwhm / self.scale))
        per_s = peak + self._sky_rate() + optics.dark_e_s if np.isfinite(peak) else self._sky_rate()
        return float(room / per_s)

    def motion(self, step_s, exposure_s):
        """Motion on the sensor and the spacing of the images in a composite."""
        per_minute = self.rate / 60 / self.scale
        source = "N-body ephemeris, seen from the site"
        self.add("motion", "motion on the sky", self.rate, "arcsec/h", f"{source}, middle of the interval")
        self.add("motion_fastest", "motion at most", self.fastest, "arcsec/h", source)
        self.add("motion_px", "motion on the sensor", per_minute, "px/min", "motion / scale")
        self.add("motion_pa", "towards", self.motion_pa, "deg E of N", source)
        trail = self.fastest / 3600 * exposure_s
        self.add("trail", "trail of one exposure, at most", trail, "arcsec", "motion x exposure")
        spacing = self.rate / 3600 * step_s
        self.add("spacing", "images of the body apart", spacing, "arcsec", "motion x cadence")
        apart = spacing / self.fwhm
        kind = "a string of separate dots" if apart > 1.5 else "a continuous line"
        every = max(1, int(np.ceil(2.0 * self.fwhm / max(spacing, 1e-9))))
        words = f"{kind} (every image); separate dots from every {every}. image" if apart <= 1.5 else kind
        self.add("composite", "composite shows", words, "", "spacing / seeing; 2 FWHM apart: common practice")

    def light(self, exposure_s, count):
        """Signal to noise of the body, per exposure and in total, and of the object's surface."""
        sky_e = float(self._sky_rate()) * exposure_s
        self.add("sky_e", "sky per pixel and exposure", sky_e, "e-", "K&S 1991; Bessell et al. 1998")
        if np.isfinite(self.one.mag):
            self._body_light(exposure_s, count)
        self._surface_light(exposure_s, count)

    def _body_light(self, exposure_s, count):
        """The body's S/N at its best and, added up as it rises and sinks, in the whole interval."""
        chosen = np.flatnonzero(self.night.chosen)
        fwhm = self.night.site.seeing * self.night.air[chosen] ** 0.6
        trail = self.rate / 3600 * exposure_s
        pixels = noise_pixels(fwhm / self.scale, trail / self.scale)
        body, sky = self._rate(self.one.mag, chosen) * exposure_s, self._sky_rate(chosen) * exposure_s
        each = signal_to_noise(body, sky, pixels, **self._noise(exposure_s))
        loss = float(trailing_loss_mag(trail / self.fwhm))
        self.add("trailing_loss", "trailing costs", loss, "mag", "matched filter of a trailed Gaussian")
        best = float(each[chosen == self.at][0])
        source = "CCD equation (Merline & Howell 1995)"
        self.add("snr", "body's S/N, one exposure at best", best, "", source)
        total = float(np.sqrt(np.mean(each**2) * count))
        self.add("snr_total", "body's S/N, all", total, "", "root of the sum of their squares")

    def _surface_light(self, exposure_s, count):
        """S/N of a square arcsecond of the object, one exposure and all of them."""
        brightness = surface_brightness(self.one.target)
        if brightness is None:
            self.add("surface", "object's mean surface", "unknown: no magnitude or size", "", "catalogue")
            return
        chosen, area = np.flatnonzero(self.night.chosen), 1 / self.scale**2
        source = self._rate(brightness, chosen) * exposure_s
        sky = self._sky_rate(chosen) * exposure_s
        each = signal_to_noise(source, sky, area, **self._noise(exposure_s))
        self.add("surface", "object's mean surface", brightness, "mag/arcsec2", "catalogue")
        best, total = float(each[chosen == self.at][0]), float(np.sqrt(np.mean(each**2) * count))
        self.add("snr_surface_one", "its S/N per arcsec2, one at best", best, "", "CCD equation")
        self.add("snr_surface", "its S/N per arcsec2, all", total, "", "root of the sum of their squares")

    def _noise(self, exposure_s):
        optics = self.instrument
        return {"dark_e_px": optics.dark_e_s * exposure_s, "read_noise_e": optics.read_noise_e}

    def series(self, exposure_s, step_s, count, framing):
        """Number, cadence, data volume, colour, flip."""
        optics = self.instrument
        self.add("count", "exposures in the interval", count, "", "interval / cadence")
        self.add("cadence", "one every", step_s, "s", "exposure + readout, or as given")
        total = count * exposure_s / 60
        self.add("total", "light collected", total, "min", "number x exposure")
        volume = count * optics.sensor_px[0] * optics.sensor_px[1] * BYTES_PER_PIXEL / 1e9
        self.add("volume", "data", volume, "GB", "pixels x 2 bytes x number")
        split = f"{total * LUMINANCE_SHARE:.0f} min luminance, {total * (1 - LUMINANCE_SHARE):.0f} min colour"
        self.add("colour", "with a colour base", split, "", "2 : 1, common practice, no source")
        self.add(
            "colour_when", "colour base", _colour_time(self.night), "", "the body moves, the base does not"
        )
        self.add("flip", "meridian", _flip(self.night, optics), "", "sign change of sin(azimuth)")
        self.add("fits", "object and track in the field", framing.words, "", "gnomonic projection")


def _colour_time(night):
    """When the sky is darkest in the usable stretch, in words."""
    usable = np.flatnonzero(night.chosen)
    at = usable[np.argmax(night.sky[usable])]
    return f"around {night.times[at].strftime('%H:%M')} UTC, when the sky is darkest, or on another night"


def _flip(night, instrument):
    """Time of meridian passage in the usable stretch, in words."""
    usable = np.flatnonzero(night.chosen)
    side = np.sign(np.sin(np.radians(night.azimuth[usable])))
    turn = np.flatnonzero(np.diff(side) != 0)
    if not len(turn):
        return "not crossed in the interval"
    when = night.times[usable[turn[0]]] + TimeDelta(150.0, format="sec")
    act = "flip the mount" if instrument.mount == "equatorial" else "no flip needed"
    return f"crossed at {when.strftime('%H:%M')} UTC: {act}"


@quiet_erfa()
def _motion(night, vector_au):
    """Motion seen from the site in the best interval: in its middle, at most (arcsec/h), towards (deg)."""
    begin, end = night.interval
    seconds = np.linspace(0.0, (end - begin).sec, 2 * MOTION_STEPS + 1)
    times = begin + TimeDelta(seconds, format="sec")
    vector = vector_au(times) - night.site.place.posvel_au(times)[0]
    unit = vector / np.linalg.norm(vector, axis=1, keepdims=True)
    rates = angle_deg(unit[1:], unit[:-1]) * 3600 / (np.diff(seconds) / 3600)
    middle = unit[MOTION_STEPS]
    east = np.array([-middle[1], middle[0], 0.0]) / np.hypot(middle[0], middle[1])
    step = unit[MOTION_STEPS + 1] - unit[MOTION_STEPS - 1]
    pa = np.degrees(np.arctan2(step @ east, step @ np.cross(middle, east))) % 360.0
    return float(rates[MOTION_STEPS - 1 : MOTION_STEPS + 1].mean()), float(rates.max()), float(pa)


def _magnitude(one):
    return float(one.mag) if np.isfinite(one.mag) else "unknown"


def _rounded_down(seconds):
    """Two digits, never above what a limit allows."""
    step = 10.0 ** (np.floor(np.log10(seconds)) - 1)
    return float(f"{np.floor(seconds / step * (1 + 1e-12)) * step:.6g}")


@dataclass(frozen=True)
class CapturePlan:
    """A plan for one pass, site, night and instrument.

    Attributes
    ----------
    encounter : Pass
    night : Night
    instrument : InstrumentSettings
    figures : dict
        Key to :class:`~appulse.encounters.capture.Figure`.
    framing : Framing
    begin, end : Time
        Of the best interval, UTC.
    exposure_s : float
    count : int
    warnings : tuple of str
    """

    encounter: object
    night: object
    instrument: object
    figures: dict
    framing: Framing
    begin: object
    end: object
    exposure_s: float
    count: int
    warnings: tuple = field(default=())


@quiet_erfa()
def plan_capture(one, night, instrument, vector_au, *, trail_arcsec=None, cadence_s=None, binning=1):
    """Plan the capture of a pass.

    Parameters
    ----------
    one : Pass
    night : Night
        It must have a usable interval.
    instrument : InstrumentSettings
    vector_au : callable
        Geocentric vector of the body at a Time, (n, 3) au.
    trail_arcsec : float, optional
        Longest trail that is accepted; default the seeing's full width.
    cadence_s : float, optional
        Time between the starts of two exposures; default as fast as the camera allows.
    binning : int
        Pixels per side added on the chip.

    Returns
    -------
    CapturePlan

    Raises
    ------
    InputError
        The night has no usable interval, or the cadence is shorter than the exposure.
    """
    interval = night.interval
    if interval is None:
        raise InputError(f"the night of {night.evening} at {night.site.name} does not serve: {night.reason}")
    begin, end = interval
    make = FigureMaker(one, night, instrument, vector_au, binning)
    exposure_s = make.exposure(trail_arcsec)
    step_s = exposure_s + instrument.overhead_s
    if cadence_s is not None:
        if not np.isfinite(cadence_s) or cadence_s > (end - begin).sec:
            minutes = (end - begin).sec / 60
            raise InputError(
                f"a cadence of {cadence_s:g} s does not fit into the interval of {minutes:.0f} minutes; give "
                "a shorter one"
            )
        if cadence_s < step_s:
            needed = f"exposure and readout, {step_s:.1f} s"
            raise InputError(f"a cadence of {cadence_s:g} s is shorter than {needed}; give a longer one")
        step_s = float(cadence_s)
    count = max(1, int((end - begin).sec // step_s))
    framing = frame_field(one, (begin, end), instrument, vector_au, night.site.place)
    make.motion(step_s, exposure_s)
    make.light(exposure_s, count)
    make.series(exposure_s, step_s, count, framing)
    return CapturePlan(
        one, night, instrument, make.figures, framing, begin, end, exposure_s, count, tuple(make.warnings)
    )
