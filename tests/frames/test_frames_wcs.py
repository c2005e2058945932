"""Sky to pixels and back against SkyCoord, and solutions that cannot be right."""

import warnings

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import SkyCoord
from astropy.io import fits
from astropy.wcs import WCS

from appulse.errors import FrameWCSError
from appulse.frames.frame import SolvedFrame
from appulse.frames.header import Cards
from appulse.frames.wcs import WcsMap, celestial_wcs

TOL_OVERLAY_PX = 1e-6
"""Asked of overlays; SkyCoord's own inversion of SIP stops at 1e-4 times the distortion's slope."""
TOL_ROUND_TRIP_PX = 1e-7
SHAPE = (1200, 1600)

BASE = {
    "CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN", "CRVAL1": 246.42, "CRVAL2": -24.16, "CRPIX1": 800.5,
    "CRPIX2": 600.5, "CD1_1": -0.001, "CD1_2": 0.0, "CD2_1": 0.0, "CD2_2": 0.001,
}  # fmt: skip
SIP = {
    "CTYPE1": "RA---TAN-SIP", "CTYPE2": "DEC--TAN-SIP", "A_ORDER": 3, "B_ORDER": 3, "A_2_0": 3e-7,
    "A_1_1": -2e-7, "A_3_0": -4e-10, "A_1_2": -4e-10, "B_0_2": 1e-7, "B_0_3": -4e-10, "B_2_1": -4e-10,
}  # fmt: skip
SIP_TERMS = {key: value for key, value in SIP.items() if "CTYPE" not in key}
TPV = {
    "CTYPE1": "RA---TPV", "CTYPE2": "DEC--TPV", "PV1_0": 1e-5, "PV1_1": 1.0002, "PV1_4": 1e-4, "PV1_7": 2e-4,
    "PV2_0": -1e-5, "PV2_1": 0.9999, "PV2_5": 1e-4, "PV2_7": 1e-4,
}  # fmt: skip


def rotated(angle_deg, scale=0.001, parity=1):
    c, s = scale * np.cos(np.radians(angle_deg)), scale * np.sin(np.radians(angle_deg))
    return {"CD1_1": -parity * c, "CD1_2": s, "CD2_1": parity * s, "CD2_2": c}


CASES = {
    "plain": {},
    "mirrored": rotated(0.0, parity=-1),
    "rotated": rotated(37.0),
    "mirrored and rotated": rotated(200.0, parity=-1),
    "SIP": SIP,
    "SIP rotated": SIP | rotated(182.9),
    "TPV": TPV,
    "TAN with PV": {key: value for key, value in TPV.items() if "CTYPE" not in key},
    "ZPN": {"CTYPE1": "RA---ZPN", "CTYPE2": "DEC--ZPN", "PV2_1": 1.0, "PV2_3": 0.05},
    "CAR": {"CTYPE1": "RA---CAR", "CTYPE2": "DEC--CAR", "CRVAL2": 0.0},
    "SIN": {"CTYPE1": "RA---SIN", "CTYPE2": "DEC--SIN"},
    "SIN-SIP": SIP | {"CTYPE1": "RA---SIN-SIP", "CTYPE2": "DEC--SIN-SIP"},
    "0h": {"CRVAL1": 0.02},
    "0h from below": {"CRVAL1": 359.99, **rotated(80.0)},
    "north pole": {"CRVAL2": 89.9, **rotated(10.0)},
    "at the pole": {"CRVAL1": 30.0, "CRVAL2": 90.0},
    "south pole": SIP | {"CRVAL2": -89.7},
    "FK5": {"RADESYS": "FK5", "EQUINOX": 2000.0},
    "FK5 by equinox": {"EQUINOX": 2000.0},
    "FK5 of date": {"RADESYS": "FK5", "EQUINOX": 2027.34, **rotated(25.0)},
    "FK5 of date at the pole": {"RADESYS": "FK5", "EQUINOX": 2027.34, "CRVAL2": 89.95, **rotated(25.0)},
    "FK5 of date, TPV": TPV | {"RADESYS": "FK5", "EQUINOX": 2027.34},
    "FK5 of date, SIP": SIP | {"RADESYS": "FK5", "EQUINOX": 2027.34},
    "galactic": {"CTYPE1": "GLON-TAN", "CTYPE2": "GLAT-TAN", "CRVAL1": 353.0, "CRVAL2": 17.0},
    "galactic, EQUINOX of 0": {
        "CTYPE1": "GLON-TAN", "CTYPE2": "GLAT-TAN", "CRVAL1": 353.0, "CRVAL2": 17.0, "EQUINOX": 0.0,
    },
    "CDELT and CROTA": {"CD1_1": None, "CD1_2": None, "CD2_1": None, "CD2_2": None, "CDELT1": -0.001,
                        "CDELT2": 0.001, "CROTA2": 20.0},
    "arcsec": {"CUNIT1": "arcsec", "CUNIT2": "arcsec", "CRVAL1": 246.42 * 3600, "CRVAL2": -24.16 * 3600,
               "CD1_1": -3.6, "CD2_2": 3.6},
}  # fmt: skip


def header(**changes):
    return fits.Header({key: value for key, value in (BASE | changes).items() if value is not None})


def astropy_wcs(cards):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return WCS(cards)


def solved(cards, shape=SHAPE, **options):
    wcs, notes = celestial_wcs(Cards(cards, "m1.fits"), shape, **options)
    return SolvedFrame(wcs=wcs, shape=shape, exposure=None, observer=None, notes=tuple(notes))


@pytest.mark.parametrize("case", CASES)
def test_pixels_agree_with_skycoord(case):
    cards = header(**CASES[case])
    frame, wcs = solved(cards), astropy_wcs(cards)
    random = np.random.default_rng(5)
    x, y = random.uniform(-200, SHAPE[1] + 200, 400), random.uniform(-200, SHAPE[0] + 200, 400)
    ra, dec = frame.to_sky(x, y)
    sky = SkyCoord(ra * u.deg, dec * u.deg)
    x_astropy, y_astropy = sky.to_pixel(wcs)
    x_ours, y_ours = frame.to_pixel(ra, dec)
    np.testing.assert_allclose(x_ours, x_astropy, rtol=0, atol=TOL_OVERLAY_PX)
    np.testing.assert_allclose(y_ours, y_astropy, rtol=0, atol=TOL_OVERLAY_PX)
    np.testing.assert_allclose(x_ours, x, rtol=0, atol=TOL_OVERLAY_PX if "TPV" in case else TOL_ROUND_TRIP_PX)
    ours = SkyCoord(*frame.to_sky(x, y), unit="deg")
    assert SkyCoord.from_pixel(x, y, wcs).icrs.separation(ours).to_value("mas").max() < 1e-3


@pytest.mark.parametrize("case", ["plain", "mirrored", "SIP", "north pole", "FK5 of date"])
def test_rotation_scale_and_parity(case):
    cards = header(**CASES[case])
    frame = solved(cards)
    ny, nx = SHAPE
    centre, up, right = (
        SkyCoord.from_pixel(x, y, astropy_wcs(cards)).icrs
        for x, y in (((nx - 1) / 2, (ny - 1) / 2), ((nx - 1) / 2, ny / 2), (nx / 2, (ny - 1) / 2))
    )
    pa_up, pa_right = (centre.position_angle(one).to_value("deg") for one in (up, right))
    assert (frame.rotation_deg - pa_up + 180) % 360 - 180 == pytest.approx(0.0, abs=0.01)
    assert frame.parity == (1 if (pa_up - pa_right) % 360 < 180 else -1)
    side = np.sqrt(centre.separation(up).arcsec * centre.separation(right).arcsec)
    assert frame.pixel_scale == pytest.approx(2 * side, rel=1e-4)
    corner = SkyCoord.from_pixel(-0.5, -0.5, astropy_wcs(cards)).icrs
    assert frame.radius_deg >= centre.separation(corner).deg - 1e-9


def test_far_side_of_the_sky_is_nan_and_the_rest_stays():
    for case in ("plain", "SIP", "TPV", "SIN-SIP"):
        frame = solved(header(**CASES[case]))
        x, y = frame.to_pixel([246.42, 66.42, np.nan, 246.5], [-24.16, 24.16, 0.0, -24.2])
        assert np.isfinite(x).tolist() == [True, False, False, True], case
        assert np.isnan(y[1:3]).all()


def test_contains():
    frame = solved(header(**SIP, **rotated(30.0)))
    x, y = np.array([-0.4, -0.6, 1599.4, 800.0]), np.array([0.0, 0.0, 1199.4, 1210.0])
    ra, dec = frame.to_sky(x, y)
    assert frame.contains(ra, dec).tolist() == [True, False, True, False]
    assert frame.contains(ra, dec, margin_px=11).all()


def test_shapes_follow_the_input():
    frame = solved(header())
    x, y = frame.to_pixel(np.full((3, 4), 246.4), -24.1)
    assert x.shape == y.shape == (3, 4)
    assert frame.to_pixel(246.4, -24.1)[0].shape == ()
    assert frame.to_sky(np.empty(0), np.empty(0))[0].shape == (0,)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"CTYPE1": None, "CTYPE2": None}, ["no celestial WCS", "--wcs-from"]),
        ({"CTYPE1": "LINEAR", "CTYPE2": "LINEAR"}, ["no celestial WCS", "LINEAR"]),
        ({"CRVAL1": "246.42"}, ["CRVAL1", "string", "--wcs-from"]),
        ({"CD1_1": "-0.001"}, ["CD1_1", "string"]),
        (TPV | {"PV1_1": "1.0"}, ["PV1_1", "string"]),
        ({"CRVAL1": None}, ["without CRVAL1"]),
        ({"CRPIX2": None}, ["without CRPIX2"]),
        ({"CD1_1": None, "CD1_2": None, "CD2_1": None, "CD2_2": None}, ["without scale"]),
        ({"CD1_1": 0.001, "CD1_2": 0.001, "CD2_1": 0.001, "CD2_2": 0.001}, ["singular"]),
        ({"CD1_1": 0.0, "CD2_2": 0.0}, ["singular"]),
        ({"CD1_1": -1.0, "CD2_2": 1.0}, ["3600", "scale"]),
        ({"CD1_1": -1e-8, "CD2_2": 1e-8}, ["scale"]),
        ({"CTYPE1": "RA---XYZ", "CTYPE2": "DEC--XYZ"}, ["cannot be used"]),
        ({"CTYPE2": "RA---TAN"}, ["cannot be used"]),
        ({"CRVAL2": 95.0}, ["DEC--TAN is 95 degrees", "-90 and 90"]),
        ({"RADESYS": "FK4", "EQUINOX": 1950.0}, ["FK4", "solve the frame again"]),
        ({"EQUINOX": 1950.0}, ["FK4"]),
        ({"CTYPE1": "ELON-TAN", "CTYPE2": "ELAT-TAN"}, ["ELON"]),
        (
            {"CTYPE1": "RA---TNX", "CTYPE2": "DEC--TNX", "WAT1_001": "wtype=tnx lngcor = '3. 4. 4."},
            ["TNX", "TPV"],
        ),
        ({"EQUINOX": "next"}, ["EQUINOX", "2000.0"]),
        (SIP | {"B_ORDER": None}, ["A_ORDER alone"]),
        (SIP | {"A_2_0": 5e-3}, ["distortion terms fold"]),
        ({"RADESYS": "FK5", "EQUINOX": 2027.0, "CTYPE1": "RA---CAR", "CTYPE2": "DEC--CAR"}, ["CAR", "ICRS"]),
    ],
    ids=lambda value: " ".join(f"{k}={v}" for k, v in value.items())[:50] if isinstance(value, dict) else "",
)
def test_bad_solution_is_named(changes, words):
    with pytest.raises(FrameWCSError) as caught:
        solved(header(**changes))
    assert str(caught.value).startswith("m1.fits: ")
    for word in words:
        assert word in str(caught.value)


def test_not_a_number_is_named():
    cards = header()
    cards.remove("CRVAL1")
    cards.append(fits.Card.fromstring("CRVAL1  =                  NaN"))
    with pytest.raises(FrameWCSError, match="CRVAL1"):
        solved(cards)


def test_unannounced_sip_is_applied_and_told():
    quiet = SIP | {"CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN"}
    frame, announced = solved(header(**quiet)), solved(header(**SIP))
    assert any("CTYPE has no -SIP: applied" in note and "arcsec" in note for note in frame.notes)
    np.testing.assert_allclose(frame.to_sky(10.0, 20.0), announced.to_sky(10.0, 20.0), rtol=1e-13)
    linear = solved(header(**quiet), sip="ignore")
    np.testing.assert_allclose(linear.to_sky(10.0, 20.0), solved(header()).to_sky(10.0, 20.0), rtol=1e-13)
    assert any("left out" in note for note in linear.notes)


def test_nothing_is_printed_warned_or_altered(capfd, recwarn):
    cards = header(
        RADECSYS="FK5", EQUINOX="J2000", **{"DATE-OBS": "2027-05-04T22:00:00Z", "MJD-OBS": 61500.0}
    )
    cards["A_ORDER"], cards["B_ORDER"], cards["A_2_0"] = 2, 2, 1e-7
    before = cards.tostring()
    frame = solved(cards)
    assert cards.tostring() == before
    assert capfd.readouterr() == ("", "")
    assert not recwarn.list
    assert any("FK5, equinox J2000.0" in note for note in frame.notes)


@pytest.mark.parametrize("linear", [{}, {"CD1_1": None, "CD1_2": None, "CD2_1": None, "CD2_2": None,
                                         "CDELT1": 0.002, "CDELT2": -0.001}])  # fmt: skip
def test_declination_may_come_first(linear):
    # SkyCoord.to_pixel exchanges the pixel axes together with the sky's, so wcslib itself is asked.
    swapped = {"CTYPE1": "DEC--TAN", "CTYPE2": "RA---TAN", "CRVAL1": -24.16, "CRVAL2": 246.42} | SIP_TERMS
    swapped |= {"CTYPE1": "DEC--TAN-SIP", "CTYPE2": "RA---TAN-SIP"}
    cards = header(**swapped, **(linear or rotated(30.0)))
    dec, ra = astropy_wcs(cards).all_pix2world(100.0, 300.0, 0)
    frame = solved(cards)
    np.testing.assert_allclose(frame.to_sky(100.0, 300.0), (ra, dec), rtol=1e-13)
    np.testing.assert_allclose(frame.to_pixel(ra, dec), (100.0, 300.0), rtol=1e-9)
    assert (frame.wcs.wcs.lng, frame.wcs.wcs.lat) == (0, 1)


def test_cube_axes_are_left_out():
    cards = header(NAXIS=3, CTYPE3="RGB", CRVAL3=1.0, CRPIX3=1.0, CDELT3=1.0, CD3_3=1.0, WCSAXES=3)
    np.testing.assert_allclose(solved(cards).to_sky(1.0, 2.0), solved(header()).to_sky(1.0, 2.0), rtol=1e-13)


def test_celestial_axes_may_come_last():
    moved = {"CTYPE2": "RA---TAN", "CTYPE3": "DEC--TAN", "CRVAL2": 246.42, "CRVAL3": -24.16, "CRPIX2": 800.5,
             "CRPIX3": 600.5, "CD2_2": -0.001, "CD3_3": 0.001, "CTYPE1": "RGB", "CRVAL1": 1.0}  # fmt: skip
    found, wanted = (solved(cards).to_sky(1.0, 2.0) for cards in (fits.Header(moved), header()))
    np.testing.assert_allclose(found, wanted, rtol=1e-13)


def test_memory_frame_is_turned_to_icrf():
    cards = header(RADESYS="FK5", EQUINOX=2027.34)
    frame = SolvedFrame.from_arrays(np.zeros(SHAPE), astropy_wcs(cards))
    sky = SkyCoord.from_pixel(5.0, 6.0, astropy_wcs(cards)).icrs
    ra, dec = frame.to_sky(5.0, 6.0)
    assert sky.separation(SkyCoord(ra, dec, unit="deg")).mas < 1e-3
    assert frame.wcs.wcs.radesys == "ICRS"


@pytest.mark.parametrize("case", CASES)
def test_the_map_of_any_wcs_agrees_with_astropy(case):
    """Axes as the file has them: what viewers' images and stacks' grids use, not turned to ICRF first."""
    cards = header(**CASES[case])
    wcs = astropy_wcs(cards)
    sky_map = WcsMap(wcs)
    random = np.random.default_rng(6)
    x, y = random.uniform(-200, SHAPE[1] + 200, (3, 50)), random.uniform(-200, SHAPE[0] + 200, (3, 50))
    ra, dec = sky_map.to_sky(x, y)
    assert ra.shape == x.shape
    theirs = SkyCoord.from_pixel(x, y, wcs).icrs
    assert theirs.separation(SkyCoord(ra, dec, unit="deg")).to_value("mas").max() < 1e-3
    found = np.stack(sky_map.to_pixel(ra, dec))
    np.testing.assert_allclose(
        found, SkyCoord(ra, dec, unit="deg").to_pixel(wcs), rtol=0, atol=TOL_OVERLAY_PX
    )
    np.testing.assert_allclose(found, [x, y], rtol=0, atol=TOL_OVERLAY_PX)
    world = wcs.all_pix2world(np.column_stack([x.ravel(), y.ravel()]), 0)
    again = wcs.all_world2pix(world, 0, tolerance=1e-9, maxiter=60)
    np.testing.assert_allclose(found.reshape(2, -1).T, again, rtol=0, atol=TOL_OVERLAY_PX)


@pytest.mark.parametrize(
    "case", ["plain", "mirrored", "SIP rotated", "TPV", "0h", "at the pole", "south pole", "galactic"]
)
def test_jacobian_leads_from_a_pixel_to_its_neighbour(case):
    sky_map = WcsMap(astropy_wcs(header(**CASES[case])))
    x, y = np.array([10.0, 799.5, 1500.0]), np.array([1100.0, 599.5, 20.0])
    jacobian = sky_map.jacobian(x, y)
    assert jacobian.shape == (3, 2, 2)
    here, right, up = (
        SkyCoord(*sky_map.to_sky(x + dx, y + dy), unit="deg") for dx, dy in ((0, 0), (1, 0), (0, 1))
    )
    for column, there in enumerate((right, up)):
        distance, angle = here.separation(there).arcsec, here.position_angle(there).rad
        wanted = np.stack([distance * np.sin(angle), distance * np.cos(angle)], axis=1)
        # A step of one pixel against half a pixel to each side: the distortion's second derivative.
        np.testing.assert_allclose(jacobian[:, :, column], wanted, rtol=0, atol=0.01)
    np.testing.assert_allclose(sky_map.jacobian(x[0], y[0]), jacobian[0], rtol=1e-12)


def test_a_distortion_polynomial_is_not_followed_beyond_its_reach():
    wcs = astropy_wcs(header(**SIP))
    free, bounded = WcsMap(wcs), WcsMap(wcs, reach=(799.5, 599.5, 3000.0))
    ra, dec = free.to_sky([0.0, 800.0], [0.0, 600.0])
    np.testing.assert_array_equal(bounded.to_pixel(ra, dec), free.to_pixel(ra, dec))
    assert np.isnan(bounded.to_pixel(246.42 + 5.0, -24.16)).all()
    assert np.isnan(WcsMap(wcs).to_pixel(246.42 + 170.0, 24.16)).all()
    assert np.isfinite(WcsMap(astropy_wcs(header()), reach=(0, 0, 1)).to_pixel(246.42, -24.16)).all()
