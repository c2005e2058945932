"""The figures of a capture plan, subject by subject, each with its formula's source."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from astropy.time import TimeDelta

from appulse.constants import ARCSEC_PER_RAD
from appulse.encounters import exposure as arithmetic
from appulse.encounters.atmosphere import parallactic_rate_arcsec_s, refraction_deg
from appulse.encounters.light import electrons_per_s, surface_brightness
from appulse.encounters.ranking import best_index
from appulse.encounters.sky import angle_deg
from appulse.errors import InputError
from appulse.observers.timescales import quiet_erfa

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
        by_trail = float(arithmetic.longest_exposure_s(self.fastest, limit))
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
        peak = self._rate(self.one.mag) * float(arithmetic.peak_fraction(self.fwhm / self.scale))
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
        pixels = arithmetic.noise_pixels(fwhm / self.scale, trail / self.scale)
        body, sky = self._rate(self.one.mag, chosen) * exposure_s, self._sky_rate(chosen) * exposure_s
        each = arithmetic.signal_to_noise(body, sky, pixels, **self._noise(exposure_s))
        loss = float(arithmetic.trailing_loss_mag(trail / self.fwhm))
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
        each = arithmetic.signal_to_noise(source, sky, area, **self._noise(exposure_s))
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
