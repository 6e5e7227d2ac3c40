"""What boiloff remembers: SQLite in WAL mode, one writer at a time, facts that are only ever added.

Light on purpose: `boiloff status` and the service load the standard library's sqlite3 alone. sqlite-utils, which loads
pandas where it finds it, is used by the commands that export and import.
"""

from monitor.store.opening import find, missing
from monitor.store.record import Event, Record
from monitor.store.retention import Retention, Thin
from monitor.store.standing import Standing


class Store(Record, Standing, Thin):
    """One connection to the database. Each writing method is one transaction, durable when it returns."""


__all__ = ["Event", "Retention", "Store", "find", "missing"]
