"""A reading list at the desk: next frame with one key, entries in the ledger, a lock that asks once."""

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from qca.document import reading_text
from qca.lists.frames import find_frames
from qca.lists.making import Choices, make_list
from qca.lists.progress import states
from ui.desk.guide import Step
from ui.desk.listed_reads import ListedReads
from ui.desk.reads import LATER, LOCK
from ui.desk.work import NO_SCALE, work_of

ROOT = Path(__file__).parent.parent.parent
PATIENCE_S = 90
STILL = ROOT / "sample_images" / "bifurcation.dcm"


@pytest.fixture
def listing(tmp_path):
    """Three frames for one reader."""
    folder = tmp_path / "frames"
    folder.mkdir()
    for name in ("one", "two", "three"):
        shutil.copy(STILL, folder / f"{name}.dcm")
    asked = Choices(readers=("R1", "R2"), passes=1, washout_days=0.0, gap=1, seed="s")
    return make_list(find_frames(folder), tmp_path / "study", tmp_path / "study-key.csv", asked)


def in_ledger(listing):
    """State of each read, and kind, reader and pass of what is entered about reads."""
    with listing.open_ledger(readonly=True) as ledger:
        entries = [(entry.code, entry.kind, entry.reader) for entry in ledger.entries() if entry.code]
        return states(listing, ledger), entries


def read(hand, know, still_reading):
    """Read the open frame: the picks of the sample, whose reading the desk remembers."""
    know(hand.desk, hand.desk.file)
    hand.desk.change(work_of(still_reading[0]), "picks")
    assert hand.desk.measuring.fresh


def test_a_list_without_a_window(listing, still_reading):
    mine = ListedReads(listing.folder, "R1")
    files = [one.file for one in listing.of("R1")]
    assert (mine.current, mine.progress, mine.has_next) == (None, "", True)
    assert mine.next() == files[0]
    assert mine.progress == "1 of 3, not entered"
    assert mine.latest() is None
    mine.enter(still_reading[1])
    mine.enter(still_reading[1])
    assert mine.state == "open"
    assert reading_text(mine.latest()) == still_reading[2]
    assert mine.next() == files[1]  # an open read waits for its lock, and does not hold up the others
    mine.refuse("the vessel leaves the frame")
    assert mine.next() == files[2]
    mine.enter(still_reading[1])
    mine.lock()
    assert mine.next() == files[0]
    mine.lock()
    assert mine.next() is None
    assert "Everything" in mine.ended
    mine.close()
    assert set(in_ledger(listing)[0].values()) == {"locked", "refused"}


def test_from_the_first_frame_to_the_end_of_the_list(hand, listing, know, still_reading):
    desk, codes = hand.desk, [one.code for one in listing.of("R1")]
    assert desk.reads.open(listing.folder, "R1")
    assert desk.file == listing.of("R1")[0].file
    assert "not entered" in hand.window.widget.column.panels[Step.KEEP].summary(desk)
    read(hand, know, still_reading)
    desk.steps.go(Step.KEEP)
    assert "Enter the reading" in hand.window.widget.column._hint._text.text()
    assert hand.window.widget.column.panels[Step.KEEP]._next.text() == "Next frame"

    hand.key("S", "ControlModifier")
    assert in_ledger(listing)[1] == [(codes[0], "measured", "R1")]
    assert desk.keeper.is_saved
    assert list(desk.file.parent.glob("*.json")) == []  # nothing is written beside the coded copies
    with listing.open_ledger(readonly=True) as ledger:
        (entry,) = [entry for entry in ledger.entries() if entry.code]
        assert ledger.document(entry.reading_sha256).decode() == still_reading[2]

    hand.prompts.answers.append(LOCK)
    hand.key("N")
    assert f"Lock the reading of {codes[0]}?" in hand.prompts.questions[0]
    assert in_ledger(listing)[0] == {codes[0]: "locked"}
    assert desk.file == listing.of("R1")[1].file

    hand.prompts.answers.append("the vessel leaves the frame")
    desk.reads.refuse()
    assert in_ledger(listing)[0][codes[1]] == "refused"
    assert desk.file == listing.of("R1")[2].file

    read(hand, know, still_reading)
    hand.prompts.answers.append(None)  # cancelled: entered all the same, and still here
    hand.key("N")
    assert in_ledger(listing)[0][codes[2]] == "open"
    assert desk.file == listing.of("R1")[2].file
    hand.prompts.answers.append(LOCK)
    hand.key("N")
    assert in_ledger(listing)[0][codes[2]] == "locked"
    assert "Everything on the list of reader R1 is read" in desk.notice.text
    assert desk.file is None  # the last one is put away too
    assert desk.measuring.shown.measured is None


def without(read):
    """Take a coded copy away, as somebody who tidies a folder does."""
    return read.file.rename(read.file.with_suffix(".gone"))


@pytest.mark.parametrize("damaged", [False, True])
def test_a_copy_that_cannot_be_opened_leaves_no_earlier_result(hand, listing, know, still_reading, damaged):
    """The locked reading is off the screen, nothing can be saved, and a refusal is of the frame that is missing."""
    desk, mine = hand.desk, listing.of("R1")
    desk.reads.open(listing.folder, "R1")
    read(hand, know, still_reading)
    if damaged:
        mine[1].file.write_bytes(b"DICM")
    else:
        without(mine[1])
    before = {path for path in listing.folder.rglob("*") if path.suffix == ".json"}
    hand.prompts.answers.append(LOCK)
    hand.key("N")
    assert desk.file is None
    assert desk.measuring.shown.measured is None
    assert not desk.canvas.shows_frame
    assert mine[1].code in desk.notice.text
    assert str(mine[1].file.parent) in desk.notice.text
    assert ("missing" in desk.notice.text) is not damaged
    column = hand.window.widget.column
    assert f"The frame of {mine[1].code} could not be opened" in column._hint._text.text()
    panel = column.panels[Step.KEEP]
    assert panel.isVisible()
    assert panel._refuse.isVisible()
    assert panel._next.isEnabled()
    assert not panel._elsewhere.isVisible()
    assert not panel._report.isVisible()
    assert panel._save.text() != "Save"
    for key, modifier in (("S", "ControlModifier"), ("E", "ControlModifier")):
        hand.key(key, modifier)
    desk.keeper.save_elsewhere()
    assert {path for path in listing.folder.rglob("*") if path.suffix == ".json"} == before
    hand.prompts.answers.append("the copy is missing")
    desk.reads.refuse()
    assert mine[1].code in hand.prompts.questions[-1]
    assert in_ledger(listing)[0] == {mine[0].code: "locked", mine[1].code: "refused"}
    assert desk.file == mine[2].file
    assert desk.canvas.shows_frame


def test_a_missing_copy_is_passed_over_and_tried_again(hand, listing, know, still_reading):
    desk, mine = hand.desk, listing.of("R1")
    gone = without(mine[0])
    assert desk.reads.open(listing.folder, "R1")
    assert desk.reads.unopened == mine[0].code
    hand.key("N")
    assert desk.file == mine[1].file
    assert desk.reads.unopened == ""
    for _ in range(2):
        read(hand, know, still_reading)
        hand.prompts.answers.append(LOCK)
        hand.key("N")
    assert desk.reads.unopened == mine[0].code  # the only one left
    gone.rename(mine[0].file)
    hand.key("N")
    assert desk.file == mine[0].file
    assert in_ledger(listing)[0] == {mine[1].code: "locked", mine[2].code: "locked"}


def test_what_could_not_be_opened_beside_a_list_leaves_the_list(hand, listing, tmp_path):
    desk = hand.desk
    desk.reads.open(listing.folder, "R1")
    bad = tmp_path / "bad"
    bad.mkdir()
    (bad / "frame.png").write_bytes(b"nothing")
    hand.drop(bad)
    assert desk.file == listing.of("R1")[0].file
    assert "1 of 3" in hand.window.widget.column.panels[Step.KEEP].summary(desk)


def test_points_on_plain_background_lead_nowhere_but_to_cannot_be_read(hand, listing):
    desk = hand.desk
    desk.reads.open(listing.folder, "R1")
    points = {"proximal": (420.0, 30.0), "distal": (470.0, 60.0), "side": (430.0, 90.0)}
    desk.change(replace(desk.work, scale=NO_SCALE, **points), "points beside the vessel")
    for step in (Step.POINTS, Step.CHECK):
        desk.steps.go(step)
        assert hand.wait(lambda: bool(desk.measuring.shown.problem), PATIENCE_S)
        hand.wait()
        panel = hand.window.widget.column.panels[step]
        assert not panel._go.isEnabled()
        assert panel._refuse.isVisible()
        hand.key("Return")
        assert desk.steps.current is step
    assert "enter that it cannot be read" in hand.window.widget.column.panels[Step.POINTS]._advice.text()
    hand.prompts.answers.append("no vessel")
    hand.key("R", "ControlModifier")
    hand.wait()
    assert in_ledger(listing)[0] == {listing.of("R1")[0].code: "refused"}


def test_the_end_of_a_list_is_an_empty_window_that_says_so(hand, listing, know, still_reading):
    desk = hand.desk
    desk.reads.open(listing.folder, "R1")
    assert "reader R1" in hand.window.main.windowTitle()
    for _ in range(3):
        assert desk.canvas.shows_frame
        read(hand, know, still_reading)
        hand.prompts.answers.append(LOCK)
        hand.key("N")
    assert not desk.canvas.shows_frame
    hint = hand.window.widget.column._hint
    assert "Everything on the list of reader R1 is read" in hint._text.text()
    assert "Open a frame" not in hint._text.text()
    assert "close" in hint._keys.text()
    desk.reads.refuse()  # asks nobody: there is no frame
    hand.drop(STILL)
    assert desk.canvas.shows_frame
    assert "reader" not in hand.window.main.windowTitle()


def test_an_open_read_is_gone_on_with_elsewhere_and_others_stay_hidden(hand, listing, know, still_reading, tmp_path):
    desk = hand.desk
    desk.reads.open(listing.folder, "R1")
    read(hand, know, still_reading)
    hand.prompts.answers.append(LATER)
    hand.key("N")
    hand.new_session(tmp_path / "another machine")
    assert desk.reads.open(listing.folder, "R1")
    assert desk.file == listing.of("R1")[0].file
    assert desk.work.points == work_of(still_reading[0]).points
    hand.new_session(tmp_path / "another reader")
    assert desk.reads.open(listing.folder, "R2")
    assert desk.work.points == {}


def test_nothing_of_a_read_is_to_be_found_later(hand, listing, know, still_reading, tmp_path):
    """No report, no file elsewhere; and a coded copy opened without its list brings no earlier work back."""
    desk = hand.desk
    desk.reads.open(listing.folder, "R1")
    first = desk.file
    read(hand, know, still_reading)
    before = {path for path in tmp_path.rglob("*") if path.suffix not in (".jsonl", ".part", "")}
    for key, modifier in (("E", "ControlModifier"), ("S", "ControlModifier")):
        hand.key(key, modifier)
    desk.keeper.save_elsewhere()
    assert "nowhere else" in desk.notice.text
    assert hand.prompts.questions == []
    assert {path for path in tmp_path.rglob("*") if path.suffix not in (".jsonl", ".part", "")} - before <= {
        listing.folder / "ledger.sqlite-journal"
    }
    hand.prompts.answers.append(LOCK)
    hand.key("N")
    hand.drop(first)
    assert desk.file == first
    assert desk.work.points == {}
    assert desk.notice is None or not desk.notice.actions
    hand.new_session(desk.home)
    assert desk.open([first])
    assert desk.work.points == {}


@pytest.mark.parametrize("way", ["drop", "key", "call"])
@pytest.mark.parametrize("kind", ["picks.json", "reading.json", "reading.JSON"])
def test_points_made_earlier_stay_out_of_a_read(hand, listing, still_reading, tmp_path, kind, way):
    """Neither picks nor a reading, wherever they lie; outside lists they are opened as before."""
    desk, mine = hand.desk, listing.of("R1")
    content = (STILL.parent / "bifurcation.picks.json").read_text() if "picks" in kind else still_reading[2]
    beside_copy = mine[0].file.with_suffix(f".{kind}")
    with_its_frame, alone = (tmp_path / name / f"bifurcation.{kind}" for name in ("elsewhere", "alone"))
    for path in (beside_copy, with_its_frame, alone):
        path.parent.mkdir(exist_ok=True)
        path.write_text(content)
    shutil.copy(STILL, with_its_frame.parent)

    def open_it(path):
        if way == "drop":
            hand.drop(path)
        elif way == "key":
            hand.prompts.answers.append([path])
            hand.key("O", "ControlModifier")
        else:
            assert not desk.open([path])

    desk.reads.open(listing.folder, "R1")
    before = desk.history
    for path in (beside_copy, with_its_frame, alone):
        open_it(path)
        assert path.name in desk.notice.text
        assert "independence of the reads" in desk.notice.text
        assert "set the points yourself" in desk.notice.text
        assert desk.file == mine[0].file
        assert desk.reads.listed
        assert desk.history is before
        assert desk.work.points == {}
        assert desk.measuring.shown.measured is None
    assert in_ledger(listing)[0] == {}
    if way == "drop":
        hand.drop(with_its_frame, alone)
        assert desk.work.points == {}
        hand.drop(STILL)  # leaves the list
        hand.drop(alone)
        assert desk.work.points == work_of(still_reading[0]).points


@pytest.mark.parametrize("gone", [True, False])
def test_points_stay_out_where_no_frame_of_the_list_is_open(hand, listing, know, still_reading, tmp_path, gone):
    """A copy that cannot be opened, or a wash-out that is waited for: the list is still open."""
    desk, mine = hand.desk, listing.of("R1")
    document = tmp_path / "bifurcation.reading.json"
    document.write_text(still_reading[2])
    shutil.copy(STILL, tmp_path)
    if gone:
        without(mine[0])
    desk.reads.open(listing.folder, "R1")
    for _ in range(0 if gone else 3):
        read(hand, know, still_reading)
        hand.prompts.answers.append(LOCK)
        hand.key("N")
    assert desk.file is None
    hand.drop(document)
    assert desk.file is None
    assert "is not opened while a reading list is open" in desk.notice.text


def test_what_was_not_entered_is_entered_when_the_file_is_left(hand, listing, know, still_reading):
    desk, codes = hand.desk, [one.code for one in listing.of("R1")]
    desk.reads.open(listing.folder, "R1")
    read(hand, know, still_reading)
    hand.drop(STILL)
    assert desk.file == STILL
    assert desk.reads.list is None
    assert in_ledger(listing)[0] == {codes[0]: "open"}
    assert desk.may_close()


def test_a_ledger_that_cannot_be_written_loses_nothing(hand, listing, know, still_reading, monkeypatch):
    from qca.store.errors import LedgerError

    desk = hand.desk
    desk.reads.open(listing.folder, "R1")
    read(hand, know, still_reading)

    def refused(reading):
        msg = "The ledger cannot be written: the disk is full."
        raise LedgerError(msg)

    monkeypatch.setattr(desk.reads.list, "enter", refused)
    hand.key("N")
    assert "disk is full" in desk.notice.text
    assert desk.file == listing.of("R1")[0].file
    hand.prompts.answers.append(False)
    assert not desk.may_close()
    assert "autosave keeps it" in hand.prompts.questions[0]


def test_what_is_no_list_is_said_in_the_window(hand, listing, tmp_path):
    hand.prompts.answers += [tmp_path, "R1"]
    hand.key("L", "ControlModifier")
    assert "holds no reading list" in hand.desk.notice.text
    hand.prompts.answers += [listing.folder, "R9"]
    hand.key("L", "ControlModifier")
    assert "no reader 'R9'" in hand.desk.notice.text
    hand.desk.reads.refuse()
    assert "open the list first" in hand.desk.notice.text


def test_wrong_lists_and_readers_are_said_before_any_window(listing, tmp_path, qca):
    assert qca("view", "--list", listing.folder)[0] == 2
    code, _, said = qca("view", "--list", listing.folder, "--reader", "R9")
    assert code == 1
    assert "no reader 'R9'" in said
    assert qca("view", "--list", tmp_path, "--reader", "R1")[0] == 1
    picks = STILL.with_suffix(".picks.json")
    code, _, said = qca("view", "--list", listing.folder, "--reader", "R1", picks)
    assert code == 2
    assert "no files beside them" in said
