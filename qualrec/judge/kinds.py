"""The one table of flag kinds: scope, level, rule, source and what to do where no reaction plan is given.

Level H holds the lot, R needs a review note before release, I informs. A process flag never blocks a lot by itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

from qualrec.errors import UsageError
from qualrec.values import NO_STREAM, Characteristic, Finding

RULES_VERSION = "1"
"""Raised with every change of a rule or a level, and stored with each flag and verdict."""

LEVELS: Mapping[str, str] = MappingProxyType({"H": "hold", "R": "review", "I": "inform"})
"""Levels from the most severe on, with their word."""

SPECIAL_CLASSES = ("significant", "critical")
COMMON = "common practice, no source"


class LevelRule(StrEnum):
    """How the level of a kind follows from the case."""

    HOLD = "H"
    REVIEW = "R"
    REVIEW_BUT_GOOD_SIDE = "R, I on the good side of a one-sided limit"
    REVIEW_IF_SPECIAL = "R for special characteristics, else I"
    INFORM = "I"


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of flag. `id` is the stored word; `scope` is 'reading', 'lot' or 'process'."""

    id: str
    scope: str
    level: LevelRule
    rule: str
    source: str
    remedy: str


_HOLD_LOT = "Hold the lot and all parts since the last good check; find the cause before any release."
_LOOK_MEAN = "Look at glass, power, force and the lots of both parts; note the cause or that none was found."
_SHEWHART = "ISO 7870-2; width 3.5 with EWMA 0.2, 2.90: joint in-control run length about 370, simulated"

OUTSIDE_SPECIFICATION = "outside specification"
INTERFACIAL = "interfacial failure"
INTERFACIAL_SHARE = "interfacial share above the limit"
MODE_NOT_ACCEPTED = "failure mode not accepted"
TRANSMISSION_LOW = "transmission below the minimum"
OUTSIDE_WINDOW = "outside the qualified window"
SAMPLE_MISSING = "mandatory sample missing"
RECIPE_NOT_APPROVED = "recipe revision not approved"
MATERIAL_NOT_QUALIFIED = "material not the qualified one"
MATERIAL_EXPIRED = "material expired"
FAIL_AFTER_SHIPMENT = "failing result after shipment"
GAUGE_OVERDUE = "gauge overdue"
GAUGE_BAD = "gauge found bad"
FIRST_OFF_MISSING = "first-off missing"
CLEANING_OVERDUE = "cleaning overdue"
TEMPORARY_CHANGE = "welded under a temporary change"
CHANGE_EXPIRED = "temporary change past its end"
LOT_MEAN = "lot mean beyond control limits"
LOT_SPREAD = "within-lot spread beyond control limits"
LOT_COUNT = "count beyond control limits"
EWMA = "moving average beyond control limits"
RUN_RULE = "run rule on lot means"
CHANGE_POINT = "change of level"
CAPABILITY_LOW = "capability bound under the requirement"
SHAPE_CHANGED = "shape changed"
AUTOCORRELATION = "successive values alike"
TOO_FEW_LOTS = "too few lots"
NO_AGREEMENT = "no agreement study"

_ROWS = (
    Kind(
        OUTSIDE_SPECIFICATION, "reading", LevelRule.HOLD,
        "A value beyond a specification limit; a value on the limit is not beyond it.",
        "the drawing; IATF 16949 8.7 (from memory)", _HOLD_LOT,
    ),
    Kind(
        INTERFACIAL, "reading", LevelRule.HOLD,
        "Any interfacial failure of a pull, whatever its force and whatever modes are accepted.",
        COMMON, _HOLD_LOT,
    ),
    Kind(
        INTERFACIAL_SHARE, "reading", LevelRule.HOLD,
        "A mixed failure whose interfacial share of the joint area is above the limit; without a stated limit, above 0 %.",
        COMMON, _HOLD_LOT,
    ),
    Kind(
        MODE_NOT_ACCEPTED, "reading", LevelRule.HOLD,
        "A failure mode that the characteristic does not accept. Where it lists no modes, all but interfacial are accepted.",
        COMMON, _HOLD_LOT,
    ),
    Kind(
        TRANSMISSION_LOW, "lot", LevelRule.HOLD,
        "Any transmission reading of the upper moulding lot below the lower limit of the characteristic.",
        COMMON, "Take the moulding lot out of use; measure it again with another meter; hold what was welded of it.",
    ),
    Kind(
        OUTSIDE_WINDOW, "lot", LevelRule.HOLD,
        "Energy at the joint (recipe settings times measured mean transmission), mean transmission, mean collapse or "
        "clamp force outside the range that the recipe revision was qualified for.",
        COMMON, "Hold the lot; pull and section more samples; adjust by a new recipe revision only.",
    ),
    Kind(
        SAMPLE_MISSING, "lot", LevelRule.HOLD,
        "A mandatory sample of the sampling plan is not there though it is due or the lot waits for release.",
        "IATF 16949 8.6 (from memory)", "Test the missing samples before any release.",
    ),
    Kind(
        RECIPE_NOT_APPROVED, "lot", LevelRule.HOLD,
        "The recipe revision was not approved and in force when the segment began, or none was recorded.",
        "IATF 16949 8.5.1 (from memory)", "Hold the lot; have the revision judged by the process engineer.",
    ),
    Kind(
        MATERIAL_NOT_QUALIFIED, "lot", LevelRule.HOLD,
        "A moulding lot of another component, of no delivery of the qualified material, or not accepted for use.",
        "IATF 16949 8.4 and 8.5.2 (from memory)", "Hold the lot; clear up which material went in.",
    ),
    Kind(
        MATERIAL_EXPIRED, "lot", LevelRule.HOLD,
        "A moulding lot past its expiry when welded, or a delivery past its expiry when moulded.",
        COMMON, "Hold the lot; have the material judged or tested again.",
    ),
    Kind(
        FAIL_AFTER_SHIPMENT, "lot", LevelRule.HOLD,
        "A failing result that became known after parts of the lot left the house: the lot is suspect, shipped.",
        "IATF 16949 8.7.1 (from memory)", "Tell the responsible person and the customer; list the shipments.",
    ),
    Kind(
        GAUGE_OVERDUE, "lot", LevelRule.REVIEW,
        "No good calibration of the gauge covers the moment of the reading.",
        "IATF 16949 7.1.5.2 (from memory)", "Calibrate the gauge as found and assess the readings taken meanwhile.",
    ),
    Kind(
        GAUGE_BAD, "lot", LevelRule.REVIEW,
        "The calibration before or after the reading found the gauge bad, or the gauge is marked so.",
        "IATF 16949 7.1.5.2.1 (from memory)", "Assess the affected readings; repeat them on a good gauge if parts are left.",
    ),
    Kind(
        FIRST_OFF_MISSING, "lot", LevelRule.REVIEW,
        "The first-off of the lot is not there though the lot has ended or other samples of it are.",
        "IATF 16949 8.5.1.3 (from memory)", "Test a kept first part, or note why the set-up is proven without it.",
    ),
    Kind(
        CLEANING_OVERDUE, "lot", LevelRule.REVIEW,
        "The time since the last cleaning or change of clamp glass, or cleaning of optics, passed the interval of the "
        "station while the lot ran.",
        COMMON, "Clean; look at time to path and surface marks of the lot.",
    ),
    Kind(
        TEMPORARY_CHANGE, "lot", LevelRule.INFORM,
        "The lot was welded while a temporary change of its recipe, station or part was open: its extra checks are owed.",
        "IATF 16949 8.5.6.1.1 (from memory)", "Do the extra checks of the change and write them down with the lot.",
    ),
    Kind(
        CHANGE_EXPIRED, "lot", LevelRule.REVIEW,
        "The lot was welded after the last day of a temporary change that nobody has ended.",
        "IATF 16949 8.5.6.1.1 (from memory)",
        "End the change and go back to the standard process, or have it approved anew; judge what was welded since.",
    ),
    Kind(
        LOT_MEAN, "lot", LevelRule.REVIEW_BUT_GOOD_SIDE,
        "The lot mean lies beyond the frozen control limits.", _SHEWHART, _LOOK_MEAN,
    ),
    Kind(
        LOT_SPREAD, "lot", LevelRule.REVIEW_BUT_GOOD_SIDE,
        "The standard deviation within the lot lies beyond its frozen control limits.",
        "ISO 7870-2", "Look for a second population: cavity, nest, operator, fixture, start of lot.",
    ),
    Kind(
        LOT_COUNT, "lot", LevelRule.REVIEW_BUT_GOOD_SIDE,
        "The counted share, rate or number of the lot lies beyond its control limits.", "ISO 7870-2", _LOOK_MEAN,
    ),
    Kind(
        EWMA, "lot", LevelRule.REVIEW_BUT_GOOD_SIDE,
        "The exponentially weighted moving average of the lot means lies beyond its frozen limits. It begins anew after a "
        "closed flag of this kind with an event in between that took the cause away.",
        "Lucas & Saccucci 1990; ISO 7870-6", "Look for a slow change: glass, optics, laser power, resin deliveries.",
    ),
    Kind(
        RUN_RULE, "lot", LevelRule.REVIEW_BUT_GOOD_SIDE,
        "A run rule chosen for this characteristic is fulfilled by the lot means.",
        "Western Electric 1956; Nelson 1984; ISO 7870-2", _LOOK_MEAN,
    ),
    Kind(
        CHANGE_POINT, "lot", LevelRule.REVIEW_BUT_GOOD_SIDE,
        "The lot means since the limits were set changed level at one point, found with this lot for the first time.",
        "change-point test of stats.drift", "Look at the events and material lots just before the first lot of the new level.",
    ),
    Kind(
        CAPABILITY_LOW, "process", LevelRule.REVIEW_IF_SPECIAL,
        "The 95 % lower bound of the performance index lies under the requirement.",
        "ISO 22514-2; the requirement is that of the characteristic or customer",
        "Add the reaction of the control plan (usually 100 % inspection) and improve centring or spread.",
    ),
    Kind(
        SHAPE_CHANGED, "process", LevelRule.REVIEW_IF_SPECIAL,
        "The values about their lot means differ in shape between the lots of the limits and the later ones.",
        "two-sample Kolmogorov-Smirnov test at 0.1 %", "Look for a mixture: failure modes, cavities, truncation by a stop.",
    ),
    Kind(
        AUTOCORRELATION, "process", LevelRule.REVIEW_IF_SPECIAL,
        "The lag-1 autocorrelation of the lot means is above 2/sqrt(number of lots).",
        COMMON, "Limits from moving ranges are too narrow then: take sigma from the overall standard deviation.",
    ),
    Kind(
        TOO_FEW_LOTS, "process", LevelRule.REVIEW_IF_SPECIAL,
        "Fewer than 25 lots or fewer than 100 readings under the limits.",
        "initial process study of the part approval manual (from memory)",
        "Quote no index without this remark; agree fewer data with the customer.",
    ),
    Kind(
        NO_AGREEMENT, "process", LevelRule.INFORM,
        "No agreement study shows that two persons call the same fracture interfacial.",
        "attribute agreement of the measurement-system manual (from memory)", "Plan an agreement study of failure modes.",
    ),
)  # fmt: skip

KINDS: Mapping[str, Kind] = MappingProxyType({kind.id: kind for kind in _ROWS})
"""All kinds by id."""


def find_kind(kind: str) -> Kind:
    """The row of that id. Raises UsageError that lists the ids."""
    try:
        return KINDS[kind]
    except KeyError:
        raise UsageError(f"No kind of flag {kind!r}.", f"Known kinds: {', '.join(KINDS)}.") from None


def level_of(kind: str, *, special: bool = False, good_side: bool = False) -> str:
    """'H', 'R' or 'I' of a case: `special` characteristic, `good_side` of a one-sided limit."""
    rule = find_kind(kind).level
    if rule is LevelRule.HOLD:
        return "H"
    if rule is LevelRule.INFORM:
        return "I"
    if rule is LevelRule.REVIEW_BUT_GOOD_SIDE:
        return "I" if good_side else "R"
    if rule is LevelRule.REVIEW_IF_SPECIAL:
        return "R" if special else "I"
    return "R"


def is_special(characteristic: Characteristic) -> bool:
    """Whether the characteristic has a special class."""
    return characteristic.special_class in SPECIAL_CLASSES


def one_sided(characteristic: Characteristic) -> bool:
    """Whether exactly one specification limit exists."""
    return (characteristic.lsl is None) != (characteristic.usl is None)


def on_good_side(characteristic: Characteristic, side: int) -> bool:
    """Whether a signal on that side (+1 above, -1 below) is good news: the far side of a one-sided limit.

    The good side is the stated one, else the side away from the only limit.
    """
    if side == 0 or not one_sided(characteristic):
        return False
    good = characteristic.good_side or (1 if characteristic.usl is None else -1)
    return side == good


def make_finding(
    kind: str,
    what: str,
    sentence: str,
    figures: Mapping[str, float | int | str | None],
    characteristic: Characteristic | None = None,
    *,
    side: int = 0,
    rule: str = "",
    source: str = "",
    stream_id: int = NO_STREAM,
    lot_id: int | None = None,
    moulding_lot_id: int | None = None,
    limits_id: int | None = None,
    at_us: int = 0,
) -> Finding:
    """A finding of that kind with its level, rule, source and reaction plan (else the remedy of the kind)."""
    row = find_kind(kind)
    special = characteristic is not None and is_special(characteristic)
    good = characteristic is not None and on_good_side(characteristic, side)
    plan = characteristic.reaction_plan if characteristic is not None else ()
    return Finding(
        kind=kind,
        level=level_of(kind, special=special, good_side=good),
        scope=row.scope,
        what=what,
        sentence=sentence,
        figures=figures,
        rule=rule or row.rule,
        source=source or row.source,
        characteristic_id=None if characteristic is None else characteristic.id,
        stream_id=stream_id,
        lot_id=lot_id,
        moulding_lot_id=moulding_lot_id,
        limits_id=limits_id,
        reaction_plan=plan or (row.remedy,),
        at_us=at_us,
    )


def shown(value: float, characteristic: Characteristic) -> str:
    """A value with the decimals and the unit of its characteristic."""
    return f"{value:.{characteristic.decimals}f} {characteristic.unit}".rstrip()
