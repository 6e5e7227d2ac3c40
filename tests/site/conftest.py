"""Settings for the property tests here."""

from __future__ import annotations

from hypothesis import settings

# The first unit that Pint is asked for takes a fifth of a second, and a shared machine may take longer still.
settings.register_profile("unhurried", deadline=None)
settings.load_profile("unhurried")
