"""Commands on accounts, authorisations and signatures."""

from __future__ import annotations

from typing import Annotated

import typer

from qualrec.cli import output
from qualrec.cli.context import session

Json = Annotated[bool, typer.Option("--json", help="Data as JSON on stdout.")]
Badge = Annotated[str, typer.Argument(metavar="BADGE", help="Badge as scanned.")]


def add_to(app: typer.Typer) -> None:
    app.command("secret")(set_secret)
    app.command("unlock")(unlock)
    app.command("accounts")(keep_accounts)
    app.command("authorise")(authorise)
    app.command("authorisations")(list_authorisations)
    app.command("idle-lock")(idle_lock)
    app.command("signatures")(list_signatures)


def set_secret(
    badge: Badge,
    pin: Annotated[bool, typer.Option("--pin", help="A PIN for the shared bench instead.")] = False,
    stdin: Annotated[bool, typer.Option("--stdin", help="Take it from stdin instead of asking.")] = False,
) -> None:
    """Set a password, or a PIN with --pin: your own, or as an administrator anybody's. It is never an argument."""
    from qualrec.cli import secret_entry
    from qualrec.work import people

    with session() as s:
        people.check_may_set(s, badge)
        secret = secret_entry.new("PIN" if pin else "password", badge, from_stdin=stdin)
        output.line(people.set_secret(s, badge, "PIN" if pin else "password", secret))


def unlock(badge: Badge, reason: Annotated[str, typer.Option(help="Why, in words.")] = "") -> None:
    """End the lock of a person after failed sign-ons, before its time."""
    from qualrec.work import people

    with session() as s:
        output.line(people.unlock(s, badge, reason=reason))


def keep_accounts(
    keep: Annotated[
        bool, typer.Option("--keep", help="Keep accounts from now on; there is no way back.")
    ] = False,
    reason: Annotated[str, typer.Option(help="Why, in words.")] = "",
    as_json: Json = False,
) -> None:
    """Say whether the plant keeps accounts; with --keep, end its time without them."""
    from qualrec.work import people

    with session() as s:
        if keep:
            output.line(people.keep_accounts(s, reason=reason))
        elif as_json:
            output.json_out({"plant": s.plant.code, "accounts": s.accounts})
        else:
            output.line(people.accounts_sentence(s))


def authorise(
    badge: Badge,
    test: Annotated[str, typer.Argument(metavar="TEST", help="Characteristic or gauge family.")],
    until: Annotated[str, typer.Option(help="Last day, as 2026-11-30; without an end if left out.")] = "",
    take_back: Annotated[bool, typer.Option("--take-back", help="Take it back instead.")] = False,
    reason: Annotated[str, typer.Option(help="Why it is taken back, in words.")] = "",
) -> None:
    """Authorise a person for a test until a day. With the first one, every reading that a person logs needs one."""
    from qualrec.work import authorisations

    with session() as s:
        if take_back:
            output.line(authorisations.take_back(s, badge, test, reason=reason))
        else:
            output.line(authorisations.authorise(s, badge, test, until))


def list_authorisations(
    badge: Annotated[str | None, typer.Option(help="Of one person.")] = None,
    within: Annotated[
        int | None, typer.Option(metavar="DAYS", help="Ended, or ending within so many days.")
    ] = None,
    as_json: Json = False,
) -> None:
    """List who may perform which test, those that end first in front."""
    from qualrec.work import authorisations

    with session() as s:
        rows = authorisations.leaves(s, badge=badge, within_days=within)
        if as_json:
            output.json_out(rows)
            return
        output.table(
            ("badge", "name", "test", "until", "state"),
            (
                (
                    one.authorisation.badge,
                    one.authorisation.person,
                    one.authorisation.test,
                    s.moment(one.authorisation.until_us) or "without an end",
                    one.state,
                )
                for one in rows
            ),
        )


def idle_lock(
    station: Annotated[str, typer.Argument(metavar="STATION", help="Code of the station.")],
    seconds: Annotated[int, typer.Argument(help="Time without a key; 0: never.")],
) -> None:
    """Have the screens at a station ask again who it is after a time without a key."""
    from qualrec.work import people

    with session() as s:
        output.line(people.set_idle_lock(s, station, seconds))


def list_signatures(
    kind: Annotated[
        str | None, typer.Option(help="lot, limits, 'recipe revision', 'temporary change' and so on.")
    ] = None,
    most: Annotated[int, typer.Option(help="How many, newest first.")] = 40,
    as_json: Json = False,
) -> None:
    """List signatures, newest first, and whether what was signed is still as it was then. Not legally binding here."""
    from qualrec.work import signed

    with session() as s:
        rows = signed.all_standing(s, kind=kind, newest=most)
        if as_json:
            output.json_out(rows)
            return
        output.table(
            ("at", "by", "meaning", "what", "digest", "covers"),
            (
                (
                    s.moment(one.signature.at_us),
                    one.signature.person,
                    one.signature.meaning,
                    one.what,
                    one.signature.digest[:12],
                    one.words or "yes",
                )
                for one in rows
            ),
        )
