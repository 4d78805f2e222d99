"""Findings on a process: they stand on the part and never block a lot by themselves."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from qualrec.judge import kinds
from qualrec.judge.evidence import LEAST_LOTS, LEAST_READINGS, Chain, Evidence
from qualrec.judge.kinds import make_finding
from qualrec.values import Characteristic, Customer, Finding

SHAPE_ALPHA = 0.001
LEAST_FOR_SHAPE = 50
LEAST_FOR_R1 = 8
"""Fewest lots for a word on autocorrelation, as the cautions of the charts use."""


@dataclass(frozen=True, slots=True)
class ProcessFacts:
    """What the process of one characteristic is judged by.

    `r1` lag-1 autocorrelation of the lot means; `shape_p` of the test that later lots have another shape than those of
    the limits, on `shape_n` = (earlier, later) values; nan where there is none. `agreement` None: does not apply.
    """

    characteristic: Characteristic
    evidence: Evidence
    chain: Chain
    r1: float = math.nan
    shape_p: float = math.nan
    shape_n: tuple[int, int] = (0, 0)
    agreement: bool | None = None
    at_us: int = 0


def requirement_of(
    characteristic: Characteristic, customer: Customer | None
) -> tuple[float | None, bool, str]:
    """The index asked for, whether its lower bound must reach it, and who asks.

    The requirement of the characteristic wins over that of the customer for its class. Without a customer's rule the
    lower bound must reach it.
    """
    by_bound = customer is None or customer.uses_bound
    if characteristic.index_requirement is not None:
        return characteristic.index_requirement, by_bound, "characteristic"
    if customer is not None:
        special = kinds.is_special(characteristic)
        asked = customer.index_special if special else customer.index_standard
        if asked is not None:
            return (
                asked,
                by_bound,
                f"customer {customer.code}, {'special' if special else 'standard'} characteristics",
            )
    return None, by_bound, ""


def process_findings(facts: ProcessFacts) -> tuple[Finding, ...]:
    """Capability bound under the requirement, shape changed, autocorrelation, too few lots, no agreement study.

    Capability and the count of lots are judged only where there is a specification limit and at least one reading.
    """
    c, e = facts.characteristic, facts.evidence
    found = []
    limited = (c.lsl is not None or c.usl is not None) and e.readings > 0
    if limited and e.requirement is not None and e.index.bound < e.requirement:
        text = (
            f"{c.name}: the 95 % lower bound of {e.index.name} is {e.index.bound:.2f}, "
            f"the requirement {e.requirement:.2f} ({e.requirement_source})."
        )
        if facts.chain.remark:
            text += f" Remark: {facts.chain.remark}."
        figures = {
            "index": e.index.value,
            "bound": e.index.bound,
            "requirement": e.requirement,
            "lots": e.lots,
        }
        found.append(_finding(facts, kinds.CAPABILITY_LOW, "bound", text, figures))
    if limited and (e.lots < LEAST_LOTS or e.readings < LEAST_READINGS):
        text = f"{c.name}: {e.lots} lots and {e.readings} readings are too few for an index without remark."
        found.append(
            _finding(facts, kinds.TOO_FEW_LOTS, "lots", text, {"lots": e.lots, "readings": e.readings})
        )
    if min(facts.shape_n) >= LEAST_FOR_SHAPE and facts.shape_p < SHAPE_ALPHA:
        text = f"{c.name}: the values about their lot means changed shape since the limits (p = {facts.shape_p:.2g})."
        figures = {"p": facts.shape_p, "earlier values": facts.shape_n[0], "later values": facts.shape_n[1]}
        found.append(_finding(facts, kinds.SHAPE_CHANGED, "shape", text, figures))
    if e.lots >= LEAST_FOR_R1 and facts.r1 > 2.0 / math.sqrt(e.lots):
        text = f"{c.name}: successive lot means are alike (lag-1 autocorrelation {facts.r1:.2f} on {e.lots} lots)."
        found.append(
            _finding(facts, kinds.AUTOCORRELATION, "lot means", text, {"r1": facts.r1, "lots": e.lots})
        )
    if facts.agreement is False:
        text = f"{c.name}: no agreement study of the failure modes is on record."
        found.append(_finding(facts, kinds.NO_AGREEMENT, "failure modes", text, {}))
    return tuple(found)


def _finding(
    facts: ProcessFacts,
    kind: str,
    what: str,
    sentence: str,
    figures: Mapping[str, float | int],
) -> Finding:
    return make_finding(kind, what, sentence, dict(figures), facts.characteristic, at_us=facts.at_us)
