"""Pictures that stand still: a distribution against its limits, indices against their requirements, probability paper."""

from __future__ import annotations

from collections.abc import Sequence

from textual.strip import Strip

from qualrec.tui.widgets.grid_view import GridView
from qualrec.tui.widgets.plot_canvas import Role
from qualrec.tui.widgets.plot_shapes import (
    Distribution,
    IndexBar,
    ProbabilityPlot,
    draw_distribution,
    draw_index,
    draw_probability,
)


class Histogram(GridView):
    """A distribution under its heading."""

    shape = Distribution((), ())
    heading = ""

    def show(self, shape: Distribution, heading: str = "") -> None:
        self.shape, self.heading = shape, heading
        self.redraw()

    def drawn(self, width: int, height: int) -> list[Strip]:
        grid = draw_distribution(self.shape, width, height - 1, self.ascii_only)
        return [self.text_strip(self.heading, width, Role.VERSION), *self.strips_of(grid)]


class IndexBars(GridView):
    """Indices one below the other, two rows each."""

    DEFAULT_CSS = "IndexBars { height: auto; }"
    bars: Sequence[IndexBar] = ()

    def show(self, bars: Sequence[IndexBar]) -> None:
        self.bars = tuple(bars)
        self.styles.height = 2 * len(self.bars)
        self.redraw()

    def drawn(self, width: int, height: int) -> list[Strip]:
        return [
            strip for bar in self.bars for strip in self.strips_of(draw_index(bar, width, self.ascii_only))
        ]


class ProbabilityPaper(GridView):
    """A probability plot under its heading, with the word for censored values below."""

    plot = ProbabilityPlot((), ())
    heading = ""
    censored_word = "at least this much"

    def show(self, plot: ProbabilityPlot, heading: str = "") -> None:
        self.plot, self.heading = plot, heading
        self.redraw()

    def drawn(self, width: int, height: int) -> list[Strip]:
        foot = any(self.plot.censored)
        grid = draw_probability(self.plot, width, height - 1 - foot, self.ascii_only)
        strips = [self.text_strip(self.heading, width, Role.VERSION), *self.strips_of(grid)]
        if foot:
            sign = ">" if self.ascii_only else "▷"
            strips.append(self.text_strip(f"{sign} {self.censored_word}", width, Role.LEFT_OUT))
        return strips
