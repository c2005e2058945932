"""Airmass, refraction, moonlight, CCD equation and trailing against published values."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from appulse.constants import FWHM_PER_SIGMA
from appulse.encounters import atmosphere, photon_rates
from appulse.errors import InputError


def test_airmass_against_kasten_and_young():
    """Kasten & Young 1989, formula evaluated independently: z = 60, 80, 85, 90."""
    assert_allclose(atmosphere.airmass([30.0, 10.0, 5.0, 0.0]), [1.9943, 5.5860, 10.3058, 37.920], rtol=1e-4)


def test_airmass_agrees_with_another_published_formula():
    """Pickering 2002 (DIO 12, 1, 20): 1 / sin(h + 244 / (165 + 47 h^1.1)); the two part by 2.2% at 90."""
    assert_allclose(atmosphere.airmass([30.0, 10.0, 5.0, 0.0]), [1.9932, 5.5807, 10.3337, 38.749], rtol=0.025)


def test_airmass_is_clamped_at_the_zenith_and_undefined_below_the_horizon():
    assert atmosphere.airmass(90.0) == 1.0
    assert np.isnan(atmosphere.airmass(-0.1))


def test_refraction_inverts_bennett():
    """Saemundsson 1986 at true 0.5541 degrees: 24.618 arcmin (from memory); Bennett 1982 the other way."""
    assert_allclose(atmosphere.refraction_deg(0.5541) * 60, 24.618, atol=2e-3)
    apparent = np.array([1.0, 5.0, 20.0, 60.0])
    bennett = 1 / np.tan(np.radians(apparent + 7.31 / (apparent + 4.4))) / 60
    true = apparent - bennett
    assert_allclose(true + atmosphere.refraction_deg(true), apparent, atol=0.12 / 60)


def test_refraction_agrees_with_erfa_away_from_the_horizon():
    """ERFA refco (two-constant model), within the 0.1 arcmin that the short formula claims."""
    import erfa

    a, b = erfa.refco(1010.0, 10.0, 0.0, 0.55)
    tan_z = np.tan(np.radians(45.0))
    expected = np.degrees(a * tan_z + b * tan_z**3)
    assert_allclose(atmosphere.refraction_deg(45.0), expected, atol=0.1 / 60)


def test_air_that_cannot_be_is_refused():
    with pytest.raises(InputError, match="hPa"):
        atmosphere.refraction_deg(10.0, pressure_hpa=-1.0)


def test_field_rotation_agrees_with_erfa_parallactic_angle():
    """d(parallactic angle)/dt against a finite difference of ERFA's hd2pa and hd2ae."""
    import erfa

    latitude, dec, hour_angle, step = np.radians(50.0), np.radians(20.0), np.radians(-25.0), 1e-4
    azimuth, altitude = erfa.hd2ae(hour_angle, dec, latitude)
    turned = erfa.hd2pa(hour_angle + step, dec, latitude) - erfa.hd2pa(hour_angle - step, dec, latitude)
    rate = turned / (2 * step) * atmosphere.SIDEREAL_RATE_ARCSEC_S
    assert_allclose(
        atmosphere.parallactic_rate_arcsec_s(50.0, np.degrees(azimuth), np.degrees(altitude)), rate, rtol=1e-6
    )


def test_moonlight_worked_value():
    """K&S 1991: Z 20, Zm 70, rho 50, alpha 45, k 0.15 gives 19.855 mag/arcsec2 of moonlight alone."""
    moon = atmosphere.moonlight_nanolambert(20.0, 70.0, 50.0, 45.0, 0.15)
    assert_allclose(atmosphere.nanolambert_to_surface_brightness(moon), 19.855, atol=1e-3)


def test_nanolamberts_and_back():
    there = atmosphere.surface_brightness_to_nanolambert(21.6)
    assert_allclose(atmosphere.nanolambert_to_surface_brightness(there), 21.6, rtol=1e-12)


def test_moon_below_the_horizon_gives_no_light():
    assert atmosphere.moonlight_nanolambert(20.0, 90.0, 50.0, 0.0, 0.15) == 0.0


def test_ccd_equation_worked_value():
    """Howell, Handbook of CCD Astronomy, worked example (from memory): S/N 342."""
    found = photon_rates.signal_to_noise(24013 * 5, 620 * 5, 1, dark_e_px=22 * 300 / 3600, read_noise_e=5)
    assert_allclose(found, 342, atol=0.5)


def test_no_source_is_no_signal_and_no_nan():
    assert photon_rates.signal_to_noise(0.0, 0.0, 1) == 0.0


@pytest.mark.parametrize(("ratio", "loss"), [(1, 0.11), (2, 0.30), (4, 0.60)])
def test_trailing_loss_table(ratio, loss):
    """Loss of a matched trail filter, computed apart by numerical integration to two decimals."""
    assert_allclose(photon_rates.trailing_loss_mag(ratio), loss, atol=0.006)


@pytest.mark.parametrize("trail", [0.0, 0.5, 3.0, 12.0])
def test_noise_pixels_and_peak_against_a_drawn_profile(trail):
    """A finely drawn trail, summed: the effective pixels, and the share on the centre pixel."""
    fwhm, step = 3.0, 0.02
    s = fwhm / FWHM_PER_SIGMA
    u = np.arange(-25, 25, step) + step / 2
    box = ((np.arange(400) + 0.5) / 400 - 0.5) * trail
    along = np.exp(-((u[:, None] - box) ** 2) / (2 * s * s)).mean(axis=1) / (np.sqrt(2 * np.pi) * s)
    across = np.exp(-(u**2) / (2 * s * s)) / (np.sqrt(2 * np.pi) * s)
    effective = 1 / ((along**2).sum() * step * (across**2).sum() * step)
    assert_allclose(photon_rates.noise_pixels(fwhm, trail), effective, rtol=2e-3)
    centre = np.abs(u) < 0.5
    share = along[centre].sum() * step * across[centre].sum() * step
    assert_allclose(photon_rates.peak_fraction(fwhm, trail), share, rtol=2e-3)


def test_longest_exposure_common_practice():
    """3 arcsec at 60 arcsec/h: 180 s (common practice, no source)."""
    assert photon_rates.longest_exposure_s(60.0, 3.0) == 180.0
    assert np.isinf(photon_rates.longest_exposure_s(0.0, 3.0))


def test_pixel_scale():
    assert_allclose(photon_rates.pixel_scale_arcsec(1.0, 1000.0), 0.206265, atol=1e-6)
    with pytest.raises(InputError, match="above 0"):
        photon_rates.pixel_scale_arcsec(0.0, 1000.0)
