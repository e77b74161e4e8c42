"""Making a list: the folder, its coded copies, the key and the first entry, all of them or none."""

from __future__ import annotations

import contextlib
import hashlib
import secrets
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from qca.csv_text import lines
from qca.errors import InputError
from qca.json_text import write_json
from qca.lists.coded_copy import coded_copy, sha256_of
from qca.lists.frames import ListedFrame
from qca.lists.plan import Assignment, item_codes, make_plan
from qca.lists.reading_list import KEY_COLUMNS, LIST_COLUMNS, LIST_SCHEMA, ReadingList, open_list
from qca.store.address import parse_address
from qca.store.ledger import Ledger
from qca.store.sqlite_file import give_name

DEFAULT_LEDGER = "ledger.sqlite"
SMALLEST_DEFAULT_GAP = 20

_HARMLESS = frozenset({"options", "sslmode", "application_name", "connect_timeout"})
"""Parts of a database URL's query that may be written down."""


@dataclass(frozen=True, slots=True)
class Choices:
    """What the coordinator chooses.

    Parameters
    ----------
    readers : tuple of str
        Reader codes.
    passes : int
        Full passes of each reader.
    reread : float
        Share of the frames that each reader reads once more.
    washout_days : float
        Days between a reader's passes.
    gap : int or None
        Other reads between two reads of one frame; None for 20, or half of the frames if these are fewer.
    seed : str
        Drawn when empty. It is kept in the key only: with it, codes could be computed.
    """

    readers: tuple[str, ...]
    passes: int = 1
    reread: float = 0.0
    washout_days: float = 14.0
    gap: int | None = None
    seed: str = ""


def make_list(
    frames: Sequence[ListedFrame],
    folder: Path,
    key: Path,
    choices: Choices,
    *,
    ledger: str | None = None,
    actor: str = "coordinator",
) -> ReadingList:
    """Make a reading list.

    Parameters
    ----------
    frames : sequence of ListedFrame
        What is to be read.
    folder, key : Path
        Neither may exist yet; the key must not lie inside the folder.
    choices : Choices
        Who reads how often.
    ledger : str or None
        A ledger elsewhere, made if it is not there; None for one inside the folder.
    actor : str
        Who makes the list.

    Returns
    -------
    ReadingList
        As it is on the disk.

    Raises
    ------
    InputError
        If something is wrong or in the way; then there is neither folder, key nor entry.
    """
    _check_places(folder, key)
    if choices.washout_days < 0:
        msg = f"The wash-out is {choices.washout_days:g} days: give 0 or more."
        raise InputError(msg)
    seed = choices.seed or secrets.token_hex(16)
    gap = min(SMALLEST_DEFAULT_GAP, len(frames) // 2) if choices.gap is None else choices.gap
    plan = make_plan(len(frames), choices.readers, seed=seed, passes=choices.passes, reread=choices.reread, gap=gap)
    elsewhere = None if ledger is None else Ledger(ledger, create=True)
    waiting = folder.with_name(f".{folder.name}.{secrets.token_hex(4)}.part")
    waiting_key = key.with_name(f".{key.name}.{secrets.token_hex(4)}.part")
    named: list[Path] = []
    try:
        waiting.mkdir(parents=True)
        key.parent.mkdir(parents=True, exist_ok=True)
        list_id = secrets.token_hex(8)
        key_text, table = _write_copies(waiting / "frames", frames, plan, list_id, seed)
        waiting_key.write_text(key_text, encoding="utf-8", newline="\n")
        (waiting / "list.csv").write_text(table, encoding="utf-8", newline="\n")
        head = {
            "schema": LIST_SCHEMA,
            "list_id": list_id,
            "made_utc": datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
            "readers": list(choices.readers),
            "passes": choices.passes,
            "reread": choices.reread,
            "washout_days": choices.washout_days,
            "gap": gap,
            "reads": len(plan),
            "ledger": _kept_place(ledger),
            "list_sha256": hashlib.sha256(table.encode()).hexdigest(),
            "key_sha256": hashlib.sha256(key_text.encode()).hexdigest(),
        }
        (waiting / "list.json").write_text(write_json(head), encoding="utf-8", newline="\n")
        if elsewhere is None:
            with Ledger(waiting / DEFAULT_LEDGER, create=True) as inside:
                inside.append(open_list(waiting).made_draft(actor))
        _take_names(waiting_key, key, waiting, folder, named)
        listing = open_list(folder)
        if elsewhere is not None:
            elsewhere.append(listing.made_draft(actor))
    except BaseException as error:
        for path in named:
            shutil.rmtree(path) if path.is_dir() else path.unlink(missing_ok=True)
        if isinstance(error, OSError):
            msg = f"Cannot make the list ({error.strerror or error}): choose folders that you may write to."
            raise InputError(msg, file=str(folder)) from error
        raise
    finally:
        if elsewhere is not None:
            elsewhere.close()
        shutil.rmtree(waiting, ignore_errors=True)
        with contextlib.suppress(OSError):
            waiting_key.unlink(missing_ok=True)
    return listing


def _check_places(folder: Path, key: Path) -> None:
    for path in (folder, key):
        if path.exists():
            msg = f"There is something called {path} already: choose another name, lists are never overwritten."
            raise InputError(msg, file=str(path))
    if key.resolve().is_relative_to(folder.resolve()):
        msg = f"The key {key} would lie inside the readers' folder: choose a place that readers do not see."
        raise InputError(msg, file=str(key))


def _take_names(waiting_key: Path, key: Path, waiting: Path, folder: Path, named: list[Path]) -> None:
    """Give key and folder their names; whoever comes second is refused."""
    if not give_name(waiting_key, key):
        msg = f"Somebody else has made {key} in this moment: nothing was made here."
        raise InputError(msg, file=str(key))
    named.append(key)
    try:
        folder.mkdir()  # fails if it is there; renaming over an empty folder of our own is safe
        named.append(folder)
        waiting.replace(folder)
    except FileExistsError:
        msg = f"Somebody else has made {folder} in this moment: nothing was made here."
        raise InputError(msg, file=str(folder)) from None


def _kept_place(ledger: str | None) -> str:
    """Name the ledger for list.json: never with a password."""
    if ledger is None:
        return DEFAULT_LEDGER
    address = parse_address(ledger)
    if address.url is None:
        return str(Path(str(address.path)).resolve())
    from sqlalchemy.engine import URL

    # made anew from its harmless parts: URL.set(password=None) leaves the password where it is
    url = address.url
    query = {name: value for name, value in url.query.items() if name in _HARMLESS}
    return URL.create(
        url.drivername, username=url.username, host=url.host, port=url.port, database=url.database, query=query
    ).render_as_string(hide_password=False)


def _write_copies(
    folder: Path, frames: Sequence[ListedFrame], plan: Sequence[Assignment], list_id: str, seed: str
) -> tuple[str, str]:
    """Write a coded copy for every read; give the texts of the key and of the list."""
    folder.mkdir()
    items = item_codes(seed, len(frames))
    hashes: dict[Path, str] = {}
    key: list[tuple[object, ...]] = [KEY_COLUMNS]
    table: list[tuple[object, ...]] = [LIST_COLUMNS]
    for each in plan:
        frame = frames[each.item]
        copy = coded_copy(frame.file, folder, each.code)
        if frame.file not in hashes:
            hashes[frame.file] = sha256_of(frame.file)
        table.append((each.order, each.code, each.reader, each.passage, f"frames/{copy.name}", frame.frame))
        key.append(
            (
                *(each.code, items[each.item], each.reader, each.passage, str(frame.file), frame.frame),
                *(hashes[frame.file], sha256_of(copy), list_id, seed),
            )
        )
    # the key goes by frame, so that its order tells nothing about the readers' order
    key[1:] = sorted(key[1:], key=lambda row: tuple(map(str, (row[1], row[2], row[3]))))
    return lines(key), lines(table)
