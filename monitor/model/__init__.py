"""Frozen types that all parts share. Standard library and numpy only; SI units; UTC times."""
