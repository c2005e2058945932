"""Which frames are searched together for what moves."""

from types import SimpleNamespace

from appulse.workflows.moving_objects import _of_like_scale


def test_a_frame_of_another_scale_costs_only_itself():
    scales = {"a.fits": 3.6, "b.fits": 3.6, "wide.fits": 89.6, "c.fits": 3.5}
    looked = [(SimpleNamespace(pixel_scale=s, path=n, name=n), None, []) for n, s in scales.items()]
    heard = []
    kept, failed = _of_like_scale(looked, heard.append)
    assert [frame.name for frame, _, _ in kept] == ["a.fits", "b.fits", "c.fits"]
    assert [f.name for f in failed] == [f.name for f in heard] == ["wide.fits"]
    assert "its scale is 89.6 arcsec/px" in failed[0].reason
