"""How the states of an alert, and what a notice says of it, are told to a person."""

from __future__ import annotations

STATES = {
    "unacknowledged": "stands, not acknowledged",
    "acknowledged": "stands, acknowledged",
    "returned": "over, waits to be acknowledged",
    "shelved": "shelved",
    "suppressed": "held back by another alert",
    "pending": "seen, its delay runs",
    "out_of_service": "out of service",
    "normal": "normal",
}
WHAT = {"raised": "raised", "updated": "again", "ended": "over", "digest": "gathered", "test": "test"}
