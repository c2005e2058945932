"""Tails in frames: places by the frame's own WCS, cut at its edges, lines of their own kind."""

import numpy as np
import pytest
from astropy.time import Time
from sky_frames import make_frame

from appulse.bodies import NBodyEphemeris, Orbit, comet_tail
from appulse.observers import Site
from appulse.overlays import Target, tail_in_frame, tail_scene, tails_scene
from appulse.overlays.palette import SYNCHRONE, SYNDYNE
from appulse.overlays.tails import clipped


@pytest.fixture(scope="module")
def tail():
    orbit = Orbit.from_elements(
        "C/2026 X1", 2461000.5, q=0.9, e=1.0, i=60, node=80, peri=30, tp=2461050.5, m1=6.0, k1=10.0
    )
    return comet_tail(NBodyEphemeris(orbit), "C/2026 X1", Time("2026-02-01"), Site.geocentre())


def _frame(tail, **more):
    return make_frame(ra=tail.ra, dec=tail.dec, scale_deg=30.0 / 3600.0, **more)


@pytest.mark.parametrize("look", [{}, {"rotation_deg": 130.0}, {"mirrored": True}, {"sip": True}])
def test_lines_begin_at_the_nucleus_and_end_within_the_frame(tail, look):
    frame = _frame(tail, **look)
    x, y = frame.to_pixel(tail.ra, tail.dec)
    lines = tail_in_frame(frame, tail)
    assert {line.kind for line in lines} == {"antisolar", "ion tail (estimate)", "syndyne", "synchrone"}
    for line in lines:
        assert np.hypot(*(line.pixels[0] - (x, y))) < 1e-6
        assert line.pixels.min() >= -0.5
        assert (line.pixels <= (399.5, 299.5)).all()
    # The antisolar line leaves at the position angle that the prediction gives.
    line = next(line for line in lines if line.kind == "antisolar")
    east, north = frame.jacobian(float(x), float(y)) @ (line.pixels[1] - line.pixels[0])
    assert np.degrees(np.arctan2(east, north)) % 360.0 == pytest.approx(tail.sun_pa, abs=0.1)


def test_a_frame_beside_the_tail_has_no_line(tail):
    away = make_frame(ra=tail.ra, dec=tail.dec - 60.0)
    assert tail_in_frame(away, tail) == []


def test_a_line_that_comes_back_is_two_pieces_in_its_own_direction():
    path = np.array([[1.0, 1.0], [1.0, 9.0], [5.0, 30.0], [9.0, 9.0], [9.0, 1.0], [np.nan] * 2, [5.0, 5.0]])
    first, second = clipped(path, (0.0, 0.0, 10.0, 10.0))
    assert first[0].tolist() == [1.0, 1.0]
    assert second[-1].tolist() == [9.0, 1.0]


def test_the_scene_names_every_line_that_shows_and_ticks_both_scales(tail):
    frame = _frame(tail)
    scene = tails_scene(Target(frame, 400.0, 300.0, 12.0), [tail])
    words = {label.text for label in scene.labels}
    assert {"\u03b2 0.1", "20 d", "1 million km", "0.5\u00b0"} <= words
    assert any("estimate" in word for word in words)
    solid = [line for line in scene.lines if line.colour == SYNDYNE]
    dashes = [line for line in scene.lines if line.colour == SYNCHRONE]
    assert 0 < len(solid) <= 12
    assert len(dashes) > 3 * len(solid)


@pytest.mark.parametrize(("apart", "expected"), [(2.0, ["\u03b2 0.01\u20132", "5\u201340 d"]), (20.0, 7)])
def test_lines_that_leave_close_together_share_their_words(apart, expected):
    names = [("syndyne", f"\u03b2 {value}") for value in (0.01, 0.1, 1, 2)]
    names += [("synchrone", f"{value} d") for value in (5, 20, 40)]
    curves = [
        (kind, label, np.array([[90.0, 50.0], [-10.0, 20.0 + apart * k]]))
        for k, (kind, label) in enumerate(names)
    ]
    scene = tail_scene(curves, [], window=(0, 0, 200, 200), size=12.0, width=1.0)
    words = [label.text for label in scene.labels]
    assert words == expected if isinstance(expected, list) else len(words) == expected
