"""Errors that a user can cause or mend.

::

    QcaError
      InputError             the file or a value cannot be used
        UnsupportedFrame     a file we can read about, but not measure
        MissingScale         millimetres were needed and there is no scale
      PicksError             the points, the catheter or a hand edit do not make sense on this frame
      MeasurementError       the frame and the picks are fine, the measurement is not possible
        NoVessel             no vessel where the picks say there is one
        LimbTooShort         too little of a limb to measure

Caller misuse raises ``ValueError`` or ``TypeError``. Bad points of a profile are NaN with a flag, never an error.
"""

from __future__ import annotations


class QcaError(Exception):
    """Base of all errors with a message for the user: what, which value, what to do.

    Parameters
    ----------
    message : str
        One sentence for the user.
    file, limb : str or None
        Where it happened, when known.
    frame : int or None
        Zero-based frame number, when known.
    """

    def __init__(
        self,
        message: str,
        *,
        file: str | None = None,
        frame: int | None = None,
        limb: str | None = None,
    ) -> None:
        super().__init__(message)
        self.file = file
        self.frame = frame
        self.limb = limb


class InputError(QcaError):
    """A file or a value that cannot be used."""


class UnsupportedFrame(InputError):
    """A readable file whose kind, coding or size cannot be measured."""


class MissingScale(InputError):
    """Millimetres were asked for and there is no scale."""


class PicksError(QcaError):
    """Points, catheter or hand edits that make no sense on this frame."""


class MeasurementError(QcaError):
    """The measurement is not possible on this frame with these picks."""


class NoVessel(MeasurementError):
    """No vessel where the picks say there is one."""


class LimbTooShort(MeasurementError):
    """Too little of a limb is visible between its pick and the branching point."""
