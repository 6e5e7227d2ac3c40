"""Errors a person may see. Each says which key, which value, what was expected and how to mend it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with an input: `key` is a path such as `cylinder[2].tare`, `value` as it was given.

    Tables in a list are counted from 1, as a person counts them; `line` is that of the file, where there is one.
    """

    key: str
    value: str
    expected: str
    hint: str = ""
    line: int | None = None

    def __str__(self) -> str:
        where = f"line {self.line}, " if self.line else ""
        text = f"{where}{self.key}: got {self.value}; expected {self.expected}"
        return f"{text}. {self.hint}" if self.hint else text


class BoiloffError(Exception):
    """Base of the errors that end a command; `exit_code` is what the command line returns."""

    exit_code = 1


class BadInput(BoiloffError):
    """Input that cannot be used. Carries every problem found, not the first alone. Exit status 2."""

    exit_code = 2

    def __init__(self, problems: Problem | Sequence[Problem]) -> None:
        self.problems: tuple[Problem, ...] = (problems,) if isinstance(problems, Problem) else tuple(problems)
        super().__init__("\n".join(str(p) for p in self.problems))


class SourceFailed(BoiloffError):
    """A source that the answer needs (forecast, store, broker) did not deliver. Exit status 3."""

    exit_code = 3
