"""Where each parameter of the joint fit stands in its vector."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from qca.tube.limb import Limb
from qca.tube.wire import Wire


@dataclass(frozen=True, slots=True)
class Layout:
    """Slices of the parameter vector of length ``size``.

    ``ground`` is the background; ``r``, ``e``, ``g`` hold one slice per limb; ``log_k``, ``bend``, ``log_sigma`` are
    single positions; ``meeting`` is the shift (row, column) of the branching point, empty for a single limb;
    ``wire_area`` is the logarithm of each wire's area, ``wire_f`` holds one slice per strand. The background comes
    first, so that what belongs to the limbs is left when it is eliminated.
    """

    ground: slice
    r: tuple[slice, ...]
    e: tuple[slice, ...]
    g: tuple[slice, ...]
    log_k: int
    bend: int
    log_sigma: int
    meeting: slice
    wire_area: slice
    wire_f: tuple[slice, ...]
    size: int

    @classmethod
    def of(cls, limbs: Sequence[Limb], ground: int, wires: Sequence[Wire] = ()) -> Layout:
        """Layout for ``limbs``, ``ground`` background coefficients and the wires in the limbs."""
        at = 0

        def take(count: int) -> slice:
            nonlocal at
            at += count
            return slice(at - count, at)

        plane = take(ground)
        r, e, g = [], [], []
        for limb in limbs:
            r.append(take(limb.r_spline.count))
            e.append(take(limb.e_spline.count))
            g.append(take(limb.g_spline.count))
        log_k, bend, log_sigma = (take(1).start for _ in range(3))
        meeting = take(2 if len(limbs) > 1 else 0)
        wire_area = take(len(wires))
        wire_f = tuple(take(strand.spline.count) for wire in wires for strand in wire.strands)
        return cls(plane, tuple(r), tuple(e), tuple(g), log_k, bend, log_sigma, meeting, wire_area, wire_f, at)

    def without_ground(self) -> Layout:
        """Layout of what is left of the vector when its first part, the background, is cut off."""
        n = self.ground.stop

        def shifted(parts: tuple[slice, ...]) -> tuple[slice, ...]:
            return tuple(slice(part.start - n, part.stop - n) for part in parts)

        return replace(
            self,
            ground=slice(0, 0),
            r=shifted(self.r),
            e=shifted(self.e),
            g=shifted(self.g),
            log_k=self.log_k - n,
            bend=self.bend - n,
            log_sigma=self.log_sigma - n,
            meeting=shifted((self.meeting,))[0],
            wire_area=shifted((self.wire_area,))[0],
            wire_f=shifted(self.wire_f),
            size=self.size - n,
        )
