"""What should be in a frame."""

import dataclasses

import numpy as np
import pytest
from sky_frames import Mover, make_frame

from appulse.catalogues.deepsky import Outline, ellipse_ring, find_object
from appulse.errors import FrameTimeError, InputError
from appulse.frames.exposure import Exposure
from appulse.overlays.field_listing import BODY, field_listing, inside_words


def circle(frame, x, y, arcmin, **more):
    ra, dec = (float(v) for v in frame.to_sky(x, y))
    ring = ellipse_ring(ra, dec, arcmin, arcmin, 0.0)
    return Outline("X", "circle", ra, dec, arcmin, arcmin, rings=(ring,), object_type="nebula", **more)


LYING = [
    (200, 12, "wholly"),
    (10, 12, "partly"),
    (-10, 12, "centre outside"),
    (-80, 12, None),
    (200, 200, "partly"),
    (-200, 200, "centre outside"),
]


@pytest.mark.parametrize(("x", "arcmin", "words"), LYING)
def test_how_an_object_lies_in_a_frame(x, arcmin, words):
    frame = make_frame()
    assert inside_words(frame, circle(frame, x, 150, arcmin)) == words


def test_body_and_objects_with_places():
    frame = make_frame()
    body = Mover(*frame.to_sky(100.0, 80.0), 29.0, 283.0)
    table = field_listing(frame, body, [circle(frame, 250, 150, 10.0)])
    assert table["kind"].tolist() == [BODY, "nebula"]
    assert (table["x"][0], table["y"][0]) == pytest.approx((100.0, 80.0), abs=1e-6)
    assert table["rate"][0].unmasked.value == pytest.approx(29.0)
    assert table["rate"].mask.tolist() == [False, True]
    assert table["mag"].mask.tolist() == [False, True]
    wanted = np.hypot(99.5, 69.5) * 0.12
    assert table["separation"][0].value == pytest.approx(wanted, rel=1e-3)


def test_body_outside_is_not_listed():
    frame = make_frame()
    assert len(field_listing(frame, Mover(*frame.to_sky(500.0, 80.0), 29.0, 283.0), [])) == 0


def test_body_whose_trail_reaches_in_is_listed():
    frame = make_frame(exposure=Exposure.from_mid(make_frame().exposure.mid, 7200.0))
    body = Mover(*frame.to_sky(405.0, 150.0), 100.0, 270.0)
    assert field_listing(frame, body, [])["inside"].tolist() == ["centre outside"]


def test_limit():
    frame = make_frame()
    body = Mover(*frame.to_sky(100.0, 80.0), 29.0, 283.0)  # of magnitude 9.9
    faint, nameless = circle(frame, 250, 150, 10.0, mag=15.0), circle(frame, 250, 150, 10.0)
    point = Outline("P", "point", *frame.centre, object_type="galaxy")
    outlines = [faint, nameless, point]
    assert len(field_listing(frame, body, outlines)) == 4
    assert field_listing(frame, body, outlines, 12.0)["kind"].tolist() == [BODY, "nebula"]
    assert field_listing(frame, body, outlines, 9.0)["kind"].tolist() == ["nebula"]


def test_limit_that_is_no_number():
    with pytest.raises(InputError, match="finite"):
        field_listing(make_frame(), None, [], np.nan)


def test_frame_without_time_lists_objects_but_no_bodies():
    frame = dataclasses.replace(make_frame("sip"), exposure=None)
    table = field_listing(frame)
    assert "IC 4603" in table["designation"].tolist()
    with pytest.raises(FrameTimeError, match="--time"):
        field_listing(frame, Mover(246.0, -24.0, 1.0, 0.0))


def test_notes_say_what_the_line_cannot():
    frame = make_frame("sip")
    table = field_listing(frame, None, [find_object("IC 4604"), find_object("IC 4603")])
    assert all("no position angle" in note for note in table["note"])


def test_empty_field_is_an_empty_table_with_columns(tmp_path):
    table = field_listing(make_frame(), None, [])
    assert len(table) == 0
    table.write(tmp_path / "field.ecsv")
    assert "motion_pa" in (tmp_path / "field.ecsv").read_text()
