"""Numbers of a DICOM header that bear on scale and view, each checked alone and against the others.

A number that cannot be (negative, not finite, of the wrong count, far outside what an X-ray system can have) is left
out with a warning; one that is merely unusual or contradicts another is kept with a warning. Meanings: DICOM PS3.3
10.7.1 (spacings), C.8.7.5 (positioner), C.8.19.6.9 to .14 (Enhanced XA).
"""

from __future__ import annotations

from dataclasses import dataclass, field

from qca.frames.dicom import attributes as at
from qca.frames.dicom.attributes import Attribute
from qca.frames.dicom.header import View
from qca.frames.dicom.timing import Timing
from qca.frames.dicom.values import NotANumber, code, numbers
from qca.frames.frame import HeaderGeometry

Pair = tuple[float, float]
Limits = tuple[float, float]

# What can be, and what is usual. Systems for the heart: common practice, no source.
_SPACING: Limits = (0.01, 5.0)
_USUAL_SPACING: Limits = (0.05, 0.6)
_DISTANCE: Limits = (100.0, 3000.0)
_USUAL_DETECTOR: Limits = (700.0, 1500.0)
_USUAL_PATIENT: Limits = (400.0, 1000.0)
_FACTOR: Limits = (0.5, 10.0)
_USUAL_FACTOR: Limits = (1.0, 2.5)
_PRIMARY: Limits = (-180.0, 180.0)
_SECONDARY: Limits = (-90.0, 90.0)
_ASPECT: Limits = (0.2, 5.0)

_MAGNIFICATION_TOLERANCE = 0.01
"""Relative difference at which a stated magnification contradicts the distances."""

_FIELD_TOLERANCE = 0.05
"""Relative difference at which spacing times rows contradicts the field of view."""

_SQUARE_TOLERANCE = 1e-4
"""Relative difference of row and column spacing at which pixels are not square."""

_TILT_DEG = 1.0
"""Detector tilt against the beam at which lengths shrink noticeably in one direction."""


def read_geometry(view: View, index: int, size: tuple[int, int], timing: Timing) -> tuple[HeaderGeometry, float]:
    """Read the geometry of one frame.

    Parameters
    ----------
    view : View
        Header of the frame.
    index : int
        Zero-based frame number.
    size : tuple of int
        Rows and columns.
    timing : Timing
        Frame times of the file.

    Returns
    -------
    tuple of HeaderGeometry and float
        The numbers, and row pitch divided by column pitch.
    """
    reader = _Reader(view)
    imager = reader.pair(at.IMAGER_SPACING, _SPACING, _USUAL_SPACING)
    spacing = reader.pair(at.PIXEL_SPACING, _SPACING, _USUAL_SPACING)
    object_spacing = reader.pair(at.OBJECT_SPACING, _SPACING, _USUAL_SPACING)
    magnification = reader.single(at.MAGNIFICATION, _FACTOR, _USUAL_FACTOR)
    detector = reader.single(at.SOURCE_DETECTOR, _DISTANCE, _USUAL_DETECTOR)
    patient = reader.single(at.SOURCE_PATIENT, _DISTANCE, _USUAL_PATIENT)
    if patient is None and view.find(at.SOURCE_ISOCENTER) is not None:
        patient = reader.single(at.SOURCE_ISOCENTER, _DISTANCE, _USUAL_PATIENT)
    if detector is not None and patient is not None and patient >= detector:
        reader.warn(f"The patient at {patient:g} mm lies behind the detector at {detector:g} mm: both are ignored.")
        detector = patient = None
    primary = reader.angle(at.PRIMARY_ANGLE, at.PRIMARY_INCREMENT, index, _PRIMARY)
    secondary = reader.angle(at.SECONDARY_ANGLE, at.SECONDARY_INCREMENT, index, _SECONDARY)
    if magnification is not None and detector is not None and patient is not None:
        reader.compare_magnification(magnification, detector / patient)
    if imager is not None:
        reader.compare_field(imager, size)
        if spacing is not None and spacing[0] > imager[0] * (1 + _SQUARE_TOLERANCE):
            reader.warn(
                f"Pixel spacing {spacing[0]:g} mm is larger than imager pixel spacing {imager[0]:g} mm, which would be "
                "a magnification below 1."
            )
    reader.look_at_the_gantry()
    aspect = reader.aspect(object_spacing, spacing, imager)
    calibration = code(view.find(at.CALIBRATION_TYPE))
    return (
        HeaderGeometry(
            imager_pixel_spacing_mm=imager,
            pixel_spacing_mm=spacing,
            pixel_spacing_calibration_type=calibration if calibration in ("GEOMETRY", "FIDUCIAL") else None,
            object_pixel_spacing_mm=object_spacing,
            magnification=magnification,
            source_to_detector_mm=detector,
            source_to_patient_mm=patient,
            primary_angle_deg=primary,
            secondary_angle_deg=secondary,
            frame_time_ms=timing.frame_time_ms,
            warnings=tuple(reader.warnings) + timing.warnings,
        ),
        aspect,
    )


@dataclass(slots=True)
class _Reader:
    """Reads attributes of one frame and collects what is wrong with them."""

    view: View
    warnings: list[str] = field(default_factory=list)

    def warn(self, text: str) -> None:
        self.warnings.append(text)

    def values(self, attribute: Attribute) -> tuple[float, ...]:
        element = self.view.find(attribute)
        try:
            return numbers(element, attribute) if element is not None else ()
        except NotANumber as error:
            self.warn(f"{attribute.name} in the header is {error}, not a number, and is ignored.")
            return ()

    def pair(self, attribute: Attribute, limits: Limits, usual: Limits) -> Pair | None:
        """Two numbers: row spacing and column spacing (PS3.3 10.7.1.3)."""
        values = self.values(attribute)
        if not values:
            return None
        if len(values) != 2:
            self.warn(f"{attribute.name} in the header has {len(values)} values instead of two and is ignored.")
            return None
        if not all(limits[0] <= value <= limits[1] for value in values):
            self.warn(f"{attribute.name} in the header is {values[0]:g} by {values[1]:g}, which cannot be: ignored.")
            return None
        if not all(usual[0] <= value <= usual[1] for value in values):
            self.warn(f"{attribute.name} in the header is {values[0]:g} by {values[1]:g}, which is unusual: check it.")
        return (values[0], values[1])

    def single(self, attribute: Attribute, limits: Limits, usual: Limits | None = None) -> float | None:
        values = self.values(attribute)
        if not values:
            return None
        if len(values) != 1:
            self.warn(f"{attribute.name} in the header has {len(values)} values instead of one and is ignored.")
            return None
        if not limits[0] <= values[0] <= limits[1]:
            self.warn(f"{attribute.name} in the header is {values[0]:g}, which cannot be: ignored.")
            return None
        if usual is not None and not usual[0] <= values[0] <= usual[1]:
            self.warn(f"{attribute.name} in the header is {values[0]:g}, which is unusual: check it.")
        return values[0]

    def angle(self, first: Attribute, step: Attribute, index: int, limits: Limits) -> float | None:
        """Angle at frame ``index``: first angle and one average step, or an offset per frame (C.8.7.5.1.3)."""
        start = self.single(first, limits)
        if start is None or code(self.view.find(at.POSITIONER_MOTION)) != "DYNAMIC":
            return start
        steps = self.values(step)
        if not steps or (len(steps) > 1 and index >= len(steps)):
            return start if index == 0 else None
        moved = start + (steps[0] * index if len(steps) == 1 else steps[index])
        if limits[0] <= moved <= limits[1]:
            return moved
        self.warn(f"{first.name} comes to {moved:g} degrees at frame {index}, which cannot be: ignored.")
        return None

    def compare_magnification(self, stated: float, distances: float) -> None:
        if abs(stated - distances) > _MAGNIFICATION_TOLERANCE * distances:
            self.warn(
                f"The stated magnification {stated:.3f} differs from the one of the distances, {distances:.3f}: a "
                "scale from the header is doubtful."
            )

    def compare_field(self, imager: Pair, size: tuple[int, int]) -> None:
        """Compare spacing times size with the field of view (C.8.11.4.1.1)."""
        in_float = self.view.find(at.FIELD_SIZE_FLOAT) is not None
        sides = self.values(at.FIELD_SIZE_FLOAT if in_float else at.FIELD_SIZE)
        shape = code(self.view.find(at.FIELD_SHAPE))
        if shape not in ("RECTANGLE", "ROUND") or len(sides) not in (1, 2) or min(sides) <= 0:
            return
        expected = (sides[0], sides[-1])
        found = (imager[0] * size[0], imager[1] * size[1])
        if any(abs(a - b) > _FIELD_TOLERANCE * b for a, b in zip(found, expected, strict=True)):
            self.warn(
                f"Imager pixel spacing times size is {found[0]:.0f} by {found[1]:.0f} mm, but the field of view is "
                f"{expected[0]:.0f} by {expected[1]:.0f} mm: the image may have been resized without its spacing."
            )

    def look_at_the_gantry(self) -> None:
        """Whatever keeps one scale from holding over the whole frame or run."""
        for attribute in (at.DETECTOR_PRIMARY, at.DETECTOR_SECONDARY):
            tilt = self.single(attribute, _PRIMARY)
            if tilt is not None and abs(tilt) > _TILT_DEG:
                self.warn(f"{attribute.name} is {tilt:g} degrees: lengths along the tilt are shortened.")
        if code(self.view.find(at.GEOMETRICAL)) == "NON_UNIFORM":
            self.warn("The header says that pixel spacing varies over the frame: one scale does not hold everywhere.")
        for attribute, what in ((at.POSITIONER_MOTION, "gantry"), (at.TABLE_MOTION, "table")):
            if code(self.view.find(attribute)) == "DYNAMIC":
                self.warn(f"The {what} moved during this run: a scale from one frame may not hold for another.")

    def aspect(self, *spacings: Pair | None) -> float:
        """Row pitch divided by column pitch, from the best spacing there is, else from Pixel Aspect Ratio."""
        for spacing in spacings:
            if spacing is not None:
                ratio = spacing[0] / spacing[1]
                break
        else:
            values = self.values(at.ASPECT_RATIO)
            ratio = values[0] / values[1] if len(values) == 2 and min(values) > 0 else 1.0
        if abs(ratio - 1) <= _SQUARE_TOLERANCE:
            return 1.0
        if not _ASPECT[0] <= ratio <= _ASPECT[1]:
            self.warn(f"Pixels would be {ratio:g} times as high as wide, which cannot be: taken as square.")
            return 1.0
        self.warn(f"Pixels are not square: {ratio:.4f} times as high as wide.")
        return ratio
