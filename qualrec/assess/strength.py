"""What the pulls of a strength characteristic say about the weld: censored figures and interfacial share, plain beside."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from qualrec.errors import ComputeError
from qualrec.values import BoolArray, FloatArray, Values
from qualrec.weld.failure_modes import CENSORING_RULE, FailureMode

if TYPE_CHECKING:
    from qualrec.stats.proportions import Proportion
    from qualrec.stats.strength import StrengthFit

HALF = 50.0
FIT_SHAPES = ("weibull", "lognormal")
CLAIMS = (0.05, 0.01, 0.001)
"""Shares of interfacial breaks that are usually claimed (judgement)."""


@dataclass(frozen=True, slots=True, eq=False)
class StrengthReport:
    """Figures of pulls with a known outcome.

    `fits` by shape, each a fit of the censored strengths or the reason why there is none. `interfacial` and `parent` are
    shares of pulls with their exact upper bound, by lot. Plain figures: `n`, `mean`, `sd`, `lowest` of all forces.
    `values` and `failed` are the forces and whether the weld broke, for a plot.
    """

    n: int
    mean: float
    sd: float
    lowest: float
    modes: dict[str, int]
    unknown: int
    failed: BoolArray
    values: FloatArray
    fits: dict[str, StrengthFit | str]
    interfacial: Proportion
    parent: Proportion
    interfacial_area_pct: float
    joint_line: str
    notes: tuple[str, ...]


def strength_report(found: Values) -> StrengthReport | None:
    """Censored figures of pulls; None where no pull has a failure mode.

    A pull without a mode, or mixed without shares, is left out and counted in `unknown`.
    """
    outcome = outcomes(found)
    known = outcome >= 0
    if not known.any():
        return None
    values, failed = found.value[known], outcome[known] == 1
    modes = [m for m, k in zip(found.mode, known, strict=True) if k]
    lots = found.lot_ids[known]
    interfacial = _by_lot(np.array([m == FailureMode.INTERFACIAL for m in modes]), lots)
    areas = found.interfacial_pct[known]
    from qualrec.stats.proportions import joint_line_statement

    unknown = int((~known).sum())
    notes = [CENSORING_RULE, "Plain figures take every force as it is."]
    notes += _claims(interfacial)
    if unknown:
        notes.append(f"{unknown} pulls without a known outcome are left out.")
    return StrengthReport(
        n=int(values.size),
        mean=float(values.mean()),
        sd=float(values.std(ddof=1)) if values.size > 1 else math.nan,
        lowest=float(values.min()),
        modes={mode.value: modes.count(mode.value) for mode in FailureMode if mode.value in modes},
        unknown=unknown,
        failed=failed,
        values=values,
        fits=_fits(values, failed),
        interfacial=interfacial,
        parent=_by_lot(np.array([m == FailureMode.PARENT_MATERIAL for m in modes]), lots),
        interfacial_area_pct=float(np.nanmean(areas)) if np.isfinite(areas).any() else math.nan,
        joint_line=joint_line_statement(interfacial),
        notes=tuple(notes),
    )


def _claims(interfacial: Proportion) -> list[str]:
    """How many more pulls each usual claim on the share of interfacial breaks needs."""
    from qualrec.stats.proportions import more_needed

    wanted = [
        f"{more_needed(interfacial, claim)} more for under {claim * 100:g} %"
        for claim in CLAIMS
        if interfacial.upper.value > claim
    ]
    if not wanted:
        return []
    return [f"Pulls without an interfacial break that are needed: {', '.join(wanted)} with 95 % confidence."]


def outcomes(found: Values) -> FloatArray:
    """1 the weld broke, 0 it held (right-censored), -1 not known, by `CENSORING_RULE`."""
    weld_share = found.interfacial_pct + found.cohesive_pct
    result = np.full(len(found.mode), -1.0)
    for i, mode in enumerate(found.mode):
        if mode == FailureMode.MIXED:
            result[i] = -1.0 if math.isnan(weld_share[i]) else float(weld_share[i] >= HALF)
        elif mode in (FailureMode.INTERFACIAL, FailureMode.COHESIVE, FailureMode.NEAR_SURFACE_TEAR):
            result[i] = 1.0
        elif mode == FailureMode.PARENT_MATERIAL:
            result[i] = 0.0
    return result


def _fits(values: FloatArray, failed: BoolArray) -> dict[str, StrengthFit | str]:
    from qualrec.stats.strength import fit_strength

    fits: dict[str, StrengthFit | str] = {}
    for shape in FIT_SHAPES:
        try:
            fits[shape] = fit_strength(values, failed, shape)
        except ComputeError as error:
            fits[shape] = f"{error.message} {error.remedy}".strip()
    return fits


def _by_lot(hit: BoolArray, lots: np.ndarray[tuple[int], np.dtype[np.int64]]) -> Proportion:
    """Share over lots with the design effect; as independent parts where there is one lot."""
    from qualrec.stats.proportions import proportion, proportion_by_lot

    _, lot = np.unique(lots, return_inverse=True)
    n = np.bincount(lot)
    found = np.bincount(lot, weights=hit).astype(np.int64)
    if n.size < 2:
        return proportion(int(found.sum()), int(n.sum()))
    return proportion_by_lot(found, n)
