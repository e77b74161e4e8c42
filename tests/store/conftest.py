import json
import random

import pytest

from qca.store.entry import Document, Draft
from qca.store.ledger import Ledger
from tests.store import server


@pytest.fixture(scope="session")
def postgresql():
    if server.programs() is None:
        pytest.skip("PostgreSQL's server programs are not installed (Debian: apt-get install postgresql)")
    running = server.Server()
    yield running
    running.stop()


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgresql)])
def place(request, tmp_path):
    """Address of a ledger that does not exist yet, in both kinds of database."""
    if request.param == "sqlite":
        return str(tmp_path / "study.sqlite")
    return request.getfixturevalue("postgresql").new_place()


@pytest.fixture
def ledger(place):
    with Ledger(place, create=True) as opened:
        yield opened


def reading_text(number, size=40):
    draw = random.Random(number)  # noqa: S311 - made-up values
    return json.dumps({"number": number, "profile": [draw.gauss(2, 0.5) for _ in range(size)]})


def measured(number, *, reader="R1", passage=1, kind="measured", size=40, **more):
    return Draft(
        kind,
        actor=reader,
        code=f"K{number:04d}",
        reader=reader,
        passage=passage,
        frame_sha256=f"{number:064x}",
        frame_index=0,
        picks=Document.of(f'{{"frame": {number % 7}}}'),
        reading=Document.of(reading_text(number, size)),
        software="0.1.0",
        algorithm="1",
        **more,
    )


def fill(ledger, count=12, **more):
    """A record with every kind of entry about readings."""
    if more.get("reader"):
        ledger.append(*(measured(i, **more) for i in range(count)))
        return
    ledger.append(*(measured(i, job=f"{i:064x}", **more) for i in range(count)))
    about = {"code": "K0003", "reader": "R1", "passage": 1}
    ledger.append(measured(3, kind="edited"), Draft("locked", "R1", **about))
    ledger.append(Draft("unlocked", "coordinator", reason="catheter was picked on the wire, é ≤ 1", **about))
    ledger.append(Draft("withdrawn", "coordinator", reason="wrong frame", **about))
    ledger.append(Draft("refused", "R1", code="K9999", reader="R1", passage=1, reason="the file ends early"))
