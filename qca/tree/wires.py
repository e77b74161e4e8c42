"""Whether guide wires lie in the lumen, and which way they go.

A wire that is not modelled is taken for contrast, blur and a bent grey scale, and once these have given way little is
left over to tell it by. So where the residuals speak for a wire, or blur and bending have gone where they do not
belong, the limbs are fitted anew with a wire on each way and on both, with blur, bending and contrast as they had been
expected to start from, and the pixels choose.

Contrast that streams, oval lumens, bent grey scales and sharpened edges leave lines over, too. A wire is told from them
by what is known of it: 0.36 mm of metal cannot be fainter than that, it is no broader than the blur makes it, and it
goes through both limbs.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from qca.tube.fitted import JointFit
from qca.tube.priors import PriorNumbers, belief_lost
from qca.tube.shared import Shared
from qca.tube.wire import Wire
from qca.tube.wire_sight import SeenWires

Array = npt.NDArray[np.float64]

_SURE_Z = 4.2
"""SDs from which on a trial is worth its time. Without a wire phantoms stay under 3.6, with oval lumens under 4.8."""
_STRAINED_BLUR = 2.5
"""SDs by which the blur lies over what the catheter told of it."""
_BENDINGS = (-0.012, 0.065)
"""Bending, 1/px, that contrast brings about: up to 0.25 per mm on pixels up to 0.26 mm, and a little the other way for
a grey scale's sake."""
_HELD = 0.2
"""Part of their SDs that blur and bending keep."""
_FIRST_AREA = 8.0
"""Area of a wire's profile over the square of the blur, where a fit starts that has seen none."""
_LARGEST = 6.0
"""Largest area of a start, over the one without a sight."""
_CHOSEN, _USUAL_AREA = 20.0, 2.4
"""Gain in log posterior that a wire must bring on every other pixel, and the area, over the square of the blur, under
which it must bring more, with the fourth power: blur by motion and bent grey scales look like faint wires. In frames
without a wire lines as dark as one brought up to 19, two of them 32. Of 170 frames with wires three lose theirs to
this, and six one of two; half of it would call three of 240 frames without one wired."""
LEAST_AREA_MM2 = 0.15
"""Least area of a wire's profile: 0.36 mm of nitinol in contrast of 370 mg iodine per ml, undiluted, has 0.15 at 50 keV
and 0.17 at 80 keV, steel 0.20 to 0.24 (Elam, Ravel and Sieber's tables; a test works it out)."""
_BROAD = 2.2
"""Times the breadth of a wire, a line that is none: half a vessel's width."""
_LIKELIER = 2.0
"""Gain in log posterior by which a broader line is likelier; odds of 7 to 1."""
_PARTED = 4.0
"""Gain in log posterior of an area of its own in each limb, from which on they differ; 2.8 SDs."""
_ODD = 18.0
"""Gain in log posterior that a line which is no wire brings in a limb, from which on the limb is not what it is taken
for; 6 SDs."""
_FAR = 3.0
"""SDs from which on a residual counts linearly, as in the fit."""
_APART = 0.2
"""Two wires start this far apart in the limb that they share."""


class Found(NamedTuple):
    """What the trials found.

    ``fit`` is the likeliest with wires, None where there are none; ``odd`` are the limbs with a line that is no wire.
    """

    fit: JointFit | None
    odd: tuple[int, ...] = ()


def strained(fit: JointFit, numbers: PriorNumbers) -> bool:
    """Whether blur or bending are where they do not belong."""
    blur = (fit.log_sigma - numbers.log_sigma) / numbers.log_sigma_sd
    return blur > _STRAINED_BLUR or not _BENDINGS[0] < float(fit.theta[fit.layout.bend]) < _BENDINGS[1]


def as_expected(shared: Shared, numbers: PriorNumbers) -> Shared:
    """Give the same with blur, bending and contrast as they had been expected."""
    log_k = numbers.log_k if np.isfinite(numbers.log_k_sd) else None
    return replace(shared, bend=numbers.bend, log_sigma=numbers.log_sigma, log_k=log_k)


def held(numbers: PriorNumbers) -> PriorNumbers:
    """Priors that hold blur and bending where they had been expected."""
    return replace(numbers, bend_sd=_HELD * numbers.bend_sd, log_sigma_sd=_HELD * numbers.log_sigma_sd)


def wire_likely(fit: JointFit, seen: SeenWires, numbers: PriorNumbers) -> bool:
    """Whether it is worth while to fit with wires, where they were ``seen`` after a fit without."""
    return seen.z > _SURE_Z or strained(fit, numbers)


def threaded(
    seen: SeenWires,
    shared: Shared,
    numbers: PriorNumbers,
    least_area: float,
    refit: Callable[[Shared, Sequence[Wire]], JointFit],
) -> Found:
    """Fit with a wire on each way, and with one on both.

    Parameters
    ----------
    seen : SeenWires
        Where they are likeliest.
    shared : Shared
        To start a fit without wires from.
    numbers : PriorNumbers
        What had been expected of the shared parameters.
    least_area : float
        Of a wire's profile, px^2.
    refit : callable
        Fits the same limbs to the same pixels, from shared parameters and wires on.

    Returns
    -------
    Found
        The likeliest whose lines are wires.
    """
    plain = refit(shared, ())
    expected = as_expected(shared, numbers)
    least = _FIRST_AREA * float(np.exp(2 * numbers.log_sigma))
    # from there without a wire too, or one is credited with a better start
    tries: list[tuple[Wire, ...]] = [(), *((wire,) for wire in seen.ways)]
    if seen.both:
        tries.append(_apart(seen.both))
    without, without_cost = plain, _cost(plain, plain, numbers)
    found: list[tuple[float, JointFit]] = []
    for wires in tries:
        try:
            trial = refit(
                expected, [replace(wire, area=float(np.clip(wire.area, least, _LARGEST * least))) for wire in wires]
            )
        except np.linalg.LinAlgError:
            continue
        its = _cost(trial, plain, numbers)
        if wires:
            found.append((its + _needed(trial), trial))
        elif its < without_cost:
            without, without_cost = trial, its

    def cost(shared: Shared, wires: Sequence[Wire]) -> tuple[float, JointFit | None]:
        try:
            again = refit(shared, wires)
        except np.linalg.LinAlgError:
            return np.inf, None
        return _cost(again, plain, numbers), again

    likely = [trial for its, trial in sorted(found, key=lambda one: one[0]) if its < without_cost]
    wired = next((trial for trial in likely if _are_wires(trial, least_area, cost)), None)
    if not likely or wired is likely[0]:
        return Found(wired)
    # what the likeliest lines explain and wires do not
    rest = without if wired is None else wired
    gains = [_gain(likely[0], rest, plain, i) for i in range(len(rest.limbs))]
    return Found(wired, tuple(i for i, gain in enumerate(gains) if gain > _ODD))


def _are_wires(
    trial: JointFit, least_area: float, cost: Callable[[Shared, Sequence[Wire]], tuple[float, JointFit | None]]
) -> bool:
    """Whether the lines of a trial are dark, thin and long enough for wires; ``cost`` fits from there on."""
    if min(wire.area for wire in trial.wires) < least_area:
        return False
    # all three go on for as many steps
    its, _ = cost(trial.shared, trial.wires)
    broader, _ = cost(trial.shared, [replace(wire, broad=_BROAD) for wire in trial.wires])
    if broader < its - _LIKELIER:
        return False
    parted = [Wire(wire.area, (strand,)) for wire in trial.wires for strand in wire.strands]
    own, each = cost(trial.shared, parted)
    return each is None or own > its - _PARTED or min(wire.area for wire in each.wires) >= least_area


def _needed(trial: JointFit) -> float:
    """Gain in log posterior that its wires must bring."""
    areas = [wire.area / float(np.exp(2 * trial.log_sigma)) for wire in trial.wires]
    return _CHOSEN * sum(max(1.0, (_USUAL_AREA / max(area, 1e-3)) ** 4) for area in areas)


def _apart(wires: tuple[Wire, ...]) -> tuple[Wire, ...]:
    """Two wires, not on one line in the limb that they share: the fit could never part them."""
    one, two = wires
    if not np.array_equal(one.strands[0].f, two.strands[0].f):
        return wires
    return _moved(one, -_APART), _moved(two, _APART)


def _moved(wire: Wire, by: float) -> Wire:
    first, *rest = wire.strands
    return replace(wire, strands=(replace(first, f=np.clip(first.f + by, -1.0, 1.0)), *rest))


def _cost(fit: JointFit, other: JointFit, numbers: PriorNumbers) -> float:
    """Minus the log posterior of a fit, but for what smoothness costs.

    Parameters
    ----------
    fit, other : JointFit
        Two fits of the same pixels; the noise is that of the ``other``, so that both can be compared.
    numbers : PriorNumbers
        What had been expected of the shared parameters.
    """
    loss = float(_losses(fit, other).sum())
    at = fit.layout
    away = [
        (fit.theta[at.bend] - numbers.bend) / numbers.bend_sd,
        (fit.log_sigma - numbers.log_sigma) / numbers.log_sigma_sd,
        (fit.theta[at.log_k] - numbers.log_k) / numbers.log_k_sd,
        *(float(fit.theta[part].mean()) / numbers.gain_level_sd for part in at.g),
    ]
    return loss + sum(belief_lost(float(one)) for one in away)


def _losses(fit: JointFit, other: JointFit) -> Array:
    """Minus the log likelihood pixel by pixel (P,), in the order of the places; the noise is that of the ``other``."""
    order, theirs = np.lexsort(fit.pixels.T), np.lexsort(other.pixels.T)
    z = np.abs((fit.level - fit.model)[order] / np.sqrt(other.variance[theirs]))
    return np.asarray(np.where(z < _FAR, 0.5 * z * z, _FAR * (z - 0.5 * _FAR)))


def _gain(line: JointFit, without: JointFit, other: JointFit, i: int) -> float:
    """Gain in log likelihood that a ``line`` brings in the lumen of limb ``i``; the noise is that of the ``other``."""
    limb, near = line.limbs[i], line.near[i]
    inside = np.abs(near.x - limb.offset(near.s)) < limb.radius(near.s) + float(np.exp(line.log_sigma))
    lumen = np.zeros(len(line.level), dtype=bool)
    lumen[near.pixel[inside]] = True
    gain = _losses(without, other) - _losses(line, other)
    return float(gain[lumen[np.lexsort(line.pixels.T)]].sum())
