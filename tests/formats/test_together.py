"""Files that belong together appear all at once or not at all."""

import errno
import os

import pytest

from appulse.errors import InputError, OutputExistsError
from appulse.formats.output import check_free, replacing, together, write_text


def test_all_appear_at_the_end_only(tmp_path):
    with together():
        for name in ("a.txt", "sub/b.txt"):
            assert write_text(tmp_path / name, name) == tmp_path / name
            assert not (tmp_path / name).exists()
    assert sorted(path.name for path in tmp_path.rglob("*.*")) == ["a.txt", "b.txt"]


@pytest.mark.parametrize("fault", [ZeroDivisionError, KeyboardInterrupt])
def test_nothing_is_left_of_a_block_that_fails(tmp_path, fault):
    @together()
    def block():
        write_text(tmp_path / "a.txt", "new", overwrite=True)
        write_text(tmp_path / "made" / "for" / "b.txt", "new")
        raise fault

    (tmp_path / "a.txt").write_text("old")
    with pytest.raises(fault):
        block()
    assert [path.name for path in tmp_path.rglob("*")] == ["a.txt"]
    assert (tmp_path / "a.txt").read_text() == "old"


def test_a_full_disk_at_the_third_file_leaves_none_and_says_so(tmp_path):
    @together()
    def block():
        write_text(tmp_path / "a.txt", "one")
        write_text(tmp_path / "b.txt", "two")
        with replacing(tmp_path / "c.txt"):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with pytest.raises(InputError, match=r"c\.txt was not written: No space left.*nothing was replaced"):
        block()
    assert list(tmp_path.iterdir()) == []


def test_what_was_replaced_comes_back_when_another_cannot_be_moved(tmp_path, monkeypatch):
    for name in ("a.txt", "b.txt"):
        (tmp_path / name).write_text("old")
    moved = os.replace

    def replace(source, target):
        if str(target).endswith("/c.txt"):
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        moved(source, target)

    @together()
    def block():
        for name in ("a.txt", "b.txt", "c.txt"):
            write_text(tmp_path / name, "new", overwrite=True)

    monkeypatch.setattr(os, "replace", replace)
    with pytest.raises(InputError, match=r"c\.txt was not written"):
        block()
    assert {path.name: path.read_text() for path in tmp_path.iterdir()} == {"a.txt": "old", "b.txt": "old"}


def test_an_inner_block_waits_for_the_outer(tmp_path):
    with together():
        with together():
            write_text(tmp_path / "a.txt", "one")
        assert not (tmp_path / "a.txt").exists()
    assert (tmp_path / "a.txt").exists()


def test_an_existing_file_is_kept_within_a_block_too(tmp_path):
    (tmp_path / "a.txt").write_text("mine")
    with pytest.raises(OutputExistsError), together():
        write_text(tmp_path / "a.txt", "new")


def test_outputs_are_ordinary_files(tmp_path):
    with together():
        write_text(tmp_path / "a.txt", "one")
    umask = os.umask(0)
    os.umask(umask)
    assert (tmp_path / "a.txt").stat().st_mode & 0o777 == 0o666 & ~umask


@pytest.mark.skipif(not os.path.isdir("/proc/self"), reason="needs a folder that nobody may write to")
def test_a_folder_that_cannot_be_written_to_is_noticed_by_trial():
    with pytest.raises(InputError, match="cannot be written"):
        check_free(["/proc/self/new/a.txt"])


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="permissions do not bind this user")
def test_permissions_are_noticed(tmp_path):
    tmp_path.chmod(0o555)
    try:
        with pytest.raises(InputError, match="cannot be written"):
            check_free([tmp_path / "sub" / "a.txt"])
    finally:
        tmp_path.chmod(0o755)
    assert list(tmp_path.iterdir()) == []
