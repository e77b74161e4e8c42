"""Measurements as files. No window."""

import shutil
from pathlib import Path

import pytest

from qca.errors import InputError
from qca.picks_file import read_picks
from ui.desk import keeping
from ui.desk.worklist import PathList

STILL = Path(__file__).parent.parent.parent / "sample_images" / "bifurcation.dcm"


@pytest.fixture
def files(still_reading):
    picks, _, text = still_reading
    return keeping.measurement_files(picks, text, "case")


def test_saved_picks_and_reading_can_be_read_again(tmp_path, files, still_reading):
    picks, reading, text = still_reading
    keeping.write_measurement(tmp_path, files)
    assert read_picks(tmp_path / "case.picks.json") == picks
    assert (tmp_path / "case.reading.json").read_text(encoding="utf-8") == text
    opened = keeping.open_document(tmp_path / "case.reading.json")
    assert opened.picks == picks
    assert opened.settings == reading.settings
    assert opened.frame_file is None  # the frame is not beside it


def test_only_foreign_files_are_asked_about(tmp_path, files):
    assert keeping.would_be_lost(tmp_path, files, {}) == []
    own = keeping.write_measurement(tmp_path, files)
    changed = {name: text + " " for name, text in files.items()}
    assert keeping.would_be_lost(tmp_path, files, {}) == []  # the same content is no loss
    assert keeping.would_be_lost(tmp_path, changed, own) == []
    assert keeping.would_be_lost(tmp_path, changed, {}) == [tmp_path / name for name in files]
    (tmp_path / "case.picks.json").write_text("somebody else's")
    assert keeping.would_be_lost(tmp_path, changed, own) == [tmp_path / "case.picks.json"]


def test_the_frame_beside_a_document_is_found(tmp_path, files):
    shutil.copy(STILL, tmp_path / "case.dcm")
    keeping.write_measurement(tmp_path, files)
    assert keeping.open_document(tmp_path / "case.picks.json").frame_file == tmp_path / "case.dcm"
    (tmp_path / "case.picks.json").rename(tmp_path / "case.frame7.picks.json")
    assert keeping.open_document(tmp_path / "case.frame7.picks.json").frame_file == tmp_path / "case.dcm"


@pytest.mark.parametrize("text", ["", "[]", '{"schema": "other"}', '{"a": 1}'])
def test_a_foreign_document_is_refused(tmp_path, text):
    (tmp_path / "x.json").write_text(text)
    with pytest.raises(InputError):
        keeping.open_document(tmp_path / "x.json")


def test_names_of_measurements(tmp_path):
    assert keeping.stem_of(tmp_path / "run.dcm", 31) == "run.frame31"
    assert keeping.stem_of(tmp_path / "still.png", None) == "still"
    assert keeping.stem_of(tmp_path / "1.2.840.7", None) == "1.2.840.7"  # no ending, but points in the name


def test_frames_of_a_folder_in_the_order_of_their_numbers(tmp_path):
    for name in ("b10.dcm", "b9.dcm", "a.PNG", "noending", ".hidden", "c.json", "d.csv"):
        (tmp_path / name).write_text("")
    names = [path.name for path in keeping.frames_in(tmp_path)]
    assert names == ["a.PNG", "b9.dcm", "b10.dcm", "noending"]
    assert keeping.frames_in(tmp_path / "not there") == []


def test_a_plain_list_goes_on_and_ends(tmp_path):
    paths = [tmp_path / name for name in "abc"]
    listing = PathList(paths)
    assert (listing.current, listing.progress, listing.has_next) == (paths[0], "file 1 of 3", True)
    assert listing.next() == paths[1]
    listing.begin_at(paths[2])
    assert listing.next() is None
    assert listing.current == paths[2]
    assert PathList([]).current is None
    assert PathList(paths[:1]).progress == ""
