"""What can go wrong with a source of weather."""

from __future__ import annotations

from typing import Literal

from monitor.model.errors import SourceFailed

ErrorKind = Literal["temporary", "permanent", "throttled"]


class WeatherError(SourceFailed):
    """A source did not give a usable forecast.

    "temporary": ask again later; "throttled": it asked to be left alone, for `retry_after_s` where it said how long;
    "permanent": asking again does not help until the settings or the place change. `message` is one line for a
    person and holds no secret.
    """

    def __init__(self, kind: ErrorKind, message: str, retry_after_s: float | None = None) -> None:
        super().__init__(message)
        self.kind: ErrorKind = kind
        self.message = message
        self.retry_after_s = retry_after_s
