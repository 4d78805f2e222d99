"""No head of a certificate's column is broken inside a word, in either language."""

from __future__ import annotations

import pytest
from reportlab.lib.units import mm
from reportlab.pdfbase.pdfmetrics import stringWidth

from qualrec.export.certificate import WIDTHS
from qualrec.export.messages import HEADINGS
from qualrec.export.pdf import TEXT_SIZE
from qualrec.export.pdf_text import BOLD, load_fonts

HEADS = (
    "c.code",
    "c.name",
    "cert.unit",
    "p.n",
    "p.mean",
    "p.low",
    "p.high",
    "c.lsl",
    "c.usl",
    "cert.verdict",
)


@pytest.mark.parametrize("language", [0, 1])
def test_the_longest_word_of_each_head_fits(language: int) -> None:
    """A4 less two margins of 16 mm, 3 points of padding on each side of a cell."""
    load_fonts()
    point = (210.0 - 32.0) * mm / sum(WIDTHS)
    for key, width in zip(HEADS, WIDTHS, strict=True):
        text = HEADINGS[key][language]
        longest = max(stringWidth(word, BOLD, TEXT_SIZE - 0.5) for word in text.split())
        assert longest <= width * point - 6.0, (key, text)
