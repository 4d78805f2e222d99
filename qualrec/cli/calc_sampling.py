"""`calc sampling`: what a plan does, the plan for two points, variables plans, plans of printed tables."""

from __future__ import annotations

from typing import Annotated

import typer

from qualrec.cli.calc_command import Answer, Lower, Upper, chosen, command, family, num
from qualrec.cli.calc_input import Source, figures_in
from qualrec.errors import UsageError

app = family()
UNCHECKED = (
    "Table values from memory, not checked against the standard itself: never the sole basis of a verdict."
)
SHARES = (0.001, 0.0025, 0.005, 0.01, 0.015, 0.02, 0.03, 0.04, 0.05, 0.07, 0.1, 0.15, 0.2)


@command(app, "sampling")
def sampling(
    source: Source,
    n: Annotated[int | None, typer.Option("--n", help="Sample size of a plan.")] = None,
    accept: Annotated[int | None, typer.Option("--accept", help="Acceptance number c.")] = None,
    k: Annotated[float | None, num("Acceptance constant k of a variables plan.", "--k")] = None,
    p: Annotated[list[str] | None, typer.Option("--p", help="Shares nonconforming, as '0.01 0.05'.")] = None,
    lot: Annotated[int | None, typer.Option("--lot", help="Lot size.")] = None,
    model: Annotated[str, typer.Option("--model", help="binomial, hypergeometric or poisson.")] = "binomial",
    full_outgoing: Annotated[
        bool,
        typer.Option(
            "--replaced", help="AOQ with the factor (N - n)/N: bad parts in the sample are replaced."
        ),
    ] = False,
    good: Annotated[float | None, num("Share to be accepted (with --bad: search a plan).", "--good")] = None,
    bad: Annotated[float | None, num("Share to be rejected.", "--bad")] = None,
    producer_risk: Annotated[float, num("Chance to reject the good share.", "--producer-risk")] = 0.05,
    consumer_risk: Annotated[float, num("Chance to accept the bad share.", "--consumer-risk")] = 0.10,
    variables: Annotated[
        bool, typer.Option("--variables", help="Plan by measured values (k-method).")
    ] = False,
    lsl: Lower = None,
    usl: Upper = None,
    level: Annotated[
        str, typer.Option("--level", help="Inspection level of the table: I, II, III, S-1 to S-4.")
    ] = "II",
    aql: Annotated[float | None, num("AQL in % for a plan of the printed table.", "--aql")] = None,
    letter: Annotated[
        str | None, typer.Option("--letter", help="Code letter, else from --lot and --level.")
    ] = None,
) -> Answer:
    """Acceptance sampling.

    --n and --accept: operating curve. --good and --bad: smallest plan. --n and --k: variables plan; with values and a limit
    they are judged. --lot with --level and --aql: code letter and plan of the table.
    JSON: n, c or k, p, pa, aoq, ati, aoql; pa_good, pa_bad; mean, sd, q, accept; letter, ac, re, aql, table_source.
    """
    shares = [v for text in p or [] for v in figures_in(text)]
    if source.given:
        return _judge(source, n, k, lsl, usl)
    if good is not None or bad is not None:
        if good is None or bad is None:
            raise UsageError("A plan needs two points.", "Give --good and --bad.")
        return _search(good, bad, producer_risk, consumer_risk, model, lot, variables)
    if n is not None and k is not None:
        return _variables_curve(n, k, shares)
    if n is not None and accept is not None:
        return _curve(n, accept, shares, lot, model, full_outgoing)
    if letter is not None or (lot is not None and n is None):
        return _table_plan(letter, lot, level, aql, variables)
    raise UsageError(
        "No plan is given.",
        "Give --n and --accept (or --k), --good and --bad, or --lot with --level and --aql.",
    )


def _curve(n: int, c: int, shares: list[float], lot: int | None, model: str, replaced: bool) -> Answer:
    from qualrec.stats import sampling as sp

    kind = chosen("--model", model, sp.MODELS)
    found = sp.operating_curve(n, c, shares or list(SHARES), lot, kind, replaced)
    answer = Answer(f"Single plan: n {n}, accept with {c} or fewer, {kind}", "NIST e-Handbook 6.2.3.2")
    answer.data |= {"n": n, "c": c, "model": kind, "lot": lot, "p": found.p, "pa": found.pa}
    answer.data |= {"aoq": found.aoq, "ati": found.ati}
    answer.add("aoql", found.aoql, "largest average outgoing share", "over all incoming shares", "%")
    heads = ("share", "accepted", "outgoing", "inspected")
    rows = [
        (f"{100 * a:g} %", f"{b:.4f}", f"{100 * q:.4f} %", "" if t != t else f"{t:.1f}")
        for a, b, q, t in zip(found.p, found.pa, found.aoq, found.ati, strict=True)
    ]
    answer.table("Chance of acceptance, average outgoing share, average number inspected", heads, rows)
    answer.conventions.append(found.note)
    return answer


def _search(
    good: float, bad: float, producer: float, consumer: float, model: str, lot: int | None, variables: bool
) -> Answer:
    from qualrec.stats import sampling as sp

    answer = Answer(
        f"Plan: accept {100 * good:g} % at {100 * (1 - producer):g} %, {100 * bad:g} % at most at {100 * consumer:g} %",
        "NIST e-Handbook 6.2.3.2; ISO 3951-1 (k-method)" if variables else "NIST e-Handbook 6.2.3.2",
    )
    answer.data |= {"good": good, "bad": bad, "producer_risk": producer, "consumer_risk": consumer}
    if variables:
        by_values = sp.find_variables_plan(good, bad, producer, consumer)
        answer.add("n", by_values.n, "values")
        answer.add("k", by_values.k, "acceptance constant k", "accept where (mean - lsl)/s >= k", "i")
        pa = by_values.pa_good, by_values.pa_bad
    else:
        kind = chosen("--model", model, sp.MODELS)
        plan = sp.find_plan(good, bad, producer, consumer, kind, lot)
        answer.add("n", plan.n, "sample size", kind)
        answer.add("c", plan.c, "acceptance number")
        answer.data["model"] = kind
        pa = plan.pa_good, plan.pa_bad
    answer.add("pa_good", pa[0], f"accepted at {100 * good:g} %", "", "%")
    answer.add("pa_bad", pa[1], f"accepted at {100 * bad:g} %", "", "%")
    answer.conventions.append("The smallest n that keeps both risks.")
    return answer


def _variables_curve(n: int, k: float, shares: list[float]) -> Answer:
    from qualrec.stats import sampling as sp

    at = shares or list(SHARES)
    pa = sp.variables_acceptance(n, k, at)
    answer = Answer(
        f"Variables plan: {n} values, k {k:g}, one limit, sigma unknown",
        "ISO 3951-1, k-method (non-central t)",
    )
    answer.data |= {"n": n, "k": k, "p": at, "pa": pa}
    answer.table(
        "", ("share", "accepted"), [(f"{100 * a:g} %", f"{b:.4f}") for a, b in zip(at, pa, strict=True)]
    )
    return answer


def _judge(source: Source, n: int | None, k: float | None, lsl: float | None, usl: float | None) -> Answer:
    from qualrec.stats import sampling as sp

    if k is None:
        raise UsageError("Values are judged by an acceptance constant.", "Give --k and a limit.")
    x = source.one()
    if n is not None and n != len(x):
        raise UsageError(
            f"The plan asks for {n} values; {len(x)} given.", "Measure as many as the plan asks."
        )
    found = sp.judge_variables(x, k, lsl, usl)
    answer = Answer(
        f"Variables plan: {found.n} values judged", "ISO 3951-1, k-method; MIL-STD-414 form 1", found.sd
    )
    answer.add("n", found.n, "n")
    answer.add("mean", found.mean, "mean", "", "x")
    answer.add("sd", found.sd, "standard deviation")
    answer.add("q", found.q, "quality index Q", "smaller of (mean - lsl)/s, (usl - mean)/s", "i")
    answer.add("k", found.k, "acceptance constant k", "", "i")
    answer.add("accept", found.accept, "accepted", "Q >= k")
    answer.notes += [found.note] if found.note else []
    answer.bad = not found.accept
    return answer


def _table_plan(
    letter: str | None, lot: int | None, level: str, aql: float | None, variables: bool
) -> Answer:
    from qualrec.stats import table_plans as tp

    answer = Answer("Plan of a printed table", "ISO 2859-1 / MIL-STD-414, from memory")
    if letter is None:
        assert lot is not None
        letter = tp.code_letter(lot, level.upper())
        answer.add("lot", lot, "lot size", f"inspection level {level.upper()}")
        answer.data["level"] = level.upper()
    answer.add("letter", letter, "code letter")
    if aql is not None:
        plan = (tp.variables_plan if variables else tp.attribute_plan)(letter, aql)
        answer.add("n", plan.n, "sample size", f"AQL {aql:g} %, normal inspection")
        if plan.k is None:
            from qualrec.stats.sampling import acceptance

            answer.add("ac", plan.accept, "acceptance number")
            answer.add("re", plan.reject, "rejection number")
            pa = float(acceptance(plan.n, plan.accept or 0, [aql / 100.0])[0])
            answer.add("pa_at_aql", pa, "accepted at the AQL", "binomial", "%")
        else:
            answer.add("k", plan.k, "acceptance constant k", "", "i")
        answer.data |= {"aql": aql, "table_source": plan.source}
        answer.source = plan.source
    answer.notes.append(UNCHECKED)
    return answer
