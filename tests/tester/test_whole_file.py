"""Files are whole or not there, whatever ends the work."""

from __future__ import annotations

import stat
from pathlib import Path

import pytest

from conformance.files.whole_file import beside, require_folder, whole_file, write, write_bytes
from protocol.trouble import Trouble


def test_a_whole_file_takes_the_place_of_the_one_before(tmp_path: Path) -> None:
    path = tmp_path / "report.json"
    path.write_text("before")
    write(path, "after é")
    assert path.read_bytes() == "after é".encode()
    write_bytes(path, b"\x00")
    assert path.read_bytes() == b"\x00"
    assert [one.name for one in tmp_path.iterdir()] == ["report.json"]


@pytest.mark.parametrize("ending", [KeyboardInterrupt, SystemExit, ValueError])
def test_what_ends_the_work_leaves_the_one_before(ending: type[BaseException], tmp_path: Path) -> None:
    path = tmp_path / "report.json"
    path.write_text("before")

    def work() -> None:
        with whole_file(path) as file:
            file.write("half of")
            file.flush()
            raise ending

    with pytest.raises(ending):
        work()
    assert path.read_text() == "before"
    assert [one.name for one in tmp_path.iterdir()] == ["report.json"]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="NOT TESTED: there is no device that is full")
def test_a_full_device_is_told() -> None:
    with (
        pytest.raises(Trouble, match="cannot be written: No space left"),
        whole_file(Path("/dev/full")) as file,
    ):
        file.write("a" * 100_000)
    assert stat.S_ISCHR(Path("/dev/full").stat().st_mode)


def test_a_device_is_written_to_as_it_is() -> None:
    write(Path("/dev/null"), "nothing")
    assert stat.S_ISCHR(Path("/dev/null").stat().st_mode)


def test_a_link_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "there").mkdir()
    link = tmp_path / "link"
    link.symlink_to(tmp_path / "there" / "file")
    write(link, "text")
    assert link.is_symlink()
    assert (tmp_path / "there" / "file").read_text() == "text"


def test_a_folder_that_is_not_there_is_told_before_the_work(tmp_path: Path) -> None:
    for path in (tmp_path / "none" / "file", tmp_path):
        with pytest.raises(Trouble):
            require_folder(path)
        with pytest.raises(Trouble), beside(path):
            raise AssertionError("the work has begun")
