"""Which reads are compared, and the statistics of each comparison."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from qca.agreement.columns import Read, Reads, chosen_columns, filled, shared_items
from qca.agreement.concordance import Concordance, concordance
from qca.agreement.estimate import Estimate, Matrix
from qca.agreement.intraclass import Intraclass, intraclass
from qca.agreement.kappa import Kappa, kappa
from qca.agreement.limits import LIMIT_FACTOR, Differences, corrected_sd, differences
from qca.agreement.observations import Observation, without_healthy, without_repeats
from qca.agreement.repeatability import Repeatability, repeatability
from qca.errors import InputError

CATEGORIES = frozenset({"medina_digit"})
"""Quantities that are categories written as numbers: kappa, not differences."""

MEDINA_ORDER = ("proximal", "distal", "side")

CODE = "medina_code"
"""The three digits together."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two or more reads of the same items, one limb, one quantity.

    Parameters
    ----------
    kind : str
        ``"intra-reader"`` or ``"inter-reader"``.
    reads : tuple of Read
        The columns.
    limb, quantity, unit : str
        What is compared.
    items : tuple of str
        Rows, in the order of first appearance.
    values, sds : ndarray, shape (items, reads)
        Values and the tool's own SDs; NaN where missing.
    missing : int
        Items that were read but have no value in at least one of the reads.
    alone : int
        Items that only one of the reads has: outside the comparison. Between passes that is by design.
    differences : Differences or None
        For two reads.
    repeatability : Repeatability or None
        For reads of one reader.
    intraclass, concordance, kappa : or None
        Where they apply.
    tool_sd : float
        SD that the difference of two reads would have from the tool's stated uncertainties alone, if these
        were independent between the reads.
    corrected : Estimate or None
        Limits for single reads from each reader's mean of two passes, where both read twice: value is the bias, low
        and high the limits.
    """

    kind: str
    reads: tuple[Read, ...]
    limb: str
    quantity: str
    unit: str
    items: tuple[str, ...]
    values: Matrix
    sds: Matrix
    missing: int
    alone: int
    differences: Differences | None = None
    repeatability: Repeatability | None = None
    intraclass: Intraclass | None = None
    concordance: Concordance | None = None
    kappa: Kappa | None = None
    tool_sd: float = math.nan
    corrected: Estimate | None = None

    @property
    def label(self) -> str:
        """The reads, for a heading."""
        return " against ".join(map(str, self.reads)) if len(self.reads) == 2 else "; ".join(map(str, self.reads))


@dataclass(frozen=True, slots=True)
class Agreement:
    """All comparisons of a set of reads, and what was assumed on the way."""

    comparisons: tuple[Comparison, ...]
    notes: tuple[str, ...]
    factor: float = LIMIT_FACTOR


def agree(
    observations: Iterable[Observation],
    *,
    factor: float = LIMIT_FACTOR,
    quantities: Sequence[str] = (),
    limbs: Sequence[str] = (),
    notes: Sequence[str] = (),
) -> Agreement:
    """Compare passes within each reader and readers within the first pass.

    Parameters
    ----------
    observations : iterable of Observation
        Values; the last stands where one read has several.
    factor : float
        SDs between bias and limits of agreement.
    quantities, limbs : sequence of str
        Only these, when given.
    notes : sequence of str
        Sentences to carry along.

    Returns
    -------
    Agreement
        Ordered by limb and quantity of first appearance, within-reader comparisons first.

    Raises
    ------
    InputError
        If no item was read twice, or a quantity or limb asked for does not occur.
    """
    kept, clashes = without_repeats(observations)
    said = list(notes)
    if clashes:
        said.append(f"{clashes} values were given more than once for the same read, differently: the last is used.")
    groups: dict[tuple[str, str, str], dict[Read, dict[str, tuple[float, float]]]] = {
        (one.limb, one.quantity, one.unit): {} for one in kept
    }
    kept, healthy = without_healthy(kept)
    if healthy:
        said.append(
            f"In {healthy} limbs no read found a narrowing: lesion lengths and places are compared in the others only."
        )
    for one in kept:
        group = groups[one.limb, one.quantity, one.unit]
        group.setdefault(Read(one.reader, one.passage), {})[one.item] = (one.value, one.sd)
    medina = {limb: reads for (limb, quantity, _), reads in groups.items() if quantity in CATEGORIES}
    whole = all(limb in medina for limb in MEDINA_ORDER)
    _check_asked("quantity", quantities, {key[1] for key in groups} | ({CODE} if whole else set()))
    _check_asked("limb", limbs, {key[0] for key in groups})
    result: list[Comparison] = []
    for (limb, quantity, unit), reads in groups.items():
        if (quantities and quantity not in quantities) or (limbs and limb not in limbs):
            continue
        for kind, columns in chosen_columns(reads):
            result.append(_compare(kind, columns, reads, (limb, quantity, unit), factor))
    wanted = not quantities or CODE in quantities or not CATEGORIES.isdisjoint(quantities)
    if whole and wanted and (not limbs or "bifurcation" in limbs or set(limbs) >= set(MEDINA_ORDER)):
        codes = _codes(medina)
        result.extend(_compare_codes(kind, columns, codes) for kind, columns in chosen_columns(codes))
    if not result or not any(np.isfinite(one.values).all(axis=1).any() for one in result):
        msg = "No frame was read twice, by one reader or by two: there is nothing to compare."
        raise InputError(msg)
    return Agreement(tuple(result), tuple(said), factor)


def _check_asked(what: str, asked: Sequence[str], known: set[str]) -> None:
    for name in asked:
        if name not in known:
            msg = f"There is no {what} {name!r} among the values: known are {', '.join(sorted(known))}."
            raise InputError(msg)


def _compare(
    kind: str, columns: tuple[Read, ...], reads: Reads, what: tuple[str, str, str], factor: float
) -> Comparison:
    limb, quantity, unit = what
    items, alone = shared_items(columns, reads)
    values, sds = filled(columns, reads, items)
    missing = int((~np.isfinite(values).all(axis=1)).sum())
    if quantity in CATEGORIES:
        words = [[None if math.isnan(x) else f"{x:g}" for x in column] for column in values.T]
        return Comparison(kind, columns, limb, quantity, unit, items, values, sds, missing, alone, kappa=kappa(words))
    two = len(columns) == 2
    return Comparison(
        kind=kind,
        reads=columns,
        limb=limb,
        quantity=quantity,
        unit=unit,
        items=items,
        values=values,
        sds=sds,
        missing=missing,
        alone=alone,
        differences=differences(values[:, 0], values[:, 1], factor=factor) if two else None,
        repeatability=repeatability(values, factor=factor) if kind == "intra-reader" else None,
        intraclass=intraclass(values),
        concordance=concordance(values[:, 0], values[:, 1]) if two else None,
        tool_sd=_tool_sd(values, sds) if two else math.nan,
        corrected=_corrected(columns, reads, factor) if two and kind == "inter-reader" else None,
    )


def _tool_sd(values: Matrix, sds: Matrix) -> float:
    complete = np.isfinite(values).all(axis=1) & np.isfinite(sds).all(axis=1)
    return math.sqrt(float((sds[complete] ** 2).sum(axis=1).mean())) if complete.any() else math.nan


def _corrected(columns: tuple[Read, ...], reads: Reads, factor: float) -> Estimate | None:
    """Bias and limits from both readers' first two passes, where the same items have all four reads."""
    repeats = []
    for column in columns:
        passes = sorted((read for read in reads if read.reader == column.reader), key=lambda read: read.passage)
        if len(passes) < 2:
            return None
        repeats.append(passes[:2])
    items = set.intersection(*(set(reads[read]) for passes in repeats for read in passes))
    if not items:
        return None
    order = sorted(items)
    tables = [np.array([[reads[read][item][0] for read in passes] for item in order]) for passes in repeats]
    bias, sd = corrected_sd(*tables)
    if math.isnan(bias):
        return None
    return Estimate(bias, bias - factor * sd, bias + factor * sd, f"{len(order)} items read twice by both")


def _codes(medina: Mapping[str, Reads]) -> dict[Read, dict[str, str | None]]:
    """Medina codes per read and item; None where a digit is missing."""
    codes: dict[Read, dict[str, str | None]] = {}
    everywhere = set.intersection(*(set(medina[limb]) for limb in MEDINA_ORDER))
    for read in everywhere:
        items = [item for item in medina[MEDINA_ORDER[0]][read] if all(item in medina[x][read] for x in MEDINA_ORDER)]
        codes[read] = {}
        for item in items:
            digits = [medina[limb][read][item][0] for limb in MEDINA_ORDER]
            codes[read][item] = None if any(map(math.isnan, digits)) else ",".join(f"{x:g}" for x in digits)
    return codes


def _compare_codes(kind: str, columns: tuple[Read, ...], codes: Mapping[Read, Mapping[str, str | None]]) -> Comparison:
    items, alone = shared_items(columns, codes)
    words = [[codes[column].get(item) for item in items] for column in columns]
    known = np.array([[math.nan if word is None else 1.0 for word in column] for column in words])
    values = known.reshape((len(columns), len(items))).T
    missing = int(np.isnan(values).any(axis=1).sum())
    return Comparison(
        kind=kind,
        reads=columns,
        limb="bifurcation",
        quantity=CODE,
        unit="",
        items=items,
        values=values,
        sds=np.full(values.shape, math.nan),
        missing=missing,
        alone=alone,
        kappa=kappa(words),
    )
