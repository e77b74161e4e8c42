"""``measure(frame, picks, settings) -> Reading``: the one function that composes the stages."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from qca.assembly import Fitted, assemble, flag
from qca.catheter import Catheter, see_catheter, uses_catheter
from qca.display_curve import noise_by_level, straightened
from qca.doubts import saturated
from qca.errors import LimbTooShort, NoVessel
from qca.exposed import exposed_part
from qca.frames.frame import Frame
from qca.grey_ends import cut_off, grey_ends
from qca.grey_model import GreyModel, expected_grey, vessels_alone
from qca.one_thread import one_thread
from qca.picked_points import all_exposed, picked_points
from qca.picks import LimbName, Picks
from qca.reading import Reading
from qca.scaling import Scaling, find_scale, rough_mm_per_px
from qca.settings import DEFAULT_SETTINGS, Settings
from qca.sharpened import smoothed_back, unsharp_mask
from qca.tree.grow import grow
from qca.tree.laying import NoMeeting
from qca.tree.led_path import leading_points
from qca.tree.trace import trace_tree
from qca.tree.wires import LEAST_AREA_MM2
from qca.tube.options import FitOptions
from qca.working_image import square_pixels, working_crop

Array = npt.NDArray[np.float64]


_SCALE_PICKS = ("catheter", "catheter_feature", "french", "catheter_mm", "mm_per_px", "mm_per_px_sd", "scale")
"""What of the picks decides about the scale."""


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
    return FrameAtHand(frame, settings).measure(picks)


class FrameAtHand:
    """A frame that is measured again and again while its points are moved.

    What does not depend on the moved point is kept: the catheter as it was first seen, and for a glance the scale.

    Parameters
    ----------
    frame : Frame
        Stored grey values and header numbers.
    settings : Settings
        Thresholds and lengths.
    """

    def __init__(self, frame: Frame, settings: Settings = DEFAULT_SETTINGS) -> None:
        self.frame, self.settings = frame, settings
        self._seen: tuple[object, Catheter] | None = None
        self._scaled: tuple[object, Scaling] | None = None
        self._before: FrameAtHand | None = None
        self._looked = False
        self._lit: FrameAtHand | None = None

    def measure(self, picks: Picks) -> Reading:
        """Measure with these picks: the same as :func:`measure`, bit for bit."""
        with one_thread():
            return self._in_the_beam(picks)._measure(picks, rough=False)  # noqa: SLF001 - the same class

    def glance(self, picks: Picks) -> Reading:
        """Measure in about half the time and not as well, to show something while a point is dragged.

        Knots are further apart, every other pixel is left out, and the SDs are those of this fit; the scale is the last
        one found where its picks are the same. The reading carries the flag ``provisional``.
        """
        with one_thread():
            return self._in_the_beam(picks)._measure(picks, rough=True)  # noqa: SLF001 - the same class

    def _in_the_beam(self, picks: Picks) -> FrameAtHand:
        """Give the frame without what lies in a shadow, unless somebody picked there: a person has seen a vessel."""
        if self._lit is None:
            lit = exposed_part(self.frame)
            self._lit = self if lit is self.frame else FrameAtHand(lit, self.settings)
        return self._lit if all_exposed(self._lit.frame, picks, self.settings.pick_radius_px) else self

    def _catheter(self, image: Array, picks: Picks, *, dark: bool) -> Catheter | None:
        if not uses_catheter(picks):
            return None
        key = (picks.catheter, picks.catheter_feature, dark)
        if self._seen is None or self._seen[0] != key:
            with _solvable("catheter shaft"):
                self._seen = key, see_catheter(self.frame, image, picks, self.settings, dark=dark)
        return self._seen[1]

    def _scale(
        self, image: Array, picks: Picks, grey: GreyModel, catheter: Catheter | None, *, dark: bool, rough: bool
    ) -> Scaling:
        key = (*(getattr(picks, name) for name in _SCALE_PICKS), dark)
        if not rough or self._scaled is None or self._scaled[0] != key:
            with _solvable("catheter shaft"):
                self._scaled = key, find_scale(self.frame, image, picks, self.settings, grey, catheter, dark=dark)
        return self._scaled[1]

    def _before_enhancement(self) -> FrameAtHand | None:
        """Give the frame as it was before an edge enhancement; None where there was none."""
        if not self._looked:
            mask = unsharp_mask(self.frame)
            self._before = None if mask is None else FrameAtHand(smoothed_back(self.frame, mask), self.settings)
            self._looked = True
        return self._before

    def _measure(self, picks: Picks, *, rough: bool) -> Reading:
        before = self._before_enhancement()
        if before is None:
            return self._straightened(picks, rough=rough)
        code = "sharpened"
        reading = self._straightened(picks, rough=rough) if cut_off(self.frame) else None
        if reading is not None and any(flag.code == "saturated" for flag in reading.flags):
            # what a cut took off a lumen or the catheter comes back as something else
            code = "sharpened_cut"
        else:
            reading = before._straightened(picks, rough=rough)  # noqa: SLF001 - the same class
        return replace(reading, flags=(*reading.flags, flag(code, "frame")))

    def _straightened(self, picks: Picks, *, rough: bool) -> Reading:
        seen = self._see(picks, rough=rough)
        if not rough:
            noise = noise_by_level(seen.joint)
            # a cut grey scale has less noise at its end, too, but what was cut off cannot be straightened
            cut = any(saturated(seen.joint.at_end[near.pixel]) for near in seen.joint.near)
            if noise.display_curve and not cut:
                straight = FrameAtHand(straightened(self.frame, noise, dark=seen.dark), self.settings)
                reading = straight._read(picks, straight._see(picks, rough=False), rough=False)
                return replace(reading, flags=(*reading.flags, flag("display_curve", "frame")))
        return self._read(picks, seen, rough=rough)

    def _see(self, picks: Picks, *, rough: bool) -> Fitted:
        """Trace and fit the limbs."""
        frame, settings = self.frame, self.settings
        names, points = picked_points(frame, picks, settings.pick_radius_px)
        image = square_pixels(frame)
        ends = np.array([[p[1] * frame.pixel_aspect, p[0]] for p in points])
        led = leading_points(picks.edits, names, frame.pixel_aspect)
        shaft = None
        if uses_catheter(picks) and picks.catheter is not None:
            shaft = np.array([[y * frame.pixel_aspect, x] for x, y in picks.catheter])
        crop, dark = working_crop(frame, image, np.vstack([ends, *led]), settings.trace_margin_px, shaft)
        paths = trace_tree(
            crop, ends - crop.origin, settings.pick_radius_px, through=[points - crop.origin for points in led]
        )
        _refuse_short(paths, names, settings.min_limb_length_px)
        turned = image if dark else -image
        catheter = self._catheter(turned, picks, dark=dark)
        priors = expected_grey(frame, crop.image, None if catheter is None else catheter.shaft, dark=dark)
        options = FitOptions(priors=priors, ends=grey_ends(frame, dark=dark))
        # what tells a wire from a lumen that is not round, or a vessel that shines, is how dark its size makes it
        mm_per_px = rough_mm_per_px(frame, picks, catheter)
        if mm_per_px is not None:
            options = replace(options, wires=True, least_wire=LEAST_AREA_MM2 / mm_per_px**2)
        with _solvable("vessel"):
            joint = grow(crop, paths, options, rough=rough)
        return Fitted(names, crop, dark, turned, catheter, priors, joint)

    def _read(self, picks: Picks, seen: Fitted, *, rough: bool) -> Reading:
        """Find the scale and the numbers of each limb."""
        alone = vessels_alone(seen.joint, seen.priors)
        scaling = self._scale(seen.turned, picks, alone, seen.catheter, dark=seen.dark, rough=rough)
        reading = assemble(seen, scaling, self.frame, picks, self.settings)
        return replace(reading, flags=(*reading.flags, flag("provisional", "frame"))) if rough else reading


@contextmanager
def _solvable(what: str) -> Iterator[None]:
    """Say so when a fit has no solution, as on a flat picture or on one of a few grey values; NoVessel."""
    try:
        yield
    except NoMeeting as error:
        msg = (
            "the limbs were found to meet nowhere, as where a tight lesion hides where one of them comes from: check "
            "that each point lies on its own vessel, or lead the path of the limb that is hardly seen by hand"
        )
        raise NoVessel(msg) from error
    except np.linalg.LinAlgError as error:
        msg = (
            f"no {what} can be fitted between the points, as on a picture that is flat, has only a few grey values or "
            "lies mostly under a shutter: check the points, and use the original frame"
        )
        raise NoVessel(msg) from error


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
