"""The capture plan: framing, exposure, how many, against which sky; each figure with its formula's source.

::

    best interval of the night        --> altitude, airmass, sky brightness, field rotation
    instrument                        --> scale, field, electrons from body, object and sky
    motion, seeing, tracking, mount   --> longest exposure --> number, cadence, S/N, dots or a line
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from astropy.time import Time, TimeDelta

from appulse.constants import ARCSEC_PER_RAD
from appulse.encounters.atmosphere import parallactic_rate_arcsec_s, refraction_deg
from appulse.encounters.local_sky import SkyOver
from appulse.encounters.outline_pass import plane, radec_of_plane
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
from appulse.encounters.visibility import LEAST_HOURS, STEP_MINUTES, best_index
from appulse.errors import InputError
from appulse.numerics import radec_from_unit, separation_rad, tangent_axes
from appulse.observers import quiet_erfa

FULL_SHARE = 0.9
"""Share of the field that is used: the rest is margin for pointing errors (common practice, no source)."""

LUMINANCE_SHARE = 2 / 3
"""Share of the time that goes into luminance when a colour base is wanted: common practice, no source."""

BYTES_PER_PIXEL = 2
SMALLEST_PRINTED = 0.001
LONGEST_TRAIL_ARCSEC = 36_000.0
MOTION_STEPS = 12
SHORTEST_S = 1e-6
"""No shutter opens for less: the numbers that lead there are wrong."""
SATURATION_SHARE = 0.7
"""Share of the full well that is filled at most; the seeing may be better: common practice, no source."""

TWILIGHT_SEEN_DEG = -15.0
"""Sun's altitude above which twilight is worth a word; the sky's brightness is given without it."""

TRAIL_IN_FWHM = 1.0
"""A trail may grow to the seeing: common practice, no source."""

DOT_FWHM, LEAST_DOT_FWHM = 2.5, 2.0
"""How far dots of a picture stand apart, and how near they may come (common practice, no source)."""
DEPTH_S = 3600.0
"""Light for the still sky of a picture (common practice, no source)."""
MOST_DOTS = 200
AND_TAIL = ", and the tail"
ROOM_FOR_TAIL = "; the tail does not fit, the field leaves room on its side"
COMA_SNR, BLUR_SHARE = 10.0, 0.1
"""S/N of a square arcsecond at which a coma shows well, and the part of its diameter by which it may move
before it blurs (common practice, no source)."""
CCD_EQUATION = "CCD equation (Merline & Howell 1995)"
WHOLE = "the whole object and the whole track"
MIDDLE = "the object's centre and the whole track"
TRACK = "the track alone; the object is too far away for this field: plan a mosaic or a shorter focal length"
NOTHING = "not even the track, which is longer than the field: take fewer hours or a shorter focal length"


@dataclass(frozen=True)
class Framing:
    """A pointing: centre (ICRF degrees), position angle of the sensor's up side, field, track (RA, Dec)."""

    ra: float
    dec: float
    rotation_deg: float
    width_arcmin: float
    height_arcmin: float
    track: np.ndarray
    fits: bool
    object_fits: bool
    words: str


def frame_field(encounter, interval, instrument, vector_au, site) -> Framing:
    """Choose centre and rotation so that object and track are in the field, or what fits of them.

    ::

        +----------------------+
        |    ..-''-.           |    the centre is the middle of the rectangle, in the camera's axes, around
        |   ( object )         |    what must be seen; what does not fit gives way: first the object's rim,
        |    '-..-'  - - ->    |    then its centre, at last the object
        +----------------------+
    """
    begin, end = interval
    times = begin + TimeDelta(np.linspace(0, (end - begin).sec, 25), format="sec")
    vector = vector_au(times) - site.posvel_au(Time(times))[0]
    unit = vector / np.linalg.norm(vector, axis=1, keepdims=True)
    target = encounter.target
    track = plane(unit, target.ra, target.dec)
    scale = float(pixel_scale_arcsec(instrument.pixel_um, instrument.focal_length_mm))
    width, height = (scale * n / 60 for n in instrument.sensor_px)
    semi = (target.major_arcmin or 0.0) / 2
    whole = np.vstack([track, _circle(semi)])
    room, rotations = (width, height), (instrument.rotation_deg,)
    if instrument.mount == "altazimuth":
        # The camera hangs from the zenith; of the turning field only the circle that it always covers counts.
        zenith = float(SkyOver(site, times).zenith_pa(unit)[len(times) // 2])
        room, rotations = (min(width, height),) * 2, (zenith + (instrument.rotation_deg or 0.0),)
    elif instrument.rotation_deg is None:
        # North up is what people expect; the camera is turned only where that alone makes things fit.
        rotations = 0.0, _best_rotation(whole, *room)
    tips = _tail_tips(track, encounter.tail)
    wishes = {} if tips is None else {f"{WHOLE if semi else MIDDLE}{AND_TAIL}": np.vstack([whole, tips])}
    wishes |= {
        WHOLE if semi else MIDDLE: whole,
        f"{MIDDLE}; the object is larger than the field": np.vstack([track, [[0.0, 0.0]]]),
        TRACK: track,
    }
    words, rotation, centre = _first_that_fits(wishes, rotations, room)
    if tips is not None and words != NOTHING and not words.endswith(AND_TAIL):
        centre = _towards_tail(wishes[words], rotation, room, centre, tips.mean(axis=0) - track.mean(axis=0))
        words += ROOM_FOR_TAIL
    ra, dec = radec_of_plane(centre, target.ra, target.dec)
    radec = np.stack(radec_from_unit(unit), axis=1)
    return Framing(
        ra, dec, rotation % 360.0, width, height, radec, words != NOTHING,
        words.removesuffix(AND_TAIL).removesuffix(ROOM_FOR_TAIL) in (WHOLE, MIDDLE), words,
    )  # fmt: skip


def _tail_tips(track, tail):
    """Where a comet's tails end along its track, arcmin: gas, both sides of the dust; None without."""
    if tail is None or not tail.tail_arcmin > 0.0:
        return None
    turns = np.radians([tail.tail_pa, *(tail.dust_pa if tail.has_dust else ())])
    ways = tail.tail_arcmin * np.stack([np.sin(turns), np.cos(turns)], axis=1)
    return (track[[0, -1]][:, None] + ways).reshape(-1, 2)


def _towards_tail(points, rotation, room, centre, way):
    """The centre moved to the tail's side as far as what must be seen stays in the field."""
    # The field is convex: what is inside at both ends of a move is inside all along it.
    low, high = 0.0, 1.0
    for _ in range(40):
        share = (low + high) / 2.0
        inside = _holds(points, rotation, room, centre + share * way)
        low, high = (share, high) if inside else (low, share)
    return centre + low * way


def _holds(points, rotation, room, centre):
    """Whether a field about a centre holds all points with its margin."""
    turn = np.radians(rotation)
    right, up = np.array([-np.cos(turn), np.sin(turn)]), np.array([np.sin(turn), np.cos(turn)])
    away = np.abs((points - centre) @ np.stack([right, up], axis=1))
    return bool(np.all(away <= FULL_SHARE / 2.0 * np.array(room)))


def _first_that_fits(wishes, rotations, room):
    """The most that the field holds: words, rotation and centre; the track's middle where nothing fits."""
    for words, points in wishes.items():
        for rotation in rotations:
            centre, fits = _centre(points, rotation, *room)
            if fits:
                return words, rotation, centre
    return NOTHING, rotations[-1], _centre(wishes[TRACK], rotations[-1], *room)[0]


def _best_rotation(points, width, height):
    """Position angle of 'up' that puts the longer side along the spread of the points."""
    _, _, axes = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)
    pa = np.degrees(np.arctan2(axes[0, 0], axes[0, 1]))
    # half a turn of a rectangle is the same rectangle
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


@dataclass(frozen=True)
class Figure:
    """One number of a plan, with the source of its formula."""

    key: str
    label: str
    value: float | str
    unit: str
    source: str

    def __str__(self):
        if isinstance(self.value, str):
            return self.value
        if 0 < abs(self.value) < SMALLEST_PRINTED:
            return f"below {SMALLEST_PRINTED:g} {self.unit}".strip()
        text = f"{self.value:.0f}" if abs(self.value) >= 1000 else f"{self.value:.3g}"
        return f"{text} {self.unit}".strip()


def _figures(*rows):
    """Figures of rows (key, label, value, unit, source)."""
    return [
        Figure(key, label, value if isinstance(value, str) else float(value), unit, source)
        for key, label, value, unit, source in rows
    ]


@dataclass(frozen=True)
class _Scene:
    """What every figure rests on: the pass in its night, before the camera, at the best moment."""

    encounter: object
    night: object
    optics: object
    best: int  # index of the best moment in the night's grid
    chosen: np.ndarray  # indices of the usable stretch
    scale: float  # arcsec/px
    fwhm: float  # arcsec, at the best moment
    rate: float  # arcsec/h, in the middle of the interval
    fastest: float  # arcsec/h
    motion_pa: float

    @classmethod
    def of(cls, encounter, night, optics, vector_au, binning):
        best = best_index(night)
        scale = float(pixel_scale_arcsec(optics.pixel_um * binning, optics.focal_length_mm))
        chosen = np.flatnonzero(night.chosen)
        motion = _motion(night, vector_au)
        return cls(encounter, night, optics, best, chosen, scale, _seeing(night, best), *motion)

    def light(self, mag, at):
        """Electrons per second of a source of this magnitude above the air."""
        return electrons_per_s(self.optics, mag, self.night.site.extinction * self.night.air[at])

    def sky(self, at):
        """Electrons per second and pixel of the sky, which is not dimmed: it is measured from the ground."""
        return electrons_per_s(self.optics, self.night.sky[at]) * self.scale**2

    def signal_to_noise(self, mag, pixels, exposure_s, count):
        """S/N of one exposure at best, and of all: the source rises and sinks, so each counts by itself."""
        source, sky = self.light(mag, self.chosen) * exposure_s, self.sky(self.chosen) * exposure_s
        noise = {"dark_e_px": self.optics.dark_e_s * exposure_s, "read_noise_e": self.optics.read_noise_e}
        each = signal_to_noise(source, sky, pixels, **noise)
        return float(each[self.chosen == self.best][0]), float(np.sqrt(np.mean(each**2) * count))


def _seeing(night, at):
    """Seeing grows with airmass^0.6 (Kolmogorov)."""
    return night.site.seeing * night.air[at] ** 0.6


def _conditions(scene):
    """The sky at the best moment, and what to be warned of."""
    night, best, mag = scene.night, scene.best, scene.encounter.mag
    known = np.isfinite(mag)
    figures = _figures(
        ("scale", "pixel scale", scene.scale, "arcsec/px", "206.265 p / f (geometry)"),
        ("altitude", "greatest altitude", night.altitude[best], "deg", "N-body place, IERS rotation"),
        ("airmass", "airmass there", night.air[best], "", "Kasten & Young 1989, eq. 3"),
        ("refraction", "refraction there", refraction_deg(night.altitude[best]) * 60, "arcmin",
         "Saemundsson 1986"),
        ("sky", "sky at the body", night.sky[best], "mag/arcsec2", "Krisciunas & Schaefer 1991"),
        ("seeing", "seeing there", scene.fwhm, "arcsec", "site's seeing x airmass^0.6 (Kolmogorov)"),
        ("moon", "Moon lit", night.moon_illumination * 100, "%", "JPL DE440"),
        ("moon_altitude", "Moon's altitude", night.moon_altitude[best], "deg", "JPL DE440"),
        ("moon_distance", "Moon away", night.moon_separation[best], "deg", "JPL DE440"),
        ("mag", "body's magnitude", mag if known else "unknown", "", "H, G or comet's law at the pass"),
    )  # fmt: skip
    sun = float(night.sun_altitude[night.chosen].max())
    dim = "the body's brightness is not known: no S/N is given, and it may saturate sooner than the sky"
    bright = f"the Sun comes up to {sun:.0f} degrees in the interval: its twilight is not in the figures"
    low = "the body stays below 15 degrees: expect poor seeing and colour fringes"
    warnings = ((dim, not known), (bright, sun > TWILIGHT_SEEN_DEG), (low, night.altitude[best] < 15))
    return figures, [words for words, holds in warnings if holds]


def _exposure(scene, trail_arcsec):
    """Longest exposure (s) that trail, tracking, field rotation and saturation allow; figures; warnings."""
    limit = scene.fwhm * TRAIL_IN_FWHM if trail_arcsec is None else float(trail_arcsec)
    if not 0 < limit < LONGEST_TRAIL_ARCSEC:
        most = f"above 0 and below {LONGEST_TRAIL_ARCSEC:g} is needed"
        raise InputError(f"a trail of {trail_arcsec} arcsec: {most}")
    # the fastest moment of the interval decides: no frame may trail more
    by_trail = float(longest_exposure_s(scene.fastest, limit))
    limits = {"trailing": by_trail, "tracking": scene.optics.tracking_limit_s}
    turning, warnings = [], []
    if scene.optics.mount == "altazimuth":
        limits["field rotation"], turning, warnings = _rotation_limit(scene)
    full = _saturation_limit(scene)
    limits["saturation"] = SATURATION_SHARE * full
    reason = min(limits, key=limits.get)
    exposure_s = _rounded_down(limits[reason])
    if not exposure_s > SHORTEST_S:
        raise InputError(
            f"no exposure is short enough: by {reason} it may last {limits[reason]:.3g} s; check the "
            "instrument's numbers, or give another trail or body"
        )
    share = f" ({SATURATION_SHARE:.0%} of it)" if reason == "saturation" else ""
    what = "body saturates after" if np.isfinite(scene.encounter.mag) else "sky saturates after"
    if reason == "saturation" and exposure_s < 0.01:
        warnings = [*warnings, "the body saturates at once: use a filter, a smaller aperture or defocus"]
    elif reason == "saturation":
        warnings = [*warnings, *_longer_by(scene.optics, exposure_s, limits)]
    practice = "trail / motion (common practice)"
    figures = [
        *_figures(("trail_limit", "longest exposure by trailing", by_trail, "s", practice)),
        *turning,
        *_figures(
            ("saturation_limit", what, full, "s", "full well / brightest pixel's light"),
            ("exposure", "exposure", exposure_s, "s", f"the least of the limits{share}: {reason}"),
            ("exposure_limit", "exposure ends by", reason, "", "the least of the limits"),
        ),
    ]
    return exposure_s, figures, warnings


def _rotation_limit(scene):
    """Seconds until the field's corners have turned by one pixel; figures; warnings."""
    night, chosen = scene.night, scene.chosen
    latitude = night.site.place.geodetic[1]
    rates = np.abs(parallactic_rate_arcsec_s(latitude, night.azimuth[chosen], night.altitude[chosen]))
    # Near the zenith the rate runs away for some minutes: those frames are cropped or left out rather than
    # the whole night cut to their exposure, so the median counts.
    rate = float(np.median(rates))
    corner_px = np.hypot(*scene.optics.sensor_px) / 2
    limit = ARCSEC_PER_RAD / max(rate, 1e-6) / corner_px
    source = "15.04107 cos(lat) cos(Az) / cos(alt)"
    figures = _figures(
        ("field_rotation", "field turns by (median)", rate, "arcsec/s", source),
        ("field_rotation_worst", "field turns by at most", rates.max(), "arcsec/s", source),
        ("rotation_limit", "corners turn by one pixel in", limit, "s", "1 px / (rate x half diagonal)"),
    )
    fast = rates.max() > 3 * rate
    warning = "near the zenith the field turns several times faster: soft corners there"
    return limit, figures, [warning] if fast else []


def _longer_by(optics, exposure_s, limits):
    """What would allow longer exposures, where saturation makes them shorter than the pause between them."""
    if exposure_s > optics.overhead_s:
        return []
    seconds, name = min((seconds, name) for name, seconds in limits.items() if name != "saturation")
    ways = f"with a filter up to {_rounded_down(seconds):g} s, where {name} ends it"
    # Where the converter ends first, the well has room for more at another gain.
    by_gain = limits["saturation"] * optics.full_well_e / _pixel_room_e(optics)
    if by_gain > 1.1 * limits["saturation"]:
        ways = f"at a lower gain up to {_rounded_down(min(by_gain, seconds)):g} s, {ways}"
    return [
        f"saturation ends each exposure at {exposure_s:g} s, less than the {optics.overhead_s:g} s "
        f"between two; {ways}"
    ]


def _pixel_room_e(optics) -> float:
    """Electrons that a pixel shows: its well, or the end of the converter's scale."""
    return min(optics.full_well_e, optics.gain_e_adu * (2**optics.bits - 1))


def _saturation_limit(scene):
    """Seconds until the brightest pixel is full."""
    optics = scene.optics
    room = _pixel_room_e(optics)
    sky = scene.sky(scene.best)
    peak = scene.light(scene.encounter.mag, scene.best) * _peak_share(scene)
    # a body of unknown brightness cannot be asked; then the sky alone sets the limit
    return float(room / (peak + sky + optics.dark_e_s if np.isfinite(peak) else sky))


def _peak_share(scene):
    """Largest share of the body's light on one pixel: of a point, or of a coma that falls as 1/rho."""
    radius = _coma_radius(scene)
    if radius is None:
        return float(peak_fraction(scene.fwhm / scene.scale))
    # Within rho there is rho / R of such a coma's light; the air spreads its cusp over the seeing's disc.
    disc = min(max(scene.fwhm, scene.scale) / 2.0, radius)
    return float(min(1.0, disc / radius * min(1.0, scene.scale**2 / (np.pi * disc**2))))


def _coma_radius(scene):
    """Radius of a comet's coma, arcsec; None for other bodies and where no law gives it."""
    tail = scene.encounter.tail
    known = tail is not None and np.isfinite(tail.coma_arcmin) and tail.coma_arcmin > 0.0
    return tail.coma_arcmin * 30.0 if known else None


def _ordinal(number: int) -> str:
    """A rank in figures: 1st, 2nd, 3rd, 4th, 11th, 22nd."""
    if number % 100 in (11, 12, 13):
        return f"{number}th"
    return f"{number}{ {1: 'st', 2: 'nd', 3: 'rd'}.get(number % 10, 'th')}"


def _motion_figures(scene, step_s, exposure_s, series=None):
    """Motion on the sensor and the spacing of the images in a composite."""
    source = "N-body ephemeris, seen from the site"
    trail = scene.fastest / 3600 * exposure_s
    spacing = scene.rate / 3600 * (step_s if series is None else series.every_s)
    apart = spacing / scene.fwhm
    # dots 2 FWHM apart are seen as separate; between 1.5 and 2 they still are, as beads on a string
    every = max(1, int(np.ceil(2.0 * scene.fwhm / max(spacing, 1e-9))))
    words = "a string of separate dots"
    if apart <= 1.5:
        words = f"a continuous line; separate dots if every {_ordinal(every)} image is used"
    if series is not None:
        words = "one dot" if series.dots == 1 else f"{series.dots} separate dots, one image of each group"
    return _figures(
        ("motion", "motion on the sky", scene.rate, "arcsec/h", f"{source}, middle of the interval"),
        ("motion_fastest", "motion at most", scene.fastest, "arcsec/h", source),
        ("motion_px", "motion on the sensor", scene.rate / 60 / scene.scale, "px/min", "motion / scale"),
        ("motion_pa", "towards", scene.motion_pa, "deg E of N", source),
        ("trail", "trail of one exposure, at most", trail, "arcsec", "motion x exposure"),
        ("spacing", "dots of the body apart", spacing, "arcsec", "motion x time between them"),
        ("composite", "composite shows", words, "", "spacing / seeing; 2 FWHM apart: common practice"),
    )


def _light_figures(scene, exposure_s, count):
    """Signal to noise of the body and of the object's surface, per exposure and in total."""
    squares, catalogue = "root of the sum of their squares", "catalogue"
    sky_e = float(scene.sky(scene.best)) * exposure_s
    rows = [("sky_e", "sky per pixel and exposure", sky_e, "e-", "K&S 1991; Bessell et al. 1998")]
    radius = _coma_radius(scene)
    if np.isfinite(scene.encounter.mag) and radius is not None:
        rows += _coma_rows(scene, radius, exposure_s, count)
    elif np.isfinite(scene.encounter.mag):
        trail = scene.rate / 3600 * exposure_s
        pixels = noise_pixels(_seeing(scene.night, scene.chosen) / scene.scale, trail / scene.scale)
        one, total = scene.signal_to_noise(scene.encounter.mag, pixels, exposure_s, count)
        loss = trailing_loss_mag(trail / scene.fwhm)
        rows += [
            ("trailing_loss", "trailing costs", loss, "mag", "matched filter of a trailed Gaussian"),
            ("snr", "body's S/N, one exposure at best", one, "", CCD_EQUATION),
            ("snr_total", "body's S/N, all", total, "", squares),
        ]
    brightness = surface_brightness(scene.encounter.target)
    if brightness is None:
        rows.append(("surface", "object's mean surface", "unknown: no magnitude or size", "", catalogue))
    else:
        # of a square arcsecond: that many pixels
        one, total = scene.signal_to_noise(brightness, 1 / scene.scale**2, exposure_s, count)
        rows += [
            ("surface", "object's mean surface", brightness, "mag/arcsec2", catalogue),
            ("snr_surface_one", "its S/N per arcsec2, one at best", one, "", "CCD equation"),
            ("snr_surface", "its S/N per arcsec2, all", total, "", squares),
        ]
    return _figures(*rows)


def _coma_rows(scene, radius, exposure_s, count):
    """A comet's light is spread: surface brightness of its coma, S/N, when its motion blurs it."""
    law, area = "law of coma diameters, to a factor of two", np.pi * radius**2
    # Of a coma that falls as 1/rho the mean is the brightness at half its radius.
    surface = scene.encounter.mag + 2.5 * np.log10(area)
    one, total = scene.signal_to_noise(scene.encounter.mag, area / scene.scale**2, exposure_s, count)
    patch, patch_all = scene.signal_to_noise(surface, 1 / scene.scale**2, exposure_s, count)
    needed = exposure_s * (COMA_SNR / patch) ** 2 / 60.0 if patch > 0 else np.inf
    blur = max(scene.fwhm, BLUR_SHARE * 2.0 * radius) / max(scene.fastest, 1e-9) * 60.0
    rows = [
        ("coma", "coma's diameter", radius / 30.0, "arcmin", law),
        ("coma_surface", "coma's mean surface", surface, "mag/arcsec2", f"total magnitude / area; {law}"),
        ("snr_coma_one", "its S/N per arcsec2, one at best", patch, "", CCD_EQUATION),
        ("snr_coma", "its S/N per arcsec2, all", patch_all, "", "root of the sum of their squares"),
        ("coma_time", f"light for S/N {COMA_SNR:g} per arcsec2", needed, "min", "S/N grows with its root"),
        ("coma_blur", "coma blurs by its motion after", blur, "min",
         f"{BLUR_SHARE:g} of its diameter / motion, common practice, no source"),
        ("snr", "coma's S/N as a whole, one at best", one, "", f"{CCD_EQUATION} over its disc"),
        ("snr_total", "coma's S/N as a whole, all", total, "", "root of the sum of their squares"),
    ]  # fmt: skip
    return [row for row in rows if np.isfinite(row[2])]


def _group_figures(series):
    """How a series is divided into groups, where it is."""
    if series is None:
        return []
    apart = f"{DOT_FWHM:g} FWHM apart (common practice, no source), or as the night allows"
    return _figures(
        ("dots", "dots of the body", series.dots, "", apart),
        ("dots_every", "one dot every", series.every_s / 60.0, "min", "way of the body / motion"),
        ("per_dot", "exposures for each dot", series.per_dot, "", "an hour of light in all, common practice"),
    )


def _series_figures(scene, exposure_s, step_s, count, framing):
    """Number, cadence, data volume, colour, flip."""
    optics = scene.optics
    total = count * exposure_s / 60
    volume = count * optics.sensor_px[0] * optics.sensor_px[1] * BYTES_PER_PIXEL / 1e9
    split = f"{total * LUMINANCE_SHARE:.0f} min luminance, {total * (1 - LUMINANCE_SHARE):.0f} min colour"
    colour_time = _colour_time(scene.night, scene.chosen)
    return _figures(
        ("count", "exposures in all", count, "", "dots x exposures, or interval / cadence"),
        ("cadence", "one every", step_s, "s", "exposure + readout, or as given"),
        ("total", "light collected", total, "min", "number x exposure"),
        ("volume", "data", volume, "GB", "pixels x 2 bytes x number"),
        ("colour", "with a colour base", split, "", "2 : 1, common practice, no source"),
        ("colour_when", "colour base", colour_time, "", "the body moves, the base does not"),
        ("flip", "meridian", _flip(scene.night, scene.chosen, optics), "", "sign change of sin(azimuth)"),
        ("fits", "object and track in the field", framing.words, "", "gnomonic projection"),
    )


def _colour_time(night, chosen):
    """When the sky is darkest in the usable stretch, in words."""
    at = chosen[np.argmax(night.sky[chosen])]
    return f"around {night.times[at].strftime('%H:%M')} UTC, when the sky is darkest, or on another night"


def _flip(night, chosen, instrument):
    """Time of meridian passage in the usable stretch, in words."""
    turn = np.flatnonzero(np.diff(np.sign(np.sin(np.radians(night.azimuth[chosen])))) != 0)
    if not len(turn):
        return "not crossed in the interval"
    # the grid has steps of five minutes: the middle of the step
    when = night.times[chosen[turn[0]]] + TimeDelta(150.0, format="sec")
    act = "flip the mount" if instrument.mount == "equatorial" else "no flip needed"
    return f"crossed at {when.strftime('%H:%M')} UTC: {act}"


class Series(NamedTuple):
    """Groups of exposures, one group for each dot that the body leaves in the picture."""

    dots: int
    per_dot: int
    every_s: float
    night: object  # SiteNight with the series' own stretch alone


def _series(scene, exposure_s, step_s, dots):
    """A series for a picture: separate dots around the least separation, and an hour of light in all.

    ::

        |ooo      |ooo      |ooo      |ooo      o  an exposure; a group of them for each dot
         <- every ->                               every: the body's way of 2.5 FWHM, or the group's length
    """
    night = scene.night
    begin, end = night.interval
    total_s = (end - begin).sec
    # coarse pixels widen a dot as the air does
    dot_s = DOT_FWHM * np.hypot(scene.fwhm, scene.scale) / max(scene.rate, 1e-9) * 3600.0
    per_dot = max(1, int(np.ceil(DEPTH_S / (dots * exposure_s))))
    every_s = max(dot_s, per_dot * step_s)
    if (dots - 1) * every_s + per_dot * step_s > total_s:
        # a short stretch: the dots come nearer while they stay separate, then there are fewer
        least_s = max(LEAST_DOT_FWHM / DOT_FWHM * dot_s, step_s)
        per_dot = max(1, min(per_dot, int(total_s // step_s)))
        every_s = max((total_s - per_dot * step_s) / max(dots - 1, 1), least_s)
        per_dot = max(1, min(per_dot, int(every_s // step_s)))
        dots = min(dots, 1 + max(0, int((total_s - per_dot * step_s) // every_s)))
    span_s = (dots - 1) * every_s + per_dot * step_s
    middle_s = (scene.encounter.time - begin).sec
    start_s = float(np.clip(middle_s - span_s / 2, 0.0, max(total_s - span_s, 0.0)))
    # the night's grid has steps of five minutes; a quarter of an hour is the shortest stretch it knows
    grid_s = STEP_MINUTES * 60.0
    first = np.floor(start_s / grid_s)
    last = max(np.ceil((start_s + span_s) / grid_s), first + np.ceil(LEAST_HOURS * 3600.0 / grid_s))
    ends = begin + TimeDelta(np.clip([first * grid_s, last * grid_s], 0.0, total_s), format="sec")
    return Series(dots, per_dot, every_s, night.within(*ends))


@quiet_erfa()
def _motion(night, vector_au):
    """Motion seen from the site in the best interval: in its middle, at most (arcsec/h), towards (deg)."""
    begin, end = night.interval
    seconds = np.linspace(0.0, (end - begin).sec, 2 * MOTION_STEPS + 1)
    times = begin + TimeDelta(seconds, format="sec")
    # From the site, not from the Earth's centre: the parallax of a near body moves it by more than its orbit.
    vector = vector_au(times) - night.site.place.posvel_au(times)[0]
    unit = vector / np.linalg.norm(vector, axis=1, keepdims=True)
    rates = np.degrees(separation_rad(unit[1:], unit[:-1])) * 3600 / (np.diff(seconds) / 3600)
    east, north = tangent_axes(unit[MOTION_STEPS])
    step = unit[MOTION_STEPS + 1] - unit[MOTION_STEPS - 1]
    pa = np.degrees(np.arctan2(step @ east, step @ north)) % 360.0
    return float(rates[MOTION_STEPS - 1 : MOTION_STEPS + 1].mean()), float(rates.max()), float(pa)


def _rounded_down(seconds):
    """Two digits, never above what a limit allows."""
    step = 10.0 ** (np.floor(np.log10(seconds)) - 1)
    # the slack keeps 0.3 / 0.1 at 3; the format takes the binary dust off
    return float(f"{np.floor(seconds / step * (1 + 1e-12)) * step:.6g}")


@dataclass(frozen=True)
class CapturePlan:
    """A plan for one pass, site, night and instrument.

    Attributes
    ----------
    encounter : Pass
    night : SiteNight
    instrument : InstrumentSettings
    figures : dict
        Key to :class:`Figure`.
    framing : Framing
    begin, end : Time
        Of the best interval, UTC.
    exposure_s : float
    count : int
    warnings : tuple of str
    series : Series or None
        Of a series for a picture: its groups; None where exposures follow each other without a pause.
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
    series: Series | None = None


@quiet_erfa()
def plan_capture(
    encounter, night, instrument, vector_au, *, trail_arcsec=None, cadence_s=None, binning=1, dots=None
):
    """Plan the capture of a pass.

    Parameters
    ----------
    encounter : Pass
    night : SiteNight
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
    dots : int, optional
        A series of so many separate dots of the body, with an hour of light for the still sky; left out:
        the whole usable stretch, as dense as the camera or `cadence_s` has it.

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
        raise InputError(f"the night of {night.evening} at {night.site.name} is not usable: {night.reason}")
    begin, end = interval
    scene = _Scene.of(encounter, night, instrument, vector_au, binning)
    conditions, warnings = _conditions(scene)
    exposure_s, exposure, more = _exposure(scene, trail_arcsec)
    step_s = exposure_s + instrument.overhead_s
    series = None
    if dots is not None and cadence_s is None:
        if not 1 <= dots <= MOST_DOTS:
            raise InputError(f"{dots} dots: 1 to {MOST_DOTS} are allowed")
        series = _series(scene, exposure_s, step_s, dots)
        night = series.night
        begin, end = interval = night.interval
        # what the sky is like within the series, and no longer within the whole stretch
        scene = _Scene.of(encounter, night, instrument, vector_au, binning)
        conditions, warnings = _conditions(scene)
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
    count = max(1, int((end - begin).sec // step_s)) if series is None else series.dots * series.per_dot
    framing = frame_field(encounter, interval, instrument, vector_au, night.site.place)
    figures = [
        *conditions,
        *exposure,
        *_motion_figures(scene, step_s, exposure_s, series),
        *_group_figures(series),
        *_light_figures(scene, exposure_s, count),
        *_series_figures(scene, exposure_s, step_s, count, framing),
    ]
    return CapturePlan(
        encounter, night, instrument, {figure.key: figure for figure in figures}, framing, begin, end,
        exposure_s, count, (*warnings, *more), series,
    )  # fmt: skip
