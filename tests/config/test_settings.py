"""Settings of the machine: scanner, folders; views saved under a name."""

from __future__ import annotations

from pathlib import Path

import pytest

from qualrec import config, views
from qualrec.errors import Refused, UsageError


def load(folder: Path, text: str = "", **env: str) -> config.Settings:
    if text:
        (folder / "settings.toml").write_text(text, encoding="utf-8")
    return config.load(db="x.sqlite", env={"QUALREC_CONFIG_DIR": str(folder), **env})


def test_a_scanner_is_described_with_names_of_control_characters(tmp_path: Path) -> None:
    """The names are those of ISO/IEC 646 (ECMA-6): STX is 2, ETX 3, GS 29."""
    found = load(tmp_path, '[scanner]\nprefix = "<STX>"\nsuffix = "<GS><ETX>"\ngap_ms = 60\n').scanner
    assert (found.prefix, found.suffix, found.gap_ms) == ("\x02", "\x1d\x03", 60)
    assert found.label("\x02FM00061\x1d\x03") == "FM00061"
    assert found.label("FM00061") == "FM00061"


def test_every_control_character_has_its_standard_name() -> None:
    import unicodedata

    assert len(config.CONTROL_NAMES) == 32
    assert all(unicodedata.category(config.signs(f"<{name}>")) == "Cc" for name in config.CONTROL_NAMES)
    assert [ord(config.signs(f"<{n}>")) for n in ("HT", "LF", "CR", "ESC")] == [ord(c) for c in "\t\n\r\x1b"]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[scanner]\nprefix = "<XYZ>"', "no control character"),
        ("[scanner]\ngap_ms = 9000", "gap_ms is 9000"),
        ('[scanner]\nspeed = "x"', "has no speed"),
        ("scanner = 3", "no table"),
    ],
)
def test_a_scanner_that_cannot_be_is_refused_in_words(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        load(tmp_path, text)


def test_folders_come_from_the_environment_where_it_names_them(tmp_path: Path) -> None:
    found = load(tmp_path, QUALREC_STATE_DIR=str(tmp_path / "kept"))
    assert (found.config_dir, found.state_dir) == (tmp_path, tmp_path / "kept")


def test_views_are_kept_by_place_and_name_and_replaced_and_forgotten(tmp_path: Path) -> None:
    folder = tmp_path / "new"
    views.save_view(folder, "lots", "  my  holds ", {"state": "on hold", "part": "Ä-1"})
    views.save_view(folder, "charts", "my holds", {"code": "PULL"})
    views.save_view(folder, "lots", "all", {})
    assert views.saved_views(folder, "lots") == {"all": {}, "my holds": {"state": "on hold", "part": "Ä-1"}}
    views.save_view(folder, "lots", "all", {"part": "x"})
    views.remove_view(folder, "lots", "my holds")
    assert views.saved_views(folder, "lots") == {"all": {"part": "x"}}
    assert list(views.saved_views(folder, "charts")) == ["my holds"]
    assert [p.name for p in folder.iterdir()] == ["views.json"]


def test_views_that_cannot_be_are_refused_in_words(tmp_path: Path) -> None:
    assert views.saved_views(None, "lots") == {}
    with pytest.raises(Refused, match="keeps no settings"):
        views.save_view(None, "lots", "a", {})
    for name in ("", "x" * 81, "a\x1bb"):
        with pytest.raises(UsageError, match="cannot name a view"):
            views.save_view(tmp_path, "lots", name, {})
    with pytest.raises(UsageError, match="no view"):
        views.remove_view(tmp_path, "lots", "a")
    for broken in ("{", "[1]", '{"lots": 3}'):
        (tmp_path / views.FILE).write_text(broken, encoding="utf-8")
        with pytest.raises(UsageError, match=r"views\.json"):
            views.saved_views(tmp_path, "lots")
    (tmp_path / "file").touch()
    with pytest.raises(Refused, match="cannot be written"):
        views.save_view(tmp_path / "file" / "folder", "lots", "a", {})
