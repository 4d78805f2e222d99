"""Everything that a command writes to stderr, and the exit code of a failure."""

from __future__ import annotations

import sys

from qualrec.cli.output import clean
from qualrec.errors import ExitCode, FileRefused, QualrecError

SHOWN_PROBLEMS = 20


def say(text: str) -> None:
    """Narration and progress."""
    sys.stderr.write(clean(text) + "\n")
    sys.stderr.flush()


def ask(question: str) -> None:
    """A question whose answer is typed behind it."""
    sys.stderr.write(clean(question))
    sys.stderr.flush()


def report(error: QualrecError) -> ExitCode:
    """Print what is wrong, where, and what to do; the exit code of the error."""
    say(f"qualrec: {error.message}")
    if isinstance(error, FileRefused):
        for problem in error.problems[:SHOWN_PROBLEMS]:
            say(f"  {problem}")
        if len(error.problems) > SHOWN_PROBLEMS:
            say(f"  and {len(error.problems) - SHOWN_PROBLEMS} more problems")
    if error.remedy:
        say(f"  {error.remedy}")
    return error.exit_code
