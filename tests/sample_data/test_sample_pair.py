"""The sample pair: two sites' frames give the distance that was put in, the pictures and the page."""

import hashlib
import sys

import numpy as np
import pytest
import yaml
from astropy.io import fits

from appulse.cli.main import main

MAX_BYTES = 3_000_000


@pytest.fixture(scope="module")
def pair(sample_data):
    return sample_data / "pair"


@pytest.fixture(scope="module")
def measured(pair, tmp_path_factory):
    """Residual tables of both sites, the joint measurement with pictures, and what was printed."""
    out = tmp_path_factory.mktemp("pair")
    known = ["--body", "PAIR1", "--orbits", str(pair / "orbit.ecsv")]
    for site in ("south", "north"):
        frames = [str(path) for path in sorted(pair.glob(f"{site}_*.fits.fz"))]
        stars = ["--stars", str(pair / "stars.ecsv")]
        assert main(["residuals", *frames, *known, *stars, "--out", str(out / site)]) == 0
    tables = [str(out / site / "residuals.ecsv") for site in ("south", "north")]
    sites = ["--site", "20.5,-23,1250", "--site", "11,50,400"]
    frames = ["--frames", str(pair / "south_2.fits.fz"), str(pair / "north_2.fits.fz")]
    assert main(["together", *tables, *known, *sites, *frames, "--out", str(out / "distance")]) == 0
    return out / "distance"


def test_the_distance_comes_out_within_its_sigma(pair, measured):
    answer = yaml.safe_load((pair / "answers.yaml").read_text("utf-8"))
    found = yaml.safe_load((measured / "distance.yaml").read_text("utf-8"))
    # The middle of all frames is 100 s before the answer's epoch; the body comes nearer by 5.5 km/s.
    assert found["epoch_utc"].startswith("2027-05-04T22:58:20")
    off = found["inverse_distance_per_au"] - 1.0 / (answer["distance_au"] + 550.0 / 149_597_870.7)
    assert abs(off) < 1.5 * found["sigma_inverse_distance_per_au"]
    assert found["sigma_inverse_distance_per_au"] < 0.01
    assert found["verdict"]["verdict"] == "all well"
    assert abs(found["predicted_au"] - answer["distance_au"]) < 2e-5


def test_pictures_and_page_show_the_parallax(measured):
    with_marks = (measured / "pair.png").read_bytes()
    assert with_marks.startswith(b"\x89PNG")
    assert (measured / "blink.gif").read_bytes().startswith(b"GIF89a")
    page = (measured / "distance.html").read_text("utf-8")
    for words in ("The triangle", "million km", "7 015 km", "How sure is it?", "data:image/gif;base64,"):
        assert words in page
    for coordinate in ("20.5", "-23", "1250"):
        assert f">{coordinate}" not in page


def test_the_frames_fall_together_star_by_star(pair, measured):
    from appulse.workflows import put_together, read_nights, register_pair

    tables = [measured.parent / site / "residuals.ecsv" for site in ("south", "north")]
    found = put_together(read_nights(tables, "PAIR1", ["20.5,-23,1250", "11,50,400"]))
    both = register_pair(found, [pair / "south_3.fits.fz", pair / "north_3.fits.fz"])
    assert both.n_stars > 40
    assert both.rms_px < 0.2
    # brightest around each place is the body, which the other frame does not have there
    for k, (x, y) in enumerate(np.round(both.places).astype(int)):
        here, there = (both.planes[j][y - 2 : y + 3, x - 2 : x + 3].max() for j in (k, 1 - k))
        assert here > there + 100
    assert both.parallax_arcsec == pytest.approx(found.fit.parallax_arcsec, rel=0.05)


def test_the_files_are_small_and_those_that_the_generator_makes(pair, tmp_path, sample_data, monkeypatch):
    assert sum(path.stat().st_size for path in pair.iterdir()) <= MAX_BYTES
    for line in (pair / "SHA256SUMS").read_text("utf-8").splitlines():
        digest, name = line.split("  ")
        assert hashlib.sha256((pair / name).read_bytes()).hexdigest() == digest, name
    monkeypatch.syspath_prepend(str(sample_data))
    import make_pair

    random = np.random.RandomState(make_pair.SEED)
    observer, hot = make_pair.OBSERVERS[0], np.zeros((make_pair.NY, make_pair.NX))
    some = np.random.RandomState(make_pair.SEED + len(observer.name)).randint(0, hot.size, 350)
    hot.flat[some] = np.random.RandomState(make_pair.SEED + 7).exponential(45.0, 350)
    sky = make_pair.Sky()
    pixels, _ = make_pair.draw(sky, observer, 1, make_pair.invent_stars(random), hot)
    sky.close()
    stored = fits.getdata(pair / "south_1.fits.fz")
    assert np.mean(pixels != stored) < 1e-4
    for name in ("make_pair", "make_sample", "scenario", "sky"):
        sys.modules.pop(name, None)
