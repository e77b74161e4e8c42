"""``qca ledger``: what a coordinator types, and what comes back."""

import csv
import json

import pytest

from qca.store.ledger import Ledger
from qca.store.quantities import MEANINGS, all_quantities, limb_quantities
from tests.store.conftest import fill


@pytest.fixture
def place(tmp_path):
    path = tmp_path / "study.sqlite"
    with Ledger(path, create=True) as ledger:
        fill(ledger)
    return path


def test_check_says_intact_and_keeps_receipts(qca, place, tmp_path):
    receipt = tmp_path / "receipts.txt"
    code, out, _ = qca("ledger", "check", place, "--receipt", receipt)
    assert code == 0
    assert out.startswith("intact: 17 entries, 19 documents, ends at 17:")
    assert qca("ledger", "check", place, "--receipt", receipt)[0] == 0
    assert len(receipt.read_text(encoding="utf-8").splitlines()) == 2
    with Ledger(tmp_path / "other.sqlite", create=True):
        pass
    code, _, err = qca("ledger", "check", tmp_path / "other.sqlite", "--receipt", receipt)
    assert (code, err.count("\n")) == (1, 1)
    assert "another ledger" in err


def test_check_names_damage_and_copy_saves_the_rest(qca, place, tmp_path):
    with Ledger(place) as ledger:
        fill(ledger, 40, reader="R2", passage=2)
    data = place.read_bytes()
    place.write_bytes(data[: len(data) * 3 // 4])
    code, out, err = qca("ledger", "check", place)
    assert (code, out) == (1, "")
    assert "Readable and intact: entries 1 to" in err
    assert "is damaged" in err
    code, out, err = qca("ledger", "copy", place, tmp_path / "saved.sqlite")
    assert code == 0
    assert "Saved what was intact" in err
    assert qca("ledger", "check", tmp_path / "saved.sqlite")[0] == 0
    code, out, _ = qca("ledger", "show", place)
    assert code == 0
    assert len(out.splitlines()) >= 3


def test_show_and_reading(qca, place):
    _, out, _ = qca("ledger", "show", place, "--code", "K0003")
    assert [line.split()[2] for line in out.splitlines()] == ["measured", "edited", "locked", "unlocked", "withdrawn"]
    assert "by coordinator  catheter was picked on the wire" in out
    _, out, _ = qca("ledger", "show", place, "--last", "1", "--json")
    assert json.loads(out)["kind"] == "refused"
    _, out, _ = qca("ledger", "reading", place, "4")
    assert json.loads(out)["number"] == 3
    for number in ("17", "99"):
        code, _, err = qca("ledger", "reading", place, number)
        assert (code, err.count("\n")) == (1, 1)


def test_export_import_copy_merge_upgrade(qca, place, tmp_path):
    assert qca("ledger", "export", place, tmp_path / "r.jsonl.gz")[1].startswith("exported 17 entries")
    assert qca("ledger", "import", tmp_path / "r.jsonl.gz", tmp_path / "b.sqlite")[1].startswith("imported 17 entries")
    assert qca("ledger", "copy", place, tmp_path / "c.sqlite")[1].startswith("copied 17 entries")
    with Ledger(tmp_path / "d.sqlite", create=True):
        pass
    assert qca("ledger", "merge", place, tmp_path / "d.sqlite")[1].startswith("merged 17 entries, 0 were there")
    assert qca("ledger", "merge", place, tmp_path / "d.sqlite")[1].startswith("merged 0 entries, 17 were there")
    assert qca("ledger", "upgrade", place)[1] == "is version 0002 already\n"
    for arguments in (
        ("copy", place, tmp_path / "c.sqlite"),
        ("export", place, tmp_path / "r.jsonl.gz"),
        ("import", tmp_path / "none.jsonl", tmp_path / "e.sqlite"),
        ("check", tmp_path / "none.sqlite"),
        ("upgrade", tmp_path / "none.sqlite"),
        ("merge", place, tmp_path / "none.sqlite"),
    ):
        code, out, err = qca("ledger", *arguments)
        assert (code, out, err.count("\n")) == (1, "", 1), arguments
    assert qca("ledger", "export", place, tmp_path / "r.txt")[0] == 2


def test_a_quantity_has_a_meaning_and_a_place_in_the_reading():
    """The tables' numbers are the reading's own: every one is a field of the schema of reading.json."""
    from qca.document import reading_schema

    schema = reading_schema()
    limb = schema["$defs"]["limb"]["properties"]
    for one in limb_quantities():
        assert one.path[0] in limb
        assert all(path[0] in limb for path in one.companions.values())
    numbers = {name for name, kind in limb.items() if kind.get("type") == ["number", "null"]}
    covered = {one.path[0] for one in limb_quantities()} | {
        p[0] for one in limb_quantities() for p in one.companions.values()
    }
    assert covered == numbers
    assert {one.name for one in all_quantities()} <= set(MEANINGS)


def test_tables_of_a_ledger(qca, tmp_path):
    from tests.batch.conftest import Study

    study = Study(tmp_path).frames(["ok"] * 3)
    assert study.run()[0] == 0
    code, _, err = qca("ledger", "table", study.out / "ledger.sqlite", "--out", tmp_path / "tables")
    assert code == 0
    assert "wrote 3 readings" in err
    with (tmp_path / "tables" / "readings_wide.csv").open(encoding="utf-8", newline="") as file:
        mine = list(csv.DictReader(file))
    with (study.out / "readings_wide.csv").open(encoding="utf-8", newline="") as file:
        assert sorted(mine, key=lambda row: row["code"]) == list(csv.DictReader(file))


def test_tables_without_a_reading_say_why(qca, tmp_path):
    with Ledger(tmp_path / "new.sqlite", create=True):
        pass
    code, _, err = qca("ledger", "table", tmp_path / "new.sqlite", "--out", tmp_path / "tables")
    assert code == 0
    assert "none was entered yet" in err
