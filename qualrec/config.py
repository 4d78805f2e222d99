"""Settings of the machine: flag > environment > file > default.

The plant's records win over these where records are concerned (time zone, decimal style, calendar):
a setting here changes the display only.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import platformdirs

from qualrec.errors import UsageError

THEMES = ("dark", "light", "contrast")
DECIMAL_STYLES = ("point", "comma")


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
    keymap: Mapping[str, str] = field(default_factory=dict)


def default_database() -> Path:
    """`qualrec.sqlite` in the user's data folder."""
    return Path(platformdirs.user_data_dir("qualrec", appauthor=False)) / "qualrec.sqlite"


def settings_file() -> Path:
    """`settings.toml` in the user's configuration folder."""
    return Path(platformdirs.user_config_dir("qualrec", appauthor=False)) / "settings.toml"


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
    QUALREC_STATION, NO_COLOR), then the settings file, then defaults. Raises UsageError for a value that is not known."""
    env = os.environ if env is None else env
    path = settings_file() if file is None else file
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
        keymap=keymap,
    )
