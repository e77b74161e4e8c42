"""Reasons to doubt a limb's numbers, found in the fit itself.

Thresholds are in units of noise and of the lumen's depth; own choice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from qca.errors import NoVessel
from qca.frames.frame import Frame
from qca.picks import LimbName
from qca.tree.quality import UNSEEN, WINDOW_PX, LimbQuality, limb_quality
from qca.tube.fitted import JointFit

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

_MISFIT_Z = 6.0
"""Excess of squared residuals inside the lumen, in SDs; pure noise stays under 4 over a limb's windows."""
_EXCESS_PART = 0.03
"""And it is this part of the lumen's depth (root mean square): where there is hardly any noise, everything is an
excess."""
_SHIFT_Z, _SHIFT_PART = 5.0, 0.08
"""A smooth residual inside the lumen: this many SDs and this part of the depth together."""
_BESIDE_Z, _BESIDE_SHIFT_Z = 7.0, 5.5
"""The same beside the lumen: squared residuals and mean residual of one side."""
_NARROW_SHIFT_Z = 4.2
"""The latter on the proximal limb of a narrow fork: what lies beside it may be a daughter that leaves earlier than was
traced, most of which the background takes for its own. 135 drawn forks stay under 3.6."""
_GROUND_STEP, _GROUND_TILT, _GROUND_Z = 0.15, 0.18, 2.0
"""The background leaving its course by this part of the lumen's depth within some mm, and by its SDs: ribs and spine
stay under 0.13, a thin limb's noise does not."""
_GROUND_SIDE = 0.45
"""The background's difference from one side of a limb to the other, over two windows and as a part of the lumen's
depth, from which on an edge beside it may have drawn a wall, and its neighbours' with it. In another renderer's frames
(qca/documents/limits.md) only limbs along such edges and strong ribs reach it, and a third of those were wrong without
any other sign; ribs and spine drawn here stay under 0.44."""
_SPREADS = 1.4
"""What is this many times what makes an overlap may have led the limb's neighbours astray, too. Of 2,094 clean limbs of
ours 22 lay beside a weaker sign and none was wrong; of the frames with crossing vessels or edges where a neighbour was,
none had a weaker one; own choice."""
_GAIN = 0.09
"""Contrast of a limb differing this much (logarithm) from the others': 9 %."""
_LOW_CONTRAST, _NO_CONTRAST = 3.5, 1.4
"""Signal to noise ratio of a lumen per px of its length."""
_NO_PICK, _PICK_WINDOWS = 1.6, 3
"""The least at a limb's pick, and the fewest windows there, otherwise the limb's last quarter: 1,600 limbs of drawn
frames have 1.75 and more, background 1."""
_SATURATED_PART = 0.01
"""Part of the pixels of a limb or shaft at an end of the grey scale."""


@dataclass(frozen=True, slots=True)
class Doubts:
    """Flag codes of a limb, and the stretches (from, to, code) in px of arc length along it that they concern.

    ``spreads`` are the middles, px, of those windows where something crosses so strongly that the limb's neighbours may
    be wrong, too.
    """

    codes: tuple[str, ...]
    stretches: tuple[tuple[float, float, str], ...]
    spreads: tuple[float, ...] = ()


def limb_doubts(fit: JointFit, i: int, name: LimbName, frame: Frame, first: float, beside_until: float) -> Doubts:
    """Look along a limb for overlap, edges, misfit, uneven filling, wires, noise, unseen lumens, saturation, shutters.

    Parameters
    ----------
    fit : JointFit
        The final fit.
    i : int
        Which of its limbs.
    name : str
        Its name, for messages.
    frame : Frame
        For its grey range and valid region.
    first : float
        Arc length, px, from which on it is measured: the background of a confluence is hardly known.
    beside_until : float
        Arc length, px, up to which another limb may run beside it, so that less is let pass.

    Returns
    -------
    Doubts
        Codes without repeats.

    Raises
    ------
    NoVessel
        If nothing stands out from the noise along most of the limb, or at its pick.
    """
    quality = limb_quality(fit, i)
    stretches: list[tuple[float, float, str]] = []
    half = WINDOW_PX / 2
    limb = fit.limbs[i]
    measured = quality.position <= limb.end + half
    signs = _Signs.of(quality, first, beside_until)
    for code, bad in _windows(quality, signs):
        stretches += [(s - half, s + half, code) for s in quality.position[bad & measured]]
    codes = list(dict.fromkeys(code for _, _, code in stretches))
    strength = float(np.nanmedian(quality.strength[measured]))
    if not strength >= _NO_CONTRAST:
        msg = (
            f"no vessel found along the {name} limb (signal to noise {strength:.1f} per px): "
            "pick on the vessel's lumen, or use a frame with better filling"
        )
        raise NoVessel(msg, limb=name)
    shown = quality.strength[measured & (quality.inside_count > 0)]
    at_pick = float(np.median(shown[-max(len(shown) // 4, _PICK_WINDOWS) :]))
    if at_pick < _NO_PICK:
        msg = (
            f"no vessel found at the {name} point (signal to noise {at_pick:.1f} per px of the path that leads there): "
            "pick on the vessel's lumen, or use a frame with better filling"
        )
        raise NoVessel(msg, limb=name)
    if strength < _LOW_CONTRAST:
        codes.append("low_contrast")
    if abs(quality.gain) > _GAIN and abs(quality.gain) > 3 * quality.gain_sd and len(fit.limbs) > 1:
        codes.append("uneven_filling")
    if any(strand.limb == i for wire in fit.wires for strand in wire.strands):
        codes.append("wire_inside")
    if i in fit.odd and "misfit" not in codes:
        codes.append("misfit")
    if saturated(fit.at_end[fit.near[i].pixel]):
        codes.append("saturated")
    if _shaded(fit, i, frame):
        codes.append("outside_valid")
    spreads = quality.position[signs.overlap(_SPREADS) & measured]
    return Doubts(tuple(codes), tuple(stretches), tuple(spreads.tolist()))


def saturated(at_end: Mask) -> bool:
    """Whether more than some chance pixels (N,) lie at an end of the grey scale."""
    return bool(at_end.size) and float(at_end.mean()) > _SATURATED_PART


@dataclass(frozen=True, slots=True)
class _Signs:
    """How strongly each window (W,) tells of something beside the lumen, in units of what it takes to be an overlap."""

    strength: Array
    inside: Array

    @classmethod
    def of(cls, q: LimbQuality, first: float, beside_until: float) -> _Signs:
        suspect, beyond = q.position < beside_until, q.position >= first

        def excess(square: Array, count: Array) -> Array:
            counts = (count > 10) & ((square - 1) * q.noise_part**2 > _EXCESS_PART**2)
            return np.where(counts, (square - 1) * np.sqrt(np.maximum(count, 1) / 2), 0.0)

        shift = q.beside_shift / np.where(suspect, _NARROW_SHIFT_Z, _BESIDE_SHIFT_Z)
        step, known = np.abs(q.ground_step), _GROUND_Z * q.ground_sd
        step = np.where(step > known, step, 0.0) / _GROUND_STEP
        side = np.where(beyond & (np.abs(q.ground_side) > 2 * known), np.abs(q.ground_side), 0.0) / _GROUND_SIDE
        # over two windows: the lesser of a window and its higher neighbour
        side = np.minimum(side, np.maximum(np.append(side[1:], 0.0), np.append(0.0, side[:-1])))
        beside = excess(q.beside, q.beside_count) / _BESIDE_Z
        strength = np.fmax.reduce([beside, shift, step, side])
        return cls(strength, excess(q.inside, q.inside_count))

    def overlap(self, times: float = 1.0) -> Mask:
        """Whether it is one, or ``times`` one, in each window."""
        return np.asarray(self.strength > times)


def _windows(q: LimbQuality, signs: _Signs) -> tuple[tuple[str, Mask], ...]:
    """Codes of doubts that have a place, each with the windows (W,) where it holds."""
    shift = np.abs(q.shift)
    # smooth residuals matter by their size, too
    misfit = (signs.inside > _MISFIT_Z) | ((shift > _SHIFT_Z * q.shift_sd) & (shift > _SHIFT_PART))
    overlap = signs.overlap()
    tilt = np.abs(q.ground_tilt)
    edge = (tilt > _GROUND_TILT) & (tilt > _GROUND_Z * q.ground_sd)
    # where limbs join no pixel is looked at, which is not to say that nothing is seen
    unseen = (q.strength < UNSEEN) & (q.inside_count > 0)
    return (
        ("overlap", overlap),
        ("edge_beside", edge & ~overlap),
        ("misfit", misfit & ~overlap),
        ("unseen", unseen),
    )


def _shaded(fit: JointFit, i: int, frame: Frame) -> bool:
    """Whether a limb's lumen touches pixels that are not valid.

    Frame and fit share the column axis, rows may be stretched.
    """
    if frame.valid.all():
        return False
    near = fit.near[i]
    expected = 2.0 * float(fit.limbs[i].radius(fit.limbs[i].curve.position).mean()) * fit.limbs[i].curve.length
    limb = fit.limbs[i]
    x = np.abs(near.x - limb.offset(near.s))
    seen = int((x < limb.radius(near.s)).sum())
    return seen < 0.9 * expected and math.isfinite(expected)
