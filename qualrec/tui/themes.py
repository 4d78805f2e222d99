"""Three sets of colours: dark, light, high contrast. Good is blue, bad is orange, so no verdict rests on red and green.

The blue and orange follow the palette of Okabe and Ito (2008, "Color Universal Design"), made lighter or darker
until text reaches a contrast of 4.5 : 1 against its ground, 7 : 1 in `contrast` (WCAG 2.2, 1.4.3 and 1.4.6; both
sources from memory).
"""

from __future__ import annotations

from textual.dom import DOMNode
from textual.theme import Theme

TONES = ("good", "look", "bad", "quiet", "note")


def _theme(
    name: str,
    *,
    dark: bool,
    text: str,
    ground: str,
    raised: str,
    good: str,
    look: str,
    bad: str,
    quiet: str,
    note: str,
) -> Theme:
    return Theme(
        name=name,
        dark=dark,
        primary=good,
        secondary=note,
        accent=bad,
        warning=look,
        error=bad,
        success=good,
        foreground=text,
        background=ground,
        surface=raised,
        panel=raised,
        variables={
            "tone-good": good,
            "tone-look": look,
            "tone-bad": bad,
            "tone-quiet": quiet,
            "tone-note": note,
            "here-text": ground,
            "here-ground": good,
            "input-cursor-background": text,
            "input-cursor-foreground": ground,
            "input-selection-background": f"{good} 40%",
            "block-cursor-foreground": ground,
            "block-cursor-background": good,
            "block-cursor-text-style": "none",
            "block-cursor-blurred-foreground": text,
            "block-cursor-blurred-background": raised,
        },
    )  # fmt: skip


THEMES = {
    "dark": _theme(
        "dark", dark=True, text="#E6E9EC", ground="#14181D", raised="#222931",
        good="#6CB9EC", look="#E8D27A", bad="#F5A83A", quiet="#9AA5B1", note="#C3A6E8",
    ),
    "light": _theme(
        "light", dark=False, text="#1B1F24", ground="#FBFAF7", raised="#ECE9E2",
        good="#00568F", look="#665200", bad="#9C3E00", quiet="#555C64", note="#5E3A8C",
    ),
    "contrast": _theme(
        "contrast", dark=True, text="#FFFFFF", ground="#000000", raised="#101010",
        good="#80CFFF", look="#FFF27A", bad="#FFB43A", quiet="#D0D0D0", note="#E0C4FF",
    ),
}  # fmt: skip


def is_ascii(node: DOMNode) -> bool:
    """Whether the program draws with ASCII only; set by the class `-ascii` of the app."""
    return node.app.has_class("-ascii")
