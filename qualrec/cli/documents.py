"""Commands that make documents about lots and weeks: certificate, label, audit pack, weekly review."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from qualrec.cli import diagnostics, output
from qualrec.cli.context import session

Json = Annotated[bool, typer.Option("--json", help="Data as JSON on stdout.")]
LotName = Annotated[str, typer.Argument(metavar="LOT", help="Lot number.")]
To = Annotated[
    Path | None, typer.Option("-o", "--to", help="File to write, .xlsx or .pdf; without it text on stdout.")
]
Replace = Annotated[bool, typer.Option("--replace", help="Replace a file that is there.")]
Language = Annotated[str, typer.Option(help="Language: en or de.")]


def add_to(app: typer.Typer) -> None:
    app.command("certificate")(make_certificate)
    app.command("label")(make_label)
    app.command("audit-pack")(make_audit_pack)
    app.command("review")(weekly_review)


def make_certificate(
    lot: LotName,
    to: To = None,
    draft: Annotated[
        bool, typer.Option("--draft", help="A lot that is not released: written, and marked as a draft.")
    ] = False,
    language: Annotated[str | None, typer.Option(help="en or de; the customer's if left out.")] = None,
    replace: Replace = False,
    as_json: Json = False,
) -> None:
    """The certificate of a released lot: results, failure modes, concession, decision and signatures."""
    from qualrec.work import certificate

    with session() as s:
        if to is not None:
            done = certificate.make(s, lot, to, draft=draft, language=language, replace=replace)
            _said(done.sentences, done, as_json)
            return
        found = certificate.gather(s, lot, draft=draft, language=language)
        if as_json:
            output.json_out(found)
            return
        from qualrec.cli.document_text import print_document

        print_document(certificate.document(found))


def make_label(
    lot: LotName,
    to: Annotated[
        Path | None, typer.Option("-o", "--to", help="File to write, .pdf; without it text on stdout.")
    ] = None,
    language: Language = "en",
    replace: Replace = False,
    as_json: Json = False,
) -> None:
    """The status label of a lot for its container; the code on it holds the lot number."""
    from qualrec.export.label import label_lines
    from qualrec.work import label

    with session() as s:
        if to is not None:
            digest = label.write(s, lot, to, language=language, replace=replace)
            made = {"path": to, "digest": digest}
            _said((f"{to} written: label of lot {lot}.", f"SHA-256 {digest}"), made, as_json)
            return
        found = label.label(s, lot, language=language)
        if as_json:
            output.json_out(found)
        else:
            for line in label_lines(found):
                output.line(line)


def make_audit_pack(
    lot: LotName,
    to: Annotated[Path, typer.Option("-o", "--to", help="New folder, or a file that ends in .zip.")],
    replace: Annotated[bool, typer.Option("--replace", help="Replace a .zip file that is there.")] = False,
    as_json: Json = False,
) -> None:
    """Everything on one lot with its trail: workbook, plain tables, manifest with digests."""
    from qualrec.work import audit_pack

    with session() as s:
        done = audit_pack.write(s, lot, to, replace=replace, say=diagnostics.say)
        _said(audit_pack.sentences(done), done, as_json)


def weekly_review(
    week: Annotated[
        str | None, typer.Option(help="Week as 2026-W14; the one that runs now if left out.")
    ] = None,
    to: To = None,
    language: Language = "en",
    capability: Annotated[
        bool, typer.Option("--capability/--no-capability", help="Leave out capability, which takes longest.")
    ] = True,
    replace: Replace = False,
    as_json: Json = False,
) -> None:
    """The weekly quality review: flags, held lots, drift, capability, gauges, owed tests, containment, head of the chain."""
    from qualrec.work import outfile, review_week

    with session() as s:
        if to is not None:
            outfile.check_place(to, (outfile.BOOK, outfile.PAPER), replace=replace)
        found = review_week.gather(s, week, language=language, capability=capability, say=diagnostics.say)
        if to is not None:
            done = review_week.write(found, to, replace=replace)
            _said(done.sentences, done, as_json)
        elif as_json:
            output.json_out(found)
        else:
            from qualrec.cli.document_text import print_document

            print_document(review_week.document(found))


def _said(sentences: tuple[str, ...], made: object, as_json: bool) -> None:
    if as_json:
        output.json_out(made)
        return
    for sentence in sentences:
        output.line(sentence)
