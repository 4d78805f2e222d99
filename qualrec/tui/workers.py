"""Work that takes time, done in threads: reading and computing (`ask`), writing (`save`).

The work is a function without arguments that imports what it needs, opens and closes its own session and
returns values; it touches no widget. Its result comes back as a message and is handed to `then` in
the screen's own thread. A newer `ask` of the same name makes the older one stale: its answer is dropped.
A `save` is never dropped, and two saves of the program never run at the same time.
"""

from __future__ import annotations

from collections.abc import Callable
from threading import Lock
from typing import Any, TypeVar

from textual.dom import DOMNode
from textual.worker import get_current_worker

from qualrec.tui.messages import Done, Failed, Trouble

T = TypeVar("T")
OnFailure = Callable[[Trouble], None]

_one_writer = Lock()


class Asking(DOMNode):
    """To be mixed into a screen or widget that has work done."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._request_number = 0
        self._waiting: dict[str, tuple[int, Callable[[Any], None], OnFailure | None]] = {}

    def ask(
        self, name: str, work: Callable[[], T], then: Callable[[T], None], otherwise: OnFailure | None = None
    ) -> None:
        """Do `work` in a thread, then `then(result)`. On failure `otherwise(trouble)`, else `failed(name, trouble)`."""
        self._start(name, work, then, otherwise, writes=False)

    def save(
        self, name: str, work: Callable[[], T], then: Callable[[T], None], otherwise: OnFailure | None = None
    ) -> None:
        """As `ask`, for work that writes. Reading again after it belongs into `then`."""
        self._start(name, work, then, otherwise, writes=True)

    def waiting(self, name: str | None = None) -> bool:
        """Whether an answer is still awaited, of this name or of any."""
        return (
            bool(self._waiting) if name is None else any(key.split("#")[0] == name for key in self._waiting)
        )

    def failed(self, name: str, trouble: Trouble) -> None:
        """What a failure does where the request gave no answer of its own."""
        self.app.notify(
            trouble.remedy or " ", title=trouble.message, severity="error", timeout=12, markup=False
        )

    def _start(
        self,
        name: str,
        work: Callable[[], Any],
        then: Callable[[Any], None],
        otherwise: OnFailure | None,
        *,
        writes: bool,
    ) -> None:
        self._request_number += 1
        number = self._request_number
        key = f"{name}#{number}" if writes else name
        self._waiting[key] = (number, then, otherwise)

        def run() -> None:
            worker = get_current_worker()
            try:
                if writes:
                    with _one_writer:
                        result = work()
                else:
                    result = work()
            except Exception as error:
                if not worker.is_cancelled or writes:
                    self.post_message(Failed(key, number, Trouble.of(error)))
                return
            if not worker.is_cancelled or writes:
                self.post_message(Done(key, number, result))

        self.run_worker(
            run,
            name=key,
            group="write" if writes else f"read-{name}",
            thread=True,
            exclusive=not writes,
            exit_on_error=False,
        )

    def _take(self, name: str, number: int) -> tuple[Callable[[Any], None], OnFailure | None] | None:
        """The answers of the request that is waited for; None for a late one."""
        number_waited, then, otherwise = self._waiting.get(name, (-1, None, None))
        if number_waited != number or then is None:
            return None
        del self._waiting[name]
        return then, otherwise

    def on_done(self, message: Done) -> None:
        message.stop()
        answer = self._take(message.name, message.number)
        if answer is not None:
            answer[0](message.result)

    def on_failed(self, message: Failed) -> None:
        message.stop()
        answer = self._take(message.name, message.number)
        if answer is None:
            return
        if answer[1] is not None:
            answer[1](message.trouble)
        else:
            self.failed(message.name.split("#")[0], message.trouble)
