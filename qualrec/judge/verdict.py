"""Verdict of one reading against its characteristic, and of one characteristic of a lot."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from qualrec.judge import kinds
from qualrec.judge.facts import Summary
from qualrec.judge.kinds import shown
from qualrec.values import Characteristic, Owed, PullResult, ReadingRow
from qualrec.weld.failure_modes import FailureMode

PASS, FAIL, INCOMPLETE, UNKNOWN = "pass", "fail", "incomplete", "unknown"

NO_MODE = "The failure mode is not recorded."
NO_SHARES = "The shares of the mixed failure are not recorded."
MOST_REASONS = 10

_PURE_SHARES = {
    FailureMode.COHESIVE: "cohesive_pct",
    FailureMode.NEAR_SURFACE_TEAR: "tear_pct",
    FailureMode.PARENT_MATERIAL: "parent_pct",
}


@dataclass(frozen=True, slots=True)
class Violation:
    """One way in which a reading fails. `side` -1 below a lower limit, +1 above an upper one, 0 a failure mode."""

    kind: str
    side: int
    sentence: str


@dataclass(frozen=True, slots=True)
class ReadingVerdict:
    """`answer` is 'pass', 'fail' or 'unknown' (no value, no limit, or no failure mode of a pull)."""

    answer: str
    side: int
    violations: tuple[Violation, ...]
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CharacteristicVerdict:
    """Verdict of one characteristic of a lot. `sd` is nan for n < 2; `mean`, `low`, `high` are nan for n = 0.

    `fails` counts failing readings, `missing` the samples that the plan still asks for.
    """

    characteristic_id: int
    revision_id: int
    code: str
    name: str
    unit: str
    answer: str
    reasons: tuple[str, ...]
    n: int
    mean: float
    sd: float
    low: float
    high: float
    fails: int
    missing: int
    test_faults: int


def judge_reading(
    characteristic: Characteristic, value: float | None, pull: PullResult | None = None
) -> ReadingVerdict:
    """Verdict of one value and, for a pull, of its failure mode.

    A value on a limit is not beyond it. A parent-material break below the lower limit fails as any other value.
    A test fault or a void (`value` None) is 'unknown'.
    """
    if pull is not None and pull.mode == FailureMode.TEST_FAULT:
        return ReadingVerdict(UNKNOWN, 0, (), ("Test fault: no strength, a repeat is owed.",))
    if value is None or not math.isfinite(value):
        return ReadingVerdict(UNKNOWN, 0, (), ("No value.",))
    violations = [*_beyond_limits(characteristic, value), *_mode_violations(characteristic, pull)]
    if violations:
        side = next((v.side for v in violations if v.side), 0)
        return ReadingVerdict(FAIL, side, tuple(violations), tuple(v.sentence for v in violations))
    if characteristic.strength and (pull is None or not pull.mode):
        return ReadingVerdict(UNKNOWN, 0, (), (NO_MODE,))
    if pull is not None and pull.mode == FailureMode.MIXED and pull.interfacial_pct is None:
        return ReadingVerdict(UNKNOWN, 0, (), (NO_SHARES,))
    if characteristic.lsl is None and characteristic.usl is None and not characteristic.strength:
        return ReadingVerdict(UNKNOWN, 0, (), ("No specification limit is stated.",))
    return ReadingVerdict(PASS, 0, (), (f"{shown(value, characteristic)} is within the limits.",))


def _beyond_limits(characteristic: Characteristic, value: float) -> list[Violation]:
    found = []
    if characteristic.lsl is not None and value < characteristic.lsl:
        text = f"{shown(value, characteristic)} is below the lower limit {shown(characteristic.lsl, characteristic)}."
        found.append(Violation(kinds.OUTSIDE_SPECIFICATION, -1, text))
    if characteristic.usl is not None and value > characteristic.usl:
        text = f"{shown(value, characteristic)} is above the upper limit {shown(characteristic.usl, characteristic)}."
        found.append(Violation(kinds.OUTSIDE_SPECIFICATION, 1, text))
    return found


def _mode_violations(characteristic: Characteristic, pull: PullResult | None) -> list[Violation]:
    if pull is None or not pull.mode:
        return []
    if pull.mode == FailureMode.INTERFACIAL:
        return [Violation(kinds.INTERFACIAL, 0, "The parts came apart at the joint line (interfacial).")]
    if pull.mode == FailureMode.MIXED:
        return _mixed(characteristic, pull)
    if characteristic.accepted_modes and pull.mode not in characteristic.accepted_modes:
        return [Violation(kinds.MODE_NOT_ACCEPTED, 0, f"The failure mode {pull.mode} is not accepted.")]
    return []


def _mixed(characteristic: Characteristic, pull: PullResult) -> list[Violation]:
    """Mixed by shares: the interfacial share against its limit; the other shares by the accepted modes."""
    share, limit = pull.interfacial_pct or 0.0, characteristic.interfacial_limit_pct
    if share > (limit or 0.0):
        allowed = "no share is accepted" if limit is None else f"the limit is {limit:g} %"
        text = f"The interfacial share of the joint area is {share:g} %; {allowed}."
        return [Violation(kinds.INTERFACIAL_SHARE, 0, text)]
    accepted = characteristic.accepted_modes
    if not accepted or FailureMode.MIXED in accepted:
        return []
    refused = [
        mode.value
        for mode, field in _PURE_SHARES.items()
        if (getattr(pull, field) or 0.0) > 0.0 and mode not in accepted
    ]
    if not refused:
        return []
    text = f"The mixed failure holds a share of {' and '.join(refused)}, which is not accepted."
    return [Violation(kinds.MODE_NOT_ACCEPTED, 0, text)]


def judge_characteristic(
    characteristic: Characteristic,
    readings: Sequence[ReadingRow],
    owed: Sequence[Owed] = (),
    summary: Summary | None = None,
) -> CharacteristicVerdict:
    """Verdict of one characteristic of a lot from its readings (voids included) and what the plan asks.

    `summary` stands for all readings where only some are given; none of them is beyond a limit.

    'fail' where any reading fails; else 'incomplete' where a mandatory sample is missing or a pull lacks its mode;
    else 'pass' where there is a judged reading; else 'unknown'.
    """
    verdicts = [judge_reading(characteristic, r.value, r.pull) for r in readings if not r.void]
    values = [r.value for r in readings if not r.void and r.value is not None]
    faults = sum(1 for r in readings if not r.void and r.pull and r.pull.mode == FailureMode.TEST_FAULT)
    fails = sum(v.answer == FAIL for v in verdicts)
    passes = sum(v.answer == PASS for v in verdicts)
    if summary is not None and passes:
        passes = summary.n
    modeless = sum(NO_MODE in v.reasons for v in verdicts)
    shareless = sum(NO_SHARES in v.reasons for v in verdicts)
    missing = sum(o.missing for o in owed)
    mandatory = sum(o.missing for o in owed if o.mandatory)
    reasons = [
        *_fail_reasons(verdicts),
        *_gaps(mandatory, missing - mandatory, faults, modeless, shareless),
    ]
    if fails:
        answer = FAIL
    elif mandatory or modeless or shareless:
        answer = INCOMPLETE
    elif passes:
        answer = PASS
        reasons.insert(0, f"All {passes} readings are within the limits.")
    else:
        answer = UNKNOWN
        reasons.insert(0, "No specification limit is stated." if values else "There are no readings.")
    n, (mean, sd, low, high) = len(values), _figures(values)
    if summary is not None:
        n, mean, sd, low, high = summary.n, summary.mean, summary.sd, summary.low, summary.high
    return CharacteristicVerdict(
        characteristic.id, characteristic.revision_id, characteristic.code, characteristic.name, characteristic.unit,
        answer, tuple(reasons), n, mean, sd, low, high, fails, missing, faults,
    )  # fmt: skip


def _fail_reasons(verdicts: Sequence[ReadingVerdict]) -> list[str]:
    """Why readings fail, the first ones in words and the rest by number."""
    reasons = [reason for v in verdicts if v.answer == FAIL for reason in v.reasons]
    rest = len(reasons) - MOST_REASONS
    return reasons if rest <= 0 else [*reasons[:MOST_REASONS], f"And {rest} more."]


def _gaps(mandatory: int, others: int, faults: int, modeless: int, shareless: int) -> list[str]:
    """What is not there, in words."""
    said = (
        (mandatory, "mandatory sample is missing.", "mandatory samples are missing."),
        (
            others,
            "sample of the plan is missing, not mandatory.",
            "samples of the plan are missing, not mandatory.",
        ),
        (faults, "test fault: no strength, a repeat is owed.", "test faults: no strength, repeats are owed."),
        (modeless, "pull lacks its failure mode.", "pulls lack their failure mode."),
        (shareless, "mixed failure lacks its shares.", "mixed failures lack their shares."),
    )
    return [f"{count} {one if count == 1 else many}" for count, one, many in said if count]


def _figures(values: Sequence[float]) -> tuple[float, float, float, float]:
    if not values:
        return math.nan, math.nan, math.nan, math.nan
    start = values[0]
    mean = start + math.fsum(v - start for v in values) / len(values)
    sd = math.nan
    if len(values) > 1:
        sd = math.sqrt(math.fsum((v - mean) ** 2 for v in values) / (len(values) - 1))
    return mean, sd, min(values), max(values)


def overall_answer(verdicts: Sequence[CharacteristicVerdict]) -> str:
    """The verdict of a lot: the worst of its characteristics; 'unknown' ones count only where all are so."""
    answers = {v.answer for v in verdicts}
    return next((a for a in (FAIL, INCOMPLETE, PASS) if a in answers), UNKNOWN)
