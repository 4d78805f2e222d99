"""Messages that workers and widgets send to the screens."""

from __future__ import annotations

from dataclasses import dataclass, field

from textual.message import Message

from qualrec.errors import ConnectionLost, DatabaseError, QualrecError


@dataclass(frozen=True, slots=True)
class Trouble:
    """A failure in words: what happened and what to do."""

    message: str
    remedy: str = ""
    lost: bool = False
    """The records cannot be reached any more."""
    records: bool = field(default=False, compare=False)
    """The records cannot be used now: what was asked of them may be right."""

    @classmethod
    def of(cls, error: BaseException) -> Trouble:
        """The words of an error; one that the program does not know is named by its kind."""
        if isinstance(error, QualrecError):
            lost = isinstance(error, ConnectionLost)
            return cls(error.message, error.remedy, lost, isinstance(error, DatabaseError))
        return cls(
            f"The program met an error it does not know: {type(error).__name__}: {error}".rstrip(": "),
            "Write this line down for whoever looks after the program. Reload to see what is on record.",
        )


class Done(Message):
    """A piece of work has its result. `number` tells a late answer from the one that is waited for."""

    def __init__(self, name: str, number: int, result: object) -> None:
        super().__init__()
        self.name = name
        self.number = number
        self.result = result


class Failed(Message):
    """A piece of work could not be done."""

    def __init__(self, name: str, number: int, trouble: Trouble) -> None:
        super().__init__()
        self.name = name
        self.number = number
        self.trouble = trouble
