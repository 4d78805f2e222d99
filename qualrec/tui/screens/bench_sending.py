"""The bench's way to the records: entries are kept on disk, sent in order, shown until stored; refused ones stay in sight."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from time import time_ns
from typing import TYPE_CHECKING, Any

from textual.timer import Timer
from textual.widgets import Static

from qualrec.tui.actions import actions_of, keys_of
from qualrec.tui.labels import Tone, count, key_name, plain
from qualrec.tui.messages import Trouble
from qualrec.tui.screens.bench_entry import AskAgain, last_text
from qualrec.tui.screens.bench_kept import KeptSheet
from qualrec.tui.screens.bench_opening import Opening
from qualrec.tui.themes import is_ascii

if TYPE_CHECKING:
    from qualrec.values import Actor
    from qualrec.work.bench import Logged
    from qualrec.work.queue import EntryQueue, Kept
    from qualrec.work.session import Session

RETRY_S = 5.0


class Sending(Opening):
    """Keeps entries and sends them; what the screen does with the answers is its own."""

    def __init__(self) -> None:
        super().__init__()
        self._queue: EntryQueue | None = None
        self._entries = 0
        self._sending: Kept | None = None
        self._fresh: set[str] = set()
        """Keys of entries that the person waits for: what is refused of them comes back into the rows."""
        self._stored_late = 0
        self._retry: Timer | None = None

    # What the screen does.

    def give_back(self, kept: Kept, behind: list[Kept]) -> str:
        """Put an entry that was not stored back into the rows; names what was typed behind it and goes with it."""
        raise NotImplementedError

    def ask_again(self, kept: Kept, sentence: str, dropped: str) -> None:
        """Have the value of an entry that was given back typed a second time, blind."""
        raise NotImplementedError

    def show_stored(self, kept: Kept, done: Logged) -> None:
        raise NotImplementedError

    def show_kept(self, kept: Kept) -> None:
        """Say that an entry is kept and not judged yet."""
        raise NotImplementedError

    def all_stored(self) -> None:
        """Nothing waits any more: show the records as they are."""
        raise NotImplementedError

    def take_up(self, kept: Kept) -> None:
        """Bring a refused entry back to the bench, to be typed anew."""
        raise NotImplementedError

    # Keeping.

    @property
    def queue(self) -> EntryQueue:
        from qualrec.work.queue import EntryQueue, queue_folder

        if self._queue is None:
            settings = self.program.settings
            folder = queue_folder(settings.state_dir, settings.database_url)
            self._queue = EntryQueue(folder, self.program.run_mark)
        return self._queue

    @property
    def away(self) -> bool:
        """Whether the records cannot be reached."""
        return self.program.status.connection == "lost"

    @property
    def now_us(self) -> int:
        return time_ns() // 1000

    def actor(self) -> Actor:
        """Who is at work. Only where a lot was opened, so that the session is there."""
        return self.desk.session().actor

    def keep(self, kind: str, words: str, content: Mapping[str, Any], at_us: int | None = None) -> None:
        """Keep an entry of this moment and send it when its turn comes."""
        from qualrec.work.queue import Kept

        self._entries += 1
        made = self.now_us if at_us is None else at_us
        actor = self.actor()
        kept = Kept(
            f"{self.program.run_mark}:{self._entries}",
            kind,
            made,
            actor.badge,
            self.program.settings.station,
            words,
            content,
        )
        behind = [k for k in self.queue.waiting() if k.key not in self._fresh]
        self.queue.add(kept)
        if not self.away and not behind:
            self._fresh.add(kept.key)
        if self.queue.trouble:
            self.say(f"! {self.queue.trouble}", Tone.BAD)
        if self.away:
            self.show_kept(kept)
        self.tell_kept()
        self.send()

    # Sending.

    def send(self) -> None:
        """Send the first entry that waits, unless one is on its way; the next follows when it is stored."""
        if self._sending is not None:
            return
        waiting = self.queue.waiting()
        if not waiting:
            self._stop_retry()
            return
        kept = self._sending = waiting[0]

        def work() -> Logged | AskAgain | str:
            from qualrec.errors import ImplausibleValue
            from qualrec.work import sending

            try:
                return sending.send(self.desk.session(), kept)
            except ImplausibleValue as error:
                return AskAgain(error.message)

        self.save("entry", work, self._reached(self._sent), self._not_sent)

    def _sent(self, done: Logged | AskAgain | str) -> None:
        kept, self._sending = self._sending, None
        assert kept is not None
        if isinstance(done, AskAgain):
            self._implausible(kept, done.sentence)
            return
        self.queue.stored(kept)
        if kept.key in self._fresh:
            self._fresh.discard(kept.key)
        else:
            self._stored_late += 1
        if isinstance(done, str):
            self.say(done, Tone.GOOD)
        else:
            self.show_stored(kept, done)
        self._go_on()

    def _go_on(self) -> None:
        if self.queue.waiting():
            self.send()
        else:
            self._stop_retry()
            if self._stored_late:
                self.say(
                    f"{count(self._stored_late, 'kept entry is', 'kept entries are')} stored.", Tone.GOOD
                )
                self._stored_late = 0
            self.all_stored()
        self.tell_kept()

    def _implausible(self, kept: Kept, sentence: str) -> None:
        if kept.key not in self._fresh or len(kept.content["rows"]) > 1:
            self.queue.refuse(kept, f"{sentence} The value was not typed a second time.")
            self._go_on()
            return
        dropped = self._return(kept)
        self.ask_again(kept, sentence, dropped)

    def _return(self, kept: Kept) -> str:
        """Give an entry back, and with it what was typed behind it."""
        behind = [k for k in self.queue.waiting() if k.key != kept.key and k.key in self._fresh]
        for one in (kept, *behind):
            self.queue.stored(one)
            self._fresh.discard(one.key)
        dropped = self.give_back(kept, behind) if kept.kind == "reading" else ""
        self.tell_kept()
        return dropped

    def _not_sent(self, trouble: Trouble) -> None:
        kept, self._sending = self._sending, None
        assert kept is not None
        if trouble.lost or (trouble.records and kept.key not in self._fresh):
            self._fresh.clear()
            self.failed("entry", trouble)
            self._start_retry()
            if kept.key.startswith(f"{self.program.run_mark}:"):
                self.show_kept(self.queue.waiting()[-1])
            self.tell_kept()
            return
        if kept.key in self._fresh and len(kept.content.get("rows", ())) <= 1:
            dropped = self._return(kept)
            self.failed("entry", replace(trouble, remedy=f"{trouble.remedy} {dropped}".strip()))
            self.refused(kept)
            return
        self._fresh.discard(kept.key)
        self.queue.refuse(kept, f"{trouble.message} {trouble.remedy}".strip())
        self.say(f"! {kept.words}: {trouble.message} It is kept as refused.", Tone.BAD)
        self._go_on()

    def refused(self, kept: Kept) -> None:
        """An entry was refused and given back: look at the records again."""
        raise NotImplementedError

    def _start_retry(self) -> None:
        if self._retry is None:
            self._retry = self.set_interval(RETRY_S, self.send)

    def _stop_retry(self) -> None:
        if self._retry is not None:
            self._retry.stop()
            self._retry = None

    # Showing.

    def tell_kept(self) -> None:
        """Write how many entries wait and how many were refused; the line is there only where there are some."""
        own = self.queue
        late = [k for k in own.waiting() if k.key not in self._fresh]
        refused, strange = own.refused(), own.unreadable
        parts = []
        if late:
            one = count(len(late), "entry is kept here and waits", "entries are kept here and wait")
            parts.append(f"{one} for the records: not judged yet.")
        if refused:
            parts.append(f"{count(len(refused), 'entry was', 'entries were')} refused.")
        if strange:
            parts.append(f"{count(len(strange), 'file', 'files')} of entries cannot be read.")
        line = self.query_one("#kept", Static)
        line.display = bool(parts)
        action = next(a for a in actions_of("bench") if a.id == "bench.kept")
        key = key_name(keys_of(action, self.program.settings.keymap)[0])
        text = f"» {' '.join(parts)}  {key} shows them." if parts else ""
        line.update(plain(text) if is_ascii(self) else text)

    def kept_of(self, lot: str, code: str) -> list[Kept]:
        """What waits of a lot and characteristic, in its order."""
        return [
            k
            for k in self.queue.waiting()
            if k.kind == "reading" and k.lot == lot and k.content["code"] == code and k.key not in self._fresh
        ]

    def action_kept(self) -> None:
        """Show what waits and what was refused."""
        self.queue.read()
        self.tell_kept()
        moment = self._moment_of_kept

        def chosen(answer: str | None) -> None:
            what, _, key = (answer or "").partition(" ")
            kept = next((k for k in self.queue.refused() if k.key == key), None)
            if kept is None:
                return
            if what == "put":
                self.put_away(kept)
            else:
                self.take_up(kept)

        self.app.push_screen(
            KeptSheet(self.queue.waiting(), self.queue.refused(), self.queue.unreadable, moment), chosen
        )

    def put_away(self, kept: Kept) -> None:
        """Have the records note that the entry was not taken, then no longer show it; its file stays."""

        def use(session: Session) -> str:
            from qualrec.work import sending

            return sending.give_up(session, kept)

        def done(sentence: str) -> None:
            self.queue.put_away(kept)
            self.tell_kept()
            self.say(sentence, Tone.GOOD)

        self.write("put away", use, done)

    def _moment_of_kept(self, at_us: int) -> str:
        from datetime import UTC, datetime

        return datetime.fromtimestamp(at_us / 1e6, UTC).astimezone().strftime("%Y-%m-%d %H:%M")


def words_of(code: str, lot: str, text: str, unit: str, mode: str | None) -> str:
    """How a kept reading is named."""
    shown = text if not unit or text.rstrip().endswith(unit) else f"{text} {unit}"
    return f"{lot}  {code} {shown}" + (f", {mode}" if mode else "")


__all__ = ["Sending", "last_text", "words_of"]
