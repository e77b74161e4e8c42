"""Copy, export, import, merge: nothing added, nothing lost, between both databases and a file."""

import gzip
import json

import pytest

from qca.store.check import check
from qca.store.entry import Draft
from qca.store.errors import DamagedLedger, LedgerError
from qca.store.ledger import Ledger
from qca.store.transfer import copy, export, merge, open_source
from tests.store.conftest import fill, measured


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgresql)])
def other(request, tmp_path):
    if request.param == "sqlite":
        return str(tmp_path / "other.sqlite")
    return request.getfixturevalue("postgresql").new_place()


def same(one, two):
    with Ledger(one) as a, Ledger(two) as b:
        assert a.ledger_id == b.ledger_id
        assert list(a.entries()) == list(b.entries())
        names = {name for e in a.entries() for name in (e.picks_sha256, e.reading_sha256) if name}
        assert a.documents(sorted(names)) == b.documents(sorted(names))
        assert check(b).intact


def test_a_copy_is_the_same_ledger(ledger, place, other):
    fill(ledger)
    with open_source(place) as source:
        done = copy(source, other)
    assert done.entries == 17
    same(place, other)
    with Ledger(other) as again:
        again.append(measured(40))
        assert check(again).entries == 18


@pytest.mark.parametrize("name", ["record.jsonl", "record.jsonl.gz"])
def test_export_and_import_lose_nothing(ledger, place, other, tmp_path, name):
    fill(ledger)
    with open_source(place) as source:
        export(source, tmp_path / name)
    with open_source(tmp_path / name) as source:
        copy(source, other)
    same(place, other)
    # and the same bytes again from the import
    with open_source(other) as source:
        export(source, tmp_path / f"again-{name}")
    assert (tmp_path / name).read_bytes() == (tmp_path / f"again-{name}").read_bytes()


def test_an_export_is_plain_json_lines(ledger, place, tmp_path):
    fill(ledger, 2)
    with open_source(place) as source:
        export(source, tmp_path / "record.jsonl")
    lines = [json.loads(line) for line in (tmp_path / "record.jsonl").read_text(encoding="utf-8").splitlines()]
    assert lines[0]["schema"] == "qca.ledger/1"
    assert [next(iter(line)) for line in lines[1:5]] == ["document", "document", "entry", "document"]
    assert lines[-1]["end"] == {"entries": 7, "hash": ledger.head().hash}


def test_an_empty_ledger_copies(ledger, place, other):
    with open_source(place) as source:
        assert copy(source, other).entries == 0
    same(place, other)


def test_a_copy_never_overwrites(ledger, place, other):
    fill(ledger, 2)
    with Ledger(other, create=True) as there:
        there.append(measured(9))
    with open_source(place) as source, pytest.raises(LedgerError, match=r"already: copy into a new one, or use"):
        copy(source, other)
    with Ledger(other) as there:
        assert there.head().seq == 1


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda lines: lines[:-1], "without its closing line"),
        (lambda lines: [*lines[:-3], lines[-3][: len(lines[-3]) // 2]], "is no line of an exported ledger"),
        (lambda lines: [line.replace("K0001", "K0007") for line in lines], "Entry 2 does not continue entry 1"),
        (lambda lines: [line for line in lines if '"seq":2' not in line], "Entry 3 does not continue entry 1"),
        (
            lambda lines: [lines[0], *(line for line in lines[1:] if '"document"' not in line)],
            "document of entry 1 is lost",
        ),
        (
            lambda lines: [line.replace('\\"number\\": 0', '\\"number\\": 1') for line in lines],
            "is not the one its hash names",
        ),
        (lambda lines: [line.replace('"seq":2,', "") for line in lines], "the entry lacks a field"),
        (lambda lines: [line.replace("qca.ledger/1", "qca.ledger/9") for line in lines], "no exported ledger"),
        (lambda lines: ["[]"], "is no line of an exported ledger"),
    ],
)
def test_a_changed_export_is_not_imported(ledger, place, tmp_path, change, words):
    fill(ledger, 3)
    path = tmp_path / "record.jsonl"
    with open_source(place) as source:
        export(source, path)
    path.write_text("\n".join(change(path.read_text(encoding="utf-8").splitlines())) + "\n", encoding="utf-8")
    with pytest.raises(LedgerError, match=words), open_source(path) as source:
        copy(source, tmp_path / "new.sqlite")
    assert not list(tmp_path.glob("*new.sqlite*"))


def test_a_cut_packed_export_is_not_imported(ledger, place, tmp_path):
    fill(ledger)
    path = tmp_path / "record.jsonl.gz"
    with open_source(place) as source:
        export(source, path)
    path.write_bytes(path.read_bytes()[:-200])
    with pytest.raises(DamagedLedger, match=r"cut or damaged|not whole|no line"), open_source(path) as source:
        copy(source, tmp_path / "new.sqlite")
    path.write_bytes(gzip.compress(b""))
    with pytest.raises(LedgerError), open_source(path) as source:
        copy(source, tmp_path / "new.sqlite")


def test_two_desks_apart_come_together(ledger, place, other):
    """A study starts in one ledger, is copied, goes on in both, and is merged."""
    fill(ledger)
    with open_source(place) as source:
        copy(source, other)
    ledger.append(measured(50, reader="R1"), measured(51, reader="R1"))
    with Ledger(other) as away:
        away.append(measured(50, reader="R2"), measured(52, reader="R2"))
        there = away.head()
    with open_source(other) as source:
        done = merge(source, ledger, actor="coordinator")
    assert (done.entries, done.skipped, done.late) == (2, 17, ())
    assert check(ledger).intact
    reads = {(entry.code, entry.reader) for entry in ledger.entries(kinds=["measured"])}
    assert {("K0050", "R1"), ("K0050", "R2"), ("K0051", "R1"), ("K0052", "R2")} <= reads
    note = ledger.entry_at(ledger.head().seq)
    assert note.kind == "merged"
    assert note.facts()["head"] == str(there)
    # once more: nothing to do, and nothing is written
    end = ledger.head()
    with open_source(other) as source:
        assert merge(source, ledger, actor="coordinator").entries == 0
    assert ledger.head() == end


def test_what_a_merge_brings_after_a_lock_does_not_count(ledger, place, other):
    about = {"code": "K0001", "reader": "R1", "passage": 1}
    ledger.append(measured(1))
    with open_source(place) as source:
        copy(source, other)
    ledger.append(Draft("locked", "R1", **about))
    with Ledger(other) as away:
        away.append(measured(1, kind="edited"))
    with open_source(other) as source:
        done = merge(source, ledger, actor="coordinator")
    assert done.late == ("K0001 by R1, edited",)
    from qca.store.rules import standing

    state, counts = standing(ledger.history("", "K0001", "R1", 1))
    assert (state, counts.kind) == ("locked", "measured")


def test_a_damaged_ledger_is_not_merged(ledger, place, tmp_path):
    fill(ledger, 3)
    path = tmp_path / "record.jsonl"
    with open_source(place) as source:
        export(source, path)
    path.write_text(path.read_text(encoding="utf-8").replace("wrong frame", "right frame"), encoding="utf-8")
    with Ledger(tmp_path / "mine.sqlite", create=True) as mine:
        with open_source(path) as source, pytest.raises(DamagedLedger, match="the chain breaks there"):
            merge(source, mine, actor="coordinator")
        assert mine.head().seq == 0


def test_two_entries_with_one_identity_are_refused(ledger, place, tmp_path):
    """A ledger whose owner rewrote it from an entry on, hashes and all, does not merge with the true one."""
    from dataclasses import asdict, replace

    from qca.store.entry import chain_hash
    from qca.store.source import checked

    fill(ledger, 2)
    with open_source(place) as source:
        export(source, tmp_path / "true.jsonl")
        items = list(checked(source))
    forged = tmp_path / "forged.jsonl"
    lines = (tmp_path / "true.jsonl").read_text(encoding="utf-8").splitlines()
    last, out = "", [lines[0]]
    for item, line in zip(items, lines[1:-1], strict=True):
        if not hasattr(item, "seq"):
            out.append(line)
            continue
        moved = replace(item, previous=last or item.previous, reason=item.reason.replace("wrong", "right"))
        moved = replace(moved, hash=chain_hash(moved.seq, moved.previous, moved.content()))
        last = moved.hash
        out.append(json.dumps({"entry": asdict(moved)}))
    out.append(json.dumps({"end": {}}))
    forged.write_text("\n".join(out) + "\n", encoding="utf-8")
    before = ledger.head()
    with open_source(forged) as source, pytest.raises(DamagedLedger, match="one identity and say different things"):
        merge(source, ledger, actor="coordinator")
    assert ledger.head() == before
