"""What light reaches the sensor: electrons of a magnitude, an object's mean surface brightness."""

from __future__ import annotations

import numpy as np

PHOTONS_V0_CM2_S_NM = 10_050.0
"""Photons of a star of V = 0 per cm2, second and nm at 550 nm: 3.63e-9 erg/(s cm2 A) (Bessell, Castelli &
Plez 1998, A&A 333, 231, table A2; from memory) over the photon's energy, 3.612e-12 erg."""


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
