"""Keys of the settings: conflicts and unknown names are refused in words; the documented file says what there is."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from qualrec.config import load
from qualrec.errors import Refused, UsageError
from qualrec.tui import settings_text
from qualrec.tui.actions import ACTIONS, PLACES, check_keymap, keys_of, place_actions


def test_the_keys_of_the_program_itself_are_fine() -> None:
    check_keymap({})
    check_keymap({a.id: ",".join(a.keys) for a in ACTIONS if a.place == "bench"})


@pytest.mark.parametrize(
    ("keymap", "words"),
    [
        ({"bench.evnt": "f8"}, "'bench.evnt' is no action"),
        ({"bench.event": "f99"}, "'f99' is no key"),
        ({"bench.event": "crtl+e"}, "'crtl\\+e' is no key"),
        ({"bench.event": "f8,"}, "'an empty name' is no key"),
        ({"bench.event": "f12"}, "f12 is asked for bench.event and for bench.correct"),
        ({"lots.filter": "q", "lots.decide": "q"}, "q is asked for lots.filter and for lots.decide"),
        ({"bench.event": "f1"}, "f1 is asked for app.help and for bench.event"),
        ({"lots.filter": "3"}, "3 is asked for app.go-charts and for lots.filter"),
        ({"lots.filter": "0"}, "0 is asked for table.first-page and for lots.filter"),
    ],
)
def test_keys_that_cannot_be_are_refused_in_words(keymap: dict[str, str], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        check_keymap(keymap)


def test_a_key_may_be_used_in_two_places_and_moved_away_from_another_action() -> None:
    check_keymap({"bench.event": "f7", "bench.other-lot": "f8"})
    check_keymap({"lots.filter": "ctrl+d", "charts.freeze": "ctrl+d"})


def test_the_documented_file_names_every_action_and_setting_and_sets_nothing(tmp_path: Path) -> None:
    text = settings_text.documented()
    assert tomllib.loads(text) == {}
    assert all(f'"{a.id}" = ' in text for a in (*ACTIONS, *place_actions(PLACES)))
    path = tmp_path / "new" / "settings.toml"
    assert str(path) in settings_text.write(path)
    with pytest.raises(Refused, match="already"):
        settings_text.write(path)


def test_every_line_of_it_put_in_force_is_read_and_changes_nothing(tmp_path: Path) -> None:
    """The sign of comment is taken away before every line that holds a setting."""
    lines = []
    for line in settings_text.documented().splitlines():
        body = line.removeprefix("# ")
        lines.append(body if " = " in body or body.startswith("[") else line)
    path = tmp_path / "settings.toml"
    path.write_text("\n".join(lines), encoding="utf-8")
    found = load(env={"QUALREC_CONFIG_DIR": str(tmp_path)})
    assert (found.badge, found.station, found.decimal_style, found.ascii) == (
        "T-01",
        "PT-BENCH",
        "comma",
        True,
    )
    assert (found.scanner.prefix, found.scanner.suffix) == ("\x02", "\x03")
    check_keymap(found.keymap)
    assert all(keys_of(a, found.keymap) == a.keys for a in ACTIONS)
