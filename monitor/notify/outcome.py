"""What came of one attempt to deliver a notice."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Outcome:
    """`error` is "" where it was delivered; else the real reason, without any secret.

    `permanent`: trying again cannot help until a person mends something. `retry_after_s`: the least wait that the
    other side asked for. `unsure`: it may have arrived all the same (no answer came).
    """

    error: str = ""
    permanent: bool = False
    retry_after_s: float | None = None
    unsure: bool = False

    @property
    def ok(self) -> bool:
        """True where it was delivered."""
        return not self.error


DELIVERED = Outcome()
