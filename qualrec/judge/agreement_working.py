"""Agreement of people who call a class, with its working and verdict: what `calc agreement` prints and a stored study keeps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations
from typing import Any

from qualrec.errors import ComputeError
from qualrec.judge.gauge_verdict import add_verdict, agreement_verdict
from qualrec.stats import agreement as ag
from qualrec.stats.agreement import Kappa
from qualrec.stats.working import Working

SOURCE = "Cohen 1960; Fleiss 1971; AIAG MSA, 4th edition (from memory)"


def table_working(table: Sequence[Sequence[float]], level: float = 0.95) -> Working:
    """Two judges from their square table of counts."""
    answer = Working("Agreement of calls", SOURCE)
    found = ag.cohen_table(table, level)
    _kappa(answer, found, "Cohen, table")
    add_verdict(answer, agreement_verdict({"the two judges": found}))
    return answer


def counts_working(grid: Any, classes: Sequence[str], level: float = 0.95) -> Working:
    """Several judges from the counts of each class by part."""
    answer = Working("Agreement of calls", SOURCE)
    found = _fleiss(answer, grid, classes, level)
    add_verdict(answer, agreement_verdict({"all judges": found}))
    return answer


def calls_working(
    calls: Mapping[str, Sequence[str]],
    reference: Sequence[str] | None = None,
    good: str | None = None,
    level: float = 0.95,
) -> Working:
    """Calls by judge, one for each part (or part and trial): Cohen of two, Fleiss of more, pairs, each against the reference.

    Data: kappa, kappa_low, kappa_high, standard_error, observed, expected, n, method; per_class {class: kappa}, pairs
    {judges: kappa}, reference {judge: {kappa, right, n, share, share_low, share_high, missed, false_alarm}}; verdict where
    there is a kappa. Raises ComputeError.
    """
    answer = Working("Agreement of calls", SOURCE)
    kappas: dict[str, Kappa] = {}
    if len(calls) == 2:
        (a, first), (b, second) = calls.items()
        kappas[f"{a} and {b}"] = _kappa(answer, ag.cohen(first, second, level), f"Cohen, {a} and {b}")
    elif len(calls) > 2:
        grid, classes = ag.counts_of(list(zip(*calls.values(), strict=True)))
        kappas["all judges"] = _fleiss(answer, grid, list(classes), level)
        _pairs(answer, calls, level)
    if reference is not None:
        kappas |= _against(answer, calls, reference, good, level)
    if kappas:
        add_verdict(answer, agreement_verdict(kappas))
    return answer


def add_repeats(answer: Working, calls: Mapping[str, Sequence[Sequence[str]]]) -> None:
    """How often each judge calls the same class in all trials of a part; `calls` by judge, then by part."""
    found, rows = {}, []
    for judge, parts in calls.items():
        same = sum(len(set(each)) == 1 for each in parts)
        found[judge] = {"same": same, "parts": len(parts)}
        rows.append((judge, f"{same} of {len(parts)}", f"{100 * same / len(parts):.1f} %"))
    answer.data["repeats"] = found
    answer.table("Same call in all trials", ("judge", "parts", "share"), rows)


def _kappa(answer: Working, k: Kappa, method: str) -> Kappa:
    answer.data["method"] = method
    answer.add("n", k.n, "parts")
    answer.add("kappa", k.value, "kappa", method, "i")
    answer.interval("kappa", k.interval, "its interval", "i")
    answer.add("standard_error", k.standard_error, "standard error")
    answer.add("observed", k.found, "agreement found", "", "%")
    answer.add("expected", k.expected, "expected by chance", "", "%")
    answer.notes += [k.note] if k.note else []
    return k


def _fleiss(answer: Working, grid: Any, classes: Sequence[str], level: float) -> Kappa:
    found = _kappa(answer, ag.fleiss(grid, level), "Fleiss")
    try:
        each = ag.fleiss_per_class(grid, level)
    except ComputeError as error:
        answer.notes.append(f"No kappa per class: {error.message}")
        return found
    answer.data["per_class"] = {name: k.value for name, k in zip(classes, each, strict=True)}
    rows = [
        (name, f"{k.value:.3f}", answer.both(k.interval.low, k.interval.high, "i"))
        for name, k in zip(classes, each, strict=True)
    ]
    answer.table("Each class against all others", ("class", "kappa", "interval"), rows)
    return found


def _pairs(answer: Working, calls: Mapping[str, Sequence[str]], level: float) -> None:
    found: dict[str, float] = {}
    for a, b in combinations(calls, 2):
        try:
            found[f"{a} and {b}"] = ag.cohen(calls[a], calls[b], level).value
        except ComputeError as error:
            answer.notes.append(f"{a} and {b}: {error.message}")
    answer.data["pairs"] = found
    answer.table("Pairs", ("judges", "kappa"), [(k, f"{v:.3f}") for k, v in found.items()])


def _against(
    answer: Working,
    calls: Mapping[str, Sequence[str]],
    known: Sequence[str],
    good: str | None,
    level: float,
) -> dict[str, Kappa]:
    answer.data["reference"] = {}
    rows, kappas = [], {}
    for judge, each in calls.items():
        r = ag.against_reference(judge, each, known, good, level)
        kappas[f"{judge} against the reference"] = r.kappa
        entry: dict[str, Any] = {"kappa": r.kappa.value, "right": r.right, "n": r.n}
        entry |= {"share": r.right / r.n, "share_low": r.share.low, "share_high": r.share.high}
        for key, i in (("missed", r.missed), ("false_alarm", r.false_alarm)):
            entry[key] = None if i is None else [i.low, i.high]
        answer.data["reference"][judge] = entry
        missed = "" if r.missed is None else f"up to {100 * r.missed.high:.3g} %"
        share = answer.both(r.share.low, r.share.high, "%")
        rows.append((judge, f"{r.kappa.value:.3f}", f"{r.right} of {r.n}", share, missed))
    answer.table("Against the reference", ("judge", "kappa", "right", "interval", "missed failures"), rows)
    return kappas
