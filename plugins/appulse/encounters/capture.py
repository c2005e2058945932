"""The capture plan: framing, exposure, how many, against which sky; each figure with its formula's source.

::

    best interval of the night        --> altitude, airmass, sky brightness, field rotation
    instrument                        --> scale, field, electrons from body, object and sky
    motion, seeing, tracking, mount   --> longest exposure --> number, cadence, S/N, dots or a line
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from astropy.time import TimeDelta

from appulse.encounters import exposure as arithmetic
from appulse.encounters.atmosphere import parallactic_rate_arcsec_s, refraction_deg
from appulse.encounters.framing import Framing, frame_field
from appulse.encounters.ranking import best_index
from appulse.errors import InputError
from appulse.observers.timescales import quiet_erfa

PHOTONS_V0_CM2_S_NM = 10_050.0
"""Photons of a star of V = 0 per cm2, second and nm at 550 nm: 3.63e-9 erg/(s cm2 A) (Bessell, Castelli &
Plez 1998, A&A 333, 231, table A2; from memory) over the photon's energy, 3.612e-12 erg."""

LUMINANCE_SHARE = 2 / 3
"""Share of the time that goes into luminance when a colour base is wanted: common practice, no source."""

BYTES_PER_PIXEL = 2
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
        text = f"{self.value:.0f}" if abs(self.value) >= 1000 else f"{self.value:.3g}"
        return f"{text} {self.unit}".strip()


@dataclass(frozen=True)
class CapturePlan:
    """A plan for one pass, site, night and instrument.

    Attributes
    ----------
    encounter : Pass
    night : Night
    instrument : InstrumentSettings
    figures : dict
        Key to :class:`Figure`.
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
    make = _Maker(one, night, instrument, binning)
    exposure_s = make.exposure(trail_arcsec)
    step_s = exposure_s + instrument.overhead_s
    if cadence_s is not None:
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


class _Maker:
    """Gathers the figures of a plan; every method adds those of one subject."""

    def __init__(self, one, night, instrument, binning):
        self.one, self.night, self.instrument = one, night, instrument
        self.at = best_index(night)
        pixel_um = instrument.pixel_um * binning
        self.scale = float(arithmetic.pixel_scale_arcsec(pixel_um, instrument.focal_length_mm))
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
        self.add("moon", "Moon lit", night.moon_illumination, "", "JPL DE440")
        self.add("moon_distance", "Moon away", night.moon_separation[self.at], "deg", "JPL DE440")
        if night.altitude[self.at] < 15:
            self.warnings.append("the body stays below 15 degrees: expect poor seeing and colour fringes")

    def add(self, key, label, value, unit, source):
        """Keep one figure."""
        value = value if isinstance(value, str) else float(value)
        self.figures[key] = Figure(key, label, value, unit, source)

    def exposure(self, trail_arcsec):
        """Longest exposure that trail, tracking and field rotation allow, seconds."""
        limit = self.fwhm * TRAIL_IN_FWHM if trail_arcsec is None else float(trail_arcsec)
        if not limit > 0:
            raise InputError(f"a trail of {trail_arcsec} arcsec: above 0 is needed")
        by_trail = float(arithmetic.longest_exposure_s(self.one.rate, limit))
        self.add(
            "trail_limit", "longest exposure by trailing", by_trail, "s", "trail / motion (common practice)"
        )
        limits = {"trailing": by_trail, "tracking": self.instrument.tracking_limit_s}
        if self.instrument.mount == "altazimuth":
            limits["field rotation"] = self._rotation_limit()
        full = self._saturation_limit()
        self.add("saturation_limit", "body saturates after", full, "s", "full well / brightest pixel's light")
        limits["saturation"] = full
        reason = min(limits, key=limits.get)
        exposure = limits[reason]
        exposure = float(f"{exposure:.2g}") if exposure >= 1 else round(exposure, 3)
        self.add("exposure", "exposure", exposure, "s", f"the least of the limits: {reason}")
        if reason == "saturation" and exposure < 0.01:
            self.warnings.append("the body saturates at once: use a filter, a smaller aperture or defocus")
        return exposure

    def _rotation_limit(self):
        """Seconds until the field's corners have turned by one pixel, at the interval's median rate.

        Near the zenith the rate runs away for some minutes; those frames are cropped or left out rather than
        the whole night cut to their exposure.
        """
        latitude = self.night.site.place.geodetic[1]
        usable = self.night.usable
        azimuth, altitude = self.night.azimuth[usable], self.night.altitude[usable]
        rates = np.abs(parallactic_rate_arcsec_s(latitude, azimuth, altitude))
        rate = float(np.median(rates))
        source = "15.04107 cos(lat) cos(Az) / cos(alt)"
        self.add("field_rotation", "field turns by (median)", rate, "arcsec/s", source)
        self.add("field_rotation_worst", "field turns by at most", rates.max(), "arcsec/s", source)
        corner_px = np.hypot(*self.instrument.sensor_px) / 2
        limit = 206265.0 / max(rate, 1e-6) / corner_px
        by = "1 px / (rate x half diagonal)"
        self.add("rotation_limit", "corners turn by one pixel in", limit, "s", by)
        if rates.max() > 3 * rate:
            self.warnings.append("near the zenith the field turns several times faster: soft corners there")
        return limit

    def _rate(self, mag):
        """Electrons per second of a source of this magnitude above the air."""
        return electrons_per_s(self.instrument, mag, self.night.site.extinction * self.night.air[self.at])

    def _sky_rate(self):
        """Electrons per second and pixel of the sky, which is not dimmed: it is measured from the ground."""
        return float(electrons_per_s(self.instrument, self.night.sky[self.at])) * self.scale**2

    def _saturation_limit(self):
        optics = self.instrument
        room = min(optics.full_well_e, optics.gain_e_adu * (2**optics.bits - 1))
        peak = self._rate(self.one.mag) * float(arithmetic.peak_fraction(self.fwhm / self.scale))
        per_s = peak + self._sky_rate() + optics.dark_e_s if np.isfinite(peak) else self._sky_rate()
        return float(room / per_s)

    def motion(self, step_s, exposure_s):
        """Motion on the sensor and the spacing of the images in a composite."""
        per_minute = self.one.rate / 60 / self.scale
        self.add("motion", "motion on the sky", self.one.rate, "arcsec/h", "N-body ephemeris")
        self.add("motion_px", "motion on the sensor", per_minute, "px/min", "motion / scale")
        self.add("motion_pa", "towards", self.one.motion_pa, "deg E of N", "N-body ephemeris")
        trail = self.one.rate / 3600 * exposure_s
        self.add("trail", "trail of one exposure", trail, "arcsec", "motion x exposure")
        spacing = self.one.rate / 3600 * step_s
        self.add("spacing", "images of the body apart", spacing, "arcsec", "motion x cadence")
        apart = spacing / self.fwhm
        kind = "a string of separate dots" if apart > 1.5 else "a continuous line"
        every = max(1, int(np.ceil(2.0 * self.fwhm / max(spacing, 1e-9))))
        words = f"{kind} (every image); separate dots from every {every}. image" if apart <= 1.5 else kind
        self.add("composite", "composite shows", words, "", "spacing / seeing; 2 FWHM apart: common practice")

    def light(self, exposure_s, count):
        """Signal to noise of the body, per exposure and in total, and of the object's surface."""
        optics = self.instrument
        sky, dark = self._sky_rate() * exposure_s, optics.dark_e_s * exposure_s
        self.add("sky_e", "sky per pixel and exposure", sky, "e-", "K&S 1991; Bessell et al. 1998")
        trail_px = self.one.rate / 3600 * exposure_s / self.scale
        pixels = float(arithmetic.noise_pixels(self.fwhm / self.scale, trail_px))
        noise = {"dark_e_px": dark, "read_noise_e": optics.read_noise_e}
        if np.isfinite(self.one.mag):
            body = self._rate(self.one.mag) * exposure_s
            loss = float(arithmetic.trailing_loss_mag(trail_px * self.scale / self.fwhm))
            self.add("trailing_loss", "trailing costs", loss, "mag", "matched filter of a trailed Gaussian")
            ratio = float(arithmetic.signal_to_noise(body, sky, pixels, **noise))
            self.add("snr", "body's S/N in one exposure", ratio, "", "CCD equation (Merline & Howell 1995)")
            total = ratio * np.sqrt(count)
            self.add("snr_total", "body's S/N in all", total, "", "S/N x sqrt(number)")
        brightness = surface_brightness(self.one.target)
        if brightness is not None:
            per_px = self._rate(brightness) * self.scale**2 * exposure_s
            area = 1 / self.scale**2
            ratio = float(arithmetic.signal_to_noise(per_px * area, sky, area, **noise)) * np.sqrt(count)
            self.add("surface", "object's mean surface", brightness, "mag/arcsec2", "catalogue")
            self.add("snr_surface", "its S/N per arcsec2 in all", ratio, "", "CCD equation, all exposures")
        else:
            self.add("surface", "object's mean surface", "unknown: no magnitude or size", "", "catalogue")

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
        self.add("colour_when", "when", _colour_time(self.night), "", "the body moves, the base does not")
        self.add("flip", "meridian", _flip(self.night, optics), "", "sign change of sin(azimuth)")
        self.add("fits", "object and track in the field", framing.words, "", "gnomonic projection")


def electrons_per_s(optics, mag, dimming_mag=0.0):
    """Electrons per second that a star of a V magnitude leaves on a sensor.

    Parameters
    ----------
    optics : InstrumentSettings
    mag : float or array
        V magnitude above the air.
    dimming_mag : float or array
        Extinction times airmass.

    Returns
    -------
    array

    Examples
    --------
    >>> from appulse.formats.settings import InstrumentSettings
    >>> optics = InstrumentSettings("t", 100.0, 500.0, 4.0, (10, 10), efficiency=1.0, band_nm=100.0)
    >>> round(float(electrons_per_s(optics, 0.0)) / 1e6, 1)
    78.9
    """
    area_cm2 = np.pi / 4 * (optics.aperture_mm / 10) ** 2 * (1 - optics.obstruction**2)
    light = 10 ** (-0.4 * (np.asarray(mag, dtype=float) + dimming_mag))
    return PHOTONS_V0_CM2_S_NM * optics.band_nm * area_cm2 * optics.efficiency * light


def surface_brightness(target):
    """Mean V surface brightness of an object, mag/arcsec2; None when magnitude or size is unknown.

    The catalogue's own value where it has one, else the magnitude spread over the ellipse.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> disc = SimpleNamespace(surface_brightness=None, mag=9.0, major_arcmin=2.0, minor_arcmin=2.0)
    >>> round(surface_brightness(disc), 2)
    19.13
    """
    if target.surface_brightness is not None:
        return float(target.surface_brightness)
    if target.mag is None or not target.major_arcmin:
        return None
    minor = target.minor_arcmin or target.major_arcmin
    return float(target.mag + 2.5 * np.log10(np.pi / 4 * target.major_arcmin * minor * 3600))


def _colour_time(night):
    """When the sky is darkest in the usable stretch, in words."""
    usable = np.flatnonzero(night.usable)
    at = usable[np.argmax(night.sky[usable])]
    return f"around {night.times[at].strftime('%H:%M')} UTC, when the sky is darkest, or on another night"


def _flip(night, instrument):
    """Time of meridian passage in the usable stretch, in words."""
    usable = np.flatnonzero(night.usable)
    side = np.sign(np.sin(np.radians(night.azimuth[usable])))
    turn = np.flatnonzero(np.diff(side) != 0)
    if not len(turn):
        return "not crossed in the interval"
    when = night.times[usable[turn[0]]] + TimeDelta(150.0, format="sec")
    act = "flip the mount" if instrument.mount == "equatorial" else "no flip needed"
    return f"crossed at {when.strftime('%H:%M')} UTC: {act}"
