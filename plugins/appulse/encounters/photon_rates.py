"""What light reaches the sensor, and how long, how many, how deep: the arithmetic of a capture.

Plain floats or arrays in the units that the names say.
"""

from __future__ import annotations

import numpy as np
from scipy.special import erf

from appulse.constants import ARCSEC_PER_RAD, FWHM_PER_SIGMA
from appulse.errors import InputError

PHOTONS_V0_CM2_S_NM = 10_050.0
"""Photons of a star of V = 0 per cm2, second and nm at 550 nm: 3.63e-9 erg/(s cm2 A) (Bessell, Castelli &
Plez 1998, A&A 333, 231, table A2; from memory) over the photon's energy, 3.612e-12 erg. The S/N and exposure
times of plans hang on it; no measured magnitude does."""


def electrons_per_s(optics, mag, dimming_mag=0.0):
    """Electrons per second that a star of a V magnitude leaves on a sensor; dimming: extinction x airmass."""
    area_cm2 = np.pi / 4 * (optics.aperture_mm / 10) ** 2 * (1 - optics.obstruction**2)
    light = 10 ** (-0.4 * (np.asarray(mag, dtype=float) + dimming_mag))
    return PHOTONS_V0_CM2_S_NM * optics.band_nm * area_cm2 * optics.efficiency * light


def surface_brightness(target):
    """Mean V surface brightness of an object, mag/arcsec2; None when magnitude or size is unknown."""
    if target.surface_brightness is not None:
        return float(target.surface_brightness)
    if target.mag is None or not target.major_arcmin:
        return None
    minor = target.minor_arcmin or target.major_arcmin
    # the catalogue has no value of its own: the magnitude spread over the ellipse
    return float(target.mag + 2.5 * np.log10(np.pi / 4 * target.major_arcmin * minor * 3600))


def pixel_scale_arcsec(pixel_um, focal_length_mm):
    """Sky per pixel at the field's centre, arcsec: 206.265 p / f.

    Examples
    --------
    >>> round(float(pixel_scale_arcsec(3.76, 400.0)), 3)
    1.939
    """
    if not (np.all(np.asarray(pixel_um) > 0) and np.all(np.asarray(focal_length_mm) > 0)):
        raise InputError(
            f"pixel of {pixel_um} um behind a focal length of {focal_length_mm} mm: both must be above 0"
        )
    pixel_mm = np.asarray(pixel_um, dtype=float) / 1000.0
    return ARCSEC_PER_RAD * pixel_mm / np.asarray(focal_length_mm, dtype=float)


def signal_to_noise(source_e, sky_e_px, n_pix, *, dark_e_px=0.0, read_noise_e=0.0):
    """Signal to noise of a source by the CCD equation; electrons of one exposure, per pixel where `_px`."""
    # Merline, W. J. & Howell, S. B. 1995, Experimental Astronomy 6, 163, without the term of the sky's own
    # estimate, which vanishes for a wide sky annulus.
    source = np.asarray(source_e, dtype=float)
    noise2 = source + n_pix * (sky_e_px + dark_e_px + np.square(read_noise_e))
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(noise2 > 0, source / np.sqrt(noise2), 0.0)


def noise_pixels(fwhm_px, trail_px=0.0):
    """Pixels that a matched filter effectively sums: 1 / integral of the profile squared."""
    # With these the CCD equation gives the best S/N that any measurement can reach where sky and read noise
    # rule. Across the trail a Gaussian, 1 / (2 sqrt(pi) s); along it a box of length L convolved with the
    # Gaussian: (2 / L^2) [L/2 erf(L/2s) - s/sqrt(pi) (1 - exp(-L^2/4s^2))].
    s = np.asarray(fwhm_px, dtype=float) / FWHM_PER_SIGMA
    half = np.asarray(trail_px, dtype=float) / (2 * s)
    with np.errstate(invalid="ignore", divide="ignore"):
        along = (half * erf(half) - (1 - np.exp(-(half**2))) / np.sqrt(np.pi)) / (2 * half**2 * s)
    untrailed = 1 / (2 * np.sqrt(np.pi) * s)
    # the formula is 0/0 without a trail
    along = np.where(half > 1e-4, along, untrailed)
    return 1 / (along * untrailed)


def trailing_loss_mag(trail_over_fwhm):
    """Magnitudes that a trail costs a detection that is matched to it; trail in units of the FWHM."""
    return 1.25 * np.log10(noise_pixels(1.0, trail_over_fwhm) / noise_pixels(1.0))


def longest_exposure_s(rate_arcsec_h, trail_arcsec):
    """Exposure after which the body has moved by `trail_arcsec`; infinite for a body at rest."""
    # Common practice, no source: the trail may grow to the seeing's full width and no longer.
    with np.errstate(divide="ignore"):
        return np.asarray(trail_arcsec, dtype=float) / np.abs(np.asarray(rate_arcsec_h, dtype=float)) * 3600.0


def peak_fraction(fwhm_px, trail_px=0.0):
    """Largest share of a source's light that falls on one pixel, for a source centred on it."""
    # The trail runs along a pixel row: the worst case for saturation.
    s = np.asarray(fwhm_px, dtype=float) / FWHM_PER_SIGMA
    across = erf(0.5 / (np.sqrt(2) * s))
    length = np.maximum(np.asarray(trail_px, dtype=float), 1e-6)

    def integral_of_erf(u):
        return u * erf(u) + np.exp(-(u**2)) / np.sqrt(np.pi)

    # a box of the trail's length slides over the pixel: the difference of two integrals of the error function
    scale = np.sqrt(2) * s
    upper, lower = (0.5 + length / 2) / scale, (0.5 - length / 2) / scale
    along = scale / length * (integral_of_erf(upper) - integral_of_erf(lower))
    return across * along
