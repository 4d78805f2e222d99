"""The line of places on top and the line of actions at the bottom; both are written from the one table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from qualrec.tui.actions import Action, Place, keys_of
from qualrec.tui.labels import key_name
from qualrec.tui.widgets.parts_line import Part, PartsLine


class PlaceBar(PartsLine):
    """All places with their keys; the one on the screen stands out."""

    def __init__(self, places: Sequence[Place], here: str, keymap: Mapping[str, str]) -> None:
        super().__init__()
        self.places = places
        self.here = here
        self.keymap = keymap

    def parts(self) -> list[Part]:
        found = []
        for order, place in enumerate(self.places, start=1):
            key = self.keymap.get(f"app.go-{place.id}", place.key).split(",")[0]
            here = place.id == self.here
            text = f" {key_name(key)} {place.label} " if here else f"{key_name(key)} {place.label}"
            found.append(
                Part(
                    text,
                    "here" if here else "plain",
                    f"app.go('{place.id}')",
                    0 if here else order,
                    close=True,
                )
            )
        return found


class ActionLine(PartsLine):
    """The actions of the place with their first keys. What does not fit is in the help and the palette."""

    def __init__(self, actions: Sequence[Action], keymap: Mapping[str, str]) -> None:
        super().__init__()
        self.actions = [action for action in actions if action.show]
        self.keymap = keymap

    def parts(self) -> list[Part]:
        found = []
        for order, action in enumerate(self.actions):
            call = f"app.{action.method}" if action.place == "app" else action.method
            found.append(Part(key_name(keys_of(action, self.keymap)[0]), "strong", call, order))
            found.append(Part(action.label, "quiet", call, order, close=True))
        return found
