"""``measure(frame, picks, settings) -> Reading``: the one function that composes the stages."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from qca.errors import LimbTooShort, NoVessel
from qca.flags import FLAGS
from qca.frames.frame import Frame
from qca.grey_model import GreyModel, expected_grey, grey_model, vessels_alone
from qca.limb_numbers import limb_numbers, limb_starts
from qca.limb_reading import limb_reading
from qca.lumen.medina import medina_code
from qca.one_thread import one_thread
from qca.picked_points import picked_points
from qca.picks import LIMBS, LimbName, Picks
from qca.reading import Flag, FrameRecord, LimbReading, Reading
from qca.scaling import find_scale, see_catheter, square_valid, uses_catheter
from qca.settings import DEFAULT_SETTINGS, Settings
from qca.tree.angles import bifurcation_angles
from qca.tree.grow import grow
from qca.tree.led_path import leading_points
from qca.tree.ridge import ridge_margin, ridge_strength
from qca.tree.trace import Crop, crop_around, trace_tree
from qca.tube.joint import JointFit
from qca.tube.options import FitOptions

Array = npt.NDArray[np.float64]

_LOOK_PX = 4
"""How far around a pick its vessel is looked for to tell whether it is dark or bright."""


def measure(frame: Frame, picks: Picks, settings: Settings = DEFAULT_SETTINGS) -> Reading:
    """Measure one frame.

    Parameters
    ----------
    frame : Frame
        Stored grey values and header numbers.
    picks : Picks
        Three points (proximal, distal, side) or two (start, end), and the source of the scale.
    settings : Settings
        Thresholds and lengths.

    Returns
    -------
    Reading
        All numbers with uncertainties and flags. Same inputs give the same reading, bit for bit on one machine.

    Raises
    ------
    PicksError
        If points are missing, outside the frame or on one spot, or a size is absurd.
    NoVessel, LimbTooShort
        If there is no vessel between the points or too little of a limb.
    MissingScale
        If the header was named as scale and holds none.
    """
    with one_thread():
        return _measure(frame, picks, settings)


def _measure(frame: Frame, picks: Picks, settings: Settings) -> Reading:
    names, points = picked_points(frame, picks, settings.pick_radius_px)
    image = _square(frame)
    ends = np.array([[p[1] * frame.pixel_aspect, p[0]] for p in points])
    led = leading_points(picks.edits, names, frame.pixel_aspect)
    crop, dark = _working_crop(frame, image, np.vstack([ends, *led]), settings.trace_margin_px)
    paths = trace_tree(
        crop, ends - crop.origin, settings.pick_radius_px, through=[points - crop.origin for points in led]
    )
    _refuse_short(paths, names, settings.min_limb_length_px)
    turned = image if dark else -image
    with _solvable("catheter shaft"):
        catheter = see_catheter(frame, turned, picks, settings) if uses_catheter(picks) else None
    priors = expected_grey(frame, crop.image, None if catheter is None else catheter.shaft, dark=dark)
    with _solvable("vessel"):
        joint = grow(crop, paths, FitOptions(priors=priors))
    with _solvable("catheter shaft"):
        scaling = find_scale(frame, turned, picks, settings, vessels_alone(joint, priors), catheter)
    grey = grey_model(joint)
    scale = scaling.scale
    numbers = [
        limb_numbers(joint, i, name, start, crop, frame, settings, picks.edits)
        for i, (name, start) in enumerate(zip(names, limb_starts(joint), strict=True))
    ]
    flags = [_flag(code, "scale") for code in scaling.codes]
    flags += _frame_flags(frame)
    angles = None
    if len(names) == 3:
        chord_px = settings.angle_chord_px if scale is None else settings.angle_chord_mm / scale.mm_per_px
        angles, angle_codes = bifurcation_angles(joint, chord_px)
        flags += [_flag(code, "angles") for code in angle_codes]
    limbs: dict[str, LimbReading] = {
        name: limb_reading(n, name, numbers, names, scale, frame.pixel_aspect)
        for name, n in zip(names, numbers, strict=True)
    }
    for name, limb in limbs.items():
        flags += [_flag(code, name) for code in limb.flags]
    medina = None
    branching = carina = None
    if len(names) == 3:
        medina = medina_code(
            [limbs[n].ds_percent for n in LIMBS],
            [limbs[n].ds_sd_percent for n in LIMBS],
            settings.medina_threshold_percent,
        )
        if max(limbs["distal"].reference_px, limbs["side"].reference_px) > 1.05 * limbs["proximal"].reference_px:
            flags.append(_flag("limbs_unusual", "proximal"))
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
        fit=MappingProxyType(_fit_record(joint, grey, dark=dark)),
        catheter_left_px=left,
        catheter_right_px=right,
    )


def _flag(code: str, where: str) -> Flag:
    return Flag(code, where, FLAGS[code].short)


@contextmanager
def _solvable(what: str) -> Iterator[None]:
    """Say so when a fit has no solution, as on a flat picture or on one of a few grey values; NoVessel."""
    try:
        yield
    except np.linalg.LinAlgError as error:
        msg = (
            f"no {what} can be fitted between the points, as on a picture that is flat, has only a few grey values or "
            "lies mostly under a shutter: check the points, and use the original frame"
        )
        raise NoVessel(msg) from error


def _square(frame: Frame) -> Array:
    """Pixels resampled to square ones of the column pitch; unchanged when they are square."""
    if abs(frame.pixel_aspect - 1) < 1e-6:
        return frame.pixels
    from scipy.ndimage import map_coordinates

    rows = int(np.floor((frame.rows - 1) * frame.pixel_aspect)) + 1
    r, c = np.mgrid[0:rows, 0 : frame.columns].astype(float)
    return np.asarray(map_coordinates(frame.pixels, [r / frame.pixel_aspect, c], order=3, mode="nearest"))


def _working_crop(frame: Frame, image: Array, ends: Array, margin_px: float) -> tuple[Crop, bool]:
    """Cut out the picks' surroundings and turn vessels dark; second value False when grey values were turned."""
    valid = square_valid(frame, image)
    extent = float(np.ptp(ends, axis=0).max())
    crop = crop_around(image, valid, ends, max(margin_px, 0.25 * extent))
    dark = frame.dark_vessels
    if dark is None:
        dark = _looks_dark(crop, ends - crop.origin)
    return (crop if dark else Crop(-crop.image, crop.valid, crop.origin)), dark


def _refuse_short(paths: list[Array], names: tuple[LimbName, ...], least_px: float) -> None:
    """Refuse a limb whose path from the branching point to its pick is shorter than ``least_px``; LimbTooShort."""
    for path, name in zip(paths, names, strict=True):
        length = float(np.hypot(*np.diff(path, axis=0).T).sum())
        if length >= least_px:
            continue
        if name == "segment":
            msg = f"the segment is only {length:.0f} px long, {least_px:g} px are needed: pick its ends further apart"
        else:
            msg = (
                f"the {name} point lies only {length:.0f} px from where the three paths meet, {least_px:g} px are "
                "needed: move it further out, and check that the other points lie on their vessels"
            )
        raise LimbTooShort(msg, limb=name)


def _looks_dark(crop: Crop, picks: Array) -> bool:
    """Whether ridges near the picks are darker than their surroundings."""
    reach = _LOOK_PX + ridge_margin()
    score = []
    patches = []
    for r, c in np.round(picks).astype(int):
        top, left = max(r - reach, 0), max(c - reach, 0)
        patches.append((crop.image[top : r + reach + 1, left : c + reach + 1], r - top, c - left))
    for sign in (-1.0, 1.0):
        near = []
        for patch, r, c in patches:
            strength = ridge_strength(sign * patch) if patch.size else patch
            near.append(
                float(
                    strength[max(r - _LOOK_PX, 0) : r + _LOOK_PX + 1, max(c - _LOOK_PX, 0) : c + _LOOK_PX + 1].max(
                        initial=0.0
                    )
                )
            )
        score.append(float(np.median(near)))
    return score[0] >= score[1]


def _fit_record(joint: JointFit, grey: GreyModel, *, dark: bool) -> dict[str, object]:
    """Collect what the fit found out about the frame as a whole; lengths in px, grey values in stored levels."""
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
    }


def _frame_flags(frame: Frame) -> list[Flag]:
    flags = []
    if frame.lossy:
        flags.append(_flag("lossy", "frame"))
    if abs(frame.pixel_aspect - 1) > 1e-6:
        flags.append(_flag("oblique_pixels", "frame"))
    return flags


def _xy(point: Array, frame: Frame) -> tuple[float, float]:
    return float(point[1]), float(point[0] / frame.pixel_aspect)


def _points_xy(points: Array, frame: Frame) -> Array:
    out = np.column_stack([points[:, 1], points[:, 0] / frame.pixel_aspect])
    out.setflags(write=False)
    return out
