"""Hand-drawn outlines."""

import numpy as np
import pytest
from shapely import Polygon

from appulse.catalogues.deepsky import read_polygons
from appulse.errors import TableError

HEAD = "name,level,ring,ra,dec\n"


def table(folder, rows, head=HEAD):
    path = folder / "outlines.csv"
    path.write_text("# drawn by hand\n" + head + "\n".join(rows) + "\n")
    return path


def test_open_rings_are_closed_and_closed_ones_left(tmp_path):
    corners = ["10,0", "11,0", "11,1"]
    one, two = read_polygons(
        table(tmp_path, [f"A,1,1,{c}" for c in corners] + [f"B,1,1,{c}" for c in [*corners, "10,0"]])
    )
    np.testing.assert_array_equal(one.rings[0], two.rings[0])
    assert len(one.rings[0]) == 4


def test_levels_are_outlines_of_their_own_and_rings_stay_together(tmp_path):
    rows = [f"IC1848,{level},{ring},{10 * ring + x},{y}" for level in (1, 2) for ring in (1, 2)
            for x, y in ((0, 0), (1, 0), (1, 1))]  # fmt: skip
    found = read_polygons(table(tmp_path, rows))
    assert [(o.name, o.level, len(o.rings)) for o in found] == [("IC 1848", 1, 2), ("IC 1848", 2, 2)]


def test_level_and_ring_may_be_left_out(tmp_path):
    (found,) = read_polygons(table(tmp_path, ["A,10,0", "A,11,0", "A,11,1"], head="name,ra,dec\n"))
    assert found.kind == "polygon"


def test_centre_and_extent_across_0h(tmp_path):
    rows = [f"A,1,1,{ra},{dec}" for ra, dec in ((359.5, -0.25), (0.5, -0.25), (0.5, 0.25), (359.5, 0.25))]
    (found,) = read_polygons(table(tmp_path, rows))
    assert min(found.ra, 360 - found.ra) < 1e-6
    assert (found.major_arcmin, found.minor_arcmin) == pytest.approx((60.0, 30.0), abs=1e-2)
    assert found.pa_deg == pytest.approx(90.0, abs=1e-3)


def test_extent_about_the_pole(tmp_path):
    rows = [f"A,1,1,{ra},89.5" for ra in range(0, 360, 10)]
    (found,) = read_polygons(table(tmp_path, rows))
    assert found.dec == pytest.approx(90.0, abs=0.02)
    assert found.major_arcmin == pytest.approx(60.0, abs=0.5)


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        (["A,1,1,10,0", "A,1,1,11,0"], "fewer than three"),
        (["A,1,1,10,0", "A,1,1,11,0", "A,1,1,10,0", "A,1,1,11,0"], "fewer than three"),
        (["A,1,1,10,0", "A,1,1,,0", "A,1,1,11,1"], "row 2 lacks"),
        (["A,1,1,10,0", "A,1,1,nan,0", "A,1,1,11,1"], "row 2"),
        (["A,1,1,10,0", "A,1,1,11,0", "A,1,1,11,95"], "outside"),
        (["A,faint,1,10,0", "A,1,1,11,0", "A,1,1,11,1"], "'faint' is not a number"),
        (["A,1.5,1,10,0", "A,1,1,11,0", "A,1,1,11,1"], "whole number"),
        (["A,1,1,10,0", "A,1,1,190,0", "A,1,1,11,1"], "degrees apart"),
        (["A,1,1,ten,0", "A,1,1,11,0", "A,1,1,11,1"], "'ten' is not an angle"),
    ],
)
def test_bad_tables_are_refused_with_the_row(tmp_path, rows, words):
    with pytest.raises(TableError, match=words):
        read_polygons(table(tmp_path, rows))


def test_a_missing_column_is_named(tmp_path):
    with pytest.raises(TableError, match="no column 'dec'"):
        read_polygons(table(tmp_path, ["A,10"], head="name,ra\n"))


@pytest.mark.needs_shared
def test_ten_nebulae(shared):
    found = read_polygons(shared / "outlines" / "nebulae.csv")
    assert [(o.name, o.level) for o in found].count(("IC 1848", 1)) == 1
    assert len(found) == 10
    for outline in found:
        assert all(np.isfinite(ring).all() and (ring[0] == ring[-1]).all() for ring in outline.rings)
        assert all(Polygon(ring).area > 0 for ring in outline.rings)


@pytest.mark.needs_shared
@pytest.mark.parametrize("name", ["IC 1396", "IC 1848"])
def test_corrected_sizes_are_those_of_the_outlines(shared, name):
    from appulse.catalogues.deepsky import find_object

    drawn = next(o for o in read_polygons(shared / "outlines" / "nebulae.csv") if o.name == name)
    listed = find_object(name)
    assert listed.major_arcmin == pytest.approx(drawn.major_arcmin, abs=1.0)
    assert listed.minor_arcmin == pytest.approx(drawn.minor_arcmin, abs=1.0)
    assert listed.pa_deg == pytest.approx(drawn.pa_deg, abs=1.5)
