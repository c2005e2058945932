"""Solved frames through glue's own door: what they carry, and what becomes of them in sessions."""

import shutil

import numpy as np
import pytest
from astropy.io import fits
from glue.core import DataCollection
from glue.core.data_factories import load_data
from glue.core.state import GlueSerializer, GlueUnSerializer
from glue_worlds import SHAPE, make_wcs

from glue_appulse.data import solved_frames
from glue_appulse.data.kinds import FRAME, kind_of
from glue_appulse.data.solved_frames import STORE, LazyPixels, PixelStore

pytestmark = pytest.mark.usefixtures("registered")
NAME = "iris_1.fits.fz"


@pytest.fixture
def night(tmp_path, sample_data):
    """One sample frame in a folder of its own."""
    shutil.copy(sample_data / NAME, tmp_path / NAME)
    return tmp_path


def serialised(collection, **how):
    return GlueSerializer(collection, **how).dumps()


def restored(text):
    return GlueUnSerializer.loads(text).object("__main__")


def test_a_frame_carries_time_site_and_sky(night):
    data = load_data(str(night / NAME))
    assert kind_of(data) == FRAME
    assert data.meta["mid-exposure (UTC)"].startswith("2027-05-04T19:54:37")
    assert data.meta["site"] == "site of the frame"
    frame = solved_frames.frame_of(data)
    x, y = frame.to_pixel(246.4, -24.2)
    np.testing.assert_allclose(data.coords.all_world2pix(246.4, -24.2, 0), [x, y], atol=1e-6)
    assert data.shape == frame.shape


def test_pixels_are_read_when_looked_at_and_let_go(night, monkeypatch):
    data = load_data(str(night / NAME))
    component = data.get_component("pixels")
    assert isinstance(component, LazyPixels)
    assert "_planes" not in vars(solved_frames.frame_of(data))
    assert np.isfinite(data["pixels", (slice(0, 3), slice(0, 3))]).all()
    assert "_planes" in vars(solved_frames.frame_of(data))
    STORE._held.clear()
    solved_frames.frame_of(data).release()


def test_the_store_keeps_within_its_limit():
    class Source:
        def __init__(self):
            self.released = False

        pixels = np.zeros((500, 1000), "f4")

        def release(self):
            self.released = True

    store, sources = PixelStore(limit_mb=5), [Source() for _ in range(4)]
    for source in sources:
        store.get(source, "pixels")
    assert [source.released for source in sources] == [True, True, False, False]
    assert store.held <= 5e6


def test_a_file_without_sky_goes_to_glues_own_reader(tmp_path, capsys):
    path = tmp_path / "plain.fits"
    fits.writeto(path, np.zeros((8, 9), "f4"))
    data = load_data(str(path))
    assert kind_of(data) is None
    assert "plain.fits" in capsys.readouterr().err


def test_a_frame_without_time_and_site_opens_and_says_so(tmp_path):
    fits.writeto(tmp_path / "bare.fits", np.zeros(SHAPE, "f4"), make_wcs().to_header())
    data = load_data(str(tmp_path / "bare.fits"))
    assert data.meta["mid-exposure (UTC)"] == "not given"
    from glue_appulse.data.track_data import usable

    good, lines = usable([data])
    assert not good
    assert "bare.fits has no time" in lines[0]


@pytest.mark.parametrize("include", [True, False])
def test_a_session_brings_the_frame_back(night, include):
    data = load_data(str(night / NAME))
    again = restored(serialised(DataCollection([data]), include_data=include))[0]
    np.testing.assert_array_equal(again["pixels"][::100, ::100], data["pixels"][::100, ::100])
    old, new = solved_frames.frame_of(data), solved_frames.frame_of(again)
    assert new.exposure.mid.isot == old.exposure.mid.isot
    np.testing.assert_allclose(new.to_pixel(246.4, -24.2), old.to_pixel(246.4, -24.2), atol=1e-9)


def test_a_frame_rebuilt_without_its_file_measures_alike(night):
    data = load_data(str(night / NAME))
    old = solved_frames.frame_of(data)
    again = restored(serialised(DataCollection([data]), include_data=True))[0]
    (night / NAME).unlink()
    new = solved_frames.frame_of(again)
    assert new.path is None
    assert (new.exposure.seconds, new.exposure.n_sub) == (old.exposure.seconds, old.exposure.n_sub)
    assert new.observer.itrs_m == old.observer.itrs_m
    assert new.camera.gain_e_adu == old.camera.gain_e_adu
    np.testing.assert_array_equal(new.data[::50, ::50], data["pixels"][::50, ::50])


@pytest.fixture
def saved(night, monkeypatch):
    """A session without data whose frame has gone; and the folder it has gone to."""
    data = load_data(str(night / NAME))
    solved_frames.note_for_sessions(data)
    text = serialised(DataCollection([data]), include_data=False)
    (night / "elsewhere").mkdir()
    (night / NAME).rename(night / "elsewhere" / NAME)
    monkeypatch.setattr(solved_frames, "_folders", [])
    return text, night / "elsewhere"


def test_a_moved_frame_is_looked_for_where_asked(saved, monkeypatch):
    text, folder = saved
    monkeypatch.setenv("APPULSE_FRAMES", str(folder))
    assert np.isfinite(restored(text)[0]["pixels"][0, :5]).all()


def test_a_moved_frame_is_asked_for(saved, monkeypatch):
    text, folder = saved
    asked = []
    monkeypatch.setattr(solved_frames, "ask_folder", lambda name: asked.append(name) or folder)
    assert np.isfinite(restored(text)[0]["pixels"][0, :5]).all()
    assert asked == [NAME]


def test_a_lost_frame_is_blank_and_not_fatal(saved, capsys):
    text, _folder = saved
    data = restored(text)[0]
    assert np.isnan(data["pixels"]).all()
    assert solved_frames.frame_of(data).exposure.mid.isot.startswith("2027-05-04T19:54:37")
    assert "its pixels are blank" in capsys.readouterr().err


@pytest.mark.needs_shared
@pytest.mark.parametrize("name", ["01772a127-w3-int-1b.fits.gz", "w5-wise12um.fits", "eyuma-thumbnail.fit.gz",
                                  "c4d_170316_062107_ooi_z_ls9.N2.fits"])  # fmt: skip
def test_real_frames_open(shared, name):
    data = load_data(str(shared / "frames" / name))
    assert kind_of(data) == FRAME
    frame = solved_frames.frame_of(data)
    ra, dec = frame.centre
    np.testing.assert_allclose(data.coords.all_world2pix(ra, dec, 0), frame.to_pixel(ra, dec), atol=1e-6)
    again = restored(serialised(DataCollection([data]), include_data=True))[0]
    corner = [wcs.all_pix2world(frame.shape[1] - 1, 0, 0) for wcs in (data.coords, again.coords)]
    np.testing.assert_allclose(*corner, atol=1e-10)
