"""The values behind the desk: work, history, journal. No window."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qca import codec
from qca.picks import Edit, Picks
from qca.picks_file import check_picks, read_picks
from qca.sizing.case import Case
from ui.desk.history import History, State
from ui.desk.journal import Journal
from ui.desk.work import NO_SCALE, PlanChoice, ScaleChoice, Work, picks_of, with_point, without_point, work_of

SAMPLES = Path(__file__).parent.parent.parent / "sample_images"
COORDINATE = st.floats(0, 511, allow_nan=False).map(lambda value: round(value, 2))
POINT = st.tuples(COORDINATE, COORDINATE)
MAYBE = st.none() | POINT
LIMB = st.sampled_from(["proximal", "distal", "side", "segment"])
EDIT = st.builds(
    Edit,
    kind=st.sampled_from(["wall", "exclude", "lesion", "reference", "path"]),
    limb=LIMB,
    side=st.sampled_from(["left", "right", None]),
    points=st.lists(POINT, max_size=3).map(tuple),
    span_px=st.none() | st.tuples(COORDINATE, COORDINATE),
    value_px=st.none() | st.floats(0.5, 40),
)
SCALE = st.builds(
    ScaleChoice,
    way=st.sampled_from(["catheter", "typed", "header", "none"]),
    french=st.none() | st.sampled_from([5.0, 6.0]),
    catheter_mm=st.none() | st.floats(1, 3),
    filled_lumen=st.booleans(),
    mm_per_px=st.none() | st.floats(0.05, 1),
    mm_per_px_sd=st.none() | st.floats(0.001, 0.01),
)
PLAN = st.builds(
    PlanChoice,
    devices=st.sampled_from(["", "/somewhere/table.csv"]),
    case=st.builds(Case, thrombus=st.none() | st.booleans(), lesions=st.none() | st.integers(0, 4)),
    fixed=st.lists(st.tuples(st.just("main_stent"), st.text(max_size=5)), max_size=1).map(tuple),
    technique=st.sampled_from([None, "provisional"]),
)
WORK = st.builds(
    Work, frame=st.none() | st.integers(0, 60), segment=st.booleans(), catheter_a=MAYBE, catheter_b=MAYBE,
    proximal=MAYBE, distal=MAYBE, side=MAYBE, start=MAYBE, end=MAYBE, scale=SCALE,
    edits=st.lists(EDIT, max_size=3).map(tuple), plan=PLAN,
)  # fmt: skip


@pytest.mark.parametrize("file", sorted(SAMPLES.glob("*.picks.json")), ids=lambda path: path.name)
def test_picks_of_a_file_survive_the_desk(file):
    picks = read_picks(file)
    assert picks_of(work_of(picks)) == picks


@given(WORK)
def test_work_survives_the_disk(work):
    document = json.loads(json.dumps(codec.encode(work)))
    assert codec.decode_fields(Work, document, path="", name="work") == work


@given(WORK)
def test_picks_never_contradict_themselves_about_the_scale(work):
    """Whatever was clicked in whatever order, the picks name one way to the scale, complete, or none."""
    work = replace(work, edits=(), scale=replace(work.scale, filled_lumen=False))
    picks = picks_of(work)
    check_picks(picks)
    if not work.has_scale:
        assert (picks.catheter, picks.french, picks.catheter_mm, picks.mm_per_px, picks.scale) == (None,) * 5


def test_the_first_point_fixes_the_frame_and_later_ones_keep_it():
    work = with_point(Work(), "side", (10.123, 20.456), frame=7)
    assert (work.frame, work.side) == (7, (10.12, 20.46))
    assert with_point(work, "distal", (1, 2), frame=9).frame == 7
    assert with_point(without_point(work, "side"), "distal", (1, 2), frame=9).frame == 9


def test_a_switch_to_a_segment_and_back_loses_nothing():
    edits = (Edit("lesion", "side", span_px=(1.0, 9.0)), Edit("lesion", "segment", span_px=(2.0, 8.0)))
    work = Work(proximal=(1.0, 1.0), start=(2.0, 2.0), end=(3.0, 3.0), edits=edits)
    there = replace(work, segment=True)
    assert picks_of(there) == Picks(start=(2.0, 2.0), end=(3.0, 3.0), edits=edits[1:])
    assert replace(there, segment=False) == work
    assert picks_of(work) == Picks(proximal=(1.0, 1.0), edits=edits[:1])


def test_undo_and_redo_without_limit():
    history = History(Work())
    works = [with_point(Work(), "side", (k, k), frame=None) for k in range(500)]
    for work in works:
        assert history.push(work, "moved")
    for work in reversed(works[:-1]):
        assert history.undo()
        assert history.work == work
    assert history.undo()
    assert history.work == Work()
    assert not history.undo()
    for work in works:
        assert history.redo()
        assert history.work == work
    assert not history.redo()


def test_a_new_step_forgets_the_undone_ones():
    history = History(Work())
    history.push(Work(frame=1), "one")
    history.push(Work(frame=2), "two")
    history.undo()
    history.push(Work(frame=3), "three")
    assert [state.work.frame for state in history.states] == [None, 1, 3]
    assert not history.push(Work(frame=3), "the same again")


def test_steps_with_one_key_become_one():
    history = History(Work())
    for value in (1.9, 2.0, 2.1):
        history.push(Work(scale=ScaleChoice(catheter_mm=value)), "size", merge="size")
    assert len(history.states) == 2
    history.undo()
    assert history.work == Work()


@pytest.fixture
def journal(tmp_path):
    return Journal(tmp_path / "journals", tmp_path / "frame.dcm")


def fill(journal):
    history = History(Work())
    history.push(Work(frame=1), "one")
    journal.begin(history)
    for frame in (2, 3):
        history.push(Work(frame=frame), "more")
        journal.step(history.states[history.at])
    history.undo()
    journal.moved(history.at)
    return history


def test_a_journal_brings_back_every_step(journal):
    history = fill(journal)
    found = journal.found()
    assert found.history.states == history.states
    assert found.history.work == Work(frame=2)
    assert found.history.redo()
    assert not found.saved


def test_a_journal_knows_what_was_saved(journal):
    history = fill(journal)
    journal.saved(history.at)
    assert journal.found().saved
    journal.step(State(Work(frame=9), "after"))
    assert not journal.found().saved


def test_a_journal_cut_at_any_byte_keeps_the_steps_before(journal):
    fill(journal)
    whole = journal.path.read_bytes()
    ends = [k + 1 for k, byte in enumerate(whole) if byte == ord("\n")]
    shown_after = [None, 1, 1, 2, 3, 2]  # the first state, its step, where it stands, two more steps, one undo
    for size in sorted(
        {*range(0, len(whole), 13), *(end + k for end in ends for k in (-1, 0, 1) if end + k < len(whole))}
    ):
        journal.path.write_bytes(whole[:size])
        found = journal.found()
        lines = sum(end <= size for end in ends)
        if lines == 0:
            assert found is None
        else:
            assert found.history.work.frame == shown_after[lines - 1], (size, lines)


@pytest.mark.parametrize(
    "junk", [b"\x00\xff{", b'{"step": 5}\n', b'{"step": {"frame": "x"}}\n', b"[]\n", b'{"at": 1}\n']
)
def test_a_damaged_line_ends_the_journal_there(journal, junk):
    fill(journal)
    whole = journal.path.read_bytes()
    lines = whole.splitlines(keepends=True)
    journal.path.write_bytes(b"".join(lines[:2]) + junk + b"".join(lines[2:]))
    found = journal.found()
    assert found is not None
    assert found.history.states[1].work == Work(frame=1)
    journal.path.write_bytes(junk)
    assert journal.found() is None


def test_a_folder_that_cannot_be_written_is_said(tmp_path):
    (tmp_path / "file").write_text("")
    journal = Journal(tmp_path / "file", tmp_path / "frame.dcm")
    journal.begin(History(Work()))
    assert "cannot write" in journal.broken
    assert journal.found() is None


def test_two_files_of_one_name_have_two_journals(tmp_path):
    one, other = (Journal(tmp_path, tmp_path / folder / "frame.dcm") for folder in ("a", "b"))
    assert one.path != other.path


def test_no_scale_is_nothing_to_lose():
    assert not Work().touched
    assert not Work(scale=NO_SCALE).touched
    assert Work(scale=ScaleChoice(french=6.0)).touched
    assert Work(side=(1.0, 2.0)).touched
