"""What a call of a method comes to: an answer, or a refusal in words."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from qualrec.errors import ComputeError


@pytest.fixture
def outcome() -> Callable[[Callable[[], Any]], str]:
    """'answered', 'refused', or 'refused without a remedy'; any other exception or numpy warning comes through."""

    def told(call: Callable[[], Any]) -> str:
        try:
            with np.errstate(over="raise", invalid="raise", divide="raise"):
                call()
        except ComputeError as refused:
            return "refused" if refused.message and refused.remedy else "refused without a remedy"
        return "answered"

    return told
