"""Opening files: by content, lazily, one sentence for whatever cannot be opened."""

import hashlib
import os
import pickle
import subprocess
import sys

import numpy as np
import pytest
from PIL import Image

from qca.errors import InputError, UnsupportedFrame
from qca.frames import FrameSource, open_frame, probe
from tests.frames.files import check_sentence, run, write


def refused(path, match, kind=InputError, index=None):
    with pytest.raises(kind, match=match) as error:
        open_frame(path, index)
    check_sentence(error)


def test_a_run_needs_a_frame_number(tmp_path):
    path = write(tmp_path / "run.dcm", run(frames=5))
    refused(path, "holds 5 frames, 0 to 4: say which")
    refused(path, "run.dcm holds frames 0 to 4; there is no frame 5: choose one of those.", index=5)
    refused(path, "there is no frame -1", index=-1)
    still = write(tmp_path / "still.dcm", run(frames=1))
    refused(still, "single frame, number 0; there is no frame 3: leave the number out.", index=3)
    with pytest.raises(TypeError):
        open_frame(path, 1.0)
    assert open_frame(path, np.int64(4)).index == 4


def test_one_source_many_frames(tmp_path):
    frames = run(frames=4)
    path = write(tmp_path / "run.dcm", frames)
    source = FrameSource(path)
    assert len(source) == source.count == source.record.count == 4
    for index in (3, 0, 2):
        assert np.array_equal(source.pixels(index), frames[index])
        assert np.array_equal(source.frame(index).pixels, frames[index])
        assert source.frame(index).index == index
    assert source.frame(1).file == "run.dcm"
    assert source.frame(1).sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


def test_a_source_travels_to_another_process(tmp_path):
    frames = run()
    copy = pickle.loads(pickle.dumps(FrameSource(write(tmp_path / "run.dcm", frames))))  # noqa: S301
    assert np.array_equal(copy.pixels(2), frames[2])


def test_a_file_that_changes_is_noticed(tmp_path):
    path = write(tmp_path / "run.dcm", run())
    source = FrameSource(path)
    path.write_bytes(path.read_bytes() + b"\0\0")
    with pytest.raises(InputError, match="has changed since it was opened") as error:
        source.pixels(0)
    check_sentence(error)


@pytest.mark.parametrize(
    ("content", "kind", "match"),
    [
        (b"", InputError, "is empty"),
        (b"\0" * 500, InputError, "not a DICOM, PNG or TIFF"),
        (b"hello\n" * 100, InputError, "not a DICOM, PNG or TIFF"),
        (b"\xff\xd8\xff\xe0" + b"\0" * 200, UnsupportedFrame, "JPEG picture"),
        (b"GIF89a" + b"\0" * 200, UnsupportedFrame, "GIF"),
        (b"%PDF-1.7", UnsupportedFrame, "PDF"),
        (b"PK\x03\x04" + b"\0" * 50, UnsupportedFrame, "ZIP"),
        (b"<html>", UnsupportedFrame, "web page"),
    ],
)
def test_other_files(tmp_path, content, kind, match):
    path = tmp_path / "run.dcm"
    path.write_bytes(content)
    refused(path, match, kind)


def test_the_content_decides_not_the_name(tmp_path):
    grey = run(frames=1, bits=8)[0]
    path = tmp_path / "run.dcm"
    Image.fromarray(grey).save(path, format="PNG")
    assert np.array_equal(open_frame(path).pixels, grey)


def test_what_is_no_file(tmp_path):
    refused(tmp_path, "is a folder")
    refused(tmp_path / "missing.dcm", "missing.dcm cannot be opened .No such file")
    refused("a\0b", "no possible file name")
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "pipe")
        refused(tmp_path / "pipe", "device or a pipe")


def test_a_file_that_may_not_be_read(tmp_path, monkeypatch):
    path = write(tmp_path / "run.dcm", run())

    def closed(*_):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(type(path), "open", closed)
    refused(path, "cannot be opened .Permission denied")


def test_names_with_strange_characters_do_no_harm(tmp_path):
    path = tmp_path / "a\x1b[31m\nb.dcm"
    path.write_bytes(b"")
    refused(path, r"a\?\[31m\?b.dcm is empty")


def test_importing_costs_no_codec_and_no_dicom_library():
    """The start of a command must not pay for decoders it may not need."""
    heavy = ("pydicom", "imagecodecs", "scipy", "cv2", "skimage", "tifffile", "PIL")
    code = f"import sys, qca.frames; print([m for m in {heavy} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_probing_decodes_nothing(tmp_path):
    """The pixel data of the probed file are rubbish, which only decoding can notice."""
    path = write(
        tmp_path / "run.dcm",
        run(),
        syntax="1.2.840.10008.1.2.4.70",
        codestreams=[b"\xff\xd8\xff\xc3 rubbish "] * 3,
        FrameTime="66",
    )
    record = probe(path)
    assert (record.count, record.rows, record.columns, record.frame_time_ms) == (3, 24, 40, 66)
    refused(path, "damaged|cut short", index=0)
