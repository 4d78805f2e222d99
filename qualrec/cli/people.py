"""Commands on persons and gauges of the plant."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from qualrec.cli import accounts, output
from qualrec.cli.context import session

if TYPE_CHECKING:
    from qualrec.records.lookups import Person
    from qualrec.work.session import Session

Json = Annotated[bool, typer.Option("--json", help="Data as JSON on stdout.")]
Badge = Annotated[str, typer.Argument(metavar="BADGE", help="Badge as scanned.")]
GaugeCode = Annotated[str, typer.Argument(metavar="GAUGE", help="Code of the gauge.")]
ROLES = "technician, 'process engineer', 'quality engineer', auditor or administrator"


def add_to(app: typer.Typer) -> None:
    app.command("gauge-check")(check_gauge)
    app.command("calibration")(calibrate_gauge)
    app.command("persons")(list_persons)
    app.command("person")(set_person)
    accounts.add_to(app)


def check_gauge(
    gauge: GaugeCode,
    reference: Annotated[str, typer.Option(help="Value of the reference.")],
    found: Annotated[str, typer.Option(help="Value found.")],
    tolerance: Annotated[str, typer.Option(help="How far apart they may be.")],
    remark: Annotated[str, typer.Option(help="Remark.")] = "",
) -> None:
    """Record a check of a gauge against a reference; a bad one marks the gauge."""
    from qualrec.work import gauges

    with session() as s:
        output.line(
            gauges.record_check(
                s, gauge, reference=reference, found=found, tolerance=tolerance, remark=remark
            )
        )


def calibrate_gauge(
    gauge: GaugeCode,
    day: Annotated[str, typer.Option(help="Day of the calibration, as 2026-11-30.")],
    verdict: Annotated[str, typer.Option(help="good, bad, or adjusted (bad as found, good as left).")] = "",
    certificate: Annotated[str, typer.Option(help="Number of the certificate.")] = "",
    as_found: Annotated[str, typer.Option(help="Deviation as found.")] = "",
    as_left: Annotated[str, typer.Option(help="Deviation as left.")] = "",
    standard: Annotated[str, typer.Option(help="Standard that was used.")] = "",
    limit: Annotated[
        str, typer.Option(help="Largest permissible deviation: the verdict follows from it.")
    ] = "",
) -> None:
    """Record a calibration of a gauge; due again after the gauge's interval."""
    from qualrec.work import gauges

    with session() as s:
        output.line(
            gauges.record_calibration(
                s,
                gauge,
                day=day,
                verdict=verdict,
                certificate=certificate,
                as_found=as_found,
                as_left=as_left,
                standard=standard,
                limit=limit,
            )
        )


def list_persons(as_json: Json = False) -> None:
    """List persons with badge, state and roles."""
    from qualrec.records import lookups

    with session() as s, s.store.read() as conn:
        rows = lookups.persons(conn)
        if as_json:
            output.json_out(rows)
            return
        now = s.store.clock()
        output.table(
            ("badge", "name", "state", "signs on with", "roles"),
            ((p.badge, p.name, _state(s, p, now), p.signs_on_with, ", ".join(sorted(p.roles))) for p in rows),
        )


def _state(session: Session, person: Person, now_us: int) -> str:
    if person.state == "active" and person.locked_until_us is not None and now_us < person.locked_until_us:
        return f"locked until {session.moment(person.locked_until_us)}"
    return person.state


def set_person(
    badge: Badge,
    name: Annotated[str, typer.Option(help="Name of a person who is new.")] = "",
    role: Annotated[list[str] | None, typer.Option(help=f"Role to give: {ROLES}. May be repeated.")] = None,
    take: Annotated[list[str] | None, typer.Option(help="Role to take away. May be repeated.")] = None,
    state: Annotated[str, typer.Option(help="active or disabled (a leaver).")] = "",
    reason: Annotated[str, typer.Option(help="Why, in words.")] = "",
) -> None:
    """Add a person (with --name), give or take roles, disable a leaver."""
    from qualrec.work import people

    with session() as s:
        if name:
            output.line(people.add_person(s, badge, name, role or []))
        else:
            output.line(
                people.change_person(s, badge, give=role or [], take=take or [], state=state, reason=reason)
            )
