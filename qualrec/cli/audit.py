"""Commands for audits: archives, samples, evidence by clause, integrity of entries, retention."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from qualrec.cli import diagnostics, output
from qualrec.cli.context import session
from qualrec.errors import ExitCode

if TYPE_CHECKING:
    from qualrec.work.audit import Drawn
    from qualrec.work.session import Session

Json = Annotated[bool, typer.Option("--json", help="Data as JSON on stdout.")]
Folder = Annotated[Path, typer.Argument(help="Folder of the archive.")]


def add_to(app: typer.Typer) -> None:
    app.command("archive")(write_archive)
    app.command("archive-check")(check_archive)
    app.command("audit-sample")(draw_sample)
    app.command("clauses")(list_clauses)
    app.command("integrity")(show_integrity)
    group = typer.Typer(
        help="How long records are kept; refuses an early purge.",
        no_args_is_help=True,
        rich_markup_mode=None,
    )
    group.command("list")(list_retention)
    group.command("check")(check_retention)
    group.command("set")(set_retention)
    app.add_typer(group, name="retention")


def write_archive(folder: Folder, as_json: Json = False) -> None:
    """Write all records as plain files that are readable without this program."""
    from qualrec.work import archive

    with session() as s:
        made = archive.write(s, folder, diagnostics.say)
    if as_json:
        output.json_out(made)
        return
    for sentence in archive.sentences(made):
        output.line(sentence)


def check_archive(folder: Folder, as_json: Json = False) -> None:
    """Compare an archive with its manifest; needs no database. Exit 1 where a file was changed."""
    from qualrec.work import archive

    found = archive.check(folder)
    if as_json:
        output.json_out(found)
    else:
        for fault in found.faults:
            output.line(fault)
        word = "All agree with the manifest." if found.ok else f"NOT SOUND: {len(found.faults)} faults."
        output.line(f"{found.files} files, {found.rows} rows. {word}")
        for head in found.heads:
            output.line(f"Head of plant {head.plant_id}: entry {head.seq}, {head.digest}")
    if not found.ok:
        raise typer.Exit(int(ExitCode.BAD_ANSWER))


def draw_sample(
    count: Annotated[int, typer.Option(help="How many records.")] = 20,
    seed: Annotated[str | None, typer.Option(help="Seed; one is made and printed if left out.")] = None,
    of: Annotated[str, typer.Option(help="readings, lots or corrections.")] = "readings",
    as_json: Json = False,
) -> None:
    """Draw a random sample of records for an auditor, with the seed to draw it again."""
    from qualrec.work import audit

    with session() as s:
        found = audit.sample(s, count, seed=seed, kind=of)
        if as_json:
            output.json_out(found)
            return
        output.line(f"{len(found.drawn)} of {found.total} {found.kind}, seed {found.seed}")
        output.line(f"Head of the trail: entry {found.head.seq}, {found.head.digest}")
        output.line(found.rule)
        if found.kind == "lots":
            output.table(
                ("place", "lot", "part", "state", "welded"),
                (
                    (d.place, d.lot.number, d.lot.part_number, d.lot.state, s.moment(d.lot.started_us))
                    for d in found.drawn
                    if d.lot is not None
                ),
                right=(0,),
            )
            return
        heads = ("place", "lot", "", "sample", "entered", "counts", "unit", "at", "by", "gauge", "then",
                 "batch", "trail", "remark")  # fmt: skip
        output.table(heads, (_drawn_cells(s, d) for d in found.drawn), right=(0, 3, 4, 5, 11, 12))


def _drawn_cells(session: Session, drawn: Drawn) -> tuple[object, ...]:
    from qualrec.cli.lot_text import figure

    row, origin = drawn.reading, drawn.origin
    assert row is not None
    assert origin is not None
    remark = drawn.remark or ("corrected: " + row.correction_reason if row.corrected else "")
    return (
        drawn.place,
        row.lot_number,
        row.code,
        row.key.sample,
        figure(session, row.original),
        "void" if row.void else figure(session, row.value),
        row.unit,
        session.moment(row.at_us),
        row.person,
        row.gauge,
        drawn.gauge_then,
        session.short_id(origin.batch_id),
        origin.trail_seq,
        remark,
    )


def list_clauses(
    own: Annotated[
        Path | None, typer.Option("--map", help="Your own map of clauses instead of the packaged one.")
    ] = None,
    write: Annotated[
        Path | None, typer.Option(help="Write the packaged map into this file, to be edited.")
    ] = None,
    as_json: Json = False,
) -> None:
    """List clauses of the standards with the evidence that the records hold for each."""
    from qualrec.work import audit

    if write is not None:
        output.line(audit.write_map(write))
        return
    with session() as s:
        found = audit.clauses(s, own)
    if as_json:
        output.json_out(found)
        return
    output.table(
        ("clause", "subject", "evidence", "records", "source"),
        (
            (
                c.clause,
                c.subject,
                c.evidence,
                ", ".join(f"{n} {name}" for name, n in c.counts.items()),
                c.source,
            )
            for c in found
        ),
    )
    diagnostics.say("An aid to find evidence; whether a clause is met, a person judges.")


def show_integrity(
    since: Annotated[str | None, typer.Option("--from", help="First day, or moment.")] = None,
    until: Annotated[str | None, typer.Option(help="Last day, as 2026-11-30.")] = None,
    as_json: Json = False,
) -> None:
    """Count corrections, values typed twice, entries not taken, late entries, repeats and uses as is."""
    from qualrec.work import audit
    from qualrec.work.days import end_of_day, moment_of

    with session() as s:
        from_us = None if since is None else moment_of(s, since)
        found = audit.integrity(s, from_us, None if until is None else end_of_day(s, until))
    if as_json:
        output.json_out(found)
        return
    output.table(
        ("what", "by", "station", "reason", "times"),
        ((r.what, r.person, r.station, r.reason, r.n) for r in found.rows),
        right=(4,),
    )
    late, twice = found.total("entered late"), found.total("typed twice")
    output.line(
        f"{found.typed} readings typed: {late} late, {twice} typed twice; {found.total('correction')} corrections, "
        f"{found.total('entry not taken')} entries not taken."
    )


def list_retention(
    part: Annotated[str | None, typer.Option(help="Only lots of this part number.")] = None,
    as_json: Json = False,
) -> None:
    """List how long the records of each lot are kept, and what may be destroyed."""
    from qualrec.work import retention

    with session() as s:
        rows = retention.kept(s, part=part)
        if as_json:
            output.json_out(rows)
            return
        output.table(
            ("lot", "part", "state", "last", "kept until", "may be destroyed", "rule"),
            (
                (
                    r.lot,
                    r.part,
                    r.state,
                    s.moment(r.last_us)[:10],
                    s.moment(r.until_us)[:10] or "no end",
                    "yes" if r.may_purge else f"no: {r.why}",
                    r.rule,
                )
                for r in rows
            ),
        )
        ends = [r.until_us for r in rows]
        last = (
            "no end" if None in ends else s.moment(max((e for e in ends if e is not None), default=None))[:10]
        )
        output.line(
            f"A copy or archive made today is kept until: {last or 'no lots'}. The program itself removes nothing."
        )


def check_retention(lot: Annotated[str, typer.Argument(metavar="LOT", help="Lot number.")]) -> None:
    """Say whether the records of a lot may be destroyed. Exit 1 where it is too early."""
    from qualrec.work import retention

    with session() as s:
        found = retention.check_purge(s, lot)
        output.line(
            f"The records of lot {lot} may be destroyed since {s.moment(found.until_us)[:10]}: {found.rule}."
        )


def set_retention(
    years: Annotated[int, typer.Argument(help="Years, counted to the end of the calendar year.")],
    rule: Annotated[str, typer.Option(help="What is kept, in words.")],
    source: Annotated[str, typer.Option(help="Who asks for it: customer's letter, law, standard.")],
    part: Annotated[str | None, typer.Option(help="Only records of this part number.")] = None,
    customer: Annotated[str | None, typer.Option(help="Only records of this customer's parts.")] = None,
) -> None:
    """Add a rule of retention; the longest that applies holds."""
    from qualrec.work import retention

    with session() as s:
        output.line(retention.set_rule(s, years, rule=rule, source=source, part=part, customer=customer))
