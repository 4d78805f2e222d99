"""The palette: finds any action or place by a part of its name. Its entries are the table of actions, no more, no less."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, cast

from textual.command import DiscoveryHit, Hit, Hits, Provider

from qualrec.tui.actions import Action, keys_of
from qualrec.tui.labels import key_name

if TYPE_CHECKING:
    from qualrec.tui.app import QualrecApp


class TablePalette(Provider):
    """Entries 'Place: action', with the help text and the keys below."""

    @property
    def program(self) -> QualrecApp:
        return cast("QualrecApp", self.app)

    def _help(self, action: Action) -> str:
        keys = ", ".join(key_name(key) for key in keys_of(action, self.program.settings.keymap))
        return f"{action.help}  ({keys})"

    async def discover(self) -> Hits:
        for title, action in self.program.offered():
            yield DiscoveryHit(title, partial(self.program.do, action), title, self._help(action))

    async def search(self, query: str) -> Hits:
        matcher = self.matcher(query)
        for title, action in self.program.offered():
            score = max(matcher.match(title), 0.6 * matcher.match(action.help))
            if score > 0:
                yield Hit(
                    score,
                    matcher.highlight(title),
                    partial(self.program.do, action),
                    title,
                    self._help(action),
                )
