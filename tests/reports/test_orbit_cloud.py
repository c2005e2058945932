"""The region that the map of a first orbit draws."""

from types import SimpleNamespace

import numpy as np
import pytest
from matplotlib.path import Path

from appulse.numerics import SkyPlane
from appulse.reports.orbit_cloud import ellipse_of


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(("dec", "pa"), [(0.0, 90.0), (-17.0, 110.0), (62.0, 20.0)])
def test_the_ellipse_holds_the_share_that_the_map_names(seed, dec, pa):
    rng = np.random.default_rng(seed)
    turn = np.radians(pa)
    along, across = rng.normal(0, 2.0, 600), rng.normal(0, 0.05, 600)
    flat = np.column_stack([along * np.sin(turn) + across * np.cos(turn),
                            along * np.cos(turn) - across * np.sin(turn)])  # fmt: skip
    plane = SkyPlane(250.0, dec)
    ra, dec_deg = plane.to_sky(np.radians(flat)).T
    lengths = [float(np.ptp(np.quantile(x, [0.025, 0.975]))) * 60 for x in (along, across)]
    cloud = SimpleNamespace(ra_deg=ra, dec_deg=dec_deg, centre=(250.0, dec), pa_deg=pa,
                            length_arcmin=lengths[0], width_arcmin=lengths[1])  # fmt: skip
    # laid down on a chart whose middle is 15 degrees away, as the map of several nights does
    chart = SkyPlane(236.0, dec - 5.0)
    ring = Path(chart.from_sky(ellipse_of(cloud)))
    inside = ring.contains_points(chart.from_sky(np.column_stack([ra, dec_deg])))
    assert inside.mean() == pytest.approx(0.95, abs=0.01)
