"""How stored values are laid out in the bits of a DICOM file (PS3.3 C.7.6.3)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

Stored = npt.NDArray[Any]


@dataclass(frozen=True, slots=True)
class PixelFormat:
    """Size of a frame and layout of its values.

    Parameters
    ----------
    rows, columns : int
        Size, pixels.
    allocated, stored, high : int
        Bits Allocated, Bits Stored, High Bit.
    signed : bool
        Two's complement.
    """

    rows: int
    columns: int
    allocated: int
    stored: int
    high: int
    signed: bool = False

    @property
    def frame_bytes(self) -> int:
        """Bytes of one uncompressed frame."""
        return self.rows * self.columns * self.allocated // 8

    @property
    def cell(self) -> np.dtype[Any]:
        """Type that holds the bits of one value."""
        return np.dtype(np.uint8 if self.allocated == 8 else np.uint16)

    @property
    def dtype(self) -> np.dtype[Any]:
        """Type of the stored values."""
        if self.signed:
            return np.dtype(np.int8 if self.allocated == 8 else np.int16)
        return self.cell

    @property
    def value_range(self) -> tuple[int, int]:
        """Smallest and largest value that the stored bits can hold."""
        if self.signed:
            return (-(1 << (self.stored - 1)), (1 << (self.stored - 1)) - 1)
        return (0, (1 << self.stored) - 1)

    def values(self, cells: Stored) -> Stored:
        """Take the stored bits out of the cells: bits above and below them (overlays, padding) do not belong.

        Parameters
        ----------
        cells : ndarray, shape (rows, columns), ``cell``
            Bits as they lie in the file.

        Returns
        -------
        ndarray, shape (rows, columns), ``dtype``
            Values.
        """
        if self.stored == self.allocated:
            return cells.view(self.dtype)
        if self.signed:
            raised: Stored = (cells << (self.allocated - 1 - self.high)).view(self.dtype)
            shifted: Stored = raised >> (self.allocated - self.stored)
            return shifted
        taken: Stored = (cells >> (self.high + 1 - self.stored)) & ((1 << self.stored) - 1)
        return taken
