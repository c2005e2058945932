"""A comet and its stars apart and joined, out of invented frames of a comet that moves among stars."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table
from astropy.wcs import WCS
from PIL import Image

import appulse
from appulse.errors import InputError
from appulse.sequence import PictureSettings
from appulse.sequence.comet_pictures import (
    PRODUCTS,
    _settled,
    median_division,
    place_at,
    profile_of,
    sky_structure,
    structure_words,
    wants_comet,
)
from invented_nights import CometPlan, NightPlan, add_comet, make_night

COMET = CometPlan(slope=1.1, nucleus=0.08, tail=2.5, tail_pa_deg=60.0, tail_width_deg=20.0, reach_fwhm=14.0)
PLAN = NightPlan(
    seed=5, frames=6, shape=(200, 250), fwhm_px=2.8, beta=None, scale_arcsec=2.0, snr=150.0, stars=300,
    comet=COMET, gap_s=700.0, rate_arcsec_h=100.0, motion_pa_deg=200.0, dither_px=2.0, cosmic_rays=4,
)  # fmt: skip


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("comet")
    night = make_night(PLAN, folder)
    result = appulse.stack(
        night.frames, "C/2099 A1", folder / "out", positions=night.positions, stars=night.stars, longest_px=80
    )
    return night, folder / "out", result


def comet_truth(night, out):
    """Stored light of the comet alone on the grid of comet.fits, and distances from its nucleus, FWHM."""
    header = fits.getheader(out / "comet.fits")
    truth = next(t for t in night.truths if t.name == header["REFFRAME"])
    plain = fits.Header([card for card in header.cards if not card.keyword.startswith("DATE")])
    to_pixel = WCS(plain).all_world2pix
    x, y = to_pixel(truth.ra, truth.dec, 0)
    cosdec = np.cos(np.radians(truth.dec))

    def ahead(pa_deg, arcsec):
        pa = np.radians(pa_deg)
        there = to_pixel(
            truth.ra + arcsec * np.sin(pa) / 3600 / cosdec, truth.dec + arcsec * np.cos(pa) / 3600, 0
        )
        return np.array([there[0] - x, there[1] - y])

    tail, trail = ahead(COMET.tail_pa_deg, 1.0), ahead(PLAN.motion_pa_deg, PLAN.rate_arcsec_h / 60)
    noise_e = np.sqrt(4 * np.pi) * PLAN.fwhm_px / 2.3548 * np.sqrt(PLAN.sky_e + PLAN.read_noise_e**2)
    light = 8.0 * noise_e * 10 ** (0.4 * (18.5 - truth.mag)) / PLAN.gain_e
    canvas = np.zeros((header["NAXIS2"], header["NAXIS1"]))
    angle = np.arctan2(tail[1], tail[0])
    add_comet(canvas, float(x), float(y), light, COMET, angle, PLAN.fwhm_px, None, *trail)
    rows, columns = np.indices(canvas.shape)
    return canvas, np.hypot(columns - x, rows - y) / PLAN.fwhm_px


def test_products_are_there_and_named_in_the_recipe(made):
    _, out, result = made
    names = {path.name for path in result.written}
    assert set(PRODUCTS) <= names
    recipe = (out / "recipe.yaml").read_text("utf-8")
    assert all(name in recipe for name in ("comet.fits", "stars.fits", "joined.png", "coma_gradient.fits"))


def test_coma_keeps_its_light_and_has_no_stars(made):
    night, out, _ = made
    canvas, away = comet_truth(night, out)
    with fits.open(out / "comet.fits") as hdus:
        comet, noise = hdus[0].data.astype(float), hdus["NOISE"].data.astype(float)
    assert np.isfinite(comet).all()
    for radius, share in ((3, 0.015), (7, 0.015), (12, 0.015)):
        inside = away < radius
        assert comet[inside].sum() == pytest.approx(canvas[inside].sum(), rel=share)
    rest = (comet - canvas) / noise
    assert np.abs(rest[away < 12]).max() < 5.0
    # trailed stars would show in means over their width
    block = rest[: rest.shape[0] // 4 * 4, : rest.shape[1] // 4 * 4]
    block = block.reshape(block.shape[0] // 4, 4, -1, 4).mean(axis=(1, 3))
    assert np.abs(block).max() < 1.6


def test_broad_light_goes_back_to_the_comet():
    """Broader than its way, a third of it was left with the stars: turns of whole stacks do not see that."""
    rows, columns = np.indices((160, 200))
    comet = 30.0 * np.exp(-((columns - 100) ** 2 + (rows - 80) ** 2) / (2 * 18.0**2))
    shifts = [(float(x), 0.0) for x in (-24, -8, 8, 24)]
    places = [np.roll(comet, int(x), axis=1) for x, _ in shifts]
    tilts = [0.01 * k * (columns - 100) for k in (-1, 1, 1, -1)]
    frames = [place + tilt for place, tilt in zip(places, tilts, strict=True)]
    level = SimpleNamespace(sigma=50.0, apply=lambda values, x0, y0: values)
    layers = [
        SimpleNamespace(level=level, weight=1.0, plane=SimpleNamespace(rows=lambda a, b, f=frame: f[a:b]))
        for frame in frames
    ]
    light = np.where(np.hypot(columns - 100, rows - 80) < 55, comet / 1.5, 0.0)
    stars = np.mean(frames, axis=0) - np.mean([np.roll(light, int(x), axis=1) for x, _ in shifts], axis=0)
    more, other = _settled(layers, shifts, stars, light, 3.0)
    inside = np.hypot(columns - 100, rows - 80) < 40
    assert (light + more)[inside].sum() == pytest.approx(comet[inside].sum(), rel=0.03)
    assert np.abs((stars + other)[30:130, 30:170]).mean() < 0.5 * np.abs(stars[30:130, 30:170]).mean()


def test_stars_keep_their_light_and_have_no_comet(made):
    night, out, _ = made
    with fits.open(out / "stars.fits") as hdus, fits.open(out / "base.fits") as plain:
        stars, base = hdus[0].data.astype(float), plain[0].data.astype(float)
        noise = hdus["NOISE"].data
    _, away = comet_truth(night, out)
    assert np.isfinite(stars).all()
    bright = (base - np.median(base) > 30 * np.median(noise)) & (away > 15)
    ratio = (stars[bright] - np.median(stars)).sum() / (base[bright] - np.median(base)).sum()
    assert ratio == pytest.approx(1.0, abs=0.01)
    # the coma's light at its middle place, where the plain stack has it smeared
    near = (away < 5) & (away > 2)
    assert np.median(stars[near]) - np.median(stars) < 3 * np.median(noise)


def test_joined_picture_has_the_comet_once_at_the_moment(made):
    _, out, result = made
    picture = np.asarray(Image.open(out / "joined.png"))
    assert picture.shape[:2] == result.night.grid.shape
    resampled = [
        type("F", (), {"subframe": s, "place": s.place.on(result.night.grid)[0]}) for s in result.night.kept
    ]
    first, last = resampled[0], resampled[-1]
    at, when = place_at(resampled, last.subframe.frame.name)
    assert np.allclose(at, last.place)
    assert when == last.subframe.place.time
    between, _ = place_at(resampled, "2027-05-04T23:00:00")
    assert min(first.place[1], last.place[1]) - 1 < between[1] < max(first.place[1], last.place[1]) + 1
    with pytest.raises(InputError, match="name of a frame or a UTC time"):
        place_at(resampled, "yesterday")
    with pytest.raises(InputError, match="a time from"):
        place_at(resampled, "2031-01-01")


def test_views_are_marked_as_processed(made):
    _, out, _ = made
    for name in ("coma_gradient.fits", "coma_division.fits"):
        header = fits.getheader(out / name)
        assert header["PROCESSD"] is True
        assert "processed" in str(header["HISTORY"])
    profile = Table.read(out / "coma_profile.ecsv")
    inner = (profile["radius_px"] > 8) & (profile["radius_px"] < 20)
    assert abs(np.median(profile["slope"][inner]) - COMET.slope) < 0.35
    assert "processed" in Image.open(out / "coma_views.png").text["Description"]


def test_profile_sums_the_coma_and_tells_what_the_sky_may_add(made):
    night, out, result = made
    canvas, away = comet_truth(night, out)
    profile = Table.read(out / "coma_profile.ecsv")
    at = round(7 * PLAN.fwhm_px)
    assert profile["total"][at] == pytest.approx(canvas[away < 7].sum(), rel=0.03)
    assert 0 < profile["total_noise"][at] < 0.01 * profile["total"][at]
    assert 0 < profile["total_sky"][at] < 0.04 * profile["total"][at]
    assert not any("uneven" in note for note in result.notes)


def test_a_nebula_on_the_comets_way_is_in_the_figure_and_is_said():
    """Over nebulae half as bright as the sky comas came out 3% too bright or 6% too faint without a word."""
    rng = np.random.default_rng(4)
    rows, columns = np.indices((200, 260))
    flat = 100.0 + rng.normal(0, 5.0, rows.shape)
    nebula = flat + 20.0 * np.sin(columns / 9.0) * np.cos(rows / 11.0)
    shifts = [(0.0, float(y)) for y in (-9, -3, 3, 9)]
    sigmas = [sky_structure(sky, shifts, (130.0, 100.0), 25, 3.0) for sky in (flat, nebula)]
    assert sigmas[1][1][0] > 5.0 > 10 * sigmas[0][1][0]
    light = 400.0 / (1 + np.hypot(columns - 130, rows - 100))
    tables = [profile_of(light, np.ones(light.shape), s, (130.0, 100.0), 25, 1.0) for s in sigmas]
    assert structure_words(tables[0], 3.0) == ()
    assert "may add or take up to" in structure_words(tables[1], 3.0)[0]
    small = sky_structure(flat[:30, :30], shifts, (15.0, 15.0), 12, 3.0)
    assert np.isnan(small[1]).all()


def test_round_coma_divides_to_one():
    rows, columns = np.indices((61, 61))
    coma = 100.0 / (1 + np.hypot(columns - 30, rows - 30))
    ratio = median_division(coma, (30.0, 30.0), 25, 1.0)
    inside = np.isfinite(ratio) & (np.hypot(columns - 30, rows - 30) > 3)
    assert np.abs(ratio[inside] - 1).max() < 0.05


def test_only_comets_get_these_products():
    assert wants_comet("C/2099 A1", "auto")
    assert wants_comet("7", "yes")
    assert not wants_comet("2P", "no")
    assert not wants_comet("7", "auto")
    with pytest.raises(InputError, match="auto, yes, no"):
        PictureSettings(comet="maybe")
    assert replace(PictureSettings(), moment="x").moment == "x"
