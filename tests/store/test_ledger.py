"""Append, read, refuse: the same on SQLite and on PostgreSQL."""

import json
import sqlite3

import pytest
from sqlalchemy import text

from qca.store import schema
from qca.store.check import check
from qca.store.connection import engine_of, writing
from qca.store.database import migrate
from qca.store.entry import CONTENT_FIELDS, KINDS, Document, Draft, chain_hash, content_hash, genesis
from qca.store.errors import LedgerError, LedgerRule
from qca.store.ledger import Ledger
from qca.store.rules import STEP, standing, state_of
from tests.store.conftest import fill, measured, reading_text


def test_what_is_entered_comes_back(ledger, place):
    fill(ledger)
    with Ledger(place) as again:
        entries = list(again.entries())
        assert [entry.seq for entry in entries] == list(range(1, 18))
        third = entries[3]
        assert (third.kind, third.code, third.reader, third.passage) == ("measured", "K0003", "R1", 1)
        assert again.document(third.reading_sha256).decode() == reading_text(3)
        assert third.time_utc.endswith("Z")
        assert third.origin == ledger.ledger_id == again.ledger_id
        assert entries[14].reason == "catheter was picked on the wire, é ≤ 1"
        assert again.head().hash == entries[-1].hash
        assert check(again).intact


def test_the_chain_is_what_the_documentation_says(ledger):
    """Formed anew here with hashlib from the documented text, not with the product's functions."""
    import hashlib

    fill(ledger, 2)
    previous = hashlib.sha256(f"qca ledger {ledger.ledger_id}".encode()).hexdigest()
    for entry in ledger.entries():
        fields = {name: getattr(entry, name) for name in CONTENT_FIELDS}
        words = json.dumps(fields, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        content = hashlib.sha256(words.encode()).hexdigest()
        assert entry.previous == previous
        previous = hashlib.sha256(f"{entry.seq}\n{previous}\n{content}".encode()).hexdigest()
        assert entry.hash == previous
    assert {"reason", "picks_sha256", "time_utc", "origin"} <= set(CONTENT_FIELDS)


def test_a_document_s_name_is_its_file_s_sha256():
    """FIPS 180-4 example: the digest of "abc"."""
    document = Document.of("abc")
    assert document.sha256 == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert document.text() == b"abc"


def test_a_forged_body_cannot_fill_the_memory():
    import zlib

    packed = zlib.compress(bytes(50_000_000))
    for bomb in (Document("0" * 64, 10, packed), Document("0" * 64, 10**15, packed), Document("0" * 64, -1, packed)):
        with pytest.raises(ValueError, match="cannot be unpacked"):
            bomb.text()
    assert Document.of("").text() == b""
    assert Document.of(bytes(50_000_000)).text() == bytes(50_000_000)  # as tight as it gets


@pytest.mark.parametrize("statement", ["UPDATE {} SET {} = 'x'", "DELETE FROM {}"])
@pytest.mark.parametrize(("table", "column"), [("entry", "reason"), ("document", "sha256"), ("ledger", "ledger_id")])
def test_the_database_refuses_to_change_or_delete(ledger, table, column, statement):
    fill(ledger, 3)
    before = list(ledger.entries())
    with (
        pytest.raises(LedgerError, match="refuses to change or delete"),
        writing(ledger.engine, ledger.address) as connection,
    ):
        connection.execute(text(statement.format(table, column)))
    assert list(ledger.entries()) == before


def test_the_database_refuses_truncate_and_replace(ledger):
    fill(ledger, 3)
    before = list(ledger.entries())
    if ledger.engine.dialect.name == "sqlite":
        statements = [
            "REPLACE INTO entry SELECT * FROM entry WHERE seq = 2",
            "INSERT OR REPLACE INTO document SELECT * FROM document WHERE number = 1",
            "UPDATE OR REPLACE entry SET seq = 1 WHERE seq = 2",
        ]
    else:
        statements = ["TRUNCATE entry", "TRUNCATE document CASCADE"]
    for statement in statements:
        with pytest.raises(LedgerError), writing(ledger.engine, ledger.address) as connection:
            connection.execute(text(statement))
    assert list(ledger.entries()) == before
    assert check(ledger).intact


def test_replace_with_an_old_identity_at_a_new_place_is_refused(ledger):
    """REPLACE would silently delete the old row, without any delete trigger."""
    fill(ledger, 3)
    last = ledger.head()
    columns = ", ".join(column.name for column in schema.entry.columns if column.name not in ("seq", "previous"))
    verb = "REPLACE" if ledger.engine.dialect.name == "sqlite" else "INSERT"
    statement = (
        f"{verb} INTO entry (seq, previous, {columns}) SELECT {last.seq + 1}, '{last.hash}', {columns} FROM entry "  # noqa: S608
        "WHERE seq = 2"
    )
    with pytest.raises(LedgerError), writing(ledger.engine, ledger.address) as connection:
        connection.execute(text(statement))
    assert ledger.head() == last
    assert check(ledger).intact


def test_an_entry_out_of_order_is_refused_by_the_database(ledger):
    fill(ledger, 3)
    row = {column.name: getattr(ledger.entry_at(3), column.name) for column in schema.entry.columns}
    for change in ({"seq": 99}, {"seq": ledger.head().seq + 1, "previous": "0" * 64}):
        with pytest.raises(LedgerError), writing(ledger.engine, ledger.address) as connection:
            connection.execute(schema.entry.insert().values(**{**row, "entry_id": "new", **change}))
    assert check(ledger).intact


def test_several_drafts_are_entered_together_or_not_at_all(ledger):
    with pytest.raises(LedgerRule):
        ledger.append(
            measured(1), measured(2), Draft("unlocked", "R1", code="K0001", reader="R1", passage=1, reason="x")
        )
    assert ledger.head().seq == 0


def test_the_life_of_a_read(ledger):
    about = {"code": "K0001", "reader": "R1", "passage": 1}
    with pytest.raises(LedgerRule, match="has nothing to lock: it has not been measured"):
        ledger.append(Draft("locked", "R1", **about))
    first, _ = ledger.append(measured(1), Draft("locked", "R1", **about))
    for draft in (measured(1), measured(1, kind="edited"), Draft("refused", "R1", reason="x", **about)):
        with pytest.raises(LedgerRule, match="K0001 by R1, pass 1 is locked: unlock it first, with a reason"):
            ledger.append(draft)
    with pytest.raises(LedgerRule, match="is locked already"):
        ledger.append(Draft("locked", "R1", **about))
    with pytest.raises(LedgerRule, match="needs a reason"):
        ledger.append(Draft("unlocked", "coordinator", reason="  ", **about))
    ledger.append(Draft("unlocked", "coordinator", reason="wire", **about))
    (second,) = ledger.append(measured(1, kind="edited"))
    state, counts = standing(ledger.history("", "K0001", "R1", 1))
    assert (state, counts.entry_id) == ("open", second.entry_id)
    ledger.append(Draft("withdrawn", "coordinator", reason="wrong vessel", **about))
    assert standing(ledger.history("", "K0001", "R1", 1)) == ("withdrawn", None)
    with pytest.raises(LedgerRule, match="its reading was withdrawn"):
        ledger.append(Draft("locked", "R1", **about))
    # another pass and another reader are other reads
    ledger.append(measured(1, passage=2), measured(1, reader="R2"))
    assert first.seq == 1


def test_the_same_job_is_entered_once(ledger):
    ledger.append(measured(1, job="a" * 64))
    with pytest.raises(LedgerRule, match="not entered twice"):
        ledger.append(measured(1, job="a" * 64))
    assert ledger.head().seq == 1


def test_a_list_is_made_once(ledger):
    ledger.append(Draft("list_made", "coordinator", list_id="L1"))
    with pytest.raises(LedgerRule, match="L1 is in this ledger already"):
        ledger.append(Draft("list_made", "other", list_id="L1"))


@pytest.mark.parametrize("bad", [{"kind": "measure"}, {"actor": " "}, {"reason": "a\0b"}, {"code": "\ud800"}])
def test_a_draft_that_can_never_be_an_entry_is_misuse(bad):
    with pytest.raises(ValueError, match=r"kind|actor|no text"):
        Draft(**{"kind": "measured", "actor": "R1", **bad})


def test_the_table_of_steps_names_only_kinds():
    assert {kind for _, kind in STEP} < set(KINDS)
    # an entry that comes too late changes nothing
    assert state_of(["measured", "locked", "edited", "refused", "locked"]) == "locked"


def test_reading_goes_on_while_entries_are_chosen(ledger):
    fill(ledger)
    assert [entry.kind for entry in ledger.entries(kinds=["locked", "unlocked"])] == ["locked", "unlocked"]
    assert {entry.code for entry in ledger.entries(code="K0003")} == {"K0003"}
    assert len(list(ledger.entries(after=15))) == 2
    assert [entry.seq for entry in ledger.entries_of_jobs([f"{i:064x}" for i in (7, 2, 99)])] == [3, 8]
    assert len(list(ledger.events(""))) == 17
    assert ledger.entry_at(99) is None


def test_a_clock_that_runs_back_is_a_remark_and_no_break(ledger, monkeypatch):
    import datetime as dt

    from qca.store import chain as module

    class Back(dt.datetime):
        @classmethod
        def now(cls, tz=None):
            return dt.datetime(2001, 1, 1, tzinfo=tz)

    ledger.append(measured(1))
    monkeypatch.setattr(module, "datetime", Back)
    ledger.append(measured(2))
    monkeypatch.undo()
    ledger.append(measured(3))
    verdict = check(ledger)
    assert verdict.intact
    assert len(verdict.remarks) == 1
    assert "ran back at entry 2" in verdict.remarks[0]
    assert [entry.seq for entry in ledger.entries()] == [1, 2, 3]


def test_migrations_lead_from_the_first_version_to_these_tables(place):
    """Alembic's own comparison of the database with the tables in the code; entries of version 1 stay valid."""
    from alembic.autogenerate import compare_metadata
    from alembic.migration import MigrationContext

    from qca.store import database
    from qca.store.address import parse_address

    address = parse_address(place)
    if address.path:
        sqlite3.connect(address.path).close()
        address.path.touch()
    engine = engine_of(address, readonly=False)
    with writing(engine, address) as connection:
        migrate(connection, schema.OLDER[0])
        connection.execute(schema.ledger.insert().values(ledger_id="f" * 32, created_utc="2026-01-01T00:00:00.000000Z"))
        values = dict.fromkeys(CONTENT_FIELDS, "") | {
            "kind": "measured",
            "code": "K1",
            "passage": 1,
            "frame_index": 0,
        }
        previous = genesis("f" * 32)
        digest = chain_hash(1, previous, content_hash(values))
        connection.execute(schema.entry.insert().values(seq=1, previous=previous, hash=digest, **values))
    with pytest.raises(LedgerError, match=r"of version 0001, this program needs 0002.*qca ledger upgrade"):
        Ledger(place)
    assert database.upgrade(address) == ("0001", schema.LATEST)
    assert database.upgrade(address) == (schema.LATEST, schema.LATEST)
    with Ledger(place) as ledger:
        assert check(ledger).intact
        ledger.append(measured(1))
        assert check(ledger).entries == 2
        with ledger.engine.connect() as connection:
            assert compare_metadata(MigrationContext.configure(connection), schema.metadata) == []
    engine.dispose()


def test_the_versions_in_the_code_are_those_of_the_scripts():
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    from qca.store.database import MIGRATIONS

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    revisions = [script.revision for script in ScriptDirectory.from_config(config).walk_revisions()]
    assert revisions == [schema.LATEST, *reversed(schema.OLDER)]


def test_a_newer_ledger_is_one_sentence(ledger, place):
    with writing(ledger.engine, ledger.address) as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(LedgerError, match=r"newer version than this program knows \(0002\): update qca"):
        Ledger(place)


def test_a_reading_ledger_does_not_write(ledger, place):
    fill(ledger, 2)
    with Ledger(place, readonly=True) as again:
        assert len(list(again.entries())) == 7
        with pytest.raises(LedgerError, match=r"may not be written|opened for reading"):
            again.append(measured(50))
