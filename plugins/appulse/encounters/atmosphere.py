"""What the air does to the light: airmass and refraction.

Angles in and out are degrees of altitude above the horizon; plain floats or arrays.
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
    """Refraction to add to a true altitude, by Saemundsson (1986).

    Parameters
    ----------
    true_altitude_deg : float or array
        Airless altitude, degrees; below -2 degrees the value at -2 is given.
    pressure_hpa, temperature_c : float
        Air at the site; refraction scales with pressure and inversely with absolute temperature.

    Returns
    -------
    array
        Refraction, degrees (positive lifts the body). Good to about 0.1 arcmin above the horizon in
        ordinary air; nothing is that good within half a degree of it.

    Notes
    -----
    Saemundsson, T. 1986, Sky and Telescope 72, 70; it inverts Bennett, G. G. 1982, Journal of
    Navigation 35, 255.

    Examples
    --------
    >>> round(float(refraction_deg(0.5541) * 60), 2)
    24.62
    """
    if not pressure_hpa >= 0 or not temperature_c > -273.15:
        raise InputError(
            f"air of {pressure_hpa} hPa and {temperature_c} C: a pressure of 0 or more and a temperature "
            "above -273.15 C are needed"
        )
    altitude = np.maximum(np.asarray(true_altitude_deg, dtype=float), -2.0)
    arcmin = 1.02 / np.tan(np.radians(altitude + 10.3 / (altitude + 5.11)))
    air = pressure_hpa / 1010.0 * 283.0 / (273.0 + temperature_c)
    return np.maximum(arcmin, 0.0) * air / 60.0


def parallactic_rate_arcsec_s(latitude_deg, azimuth_deg, altitude_deg):
    """Rate at which the field turns on an altazimuth mount.

    Parameters
    ----------
    latitude_deg, azimuth_deg, altitude_deg : float or array
        Site's geodetic latitude; azimuth from north through east; altitude.

    Returns
    -------
    array
        d(parallactic angle)/dt, arcsec per second; infinite at the zenith, where no altazimuth mount
        follows.

    Notes
    -----
    From differentiating tan q = sin H / (tan phi cos dec - sin dec cos H) with the sidereal rate
    15.04107 arcsec/s: dq/dt = -omega cos(phi) cos(Az) / cos(alt).

    Examples
    --------
    >>> round(float(parallactic_rate_arcsec_s(50.0, 180.0, 45.0)), 4)
    13.6729
    """
    latitude, azimuth, altitude = (
        np.radians(np.asarray(a, dtype=float)) for a in (latitude_deg, azimuth_deg, altitude_deg)
    )
    with np.errstate(divide="ignore"):
        return -SIDEREAL_RATE_ARCSEC_S * np.cos(latitude) * np.cos(azimuth) / np.cos(altitude)
