"""Capture plans: each figure recomputed by hand from its formula, limits that bind, framing that holds."""

import datetime
import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from astropy.wcs import WCS
from numpy.testing import assert_allclose

from appulse.catalogues.deepsky import Outline
from appulse.encounters import plan_preview
from appulse.encounters.capture import plan_capture
from appulse.encounters.comet_pass import TailPass
from appulse.encounters.photon_rates import surface_brightness
from appulse.encounters.visibility import watch_night
from appulse.errors import InputError
from appulse.formats.settings import InstrumentSettings, SiteSettings
from appulse.observers.site import Site

NEBULA = Outline("IC 4603", "circle", 246.352, -24.4684, 20.0, 20.0, mag=9.0)
RATE_ARCSEC_H = 28.7
DIURNAL_ARCSEC_H = 8.794 / 2.0 * 2 * np.pi / 24 * np.cos(np.radians(23.0)) * 1.01
"""The site's own motion shifts a body 2 au away by at most so much in an hour: solar parallax (8.794
arcsec, IAU 1976) x turning."""

MAY = datetime.date(2027, 5, 4)


def moving(times):
    """2 au away, moving west at the rate from the nebula's centre since a fixed moment."""
    dec = np.radians(-24.4684)
    ra = np.radians(246.352 - RATE_ARCSEC_H / 3600 * 24 * (times.mjd - 61530.0) / np.cos(dec))
    dec = dec * np.ones_like(ra)
    return 2.0 * np.stack([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)], axis=1)


def night(**changes):
    site = SiteSettings("s", Site.from_geodetic(-68.0, -23.0, 2400.0), **changes)
    a, d = np.radians([NEBULA.ra, NEBULA.dec])
    unit = np.array([np.cos(d) * np.cos(a), np.cos(d) * np.sin(a), np.sin(d)])
    return watch_night(site, MAY, moving, unit, 2.0)


def encounter(**changes):
    given = {"rate": RATE_ARCSEC_H, "motion_pa": 270.0, "mag": 9.9, "target": NEBULA}
    return SimpleNamespace(**({"tail": None} | given | changes))


def camera(**changes):
    given = {"aperture_mm": 70.0, "focal_length_mm": 350.0, "pixel_um": 6.1, "sensor_px": (1600, 1200)}
    return InstrumentSettings("short", **(given | changes))


def make_plan(one, where, optics, **wishes):
    return plan_capture(one, where, optics, moving, **wishes)


def test_figures_against_their_formulas():
    plan = make_plan(encounter(mag=14.0), night(), camera())
    value = {key: figure.value for key, figure in plan.figures.items()}
    assert_allclose(value["scale"], 206.265 * 6.1 / 350, rtol=1e-5)  # arcsec in a radian, um in a mm
    assert_allclose(value["motion"], RATE_ARCSEC_H, atol=DIURNAL_ARCSEC_H)
    assert value["motion"] <= value["motion_fastest"] <= RATE_ARCSEC_H + DIURNAL_ARCSEC_H
    assert_allclose(value["trail_limit"], value["seeing"] / value["motion_fastest"] * 3600, rtol=1e-9)
    assert_allclose(value["motion_px"], value["motion"] / 60 / value["scale"], rtol=1e-9)
    assert_allclose(value["trail"], value["motion_fastest"] / 3600 * plan.exposure_s, rtol=1e-9)
    assert 0.5 < value["snr_total"] / (value["snr"] * np.sqrt(plan.count)) < 1
    assert_allclose(value["volume"], plan.count * 1600 * 1200 * 2 / 1e9, rtol=1e-9)
    assert plan.count * value["cadence"] <= (plan.end - plan.begin).sec


def test_a_series_for_a_picture():
    """Dots 2.5 FWHM apart, an hour of light, around the least separation, within the night."""
    where = night()
    begin, end = where.interval
    one = encounter(time=begin + (end - begin) / 2)
    dense = make_plan(one, where, camera())
    plan = make_plan(one, where, camera(), dots=12)
    series = plan.series
    assert (series.dots, plan.count) == (12, 12 * series.per_dot)
    image = np.hypot(plan.figures["seeing"].value, plan.figures["scale"].value)
    assert_allclose(plan.figures["spacing"].value, 2.5 * image, rtol=0.05)
    assert_allclose(plan.figures["total"].value, 60.0, rtol=0.1)
    assert begin <= plan.begin < one.time < plan.end <= end
    span_s = 11 * series.every_s + series.per_dot * plan.figures["cadence"].value
    assert span_s <= (plan.end - plan.begin).sec + 1.0
    assert plan.count < dense.count / 4
    # a body too slow for twelve dots in one night leaves fewer; one dot at least
    few = make_plan(one, where, camera(), dots=150)
    assert 12 < few.series.dots < 150
    assert few.end <= end
    with pytest.raises(InputError, match="dots"):
        make_plan(one, where, camera(), dots=0)


def test_the_preview_is_the_finished_stack():
    """As many dots as the series has groups, and the noise that is left of so many exposures."""
    where = night()
    begin, end = where.interval
    one = encounter(time=begin + (end - begin) / 2, id="x", name="Iris", designation="7")
    plan = make_plan(one, where, camera(), dots=8)
    single = np.asarray(plan_preview.invent_frame(plan, moving).data, dtype=float)
    stack = plan_preview.invent_stack(plan, moving)[0].data
    corner = np.s_[:200, :200]
    ratio = np.std(single[corner]) / np.std(stack[corner])
    assert_allclose(ratio, np.sqrt(plan.count) / camera().gain_e_adu, rtol=0.1)
    moments = plan_preview._dot_moments(plan)
    assert len(moments) == 8
    assert plan.begin <= moments[0] < moments[-1] <= plan.end
    dark = replace(plan, encounter=encounter(id="x", mag=np.nan))
    without = plan_preview.invent_stack(dark, moving)[0].data
    light = plan_preview._rate(plan, 9.9) * plan.exposure_s
    assert_allclose((stack - without).sum(), 8 * light, rtol=0.05)
    middle = stack[stack.shape[0] // 2 - 20 :, :][:40, 600:1000]
    assert np.median(middle) > np.median(stack[corner]) + np.std(stack[corner])  # the nebula is there


def test_a_comet_is_drawn_with_coma_and_tail():
    """All its light in the coma, once, and a tail on its side; without a size a point, and that is said."""
    tail = TailPass(3.0, 12.0, 90.0, 0.0, 0.0, np.nan, np.nan, "tail across x", (95.0, 115.0))
    comet = encounter(id="x", name="C/2026 X1", designation="C/2026 X1", mag=9.0, tail=tail)
    plan = make_plan(comet, night(), camera())
    like = lambda **changes: replace(plan, encounter=SimpleNamespace(**(vars(comet) | changes)))  # noqa: E731
    dark = like(mag=np.nan)
    frame, dots = plan_preview.invent_stack(plan, moving)
    light = frame.data - plan_preview.invent_stack(dark, moving)[0].data
    (x, y), scale = dots[0], plan.figures["scale"].value
    assert len(dots) == 1
    east, north = (np.indices(light.shape)[::-1] - np.array([x, y])[:, None, None]) * scale / 60
    east, rho = -east, np.hypot(east, north)
    assert plan.framing.rotation_deg == 0.0
    total = plan_preview._rate(plan, 9.0) * plan.exposure_s
    assert 0.8 * total < light[(rho < 1.7)].sum() < 1.5 * total
    ahead = light[(rho > 4) & (rho < 8) & (np.abs(np.degrees(np.arctan2(east, north)) - 105) < 8)]
    behind = light[(rho > 4) & (rho < 8) & (east < 0)]
    noise = np.std(behind) / np.sqrt(len(ahead))
    assert ahead.mean() > behind.mean() + 10 * noise
    assert "estimate" in str(plan_preview.invent_frame(plan, moving).header["COMMENT"])
    bare = like(tail=replace(tail, coma_arcmin=np.nan))
    assert "a point is drawn" in plan_preview.comet_words(bare)


def test_signal_to_noise_by_hand():
    """Electrons of a V 14 body: 10,050 photons/(s cm2 nm) at V 0, area, band, efficiency, extinction."""
    site = night(extinction=0.2)
    plan = make_plan(encounter(mag=14.0), site, camera(full_well_e=1e9, bits=32))
    air, seeing = plan.figures["airmass"].value, plan.figures["seeing"].value
    electrons = 10_050 * 250 * np.pi / 4 * 49 * 0.5 * 10 ** (-0.4 * (14.0 + 0.2 * air)) * plan.exposure_s
    scale = plan.figures["scale"].value
    sky = plan.figures["sky_e"].value
    s = seeing / scale / 2.3548
    trail = plan.figures["trail"].value / scale
    rough_pixels = 4 * np.pi * s**2 * 10 ** (0.8 * plan.figures["trailing_loss"].value)
    noise = np.sqrt(electrons + rough_pixels * (sky + 0.01 * plan.exposure_s + 9.0))
    assert trail < 2 * s * 2.36
    assert_allclose(plan.figures["snr"].value, electrons / noise, rtol=1e-3)


@pytest.mark.parametrize(
    ("optics", "reason"),
    [
        ({"full_well_e": 1e9, "bits": 32, "tracking_limit_s": 1e5}, "trailing"),
        ({"full_well_e": 1e9, "bits": 32, "tracking_limit_s": 20.0}, "tracking"),
        ({}, "saturation"),
        ({"mount": "altazimuth", "full_well_e": 1e9, "bits": 32}, "field rotation"),
    ],
)
def test_the_binding_limit_is_named(optics, reason):
    plan = make_plan(encounter(), night(), camera(**optics))
    assert plan.figures["exposure"].source.endswith(reason)
    assert plan.figures["exposure_limit"].value == reason


def test_exposures_shorter_than_the_pause_between_them_are_spoken_of():
    """A lower gain helps where the converter ends first, not where the pixel's well is full."""
    by_gain = make_plan(encounter(mag=7.0), night(), camera(full_well_e=50_000, gain_e_adu=0.2, bits=14))
    by_well = make_plan(encounter(mag=7.0), night(), camera(full_well_e=3_000, gain_e_adu=1.0, bits=16))
    [said] = [line for line in by_gain.warnings if "saturation" in line]
    first, wider = by_gain.exposure_s, 50_000 / (0.2 * (2**14 - 1))
    gain_s = float(re.search(r"at a lower gain up to ([\d.]+) s", said)[1])
    assert gain_s == pytest.approx(first * wider, rel=0.15)  # both are rounded down
    assert "with a filter up to 300 s, where tracking" in said
    [said] = [line for line in by_well.warnings if "saturation" in line]
    assert "gain" not in said
    assert "with a filter" in said
    long = make_plan(encounter(), night(), camera())
    assert not any("saturation" in line for line in long.warnings)


def test_a_sixteen_bit_camera_saturates_by_its_converter():
    wide = make_plan(encounter(), night(), camera(full_well_e=1e9, gain_e_adu=1.0, bits=16))
    deep = make_plan(encounter(), night(), camera(full_well_e=1e9, gain_e_adu=2.0, bits=16))
    assert_allclose(
        deep.figures["saturation_limit"].value / wide.figures["saturation_limit"].value, 2.0, rtol=1e-6
    )


def test_object_and_track_lie_in_the_planned_field():
    """The pointing as a TAN WCS: every point of the track falls on the sensor."""
    plan = make_plan(encounter(), night(), camera())
    framing, optics = plan.framing, plan.instrument
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval = [framing.ra, framing.dec]
    wcs.wcs.crpix = [(optics.sensor_px[0] + 1) / 2, (optics.sensor_px[1] + 1) / 2]
    scale, turn = plan.figures["scale"].value / 3600, np.radians(framing.rotation_deg)
    wcs.wcs.cd = scale * np.array([[-np.cos(turn), np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    x, y = wcs.all_world2pix(framing.track, 0).T
    assert framing.object_fits
    assert np.all((x > 0) & (x < optics.sensor_px[0] - 1) & (y > 0) & (y < optics.sensor_px[1] - 1))
    cx, cy = wcs.all_world2pix([[NEBULA.ra, NEBULA.dec]], 0)[0]
    radius = 600 / plan.figures["scale"].value
    assert radius < cx < optics.sensor_px[0] - radius
    assert radius < cy < optics.sensor_px[1] - radius


def test_a_field_too_small_keeps_the_track_and_says_so():
    small = make_plan(encounter(), night(), camera(focal_length_mm=2000.0, sensor_px=(1600, 1200)))
    assert small.framing.words.endswith("larger than the field")
    assert small.framing.fits
    assert not small.framing.object_fits
    far = Outline("x", "circle", 246.352, -23.9684, 10.0, 10.0)
    apart = make_plan(encounter(target=far), night(), camera(focal_length_mm=2000.0, sensor_px=(1600, 1200)))
    assert apart.framing.words.startswith("the track alone")
    middle = apart.framing.track[len(apart.framing.track) // 2]
    assert_allclose((apart.framing.ra, apart.framing.dec), middle, atol=0.01)
    none = make_plan(encounter(), night(), camera(focal_length_mm=8000.0, sensor_px=(60, 50)))
    assert none.framing.words.startswith("not even the track")
    assert not none.framing.fits


def test_bad_wishes_are_refused():
    with pytest.raises(InputError, match="cadence"):
        make_plan(encounter(), night(), camera(), cadence_s=0.5)
    for cadence in (np.nan, 1e9):
        with pytest.raises(InputError, match="does not fit into the interval"):
            make_plan(encounter(), night(), camera(), cadence_s=cadence)
    with pytest.raises(InputError, match="trail"):
        make_plan(encounter(), night(), camera(), trail_arcsec=0.0)
    with pytest.raises(InputError, match="is not usable"):
        make_plan(encounter(), night(window=((20, 5), (60, 5), (60, 40))), camera())


def test_the_diurnal_motion_of_a_near_body_counts():
    """0.02 au away and at rest for the Earth's centre, a body runs by parallax alone."""
    a, d = np.radians([NEBULA.ra, NEBULA.dec])
    there = 0.02 * np.array([np.cos(d) * np.cos(a), np.cos(d) * np.sin(a), np.sin(d)])
    site = SiteSettings("s", Site.from_geodetic(-68.0, -23.0, 2400.0))

    def at_rest(times):
        return np.broadcast_to(there, (len(times), 3))

    where = watch_night(site, MAY, at_rest, there / 0.02, 2.0)
    plan = plan_capture(encounter(), where, camera(), at_rest)
    most = DIURNAL_ARCSEC_H * 2.0 / 0.02
    assert 0.8 * most < plan.figures["motion_fastest"].value < most
    assert plan.figures["trail"].value <= plan.figures["seeing"].value


def test_north_is_up_where_that_fits():
    assert make_plan(encounter(), night(), camera()).framing.rotation_deg == 0.0
    assert make_plan(encounter(), night(), camera(rotation_deg=30.0)).framing.rotation_deg == 30.0


def test_an_altazimuth_camera_hangs_from_the_zenith():
    """The parallactic angle by tan q = sin H / (tan phi cos dec - sin dec cos H), H from sidereal time."""
    site = SiteSettings("s", Site.from_geodetic(8.5, 50.0, 100.0), lowest=5.0)
    a, d = np.radians([NEBULA.ra, NEBULA.dec])
    unit = np.array([np.cos(d) * np.cos(a), np.cos(d) * np.sin(a), np.sin(d)])
    where = watch_night(site, MAY, moving, unit, 2.0)
    plan = make_plan(encounter(), where, camera(mount="altazimuth"))
    middle = (plan.begin + (plan.end - plan.begin) / 2).jd
    # mean sidereal time (Meeus, Astronomical Algorithms, 2nd ed. 1998, eq. 12.4; from memory)
    sidereal = np.radians(280.46062 + 360.98564737 * (middle - 2451545.0) + 8.5)
    hour, phi = sidereal - a, np.radians(50.0)
    q = np.degrees(np.arctan2(np.sin(hour), np.tan(phi) * np.cos(d) - np.sin(d) * np.cos(hour)))
    # 27 years of precession move the pole by 0.15 degrees
    assert_allclose((plan.framing.rotation_deg - q + 180) % 360 - 180, 0.0, atol=0.5)


def test_an_exposure_never_exceeds_its_limit():
    for depth in (50_000, 51_234, 47_777):
        plan = make_plan(encounter(), night(), camera(full_well_e=depth))
        assert plan.exposure_s <= 0.7 * plan.figures["saturation_limit"].value


def test_only_the_longest_stretch_counts():
    """A window in two pieces of night: the figures are those of the stretch that the plan names."""
    where = night(horizon=((85, 0), (90, 85), (95, 85), (100, 0), (260, 0), (265, 89)))
    plan = make_plan(encounter(), where, camera())
    inside = (where.times >= plan.begin) & (where.times <= plan.end)
    assert np.array_equal(inside, where.chosen)
    assert_allclose(plan.figures["altitude"].value, where.altitude[inside].max())


def test_a_large_sensor_gets_a_preview_of_added_pixels(monkeypatch):
    """4 x the pixels of the limit: two on a side added; the same sky per area, the same field."""
    one = encounter(id="x", mag=12.0)
    assert plan_preview._binned(make_plan(one, night(), camera(sensor_px=(7000, 5000))))[1] == 2
    monkeypatch.setattr(plan_preview, "MAX_PIXELS", 100_000)
    small = make_plan(one, night(), camera(sensor_px=(300, 200)))
    large = make_plan(one, night(), camera(sensor_px=(700, 500)))
    header = plan_preview.invent_frame(large, moving).header
    plain = plan_preview.invent_frame(small, moving).header
    assert (header["NAXIS1"], header["NAXIS2"]) == (350, 250)
    scale = abs(header["PC1_1"] * header["CDELT1"]) * 3600  # north is up
    assert_allclose(scale, 2 * large.figures["scale"].value, rtol=1e-9)
    assert_allclose(header["EGAIN"], 4 * plain["EGAIN"])
    assert any("2 x 2" in line for line in header["COMMENT"])


def test_unknown_brightness_is_said_and_no_signal_is_told():
    plan = make_plan(encounter(mag=np.nan), night(), camera())
    assert "snr" not in plan.figures
    assert str(plan.figures["mag"]) == "unknown"
    assert any("not known" in line for line in plan.warnings)


def test_twilight_is_said():
    assert any("twilight" in line for line in make_plan(encounter(), night(twilight=-6.0), camera()).warnings)
    assert not make_plan(encounter(), night(twilight=-18.0), camera()).warnings


def test_surface_brightness():
    """m + 2.5 log10(area): 9.0 over a circle of 20' is 9 + 2.5 log10(pi 600^2) = 24.13."""
    assert_allclose(surface_brightness(NEBULA), 9 + 2.5 * np.log10(np.pi * 600**2), rtol=1e-12)
    assert surface_brightness(Outline("x", "point", 1.0, 1.0)) is None
