"""Factors that `calc chart` takes in place of full precision: rounded as in tables, or given by name."""

from __future__ import annotations

from collections.abc import Sequence

from qualrec.errors import UsageError
from qualrec.stats.printed_factors import NAMES, rounded_factors


def read_factors(printed: bool, given: Sequence[str], n: int) -> dict[str, float]:
    """Factors of subgroups of n: rounded to 3 decimals where `printed`, then those given as NAME=VALUE."""
    from qualrec.cli.calc_input import number

    found = rounded_factors(n) if printed else {}
    for text in given:
        name, sign, value = text.partition("=")
        if not sign or name.strip() not in NAMES:
            raise UsageError(f"--factor {text!r} is not NAME=VALUE.", f"Names: {', '.join(NAMES)}.")
        found[name.strip()] = number(value)
    return found
