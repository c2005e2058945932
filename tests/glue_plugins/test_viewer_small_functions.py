"""Functions of the viewer's part that need no frame: texts, shapes, registering once."""

import numpy as np
import pytest
from astropy.wcs import WCS

from glue_appulse import desktop, health, host, night_picture
from glue_appulse.data import kinds, outline_data, residual_data
from glue_appulse.data.frame_wcs import FrameWCS, SkyProjector
from glue_appulse.frame_setup import read_field, with_content


def test_a_registration_runs_once():
    calls = []
    register = host.once("a test's own")(lambda: calls.append(1))
    register()
    register()
    assert calls == [1]


def test_a_line_for_the_user_goes_to_the_console(capsys):
    host.say("IC4603-3.fits has no site; give one in the set-up panel")
    assert capsys.readouterr().err == "appulse: IC4603-3.fits has no site; give one in the set-up panel\n"


def test_a_changed_list_keeps_the_comments_of_the_rest():
    text = "# mine\nsites:\n  - name: ledge   # by the window\norbits: [a.ecsv]\n"
    content = {"sites": [{"name": "ledge"}, {"name": "roof"}], "orbits": ["a.ecsv"]}
    expected = "# mine\nsites:\n  - name: ledge   # by the window\n  - name: roof\norbits: [a.ecsv]\n"
    assert with_content(text, content) == expected


def test_fields_of_an_instrument_are_read():
    assert read_field("sensor_px", "1600 x 1200") == [1600, 1200]
    assert read_field("aperture_mm", "70") == 70.0
    assert read_field("pixel_um", "") is None


def test_a_folder_that_is_not_there_is_free():
    assert night_picture.folder_state("no-such-folder") == "free"


def test_libraries_and_plugins_are_found():
    assert health.missing({"libc.so.6": "libc6"}) == []
    assert health.apt_line(health.HEADLESS, ["libEGL.so.1", "libGL.so.1"]) == (
        "apt-get install -y libegl1 libgl1"
    )
    problem = health.qt_problem()
    assert problem is None or "install" in problem
    assert {"appulse_frames", "appulse_tracks"} <= {point.name for point in health.our_plugins()}


def test_the_program_takes_frames_and_a_body():
    assert desktop.parser().parse_args(["a.fits", "--body", "7"]).frames == ["a.fits"]


def test_provenance_of_two_tables_is_joined():
    old, new = {"frames": {"a": 1}, "ades_code": "Gaia3"}, {"frames": {"b": 2}, "ades_code": "UNK"}
    assert residual_data.merged_meta(old, new) == {"frames": {"a": 1, "b": 2}, "ades_code": "UNK"}


def test_a_ring_runs_on_across_zero_hours():
    ring = outline_data.unwrapped([[359.9, 1], [0.1, 1], [0.1, 2]])
    assert ring[:, 0].tolist() == [359.9, 360.1, 360.1]


def test_rings_within_rings_are_holes_and_islands():
    square = lambda size: [[-size, -size], [size, -size], [size, size], [-size, size], [-size, -size]]  # noqa: E731
    shape = outline_data.nested([square(1), square(3), square(2)])
    assert (shape.geom_type, shape.area) == ("MultiPolygon", 24.0)


def test_nested_values_are_kept_to_the_last_digit():
    assert kinds.to_json([{"a": np.float64(0.1), "b": None}]) == '[{"a": 0.1, "b": null}]'


@pytest.mark.needs_qt
def test_numbers_and_failures_in_words(needs_qt):
    from glue_appulse.measurements import number_words
    from glue_appulse.qt.panels import failure_words

    assert number_words(-0.75161, 0.0101, "″") == "−0.752 ± 0.010″"
    assert number_words(float("nan"), 1.0, "″") == "–"
    refused = PermissionError(13, "Permission denied", "/night/picture")
    assert failure_words(refused) == (
        "/night/picture: Permission denied; choose another place, or make it free"
    )


def test_an_ellipse_ends_at_its_errors():
    from glue_appulse.layers.residual_plot import ellipse_points

    ring = ellipse_points(*np.array([[0.0], [0.0], [3.0], [2.0], [0.0]]), n=5)[0]
    assert ring == pytest.approx(np.array([[3, 0], [0, 2], [-3, 0], [0, -2], [3, 0]]), abs=1e-9)


def test_a_place_behind_the_sky_has_no_pixel():
    plain = WCS(naxis=2)
    plain.wcs.ctype = "RA---TAN", "DEC--TAN"
    plain.wcs.crval, plain.wcs.crpix, plain.wcs.cdelt = (246.3, -24.4), (600.5, 450.5), (-0.001, 0.001)
    assert FrameWCS.from_wcs(plain, (900, 1200)).array_shape == (900, 1200)
    x, y = SkyProjector(plain, (900, 1200)).to_pixel([246.3, 66.3], [-24.4, 24.4])
    assert np.transpose([x, y]) == pytest.approx(np.array([[599.5, 449.5], [np.nan] * 2]), nan_ok=True)
