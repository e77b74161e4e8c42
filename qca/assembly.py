"""From what was fitted to the reading: the numbers of each limb, angles, classes, and what to doubt about them."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from qca.catheter import Catheter
from qca.flags import FLAGS
from qca.frames.frame import Frame
from qca.grey_model import GreyModel, grey_model
from qca.limb_numbers import beside_overlap, crossed_near, limb_numbers
from qca.limb_reading import limb_reading
from qca.limb_starts import limb_starts
from qca.medina import medina_code
from qca.picks import LIMBS, LimbName, Picks
from qca.reading import Flag, FrameRecord, LimbReading, Reading, WireLine
from qca.scaling import Scaling
from qca.settings import Settings
from qca.tree.angles import bifurcation_angles
from qca.tree.trace import Crop
from qca.tube.fitted import JointFit
from qca.tube.priors import PriorNumbers

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Fitted:
    """The limbs that were picked, fitted; ``turned`` is the whole image on square pixels with vessels dark."""

    names: tuple[LimbName, ...]
    crop: Crop
    dark: bool
    turned: Array
    catheter: Catheter | None
    priors: PriorNumbers
    joint: JointFit


def assemble(fitted: Fitted, scaling: Scaling, frame: Frame, picks: Picks, settings: Settings) -> Reading:
    """Make the reading of limbs that were fitted and a scale that was found.

    Parameters
    ----------
    fitted : Fitted
        The limbs.
    scaling : Scaling
        The scale and what is doubtful about it.
    frame : Frame
        What was measured.
    picks : Picks
        With hand edits.
    settings : Settings
        Thresholds and lengths.

    Returns
    -------
    Reading
        All numbers with uncertainties and flags.

    Raises
    ------
    NoVessel
        If nothing stands out from the noise along most of a limb, or at its pick.
    LimbTooShort
        If hardly anything of a limb lies beyond its mouth.
    PicksError
        If a hand edit does not fit its limb.
    """
    names, crop, joint = fitted.names, fitted.crop, fitted.joint
    grey = grey_model(joint)
    scale = scaling.scale
    starts = limb_starts(joint)
    numbers = [
        limb_numbers(joint, i, name, start, crop, frame, settings, picks.edits)
        for i, (name, start) in enumerate(zip(names, starts, strict=True))
    ]
    numbers = beside_overlap(numbers)
    flags = [flag(code, "scale") for code in scaling.codes]
    flags += _frame_flags(frame)
    angles = None
    if len(names) == 3:
        chord_px = settings.angle_chord_px if scale is None else settings.angle_chord_mm / scale.mm_per_px
        angles, angle_codes = bifurcation_angles(joint, chord_px, [start.mouth for start in starts])
        flags += [flag(code, "angles") for code in angle_codes]
    limbs: dict[str, LimbReading] = {
        name: limb_reading(n, name, numbers, names, scale, frame.pixel_aspect)
        for name, n in zip(names, numbers, strict=True)
    }
    for name, limb in limbs.items():
        flags += [flag(code, name) for code in limb.flags]
    if angles is not None and any("unseen" in limb.flags for limb in limbs.values()):
        flags.append(flag("join_unseen", "angles"))
    # an edge may be half of a vessel that a limb was led along, and a corner where it changes over to one
    if angles is not None and crossed_near(numbers, ("overlap", "edge_beside", "sharp_turn")):
        flags.append(flag("overlap_beside", "angles"))
    medina = None
    branching = carina = None
    if len(names) == 3:
        medina = medina_code(
            [limbs[n].ds_percent for n in LIMBS],
            [limbs[n].ds_sd_percent for n in LIMBS],
            settings.medina_threshold_percent,
        )
        if max(limbs["distal"].reference_px, limbs["side"].reference_px) > 1.05 * limbs["proximal"].reference_px:
            flags.append(flag("limbs_unusual", "proximal"))
        branching = _xy(joint.branching_point + crop.origin, frame)
        carina = _xy(numbers[0].carina + crop.origin, frame) if numbers[0].carina is not None else None
    left = right = None
    if scaling.shaft is not None:
        left, right = (_points_xy(w + scaling.origin, frame) for w in (scaling.shaft.left, scaling.shaft.right))
    return Reading(
        frame=FrameRecord(
            frame.file, frame.sha256, frame.index, frame.rows, frame.columns, frame.grey_rule, frame.detail
        ),
        picks=picks,
        settings=settings,
        scale=scale,
        limbs=MappingProxyType(limbs),
        angles=angles,
        medina=medina,
        branching_point_px=branching,
        carina_px=carina,
        flags=tuple(flags),
        fit=MappingProxyType(_fit_record(joint, grey, dark=fitted.dark)),
        catheter_left_px=left,
        catheter_right_px=right,
        wires=_wire_lines(joint, names, crop.origin, frame),
    )


def flag(code: str, where: str) -> Flag:
    """Make a flag of the table for a place."""
    return Flag(code, where, FLAGS[code].short, FLAGS[code].untrusted)


def _wire_lines(joint: JointFit, names: tuple[LimbName, ...], origin: Array, frame: Frame) -> tuple[WireLine, ...]:
    """Collect where the wires run, strand by strand, from the limb's start to its pick."""
    lines = []
    for strand in (strand for wire in joint.wires for strand in wire.strands):
        limb = joint.limbs[strand.limb]
        s = np.linspace(limb.lead, limb.end, max(round(limb.end - limb.lead), 2))
        lines.append(WireLine(names[strand.limb], _points_xy(strand.points(limb, s) + origin, frame)))
    return tuple(lines)


def _fit_record(joint: JointFit, grey: GreyModel, *, dark: bool) -> dict[str, object]:
    """Collect what the fit found out about the frame: lengths in px, levels as stored or straightened."""
    return {
        "vessels": "dark" if dark else "bright",
        "blur_sd_px": float(np.exp(grey.log_sigma)),
        "blur_uncertainty_px": float(np.exp(grey.log_sigma)) * grey.log_sigma_sd,
        "contrast_per_px": grey.contrast,
        "bending_per_px": grey.bend,
        "noise_sd": float(np.sqrt(np.median(joint.variance))),
        "chi2_per_pixel": float((joint.weight * joint.residual**2).mean()),
        "pixels": len(joint.level),
        "parameters": joint.layout.size,
        "wires": len(joint.wires),
    }


def _frame_flags(frame: Frame) -> list[Flag]:
    flags = []
    if frame.lossy:
        flags.append(flag("lossy", "frame"))
    if abs(frame.pixel_aspect - 1) > 1e-6:
        flags.append(flag("oblique_pixels", "frame"))
    return flags


def _xy(point: Array, frame: Frame) -> tuple[float, float]:
    return float(point[1]), float(point[0] / frame.pixel_aspect)


def _points_xy(points: Array, frame: Frame) -> Array:
    out = np.column_stack([points[:, 1], points[:, 0] / frame.pixel_aspect])
    out.setflags(write=False)
    return out
