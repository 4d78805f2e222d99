"""The chain of evidence behind a capability index: six links, each yes, no or unknown and why.

The whole is as strong as its weakest link: 'no' before 'unknown' before 'yes'. An unstable process shows Ppk as
'performance, not stable'; with too few lots no index stands without that remark.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field

YES, NO, UNKNOWN = "yes", "no", "unknown"

LEAST_LOTS = 25
LEAST_READINGS = 100
DATA_SOURCE = (
    "initial process study of the part approval manual (from memory); fewer with the customer's agreement"
)
GRR_GOOD, GRR_POOR = 10.0, 30.0
GRR_SOURCE = "measurement-system manual, as cited in Int. J. Metrol. Qual. Eng. 2017"
LEAST_CATEGORIES = 5
SHAPE_ALPHA = 0.05
SHAPE_DISTANCE = 0.03
"""Where many values make any test of shape too sharp: the largest difference in shares that serves (judgement)."""

NOT_STABLE = "performance, not stable"
TWO_POPULATIONS = "two populations"
FEW_DATA = "too few data"


@dataclass(frozen=True, slots=True)
class GaugeStanding:
    """The gauges behind the readings. `grr_pct` and `categories` of the last gauge study, None without one."""

    gauges: tuple[str, ...] = ()
    readings: int = 0
    without_gauge: int = 0
    overdue: int = 0
    bad: int = 0
    grr_pct: float | None = None
    categories: int | None = None
    study: str = ""


@dataclass(frozen=True, slots=True)
class ShapeStanding:
    """The shape used for the index. `p` of its test, nan where none was made; `normal_p` that of the normal shape."""

    name: str = ""
    n: int = 0
    p: float = math.nan
    normal_p: float = math.nan
    note: str = ""
    distance: float = math.nan
    """Largest difference in shares from the shape; stands in for p where there is none."""


@dataclass(frozen=True, slots=True)
class IndexStanding:
    """The index that is judged, as 'Ppk', with its one-sided 95 % lower bound; nan where it does not exist."""

    name: str = ""
    value: float = math.nan
    bound: float = math.nan
    method: str = ""
    refusal: str = ""


@dataclass(frozen=True, slots=True)
class Evidence:
    """All that the chain is judged from. `signals` names the points of the chart that give a signal, in words.

    `requirement` None: none is stated. `by_bound`: the bound, not the index, must reach it. `limits_state` is
    'frozen', 'trial' or ''.
    """

    lots: int
    readings: int
    gauge: GaugeStanding = field(default_factory=GaugeStanding)
    limits_state: str = ""
    signals: tuple[str, ...] = ()
    shape: ShapeStanding = field(default_factory=ShapeStanding)
    index: IndexStanding = field(default_factory=IndexStanding)
    requirement: float | None = None
    by_bound: bool = True
    requirement_source: str = ""
    populations: str = ""
    """In words, where the lot means fall into two groups."""


@dataclass(frozen=True, slots=True)
class Link:
    """One link of the chain; `answer` is 'yes', 'no' or 'unknown'."""

    name: str
    question: str
    answer: str
    why: str
    source: str = ""


@dataclass(frozen=True, slots=True)
class Chain:
    """The links in order, the weakest answer, the remark that any printed index must carry ('' where none)."""

    links: tuple[Link, ...]
    answer: str
    remark: str
    sentence: str

    def link(self, name: str) -> Link:
        """The link of that name; KeyError where there is none."""
        for item in self.links:
            if item.name == name:
                return item
        raise KeyError(name)


def evidence_chain(evidence: Evidence) -> Chain:
    """Judge the six links: gauge, data, stability, shape, index, requirement."""
    data, stable = _data(evidence), _stable(evidence)
    remarks = [NOT_STABLE] if stable.answer == NO else []
    if data.answer != YES:
        remarks.append(FEW_DATA)
    if evidence.populations:
        remarks.append(TWO_POPULATIONS)
    remark = "; ".join(remarks)
    links = (
        _gauge(evidence.gauge),
        data,
        stable,
        _shape(evidence.shape, evidence.populations),
        _index(evidence.index, remark),
        _requirement(evidence),
    )
    answer = weakest(link.answer for link in links)
    weak = [link.name for link in links if link.answer == answer]
    sentence = (
        "Every link of the evidence holds."
        if answer == YES
        else f"The evidence ends at: {', '.join(weak)} ({answer})."
    )
    return Chain(links, answer, remark, sentence)


def weakest(answers: Iterable[str]) -> str:
    """The weakest of the answers: no, else unknown, else yes. Without answers: unknown."""
    found = set(answers)
    return next((a for a in (NO, UNKNOWN, YES) if a in found), UNKNOWN)


def _gauge(gauge: GaugeStanding) -> Link:
    name, question, source = "gauge", "Can the gauge be trusted?", GRR_SOURCE
    if gauge.readings == 0:
        return Link(name, question, UNKNOWN, "There are no readings.", source)
    doubtful = [
        f"{count} of {gauge.readings} readings on {word}"
        for count, word in ((gauge.overdue, "an overdue gauge"), (gauge.bad, "a gauge found bad"))
        if count
    ]
    if doubtful:
        return Link(name, question, NO, f"{'; '.join(doubtful)}.", source)
    if gauge.grr_pct is not None and gauge.grr_pct > GRR_POOR:
        why = f"The gauge study {gauge.study} found {gauge.grr_pct:.1f} % of study variation, above {GRR_POOR:g} %."
        return Link(name, question, NO, why, source)
    if gauge.categories is not None and gauge.categories < LEAST_CATEGORIES:
        why = f"The gauge study {gauge.study} tells {gauge.categories} categories apart; {LEAST_CATEGORIES} are needed."
        return Link(name, question, NO, why, source)
    if gauge.without_gauge:
        why = f"{gauge.without_gauge} of {gauge.readings} readings do not name their gauge."
        return Link(name, question, UNKNOWN, why, source)
    named = f"Gauge {', '.join(gauge.gauges)} was within calibration for all {gauge.readings} readings"
    if gauge.grr_pct is None:
        return Link(name, question, UNKNOWN, f"{named}, but no gauge study is on record.", source)
    study = f"study {gauge.study} found {gauge.grr_pct:.1f} % of study variation"
    if gauge.grr_pct > GRR_GOOD:
        why = f"{named}; {study}: between {GRR_GOOD:g} and {GRR_POOR:g} % the customer decides."
        return Link(name, question, UNKNOWN, why, source)
    return Link(name, question, YES, f"{named}; {study}.", source)


def _data(evidence: Evidence) -> Link:
    enough = evidence.lots >= LEAST_LOTS and evidence.readings >= LEAST_READINGS
    why = (
        f"{evidence.lots} lots and {evidence.readings} readings; at least {LEAST_LOTS} lots and "
        f"{LEAST_READINGS} readings are asked."
    )
    return Link("data", "Are there enough data?", YES if enough else NO, why, DATA_SOURCE)


def _stable(evidence: Evidence) -> Link:
    name, question, source = "stability", "Is the process stable?", "ISO 22514-2; charts by ISO 7870-2"
    if not evidence.limits_state:
        return Link(name, question, UNKNOWN, "There are no control limits.", source)
    limits = f"{evidence.limits_state} limits"
    if evidence.signals:
        shown = ", ".join(evidence.signals[:5]) + (" and more" if len(evidence.signals) > 5 else "")
        count = len(evidence.signals)
        why = f"{count} {'point' if count == 1 else 'points'} with a signal under {limits}: {shown}."
        return Link(name, question, NO, why, source)
    if evidence.lots < LEAST_LOTS:
        why = f"No signal under {limits}, but {evidence.lots} lots are too few to show stability."
        return Link(name, question, UNKNOWN, why, source)
    return Link(name, question, YES, f"No signal on {evidence.lots} lots under {limits}.", source)


def _shape(shape: ShapeStanding, populations: str) -> Link:
    name, question, source = "shape", "Is the shape known?", "Anderson-Darling; ISO 22514-2"
    if populations:
        return Link(name, question, NO, f"{populations} One shape over both describes neither.", source)
    if not shape.name:
        return Link(name, question, UNKNOWN, shape.note or "No shape was tested.", source)
    tested = f"{shape.name} shape on {shape.n} values"
    if math.isnan(shape.p) and not math.isnan(shape.distance):
        near = shape.distance <= SHAPE_DISTANCE
        why = (
            f"{tested} {'lies' if near else 'does not lie'} within {SHAPE_DISTANCE * 100:g} % of the shares "
        )
        return Link(
            name,
            question,
            YES if near else NO,
            f"{why}(largest difference {shape.distance * 100:.1f} %).",
            source,
        )
    if math.isnan(shape.p):
        return Link(name, question, UNKNOWN, f"{tested}: {shape.note or 'not tested'}", source)
    if shape.p < SHAPE_ALPHA:
        why = f"No shape fits; the nearest is the {tested} (p = {shape.p:.2g}). {shape.note}".rstrip()
        return Link(name, question, NO, why, source)
    return Link(
        name,
        question,
        YES,
        f"{tested} is not contradicted (p = {shape.p:.2g}). {shape.note}".rstrip(),
        source,
    )


def _index(index: IndexStanding, remark: str) -> Link:
    name, question = "index", "Is there an index with its lower bound?"
    if math.isnan(index.value):
        return Link(name, question, NO, index.refusal or "No index can be told.", index.method)
    said = f"{index.name} {index.value:.2f}" + (f" ({remark})" if remark else "")
    if math.isnan(index.bound):
        return Link(
            name, question, NO, f"{said} has no lower bound: {index.refusal}".rstrip(": "), index.method
        )
    return Link(name, question, YES, f"{said}, 95 % lower bound {index.bound:.2f}.", index.method)


def _requirement(evidence: Evidence) -> Link:
    name, question, index = "requirement", "Is the requirement met?", evidence.index
    if evidence.requirement is None:
        return Link(name, question, UNKNOWN, "No requirement is stated.", "")
    by, value = ("lower bound", index.bound) if evidence.by_bound else ("index", index.value)
    if math.isnan(value):
        return Link(name, question, UNKNOWN, f"There is no {by} to compare.", evidence.requirement_source)
    met = value >= evidence.requirement
    word = "reaches" if met else "is under"
    why = f"The {by} {value:.2f} {word} the requirement {evidence.requirement:.2f}."
    if met and not evidence.by_bound and index.bound < evidence.requirement:
        why += f" Its lower bound {index.bound:.2f} does not."
    return Link(name, question, YES if met else NO, why, evidence.requirement_source)
