"""An offer to have gas delivered, as it stands in the site file: a price, a list of fees, a tank and a contract."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Per = Literal["year", "delivery", "kg", "start", "end"]
PERS: tuple[Per, ...] = ("year", "delivery", "kg", "start", "end")


@dataclass(frozen=True, slots=True)
class Fee:
    """One fee in the site's money. `per` kg is charged on what is delivered; `start` and `end` come once a contract.

    With `below_kg` it is charged only in years that use less than that.
    """

    name: str
    amount: float
    per: Per
    below_kg: float | None = None


@dataclass(frozen=True, slots=True)
class Offer:
    """A way to get gas for a year: masses in kg, money in the site's.

    `load_kg` is what one delivery (or trip) brings at most; None = deliveries are not counted, which only an offer
    without a fee for each may say. `least_kg` a year is paid for whether used or not. `least_deliveries` a year come in
    any case. What is paid once is spread over `years`.
    """

    name: str
    price_kg: float
    fees: tuple[Fee, ...] = ()
    load_kg: float | None = None
    years: float = 1.0
    least_kg: float = 0.0
    least_deliveries: int = 0
    installation: float = 0.0
    owner: Literal["supplier", "household"] = "supplier"
    tank_m3: float | None = None

    def once(self) -> float:
        """Return what is paid once over the contract: installation, and fees at its start and its end."""
        return self.installation + sum(f.amount for f in self.fees if f.per in {"start", "end"})
