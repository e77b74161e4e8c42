"""What one process is told to measure: a seed to draw from, or files to read."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING

from qca.validation.case import Case, Target, phantom_case

if TYPE_CHECKING:
    from qca.phantom.hard import Difficulty

PLAIN: str = ""
"""The difficulty of a phantom of the plain population."""


@dataclass(frozen=True, slots=True)
class DrawnJob:
    """A phantom bifurcation or segment to draw; ``difficulty`` is empty for the plain population.

    ``photons_per_px`` replaces the drawn number of quanta and changes nothing else.
    """

    seed: int
    difficulty: Difficulty | str = PLAIN
    segment: bool = False
    photons_per_px: float | None = None

    @property
    def name(self) -> str:
        """Name of the case."""
        kind = "segment" if self.segment else "bifurcation"
        level = "" if self.photons_per_px is None else f"-{self.photons_per_px:g}-photons"
        return f"{self.difficulty or kind}-{self.seed}{level}"

    def case(self) -> Case:
        """Draw and render it."""
        from qca.phantom import hard_bifurcation, random_bifurcation, random_segment

        if self.segment:
            recipe = random_segment(self.seed)
        elif self.difficulty:
            recipe = hard_bifurcation(self.seed, self.difficulty)  # type: ignore[arg-type]  # it refuses others itself
        else:
            recipe = random_bifurcation(self.seed)
        if self.photons_per_px is not None:
            recipe = replace(recipe, photons_per_px=self.photons_per_px)
        return phantom_case(recipe, self.name, self.difficulty)


@dataclass(frozen=True, slots=True)
class FileJob:
    """A frame file with its picks and its truth; ``truth_file`` names the truth.json of a phantom with its recipe."""

    name: str
    file: Path
    picks: Path
    target: Target
    frame: int | None = None
    truth_file: Path | None = None
    traits: tuple[tuple[str, float], ...] = ()

    def case(self) -> Case:
        """Read it."""
        from qca.frames import open_frame
        from qca.picks_file import read_picks

        picks = read_picks(self.picks)
        index = self.frame if self.frame is not None else picks.frame
        frame = open_frame(self.file, index=index)
        if self.truth_file is None:
            return Case(self.name, frame, picks, self.target, PLAIN, MappingProxyType(dict(self.traits)))
        from qca.validation.case import recipe_traits
        from qca.validation.truth_file import read_recipe

        recipe = read_recipe(self.truth_file)
        return Case(self.name, frame, picks, self.target, PLAIN, recipe_traits(recipe), recipe)


Job = DrawnJob | FileJob


LEVELS = (300.0, 900.0, 2500.0)
"""Quanta per pixel at which the same frames are drawn for the breakdown by noise."""


def drawn_jobs(count: int, seed: int, *, hard: int = 0, levels: int = 0, segments: int = 0) -> list[Job]:
    """List phantoms to draw.

    ``count`` plain bifurcations, ``segments`` single vessels, ``levels`` bifurcations at each of `LEVELS`, ``hard`` of
    each difficulty.

    Seeds count up from ``seed`` in each group, so that a longer list begins with the shorter one.
    """
    from qca.phantom import DIFFICULTIES

    jobs: list[Job] = [DrawnJob(seed + i) for i in range(count)]
    jobs += [DrawnJob(seed + i, segment=True) for i in range(segments)]
    jobs += [DrawnJob(seed + i, photons_per_px=level) for level in LEVELS for i in range(levels)]
    jobs += [DrawnJob(seed + i, difficulty) for difficulty in DIFFICULTIES for i in range(hard)]
    return jobs
