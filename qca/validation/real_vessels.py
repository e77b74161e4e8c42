"""All sites of the photograph of real vessels, on all cores."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from functools import partial

from qca.validation.processes import in_processes
from qca.validation.retina import SITES, Site, SiteResult, measure_site, retina_pixels


def measure_sites(
    repeats: int,
    *,
    sites: Sequence[Site] = SITES,
    workers: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[SiteResult, ...]:
    """Measure every site as it is and ``repeats`` times disturbed.

    Parameters
    ----------
    repeats : int
        Disturbed readings of each site; see `qca.validation.retina.moved`.
    sites : sequence of Site
        Which ones.
    workers : int or None
        Processes; None takes all cores.
    progress : callable or None
        Called with (done, all) after each site.
    """
    count = workers if workers is not None else (os.cpu_count() or 1)
    out: list[SiteResult] = []
    for result in in_processes(partial(_measure, repeats), sites, min(count, len(sites))):
        out.append(result)
        if progress is not None:
            progress(len(out), len(sites))
    return tuple(out)


def _measure(repeats: int, site: Site) -> SiteResult:
    return measure_site(site, retina_pixels(), repeats)
