"""Saved views: what a place was asked to show, kept under a name in the user's configuration folder.

One file, `views.json`: place -> name -> fields. A place says itself what its fields mean.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path

from qualrec.errors import Refused, UsageError

Fields = Mapping[str, str]
FILE = "views.json"
MOST_SIGNS = 80


def saved_views(folder: Path | None, place: str) -> dict[str, dict[str, str]]:
    """The views of a place by name, in the order of their names. `folder` None: nothing is kept.

    Raises UsageError for a file that is not of this form.
    """
    found = _read(folder).get(place, {})
    return {name: found[name] for name in sorted(found, key=str.casefold)}


def save_view(folder: Path | None, place: str, name: str, fields: Fields) -> None:
    """Keep a view under a name; one of the same name is replaced. Raises UsageError, Refused where it cannot be written."""
    name = " ".join(name.split())
    if not name or len(name) > MOST_SIGNS or not name.isprintable():
        raise UsageError(f"{name!r} cannot name a view.", f"Use 1 to {MOST_SIGNS} signs.")
    views = _read(folder)
    views.setdefault(place, {})[name] = {key: str(value) for key, value in fields.items()}
    _write(folder, views)


def remove_view(folder: Path | None, place: str, name: str) -> None:
    """Forget a view. Raises UsageError where there is none of the name."""
    views = _read(folder)
    if name not in views.get(place, {}):
        raise UsageError(f"There is no view {name!r}.", "See the list of saved views.")
    del views[place][name]
    _write(folder, views)


def _read(folder: Path | None) -> dict[str, dict[str, dict[str, str]]]:
    path = None if folder is None else folder / FILE
    if path is None or not path.is_file():
        return {}
    try:
        held = json.loads(path.read_text(encoding="utf-8"))
        return {
            str(place): {
                str(name): {str(k): str(v) for k, v in fields.items()} for name, fields in views.items()
            }
            for place, views in held.items()
        }
    except (OSError, ValueError, AttributeError) as error:
        raise UsageError(f"{path}: {error}", "Mend or remove the file.") from error


def _write(folder: Path | None, views: Mapping[str, Mapping[str, Fields]]) -> None:
    if folder is None:
        raise Refused("This program keeps no settings.", "Start it as 'qualrec'.")
    path = folder / FILE
    draft = path.with_name(f"{FILE}.{os.getpid()}")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        draft.write_text(json.dumps(views, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
        os.replace(draft, path)
    except OSError as error:
        raise Refused(
            f"{path} cannot be written: {error.strerror}.", "See the rights of the folder."
        ) from error
