"""Outlines on frames of every kind."""

import numpy as np
import pytest
import shapely
from astropy.coordinates import SkyCoord
from hypothesis import given, settings
from hypothesis import strategies as st
from sky_frames import FRAMES, SHAPE, make_frame

from appulse.catalogues.deepsky import Outline, ellipse_ring
from appulse.errors import InputError
from appulse.overlays.shapes import outline_in_frame, place_in_frame

TOL_PIXEL = 1e-6
"""Asked of overlays."""
TOL_SAG_PX = 0.06
"""Chords of an ellipse."""


def ellipse(ra, dec, major, minor, pa, kind="ellipse"):
    ring = ellipse_ring(ra, dec, major, minor, pa)
    return Outline("X", kind, ra, dec, major, minor, pa, rings=(ring,))


def polygon(*rings):
    rings = tuple(np.concatenate([r, r[:1]]) for r in map(np.array, rings))
    return Outline("X", "polygon", *rings[0].mean(axis=0), rings=rings)


def polygon_in_frame(frame, corners_px):
    """A polygon with these corners in pixels."""
    corners = np.array(corners_px, dtype=float)
    return polygon(np.stack(frame.to_sky(corners[:, 0], corners[:, 1]), axis=1))


@pytest.mark.parametrize("name", FRAMES)
def test_vertices_agree_with_astropy(name):
    frame = make_frame(name)
    outline = polygon_in_frame(frame, [(50, 60), (350, 80), (300, 250), (200, 130), (90, 220)])
    (piece,) = outline_in_frame(frame, outline)
    ring = outline.rings[0]
    x, y = SkyCoord(*ring.T, unit="deg").to_pixel(frame.wcs)
    for vertex in zip(x, y, strict=True):
        assert np.hypot(*(piece.exterior - vertex).T).min() < TOL_PIXEL
    assert piece.where == "wholly"


@pytest.mark.parametrize("name", [n for n in FRAMES if n != "very wide"])
def test_every_point_of_an_ellipse_lies_on_the_ellipse(name):
    frame = make_frame(name)
    ra, dec = (float(v) for v in frame.to_sky(210.0, 140.0))
    (piece,) = outline_in_frame(frame, ellipse(ra, dec, 24.0, 9.0, 40.0))
    sky = SkyCoord(*frame.to_sky(*piece.exterior.T), unit="deg")
    centre = SkyCoord(ra, dec, unit="deg")
    turn = centre.position_angle(sky).rad - np.radians(40.0)
    away = centre.separation(sky).arcmin
    wanted = 1.0 / np.hypot(np.cos(turn) / 12.0, np.sin(turn) / 4.5)
    assert np.abs(away - wanted).max() * 60.0 / frame.pixel_scale < 4 * TOL_SAG_PX


def test_parity_turns_the_position_angle_over():
    angles = []
    for name in ("plain", "mirrored"):
        (piece,) = outline_in_frame(make_frame(name), ellipse(120.0, 20.0, 24.0, 6.0, 30.0))
        rectangle = np.array(
            shapely.minimum_rotated_rectangle(shapely.Polygon(piece.exterior)).exterior.coords
        )
        sides = np.diff(rectangle, axis=0)[:2]
        x, y = sides[np.argmax(np.hypot(*sides.T))]
        angles.append(np.degrees(np.arctan2(y, x)) % 180.0)
    # North is up; east is left, or right when mirrored: PA 30 leans by 30 degrees to that side.
    assert angles == pytest.approx([120.0, 60.0], abs=1.0)


def test_object_across_the_edge_is_cut_and_its_line_stops_there():
    frame = make_frame()
    ra, dec = (float(v) for v in frame.to_sky(-0.5, 150.0))
    (piece,) = outline_in_frame(frame, ellipse(ra, dec, 12.0, 12.0, 0.0))
    assert piece.where == "partly"
    assert shapely.Polygon(piece.exterior).area == pytest.approx(np.pi * 50.0**2 / 2, rel=0.01)
    (line,) = piece.strokes
    # Half the circumference, without the way back along the edge.
    assert shapely.LineString(line).length == pytest.approx(np.pi * 50.0, rel=0.01)


def test_margin_keeps_more():
    frame = make_frame()
    ra, dec = (float(v) for v in frame.to_sky(-60.0, 150.0))
    outline = ellipse(ra, dec, 12.0, 12.0, 0.0)
    assert outline_in_frame(frame, outline) == []
    (piece,) = outline_in_frame(frame, outline, margin_px=20.0)
    assert piece.exterior[:, 0].min() == pytest.approx(-20.5, abs=1e-6)


@pytest.mark.parametrize("name", FRAMES)
def test_frame_within_a_nebula(name):
    frame = make_frame(name)
    major = 2.5 * 120.0 * frame.radius_deg if name != "very wide" else 9000.0
    (piece,) = outline_in_frame(frame, ellipse(*frame.centre, major, major, 0.0, kind="circle"))
    assert piece.where == "around"
    assert piece.strokes == ()
    assert shapely.Polygon(piece.exterior).area == pytest.approx(SHAPE[0] * SHAPE[1], rel=1e-6)


def test_hole_stays_a_hole():
    frame = make_frame("0h")
    outer = np.stack(frame.to_sky([100, 300, 300, 100], [50, 50, 250, 250]), axis=1)
    inner = np.stack(frame.to_sky([150, 250, 250, 150], [100, 100, 200, 200]), axis=1)
    (piece,) = outline_in_frame(frame, polygon(outer, inner))
    assert len(piece.holes) == 1
    assert shapely.Polygon(piece.exterior, piece.holes).area == pytest.approx(30_000, rel=1e-3)
    assert len(piece.strokes) == 2


def test_two_parts_stay_two():
    frame = make_frame()
    rings = [np.stack(frame.to_sky([x, x + 50, x + 50], [50, 50, 100]), axis=1) for x in (50, 200)]
    assert len(outline_in_frame(frame, polygon(*rings))) == 2


@pytest.mark.parametrize("name", FRAMES)
def test_other_side_of_the_sky_is_not_drawn(name):
    frame = make_frame(name)
    ra, dec = frame.centre
    assert outline_in_frame(frame, ellipse((ra + 180.0) % 360.0, -dec, 60.0, 30.0, 10.0)) == []


@pytest.mark.parametrize("name", ["plain", "0h", "north pole", "sip", "sin"])
def test_band_around_the_sky_crosses_the_frame(name):
    """A ring whose vertices lie mostly behind the observer."""
    frame = make_frame(name)
    centre = frame.centre
    pole = ((centre[0] + 180.0) % 360.0, 90.0 - abs(centre[1])) if name != "north pole" else (0.0, 0.0)
    cap = ellipse(*pole, 2 * 60.0 * 90.0, 2 * 60.0 * 90.0, 0.0, kind="circle")
    for piece in outline_in_frame(frame, cap):
        assert np.isfinite(piece.exterior).all()
        assert piece.exterior.min() >= -0.5 - 1e-9


def test_line_that_crosses_itself_is_still_drawn():
    frame = make_frame()
    found = outline_in_frame(frame, polygon_in_frame(frame, [(50, 50), (250, 200), (250, 50), (50, 200)]))
    assert len(found) == 2
    assert all(np.isfinite(piece.exterior).all() for piece in found)


def test_point_has_a_place_and_no_polygon():
    frame = make_frame()
    outline = Outline("X", "point", *frame.centre)
    assert outline_in_frame(frame, outline) == []
    assert place_in_frame(frame, outline) == pytest.approx((199.5, 149.5))


def test_place_behind_the_sky_is_none():
    assert place_in_frame(make_frame(), Outline("X", "point", 300.0, -20.0)) is None


@pytest.mark.parametrize("margin", [-1.0, np.nan, np.inf])
def test_impossible_margin(margin):
    with pytest.raises(InputError, match="margin"):
        outline_in_frame(make_frame(), ellipse(120.0, 20.0, 10.0, 10.0, 0.0), margin)


def test_vertex_that_is_no_number():
    with pytest.raises(InputError, match="not a finite number"):
        outline_in_frame(make_frame(), Outline("X", "polygon", 1, 1, rings=(np.full((4, 2), np.nan),)))


@settings(max_examples=60, deadline=None)
@given(
    name=st.sampled_from(sorted(FRAMES)),
    x=st.floats(-600, 1000), y=st.floats(-600, 900),
    major=st.floats(0.5, 3000.0), flat=st.floats(0.05, 1.0), pa=st.floats(0.0, 180.0),
)  # fmt: skip
def test_never_a_nan_never_outside(name, x, y, major, flat, pa):
    frame = make_frame(name)
    ra, dec = (float(v) for v in frame.to_sky(x, y))
    if not np.isfinite(ra + dec):
        return
    for piece in outline_in_frame(frame, ellipse(ra, dec, major, major * flat, pa)):
        for line in (piece.exterior, *piece.holes, *piece.strokes):
            assert np.isfinite(line).all()
            assert (line >= -0.5 - 1e-6).all()
            assert (line <= np.array(SHAPE[::-1]) - 0.5 + 1e-6).all()
