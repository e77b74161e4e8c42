"""Writing the tables: row by row, whatever their length, and visible only when all of them are whole."""

from __future__ import annotations

import contextlib
import os
import secrets
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from qca.csv_text import lines
from qca.errors import InputError
from qca.store.tables import (
    LONG_COLUMNS,
    REFUSED_COLUMNS,
    Read,
    dictionary_rows,
    long_rows,
    wide_columns,
    wide_row,
)

if TYPE_CHECKING:
    import pyarrow as pa

_ROWS_PER_GROUP = 50_000
_TEXTS = frozenset(
    {
        *("code", "item", "reader", "limb", "quantity", "unit", "flags", "untrusted", "state"),
        *("version", "algorithm_version"),
        *("frame_sha256", "entered_utc", "scale_source", "medina_code"),
    }
)
_WHOLE = frozenset({"pass", "entry", "frame_index", "rows", "columns"})


def write_tables(
    folder: Path, reads: Iterable[Read], *, refused: Iterable[Sequence[object]] | None = None, parquet: bool = False
) -> int:
    """Write readings_long.csv, readings_wide.csv and data_dictionary.csv, and refused.csv where asked for.

    Parameters
    ----------
    folder : Path
        Made if needed.
    reads : iterable of Read
        Taken one by one; memory does not grow with their number.
    refused : iterable of rows or None
        Rows of refused.csv, in the order of `REFUSED_COLUMNS`; None for no such table.
    parquet : bool
        Write readings_long.parquet and readings_wide.parquet too.

    Returns
    -------
    int
        Number of readings written.

    Raises
    ------
    InputError
        If the folder cannot be written: no table is changed.
    """
    count = 0
    with _together(folder) as opened:
        long, wide = opened("readings_long.csv"), opened("readings_wide.csv")
        long.write(lines([tuple(LONG_COLUMNS)]).encode())
        wide.write(lines([wide_columns()]).encode())
        with contextlib.ExitStack() as stack:
            columns = []
            if parquet:
                columns = [
                    stack.enter_context(_parquet(opened("readings_long.parquet"), tuple(LONG_COLUMNS))),
                    stack.enter_context(_parquet(opened("readings_wide.parquet"), wide_columns())),
                ]
            for read in reads:
                values, row = list(long_rows(read)), wide_row(read)
                long.write(lines(values).encode())
                wide.write(lines([row]).encode())
                if columns:
                    columns[0].add(values)
                    columns[1].add([row])
                count += 1
        if refused is not None:
            file = opened("refused.csv")
            file.write(lines([tuple(REFUSED_COLUMNS)]).encode())
            for line in refused:
                file.write(lines([line]).encode())
        opened("data_dictionary.csv").write(lines(dictionary_rows()).encode())
    return count


class _Opened:
    """Files under temporary names in one folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.waiting: dict[Path, IO[bytes]] = {}

    def __call__(self, name: str) -> IO[bytes]:
        path = self.folder / f".{name}.{secrets.token_hex(4)}.part"
        self.waiting[path] = path.open("xb")
        return self.waiting[path]

    def finish(self) -> None:
        """Flush all files to the disk, then give them their names."""
        for file in self.waiting.values():
            file.flush()
            os.fsync(file.fileno())
            file.close()
        for path in self.waiting:
            name = path.name[1 : -len(".00000000.part")]
            path.replace(self.folder / name)

    def discard(self) -> None:
        for path, file in self.waiting.items():
            with contextlib.suppress(OSError):
                file.close()
            with contextlib.suppress(OSError):
                path.unlink(missing_ok=True)


@contextlib.contextmanager
def _together(folder: Path) -> Iterator[_Opened]:
    opened = _Opened(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        yield opened
        opened.finish()
    except OSError as error:
        msg = f"Cannot write into {folder} ({error.strerror or error}): choose a folder that you may write to."
        raise InputError(msg, file=str(folder)) from error
    finally:
        opened.discard()


class _Columns:
    """Rows collected into row groups of a Parquet file."""

    def __init__(self, file: IO[bytes], names: Sequence[str]) -> None:
        import pyarrow as pa
        from pyarrow import parquet

        self.schema: pa.Schema = pa.schema([(name, _kind(name)) for name in names])
        self.writer = parquet.ParquetWriter(file, self.schema)
        self.rows: list[Sequence[object]] = []

    def add(self, rows: Sequence[Sequence[object]]) -> None:
        self.rows.extend(rows)
        if len(self.rows) >= _ROWS_PER_GROUP:
            self.flush()

    def flush(self) -> None:
        import pyarrow as pa

        if not self.rows:
            return
        arrays = [
            pa.array([_plain(value) for value in column], type=field.type)
            for column, field in zip(zip(*self.rows, strict=True), self.schema, strict=True)
        ]
        self.writer.write_table(pa.Table.from_arrays(arrays, schema=self.schema))
        self.rows = []


def _plain(value: object) -> object:
    """NaN is a missing value here too."""
    return None if isinstance(value, float) and value != value else value  # noqa: PLR0124


def _kind(name: str) -> Any:  # noqa: ANN401 - a pyarrow type
    import pyarrow as pa

    if name in _TEXTS:
        return pa.string()
    if name in _WHOLE:
        return pa.int64()
    return pa.bool_() if name == "edited" else pa.float64()


@contextlib.contextmanager
def _parquet(file: IO[bytes], names: Sequence[str]) -> Iterator[_Columns]:
    columns = _Columns(file, names)
    try:
        yield columns
        columns.flush()
    finally:
        columns.writer.close()
