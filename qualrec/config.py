"""Settings of the machine: flag > environment > file > default.

The plant's records win over these where records are concerned (time zone, decimal style, calendar):
a setting here changes the display only.
"""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path

import platformdirs

from qualrec.errors import UsageError

THEMES = ("dark", "light", "contrast")
DECIMAL_STYLES = ("point", "comma")
CONTROL_NAMES = (
    *("NUL", "SOH", "STX", "ETX", "EOT", "ENQ", "ACK", "BEL", "BS", "HT", "LF", "VT", "FF", "CR", "SO", "SI"),
    *(
        "DLE",
        "DC1",
        "DC2",
        "DC3",
        "DC4",
        "NAK",
        "SYN",
        "ETB",
        "CAN",
        "EM",
        "SUB",
        "ESC",
        "FS",
        "GS",
        "RS",
        "US",
    ),
)
"""Names of the control characters 0 to 31 (ISO/IEC 646, ECMA-48)."""


@dataclass(frozen=True, slots=True)
class Scanner:
    """A scanner that types. What it sends before and after each label is taken off; Enter ends a label always.

    `gap_ms`: signs that follow each other faster were not typed by a hand; 0: nothing is told from its speed.
    `stream`: a label that begins with it names a cavity or nest, not a lot.
    """

    prefix: str = ""
    suffix: str = ""
    gap_ms: int = 40
    stream: str = "CAV"

    def label(self, text: str) -> str:
        """The label in what was sent."""
        found = text.removeprefix(self.prefix) if self.prefix else text
        found = found.removesuffix(self.suffix) if self.suffix else found
        return found.strip()


@dataclass(frozen=True, slots=True)
class Settings:
    """Everything that the machine may choose. `decimal_style` empty means: as the plant says."""

    database_url: str
    theme: str = "dark"
    decimal_style: str = ""
    ascii: bool = False
    no_color: bool = False
    badge: str = ""
    """Badge of the person on the command line; empty means the only person of a single-user plant."""
    station: str = ""
    link: str = ""
    """Path of the link profile of this machine's instrument; empty means none."""
    keymap: Mapping[str, str] = field(default_factory=dict)
    scanner: Scanner = Scanner(gap_ms=0)
    """As `load` gives it, a scanner is told from a hand by its speed; settings made otherwise leave that out."""
    config_dir: Path | None = None
    """Folder of what the user chose and saved; None: nothing is kept."""
    state_dir: Path | None = None
    """Folder of entries that wait for the records; None: they are kept while the program runs."""


def default_database() -> Path:
    """`qualrec.sqlite` in the user's data folder."""
    return Path(platformdirs.user_data_dir("qualrec", appauthor=False)) / "qualrec.sqlite"


def settings_file(env: Mapping[str, str] | None = None) -> Path:
    """`settings.toml` in the user's configuration folder, or in the one that QUALREC_CONFIG_DIR names."""
    named = (os.environ if env is None else env).get("QUALREC_CONFIG_DIR")
    folder = named or platformdirs.user_config_dir("qualrec", appauthor=False)
    return Path(folder) / "settings.toml"


def state_folder() -> Path:
    """Folder of what must outlive the program: entries that wait for the records."""
    return Path(platformdirs.user_state_dir("qualrec", appauthor=False))


def signs(text: str) -> str:
    """A text with names of control characters in angle brackets, as '<STX>', turned into what they stand for.

    Raises UsageError for a name that is not known.
    """

    def one(match: re.Match[str]) -> str:
        name = match[1].upper()
        if name not in CONTROL_NAMES:
            raise UsageError(f"<{match[1]}> is no control character.", f"Known: {', '.join(CONTROL_NAMES)}.")
        return chr(CONTROL_NAMES.index(name))

    return re.sub(r"<([A-Za-z0-9]+)>", one, text)


def _scanner(table: object, path: Path) -> Scanner:
    if not isinstance(table, dict):
        raise UsageError(
            f"{path}: 'scanner' is no table.", "Write [scanner] with prefix, suffix, gap_ms, stream."
        )
    unknown = sorted(set(table) - {f.name for f in fields(Scanner)})
    if unknown:
        raise UsageError(
            f"{path}: [scanner] has no {', '.join(unknown)}.", "It has prefix, suffix, gap_ms and stream."
        )
    gap = table.get("gap_ms", Scanner().gap_ms)
    if not isinstance(gap, int) or isinstance(gap, bool) or not 0 <= gap <= 500:
        raise UsageError(f"{path}: [scanner] gap_ms is {gap!r}.", "Give whole milliseconds from 0 to 500.")
    texts = {name: signs(str(table[name])) for name in ("prefix", "suffix", "stream") if name in table}
    return Scanner(gap_ms=gap, **texts)


def database_url(text: str) -> str:
    """A database URL from what a user gives: a PostgreSQL or SQLite URL as it is, anything else is a path to a SQLite file."""
    if text.startswith("postgres://"):
        text = "postgresql://" + text.removeprefix("postgres://")
    if "://" in text:
        scheme = text.split("://", 1)[0].split("+", 1)[0]
        if scheme not in ("sqlite", "postgresql"):
            raise UsageError(
                f"Database kind {scheme!r} is not known.",
                "Give a path to a SQLite file or a postgresql:// URL.",
            )
        return text
    return f"sqlite:///{Path(text).expanduser()}"


def load(
    *,
    db: str | None = None,
    theme: str | None = None,
    badge: str | None = None,
    station: str | None = None,
    ascii: bool | None = None,
    env: Mapping[str, str] | None = None,
    file: Path | None = None,
) -> Settings:
    """Settings from flags, then `env` (QUALREC_DB, QUALREC_THEME, QUALREC_DECIMAL, QUALREC_ASCII, QUALREC_BADGE,
    QUALREC_STATION, NO_COLOR, QUALREC_CONFIG_DIR, QUALREC_STATE_DIR), then the settings file, then defaults.

    Raises UsageError for a value that is not known.
    """
    env = os.environ if env is None else env
    path = settings_file(env) if file is None else file
    stored: dict[str, object] = {}
    if path.is_file():
        try:
            stored = tomllib.loads(path.read_text(encoding="utf-8"))
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            raise UsageError(f"{path}: {error}", "Mend or remove the file.") from error

    def pick(flag: str | None, variable: str, name: str, default: str) -> str:
        if flag is not None:
            return flag
        if env.get(variable):
            return env[variable]
        return str(stored.get(name, default))

    theme = pick(theme, "QUALREC_THEME", "theme", "dark")
    if theme not in THEMES:
        raise UsageError(f"Theme {theme!r} is not known.", f"Themes: {', '.join(THEMES)}.")
    style = pick(None, "QUALREC_DECIMAL", "decimal_style", "")
    if style and style not in DECIMAL_STYLES:
        raise UsageError(f"Decimal style {style!r} is not known.", "Use 'point' or 'comma'.")
    keys = stored.get("keys", {})
    keymap = {str(k): str(v) for k, v in keys.items()} if isinstance(keys, dict) else {}
    plain = pick(None if ascii is None else str(int(ascii)), "QUALREC_ASCII", "ascii", "0")
    return Settings(
        database_url=database_url(pick(db, "QUALREC_DB", "database", str(default_database()))),
        theme=theme,
        decimal_style=style,
        ascii=plain.lower() in ("1", "true", "yes"),
        no_color=bool(env.get("NO_COLOR")),
        badge=pick(badge, "QUALREC_BADGE", "badge", ""),
        station=pick(station, "QUALREC_STATION", "station", ""),
        link=pick(None, "QUALREC_LINK", "link", ""),
        keymap=keymap,
        scanner=_scanner(stored.get("scanner", {}), path),
        config_dir=Path(env["QUALREC_CONFIG_DIR"]) if env.get("QUALREC_CONFIG_DIR") else path.parent,
        state_dir=Path(env["QUALREC_STATE_DIR"]) if env.get("QUALREC_STATE_DIR") else state_folder(),
    )
