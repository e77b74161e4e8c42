"""The picture of the contours on the frame, as one PNG file."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qca import CAUTION
from qca.report.frame_scene import frame_scene
from qca.report.plain import plain
from qca.report.provenance import check_same_frame
from qca.report.quantities import in_millimetres
from qca.report.raster import scene_png
from qca.report.remarks import remarks

if TYPE_CHECKING:
    from qca.frames.frame import Frame
    from qca.reading import Reading

_LIMB_SYMBOLS = (
    "Bar across the lumen: minimal lumen diameter; the two short ticks at its ends: reference diameter (RVD) at the "
    "same place. Ticks outside the walls: limits of the lesion."
)
_BRANCHING_SYMBOLS = " Open circle: branching point; open diamond: carina."
_WIRE_SYMBOL = " Dots inside the walls: a wire that was found and taken out."
_DISPLAY = " Grey levels are stretched for display only."


def overlay_png(reading: Reading, frame: Frame) -> bytes:
    """Draw the measured vessel with its contours.

    Parameters
    ----------
    reading : Reading
        The reading.
    frame : Frame
        The frame that it was measured on.

    Returns
    -------
    bytes
        A PNG; the part of the frame around the limbs, enlarged, with the key and the caution under it.

    Raises
    ------
    ValueError
        If ``frame`` is not the reading's frame.
    """
    check_same_frame(reading, frame)
    found = remarks(reading)
    symbols = _LIMB_SYMBOLS + (_BRANCHING_SYMBOLS if reading.branching_point_px is not None else "")
    symbols += (_WIRE_SYMBOL if reading.wires else "") + _DISPLAY
    lengths = "" if in_millimetres(reading) else "No scale: lengths are in stored pixels, not in millimetres. "
    title = f"{plain(reading.frame.file)}, frame {reading.frame.index}."
    return scene_png(frame_scene(reading, frame, found), (title, lengths + symbols, CAUTION))
