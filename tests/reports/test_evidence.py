"""The evidence sheet: whole in itself, every word escaped, the numbers those of the residuals."""

import importlib
import re
import shutil
import subprocess
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from astropy.table import QTable
from astropy.time import Time
from astropy.wcs import WCS
from matplotlib.transforms import Bbox

from appulse.astrometry.prediction import Prediction
from appulse.astrometry.psf import PSF, Trail
from appulse.astrometry.residual import Residual
from appulse.astrometry.source_fit import SourceFit
from appulse.astrometry.verdict import judge
from appulse.errors import OutputExistsError
from appulse.formats.provenance import provenance
from appulse.frames.frame import SolvedFrame
from appulse.reports.evidence import evidence_html, notes_of, write_evidence
from appulse.reports.evidence_pdf import evidence_pdf
from appulse.reports.evidence_tables import BEST, REPORTED, SOLVED, frame_labels, printed
from appulse.reports.picture import annotated_png
from appulse.reports.residual_plots import motion_figure, oc_figure, stamp_figure, stars_figure


class Plate:
    """What a star map needs of a plate check."""

    catalogue = "<mine> & theirs"
    corrected, model = False, None

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
    assert printed(verdict.sentence).split(":")[0] in page
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
    bare = replace(bare, prediction=Prediction("7", 246.35, -24.4))
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

    # By the eigenvalues of the covariance, worked by hand for sRA 0.3, sDec 0.2, rho 0.5: a 0.32257,
    # b 0.16109, PA 64.903 degrees E of N.
    covariance = np.array([[0.09, 0.03], [0.03, 0.04]])
    one = residual(0, covariance=covariance, plate_covariance=np.zeros((2, 2)))
    ellipse = next(p for p in oc_figure([one]).axes[0].patches if isinstance(p, Ellipse))
    assert (ellipse.width / 2, ellipse.height / 2) == pytest.approx((0.32257, 0.16109), abs=1e-5)
    assert (90.0 - ellipse.angle) % 180.0 == pytest.approx(64.903, abs=1e-3)
    np.testing.assert_allclose(ellipse.center, [0.10 - 0.85, -0.38 + 0.55])


@pytest.mark.parametrize(("mirrored", "sign"), [(False, -1.0), (True, 1.0)])
def test_star_arrows_point_as_the_frame_lies(mirrored, sign):
    from matplotlib.collections import PolyCollection

    figure = stars_figure(Plate(mirrored), (200, 300))
    arrows = next(artist for artist in figure.artists if isinstance(artist, PolyCollection))
    corners = np.array([path.vertices for path in arrows.get_paths()])
    foot, tip = 0.5 * (corners[:, 0] + corners[:, 6]), corners[:, 3]
    np.testing.assert_allclose(foot[:, 0], Plate().stars["x"], atol=1e-9)
    assert np.all(np.sign((tip - foot)[:, 0]) == sign)
    assert np.all(np.abs((tip - foot)[:, 1]) < 0.01 * np.abs((tip - foot)[:, 0]))
    # the typical arrow spans a twentieth of the frame
    np.testing.assert_allclose(np.abs((tip - foot)[:, 0]), 300 / 20, rtol=0.01)


def test_an_arrow_without_length_is_a_point_and_no_number_draws_none():
    plate = Plate()
    plate.stars["dra"][:2] = 0.0, np.nan
    figure = stars_figure(plate, (200, 300))
    corners = np.array([path.vertices for path in figure.artists[1].get_paths()])
    assert len(corners) == len(plate.stars) - 1
    assert np.ptp(corners[0], axis=0).max() < 1e-9
    assert np.isfinite(corners).all()


@pytest.mark.parametrize("shape", [(200, 300), (1200, 1600), (14000, 10000), (9500, 15000)])
def test_fixed_places_have_room_for_the_numbers_of_large_frames(shape):
    fit = replace(residual().fit, x0=shape[1] - 20, y0=shape[0] - 20)
    stamp = stamp_figure(residual(fit=fit, x=shape[1] - 13.0, y=shape[0] - 13.0))
    for figure in (stamp, stars_figure(Plate(), shape)):
        renderer = figure.canvas.get_renderer()
        figure.draw(renderer)
        boxes = [words.get_window_extent(renderer) for words in figure.texts]
        assert len(boxes) > 12
        assert min(box.x0 for box in boxes) >= 0
        assert min(box.y0 for box in boxes) >= 0
        assert max(box.x1 for box in boxes) <= figure.bbox.width
        assert max(box.y1 for box in boxes) <= figure.bbox.height
        assert not [pair for pair in combinations(boxes, 2) if Bbox.intersection(*pair) is not None]


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
    assert len(re.findall(rb"/Type /Page\b", content)) == 3  # plots, numbers and provenance, frame


# --- what a reader could take for something else


def rows_of(page, heading):
    """Cells of the table below a heading, without marks."""
    table = page.split(f"<h3>{heading}</h3>")[1].split("</table>")[0]
    rows = re.findall(r"<tr>(.*?)</tr>", table)
    return [
        [re.sub(r"<[^>]*>", "", cell) for cell in re.findall(r"<t[dh][^>]*>(.*?)</t[dh]>", row)]
        for row in rows
    ]


def test_the_numbers_of_the_plots_stand_in_a_table_of_their_own(page):
    """Along and across of the first frame by hand: place (-0.75, +0.17), motion (-28, +6)."""
    head, first, *_ = rows_of(page, BEST)
    turn = residual(0).rotation
    along, across = turn @ [0.10 - 0.85, -0.38 + 0.55]
    cells = dict(zip(head, first, strict=True))
    for name, value in (("RA cos Dec", -0.75), ("Dec", 0.17), ("along", along), ("across", across)):
        assert float(cells[name].split(" \u00b1 ")[0].replace("\u2212", "-")) == pytest.approx(
            value, abs=5e-4
        )
    plotted = motion_figure([residual(0)]).axes
    for axes, value in zip(plotted, (along, across), strict=True):
        assert any(np.allclose(line.get_ydata(), value) for line in axes.lines)


def test_numbers_as_solved_are_labelled_so(page):
    head, first, *_ = rows_of(page, SOLVED)
    cells = dict(zip(head, first, strict=True))
    assert cells["RA cos Dec"] == "+0.100 \u00b1 0.020"
    assert cells["plate RA"].startswith("+0.850")


def test_without_stars_nothing_claims_to_be_taken_off():
    nothing = {"plate_offset": np.full(2, np.nan), "plate_covariance": np.full((2, 2), np.nan)}
    page = evidence_html([residual(0, **nothing)])
    assert BEST not in page
    assert SOLVED in page
    assert "taken off" not in labels(oc_figure([residual(0, **nothing)]))


def test_places_reported_by_others_claim_no_frames():
    bare = {"fit": None, "plate": None, "n_stars": 0, "plate_offset": np.full(2, np.nan)}
    bare["plate_covariance"] = np.full((2, 2), np.nan)
    some = [residual(k, **bare) for k in range(3)]
    page = evidence_html(some)
    assert REPORTED in page
    assert SOLVED not in page
    assert "3 places reported" in page
    assert page.count("<h2>") == 1 + 3
    many = [residual(k % 9, **bare) for k in range(70)]
    assert evidence_html(many).count("<h2>") == 1


def test_every_note_stands_with_its_frame():
    noted = [residual(k, notes=(f"gain {k + 1}",)) for k in range(3)]
    page = evidence_html(noted, frame_notes={"frame1.fits": ["times read from a table"]})
    sections = dict(zip(*[iter(re.split(r"<h2>(frame\d.fits)</h2>", page)[1:])] * 2, strict=True))
    for k in range(3):
        told = sections[f"frame{k}.fits"]
        assert [f"gain {i + 1}" in told for i in range(3)] == [i == k for i in range(3)]
    assert "times read" in sections["frame1.fits"]
    assert page.count("times read") == 1


def test_notes_of_one_body_among_several_name_it():
    bodies = [residual(0, notes=("PSF", "3 neighbours")), residual(0, notes=("PSF",))]
    bodies[1] = replace(bodies[1], designation="8")
    assert notes_of(bodies) == ["PSF", "(7) Iris: 3 neighbours"]


def labels(figure):
    return " ".join(text.get_text() for legend in figure.legends for text in legend.get_texts())


@pytest.mark.parametrize("draw", [oc_figure, motion_figure])
def test_no_mark_inside_the_axes_is_a_legends(draw):
    figure = draw([residual(0), residual(1)])
    figure.draw_without_rendering()
    assert all(axes.get_legend() is None for axes in figure.axes)
    assert "filled: plate-corrected" in labels(figure)
    box = figure.legends[0].get_window_extent()
    assert not any(axes.get_window_extent().overlaps(box) for axes in figure.axes)


def test_points_far_from_zero_are_drawn_from_nearby_too():
    near = oc_figure([residual(0), residual(1)]).axes[1]
    low, high = sorted(near.get_xlim())
    assert low < -0.75 < -0.74 < high
    assert high - low < 0.3


def test_one_moment_is_not_drawn_on_an_axis_of_years():
    low, high = motion_figure([residual(0)]).axes[1].get_xlim()
    assert high - low < 1.0


def test_long_names_are_told_apart_and_told_in_full():
    names = [f"2027-05-04_ic4603_reduced_longname_{k:04d}.fits.gz" for k in range(3)]
    some = [replace(residual(k), frame=name) for k, name in enumerate(names)]
    page = evidence_html(some)
    assert [row[0] for row in rows_of(page, BEST)[1:]] == ["\u20260000", "\u20260001", "\u20260002"]
    assert f"\u20260002 is {names[2]}" in page


NAMES = (
    ["a.fits"], ["a" * 60], ["x1.fits", "x2.fits"], ["left" * 9, "right" * 9], ["a" * 40, "a" * 41],
    ["n" * 40 + "_1.fits", "n" * 40 + "_10.fits"],
)  # fmt: skip


@pytest.mark.parametrize("names", NAMES)
def test_no_two_frames_share_a_label(names):
    found, _ = frame_labels(names)
    assert len(set(found.values())) == len(names)


def test_the_pdf_says_what_the_page_says(tmp_path):
    """Words of every part, read back by another program where there is one."""
    reader = shutil.which("pdftotext")
    if reader is None:
        pytest.skip("needs a reader of PDF")
    residuals = [residual(0, notes=("gain 7",)), residual(1, seen=False, flag="not seen: too faint")]
    path = evidence_pdf(
        tmp_path / "e.pdf", residuals, verdict=judge(residuals[:1]), notes=["c.fits could not be used"],
        provenance={"program": "appulse", "orbits": {"file": "mine.ecsv"}},
        shapes={"frame0.fits": (200, 300)},
    )  # fmt: skip
    text = subprocess.run([reader, "-layout", path, "-"], capture_output=True, text=True, check=True).stdout
    needles = ("Where was 7?", BEST, SOLVED, "Every cause", "c.fits could not be used", "file: mine.ecsv")
    for words in (*needles, "gain 7", "not seen: too faint", "+0.100 \u00b1 0.020", "chi-squared"):
        assert words in text


def test_a_browser_is_told_to_fetch_and_run_nothing(page):
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', page)[1]
    assert policy == "default-src 'none'; img-src data:; style-src 'unsafe-inline'"
    assert page.index("Content-Security-Policy") < page.index("<style")


def test_a_printed_stamp_stands_with_its_budget(monkeypatch):
    """Wherever the page ends: blocks that go with the next are never its last."""
    sheet = importlib.import_module("appulse.reports.evidence_pdf")

    drawn = []
    monkeypatch.setattr(sheet, "_set", lambda page, foot, number: drawn.append(list(page)))
    residuals = [residual(k % 6) for k in range(12)]
    list(sheet.pages(sheet._frame("frame0.fits", residuals, {}, {}, ())))
    assert len(drawn) > 2
    assert not any(page[-1].with_next for page in drawn)
