"""Making, following, locking and opening a reading list."""

import csv
import json
import shutil
import threading
from datetime import UTC, datetime, timedelta

import pytest

from qca.errors import InputError
from qca.lists import work
from qca.lists.frames import find_frames
from qca.lists.progress import is_unblinded, may_see, next_read, progress
from qca.lists.reading_list import open_key, open_list
from qca.lists.values import ledger_observations, reads_that_count
from qca.store.check import check
from qca.store.errors import LedgerError, LedgerRule
from qca.store.ledger import Ledger
from tests.lists.conftest import copy_samples, reading_of

NOW = datetime(2030, 1, 1, tzinfo=UTC)


def key_rows(listing):
    with (listing.folder.parent / f"{listing.folder.name}-key.csv").open(encoding="utf-8", newline="") as file:
        return {row["code"]: row for row in csv.DictReader(file)}


def test_what_readers_get_tells_nothing(listing):
    assert sorted(path.name for path in listing.folder.iterdir() if "journal" not in path.name) == [
        *("frames", "ledger.sqlite", "list.csv", "list.json")
    ]
    assert len(listing.reads) == 16  # 2 readers, 6 frames, 2 of them again
    for path in listing.folder.rglob("*"):
        assert "DOE" not in path.name
        if path.is_file():
            assert b"DOE" not in path.read_bytes(), path
    keys = key_rows(listing)
    assert set(keys) == {read.code for read in listing.reads}
    for read in listing.reads:
        row = keys[read.code]
        assert "DOE^JANE" in row["file"]
        assert (row["reader"], row["pass"]) == (read.reader, str(read.passage))
        assert row["item"] not in (listing.folder / "list.csv").read_text(encoding="utf-8")
    assert "seed" not in json.loads((listing.folder / "list.json").read_text(encoding="utf-8"))


def test_the_list_is_the_ledger_s_first_entry(listing, record):
    (entry,) = record.entries()
    assert (entry.kind, entry.list_id, entry.actor) == ("list_made", listing.list_id, "coordinator")
    text = json.loads(record.document(entry.reading_sha256))
    assert text["list.csv"] == (listing.folder / "list.csv").read_text(encoding="utf-8")
    assert "DOE" not in json.dumps(text)


def test_the_same_seed_makes_the_same_list(make):
    one, two, other = make("a"), make("b"), make("c", seed="other")
    assert (one.folder / "list.csv").read_bytes() == (two.folder / "list.csv").read_bytes()
    assert one.reads[0].file.read_bytes() == two.reads[0].file.read_bytes()
    assert {read.code for read in one.reads} != {read.code for read in other.reads}


def test_nothing_is_overwritten(make, listing, tmp_path):
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    with pytest.raises(InputError, match="already: choose another name"):
        make()
    (tmp_path / "other-key.csv").write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match=r"other-key.csv already"):
        make("other")
    after = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file() and path.name != "other-key.csv"}
    assert after == before
    assert not (tmp_path / "other").exists()


def test_the_key_may_not_lie_with_the_readers(pictures, tmp_path):
    from qca.lists.making import Choices, make_list

    with pytest.raises(InputError, match="inside the readers' folder"):
        make_list(find_frames(pictures), tmp_path / "s", tmp_path / "s" / "key.csv", Choices(readers=("A",)))
    assert list(tmp_path.iterdir()) == []


def test_two_coordinators_make_the_same_list_at_once(make, tmp_path):
    outcomes = []

    def go(seed):
        try:
            outcomes.append(make("same", seed=seed))
        except InputError as error:
            outcomes.append(error)

    threads = [threading.Thread(target=go, args=(str(n),)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    made = [each for each in outcomes if not isinstance(each, InputError)]
    assert len(made) == 1
    assert sorted(path.name for path in tmp_path.iterdir()) == ["same", "same-key.csv"]
    listing = open_list(tmp_path / "same")
    assert len(open_key(tmp_path / "same-key.csv", listing)) == 16
    with listing.open_ledger() as ledger:
        assert ledger.head().seq == 1


@pytest.mark.parametrize("what", ["ledger", "frame", "disk"])
def test_what_goes_wrong_leaves_nothing(make, tmp_path, pictures, monkeypatch, what):
    place = tmp_path / "frames"
    shutil.copytree(pictures, place)
    options = {"place": place}
    if what == "ledger":
        (tmp_path / "broken.sqlite").write_bytes(b"not a ledger")
        options["ledger"] = str(tmp_path / "broken.sqlite")
    elif what == "frame":
        (place / "zz.png").write_bytes(b"\x89PNG\r\n\x1a\n rubbish")
    else:
        from qca.lists import making

        def full(*_):
            raise OSError(28, "No space left on device")

        monkeypatch.setattr(making, "coded_copy", full)
    with pytest.raises(InputError) as caught:
        make(**options)
    assert "\n" not in str(caught.value)
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(
        ["frames", *(["broken.sqlite"] if what == "ledger" else [])]
    )


def test_a_ledger_elsewhere_gets_the_entry(make, tmp_path):
    place = tmp_path / "central.sqlite"
    one, two = make("a", ledger=str(place)), make("b", ledger=str(place), seed="t")
    assert not (one.folder / "ledger.sqlite").exists()
    with two.open_ledger() as ledger:
        assert [entry.list_id for entry in ledger.entries()] == [one.list_id, two.list_id]


@pytest.mark.postgresql
def test_no_password_stands_in_the_list(make, postgresql):
    url = postgresql.new_place()
    listing = make(ledger=url)
    text = (listing.folder / "list.json").read_text(encoding="utf-8")
    assert "s3cret" not in text
    assert postgresql.password not in text
    with listing.open_ledger(url) as ledger:
        assert ledger.head().seq == 1


def test_a_list_that_a_crash_kept_out_of_the_ledger_is_entered_later(listing):
    (listing.folder / "ledger.sqlite").unlink()
    Ledger(listing.folder / "ledger.sqlite", create=True).close()
    with listing.open_ledger() as ledger:
        assert [entry.kind for entry in ledger.entries()] == ["list_made"]
    with listing.open_ledger() as ledger:
        assert ledger.head().seq == 1


def read_all(listing, record, reader, passage=1, shift=0.0):
    for read in listing.of(reader):
        if read.passage == passage:
            work.enter(listing, record, read, reading_of(read, read.order + shift))
            work.lock(listing, record, read)


def test_a_reader_is_led_through_the_list(listing, record):
    first = next_read(listing, record, "R1")
    assert (first.read.order, first.number, first.total, first.state) == (1, 1, 8, "none")
    work.enter(listing, record, first.read, reading_of(first.read))
    again = next_read(listing, record, "R1")  # not locked: it is still the one to do
    assert (again.read, again.state) == (first.read, "open")
    entry = work.enter(listing, record, first.read, reading_of(first.read, 2.0))
    assert entry.kind == "edited"
    work.lock(listing, record, first.read)
    second = next_read(listing, record, "R1")
    assert second.read.order == 2
    work.refuse(listing, record, second.read, "no contrast")
    assert next_read(listing, record, "R1").read.order == 3
    assert next_read(listing, record, "R2").read.order == 1
    assert json.loads(work.latest(listing, record, first.read))["picks"]["start"] == [2.0, 2.0]
    assert work.latest(listing, record, second.read) is None
    rows = {(row.reader, row.passage): row for row in progress(listing, record)}
    assert rows["R1", 1].states == {"locked": 1, "refused": 1, "none": 4}
    assert rows["R1", 1].left == 4
    with pytest.raises(InputError, match="no reader 'R3' on this list: readers are R1, R2"):
        next_read(listing, record, "R3")


def test_a_locked_reading_needs_a_reason_to_change(listing, record):
    read = listing.of("R1")[0]
    work.enter(listing, record, read, reading_of(read))
    work.lock(listing, record, read)
    with pytest.raises(LedgerRule, match="is locked: unlock it first"):
        work.enter(listing, record, read, reading_of(read))
    with pytest.raises(LedgerRule, match="needs a reason"):
        work.unlock(listing, record, read, "")
    work.unlock(listing, record, read, "clicked the wire")
    work.enter(listing, record, read, reading_of(read, 5.0))
    work.withdraw(listing, record, read, "wrong vessel after all")
    assert list(reads_that_count(record, listing.list_id)) == []
    assert check(record).intact


def test_the_second_pass_waits_for_the_wash_out(make):
    listing = make("washed", washout_days=14)
    with listing.open_ledger() as record:
        assert progress(listing, record)[1].due_utc is None  # the first pass is not even begun
        read_all(listing, record, "R1")
        now = datetime.now(UTC)
        waiting = next_read(listing, record, "R1")
        assert waiting.read is None
        assert timedelta(days=13.9) < waiting.due_utc - now < timedelta(days=14.1)
        assert next_read(listing, record, "R1", now=now + timedelta(days=13.9)).read is None
        assert next_read(listing, record, "R1", now=now + timedelta(days=14.1)).read.passage == 2
        assert next_read(listing, record, "R1", early=True).read.passage == 2
        rows = {(row.reader, row.passage): row for row in progress(listing, record)}
        assert rows["R1", 2].due_utc == waiting.due_utc
        assert rows["R2", 2].due_utc is None
        # a pass that is begun goes on
        again = next_read(listing, record, "R1", early=True).read
        work.enter(listing, record, again, reading_of(again))
        work.lock(listing, record, again)
        assert next_read(listing, record, "R1").read.passage == 2


def test_a_clock_behind_the_record_is_said(listing, record):
    read = listing.of("R1")[0]
    work.enter(listing, record, read, reading_of(read))
    found = next_read(listing, record, "R1", now=datetime(2001, 1, 1, tzinfo=UTC))
    assert "clock is behind" in found.clock
    assert next_read(listing, record, "R1").clock == ""


def test_who_may_see_what(listing, record, tmp_path):
    mine, theirs = listing.of("R1"), listing.of("R2")
    assert may_see(listing, record, mine[0].code, "R1")
    assert not may_see(listing, record, theirs[0].code, "R1")
    work.enter(listing, record, mine[0], reading_of(mine[0]))
    assert may_see(listing, record, mine[0].code, "R1")
    work.lock(listing, record, mine[0])
    assert not may_see(listing, record, mine[0].code, "R1")  # a second read of that frame may still come
    for read in mine[1:]:
        work.enter(listing, record, read, reading_of(read))
    work.lock_all(listing, record, "R1")
    assert all(may_see(listing, record, read.code, "R1") for read in mine)
    assert not may_see(listing, record, mine[0].code, "R2")
    for read in theirs:
        work.enter(listing, record, read, reading_of(read))
    assert work.lock_all(listing, record, "R2") == 8
    assert not may_see(listing, record, theirs[0].code, "R1")
    work.unblind(listing, record, tmp_path / "study-key.csv", "all read")
    assert may_see(listing, record, theirs[0].code, "R1")


def test_unblinding_is_an_entry_with_the_true_key(listing, record, tmp_path):
    key = tmp_path / "study-key.csv"
    with pytest.raises(InputError, match="16 of 16 reads are not locked"):
        work.unblind(listing, record, key, "too early")
    for reader in ("R1", "R2"):
        for passage in (1, 2):
            read_all(listing, record, reader, passage, shift=0.3 * (reader == "R2") + 0.1 * passage)
    with pytest.raises(InputError, match="still blinded"):
        ledger_observations(None, listing.folder)
    forged = tmp_path / "forged.csv"
    text = key.read_text(encoding="utf-8")
    rows = text.splitlines()
    items = [row.split(",")[1] for row in rows[1:]]
    forged.write_text(text.replace(items[0], "X").replace(items[-1], items[0]), encoding="utf-8")
    with pytest.raises(InputError, match="not the key that was made with this list"):
        work.unblind(listing, record, forged, "all read")
    with pytest.raises(LedgerRule, match="needs a reason"):
        work.unblind(listing, record, key, " ")
    assert not is_unblinded(listing, record)
    entry = work.unblind(listing, record, key, "all read")
    assert entry.facts()["not_locked"] == 0
    assert b"DOE" not in record.document(entry.reading_sha256)
    with pytest.raises(InputError, match="unblinded already"):
        work.unblind(listing, record, key, "again")
    # and now reads of one frame find each other
    reads = list(reads_that_count(record, listing.list_id))
    assert {read.item for read in reads} == set(items)
    observations, notes, _ = ledger_observations(None, listing.folder)
    assert notes == ()
    by_item = {}
    for one in observations:
        if one.quantity == "mld" and one.unit == "mm":
            by_item.setdefault(one.item, []).append((one.reader, one.passage))
    assert sorted(map(len, by_item.values())) == [2, 2, 2, 2, 4, 4]
    assert "x_percent" not in {one.quantity for one in observations}


def test_readings_of_a_blinded_list_stay_out_of_the_comparison(listing, record):
    read_all(listing, record, "R1")
    with pytest.raises(InputError, match="all lists are blinded"):
        ledger_observations(str(listing.folder / "ledger.sqlite"), None)


def test_results_of_a_blinded_list_are_shown_to_nobody_by_chance(qca, listing, record, tmp_path):
    """No command shows a reading of a list that is still blinded, unless it is asked for in so many words."""
    place = listing.folder / "ledger.sqlite"
    work.enter(listing, record, listing.of("R1")[0], reading_of(listing.of("R1")[0]))
    code, out, err = qca("ledger", "reading", place, "2")
    assert (code, out) == (1, "")
    assert "still blinded" in err
    assert qca("ledger", "reading", place, "1")[0] == 0  # the list itself is no secret
    assert json.loads(qca("ledger", "reading", place, "2", "--blinded")[1])["schema"] == "qca.reading/1"
    for option, rows in ((), 0), (("--blinded",), 1):
        code, _, err = qca("ledger", "table", place, "--out", tmp_path / "tables", *option)
        assert code == 0
        assert ("1 reads of reading lists that are still blinded are left out" in err) == (not option)
        wide = (tmp_path / "tables" / "readings_wide.csv").read_text(encoding="utf-8")
        assert len(wide.splitlines()) == 1 + rows
    for line in (("show", place), ("show", place, "--json")):
        assert "mld" not in qca("ledger", *line)[1]


def test_a_frame_that_cannot_be_measured_is_refused_with_a_reason(qca, listing, record):
    first, second = listing.of("R1")[:2]
    line = ("list", "refuse", listing.folder, "--reader", "R1", "--code")
    assert qca(*line, first.code, "--reason", "no contrast")[1] == f"refused {first.code}, entry 2\n"
    assert next_read(listing, record, "R1").read == second
    assert qca(*line, first.code)[0] == 2
    code, _, err = qca(*line, first.code, "--reason", " ")
    assert (code, err) == (1, "qca: An entry 'refused' needs a reason: say why.\n")
    assert qca(*line, listing.of("R2")[0].code, "--reason", "no contrast")[0] == 1


def test_only_the_fixed_frame_is_accepted(make, tmp_path):
    place = copy_samples(tmp_path / "frames", "filling_run")
    table = place / "frames.csv"
    table.write_text("file,frame\nfilling_run.dcm,2\n", encoding="utf-8")
    listing = make(place=table, readers=("R1",), reread=0.0)
    with listing.open_ledger() as record:
        (read,) = listing.reads
        assert read.frame == 2
        from dataclasses import replace

        reading = reading_of(read)
        wrong = replace(reading, frame=replace(reading.frame, index=1))
        with pytest.raises(InputError, match="is to be read on frame 2, not 1"):
            work.enter(listing, record, read, wrong)
        work.enter(listing, record, read, reading)


BAD_TABLES = {
    "missing": ("file\nnone.png\n", "none.png"),
    "outside": ("file\n../DOE.png\n", "line 2: its file lies outside the list's folder"),
    "twice": ("file,frame\nsegment.png,\nsegment.png,\n", "lines 2 and 3, name the same frame"),
    "no such frame": ("file,frame\nsegment.png,3\n", "has no frame 3: it holds 1"),
    "bad frame": ("file,frame\nsegment.png,first\n", "frame is 'first'"),
    "no file": ("file,frame\n,1\n", "line 2: it names no file"),
    "wrong column": ("fil,frame\nsegment.png,\n", "did you mean 'file'"),
    "empty": ("file\n", "holds no frames"),
}


@pytest.mark.parametrize("case", BAD_TABLES)
def test_bad_tables_make_no_list(make, tmp_path, case):
    text, words = BAD_TABLES[case]
    place = copy_samples(tmp_path / "frames", "segment")
    table = place / "frames.csv"
    table.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=words) as caught:
        make(place=table)
    assert "\n" not in str(caught.value)
    assert [path.name for path in tmp_path.iterdir()] == ["frames"]


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda folder: (folder / "list.json").unlink(), "holds no reading list"),
        (lambda folder: (folder / "list.csv").unlink(), "Cannot read"),
        (lambda folder: (folder / "list.csv").write_text("order\n", encoding="utf-8"), "it was changed"),
        (lambda folder: (folder / "list.json").write_text("{", encoding="utf-8"), "is not JSON"),
        (
            lambda folder: (folder / "list.json").write_text('{"schema": "qca.list/7"}', encoding="utf-8"),
            "of this version",
        ),
        (
            lambda folder: (folder / "list.json").write_text(
                (folder / "list.json").read_text(encoding="utf-8").replace('"readers"', '"raeders"'), encoding="utf-8"
            ),
            "lacks a value",
        ),
    ],
)
def test_a_spoilt_list_is_one_sentence(listing, spoil, words):
    spoil(listing.folder)
    with pytest.raises(InputError, match=words) as caught:
        open_list(listing.folder)
    assert "\n" not in str(caught.value)


def test_a_ledger_that_does_not_know_the_list(listing, tmp_path):
    Ledger(tmp_path / "other.sqlite", create=True).close()
    with pytest.raises(LedgerError, match="does not know this list"):
        listing.open_ledger(str(tmp_path / "other.sqlite"), readonly=True)


def test_the_commands(qca, tmp_path, pictures):
    code, out, err = qca(
        "list",
        "make",
        pictures,
        "--out",
        tmp_path / "s",
        "--readers",
        "R1,R2",
        "--reread",
        "0.34",
        "--washout-days",
        "0",
    )
    assert code == 0, err
    assert "16 reads for R1, R2" in out
    assert "keep it away from the readers" in err
    code, out, _ = qca("list", "next", tmp_path / "s", "--reader", "R2", "--json")
    found = json.loads(out)
    assert (code, found["number"], found["total"], found["state"]) == (0, 1, 8, "none")
    listing = open_list(tmp_path / "s")
    with listing.open_ledger() as record:
        for read in listing.reads:
            work.enter(listing, record, read, reading_of(read))
    code, out, _ = qca("list", "status", tmp_path / "s")
    assert out.splitlines()[1].split() == ["R1", "1", "6", "0", "6", "0", "0", "0"]
    assert out.splitlines()[-1] == "blinded"
    assert qca("list", "lock", tmp_path / "s", "--reader", "R1", "--all")[1] == "locked 8\n"
    mine = listing.of("R2")[0].code
    assert qca("list", "lock", tmp_path / "s", "--reader", "R2", "--code", mine)[1] == "locked 1\n"
    code, _, err = qca("list", "lock", tmp_path / "s", "--reader", "R1", "--code", mine)
    assert (code, err.count("\n")) == (1, 1)
    assert qca("list", "unlock", tmp_path / "s", "--code", mine, "--reason", "wire")[0] == 0
    assert qca("list", "withdraw", tmp_path / "s", "--code", mine, "--reason", "wrong frame")[0] == 0
    assert qca("list", "lock", tmp_path / "s", "--reader", "R2", "--all")[1] == "locked 7\n"
    assert qca("list", "next", tmp_path / "s", "--reader", "R1")[1] == "everything is read\n"
    code, out, err = qca("list", "unblind", tmp_path / "s", "--key", tmp_path / "s-key.csv", "--reason", "done")
    assert (code, out.split(",")[0]) == (0, "unblinded"), err
    assert qca("list", "status", tmp_path / "s")[1].splitlines()[-1] == "unblinded"
    code, out, _ = qca("ledger", "show", tmp_path / "s" / "ledger.sqlite", "--last", "3")
    assert [line.split()[2] for line in out.splitlines()][-1] == "unblinded"
    assert qca("list", "lock", tmp_path / "s", "--reader", "R1")[0] == 2
    assert qca("list", "unlock", tmp_path / "s", "--code", mine)[0] == 2
