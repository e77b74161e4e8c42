"""A changed, lost, moved or cut-off entry is found and named."""
# ruff: noqa: S608 - the statements are an intruder's

import sqlite3
import zlib

import pytest

from qca.errors import InputError
from qca.store.chain import Head
from qca.store.check import add_receipt, check, read_receipts
from qca.store.entry import Document
from qca.store.errors import DamagedLedger
from qca.store.ledger import Ledger
from tests.store.conftest import fill, measured, reading_text


class Intruder:
    """Somebody with all rights on the database, who removes the triggers first."""

    def __init__(self, request, place):
        self.file = None if "://" in place else place
        self.name = place.rpartition("%3D")[2]
        self.server = None if self.file else request.getfixturevalue("postgresql")

    def __call__(self, *statements):
        if self.file:
            connection = sqlite3.connect(self.file)
            for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
                connection.execute(f"DROP TRIGGER {name}")
            for statement in statements:
                connection.execute(statement)
            connection.commit()
            connection.close()
        else:
            for table in ("entry", "document", "ledger"):
                self.server.execute(f"ALTER TABLE {table} DISABLE TRIGGER ALL", self.name)
            for statement in statements:
                self.server.execute(statement, self.name)


@pytest.fixture
def intruder(request, place):
    return Intruder(request, place)


CASES = {
    "a word changed": (["UPDATE entry SET reason = 'none' WHERE seq = 15"], 15, "was changed after"),
    "a time changed": (["UPDATE entry SET time_utc = '2020' WHERE seq = 4"], 4, "was changed after"),
    "a reader changed": (["UPDATE entry SET reader = 'R9' WHERE seq = 9"], 9, "was changed after"),
    "an entry gone": (["DELETE FROM entry WHERE seq = 8"], 8, "Entry 8 is missing: entry 9 follows 7"),
    "three gone": (["DELETE FROM entry WHERE seq BETWEEN 3 AND 5"], 3, "Entry 3 to 5 is missing"),
    "first gone": (["DELETE FROM entry WHERE seq = 1"], 1, "Entry 1 is missing"),
    "two swapped": (
        [
            "UPDATE entry SET seq = -5 WHERE seq = 5",
            "UPDATE entry SET seq = 5 WHERE seq = 6",
            "UPDATE entry SET seq = 6 WHERE seq = -5",
        ],
        5,
        "does not continue",
    ),
    "gone and closed up": (
        ["DELETE FROM entry WHERE seq = 8", *(f"UPDATE entry SET seq = {i - 1} WHERE seq = {i}" for i in range(9, 18))],
        8,
        "does not continue entry 7",
    ),
    "the identity changed": (["UPDATE ledger SET ledger_id = 'x'"], 1, "does not continue entry 0"),
    "a document lost": (
        ["DELETE FROM document WHERE sha256 = (SELECT reading_sha256 FROM entry WHERE seq = 6)"],
        6,
        "The document of entry 6 is lost",
    ),
    "a document renamed": (
        [f"UPDATE document SET sha256 = '{'0' * 64}' WHERE sha256 = (SELECT reading_sha256 FROM entry WHERE seq = 6)"],
        0,
        "is not what was entered",
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_tampering_is_named(ledger, place, intruder, case):
    statements, broken_at, words = CASES[case]
    fill(ledger)
    intruder(*statements)
    with Ledger(place, readonly=True) as again:
        verdict = check(again)
    assert not verdict.intact
    assert verdict.broken_at == broken_at
    assert words in verdict.problem


def test_a_document_replaced_by_another_is_named(ledger, place, intruder, request):
    fill(ledger)
    forged = zlib.compress(reading_text(2).replace("2", "3", 1).encode()).hex()
    literal = f"X'{forged}'" if intruder.file else f"'\\x{forged}'"
    intruder(f"UPDATE document SET body = {literal} WHERE sha256 = '{Document.of(reading_text(2)).sha256}'")
    with Ledger(place) as again:
        verdict = check(again)
        assert (verdict.intact, verdict.broken_at) == (False, 3)
        with pytest.raises(DamagedLedger, match="does not match its hash"):
            again.document(Document.of(reading_text(2)).sha256)


def test_only_a_receipt_shows_a_cut_end(ledger, place, intruder, tmp_path):
    fill(ledger)
    receipt = tmp_path / "receipts.txt"
    add_receipt(receipt, ledger.ledger_id, ledger.head())
    intruder("DELETE FROM entry WHERE seq > 10")
    with Ledger(place) as again:
        assert check(again).intact  # a chain that ends early is a chain
        verdict = check(again, receipts=read_receipts(receipt, again.ledger_id))
    assert (verdict.intact, verdict.broken_at) == (False, 11)
    assert "a receipt knows entry 17: its end was cut off" in verdict.problem


def test_a_rewritten_ledger_does_not_fit_its_receipt(ledger):
    fill(ledger)
    assert check(ledger, receipts=(Head(4, ledger.entry_at(4).hash),)).intact
    verdict = check(ledger, receipts=(Head(4, "0" * 64),))
    assert (verdict.broken_at, "rewritten" in verdict.problem) == (4, True)


def test_receipts_pile_up_and_belong_to_one_ledger(ledger, tmp_path):
    path = tmp_path / "receipts.txt"
    assert read_receipts(path, ledger.ledger_id) == ()
    add_receipt(path, ledger.ledger_id, ledger.head())
    ledger.append(measured(1))
    add_receipt(path, ledger.ledger_id, ledger.head())
    assert [head.seq for head in read_receipts(path, ledger.ledger_id)] == [0, 1]
    with pytest.raises(InputError, match="of another ledger"):
        read_receipts(path, "0" * 32)
    path.write_text("hello\n", encoding="utf-8")
    with pytest.raises(InputError, match="line 1, is no receipt"):
        read_receipts(path, ledger.ledger_id)


def test_sqlite_s_own_check_is_asked(tmp_path):
    """An index that lacks a row: the rows are all there, the file is not sound."""
    path = tmp_path / "study.sqlite"
    with Ledger(path, create=True) as ledger:
        fill(ledger)
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    connection.execute("PRAGMA writable_schema=ON")
    connection.execute("UPDATE sqlite_master SET sql = replace(sql, '(job)', '(reason)') WHERE name = 'entry_of_job'")
    connection.commit()
    connection.close()
    with Ledger(path) as again:
        verdict = check(again)
    assert not verdict.intact
    assert "The database's own check says" in verdict.problem
