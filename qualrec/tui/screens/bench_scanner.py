"""The test of a scanner: every sign that it sends, by name and in its time, and how it is taken."""

from __future__ import annotations

from itertools import pairwise

from textual.app import ComposeResult
from textual.containers import Vertical, VerticalScroll
from textual.events import Key
from textual.timer import Timer
from textual.widgets import Static

from qualrec.config import CONTROL_NAMES, Scanner
from qualrec.tui.labels import plain
from qualrec.tui.screens.overlays import Overlay
from qualrec.tui.themes import is_ascii
from qualrec.tui.widgets.rows import LEAST_SIGNS, sign_of

PAUSE_S = 0.5
"""After this pause what came is taken as one label."""
MOST_SIGNS = 200


class ScannerSheet(Overlay):
    """Shows raw signs. Esc closes; nothing that is scanned here is stored or opens anything."""

    DEFAULT_CSS = """
    ScannerSheet > #sheet { width: 76; }
    ScannerSheet VerticalScroll { height: auto; max-height: 14; }
    """

    def __init__(self, scanner: Scanner) -> None:
        super().__init__()
        self.scanner = scanner
        self.keys: list[tuple[str, float]] = []
        """What came, and when."""
        self._pause: Timer | None = None
        self._over = False

    def compose(self) -> ComposeResult:
        with Vertical(id="sheet"):
            yield Static(
                "Scanner: scan a label now   (Esc closes). Nothing is stored.", id="sheet-title", markup=False
            )
            yield Static(self._words(setting_words(self.scanner)), markup=False)
            with VerticalScroll():
                yield Static("", id="signs", markup=False)

    def on_key(self, event: Key) -> None:
        if event.key == "escape":
            return
        event.stop()
        event.prevent_default()
        if self._over:
            self.keys, self._over = [], False
        self.keys.append((sign_of(event) or f"<{event.key}>", event.time))
        del self.keys[:-MOST_SIGNS]
        if self._pause is not None:
            self._pause.stop()
        self._pause = self.set_timer(PAUSE_S, self._paused)
        self._show()

    def _paused(self) -> None:
        self._over = True
        self._show()

    def _show(self) -> None:
        lines = raw_lines(self.keys)
        if self._over:
            lines += ["", *taken_lines(self.keys, self.scanner)]
        self.query_one("#signs", Static).update(self._words("\n".join(lines)))

    def _words(self, text: str) -> str:
        return plain(text) if is_ascii(self) else text


def name_of(sign: str) -> str:
    """A sign as it is written: control characters by name, a blank as SP."""
    if len(sign) > 1:
        return sign
    code = ord(sign)
    if code < 32:
        return f"<{CONTROL_NAMES[code]}>"
    return {32: "<SP>", 127: "<DEL>"}.get(code, sign)


def raw_lines(keys: list[tuple[str, float]], across: int = 6) -> list[str]:
    """Each sign with its number and the milliseconds since the sign before."""
    cells = []
    for at, (sign, moment) in enumerate(keys):
        gap = "" if not at else f"+{round(1000 * (moment - keys[at - 1][1]))}"
        code = f"{ord(sign):02X}" if len(sign) == 1 else "--"
        cells.append(f"{name_of(sign):<5} {code} {gap:<4}".ljust(12))
    return ["".join(cells[start : start + across]).rstrip() for start in range(0, len(cells), across)]


def taken_lines(keys: list[tuple[str, float]], scanner: Scanner) -> list[str]:
    """How the signs would be taken at the bench, and why."""
    text = "".join(sign for sign, _ in keys if len(sign) == 1)
    body = text.rstrip("\r")
    gaps = [1000 * (later[1] - before[1]) for before, later in pairwise(keys)]
    slowest = round(max(gaps, default=0.0))
    lines = [f"{len(keys)} signs, the longest pause between two {slowest} ms."]
    ended = text.endswith("\r") or (bool(scanner.suffix) and body.endswith(scanner.suffix))
    if not ended:
        lines.append("No Enter at the end: set the scanner to send one (CR).")
    if scanner.prefix:
        if not body.startswith(scanner.prefix):
            lines.append("It does not begin with the prefix that is set: it is taken as typed by hand.")
            return lines
    elif len(body) < LEAST_SIGNS:
        lines.append(f"Fewer than {LEAST_SIGNS} signs: it is taken as typed by hand.")
        return lines
    elif slowest > scanner.gap_ms:
        lines.append(
            f"Slower than {scanner.gap_ms} ms a sign: over a failure mode it is taken as typed by hand. "
            "Set a prefix, or a longer gap_ms."
        )
        return lines
    elif not body[0].isalpha():
        lines.append(
            "It begins as a figure: where a value is asked it is taken as the value. Set a prefix to tell them apart."
        )
    label = "".join(name_of(sign) for sign in scanner.label(body))
    lines.append(f"Taken as the label: {label}")
    return lines


def setting_words(scanner: Scanner) -> str:
    """What is set for the scanner, and where that is written."""
    prefix, suffix = (
        "".join(name_of(sign) for sign in text) or "none" for text in (scanner.prefix, scanner.suffix)
    )
    return (
        f"Set: prefix {prefix}, suffix {suffix}, gap_ms {scanner.gap_ms}, cavities begin with '{scanner.stream}'.\n"
        "Other ones: [scanner] in the settings file; 'qualrec settings' tells where and how."
    )
