"""Arrays kept in the user's cache: mapped the second time, made anew when damaged or out of date."""

import os

import numpy as np
import pytest

from appulse.formats import cached_arrays


@pytest.fixture
def source(tmp_path, monkeypatch):
    monkeypatch.setenv("APPULSE_CACHE", str(tmp_path / "cache"))
    path = tmp_path / "source.dat"
    path.write_bytes(b"1234")
    return path


@pytest.fixture
def asked(source):
    """A call of the cache that counts how often the arrays were made."""
    made = []

    def make():
        made.append(1)
        return {"x": np.arange(1000.0), "names": np.array(["a", "bc"])}

    def ask(version=1):
        arrays = cached_arrays("things", [source], make, version)
        assert np.array_equal(arrays["x"], np.arange(1000.0))
        assert list(arrays["names"]) == ["a", "bc"]
        return arrays, len(made)

    return ask


def test_the_second_time_they_are_mapped(asked):
    assert asked()[1] == 1
    arrays, made = asked()
    assert made == 1
    assert isinstance(arrays["x"], np.memmap)
    assert not arrays["x"].flags.writeable


def test_a_changed_source_or_version_makes_them_anew_and_three_sets_are_kept(asked, source, tmp_path):
    asked()
    source.write_bytes(b"4321")
    assert asked()[1] == 2
    for version in (2, 3, 4):
        assert asked(version=version)[1] == version + 1
    assert len(list((tmp_path / "cache" / "arrays").iterdir())) == 3
    assert asked(version=3)[1] == 5


def test_a_source_of_the_same_content_is_the_same_in_another_installation(asked, source):
    asked()
    os.utime(source, (1, 1))
    assert asked()[1] == 1


def test_a_large_source_is_told_apart_by_its_time(asked, source, monkeypatch):
    monkeypatch.setattr("appulse.formats.array_cache.READ_WHOLE", 2)
    asked()
    os.utime(source, (1, 1))
    assert asked()[1] == 2


def test_a_damaged_set_is_made_anew(asked, tmp_path):
    asked()
    [kept] = (tmp_path / "cache" / "arrays").glob("things-*/x.npy")
    kept.write_bytes(kept.read_bytes()[:500])
    assert asked()[1] == 2
    kept.unlink()
    assert asked()[1] == 3
    assert asked()[1] == 3


def test_a_cache_that_cannot_be_written_is_no_error(asked, tmp_path):
    (tmp_path / "cache").write_text("a file where the folder should be")
    assert asked()[1] == 1
    assert asked()[1] == 2
