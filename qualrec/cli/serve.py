"""`qualrec serve`: the screens in a browser, by textual-serve (the extra `serve`).

Each page runs a program of its own on this machine, which reads and writes the same records. The server listens on
this machine only, unless it is told otherwise by a flag and people have to sign on. What the user gave goes to those
programs by their environment, so nothing of it passes a shell or stands in the list of processes; the command itself is fixed.
Pages of other sites may not reach the records through a browser: the sender of a request must be the server's own page.
"""

from __future__ import annotations

import ipaddress
import os
import shlex
import subprocess
import sys
from typing import Annotated

import typer

from qualrec.cli import diagnostics
from qualrec.cli.context import OPTIONS, Options
from qualrec.errors import QualrecError, Refused, UsageError

PROGRAM = ("-c", "from qualrec.cli.main import run; run()")
MOST_PAGES = 24
"""Pages open at once; each is a program of its own."""


def add_to(app: typer.Typer) -> None:
    app.command("serve")(serve)


def serve(
    host: Annotated[str, typer.Option(help="Address to listen on.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=1, max=65535, help="Port to listen on.")] = 8710,
    network: Annotated[
        bool,
        typer.Option(
            "--network", help="Allow an address that other machines reach; people must have to sign on."
        ),
    ] = False,
) -> None:
    """Offer the screens in a browser, on this machine; Ctrl+C stops.

    For other machines: accounts must be in use, and --network given. Traffic is not encrypted: put a server with TLS before it.
    """
    check_address(host, network)
    check_records(must_sign_on=not is_loopback(host))
    run_server(host, port, OPTIONS)


def is_loopback(host: str) -> bool:
    """Whether an address is reached from this machine only."""
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def check_address(host: str, network: bool) -> None:
    """Raises Refused for an address beyond this machine without the flag that allows it."""
    if not is_loopback(host) and not network:
        raise Refused(
            f"{host} may be reached by other machines; the screens are offered on this machine only.",
            "Leave --host, or add --network where people have to sign on.",
        )


def check_records(*, must_sign_on: bool) -> None:
    """Open the records once, so that a wrong address is said here. Raises Refused where nobody has to sign on but must."""
    from qualrec.records.database import open_store
    from qualrec.work.session import opening_session

    settings = OPTIONS.settings()
    with open_store(settings.database_url) as store:
        if not must_sign_on:
            return
        try:
            open_to_all = opening_session(store, settings) is not None
        except QualrecError:
            open_to_all = True
    if open_to_all:
        raise Refused(
            "Whoever reaches these records works in them without a password, so they are not offered to other machines.",
            "Give people passwords ('qualrec secret'), or serve on this machine only.",
        )


def environment(options: Options) -> dict[str, str]:
    """The options before the command as the programs behind the pages read them."""
    given = {
        "QUALREC_DB": options.db,
        "QUALREC_BADGE": options.badge,
        "QUALREC_STATION": options.station,
        "QUALREC_THEME": options.theme,
        "QUALREC_ASCII": "1" if options.ascii else None,
    }
    return {name: value for name, value in given.items() if value is not None}


def command() -> str:
    """The command of one page, quoted for the shell of this system."""
    words = [sys.executable, *PROGRAM]
    return subprocess.list2cmdline(words) if os.name == "nt" else shlex.join(words)


def run_server(host: str, port: int, options: Options) -> None:
    """Serve until stopped. Raises UsageError where textual-serve is missing or the port is taken."""
    try:
        import aiohttp  # noqa: F401
        import textual_serve  # noqa: F401
    except ImportError as error:
        raise UsageError(
            "The browser needs textual-serve, which is not installed.",
            "Install it: pip install 'qualrec[serve]'",
        ) from error
    from qualrec.cli.serve_server import PageServer

    os.environ.update(environment(options))
    shown = f"[{host}]" if ":" in host else host
    diagnostics.say(f"Open http://{shown}:{port}/ in a browser. Ctrl+C stops.")
    if not is_loopback(host):
        diagnostics.say("Traffic is not encrypted: offer it to people through a server with TLS.")
    try:
        PageServer(command(), host, port, most=MOST_PAGES).serve()
    except OSError as error:
        raise UsageError(
            f"{host} port {port} cannot be used: {error.strerror or error}.", "Give another one: --port."
        ) from error
    diagnostics.say("Stopped.")
