"""Commands for machines: a watched folder, and an instrument on a serial line or the network."""

from __future__ import annotations

import contextlib
import functools
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Annotated, Any

import typer

from qualrec.cli import diagnostics, output
from qualrec.cli.context import OPTIONS, session
from qualrec.errors import ExitCode, QualrecError, UsageError

if TYPE_CHECKING:
    from qualrec.work.bench import Logged
    from qualrec.work.links import Asked, LineReading, LinkEvent, LinkQueue
    from qualrec.work.session import Session
    from qualrec.work.watch import Notice

JsonLines = Annotated[bool, typer.Option("--json", help="One JSON object a line on stdout.")]
LOOK_S = 0.2
SKIP, END = ("-", "skip"), ("q", "quit")


def add_to(app: typer.Typer) -> None:
    app.command("watch")(watch)
    app.command("listen")(listen)


@contextlib.contextmanager
def stopping() -> Iterator[threading.Event]:
    """An event that Ctrl-C, a termination or a closed window sets; the second one stops at once."""
    stop = threading.Event()

    def ask(number: int, frame: FrameType | None) -> None:
        if stop.is_set():
            raise KeyboardInterrupt
        stop.set()
        with contextlib.suppress(RuntimeError):
            diagnostics.say("Stopping: what is in hand is finished first. Once more stops at once.")

    before: dict[int, Any] = {}
    for name in ("SIGINT", "SIGTERM", "SIGBREAK"):
        number = getattr(signal, name, None)
        if number is not None and threading.current_thread() is threading.main_thread():
            before[number] = signal.signal(number, ask)
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def watch(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder that the files land in.")],
    profile: Annotated[
        str | None, typer.Option(help="Import profile; found by each file's heads if left out.")
    ] = None,
    part: Annotated[
        str | None, typer.Option(help="Part number, where lots in the files are to be opened.")
    ] = None,
    open_lots: Annotated[
        bool, typer.Option("--open-lots", help="Open lots that are in a file but not in the records.")
    ] = False,
    gauge: Annotated[
        list[str] | None, typer.Option(help="Code of a gauge used, where the records leave it open.")
    ] = None,
    only: Annotated[str, typer.Option(help="Only names of this pattern, as '*.csv'.")] = "*",
    keep: Annotated[
        bool, typer.Option("--keep", help="Taken files stay; else they go to the folder 'taken'.")
    ] = False,
    every: Annotated[float, typer.Option(help="Seconds from one look to the next.")] = 2.0,
    settle: Annotated[
        float, typer.Option(help="Seconds that a file must have stayed the same before it is taken.")
    ] = 2.0,
    once: Annotated[bool, typer.Option("--once", help="Take what is there and end: for a schedule.")] = False,
    as_json: JsonLines = False,
) -> None:
    """Take finished files in as they land in a folder, none twice; refused ones go to the folder 'refused' with a report.

    Goes on until Ctrl-C; the file in hand is finished first. With --once exit 1 where a file was refused.
    """
    from qualrec.cli import secret_entry
    from qualrec.work.watch import Watch, WatchPlan

    # Asked once: a watch goes on by itself after the database was lost.
    ask = functools.cache(secret_entry.ask)
    plan = WatchPlan(folder, profile, part, open_lots, tuple(gauge or ()), only, keep, every, settle, once)

    def tell(notice: Notice) -> None:
        if as_json:
            output.json_line(notice)
            return
        where = f" It lies in {notice.moved_to}." if notice.event == "refused" and notice.moved_to else ""
        name = f"{notice.file}: " if notice.file and not notice.message.startswith(notice.file) else ""
        output.line(f"{notice.at}  {notice.event:<8}  {name}{notice.message}{where}")
        sys.stdout.flush()

    with stopping() as stop:
        tally = Watch(OPTIONS.settings(), plan, tell, stop, ask).run()
    if once and tally.refused:
        raise typer.Exit(int(ExitCode.BAD_ANSWER))


def listen(
    lot: Annotated[str | None, typer.Argument(metavar="LOT", help="Lot or moulding lot.")] = None,
    characteristic: Annotated[
        str | None, typer.Argument(metavar="CHARACTERISTIC", help="Code of the characteristic.")
    ] = None,
    link: Annotated[
        Path | None, typer.Option(help="Link profile of the instrument, a TOML file (QUALREC_LINK).")
    ] = None,
    at: Annotated[
        str, typer.Option("--at", help="tcp://HOST:PORT or a serial port, where the profile's is not meant.")
    ] = "",
    stream: Annotated[str | None, typer.Option(help="Cavity or nest, as 'cavity 3'.")] = None,
    gauge: Annotated[str | None, typer.Option(help="Code of the gauge used.")] = None,
    count: Annotated[int | None, typer.Option(help="End after so many readings.")] = None,
    as_json: JsonLines = False,
) -> None:
    """Take readings of an instrument as it sends them; of a pull the failure mode is asked. Ctrl-C ends.

    Without LOT and CHARACTERISTIC what the instrument sends is shown and nothing is stored: to try a link profile.
    Exit 1 where the lot is on hold at the end.
    """
    from qualrec.work.links import LinkQueue, load_link

    if (lot is None) != (characteristic is None):
        raise UsageError("The characteristic is not said.", "Give LOT and CHARACTERISTIC, or neither.")
    path = link if link is not None else OPTIONS.settings().link
    if not path:
        raise UsageError("No link profile is named.", "Give --link FILE.toml, or set QUALREC_LINK.")
    found = load_link(Path(path), at)
    held = False
    with contextlib.suppress(KeyboardInterrupt):
        if lot is None or characteristic is None:
            with LinkQueue(found) as queue:
                for event in _events(queue, count):
                    _show(event, as_json)
            return
        with session() as s, LinkQueue(found) as queue:
            held = _take(s, queue, lot, characteristic, stream, gauge, count, as_json)
    if held:
        raise typer.Exit(int(ExitCode.BAD_ANSWER))


def _events(queue: LinkQueue, count: int | None) -> Iterator[LinkEvent]:
    """What the link tells, up to `count` readings."""
    left = count
    while left is None or left > 0:
        event = queue.next(LOOK_S)
        if event is not None:
            left = left - 1 if left is not None and event.reading is not None else left
            yield event


def _show(event: LinkEvent, as_json: bool) -> None:
    if as_json:
        output.json_line(event)
    else:
        output.line(f"{time.strftime('%H:%M:%S')}  {event.kind:<9}  {event.message}")
        sys.stdout.flush()


def _take(
    s: Session,
    queue: LinkQueue,
    lot: str,
    code: str,
    stream: str | None,
    gauge: str | None,
    count: int | None,
    as_json: bool,
) -> bool:
    """Take readings until the end; whether the lot is on hold then."""
    from qualrec.work import links
    from qualrec.work.rights import require
    from qualrec.work.target import find_target

    require(s.actor, "log readings")
    target = find_target(s, lot, code)
    c, mark, held = target.characteristic, time.time_ns(), False
    diagnostics.say(f"{target.name}, {c.code} {c.name} in {c.unit}. Waiting for {queue.profile.name}.")
    for number, event in enumerate(_events(queue, count)):
        if event.reading is None:
            diagnostics.say(event.message)
            continue
        try:
            echo = links.understood_of(c, event.reading)
            asked = _ask(event.reading, echo, c.strength, queue.waiting())
            if asked is None:
                break
            if not asked.taken:
                diagnostics.say(f"{event.reading.text} was not taken.")
                continue
            reading, key = event.reading, f"link:{mark:x}:{number}"

            def store(reading: LineReading = reading, asked: Asked = asked, key: str = key) -> Logged:
                return links.take_reading(
                    s, lot, code, reading, asked, key=key, again=_ask_again, stream=stream, gauge=gauge
                )

            done = _stored(store)
            if done is None:
                diagnostics.say(f"{reading.text} was not taken.")
                continue
        except QualrecError as error:
            diagnostics.report(error)
            continue
        held = done.state == "on hold"
        if as_json:
            output.json_line(done)
        else:
            from qualrec.cli import lot_text

            lot_text.print_logged(s, done)
            sys.stdout.flush()
    return held


def _stored(store: Callable[[], Logged]) -> Logged | None:
    """Store a reading; while the database is away the person tries again, or gives the reading up (None)."""
    from qualrec.errors import DatabaseError

    while True:
        try:
            return store()
        except DatabaseError as error:
            diagnostics.report(error)
            answer = _answer("The reading is kept. Enter: try again; -: give it up: ")
            if answer is None or answer in (*SKIP, *END):
                return None


def _ask(reading: LineReading, echo: str, strength: bool, waiting: int) -> Asked | None:
    """What the person says of a reading; None ends. A reading without a failure mode is taken at once."""
    from qualrec.weld.failure_modes import FailureMode, find_mode, mode_table
    from qualrec.work.links import Asked

    note = f" {reading.note}" if reading.note else ""
    diagnostics.say(f"{echo}{note}" + (f" ({waiting} more waiting)" if waiting else ""))
    if not strength:
        return Asked()
    modes = ", ".join(f"{info.key} {info.word}" for info in mode_table().values())
    while True:
        answer = _answer(f"Failure mode ({modes}; - not taken; q end): ")
        if answer is None or answer in END:
            return None
        if answer in SKIP:
            return Asked(taken=False)
        try:
            mode = find_mode(answer)
        except UsageError as error:
            diagnostics.report(error)
            continue
        shares = ""
        if mode == FailureMode.MIXED:
            shares = _answer("Shares in %, interfacial/cohesive/tear/parent, as 0/60/10/30: ") or ""
        return Asked(str(mode), shares)


def _ask_again(reason: str) -> str:
    diagnostics.say(reason)
    return _answer("Type the value that the instrument shows (empty: not taken): ") or ""


def _answer(question: str) -> str | None:
    """A line that the person types; None at the end of the input."""
    diagnostics.ask(question)
    line = sys.stdin.readline()
    return line.strip() if line else None
