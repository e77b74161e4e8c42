r"""One entry of the ledger, the documents it names, and the hash that chains entries.

The chain is defined on text, not on a database's types, so that it is the same in SQLite, in PostgreSQL and in an
exported file::

    content = SHA-256 of the entry's fields as JSON (keys sorted, no spaces, UTF-8), without position and chain
    hash    = SHA-256 of "position\nprevious hash\ncontent"

The previous hash of the first entry is the SHA-256 of the ledger's identity. Documents (picks, readings, lists) are
named by the SHA-256 of their text, so the chain covers them.
"""

from __future__ import annotations

import hashlib
import json
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from types import MappingProxyType
from typing import Any

KINDS = (
    "list_made",
    "measured",
    "edited",
    "refused",
    "locked",
    "unlocked",
    "withdrawn",
    "unblinded",
    "merged",
)
"""What can happen.

``list_made``: a reading list came into being. ``measured``: a reading was computed. ``edited``: its picks were changed
by hand, and it was computed again. ``refused``: the frame could not be measured. ``locked``, ``unlocked``,
``withdrawn``: of a reading. ``unblinded``: which codes belong to the same frame became known. ``merged``: the entries
of another ledger follow or precede, see its detail.
"""

REASON_DUE = frozenset({"refused", "unlocked", "withdrawn", "unblinded"})
"""Kinds that must say why."""

GENESIS = "qca ledger "
_TIGHTEST = 1032
"""Largest ratio of deflate: RFC 1951 spends two bits or more on a repeat, and a repeat has at most 258 bytes."""

_COMPRESSION = 1
"""zlib level: readings are digits, which higher levels pack 5 % tighter for three times the time."""


@dataclass(frozen=True, slots=True)
class Document:
    """A text that an entry names by its hash.

    Parameters
    ----------
    sha256 : str
        Of the text's bytes; equal to that of the file, where the text is also a file.
    size : int
        Bytes of the text.
    body : bytes
        The text, compressed with zlib.
    """

    sha256: str
    size: int
    body: bytes

    @classmethod
    def of(cls, text: str | bytes) -> Document:
        """Wrap a text."""
        data = text.encode("utf-8") if isinstance(text, str) else text
        return cls(hashlib.sha256(data).hexdigest(), len(data), zlib.compress(data, _COMPRESSION))

    def text(self) -> bytes:
        """Give the text back.

        Raises
        ------
        ValueError
            If the body does not hold the text that the hash names.
        """
        try:
            data = _unpacked(self.body, self.size)
        except RuntimeError as error:
            msg = f"document {self.sha256[:12]} cannot be unpacked"
            raise ValueError(msg) from error
        if len(data) != self.size or hashlib.sha256(data).hexdigest() != self.sha256:
            msg = f"document {self.sha256[:12]} does not match its hash"
            raise ValueError(msg)
        return data


def _unpacked(body: bytes, size: int) -> bytes:
    """Unpack a zlib stream that should hold ``size`` bytes.

    A forged size or body cannot fill the memory: deflate packs no tighter than 1032 to 1, and nothing is written beyond
    ``size``. libdeflate takes less than half the time of zlib, which a check of a whole ledger is made of.

    Raises
    ------
    RuntimeError
        If it does not hold that many.
    """
    if not 0 <= size <= _TIGHTEST * len(body):
        msg = "a size that the body cannot have"
        raise RuntimeError(msg)
    if not size:
        return b""
    from imagecodecs import deflate_decode

    return bytes(deflate_decode(body, out=size))


@dataclass(frozen=True, slots=True)
class Draft:
    """What somebody wants to enter; the ledger adds position, time, identity and hashes.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    actor : str
        Code of who does it: a reader's, or the coordinator's.
    list_id : str
        Reading list or study; empty for none.
    code : str
        Opaque code of the read; empty where the entry is not about one.
    reader : str
        Whose reading it is.
    passage : int or None
        Which pass of that reader, from 1.
    frame_sha256 : str
        Hash of the frame's file.
    frame_index : int or None
        Zero-based frame number.
    picks, reading : Document or None
        What the person decided, and what was computed; for ``list_made`` and ``unblinded``, ``picks`` is None and
        ``reading`` the list or the opened key.
    software, algorithm : str
        Versions that computed the reading.
    job : str
        Identity of a piece of batch work: the same job is entered once.
    refers : str
        Identity of the entry that this one is about.
    reason : str
        Why, in the words of who did it.
    detail : mapping
        Further facts, JSON-able; never a name from a file or a header.
    """

    kind: str
    actor: str
    list_id: str = ""
    code: str = ""
    reader: str = ""
    passage: int | None = None
    frame_sha256: str = ""
    frame_index: int | None = None
    picks: Document | None = None
    reading: Document | None = None
    software: str = ""
    algorithm: str = ""
    job: str = ""
    refers: str = ""
    reason: str = ""
    detail: Mapping[str, object] = field(default_factory=lambda: MappingProxyType({}))

    def __post_init__(self) -> None:
        """Refuse what can never be an entry."""
        if self.kind not in KINDS:
            msg = f"kind must be one of {', '.join(KINDS)}, not {self.kind!r}"
            raise ValueError(msg)
        if not self.actor.strip():
            msg = "actor must be the code of who does it, not empty"
            raise ValueError(msg)
        for field_ in fields(self):
            value = getattr(self, field_.name)
            if isinstance(value, str) and ("\0" in value or not _is_unicode(value)):
                msg = f"{field_.name} holds a sign that is no text"
                raise ValueError(msg)


def _is_unicode(text: str) -> bool:
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry as it stands in the ledger; fields as in `Draft`, and the chain.

    Parameters
    ----------
    seq : int
        Position, from 1, without gaps.
    entry_id : str
        Identity that survives copying and merging.
    origin : str
        Identity of the ledger in which it was first entered.
    time_utc : str
        The clock of the machine that entered it, ISO 8601 with microseconds and ``Z``. Positions give the order; the
        clock may run back.
    picks_sha256, reading_sha256 : str
        Documents; empty for none.
    detail : str
        JSON text.
    previous, hash : str
        The chain.
    """

    seq: int
    entry_id: str
    origin: str
    kind: str
    time_utc: str
    actor: str
    list_id: str
    code: str
    reader: str
    passage: int | None
    frame_sha256: str
    frame_index: int | None
    picks_sha256: str
    reading_sha256: str
    software: str
    algorithm: str
    job: str
    refers: str
    reason: str
    detail: str
    previous: str
    hash: str

    def content(self) -> str:
        """Hash of what the entry says, wherever it stands."""
        return content_hash({name: getattr(self, name) for name in CONTENT_FIELDS})

    def intact(self) -> bool:
        """Tell whether the entry is the one its hash was formed from."""
        return chain_hash(self.seq, self.previous, self.content()) == self.hash

    def facts(self) -> Mapping[str, Any]:
        """Give the detail as a mapping; empty if it is no JSON object."""
        try:
            value = json.loads(self.detail or "{}")
        except ValueError:
            return MappingProxyType({})
        return MappingProxyType(value if isinstance(value, dict) else {})


CONTENT_FIELDS = tuple(f.name for f in fields(Entry) if f.name not in ("seq", "previous", "hash"))


def content_hash(values: Mapping[str, object]) -> str:
    """Hash the content fields of an entry."""
    text = json.dumps(dict(values), sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


def chain_hash(seq: int, previous: str, content: str) -> str:
    """Hash an entry at its place."""
    return hashlib.sha256(f"{seq}\n{previous}\n{content}".encode()).hexdigest()


def genesis(ledger_id: str) -> str:
    """Give the previous hash of the first entry."""
    return hashlib.sha256(f"{GENESIS}{ledger_id}".encode()).hexdigest()


def json_line(value: object) -> str:
    """JSON on one line, always the same for the same value."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
