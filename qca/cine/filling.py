"""How well each frame of a run is filled with contrast, how much moves in it, and which frame to look at first.

These numbers help a person to choose a frame. They never enter a measurement.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

Vector = npt.NDArray[np.float64]
Image = npt.NDArray[np.float32]

MINIATURE_PX = 192
"""Longest side of the miniatures that runs are judged on, px; own choice: vessels of 2 mm are still 2 px wide."""

WIDEST_VESSEL = 1 / 16
"""Structures wider than this part of the frame count as background; own choice: 6 mm in a field of 10 cm."""

WELL_FILLED = 0.85
"""Frames with at least this part of the best filling come into question; own choice."""


REST_FRAMES = 2
"""Frames to either side over which rest is judged; own choice: about a tenth of a second at 15 frames per second."""


@dataclass(frozen=True, slots=True)
class RunMarks:
    """What is known about the T frames of a run.

    ``filling`` (T,) from 0 (least) to 1 (best filled of this run), ``motion`` (T,) from 0 (rest) to 1 (most motion of
    this run). ``suggested`` is a frame number or None, ``reason`` says in words why.
    """

    filling: Vector
    motion: Vector
    suggested: int | None
    reason: str


def miniature(pixels: npt.NDArray[np.generic]) -> Image:
    """Shrink a frame by averaging, so that a run fits into memory.

    Parameters
    ----------
    pixels : ndarray, shape (rows, columns)
        Stored values.

    Returns
    -------
    ndarray, float32
        Longest side at most ``MINIATURE_PX``.
    """
    from cv2 import INTER_AREA, resize

    image = np.asarray(pixels, dtype=np.float32)
    factor = MINIATURE_PX / max(image.shape)
    if factor >= 1:
        return image
    size = (max(round(image.shape[1] * factor), 1), max(round(image.shape[0] * factor), 1))
    return np.asarray(resize(image, size, interpolation=INTER_AREA), dtype=np.float32)


def thin_structures(small: Image) -> tuple[Image, Image]:
    """Dark and bright structures narrower than ``WIDEST_VESSEL``: what a closing or an opening would remove."""
    from cv2 import MORPH_CLOSE, MORPH_ELLIPSE, MORPH_OPEN, getStructuringElement, morphologyEx

    size = max(3, round(max(small.shape) * WIDEST_VESSEL) | 1)
    element = getStructuringElement(MORPH_ELLIPSE, (size, size))
    dark = morphologyEx(small, MORPH_CLOSE, element) - small
    bright = small - morphologyEx(small, MORPH_OPEN, element)
    return np.asarray(dark, dtype=np.float32), np.asarray(bright, dtype=np.float32)


def run_marks(miniatures: Sequence[Image], r_wave_frames: Sequence[int] = ()) -> RunMarks:
    """Judge the frames of a run.

    Filling is the mean depth of thin structures, of that polarity which changes more over the run. Motion is the part
    of these structures that is elsewhere in the next and the previous frame. Where the contraction turns there is a
    moment of rest too, but a short one: a longer rest is preferred.

    Parameters
    ----------
    miniatures : sequence of ndarray
        One per frame, all of one shape.
    r_wave_frames : sequence of int
        Zero-based frames at an R wave of the ECG, which marks the end of diastole; empty when not known.

    Returns
    -------
    RunMarks
        ``suggested`` is None for fewer than three frames or where nothing changes.
    """
    count = len(miniatures)
    if count < 3:
        return RunMarks(np.ones(count), np.zeros(count), None, "too few frames to compare")
    both = [thin_structures(image) for image in miniatures]
    depths = np.array([[float(part.mean()) for part in pair] for pair in both])
    polarity = int(np.ptp(depths[:, 1]) > np.ptp(depths[:, 0]))
    depth = depths[:, polarity]
    if np.ptp(depth) < 1e-6 * max(float(depth.max()), 1e-12):
        return RunMarks(np.ones(count), np.zeros(count), None, "all frames look the same")
    filling = (depth - depth.min()) / np.ptp(depth)
    structures = [pair[polarity] for pair in both]
    change = np.array([_change(a, b) for a, b in pairwise(structures)])
    motion = (np.append(change, change[-1]) + np.insert(change, 0, change[0])) / 2
    motion = (motion - motion.min()) / max(float(np.ptp(motion)), 1e-12)
    suggested, reason = _suggestion(filling, motion, [k for k in r_wave_frames if 0 <= k < count])
    return RunMarks(filling, motion, suggested, reason)


def _change(a: Image, b: Image) -> float:
    return float(np.abs(a - b).mean() / max(float((a + b).mean()), 1e-12))


def _suggestion(filling: Vector, motion: Vector, r_waves: list[int]) -> tuple[int, str]:
    """Pick the frame at an R wave that is well filled; without an ECG the well-filled one with the least motion."""
    filled = np.flatnonzero(filling >= WELL_FILLED)
    around = np.array([motion[max(k - REST_FRAMES, 0) : k + REST_FRAMES + 1].mean() for k in range(len(motion))])
    at_r = [k for k in r_waves if filling[k] >= WELL_FILLED]
    if at_r:
        best = min(at_r, key=lambda k: float(around[k]))
        return best, "well filled, at an R peak: end of diastole"
    best = int(filled[np.argmin(around[filled])])
    if r_waves:
        return best, "well filled, little motion; no well-filled frame at an R peak"
    return best, "well filled, little motion; the file has no ECG to tell the phase"
