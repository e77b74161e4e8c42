"""The attributes that are read, and nothing else: tag, value representation, name, functional group.

Tags and representations: DICOM PS3.6. Functional groups: PS3.3 C.8.19.6 (Enhanced XA and XRF) and C.7.6.16.2.
No attribute that names or describes a person, a place or a device is in this list.
"""

from __future__ import annotations

from typing import NamedTuple


class Attribute(NamedTuple):
    """One attribute.

    ``group`` is the sequence that holds it in an enhanced image; 0 where it stands at the top. ``name`` is for
    messages.
    """

    tag: int
    vr: str
    name: str
    group: int = 0


_FRAME_CONTENT = 0x00209111
_PIXEL_PROPERTIES = 0x00289443
_PROJECTION_CALIBRATION = 0x00189401
_POSITIONER = 0x00189405
_GEOMETRY = 0x00189476
_FIELD_OF_VIEW = 0x00189432
_SHUTTER = 0x00189472
_COLLIMATOR = 0x00189407
_CARDIAC = 0x00189118

TRANSFER_SYNTAX = Attribute(0x00020010, "UI", "Transfer Syntax UID")
SOP_CLASS = Attribute(0x00080016, "UI", "SOP Class UID")
IMAGE_TYPE = Attribute(0x00080008, "CS", "Image Type")

SAMPLES = Attribute(0x00280002, "US", "Samples per Pixel")
PHOTOMETRIC = Attribute(0x00280004, "CS", "Photometric Interpretation")
FRAMES = Attribute(0x00280008, "IS", "Number of Frames")
ROWS = Attribute(0x00280010, "US", "Rows")
COLUMNS = Attribute(0x00280011, "US", "Columns")
ASPECT_RATIO = Attribute(0x00280034, "IS", "Pixel Aspect Ratio")
BITS_ALLOCATED = Attribute(0x00280100, "US", "Bits Allocated")
BITS_STORED = Attribute(0x00280101, "US", "Bits Stored")
HIGH_BIT = Attribute(0x00280102, "US", "High Bit")
REPRESENTATION = Attribute(0x00280103, "US", "Pixel Representation")

INTENSITY = Attribute(0x00281040, "CS", "Pixel Intensity Relationship", _PIXEL_PROPERTIES)
INTENSITY_SIGN = Attribute(0x00281041, "SS", "Pixel Intensity Relationship Sign", _PIXEL_PROPERTIES)
IMAGE_PROCESSING = Attribute(0x00289446, "CS", "Image Processing Applied", _PIXEL_PROPERTIES)
MODALITY_LUT = Attribute(0x00283000, "SQ", "Modality LUT Sequence")
RESCALE_SLOPE = Attribute(0x00281053, "DS", "Rescale Slope")
INTENSITY_LUT = Attribute(0x00289422, "SQ", "Pixel Intensity Relationship LUT Sequence")
LUT_FUNCTION = Attribute(0x00289474, "CS", "LUT Function")
LUT_DESCRIPTOR = Attribute(0x00283002, "US", "LUT Descriptor")
LUT_DATA = Attribute(0x00283006, "OW", "LUT Data")
LOSSY = Attribute(0x00282110, "CS", "Lossy Image Compression")
LOSSY_RATIO = Attribute(0x00282112, "DS", "Lossy Image Compression Ratio")
BURNED_IN = Attribute(0x00280301, "CS", "Burned In Annotation")

PIXEL_SPACING = Attribute(0x00280030, "DS", "Pixel Spacing")
CALIBRATION_TYPE = Attribute(0x00280A02, "CS", "Pixel Spacing Calibration Type")
IMAGER_SPACING = Attribute(0x00181164, "DS", "Imager Pixel Spacing", _PIXEL_PROPERTIES)
GEOMETRICAL = Attribute(0x00289444, "CS", "Geometrical Properties", _PIXEL_PROPERTIES)
OBJECT_SPACING = Attribute(0x00189404, "FL", "Object Pixel Spacing in Center of Beam", _PROJECTION_CALIBRATION)
MAGNIFICATION = Attribute(0x00181114, "DS", "Estimated Radiographic Magnification Factor")
SOURCE_DETECTOR = Attribute(0x00181110, "DS", "Distance Source to Detector", _GEOMETRY)
SOURCE_PATIENT = Attribute(0x00181111, "DS", "Distance Source to Patient")
SOURCE_ISOCENTER = Attribute(0x00189402, "FL", "Distance Source to Isocenter", _GEOMETRY)
PRIMARY_ANGLE = Attribute(0x00181510, "DS", "Positioner Primary Angle", _POSITIONER)
SECONDARY_ANGLE = Attribute(0x00181511, "DS", "Positioner Secondary Angle", _POSITIONER)
PRIMARY_INCREMENT = Attribute(0x00181520, "DS", "Positioner Primary Angle Increment")
SECONDARY_INCREMENT = Attribute(0x00181521, "DS", "Positioner Secondary Angle Increment")
POSITIONER_MOTION = Attribute(0x00181500, "CS", "Positioner Motion")
TABLE_MOTION = Attribute(0x00181134, "CS", "Table Motion")
DETECTOR_PRIMARY = Attribute(0x00181530, "DS", "Detector Primary Angle")
DETECTOR_SECONDARY = Attribute(0x00181531, "DS", "Detector Secondary Angle")
FIELD_SHAPE = Attribute(0x00181147, "CS", "Field of View Shape", _FIELD_OF_VIEW)
FIELD_SIZE = Attribute(0x00181149, "IS", "Field of View Dimension(s)")
FIELD_SIZE_FLOAT = Attribute(0x00189461, "FL", "Field of View Dimension(s) in Float", _FIELD_OF_VIEW)

FRAME_TIME = Attribute(0x00181063, "DS", "Frame Time")
FRAME_TIME_VECTOR = Attribute(0x00181065, "DS", "Frame Time Vector")
CINE_RATE = Attribute(0x00180040, "IS", "Cine Rate")
ACQUIRED_AT = Attribute(0x00189074, "DT", "Frame Acquisition DateTime", _FRAME_CONTENT)
R_WAVES = Attribute(0x00286040, "US", "R Wave Pointer")
TRIGGER_DELAY = Attribute(0x00209153, "FD", "Nominal Cardiac Trigger Delay Time", _CARDIAC)

PER_FRAME = Attribute(0x52009230, "SQ", "Per-Frame Functional Groups Sequence")
SHARED = Attribute(0x52009229, "SQ", "Shared Functional Groups Sequence")
OFFSET_TABLE = Attribute(0x7FE00001, "OV", "Extended Offset Table")


class Aperture(NamedTuple):
    """The attributes of a shutter or a collimator."""

    what: str
    shape: Attribute
    left: Attribute
    right: Attribute
    upper: Attribute
    lower: Attribute
    center: Attribute
    radius: Attribute
    vertices: Attribute


def _aperture(what: str, base: int, group: int) -> Aperture:
    return Aperture(
        what,
        Attribute(base, "CS", f"{what} Shape", group),
        Attribute(base + 0x02, "IS", f"{what} Left Vertical Edge", group),
        Attribute(base + 0x04, "IS", f"{what} Right Vertical Edge", group),
        Attribute(base + 0x06, "IS", f"{what} Upper Horizontal Edge", group),
        Attribute(base + 0x08, "IS", f"{what} Lower Horizontal Edge", group),
        Attribute(base + 0x10, "IS", f"Center of Circular {what}", group),
        Attribute(base + 0x12, "IS", f"Radius of Circular {what}", group),
        Attribute(base + 0x20, "IS", f"Vertices of the Polygonal {what}", group),
    )


SHUTTER = _aperture("Shutter", 0x00181600, _SHUTTER)
COLLIMATOR = _aperture("Collimator", 0x00181700, _COLLIMATOR)


def _all() -> frozenset[int]:
    listed = [value for value in globals().values() if isinstance(value, Attribute)]
    listed += [part for aperture in (SHUTTER, COLLIMATOR) for part in aperture if isinstance(part, Attribute)]
    return frozenset(one.tag for one in listed) | frozenset(one.group for one in listed if one.group)


WANTED = _all()
"""Tags of all attributes above and of the sequences around them."""
