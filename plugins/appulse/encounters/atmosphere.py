"""What the air does to the light: airmass, refraction, the turning field, and the sky under the Moon.

Angles are degrees; plain floats or arrays.
"""

from __future__ import annotations

import numpy as np

from appulse.errors import InputError

SIDEREAL_RATE_ARCSEC_S = 15.041_067_178_67
"""Rate of the Earth's turning against the stars, arcsec of angle per second of UT1. IERS Conventions
2010, table 1.1: 7.292115e-5 rad/s."""


def airmass(altitude_deg):
    """Relative optical airmass by Kasten & Young (1989).

    Parameters
    ----------
    altitude_deg : float or array
        True (unrefracted) altitude, degrees. Below the horizon the result is NaN by definition of
        'no airmass', never a number.

    Returns
    -------
    array
        Airmass, at least 1 (the formula gives 0.9997 at the zenith; it is clamped).

    Notes
    -----
    Kasten, F. & Young, A. T. 1989, Applied Optics 28, 4735, eq. 3 and table I. Against their table
    within 0.5%.

    Examples
    --------
    >>> airmass([90, 30, 10]).round(3).tolist()
    [1.0, 1.994, 5.586]
    """
    altitude = np.asarray(altitude_deg, dtype=float)
    with np.errstate(invalid="ignore"):
        value = 1.0 / (np.sin(np.radians(altitude)) + 0.50572 * (altitude + 6.07995) ** -1.6364)
    return np.where(altitude >= 0, np.maximum(value, 1.0), np.nan)


def refraction_deg(true_altitude_deg, *, pressure_hpa=1010.0, temperature_c=10.0):
    """Refraction (degrees) to add to a true altitude; below -2 degrees the value at -2 is given."""
    # Saemundsson, T. 1986, Sky and Telescope 72, 70, the inverse of Bennett, G. G. 1982, Journal of
    # Navigation 35, 255. Good to 0.1 arcmin above the horizon in ordinary air; nothing is that good within
    # half a degree.
    if not pressure_hpa >= 0 or not temperature_c > -273.15:
        raise InputError(
            f"air of {pressure_hpa} hPa and {temperature_c} C: a pressure of 0 or more and a temperature "
            "above -273.15 C are needed"
        )
    altitude = np.maximum(np.asarray(true_altitude_deg, dtype=float), -2.0)
    arcmin = 1.02 / np.tan(np.radians(altitude + 10.3 / (altitude + 5.11)))
    # density of the air: with the pressure, and against the absolute temperature
    air = pressure_hpa / 1010.0 * 283.0 / (273.0 + temperature_c)
    return np.maximum(arcmin, 0.0) * air / 60.0


def parallactic_rate_arcsec_s(latitude_deg, azimuth_deg, altitude_deg):
    """Rate at which the field turns on an altazimuth mount, arcsec/s; infinite at the zenith."""
    # From differentiating tan q = sin H / (tan phi cos dec - sin dec cos H): dq/dt = -omega cos phi cos Az /
    # cos h.
    latitude, azimuth, altitude = (
        np.radians(np.asarray(a, dtype=float)) for a in (latitude_deg, azimuth_deg, altitude_deg)
    )
    with np.errstate(divide="ignore"):
        return -SIDEREAL_RATE_ARCSEC_S * np.cos(latitude) * np.cos(azimuth) / np.cos(altitude)


_DARK_NANOLAMBERT = 34.08  # B (nL) = 34.08 exp(20.7233 - 0.92104 V), K&S 1991 eq. 1


def surface_brightness_to_nanolambert(mag_arcsec2):
    """V surface brightness in nanolamberts (Krisciunas & Schaefer 1991, PASP 103, 1033, eq. 1)."""
    return _DARK_NANOLAMBERT * np.exp(20.7233 - 0.92104 * np.asarray(mag_arcsec2, dtype=float))


def nanolambert_to_surface_brightness(nanolambert):
    """Inverse of :func:`surface_brightness_to_nanolambert`; no light gives infinity (darkest)."""
    with np.errstate(divide="ignore"):  # no light: infinitely faint
        return (20.7233 - np.log(np.asarray(nanolambert, dtype=float) / _DARK_NANOLAMBERT)) / 0.92104


def _scattering_airmass(zenith_distance_deg):
    """Airmass of the scattering layer, K&S 1991 eq. 3."""
    return (1.0 - 0.96 * np.sin(np.radians(zenith_distance_deg)) ** 2) ** -0.5


def moonlight_nanolambert(
    zenith_distance_deg, moon_zenith_distance_deg, separation_deg, phase_angle_deg, extinction
):
    """Light of the Moon scattered by the air at a place of the sky, nanolamberts; 0 when the Moon is down.

    Krisciunas, K. & Schaefer, B. E. 1991, PASP 103, 1033, eqs. 3, 15, 16, 18, 20, 21; they claim 8% to 23%.
    The phase angle is 0 at full Moon, 180 at new.
    """
    place_z, moon_z, rho, alpha = np.broadcast_arrays(
        *(
            np.asarray(angle, dtype=float)
            for angle in (zenith_distance_deg, moon_zenith_distance_deg, separation_deg, phase_angle_deg)
        )
    )
    alpha = np.abs(alpha)
    illuminance = 10 ** (-0.4 * (3.84 + 0.026 * alpha + 4e-9 * alpha**4))
    rayleigh = 10**5.36 * (1.06 + np.cos(np.radians(rho)) ** 2)
    with np.errstate(divide="ignore"):
        # Within the Moon's own disc the formula has no meaning: the value at its rim stands.
        mie = np.where(rho >= 10, 10 ** (6.15 - rho / 40), 6.2e7 * np.maximum(rho, 0.25) ** -2)
    dimmed_moon = 10 ** (-0.4 * extinction * _scattering_airmass(np.minimum(moon_z, 90.0)))
    scattered = 1.0 - 10 ** (-0.4 * extinction * _scattering_airmass(np.minimum(place_z, 90.0)))
    return np.where(moon_z < 90.0, (rayleigh + mie) * illuminance * dimmed_moon * scattered, 0.0)


def sky_brightness(
    zenith_distance_deg,
    moon_zenith_distance_deg,
    separation_deg,
    phase_angle_deg,
    *,
    dark_zenith=21.6,
    extinction=0.17,
):
    """V brightness of the moonlit night sky, mag/arcsec2; no twilight (K&S 1991, eq. 2 for the dark part).

    `dark_zenith` is the site's own moonless zenith: 21.6 dark, 19 a suburb (common practice, no source).
    """
    # Below the horizon there is no sky: its value at the horizon keeps the arrays free of NaN.
    place_airmass = _scattering_airmass(np.minimum(np.asarray(zenith_distance_deg, dtype=float), 90.0))
    dark = (
        surface_brightness_to_nanolambert(dark_zenith)
        * 10 ** (-0.4 * extinction * (place_airmass - 1.0))
        * place_airmass
    )
    moon = moonlight_nanolambert(
        zenith_distance_deg, moon_zenith_distance_deg, separation_deg, phase_angle_deg, extinction
    )
    return nanolambert_to_surface_brightness(dark + moon)
