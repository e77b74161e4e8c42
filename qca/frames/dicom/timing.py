"""When each frame of a DICOM run was taken, and where the R waves of the ECG are."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from itertools import accumulate, pairwise
from statistics import median

from qca.frames.dicom import attributes as at
from qca.frames.dicom.attributes import Attribute
from qca.frames.dicom.elements import Element
from qca.frames.dicom.header import DicomHeader, View
from qca.frames.dicom.values import NotANumber, numbers

_LONGEST_MS = 10_000.0
_DAY_MS = 86_400_000.0
_DATE_TIME = re.compile(rb"\d{8}(\d{2})(\d{2})(\d{2}(?:\.\d{1,6})?)")


@dataclass(frozen=True, slots=True)
class Timing:
    """Times of the frames of a run.

    Parameters
    ----------
    frame_time_ms : float or None
        From one frame to the next, ms; the median where it varies.
    times_ms : tuple of float
        From the first frame, ms; empty when not stated.
    r_wave_frames : tuple of int
        Zero-based frame numbers at an R wave.
    warnings : tuple of str
        What is odd.
    """

    frame_time_ms: float | None = None
    times_ms: tuple[float, ...] = ()
    r_wave_frames: tuple[int, ...] = ()
    warnings: tuple[str, ...] = ()


def read_timing(header: DicomHeader, count: int) -> Timing:
    """Read the timing of a run of ``count`` frames.

    Order of sources: Frame Time Vector, Frame Time (PS3.3 C.7.6.5, first value of the vector is 0), the frames' own
    acquisition times (C.7.6.16.2.2), Cine Rate. R waves: R Wave Pointer (C.8.7.1, numbers from 1), or the frames at
    which the delay after the trigger starts anew (C.7.6.16.2.7).
    """
    top = header.top
    warnings: list[str] = []
    views: tuple[View, ...] = ()
    if header.per_frame and any(header.at(0).find(one) is not None for one in (at.ACQUIRED_AT, at.TRIGGER_DELAY)):
        views = tuple(header.at(index) for index in range(min(count, len(header.per_frame))))
    steps = _steps(top.get(at.FRAME_TIME_VECTOR.tag), at.FRAME_TIME_VECTOR, warnings)[1:count]
    single = _steps(top.get(at.FRAME_TIME.tag), at.FRAME_TIME, warnings)
    times: tuple[float, ...] = ()
    step: float | None = None
    if count > 1 and len(steps) == count - 1:
        times, step = tuple(round(time, 6) for time in accumulate(steps, initial=0.0)), median(steps)
    elif len(single) == 1 and single[0] > 0:
        step = single[0]
    elif clock := _clock(views):
        times, step = clock, median(b - a for a, b in pairwise(clock))
    else:
        rate = _steps(top.get(at.CINE_RATE.tag), at.CINE_RATE, warnings)
        if len(rate) == 1 and rate[0] > 0:
            step = 1000.0 / rate[0]
            if count > 1:
                warnings.append("The time between frames is taken from the cine rate, which is a nominal number.")
    if step is not None and not times:
        times = tuple(round(step * index, 6) for index in range(count))
    return Timing(step, times, _r_waves(header, views, count, warnings), tuple(warnings))


def _steps(element: Element | None, attribute: Attribute, warnings: list[str]) -> tuple[float, ...]:
    try:
        values = numbers(element, attribute) if element is not None else ()
    except NotANumber as error:
        warnings.append(f"{attribute.name} in the header is {error}, not a number, and is ignored.")
        return ()
    if all(0 <= value <= _LONGEST_MS for value in values):
        return values
    warnings.append(f"{attribute.name} in the header is negative or longer than 10 s and is ignored.")
    return ()


def _clock(views: tuple[View, ...]) -> tuple[float, ...]:
    """Acquisition times of the frames, ms from the first; empty unless all are there and rise. No date is kept."""
    if len(views) < 2:
        return ()
    times: list[float] = []
    for view in views:
        element = view.find(at.ACQUIRED_AT)
        match = _DATE_TIME.match(element.value) if element is not None else None
        if match is None:
            return ()
        hours, minutes, seconds = (float(part) for part in match.groups())
        times.append(((hours * 60 + minutes) * 60 + seconds) * 1000)
    since = tuple(round((time - times[0]) % _DAY_MS, 3) for time in times)
    return since if all(0 < b - a <= _LONGEST_MS for a, b in pairwise(since)) else ()


def _r_waves(header: DicomHeader, views: tuple[View, ...], count: int, warnings: list[str]) -> tuple[int, ...]:
    element = header.top.get(at.R_WAVES.tag)
    try:
        stated = numbers(element, at.R_WAVES) if element is not None else ()
    except NotANumber:
        stated = (math.inf,)
    waves = sorted({int(value) - 1 for value in stated if 1 <= value <= count})
    if len(waves) < len(set(stated)):
        warnings.append(f"The header places R waves outside the {count} frames of the run; those are ignored.")
    if waves or len(views) < 2:
        return tuple(waves)
    delays = []
    for view in views:
        found = view.find(at.TRIGGER_DELAY)
        try:
            values = numbers(found, at.TRIGGER_DELAY) if found is not None else ()
        except NotANumber:
            values = ()
        if len(values) != 1:
            return ()
        delays.append(values[0])
    return tuple(k for k, delay in enumerate(delays) if delay == 0 or (k and delay < delays[k - 1]))
