"""Check of a material pair: rating, melt overlap, polarity, optics, moisture, standards; each with reason and source.

The chemical rating is symmetric, the optical check is not: the upper part must transmit, the lower absorb.
No finding is a release: only a trial on the parts shows that a pair welds.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from qualrec.errors import UsageError
from qualrec.weld.books import MaterialBook, packaged_book
from qualrec.weld.cautions import find_caution
from qualrec.weld.polymers import Grade, find_grade
from qualrec.weld.trade_rules import find_rule

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


@dataclass(frozen=True, slots=True)
class JointFacts:
    """What is known of the two parts of a joint beside their materials; None: not known.

    `transmission_pct` of the upper part at the joint position, `transmission_from` how it is known; `absorber_pct` of the
    lower part by weight.
    """

    transmission_pct: float | None = None
    transmission_from: str = ""
    lower_absorbs: bool | None = None
    absorber_pct: float | None = None
    thickness_mm: float | None = None
    wavelength_nm: float | None = None
    moisture: MoistureState = MoistureState.UNKNOWN


def check_pair(
    upper: str,
    lower: str,
    *,
    upper_transmission_pct: float | None = None,
    lower_absorbs: bool | None = None,
    moisture: MoistureState | str = MoistureState.UNKNOWN,
    book: MaterialBook | None = None,
) -> PairCheck:
    """Check the grades `upper` (transmissive) on `lower` (absorbing), named such as 'PA6-GF30'.

    `upper_transmission_pct` in % at the joint position; `lower_absorbs` whether the lower part holds an
    absorber for the wavelength; None means not known. `book`: the tables, the packaged ones if left out. Raises
    UsageError for a polymer not in the tables, a transmission outside 0 to 100 %, or an unknown moisture state.
    """
    tables = packaged_book() if book is None else book
    facts = JointFacts(
        transmission_pct=upper_transmission_pct,
        lower_absorbs=lower_absorbs,
        moisture=find_moisture(moisture),
    )
    return check_grades(find_grade(upper, tables.polymers), find_grade(lower, tables.polymers), facts, tables)


def find_moisture(text: str) -> MoistureState:
    """The moisture state that a text names. Raises UsageError that lists them."""
    try:
        return MoistureState(text)
    except ValueError:
        raise UsageError(
            f"Moisture state {text!r} is not known.", f"Choose one of: {', '.join(MoistureState)}."
        ) from None


def check_grades(top: Grade, bottom: Grade, facts: JointFacts, book: MaterialBook) -> PairCheck:
    """Check two grades by all that is known of their joint. Raises UsageError for a transmission outside 0 to 100 %."""
    percent = facts.transmission_pct
    if percent is not None and not 0.0 <= percent <= 100.0:
        raise UsageError(f"Transmission is {percent!r} %.", "Give a transmission from 0 to 100 %.")
    rating, rated = _rating(top, bottom, book)
    overlap = melt_overlap(top, bottom)
    findings = (
        rated,
        _melt(top, bottom, overlap),
        _polarity(top, bottom),
        _upper_optics(percent, facts.transmission_from),
        *_thickness(top, facts.thickness_mm),
        *_wavelength(facts.wavelength_nm),
        _lower_optics(facts.lower_absorbs),
        *_absorber(facts.absorber_pct),
        *_moisture(top, bottom, facts.moisture),
        *_reinforced(top, bottom),
    )
    return PairCheck(top, bottom, rating, overlap, findings)


def melt_overlap(upper: Grade, lower: Grade) -> float:
    """Overlap of the process melt ranges in K: min(high) - max(low), negative for a gap."""
    first, second = upper.polymer, lower.polymer
    return min(first.process_high_c, second.process_high_c) - max(first.process_low_c, second.process_low_c)


def rating_of(word: str) -> Rating:
    """The rating of a table's word."""
    return {"good": Rating.GOOD, "limited": Rating.LIMITED, "none": Rating.NO_EVIDENCE}[word]


def _rating(upper: Grade, lower: Grade, book: MaterialBook) -> tuple[Rating, Finding]:
    row = book.rated(upper.polymer, lower.polymer)
    rating = rating_of(row.rating)
    text = {
        Rating.GOOD: "Reported to weld. Prove it on the parts: lubricants, modifiers, glass and moisture can spoil it.",
        Rating.LIMITED: "Some grades or some reports only. Prove it on the parts.",
        Rating.NO_EVIDENCE: "No published evidence, trial required. This does not mean impossible.",
    }[rating]
    level = {Rating.GOOD: Level.SUPPORTS, Rating.LIMITED: Level.CAUTION, Rating.NO_EVIDENCE: Level.UNKNOWN}[
        rating
    ]
    if row.own:
        text = f"Rated by this plant. {text}"
    return rating, Finding("rating", level, text, row.source, row.how_obtained)


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
    if upper.polymer.family == lower.polymer.family:
        text = "Same polymer: no difference of polarity."
        return Finding("polarity", Level.SUPPORTS, text, source, "memory")
    first, second = upper.polymer.surface_energy_mn_m, lower.polymer.surface_energy_mn_m
    if first is None or second is None:
        text = "Surface energy of one of them is not on record."
        return Finding("polarity", Level.UNKNOWN, text, source, "memory")
    gap = abs(first - second)
    text = (
        f"Surface energies differ by {gap:g} mN/m. This is a weak sign of polarity and never raises a rating; "
        "a difference of solubility parameters under 1 to 2 MPa^0.5 would favour a weld."
    )
    return Finding(
        "polarity", Level.CAUTION if gap >= POLARITY_GAP_MN_M else Level.INFORMS, text, source, "memory"
    )


def _upper_optics(percent: float | None, known_from: str = "") -> Finding:
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
        f"Transmission {percent:.3g} % {text}" + (f" {known_from}" if known_from else ""),
        comfortable.source,
        comfortable.how_obtained,
    )


def _thickness(upper: Grade, thickness_mm: float | None) -> tuple[Finding, ...]:
    """Only where there is something to say: a semicrystalline part beyond the rule."""
    rule = find_rule("upper_thickness_semicrystalline")
    if thickness_mm is None or not upper.polymer.semicrystalline or rule.holds(thickness_mm):
        return ()
    text = f"Upper part {thickness_mm:g} mm thick. {rule.text}"
    return (Finding("upper thickness", Level.CAUTION, text, rule.source, rule.how_obtained),)


def _wavelength(wavelength_nm: float | None) -> tuple[Finding, ...]:
    if wavelength_nm is None:
        return ()
    rule = find_rule("wavelength_band")
    good = rule.holds(wavelength_nm)
    text = f"Wavelength {wavelength_nm:g} nm is {'inside' if good else 'outside'} {rule.low:g} to {rule.high:g} nm."
    level = Level.SUPPORTS if good else Level.CAUTION
    return (
        Finding("wavelength", level, text if good else f"{text} {rule.text}", rule.source, rule.how_obtained),
    )


def _absorber(percent: float | None) -> tuple[Finding, ...]:
    if percent is None:
        return ()
    rule = find_rule("absorber_loading")
    if rule.holds(percent):
        text = f"Absorber {percent:g} % by weight, usual {rule.low:g} to {rule.high:g}."
        return (Finding("absorber", Level.SUPPORTS, text, rule.source, rule.how_obtained),)
    more = "surface decomposition and voids" if percent > (rule.high or 0.0) else "deep, slow heating"
    text = f"Absorber {percent:g} % by weight is outside the usual {rule.low:g} to {rule.high:g}: {more} to be expected."
    return (Finding("absorber", Level.CAUTION, text, rule.source, rule.how_obtained),)


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
