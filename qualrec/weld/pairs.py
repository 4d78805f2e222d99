"""Check of a material pair: rating, melt overlap, polarity, optics, moisture, standards; each with reason and source.

The chemical rating is symmetric, the optical check is not: the upper part must transmit, the lower absorb.
No finding is a release: only a trial on the parts shows that a pair welds.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from types import MappingProxyType
from typing import TYPE_CHECKING

from qualrec.errors import UsageError
from qualrec.weld.cautions import find_caution
from qualrec.weld.polymers import Grade, find_grade
from qualrec.weld.tables import load_table
from qualrec.weld.trade_rules import find_rule

if TYPE_CHECKING:
    from collections.abc import Mapping


POLARITY_GAP_MN_M = 10.0
"""From this difference on a caution is given (judgement)."""


class Rating(StrEnum):
    """What is published about welding a pair; the words are shown as they are."""

    GOOD = "good"
    LIMITED = "limited"
    """Some grades or some reports only."""
    NO_EVIDENCE = "no published evidence, trial required"
    """Not the same as impossible."""


class Level(StrEnum):
    """How a finding is to be taken."""

    SUPPORTS = "supports"
    INFORMS = "informs"
    CAUTION = "caution"
    UNKNOWN = "unknown"


class MoistureState(StrEnum):
    """Moisture state of a polyamide part."""

    DRY_AS_MOULDED = "dry as moulded"
    CONDITIONED = "conditioned"
    WET = "wet"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Finding:
    """One aspect of the pair with the reason and its source."""

    topic: str
    level: Level
    text: str
    source: str
    how_obtained: str


@dataclass(frozen=True, slots=True)
class PairCheck:
    """The pair as asked, its rating and all findings. `melt_overlap_k` is negative for a gap."""

    upper: Grade
    lower: Grade
    rating: Rating
    melt_overlap_k: float
    findings: tuple[Finding, ...]

    def finding(self, topic: str) -> Finding | None:
        """The finding on that topic, or None."""
        return next((finding for finding in self.findings if finding.topic == topic), None)


@cache
def _ratings() -> Mapping[tuple[str, str], Mapping[str, str]]:
    return MappingProxyType({(row["upper"], row["lower"]): row for row in load_table("compatibility")})


def check_pair(
    upper: str,
    lower: str,
    *,
    upper_transmission_pct: float | None = None,
    lower_absorbs: bool | None = None,
    moisture: MoistureState | str = MoistureState.UNKNOWN,
) -> PairCheck:
    """Check the grades `upper` (transmissive) on `lower` (absorbing), named such as 'PA6-GF30'.

    `upper_transmission_pct` in % at the joint position; `lower_absorbs` whether the lower part holds an
    absorber for the wavelength; None means not known. Raises UsageError for a polymer not in the table,
    a transmission outside 0 to 100 %, or an unknown moisture state.
    """
    if upper_transmission_pct is not None and not 0.0 <= upper_transmission_pct <= 100.0:
        raise UsageError(
            f"Transmission is {upper_transmission_pct!r} %.", "Give a transmission from 0 to 100 %."
        )
    try:
        moisture = MoistureState(moisture)
    except ValueError:
        raise UsageError(
            f"Moisture state {moisture!r} is not known.", f"Choose one of: {', '.join(MoistureState)}."
        ) from None
    top, bottom = find_grade(upper), find_grade(lower)
    rating, rated = _rating(top, bottom)
    overlap = melt_overlap(top, bottom)
    findings = (
        rated,
        _melt(top, bottom, overlap),
        _polarity(top, bottom),
        _upper_optics(upper_transmission_pct),
        _lower_optics(lower_absorbs),
        *_moisture(top, bottom, moisture),
        *_reinforced(top, bottom),
    )
    return PairCheck(top, bottom, rating, overlap, findings)


def melt_overlap(upper: Grade, lower: Grade) -> float:
    """Overlap of the process melt ranges in K: min(high) - max(low), negative for a gap."""
    first, second = upper.polymer, lower.polymer
    return min(first.process_high_c, second.process_high_c) - max(first.process_low_c, second.process_low_c)


def _rating(upper: Grade, lower: Grade) -> tuple[Rating, Finding]:
    row = _ratings()[upper.polymer.abbreviation, lower.polymer.abbreviation]
    rating = {"good": Rating.GOOD, "limited": Rating.LIMITED, "none": Rating.NO_EVIDENCE}[row["rating"]]
    text = {
        Rating.GOOD: "Reported to weld. Prove it on the parts: lubricants, modifiers, glass and moisture can spoil it.",
        Rating.LIMITED: "Some grades or some reports only. Prove it on the parts.",
        Rating.NO_EVIDENCE: "No published evidence, trial required. This does not mean impossible.",
    }[rating]
    level = {Rating.GOOD: Level.SUPPORTS, Rating.LIMITED: Level.CAUTION, Rating.NO_EVIDENCE: Level.UNKNOWN}[
        rating
    ]
    return rating, Finding("rating", level, text, row["source"], row["how_obtained"])


def _melt(upper: Grade, lower: Grade, overlap: float) -> Finding:
    source = f"process ranges of the polymer table: {upper.polymer.source} / {lower.polymer.source}"
    ranges = (
        f"{upper.polymer.process_low_c:g} to {upper.polymer.process_high_c:g} °C and "
        f"{lower.polymer.process_low_c:g} to {lower.polymer.process_high_c:g} °C"
    )
    if overlap > 0.0:
        text = f"Melt ranges {ranges} overlap by {overlap:g} K: necessary, not sufficient."
        return Finding("melt overlap", Level.INFORMS, text, source, "computed")
    text = f"Melt ranges {ranges} do not overlap ({-overlap:g} K apart): one part degrades or stays solid."
    return Finding("melt overlap", Level.CAUTION, text, source, "computed")


def _polarity(upper: Grade, lower: Grade) -> Finding:
    source = "polymer science, from memory; surface energies of the polymer table scatter by 10 mN/m"
    gap = abs(upper.polymer.surface_energy_mn_m - lower.polymer.surface_energy_mn_m)
    if upper.polymer == lower.polymer:
        text = "Same polymer: no difference of polarity."
        return Finding("polarity", Level.SUPPORTS, text, source, "memory")
    text = (
        f"Surface energies differ by {gap:g} mN/m. This is a weak sign of polarity and never raises a rating; "
        "a difference of solubility parameters under 1 to 2 MPa^0.5 would favour a weld."
    )
    return Finding(
        "polarity", Level.CAUTION if gap >= POLARITY_GAP_MN_M else Level.INFORMS, text, source, "memory"
    )


def _upper_optics(percent: float | None) -> Finding:
    least, comfortable = find_rule("transmission_least"), find_rule("transmission_comfortable")
    if percent is None:
        text = "Transmission of the upper part is not given: measure it at the joint position."
        return Finding("upper optics", Level.UNKNOWN, text, least.source, least.how_obtained)
    assert least.low is not None
    assert comfortable.low is not None
    if percent < least.low:
        level, text = (
            Level.CAUTION,
            f"is below {least.low:g} %: surface heating and burns are to be expected.",
        )
    elif percent < comfortable.low:
        level, text = (
            Level.CAUTION,
            f"is below {comfortable.low:g} %: weldable with enough power, little margin.",
        )
    else:
        level, text = (
            Level.SUPPORTS,
            f"is at least {comfortable.low:g} %; contour welding wants 30 % or more.",
        )
    return Finding(
        "upper optics",
        level,
        f"Transmission {percent:g} % {text}",
        comfortable.source,
        comfortable.how_obtained,
    )


def _lower_optics(absorbs: bool | None) -> Finding:
    source, how = (
        "principle of transmission welding, Welding in the World 2020, doi 10.1007/s40194-020-00973-5",
        "found",
    )
    if absorbs is None:
        return Finding(
            "lower optics", Level.UNKNOWN, "Whether the lower part absorbs is not given.", source, how
        )
    if absorbs:
        return Finding("lower optics", Level.SUPPORTS, "The lower part absorbs.", source, how)
    text = "The lower part does not absorb: the joint stays cold. Choose an absorbing colour or a longer wavelength."
    return Finding("lower optics", Level.CAUTION, text, source, how)


def _moisture(upper: Grade, lower: Grade, state: MoistureState) -> tuple[Finding, ...]:
    findings = []
    grades = (upper, lower)
    if any(grade.polymer.takes_up_moisture for grade in grades):
        dry = state is MoistureState.DRY_AS_MOULDED
        text = (
            f"Polyamide, moisture state {state}: moist polyamide foams in the melt, and strength falls by about "
            "30 % from dry to conditioned. Weld dry as moulded or record the exposure, and compare like with like."
        )
        source = "polyamide material page and data sheet, found; foaming is common practice"
        level = Level.INFORMS if dry else Level.CAUTION
        findings.append(Finding("moisture", level, text, source, "found + common practice"))
    if any(grade.polymer.hydrolyses for grade in grades):
        text = "Polyester or polycarbonate: it loses chain length where moulded wet. Keep the drying record."
        findings.append(
            Finding("hydrolysis", Level.INFORMS, text, "common practice, no source", "common practice")
        )
    return tuple(findings)


def _reinforced(upper: Grade, lower: Grade) -> tuple[Finding, ...]:
    if not (upper.glass_pct or lower.glass_pct):
        return ()
    outside = find_caution("reinforced_outside_en")
    factor = find_rule("weld_factor_gf30")
    fibres = "Fibres do not reinforce across the seam: expect the strength of a weld in the unfilled resin."
    return (
        Finding("standards", Level.CAUTION, outside.text, outside.source, outside.how_obtained),
        Finding(
            "weld factor",
            Level.INFORMS,
            f"{fibres} Weld factor {factor.low:g} to {factor.high:g}. {factor.text}",
            factor.source,
            factor.how_obtained,
        ),
    )
