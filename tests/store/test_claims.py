"""Claims: one owner at a time, free again when the owner is dead or late."""

import os
import socket
import subprocess
import sys

import pytest

from qca.store import claims
from qca.store.claims import give_back, held_by_others, lives, renew, take, this_process

ME, ELSEWHERE = "here|1|1", "elsewhere|77|5"


def test_a_job_has_one_owner(ledger):
    assert take(ledger, ["a", "b"], this_process()) == {"a", "b"}
    assert take(ledger, ["b", "c"], ELSEWHERE) == {"c"}
    assert take(ledger, ["a", "b", "c"], this_process()) == {"a", "b"}
    assert held_by_others(ledger, ["a", "b", "c"], this_process()) == {"c"}
    give_back(ledger, ["a"], this_process())
    assert take(ledger, ["a"], ELSEWHERE) == {"a"}
    give_back(ledger, ["a"], this_process())  # not mine any more
    assert held_by_others(ledger, ["a"], this_process()) == {"a"}
    assert take(ledger, [], ELSEWHERE) == frozenset()


def test_a_lease_ends_unless_renewed(ledger):
    assert take(ledger, ["a", "b"], ELSEWHERE, seconds=-1) == {"a", "b"}
    assert take(ledger, ["a"], this_process()) == {"a"}
    renew(ledger, ELSEWHERE)
    assert take(ledger, ["b"], this_process()) == frozenset()


def test_the_dead_own_nothing(ledger):
    child = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    owner = f"{socket.gethostname()}|{child.pid}|{claims._start_of(child.pid)}"
    assert lives(owner)
    assert take(ledger, ["a"], owner) == {"a"}
    assert take(ledger, ["a"], this_process()) == frozenset()
    child.kill()
    child.wait()
    child.stdin.close()
    assert not lives(owner)
    assert take(ledger, ["a"], this_process()) == {"a"}


@pytest.mark.parametrize(
    ("owner", "alive"),
    [
        (this_process(), True),
        (f"{socket.gethostname()}|{os.getpid()}|", True),
        (f"{socket.gethostname()}|{os.getpid()}|1", False),
        (f"{socket.gethostname()}|4194304000|", False),
        ("elsewhere|1|1", True),
        ("rubbish", True),
    ],
    # processes have other numbers in another run
    ids=["this process", "when it began unsaid", "begun at another time", "no such process", "elsewhere", "rubbish"],
)
def test_who_lives(owner, alive):
    assert lives(owner) is alive
