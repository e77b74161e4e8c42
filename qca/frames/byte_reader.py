"""Bytes by position: from a file, from a deflated stream, from memory. Never more than was asked for."""

from __future__ import annotations

import zlib
from typing import BinaryIO, Protocol

from qca.errors import InputError
from qca.frames.limits import CHUNK_BYTES, MAX_HEADER_BYTES, MAX_INFLATED_BYTES


class Bytes(Protocol):
    """Bytes by position.

    Attributes
    ----------
    name : str
        What to call the file in a message.
    size : int or None
        Total number of bytes; None when it is not known without reading on.
    """

    name: str
    size: int | None

    def read(self, offset: int, count: int) -> bytes:
        """Return ``count`` bytes from ``offset``; fewer where the bytes end."""
        ...


class FileBytes:
    """Bytes of an open file."""

    def __init__(self, handle: BinaryIO, name: str, size: int) -> None:
        self.handle = handle
        self.name = name
        self.size: int | None = size
        self._length = size

    def read(self, offset: int, count: int) -> bytes:
        """Return ``count`` bytes from ``offset``; fewer where the file ends.

        Raises
        ------
        InputError
            If the system cannot read the file.
        """
        count = min(count, self._length - offset)
        if count <= 0:
            return b""
        try:
            self.handle.seek(offset)
            return self.handle.read(count)
        except OSError as error:
            msg = f"{self.name} cannot be read ({error.strerror}): copy it again from where it came."
            raise InputError(msg, file=self.name) from error


class MemoryBytes:
    """Bytes in memory, e.g. the value of a sequence."""

    def __init__(self, data: bytes, name: str) -> None:
        self.data = data
        self.name = name
        self.size: int | None = len(data)

    def read(self, offset: int, count: int) -> bytes:
        """Return ``count`` bytes from ``offset``; fewer where the bytes end."""
        return self.data[max(offset, 0) : max(offset, 0) + max(count, 0)]


class InflatedBytes:
    """Bytes of a raw deflate stream (RFC 1951) inside a file, inflated only as far as they are asked for.

    The beginning, where the header is, is kept; beyond it the stream is inflated and thrown away up to the bytes
    wanted, so that one frame of a long run needs no more memory than the frame.
    """

    def __init__(self, source: FileBytes, start: int) -> None:
        self.name = source.name
        self.size: int | None = None
        self._source = source
        self._start = start
        self._kept = bytearray()
        self._rest = _Inflater(source, start)

    def read(self, offset: int, count: int) -> bytes:
        """Return ``count`` bytes from ``offset``; fewer where the stream ends.

        Raises
        ------
        InputError
            If the header is larger than the cap or the stream is damaged.
        """
        end = offset + count
        if end > MAX_HEADER_BYTES:
            msg = (
                f"{self.name} inflates to a header of more than {MAX_HEADER_BYTES // 1024**2} MB, which no X-ray run "
                "has: it is damaged or not what it says."
            )
            raise InputError(msg, file=self.name)
        while len(self._kept) < end:
            piece = self._rest.next(CHUNK_BYTES)
            if not piece:
                break
            self._kept += piece
        return bytes(self._kept[offset:end])

    def read_far(self, offset: int, count: int) -> bytes:
        """Return bytes from anywhere, inflating from the beginning and keeping nothing.

        Raises
        ------
        InputError
            If they lie beyond the cap or the stream is damaged.
        """
        if offset + count > MAX_INFLATED_BYTES:
            msg = (
                f"{self.name} is deflated and would have to be inflated beyond {MAX_INFLATED_BYTES // 1024**3} GB: "
                "export it with another transfer syntax."
            )
            raise InputError(msg, file=self.name)
        stream = _Inflater(self._source, self._start)
        position, found = 0, bytearray()
        while len(found) < count:
            piece = stream.next(CHUNK_BYTES)
            if not piece:
                break
            skip = max(0, offset - position)
            position += len(piece)
            if skip < len(piece):
                found += piece[skip : skip + count - len(found)]
        return bytes(found)


class _Inflater:
    """One pass through a raw deflate stream."""

    def __init__(self, source: FileBytes, start: int) -> None:
        self._source = source
        self._position = start
        self._stream = zlib.decompressobj(-zlib.MAX_WBITS)

    def next(self, most: int) -> bytes:
        """Return up to ``most`` further bytes; none at the end of the stream."""
        try:
            while not self._stream.eof:
                coded = self._stream.unconsumed_tail or self._source.read(self._position, CHUNK_BYTES)
                if not self._stream.unconsumed_tail:
                    self._position += len(coded)
                piece = self._stream.decompress(coded, most)
                if piece or not coded:
                    return piece
        except zlib.error as error:
            msg = f"{self._source.name} is deflated and its data are damaged: copy it again from where it came."
            raise InputError(msg, file=self._source.name) from error
        return b""
