"""The validation record: every packaged published case run through the product on this machine, dated.

A table whose values nobody could check against the standard itself agrees here only with what was packaged; its cases are
marked `table_unchecked`, and do not prove the table.
"""

from __future__ import annotations

import platform
import sys
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from qualrec import __version__
from qualrec.reference import Case, Expected, load_cases

LIBRARIES = ("numpy", "scipy", "pandas", "sqlalchemy", "sqlmodel", "alembic", "textual", "openpyxl", "typer")
UNCHECKED = (
    "iso2859_code_letters_general",
    "iso2859_code_letters_special",
    "iso2859_plans_a",
    "mil414_k_aql1",
)
"""Cases of printed tables that could not be recomputed or read in the standard."""
UNCHECKED_REMARK = "Table not checked against the standard itself: agreement with the packaged values only."


@dataclass(frozen=True, slots=True)
class Quantity:
    """One expected figure of a case: as published, as computed here, the tolerance in words, and whether it is within."""

    name: str
    expected: Any
    printed: str
    computed: Any
    tolerance: str
    passed: bool


@dataclass(frozen=True, slots=True)
class CaseResult:
    """One case. `verdict` is 'passed', 'failed' or 'error' (then `error` says what went wrong)."""

    id: str
    kind: str
    title: str
    source: str
    how_obtained: str
    from_memory: bool
    table_unchecked: bool
    certainty: str
    quantities: tuple[Quantity, ...]
    verdict: str
    error: str = ""
    remark: str = ""

    @property
    def passed(self) -> bool:
        return self.verdict == "passed"


@dataclass(frozen=True, slots=True)
class Environment:
    """Where the record was made. `moment` is UTC, ISO 8601."""

    moment: str
    program: str
    python: str
    platform: str
    machine: str
    libraries: dict[str, str]


@dataclass(frozen=True, slots=True)
class SelfCheck:
    """The whole record."""

    passed: int
    failed: int
    environment: Environment
    cases: tuple[CaseResult, ...]


def run_selfcheck() -> SelfCheck:
    """Run every packaged case. A case that raises is a failed one; the run goes on."""
    results = tuple(check_case(case) for case in load_cases())
    good = sum(result.passed for result in results)
    return SelfCheck(good, len(results) - good, environment(), results)


def check_case(case: Case) -> CaseResult:
    """Compute one case and hold it against what was published."""
    from qualrec.work import selfcheck_cases

    quantities: tuple[Quantity, ...] = ()
    error = ""
    try:
        found = selfcheck_cases.compute(case)
        quantities = tuple(_quantity(expected, found[name]) for name, expected in case.expected.items())
    except Exception as problem:  # any failure is a finding of the record, and the other cases still run
        error = f"{type(problem).__name__}: {problem}"
    good = not error and all(q.passed for q in quantities)
    unchecked = case.id in UNCHECKED
    return CaseResult(
        id=case.id,
        kind=case.kind,
        title=case.title,
        source=case.source,
        how_obtained=case.how_obtained,
        from_memory=case.from_memory,
        table_unchecked=unchecked,
        certainty=case.certainty,
        quantities=quantities,
        verdict="error" if error else "passed" if good else "failed",
        error=error,
        remark=UNCHECKED_REMARK if unchecked else "",
    )


def _quantity(expected: Expected, computed: Any) -> Quantity:
    plain = computed.tolist() if hasattr(computed, "tolist") else computed
    if isinstance(plain, tuple):
        plain = list(plain)
    return Quantity(
        expected.name,
        expected.value,
        expected.printed,
        plain,
        tolerance_text(expected),
        expected.accepts(plain),
    )


def tolerance_text(expected: Expected) -> str:
    """The tolerance that the print allows, in words."""
    if expected.exact:
        return "exact"
    parts = []
    if expected.tol_abs is not None:
        parts.append(f"-+ {expected.tol_abs:g}")
    if expected.tol_rel is not None:
        parts.append(f"-+ {expected.tol_rel:g} of the value")
    return " or ".join(parts) or "exact"


def environment() -> Environment:
    """Versions of the program, Python and the libraries, the platform, and the moment."""
    return Environment(
        moment=datetime.now(UTC).isoformat(timespec="seconds"),
        program=__version__,
        python=f"{platform.python_implementation()} {sys.version.split()[0]}",
        platform=platform.platform(),
        machine=platform.machine(),
        libraries={name: _version(name) for name in LIBRARIES},
    )


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed"


def heading_rows(record: SelfCheck) -> list[tuple[str, str]]:
    """What stands at the head of the record, as pairs of words."""
    e = record.environment
    return [
        ("verdict", "passed" if record.failed == 0 else "FAILED"),
        ("cases passed", str(record.passed)),
        ("cases failed", str(record.failed)),
        ("made", e.moment),
        ("qualrec", e.program),
        ("python", e.python),
        ("platform", f"{e.platform} ({e.machine})"),
        *((name, number) for name, number in e.libraries.items()),
    ]


def how_text(result: CaseResult) -> str:
    """How the expected figures were obtained, with the doubts about them."""
    return "; ".join(
        t
        for t in (result.how_obtained, result.certainty and f"certainty {result.certainty}", result.remark)
        if t
    )


def figure_text(value: Any, most: int = 4) -> str:
    """A figure, or the first figures of a list, for a reader."""
    if isinstance(value, bool) or not isinstance(value, int | float | list):
        return "none" if value is None else str(value)
    if isinstance(value, list):
        shown = " ".join(figure_text(v) for v in value[:most])
        return f"{shown} … ({len(value)})" if len(value) > most else shown
    return f"{value:.10g}"


def record_text(record: SelfCheck) -> str:
    """The record as plain text."""
    lines = ["Validation record of the statistics", ""]
    lines += [f"{name:<14}{value}" for name, value in heading_rows(record)]
    for result in record.cases:
        lines += ["", f"[{result.verdict}] {result.id}: {result.title}"]
        lines += [f"  source    {result.source}", f"  obtained  {how_text(result)}"]
        if result.error:
            lines.append(f"  error     {result.error}")
        for q in result.quantities:
            sign = "ok" if q.passed else "NOT WITHIN"
            expected, computed = figure_text(q.expected), figure_text(q.computed)
            lines.append(
                f"  {q.name}: expected {expected}, computed {computed}, tolerance {q.tolerance}: {sign}"
            )
    return "\n".join(lines) + "\n"
