"""The evidence sheet: whole in itself, every word escaped, the numbers those of the residuals."""

import re

import numpy as np
import pytest
from astropy.table import QTable
from astropy.time import Time
from astropy.wcs import WCS

from appulse.astrometry.centroid import SourceFit
from appulse.astrometry.prediction import Prediction
from appulse.astrometry.psf import PSF, Trail
from appulse.astrometry.residuals import Residual
from appulse.astrometry.verdict import judge
from appulse.errors import OutputExistsError
from appulse.formats.provenance import provenance
from appulse.frames.solved import SolvedFrame
from appulse.reports.evidence import evidence_html, write_evidence
from appulse.reports.evidence_pdf import evidence_pdf
from appulse.reports.picture import annotated_png
from appulse.reports.plots import motion_figure, oc_figure, stamp_figure, stars_figure


class Plate:
    """What a star map needs of a plate check."""

    catalogue = "<mine> & theirs"
    corrected = False

    def __init__(self, mirrored=False):
        x, y = np.meshgrid(np.linspace(20, 280, 6), np.linspace(20, 180, 4))
        n = x.size
        self.stars = QTable(
            {"x": x.ravel(), "y": y.ravel(), "dra": np.full(n, 0.8), "ddec": np.zeros(n), "used": np.ones(n)}
        )
        wcs = WCS(naxis=2)
        wcs.wcs.ctype, wcs.wcs.cdelt = ["RA---TAN", "DEC--TAN"], [0.001 if mirrored else -0.001, 0.001]
        wcs.wcs.crval, wcs.wcs.crpix = [246.35, -24.47], [150.5, 100.5]
        self._frame = SolvedFrame.from_arrays(np.random.default_rng(1).normal(100, 3, (200, 300)), wcs)


def residual(k=0, seen=True, **changes):
    rng = np.random.default_rng(k)
    box = rng.normal(100.0, 3.0, (15, 15)).astype(np.float32)
    fit = SourceFit(
        150.2, 90.7, np.eye(2) * 1e-3, 1e4, 100.0, 100.0, 100.0, 3.0, 220.0, 215, 0, 0, 1, PSF.round(2.5),
        Trail.straight(0.0, 0.0), x0=143, y0=84, data=box, model=box, residual=box * 0.0,
    )  # fmt: skip
    values = {
        "x": 150.2, "y": 90.7, "ra_obs": 246.35, "dec_obs": -24.4, "dra_cosdec": 0.10 + 0.01 * k,
        "ddec": -0.38, "covariance": np.array([[0.0004, 0.0001], [0.0001, 0.0009]]),
        "plate_offset": np.array([0.85, -0.55]),
        "plate_covariance": np.eye(2) * 1e-6, "n_stars": 40, "snr": 85.0, "fit": fit, "plate": Plate(),
    }  # fmt: skip
    prediction = Prediction("7", 246.35, -24.4, -28.0, 6.0, 10.0)
    kept = values | changes if seen else changes
    time = f"2027-05-05T0{k}:00:00"
    kept["mid"] = Time(time, scale="utc")
    return Residual(f"frame{k}.fits", time, "7", prediction, seen=seen, exposure_s=120.0, **kept)


@pytest.fixture(scope="module")
def page():
    residuals = [residual(0), residual(1), residual(2, seen=False, flag="not seen: <faint>")]
    png = annotated_png(Plate()._frame)
    return evidence_html(
        residuals, pictures={"frame0.fits": png}, shapes={"frame0.fits": (200, 300)},
        verdict=judge(residuals[:2]), notes=["mind <this>"],
        provenance=provenance(stars="<b>", options={"a": [1, 2]}),
    )  # fmt: skip


def test_nothing_is_fetched_and_nothing_runs(page):
    assert "<script" not in page
    assert not re.findall(r"""(?:src|href)=["'](?!data:)""", page)
    assert not re.findall(r"url\(|@import|https?://", re.sub(r'src="data:[^"]*"', "", page))


def test_the_page_is_sound_html(page):
    html5lib = pytest.importorskip("html5lib")
    parser = html5lib.HTMLParser(strict=True)
    parser.parse(page)


def test_every_picture_has_words(page):
    images = re.findall(r"<img [^>]*>", page)
    assert len(images) == 6  # O-C, motion, one frame, two stamps, one star map
    assert all(re.search(r'alt="[^"]{20,}"', image) for image in images)


def test_words_from_outside_are_escaped(page):
    for words in ("<faint>", "<this>", "<b>", "<mine>"):
        assert words not in page
    assert "not seen: &lt;faint&gt;" in page


def test_verdict_numbers_and_provenance_are_there(page):
    verdict = judge([residual(0), residual(1)])
    assert verdict.sentence.split(":")[0] in page
    assert "+0.100 \u00b1 0.020" in page
    assert "\u22120.380 \u00b1 0.030" in page
    assert "@media print" in page
    assert "star_catalogue" in page


def test_the_same_night_gives_the_same_page():
    assert evidence_html([residual(0)]) == evidence_html([residual(0)])


def test_a_night_without_a_measurement():
    text = evidence_html([residual(0, seen=False, flag="not seen")])
    assert "Nothing was measured" in text
    assert "not measured: not seen" in text
    assert "<img" not in text


def test_body_without_motion_plate_or_fit():
    bare = residual(
        0, plate_offset=np.full(2, np.nan), plate_covariance=np.full((2, 2), np.nan), fit=None, plate=None
    )
    bare.prediction = Prediction("7", 246.35, -24.4)
    text = evidence_html([bare])
    assert "nan" not in re.sub(r'src="data:[^"]*"', "", text).lower()
    assert motion_figure([bare]) is None
    assert stamp_figure(bare) is None


def test_existing_sheets_are_kept(tmp_path):
    path = write_evidence(tmp_path / "evidence.html", [residual(0)])
    with pytest.raises(OutputExistsError):
        write_evidence(path, [residual(0)])


def test_the_sheet_is_small_enough_to_mail(page):
    assert len(page) < 2_000_000


# --- plots


def test_both_axes_of_the_oc_plot_have_one_scale_and_east_is_left():
    axes = oc_figure([residual(0), residual(1)]).axes[0]
    assert axes.get_aspect() == 1.0
    assert axes.get_xlim()[0] > axes.get_xlim()[1]
    assert axes.get_ylim()[0] < axes.get_ylim()[1]


def test_the_ellipse_is_that_of_the_covariance():
    from matplotlib.patches import Ellipse

    # Figures worked out for sRA 0.3, sDec 0.2, rho 0.5: a 0.32257, b 0.16109, PA 64.903 degrees E of N.
    covariance = np.array([[0.09, 0.03], [0.03, 0.04]])
    one = residual(0, covariance=covariance, plate_covariance=np.zeros((2, 2)))
    ellipse = next(p for p in oc_figure([one]).axes[0].patches if isinstance(p, Ellipse))
    assert (ellipse.width / 2, ellipse.height / 2) == pytest.approx((0.32257, 0.16109), abs=1e-5)
    assert (90.0 - ellipse.angle) % 180.0 == pytest.approx(64.903, abs=1e-3)
    np.testing.assert_allclose(ellipse.center, [0.10 - 0.85, -0.38 + 0.55])


@pytest.mark.parametrize(("mirrored", "sign"), [(False, -1.0), (True, 1.0)])
def test_star_arrows_point_as_the_frame_lies(mirrored, sign):
    from matplotlib.quiver import Quiver

    figure = stars_figure(Plate(mirrored), (200, 300))
    arrows = next(c for c in figure.axes[0].collections if isinstance(c, Quiver))
    assert np.all(np.sign(arrows.U) == sign)
    assert np.all(np.abs(arrows.V) < 0.01 * np.abs(arrows.U))


def test_no_star_no_map():
    plate = Plate()
    plate.stars = plate.stars[:0]
    assert stars_figure(plate, (200, 300)) is None


def test_pdf(tmp_path):
    png = annotated_png(Plate()._frame)
    path = evidence_pdf(
        tmp_path / "e.pdf", [residual(0), residual(1, seen=False, flag="not seen")],
        pictures={"frame0.fits": png}, shapes={"frame0.fits": (200, 300)}, verdict="All well.", title="Night",
    )  # fmt: skip
    content = path.read_bytes()
    assert content.startswith(b"%PDF")
    assert len(re.findall(rb"/Type /Page\b", content)) == 6
