"""Rubbish in, one sentence out: tables, exports and ledgers with bytes changed at random."""

import contextlib
import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from qca.agreement.observations import read_observations
from qca.batch.jobs import COLUMNS, read_job_list
from qca.errors import QcaError
from qca.settings import DEFAULT_SETTINGS
from qca.store.check import check
from qca.store.errors import LedgerError
from qca.store.ledger import Ledger
from qca.store.salvage import salvage
from qca.store.transfer import copy, export, open_source
from tests.store.conftest import fill

CELLS = st.text(alphabet="ab01.,;\" \t-+'=é\n\r", max_size=12)


def only_sentences(work):
    try:
        return work()
    except QcaError as error:
        assert "\n" not in str(error)  # noqa: PT017
        return None


@given(st.one_of(st.binary(max_size=200), st.lists(CELLS, max_size=30).map(lambda cells: ",".join(cells).encode())))
@settings(max_examples=150)
def test_job_lists(data):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "list.csv"
        path.write_bytes(",".join(COLUMNS).encode() + b"\n" + data)
        jobs = only_sentences(lambda: read_job_list(path, settings=DEFAULT_SETTINGS))
        if jobs is not None:
            found = only_sentences(lambda: list(jobs.jobs()))
            assert found is None or len(found) == jobs.count
        only_sentences(lambda: read_observations([path]))
        path.write_bytes(data)
        only_sentences(lambda: read_job_list(path, settings=DEFAULT_SETTINGS))
        only_sentences(lambda: read_observations([path]))


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    folder = tmp_path_factory.mktemp("fuzz")
    with Ledger(folder / "a.sqlite", create=True) as ledger:
        fill(ledger, 20)
    with open_source(folder / "a.sqlite") as source:
        export(source, folder / "a.jsonl")
    return folder


@given(data=st.data())
@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_exports_with_a_changed_byte(whole, data):
    """Whatever one byte is changed to, the import is refused, or the ledger is the same."""
    content = bytearray((whole / "a.jsonl").read_bytes())
    place = data.draw(st.integers(0, len(content) - 1))
    content[place] = data.draw(st.integers(0, 255))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "b.jsonl").write_bytes(content)

        def take():
            with open_source(folder / "b.jsonl") as source:
                return copy(source, folder / "b.sqlite")

        if only_sentences(take) is None:
            assert not list(folder.glob("*.sqlite*"))
        else:
            with Ledger(folder / "b.sqlite") as mine, Ledger(whole / "a.sqlite") as theirs:
                assert check(mine).intact
                assert [e.content() for e in mine.entries()] == [e.content() for e in theirs.entries()]


@given(data=st.data())
@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_ledgers_with_changed_bytes(whole, data):
    """Whatever bytes are changed, nothing crashes, and a check that says intact means the same entries."""
    content = bytearray((whole / "a.sqlite").read_bytes())
    for _ in range(data.draw(st.integers(1, 4))):
        place = data.draw(st.integers(0, len(content) - 1))
        content[place] = data.draw(st.integers(0, 255))
    with Ledger(whole / "a.sqlite") as theirs:
        true = {entry.content() for entry in theirs.entries()}
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "b.sqlite"
        path.write_bytes(content)
        verdict = None
        with contextlib.suppress(LedgerError), Ledger(path, readonly=True) as ledger:
            verdict = check(ledger)
            if verdict.intact:
                assert {entry.content() for entry in ledger.entries()} == true
        found = salvage(path)
        assert {entry.content() for entry in (*found.chain, *found.loose)} <= true
        if verdict is not None and not verdict.intact:
            assert verdict.problem
