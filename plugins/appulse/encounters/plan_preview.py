"""An invented frame of the planned field: what the capture should look like, in pixels and noise.

Stars are those of a star table (the bundled bright ones, or the user's); the object is its mean surface
brightness smoothed to its outline; the body is trailed as it will be, a comet with coma and tail as the laws
have them. The frame is a FITS image that the rest
of the program reads, so that overlays and measuring can be rehearsed before the night.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from astropy.io import fits
from astropy.time import TimeDelta
from astropy.wcs import WCS
from scipy.ndimage import map_coordinates

from appulse.astrometry import PSF, Trail, pixel_image
from appulse.catalogues import bundled_stars
from appulse.encounters.comet_pass import ION_OPENING_DEG, OPENING_DEG
from appulse.encounters.outline_pass import outline_shape, plane
from appulse.encounters.photon_rates import electrons_per_s, surface_brightness
from appulse.encounters.visibility import best_index
from appulse.errors import InputError
from appulse.numerics import radec_from_unit, unit_from_radec
from appulse.observers import quiet_erfa

PEDESTAL_ADU = 100.0
MAX_PIXELS = 30_000_000
STAMP_SIGMAS = 6.0
SITE_DECIMALS = 6
MOST_PREVIEW_DOTS = 40
ASSUMED_MAG_ARCSEC2 = 23.0
"""Of an object whose brightness no catalogue has (common practice, no source): the picture says so."""
ION_SHARE, DUST_SHARE = 0.3, 0.25
"""Light of a comet's gas tail against its dust, and of the dust at the nucleus against the coma's mean
(common practice, no source); both fade to nothing at the tail's end."""
MOST_STEPS = 9


@quiet_erfa()
def invent_frame(plan, vector_au, *, stars=None, seed=1):
    """Draw the planned field.

    Parameters
    ----------
    plan : CapturePlan
    vector_au : callable
        Geocentric vector of the body at a Time, (n, 3) au.
    stars : StarTable, optional
        Default: the bundled bright stars.
    seed : int
        Of the noise: the same seed gives the same frame.

    Returns
    -------
    fits.PrimaryHDU
        16-bit unsigned pixels with WCS, times, site, gain, read noise and saturation; of a sensor of more
        than 30 million pixels those are added in squares, so that the frame stays below that.

    Raises
    ------
    InputError
        A field of less than one pixel.
    """
    plan, side = _binned(plan)
    wcs = plan_wcs(plan)
    electrons, fwhm_px = _still_sky(plan, wcs, stars)
    middle = plan.begin + TimeDelta((plan.end - plan.begin).sec / 2, format="sec")
    _add_body(electrons, plan, wcs, fwhm_px, vector_au, middle)
    # Photons are counted, the amplifier's noise is added: each with its own law.
    rng = np.random.default_rng(seed)
    optics = plan.instrument
    noisy = rng.poisson(np.maximum(electrons, 0.0)) + rng.normal(0.0, optics.read_noise_e, electrons.shape)
    # the first of the two that is full: the pixel's well, or the converter's scale
    ceiling = min(optics.full_well_e / optics.gain_e_adu + PEDESTAL_ADU, 65_535.0)
    adu = np.clip(np.round(noisy / optics.gain_e_adu + PEDESTAL_ADU), 0, ceiling).astype(np.uint16)
    header = _header(plan, wcs, middle, ceiling)
    if plan.encounter.tail is not None:
        header["COMMENT"] = f"{comet_words(plan).capitalize()}."
    if side > 1:
        header["COMMENT"] = f"Each pixel is the sum of {side} x {side} of the sensor's."
    return fits.PrimaryHDU(adu, header)


@quiet_erfa()
def invent_stack(plan, vector_au, *, stars=None, seed=1):
    """Draw what the series comes to: the stack of the still sky, with one dot of the body for each group.

    A comet whose coma is drawn stands there once, as at the middle of the series: stars and comet both sharp.

    Parameters
    ----------
    plan, vector_au, stars, seed
        As for :func:`invent_frame`.

    Returns
    -------
    frame : SolvedFrame
        Mean electrons of an exposure, with the noise that is left in the mean of all.
    dots : (k, 2) array
        Where the body was drawn, zero-based pixels (x, y).
    """
    from appulse.frames import Exposure, SolvedFrame

    plan, _ = _binned(plan)
    wcs = plan_wcs(plan)
    electrons, fwhm_px = _still_sky(plan, wcs, stars, ASSUMED_MAG_ARCSEC2)
    middle = plan.begin + TimeDelta((plan.end - plan.begin).sec / 2, format="sec")
    moments = [middle] if _coma_px(plan) else _dot_moments(plan)
    drawn = [_add_body(electrons, plan, wcs, fwhm_px, vector_au, moment) for moment in moments]
    dots = np.array([place for place in drawn if place is not None]).reshape(-1, 2)
    variance = (np.maximum(electrons, 0.0) + plan.instrument.read_noise_e**2) / plan.count
    noise = np.random.default_rng(seed).normal(0.0, 1.0, electrons.shape) * np.sqrt(variance)
    exposure = Exposure(
        plan.begin, plan.end, middle, plan.count * plan.exposure_s, n_sub=plan.count, derivation="planned"
    )
    frame = SolvedFrame.from_arrays(
        electrons + noise, wcs, exposure, plan.night.site.shown.place, label=f"preview of {plan.encounter.id}"
    )
    return frame, dots


def _dot_moments(plan):
    """The moment of each dot; where nothing is grouped, as far apart as a picture would have them."""
    span_s = (plan.end - plan.begin).sec
    dots, every_s = 1, 0.0
    if plan.series is not None:
        dots, every_s = plan.series.dots, plan.series.every_s
    elif plan.figures["spacing"].value > 0:
        apart = plan.figures["seeing"].value / plan.figures["spacing"].value * plan.figures["cadence"].value
        dots = int(np.clip(span_s // max(2.5 * apart, 1e-6), 1, MOST_PREVIEW_DOTS))
        every_s = span_s / dots
    start_s = (span_s - (dots - 1) * every_s) / 2
    return [plan.begin + TimeDelta(start_s + i * every_s, format="sec") for i in range(dots)]


def _still_sky(plan, wcs, stars, assumed=None):
    """Electrons of one exposure without the body and without noise, and the width of a star in pixels."""
    width, height = plan.instrument.sensor_px
    dark = plan.instrument.dark_e_s * plan.exposure_s
    electrons = np.full((height, width), plan.figures["sky_e"].value + dark)
    _add_object(electrons, plan, wcs, assumed)
    fwhm_px = plan.figures["seeing"].value / plan.figures["scale"].value
    _add_stars(electrons, plan, wcs, fwhm_px, stars)
    return electrons, fwhm_px


def _binned(plan):
    """The plan with the sensor's pixels added in squares, as few as keep the frame small; pixels a side."""
    optics = plan.instrument
    width, height = optics.sensor_px
    side = int(np.ceil(np.sqrt(width * height / MAX_PIXELS)))
    if side <= 1:
        return plan, 1
    if min(width, height) < side:
        raise InputError(f"a sensor of {width} x {height} px is too long and narrow for a preview")
    # adding n x n pixels after the read-out adds their noise in quadrature, and n^2 times the electrons per
    # unit
    coarse = replace(
        optics,
        sensor_px=(width // side, height // side),
        pixel_um=optics.pixel_um * side,
        gain_e_adu=optics.gain_e_adu * side**2,
        read_noise_e=optics.read_noise_e * side,
        dark_e_s=optics.dark_e_s * side**2,
        full_well_e=optics.full_well_e * side**2,
    )
    figures = dict(plan.figures)
    for key, factor in (("scale", side), ("sky_e", side**2)):
        figures[key] = replace(figures[key], value=figures[key].value * factor)
    return replace(plan, instrument=coarse, figures=figures), side


def plan_wcs(plan):
    """TAN WCS of the planned pointing, sky as it is seen (east left where north is up)."""
    framing, optics = plan.framing, plan.instrument
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval = [framing.ra, framing.dec]
    wcs.wcs.crpix = [(n + 1) / 2 for n in optics.sensor_px]
    turn = np.radians(framing.rotation_deg)
    turned = np.array([[-np.cos(turn), np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    wcs.wcs.cd = plan.figures["scale"].value / 3600 * turned
    wcs.wcs.radesys = "ICRS"
    wcs.wcs.set()
    return wcs


def _rate(plan, mag):
    night = plan.night
    at = best_index(night)
    return electrons_per_s(plan.instrument, mag, night.site.extinction * night.air[at])


def _add_object(electrons, plan, wcs, assumed=None):
    """Mean surface brightness, falling off as a smooth hill of the outline's size."""
    target = plan.encounter.target
    brightness = surface_brightness(target)
    if brightness is None:
        brightness = assumed
    shape = outline_shape(target)
    if brightness is None or shape is None:
        return
    height, width = electrons.shape
    # The hill is smooth: a few hundred points a side and interpolation are enough.
    step = max(1, int(np.hypot(height, width) // 400))
    rows, columns = np.mgrid[0:height:step, 0:width:step]
    ra, dec = wcs.all_pix2world(columns.ravel(), rows.ravel(), 0)
    east, north = plane(unit_from_radec(ra, dec), target.ra, target.dec).T
    major = target.major_arcmin / 2
    # without a position angle the outline is a circle of the major axis, and so is the hill
    minor = major if target.kind == "circle" else (target.minor_arcmin or target.major_arcmin) / 2
    pa = np.radians(target.pa_deg or 0.0)
    along, beside = east * np.sin(pa) + north * np.cos(pa), east * np.cos(pa) - north * np.sin(pa)
    # A Gaussian hill whose mean over the ellipse, 1 - 1/e, is the catalogue's mean brightness
    hill = np.exp(-((along / major) ** 2) - (beside / minor) ** 2) / (1 - np.exp(-1))
    per_px = _rate(plan, brightness) * plan.figures["scale"].value ** 2 * plan.exposure_s
    coarse = np.nan_to_num(hill.reshape(rows.shape)) * per_px
    fine_rows, fine_columns = np.mgrid[0:height, 0:width]
    electrons += map_coordinates(coarse, [fine_rows / step, fine_columns / step], order=1, mode="nearest")


def _add_stars(electrons, plan, wcs, fwhm_px, stars):
    framing = plan.framing
    # half the diagonal and a little: stars beyond the edge still shine into the field
    radius = np.hypot(framing.width_arcmin, framing.height_arcmin) / 120 + 0.05
    table = bundled_stars(framing.ra, framing.dec, radius) if stars is None else stars
    places = table.at_epoch(plan.begin)
    x, y = wcs.all_world2pix(places["ra"].to_value("deg"), places["dec"].to_value("deg"), 0)
    psf = PSF.round(fwhm_px)
    for px, py, mag in zip(x, y, places["g"].value, strict=True):
        if np.isfinite(mag):
            _stamp(electrons, psf, px, py, _rate(plan, mag) * plan.exposure_s)


def _add_body(electrons, plan, wcs, fwhm_px, vector_au, middle):
    """The body, trailed over the exposure in the middle of the interval; its pixel, None without light."""
    if not np.isfinite(plan.encounter.mag):
        return None
    # three places give the trail's length and direction on the chip, parallax included
    moments = middle + TimeDelta(np.array([-0.5, 0.0, 0.5]) * max(plan.exposure_s, 1e-3), format="sec")
    vector = vector_au(moments) - plan.night.site.place.posvel_au(moments)[0]
    x, y = wcs.all_world2pix(*radec_from_unit(vector), 0)
    length, angle = np.hypot(x[2] - x[0], y[2] - y[0]), np.degrees(np.arctan2(y[2] - y[0], x[2] - x[0]))
    flux = _rate(plan, plan.encounter.mag) * plan.exposure_s
    if radius := _coma_px(plan):
        steps = int(np.clip(np.ceil(2 * length / fwhm_px), 1, MOST_STEPS))
        along = (np.arange(steps) + 0.5) / steps - 0.5
        way = np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle))]) * length
        for part in along:
            _add_coma(electrons, x[1] + part * way[0], y[1] + part * way[1], flux / steps, radius, fwhm_px)
        _add_tail(electrons, plan, wcs, (x[1], y[1]), DUST_SHARE * flux / (np.pi * radius**2))
        return float(x[1]), float(y[1])
    _stamp(electrons, PSF.round(fwhm_px), x[1], y[1], flux, Trail.straight(length, angle))
    return float(x[1]), float(y[1])


def _coma_px(plan):
    """Radius of the coma, px; 0 for other bodies and where no law gives it."""
    tail = plan.encounter.tail
    if tail is None or not np.isfinite(tail.coma_arcmin):
        return 0.0
    return max(float(tail.coma_arcmin), 0.0) * 30.0 / plan.figures["scale"].value


def comet_words(plan) -> str:
    """What a preview draws of a comet, in words."""
    if _coma_px(plan):
        return "coma and tail are an estimate by the laws of sizes, good to a factor of two"
    return "the coma's size is unknown: a point is drawn"


def _add_coma(electrons, x, y, flux, radius, fwhm_px):
    """Light that falls as 1/rho and sinks into the sky at a radius, its cusp spread by the air."""
    radius = max(radius, fwhm_px)
    height, width = electrons.shape
    reach = int(np.ceil(radius)) + 1
    x0, x1 = max(0, int(x) - reach), min(width, int(x) + reach + 2)
    y0, y1 = max(0, int(y) - reach), min(height, int(y) + reach + 2)
    if x0 >= x1 or y0 >= y1:
        return
    rho = np.hypot(np.arange(x0, x1) - x, np.arange(y0, y1)[:, None] - y)
    blur = fwhm_px / 2.3548
    # the integral of 1 / sqrt(rho^2 + blur^2) - 1 / radius over the disc
    whole = np.pi * (2 * (np.hypot(radius, blur) - blur) - radius)
    electrons[y0:y1, x0:x1] += flux / whole * np.maximum(1 / np.hypot(rho, blur) - 1 / radius, 0.0)


def _add_tail(electrons, plan, wcs, place, per_px):
    """Wedges of dust and gas from the nucleus, `per_px` bright at the nucleus, nothing at the tail's end."""
    tail = plan.encounter.tail
    if not tail.tail_arcmin > 0:
        return
    wedges = [(tail.tail_pa, OPENING_DEG, 1.0)]
    if tail.has_dust:
        low, high = tail.dust_pa
        wedges = [((low + high) / 2, max(high - low, ION_OPENING_DEG), 1.0)]
        wedges += [(tail.tail_pa, ION_OPENING_DEG, ION_SHARE)]
    height, width = electrons.shape
    step = max(1, int(np.hypot(height, width) // 800))
    rows, columns = np.mgrid[0 : height + step : step, 0 : width + step : step]
    sides = np.stack([columns - place[0], rows - place[1]], axis=-1) @ np.asarray(wcs.wcs.cd).T * 60.0
    rho, pa = np.hypot(*np.moveaxis(sides, -1, 0)), np.degrees(np.arctan2(sides[..., 0], sides[..., 1]))
    fading = per_px * np.clip(1.0 - rho / tail.tail_arcmin, 0.0, None)
    light = np.zeros(rho.shape)
    for middle, opening, share in wedges:
        away = np.abs((pa - middle + 180.0) % 360.0 - 180.0)
        light += share * fading * np.exp(-0.5 * (away / (opening / 2.0)) ** 2)
    fine_rows, fine_columns = np.mgrid[0:height, 0:width]
    electrons += map_coordinates(light, [fine_rows / step, fine_columns / step], order=1, mode="nearest")


def _stamp(electrons, psf, x, y, flux, trail=None):
    """Add one source to the pixels around it."""
    height, width = electrons.shape
    reach = int(np.ceil(STAMP_SIGMAS * psf.fwhm / 2.35 + (0 if trail is None else trail.reach))) + 1
    x0, x1 = max(0, int(x) - reach), min(width, int(x) + reach + 2)
    y0, y1 = max(0, int(y) - reach), min(height, int(y) + reach + 2)
    if x0 >= x1 or y0 >= y1:
        return
    rows, columns = np.mgrid[y0:y1, x0:x1]
    more = {} if trail is None else {"trail": trail}
    light, _, _ = pixel_image(psf, x, y, columns.ravel(), rows.ravel(), **more)
    electrons[y0:y1, x0:x1] += flux * light.reshape(rows.shape)


def _header(plan, wcs, middle, ceiling):
    half = TimeDelta(plan.exposure_s / 2, format="sec")
    site, optics = plan.night.site, plan.instrument
    # the place that may be shown, not the user's own
    lon, lat, height = site.shown.place.geodetic
    how = ", rounded on purpose" if site.private and site.place.code is None else ""
    header = wcs.to_header()
    header.extend(
        [
            ("DATE-BEG", (middle - half).isot, "start, UTC"),
            ("DATE-AVG", middle.isot, "middle, UTC"),
            ("DATE-END", (middle + half).isot, "end, UTC"),
            ("TIMESYS", "UTC"),
            ("EXPTIME", plan.exposure_s, "s"),
            ("OBJECT", plan.encounter.id),
            ("EGAIN", optics.gain_e_adu, "electrons per ADU"),
            ("RDNOISE", optics.read_noise_e, "electrons"),
            ("SATURATE", float(ceiling), "ADU"),
            ("BUNIT", "adu"),
            ("OBSGEO-L", round(lon, SITE_DECIMALS), f"deg east{how}"),
            ("OBSGEO-B", round(lat, SITE_DECIMALS), f"deg north{how}"),
            ("OBSGEO-H", round(height, 1), f"m{how}"),
        ]
    )
    # whoever meets the file later must not take it for an observation
    header["COMMENT"] = "Invented frame: a preview of a planned capture, not an observation."
    return header
