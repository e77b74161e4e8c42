"""Files appear whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

import pytest

from qca import whole_file
from qca.errors import InputError
from qca.whole_file import write_together, write_whole


def everything(folder):
    return sorted(path.name for path in folder.rglob("*"))


def test_files_are_written_together(tmp_path):
    paths = write_together(tmp_path / "a" / "b", {"one.txt": "Größe\n", "two.bin": b"\x00\x01"})
    assert [path.name for path in paths] == ["one.txt", "two.bin"]
    assert paths[0].read_bytes() == "Größe\n".encode()
    assert paths[1].read_bytes() == b"\x00\x01"
    assert everything(tmp_path / "a" / "b") == ["one.txt", "two.bin"]


def test_a_file_is_replaced(tmp_path):
    write_whole(tmp_path / "x.json", "old")
    write_whole(tmp_path / "x.json", "new")
    assert (tmp_path / "x.json").read_text() == "new"
    assert everything(tmp_path) == ["x.json"]


def test_a_disk_that_fills_up_leaves_nothing(tmp_path, monkeypatch):
    write_whole(tmp_path / "out" / "one.txt", "old")
    written = []

    def full(path, content):
        written.append(path.name)
        path.write_bytes(b"half of it")
        if len(written) == 2:
            raise OSError(28, "No space left on device")

    monkeypatch.setattr(whole_file, "_write_flushed", full)
    with pytest.raises(InputError, match=r"Cannot write into .*out \(No space left on device\)"):
        write_together(tmp_path / "out", {"one.txt": "new", "two.txt": "new"})
    assert len(written) == 2
    assert everything(tmp_path / "out") == ["one.txt"]
    assert (tmp_path / "out" / "one.txt").read_text() == "old"


def test_a_folder_that_was_made_is_removed_again(tmp_path, monkeypatch):
    def full(path, content):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(whole_file, "_write_flushed", full)
    with pytest.raises(InputError, match="No space"):
        write_together(tmp_path / "new" / "deep", {"one.txt": "1"})
    assert everything(tmp_path) == []


def test_an_interruption_leaves_nothing(tmp_path, monkeypatch):
    def interrupted(path, content):
        path.write_bytes(b"half")
        raise KeyboardInterrupt

    monkeypatch.setattr(whole_file, "_write_flushed", interrupted)
    with pytest.raises(KeyboardInterrupt):
        write_whole(tmp_path / "x.txt", "1")
    assert everything(tmp_path) == []


def test_a_file_where_a_folder_should_be(tmp_path):
    (tmp_path / "taken").write_text("file")
    with pytest.raises(InputError, match=r"Cannot write into .*taken"):
        write_whole(tmp_path / "taken" / "x.txt", "1")


def test_a_folder_where_a_file_should_be(tmp_path):
    (tmp_path / "two.txt").mkdir()
    with pytest.raises(InputError, match="there is a folder of that name"):
        write_together(tmp_path, {"one.txt": "1", "two.txt": "2"})
    assert everything(tmp_path) == ["two.txt"]


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_a_folder_without_permission():
    # root may write anywhere, so a child process becomes nobody first; under /tmp, which nobody can reach
    folder = Path(tempfile.mkdtemp(prefix="qca-"))
    folder.chmod(0o555)
    try:
        child = os.fork()
        if child == 0:
            message = ""
            try:
                if os.geteuid() == 0:
                    os.setuid(65534)
                write_whole(folder / "x.txt", "1")
            except InputError as error:
                message = str(error)
            finally:
                os._exit(0 if "Permission denied" in message and str(folder) in message else 1)
        assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
        assert everything(folder) == []
    finally:
        folder.chmod(0o755)
        folder.rmdir()


def test_a_name_with_a_folder_is_the_callers_mistake(tmp_path):
    with pytest.raises(ValueError, match=r"'\.\./x' must be a plain file name"):
        write_together(tmp_path, {"../x": "1"})
