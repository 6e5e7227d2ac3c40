"""A quantity typed into a form's field, checked in the words of the field."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from monitor.model.errors import Problem


class Fields:
    """The fields of one form; what is wrong with them gathers in `problems`."""

    def __init__(self, given: Mapping[str, str]) -> None:
        """Take the form as it was sent."""
        self.given = given
        self.problems: list[Problem] = []

    def quantity(
        self, name: str, label: str, kind: Any, low: float, high: float, expected: str, *, needed: bool = False
    ) -> float | None:
        """Return the quantity in SI units; None where nothing was typed, or where it is wrong."""
        from monitor.site import units

        text = self.given.get(name, "").strip()[:60]
        if not text:
            if needed:
                self.problems.append(Problem(label, "nothing", expected))
            return None
        try:
            value = float(units.parse(text, kind))
        except units.QuantityError as error:
            self.problems.append(Problem(label, f'"{text}"', error.expected, error.hint))
            return None
        if not low <= value <= high:
            self.problems.append(Problem(label, f'"{text}"', expected))
            return None
        return value
