"""What is known about a file of frames before any pixel is decoded."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from qca.frames.frame import HeaderGeometry


@dataclass(frozen=True, slots=True)
class FrameFile:
    """A file of frames as its header describes it; cheap to read, holds no patient identifier.

    Parameters
    ----------
    file : str
        File name without folder.
    format : str
        ``"DICOM"``, ``"PNG"`` or ``"TIFF"``.
    count : int
        Frames that can be read.
    rows, columns : int
        Size of each frame, pixels.
    dtype : str
        Type of the stored values as ``FrameSource.pixels`` returns them, e.g. ``"uint16"``.
    grey_range : tuple of float
        Smallest and largest stored value that the coding can hold.
    bits_stored : int
        Bits of a stored value.
    coding : str
        Name of the transfer syntax, or of the picture file's coding.
    lossy : bool
        True when the header says or implies lossy compression; a frame's own coding may still add to it.
    frame_time_ms : float or None
        Time from one frame to the next, ms; the median where it varies.
    frame_times_ms : tuple of float
        Time of each frame from the first, ms; empty when the file does not say.
    r_wave_frames : tuple of int
        Zero-based numbers of the frames at an R wave of the ECG; empty when the file does not say.
    pixel_aspect : float
        Row pitch divided by column pitch, first frame.
    geometry : HeaderGeometry
        Header numbers, first frame.
    warnings : tuple of str
        What is odd about the file, in plain words.
    detail : mapping
        Further JSON-able facts.
    """

    file: str
    format: str
    count: int
    rows: int
    columns: int
    dtype: str
    grey_range: tuple[float, float]
    bits_stored: int
    coding: str
    lossy: bool = False
    frame_time_ms: float | None = None
    frame_times_ms: tuple[float, ...] = ()
    r_wave_frames: tuple[int, ...] = ()
    pixel_aspect: float = 1.0
    geometry: HeaderGeometry = field(default_factory=HeaderGeometry)
    warnings: tuple[str, ...] = ()
    detail: Mapping[str, object] = field(default_factory=lambda: MappingProxyType({}))
