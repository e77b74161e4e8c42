"""Where each parameter of the joint fit stands in its vector."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from qca.tube.limb import Limb


@dataclass(frozen=True, slots=True)
class Layout:
    """Slices of the parameter vector of length ``size``.

    ``ground`` is the background; ``r``, ``e``, ``g`` hold one slice per limb; ``log_k``, ``bend``, ``log_sigma`` are
    single positions; ``meeting`` is the shift (row, column) of the branching point, empty for a single limb. The
    background comes first, so that what belongs to the limbs is left when it is eliminated.
    """

    ground: slice
    r: tuple[slice, ...]
    e: tuple[slice, ...]
    g: tuple[slice, ...]
    log_k: int
    bend: int
    log_sigma: int
    meeting: slice
    size: int

    @classmethod
    def of(cls, limbs: Sequence[Limb], ground: int) -> Layout:
        """Layout for ``limbs`` and ``ground`` background coefficients."""
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
        return cls(plane, tuple(r), tuple(e), tuple(g), log_k, bend, log_sigma, meeting, at)

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
            meeting=slice(self.meeting.start - n, self.meeting.stop - n),
            size=self.size - n,
        )
