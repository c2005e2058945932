"""On a real frame, the outline of a nebula lies on the nebula's rims and nowhere else."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, map_coordinates

from appulse.catalogues.deepsky import read_polygons
from appulse.frames.reading import read_frame
from appulse.overlays.shapes import outline_in_frame

SHIFT_PX = 40.0
"""7 arcmin: less than a tenth of the nebula."""


@pytest.fixture(scope="module")
def rims(shared):
    """Smoothed logarithm of brightness, its gradient, and the outline's points in pixels."""
    frame = read_frame(shared / "frames" / "w5-wise12um.fits", require=("wcs",))
    outline = next(
        o for o in read_polygons(shared / "outlines" / "nebulae.csv") if (o.name, o.level) == ("IC 1848", 2)
    )
    points = np.concatenate([line for piece in outline_in_frame(frame, outline) for line in piece.strokes])
    # The camera's pedestal hides the contrast.
    bright = gaussian_filter(np.log(np.maximum(frame.data - 430.0, 1.0)), 2.0)
    return bright, np.hypot(*np.gradient(bright)), points


def mean_along(image, points):
    return float(map_coordinates(image, [points[:, 1], points[:, 0]], order=1, mode="nearest").mean())


def displaced(points):
    middle = points.mean(axis=0)
    flips = {"left-right": (-1, 1), "upside down": (1, -1), "both": (-1, -1)}
    shifts = {"right": (1, 0), "left": (-1, 0), "up": (0, 1), "down": (0, -1)}
    places = {name: middle + (points - middle) * flip for name, flip in flips.items()}
    places |= {name: points + SHIFT_PX * np.array(step) for name, step in shifts.items()}
    places["transposed"] = middle + (points - middle)[:, ::-1]
    return places


@pytest.mark.needs_shared
def test_outline_lies_on_bright_rims(rims):
    bright, _, points = rims
    here = mean_along(bright, points)
    elsewhere = {name: mean_along(bright, moved) for name, moved in displaced(points).items()}
    # 0.3 in the logarithm: a third brighter than at any other place.
    assert here > max(elsewhere.values()) + 0.3, elsewhere
    assert here > bright.mean() + 1.0


@pytest.mark.needs_shared
def test_outline_lies_on_edges(rims):
    _, edge, points = rims
    here = mean_along(edge, points)
    elsewhere = {name: mean_along(edge, moved) for name, moved in displaced(points).items()}
    assert here > 1.2 * max(elsewhere.values()), elsewhere
    assert here > 2.0 * edge.mean()
