"""One angiogram frame in stored grey values, and what its file says about it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

FloatImage = npt.NDArray[np.float64]
BoolImage = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class HeaderGeometry:
    """Numbers of the file's header that bear on scale, view and time; None where absent or unusable.

    Spacings are ``(row, column)`` = (vertical, horizontal), mm. Angles are degrees: primary positive towards the
    patient's left (LAO), secondary positive cranial (DICOM PS3.3 C.8.7.5.1.2). For Enhanced XA, whose frames state no
    distance to the patient, ``source_to_patient_mm`` is the distance to the isocentre. ``warnings`` say in plain words
    which numbers were left out, are unusual or contradict each other.
    """

    imager_pixel_spacing_mm: tuple[float, float] | None = None
    pixel_spacing_mm: tuple[float, float] | None = None
    pixel_spacing_calibration_type: str | None = None
    object_pixel_spacing_mm: tuple[float, float] | None = None
    magnification: float | None = None
    source_to_detector_mm: float | None = None
    source_to_patient_mm: float | None = None
    primary_angle_deg: float | None = None
    secondary_angle_deg: float | None = None
    frame_time_ms: float | None = None
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Frame:
    """One frame; ``measure`` sees nothing else of the file.

    Parameters
    ----------
    pixels : ndarray, shape (rows, columns), float64, read-only
        Stored grey values: no window, no gamma, no inversion for display. A modality LUT is applied only where the
        header says that it leads back to intensity, and ``grey_rule`` records it.
    valid : ndarray, shape (rows, columns), bool, read-only
        False under a shutter or collimator.
    file : str
        File name without folder.
    sha256 : str
        Hash of the whole file.
    index : int
        Zero-based frame number.
    count : int
        Frames in the file.
    grey_range : tuple of float
        Smallest and largest grey value that the file's coding can hold, for the saturation check.
    dark_vessels : bool or None
        True where contrast lowers the grey value; None when the file does not say.
    intensity : str
        ``"linear"``, ``"log"`` or ``"unknown"``: how grey values relate to X-ray intensity, as the file states.
    grey_rule : str
        What was done to the stored values, in words, for the report.
    pixel_aspect : float
        Row pitch divided by column pitch; 1 for square pixels.
    geometry : HeaderGeometry
        Header numbers.
    lossy : bool
        True when the file says or its coding implies lossy compression.
    detail : mapping
        Further JSON-able facts for the report (transfer syntax, bits stored, ...). Never a patient identifier.
    warnings : tuple of str
        What is odd about the file or the frame, in plain words; doubts about scale and view are in ``geometry``.
    """

    pixels: FloatImage
    valid: BoolImage
    file: str
    sha256: str
    index: int = 0
    count: int = 1
    grey_range: tuple[float, float] = (0.0, 255.0)
    dark_vessels: bool | None = None
    intensity: str = "unknown"
    grey_rule: str = "stored values, unchanged"
    pixel_aspect: float = 1.0
    geometry: HeaderGeometry = field(default_factory=HeaderGeometry)
    lossy: bool = False
    detail: Mapping[str, object] = field(default_factory=lambda: MappingProxyType({}))
    warnings: tuple[str, ...] = ()

    @property
    def rows(self) -> int:
        """Number of pixel rows."""
        return int(self.pixels.shape[0])

    @property
    def columns(self) -> int:
        """Number of pixel columns."""
        return int(self.pixels.shape[1])
