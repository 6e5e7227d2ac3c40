"""Whatever style a number is written in, the parser gives the value that was meant or refuses; nothing in between."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.site import unit_table
from monitor.site.quantity import KINDS, QuantityError, convert, parse

# An unsigned decimal number with what it is worth: up to nine digits before the mark and four behind.
NUMBERS = st.tuples(st.integers(0, 999_999_999), st.integers(0, 4), st.integers(0, 9999)).map(
    lambda t: (str(t[0]), f"{t[2]:04d}"[: t[1]])
)


def _grouped(whole: str, mark: str, sizes: tuple[int, ...] = (3,)) -> str:
    parts: list[str] = []
    rest, step = whole, 0
    while rest:
        size = sizes[min(step, len(sizes) - 1)]
        parts.insert(0, rest[-size:])
        rest, step = rest[:-size], step + 1
    return mark.join(parts)


# Styles of writing: mark between thousands, decimal mark. A point between thousands without a decimal mark ("1.234"
# for 1,234) is left out: the point is always the decimal mark here, as in TOML itself, and the messages say so.
STYLES = {
    "plain": ("", "."),
    "decimal comma": ("", ","),
    "US and UK": (",", "."),
    "German": (".", ","),
    "ISO 31-0": (" ", "."),
    "French": ("\u202f", ","),
    "Swiss": ("'", "."),
    "Swiss, typographic": ("’", "."),
    "underscore": ("_", "."),
}


@pytest.mark.parametrize("style", STYLES)
@given(number=NUMBERS, unit=st.sampled_from(["kg", " kg", " lb", "g", " t", "  oz"]), sign=st.sampled_from(["", "+"]))
def test_value_or_refusal(style: str, number: tuple[str, str], unit: str, sign: str) -> None:
    whole, part = number
    thousands, decimal = STYLES[style]
    if style == "German" and not part:
        thousands = ""
    written = sign + _grouped(whole, thousands) + (decimal + part if part else "") + unit
    meant = float(Decimal(f"{whole}.{part or 0}")) * convert(1.0, unit, "mass")
    try:
        found = parse(written, "mass")
    except QuantityError:
        assert style != "plain" or meant > KINDS["mass"].high, written
        return
    assert found == pytest.approx(meant, rel=1e-12), written


@given(number=NUMBERS)
def test_indian_grouping_is_refused_or_right(number: tuple[str, str]) -> None:
    whole, part = number
    written = _grouped(whole, ",", (3, 2)) + (f".{part}" if part else "") + " g"
    try:
        found = parse(written, "mass")
    except QuantityError:
        return
    assert found == pytest.approx(float(f"{whole}.{part or 0}") * 1e-3)


@given(st.floats(1e-6, 1e5), st.sampled_from([u for u in unit_table.UNITS if u.dimension == "mass"]))
def test_round_trip(value: float, unit: unit_table.Unit) -> None:
    """What Python prints, exponents and all, comes back as the same value."""
    if value * unit.factor > KINDS["mass"].high:
        return
    name = (*unit.exact, *unit.names)[0]
    assert parse(f"{value!r} {name}", "mass") == pytest.approx(value * unit.factor, rel=1e-12)


@given(st.floats(-120, 120))
def test_temperature_round_trip_and_both_scales(celsius: float) -> None:
    kelvin = parse(f"{celsius!r} °C", "temperature")
    assert kelvin == pytest.approx(celsius + 273.15, rel=1e-12)
    assert parse(f"{celsius * 1.8 + 32!r} °F", "temperature") == pytest.approx(kelvin, abs=1e-9)


@given(st.integers(0, 5000), st.integers(0, 15))
def test_compound_is_the_sum(pounds: int, ounces: int) -> None:
    assert parse(f"{pounds} lb {ounces} oz", "mass") == pytest.approx((pounds + ounces / 16) * unit_table.LB)


@given(st.text(max_size=30), st.sampled_from(sorted(KINDS)))
def test_any_text_gives_a_value_in_range_or_a_quantity_error(text: str, kind: str) -> None:
    _value_or_error(text, kind)


PIECES = [
    *["0", "1", "23", "456", ".", ",", "-", "+", "e", "E5", "/", "'", '"', "_", "½", "²", "°", "−", "(", ")", "*", "%"],
    *["lb", "oz", "kg", "in", "ft", "psi", "psig", "psia", "bar", "Btu/h", "C", "F", "K", "h", "min", "per", "nan"],
    " ",
]
SOUP = st.lists(st.sampled_from(PIECES), max_size=8).map("".join)


@given(SOUP, st.sampled_from(sorted(KINDS)))
def test_any_soup_of_pieces_gives_a_value_in_range_or_a_quantity_error(text: str, kind: str) -> None:
    _value_or_error(text, kind)


def _value_or_error(text: str, kind: str) -> None:
    try:
        found = parse(text, kind)
    except QuantityError:
        return
    assert KINDS[kind].low <= found <= KINDS[kind].high
    assert any(c in "0123456789½¼¾⅛⅜⅝⅞" for c in text)


@given(st.integers(1, 99999), st.integers(0, 999))
def test_a_taken_comma_is_never_a_thousands_mark(whole: int, part: int) -> None:
    """With three digits behind it a comma could be either, so it is taken only where thousands are impossible."""
    text = f"{whole},{part:03d} kg"
    if whole <= 999:
        with pytest.raises(QuantityError):
            parse(text, "mass")
    else:
        assert parse(text, "mass") == pytest.approx(float(f"{whole}.{part:03d}"))
