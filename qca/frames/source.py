"""A file of frames, opened lazily: header at once, one frame at a time, nothing kept open."""

from __future__ import annotations

import operator
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from hashlib import sha256
from os import PathLike, stat_result
from pathlib import Path
from typing import BinaryIO, Protocol

from qca.errors import InputError, UnsupportedFrame
from qca.frames import png, tiff
from qca.frames.byte_reader import FileBytes
from qca.frames.frame import Frame
from qca.frames.greyness import Stored
from qca.frames.limits import CHUNK_BYTES, MAX_FILE_BYTES
from qca.frames.record import FrameFile

_DICOM_MARK = b"DICM"
_MARK_AT = 128
_OTHERS = (
    (b"\xff\xd8\xff", "a JPEG picture"),
    (b"GIF8", "a GIF picture"),
    (b"BM", "a BMP picture"),
    (b"RIFF", "a RIFF file"),
    (b"%PDF", "a PDF document"),
    (b"PK\x03\x04", "a ZIP archive"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"\x00\x00\x00\x0cjP  ", "a JPEG 2000 picture"),
    (b"<", "a text or web page"),
)


class _Frames(Protocol):
    """What each file format offers."""

    @property
    def record(self) -> FrameFile: ...

    def stored(self, source: FileBytes, index: int) -> Stored: ...

    def frame(self, source: FileBytes, index: int, sha256: str) -> Frame: ...


class FrameSource:
    """Frames of one file, decoded one at a time.

    Reads the header when made and opens the file anew for each frame, so it can be kept, copied into another process
    and forgotten. If the file changes on disk in between, the next frame is refused.

    Parameters
    ----------
    path : path-like
        A DICOM, PNG or TIFF file.

    Raises
    ------
    InputError
        If the file cannot be read, is damaged, or is not of these kinds.
    UnsupportedFrame
        If it is sound but cannot be measured.
    """

    def __init__(self, path: str | PathLike[str]) -> None:
        self.path = Path(path)
        self._name = printable(self.path.name or str(self.path))
        with self._opened() as (handle, state):
            self._state = (state.st_size, state.st_mtime_ns)
            self._frames = _recognise(FileBytes(handle, self._name, state.st_size))
        self._sha256: str | None = None

    def __reduce__(self) -> tuple[type[FrameSource], tuple[str]]:
        """Travel to another process as a path; the header is read again there."""
        return (FrameSource, (str(self.path),))

    @property
    def record(self) -> FrameFile:
        """What the header says."""
        return self._frames.record

    @property
    def count(self) -> int:
        """Number of frames."""
        return self._frames.record.count

    def __len__(self) -> int:
        return self.count

    def pixels(self, index: int) -> Stored:
        """Return the stored values of one frame for display, decoded now.

        Parameters
        ----------
        index : int
            Zero-based frame number.

        Returns
        -------
        ndarray, shape (rows, columns), ``record.dtype``
            Stored values without window; turned about their range where the file says that small is bright.

        Raises
        ------
        InputError
            If there is no such frame, or it is damaged.
        """
        number = self._checked(index)
        with self._opened() as (handle, state):
            self._same(state)
            return self._frames.stored(FileBytes(handle, self._name, state.st_size), number)

    def frame(self, index: int) -> Frame:
        """Return one frame for measuring, decoded now.

        Parameters
        ----------
        index : int
            Zero-based frame number.

        Raises
        ------
        InputError
            If there is no such frame, or it is damaged.
        """
        number = self._checked(index)
        with self._opened() as (handle, state):
            self._same(state)
            if self._sha256 is None:
                self._sha256 = _hash(handle, self._name)
            return self._frames.frame(FileBytes(handle, self._name, state.st_size), number, self._sha256)

    def _checked(self, index: int) -> int:
        number = operator.index(index)
        if not 0 <= number < self.count:
            if self.count == 1:
                msg = f"{self._name} holds a single frame, number 0; there is no frame {number}: leave the number out."
            else:
                msg = (
                    f"{self._name} holds frames 0 to {self.count - 1}; there is no frame {number}: choose one of those."
                )
            raise InputError(msg, file=self._name, frame=number)
        return number

    def _same(self, state: stat_result) -> None:
        if (state.st_size, state.st_mtime_ns) != self._state:
            msg = f"{self._name} has changed since it was opened: open it again."
            raise InputError(msg, file=self._name)

    @contextmanager
    def _opened(self) -> Iterator[tuple[BinaryIO, stat_result]]:
        """Open the file; system errors become a sentence."""
        name = self._name
        try:
            state = self.path.stat()
            if stat.S_ISDIR(state.st_mode):
                msg = f"{name} is a folder: name one file in it."
                raise InputError(msg, file=name)
            if not stat.S_ISREG(state.st_mode):
                msg = f"{name} is a device or a pipe, not a file: name a DICOM, PNG or TIFF file."
                raise InputError(msg, file=name)
            handle = self.path.open("rb")
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or "no possible file name"
            msg = f"{name} cannot be opened ({reason}): check the name, the folder and the permissions."
            raise InputError(msg, file=name) from error
        with handle:
            yield handle, state


def open_frame(path: str | PathLike[str], index: int | None = None) -> Frame:
    """Read one frame of a DICOM, PNG or TIFF file.

    Parameters
    ----------
    path : path-like
        The file.
    index : int or None
        Zero-based frame number; not needed where there is only one.

    Returns
    -------
    Frame
        Stored grey values and what the file says about them.

    Raises
    ------
    InputError
        If the file or the frame cannot be used: one sentence says what, which value, what to do.
    """
    source = FrameSource(path)
    if index is None and source.count > 1:
        name = source.record.file
        msg = f"{name} holds {source.count} frames, 0 to {source.count - 1}: say which one is to be measured."
        raise InputError(msg, file=name)
    return source.frame(0 if index is None else index)


def probe(path: str | PathLike[str]) -> FrameFile:
    """Read only the header of a DICOM, PNG or TIFF file.

    Parameters
    ----------
    path : path-like
        The file.

    Raises
    ------
    InputError
        If the file cannot be used.
    """
    return FrameSource(path).record


def printable(name: str) -> str:
    """Make a file name fit for a message: no control characters, nothing undecodable."""
    return "".join(letter if letter.isprintable() else "?" for letter in name) or "the file"


def _recognise(source: FileBytes) -> _Frames:
    """Find the format by its first bytes; the name's ending says nothing."""
    name, size = source.name, source.size or 0
    if not size:
        msg = f"{name} is empty: copy it again."
        raise InputError(msg, file=name)
    if size > MAX_FILE_BYTES:
        msg = f"{name} has {size / 1024**3:.1f} GB; files up to {MAX_FILE_BYTES // 1024**3} GB are read: split the run."
        raise InputError(msg, file=name)
    head = source.read(0, _MARK_AT + len(_DICOM_MARK))
    if head[_MARK_AT:] == _DICOM_MARK:
        from qca.frames.dicom.reader import open_dicom

        return open_dicom(source)
    if head.startswith(png.SIGNATURE):
        return png.open_png(source)
    if head.startswith(tiff.SIGNATURES):
        return tiff.open_tiff(source)
    if head[:4] in (b"\x08\0\x05\0", b"\x08\0\x08\0", b"\x08\0\x16\0", b"\x02\0\0\0", b"\x08\0\0\0"):
        msg = f"{name} looks like DICOM without its file header (the mark DICM is missing): export it as a DICOM file."
        raise InputError(msg, file=name)
    for beginning, what in _OTHERS:
        if head.startswith(beginning):
            msg = f"{name} is {what}: choose the DICOM run, or a PNG or TIFF picture saved without loss."
            raise UnsupportedFrame(msg, file=name)
    msg = f"{name} is not a DICOM, PNG or TIFF file: choose the exported run or picture."
    raise InputError(msg, file=name)


def _hash(handle: BinaryIO, name: str) -> str:
    """SHA-256 of the whole file, read piece by piece."""
    digest = sha256()
    try:
        handle.seek(0)
        while piece := handle.read(CHUNK_BYTES):
            digest.update(piece)
    except OSError as error:
        msg = f"{name} cannot be read ({error.strerror}): copy it again from where it came."
        raise InputError(msg, file=name) from error
    return digest.hexdigest()
