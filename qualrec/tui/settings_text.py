"""The settings file as text: every setting and every action with its keys, explained, all lines commented out."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from qualrec.errors import Refused
from qualrec.tui.actions import ACTIONS, FAMILIES, PLACES, Action, place_actions

HEAD = """\
# Settings of this machine. Take the '# ' away before a line to put it in force; the rest stays as it is.
# What stands on the command line or in the environment (QUALREC_DB, QUALREC_BADGE, ...) wins over this file.

# database = "postgresql://server/plant"   # or the path of a SQLite file
# badge = "T-01"                           # who acts, where there are no accounts
# station = "PT-BENCH"                     # code of this bench or machine
# theme = "dark"                           # dark, light or contrast
# decimal_style = "comma"                  # comma or point; empty: as the plant says. Typed figures may have either.
# ascii = true                             # no signs beyond ASCII

# A scanner that types. Control characters are written by name: "<STX>", "<GS>". Shift+F12 at the Bench shows what it sends.
# [scanner]
# prefix = "<STX>"   # what it sends before a label; with it a label is known at any speed
# suffix = "<ETX>"   # what it sends after a label, before the Enter
# gap_ms = 40        # without a prefix: signs that follow each other faster than this were not typed by a hand; 0: off
# stream = "CAV"     # a label that begins so names a cavity or nest: CAV-3

# Keys of the actions. Several keys are divided by commas: "f8,ctrl+e". One key cannot stand for two actions of a place.
# Names: f1 to f12, a letter or figure, ctrl+x, shift+f2, enter, space, delete, pageup, comma, full_stop, plus, minus ...
# [keys]
"""


def documented() -> str:
    """The text of a settings file in which everything stands, and nothing is set."""
    lines = [HEAD.rstrip("\n")]
    groups: list[tuple[str, Iterable[Action]]] = [("Everywhere", [a for a in ACTIONS if a.place == "app"])]
    groups.append(("Places", place_actions(PLACES)))
    labels = {place.id: place.label for place in PLACES} | {family: f"Every {family}" for family in FAMILIES}
    for name in dict.fromkeys(a.place for a in ACTIONS if a.place != "app"):
        title = labels.get(name, name.capitalize())
        groups.append((title, [a for a in ACTIONS if a.place == name]))
    for title, actions in groups:
        lines.append(f"#\n# {title}")
        lines += [f'# "{a.id}" = "{",".join(a.keys)}"   # {a.help}' for a in actions]
    return "\n".join(lines) + "\n"


def write(path: Path) -> str:
    """Write the documented file where there is none. Raises Refused where there is one, or it cannot be written."""
    if path.exists():
        raise Refused(
            f"There is a settings file already: {path}", "Edit it; 'qualrec settings' shows every line."
        )
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(documented(), encoding="utf-8")
    except OSError as error:
        raise Refused(
            f"{path} cannot be written: {error.strerror}.", "See the rights of the folder."
        ) from error
    return f"Written: {path}"
