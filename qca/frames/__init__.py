"""Files of frames: DICOM, PNG, TIFF to a Frame of stored grey values."""

from __future__ import annotations

from qca.frames.frame import Frame, HeaderGeometry
from qca.frames.record import FrameFile
from qca.frames.source import FrameSource, open_frame, probe

__all__ = ["Frame", "FrameFile", "FrameSource", "HeaderGeometry", "open_frame", "probe"]
