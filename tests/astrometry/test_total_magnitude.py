"""Total magnitudes of invented comae on camera-like frames; what is refused and flagged; the updated law."""

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table
from astropy.time import Time

from appulse.astrometry import check_plate, total_magnitude
from appulse.astrometry.total_magnitude import _curve
from appulse.bodies import predict, read_orbits, updated_law
from appulse.catalogues import read_star_table
from appulse.cli.main import main
from appulse.errors import MeasurementError
from appulse.frames import read_frame
from appulse.observers import Site
from invented_nights import NightPlan, make_night

ORBIT = (
    "designation,name,epoch,q,e,i,node,peri,tp,M1,K1\n"
    "C/2026 X1,Invented,2461400.5,0.9,1.0,110,40,20,2461530.5,10.5,10\n"
)


def _coma(shape, x, y, light, width, slope, tail):
    """A coma of a slope that ends in a Gaussian, brighter to one side; its electrons and radii."""
    dy, dx = np.mgrid[: shape[0], : shape[1]] - np.array([y, x])[:, None, None]
    radius = np.hypot(dx, dy)
    image = np.hypot(radius, 1.2) ** -slope * np.exp(-((radius / width) ** 2))
    image *= 1.0 + tail * np.cos(np.arctan2(dy, dx) - 1.0)
    return image * light / image.sum(), radius


def _zero_e(plan):
    """Electrons of magnitude 0, as the invented nights have it."""
    noise = np.sqrt(4 * np.pi) * plan.fwhm_px / 2.3548 * np.sqrt(plan.sky_e + plan.read_noise_e**2)
    return 8.0 * noise * 10 ** (0.4 * 18.5)


def _with_coma(folder, plan, at, light, width, slope, tail, seed, frame=0):
    """The first frame of an invented night with a coma on it; the coma's expected electrons and radii."""
    path = sorted(folder.glob("*.fits"))[frame]
    with fits.open(path) as hdus:
        data, header = hdus[0].data.astype(float), hdus[0].header.copy()
    coma, radius = _coma(data.shape, *at, light, width, slope, tail)
    noisy = np.random.default_rng(seed).poisson(coma) / plan.gain_e
    out = folder / f"comet{frame}.fit"
    fits.writeto(out, np.clip(np.round(data + noisy), 0, 65535).astype("u2"), header, overwrite=True)
    return out, coma, radius


@pytest.mark.parametrize("seed", range(6))
def test_the_light_within_the_edge_is_that_of_the_coma(tmp_path, seed):
    """Slopes from 0.8 to 1.4, tails, gradients and stars; the predicted place is off by some pixels."""
    rng = np.random.default_rng(seed + 100)
    plan = NightPlan(
        seed=seed + 100, frames=1, shape=(440, 500), stars=160, gradient=rng.uniform(0, 0.25),
        fwhm_px=rng.uniform(2.2, 3.8), hot_share=1e-4,
    )  # fmt: skip
    make_night(plan, tmp_path)
    at = 250 + rng.uniform(-30, 30), 220 + rng.uniform(-30, 30)
    width, slope, tail = rng.uniform(15, 40), rng.uniform(0.8, 1.4), rng.uniform(0, 0.8)
    light = 10 ** rng.uniform(5.3, 6.3)
    path, coma, radius = _with_coma(tmp_path, plan, at, light, width, slope, tail, seed)
    frame = read_frame(path)
    plate = check_plate(frame, read_star_table(tmp_path / "stars.ecsv"))
    found = total_magnitude(frame, plate, at[0] + rng.normal(0, 3), at[1] + rng.normal(0, 3))
    assert found.flag == ""
    inside = radius <= found.radius_arcsec / plate.pixel_scale
    truth = -2.5 * np.log10(coma[inside].sum() / _zero_e(plan))
    assert abs(found.mag - truth) < 3.5 * found.sigma_mag
    assert found.sigma_mag < 0.15
    whole = -2.5 * np.log10(light / _zero_e(plan))
    assert abs(found.mag - whole) < 0.15
    # The curve grows towards the edge.
    curve = found.curve["mag"][found.curve["radius"] <= found.radius_arcsec]
    assert np.all(np.diff(curve) < 0.02)


@pytest.fixture(scope="module")
def bare(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bare")
    plan = NightPlan(seed=5, frames=1, shape=(360, 400), stars=120, snr=5.0)
    make_night(plan, folder)
    frame = read_frame(sorted(folder.glob("*.fits"))[0])
    return folder, plan, frame, check_plate(frame, read_star_table(folder / "stars.ecsv"))


def test_no_comet_no_magnitude(bare):
    _, _, frame, plate = bare
    with pytest.raises(MeasurementError, match="outside the frame"):
        total_magnitude(frame, plate, -20.0, 50.0)
    with pytest.raises(MeasurementError, match="too few for a total magnitude"):
        total_magnitude(frame, plate, 3.0, 180.0)


def test_a_coma_beyond_the_frame_and_a_saturated_nucleus_are_flagged(bare):
    folder, plan, _, _ = bare
    path, *_ = _with_coma(folder, plan, (200.0, 180.0), 2e7, 400.0, 1.0, 0.0, 1)
    frame = read_frame(path)
    plate = check_plate(frame, read_star_table(folder / "stars.ecsv"))
    found = total_magnitude(frame, plate, 200.0, 180.0)
    assert "reaches the frame's edge" in found.flag
    path, *_ = _with_coma(folder, plan, (200.0, 180.0), 1e7, 15.0, 1.4, 0.0, 2)
    frame = read_frame(path)
    found = total_magnitude(frame, check_plate(frame, read_star_table(folder / "stars.ecsv")), 200.0, 180.0)
    assert "saturated" in found.flag


def test_an_object_under_the_coma_is_named():
    """A place in the nebula IC 4603, and one that has nothing."""
    from types import SimpleNamespace

    from appulse.workflows.comet_brightness import _under

    light = SimpleNamespace(x=200.0, y=180.0, radius_arcsec=60.0, mag=9.0)
    assert _under(SimpleNamespace(to_sky=lambda x, y: (246.36, -24.45)), light) == ["IC 4603"]
    assert _under(SimpleNamespace(to_sky=lambda x, y: (246.42, -24.16)), light) == []


def test_a_nebula_about_the_comet_is_flagged_or_within_the_sigma(tmp_path):
    """A patch of light without a cusp, as broad as the circle: no coma falls off so slowly."""
    plan = NightPlan(seed=31, frames=1, shape=(440, 500), stars=150)
    make_night(plan, tmp_path)
    path, coma, radius = _with_coma(tmp_path, plan, (250.0, 220.0), 1e6, 20.0, 1.1, 0.0, 3)
    with fits.open(path) as hdus:
        data, header = hdus[0].data.astype(float), hdus[0].header.copy()
    patch = 400.0 / (1.0 + np.exp((radius - 110.0) / 12.0))
    fits.writeto(path, np.clip(np.round(data + patch), 0, 65535).astype("u2"), header, overwrite=True)
    frame = read_frame(path)
    plate = check_plate(frame, read_star_table(tmp_path / "stars.ecsv"))
    found = total_magnitude(frame, plate, 250.0, 220.0)
    truth = -2.5 * np.log10(coma[radius <= found.radius_arcsec / plate.pixel_scale].sum() / _zero_e(plan))
    assert found.flag or abs(found.mag - truth) < 3 * found.sigma_mag
    assert "a nebula or uneven sky lies under it" in found.flag


def test_measurements_move_the_law_by_what_they_weigh():
    sure = updated_law(8.0, [-1.0, -1.1, -0.9], [0.05] * 3)
    assert sure.offset == pytest.approx(-1.0, abs=0.02)
    assert 0.3 <= sure.sigma < 0.4
    vague = updated_law(8.0, [-1.0], [2.0])
    assert -0.25 < vague.offset < 0.0
    assert vague.sigma > 1.0
    assert "fainter" in updated_law(8.0, [0.5], [0.1]).sentence
    assert "these nights alone" not in sure.sentence
    assert "these nights alone" in updated_law(15.6, [-4.2, -4.3], [0.1, 0.1]).sentence


def test_filters_are_not_mixed_in_the_law():
    """Red frames of a reddish comet do not pull a law that green ones have."""
    from types import SimpleNamespace

    from appulse.workflows.comet_brightness import _of_one_filter

    def measured(name, mag):
        return SimpleNamespace(filter=name, light=SimpleNamespace(mag=mag), mag_calc=10.0)

    given = [measured("R", 9.4), measured("R", 9.4), measured("G", 9.9), measured("B", 10.6)]
    used, notes = _of_one_filter(given)
    assert [one.filter for one in used] == ["G"]
    assert "G -0.10 (1), R -0.60 (2), B +0.60 (1); the law goes by G alone" in notes[0]
    assert _of_one_filter([measured("", 9.0)] * 2)[1] == ()


def test_the_command_measures_and_the_next_prediction_uses_it(tmp_path, capsys):
    """Frames of a comet that shines a magnitude brighter than its law: the orbit that comes out knows."""
    (tmp_path / "comet.csv").write_text(ORBIT, encoding="utf-8")
    orbits = read_orbits(tmp_path / "comet.csv")
    row = predict(orbits, Time("2027-05-04T22:30:00"), Site.parse("20.5,-23,1250"))[0]
    plan = NightPlan(
        seed=8, frames=2, shape=(400, 460), stars=160, ra=row["ra"].value, dec=row["dec"].value, dither_px=3.0
    )
    make_night(plan, tmp_path)
    paths = []
    for k in range(2):
        frame = read_frame(sorted(tmp_path.glob("*.fits"))[k])
        place = predict(orbits, frame.exposure.mid, frame.observer)[0]
        x, y = (float(v) for v in frame.to_pixel(place["ra"].value, place["dec"].value))
        # Brighter than its law by one, on the scale of these stars.
        light = _zero_e(plan) * 10 ** (-0.4 * (float(place["mag"].value) - 1.0))
        path, *_ = _with_coma(tmp_path, plan, (x, y), light, 22.0, 1.0, 0.3, k, frame=k)
        paths.append(str(path))
    out = tmp_path / "out"
    words = ["--orbits", str(tmp_path / "comet.csv"), "--body", "C/2026 X1", "--out", str(out), "--quiet"]
    assert main(["brightness", *paths, *words, "--stars", str(tmp_path / "stars.ecsv")]) == 0
    said = capsys.readouterr().out
    assert "mag brighter than its law" in said
    table = Table.read(out / "brightness.ecsv")
    assert np.abs(table["mag_obs"] - table["mag_calc"] + 1.0).max() < 0.1
    assert len(Table.read(out / "growth.ecsv")) > 20
    newer = read_orbits(out / "orbit.ecsv").select("C/2026 X1")
    assert newer.m1 == pytest.approx(9.5, abs=0.1)
    both = (orbits.select("C/2026 X1"), newer)
    before, after = (predict([orbit], Time("2027-06-01"), Site.geocentre()) for orbit in both)
    assert float(after["mag"][0].value - before["mag"][0].value) == pytest.approx(-1.0, abs=0.1)
    assert float(before["sigma_mag"][0].value) == 1.0
    assert float(after["sigma_mag"][0].value) < 0.5


def test_an_uneven_sky_is_in_the_sigma():
    """Comae on skies whose power falls as k^-2.9, as the Milky Way's dust: errors are as large as stated."""
    rng, n, pulls = np.random.default_rng(12), 300, []
    k = np.hypot(np.fft.fftfreq(2 * n)[:, None], np.fft.rfftfreq(2 * n)[None, :])
    k[0, 0] = 1.0
    for _ in range(40):
        nebula = np.fft.irfft2(k**-1.45 * np.exp(2j * np.pi * rng.uniform(0, 1, k.shape)))[:n, :n]
        coma, radius = _coma((n, n), 150.0, 150.0, 4e5, rng.uniform(15, 40), rng.uniform(0.8, 1.4), 0.3)
        pixels = coma + rng.normal(0, 20.0, (n, n)) + 30.0 * nebula / nebula.std()
        try:
            light = _curve(pixels, np.ones((n, n), bool), 150.0, 150.0, 3.0, 120.0, None)
        except MeasurementError:
            continue
        at = light.edge
        pulls.append((light.flux[at] - coma[radius <= light.radius[at]].sum()) / light.flux_sigma[at])
    assert len(pulls) > 35
    assert 0.6 < np.sqrt(np.mean(np.square(pulls))) < 1.3
