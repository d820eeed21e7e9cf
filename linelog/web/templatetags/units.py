"""Numbers as the reader wants them: in mm, um or inch, signed where the sign means something."""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal
from typing import Any

from django import template

from linelog.calc.units import Unit
from linelog.web import units

register = template.Library()


@register.simple_tag(takes_context=True)
def um(
    context: dict[str, Any], value: float | None, signed: bool = False, with_unit: bool = False, fine: bool = False
) -> str:
    """Show a length stored in um in the reader's unit; a wall with a decimal more (`fine`)."""
    unit = units.of(context.get("user"))
    return units.show_um(value, unit, signed=signed, with_unit=with_unit, fine=fine)


@register.simple_tag(takes_context=True)
def unit(context: dict[str, Any]) -> str:
    """Name the reader's unit, for a heading."""
    return units.label(units.of(context.get("user")))


@register.simple_tag(takes_context=True)
def unit_word(context: dict[str, Any]) -> str:
    """Name the reader's unit within a sentence, where 'in in' would stand."""
    return units.of(context.get("user")).word


@register.filter
def unit_label(stored: str) -> str:
    """Name the unit that something was typed in as it stands in a heading: 'inch' is 'in'."""
    return Unit(stored).label


@register.simple_tag(takes_context=True)
def tilt(context: dict[str, Any], value: float | None, signed: bool = False, with_unit: bool = False) -> str:
    """Show a tilt or slope stored in mm/m in the reader's unit."""
    return units.show_slope(value, units.slope_unit_of(context.get("user")), signed=signed, with_unit=with_unit)


@register.simple_tag(takes_context=True)
def tilt_unit(context: dict[str, Any]) -> str:
    """Name what the reader reads tilts in."""
    return units.slope_unit_of(context.get("user")).label


@register.simple_tag(takes_context=True)
def celsius(context: dict[str, Any], value: float | None) -> str:
    """Show a temperature stored in °C as the plant reads it."""
    return units.show_celsius(value, fahrenheit=units.is_fahrenheit(context.get("user")))


@register.simple_tag(takes_context=True)
def mm(context: dict[str, Any], value: float | None, with_unit: bool = False) -> str:
    """Show a length of the machine stored in mm in the reader's unit."""
    return "–" if value is None else units.show_mm(value, units.of(context.get("user")), with_unit=with_unit)


@register.simple_tag(takes_context=True)
def mm_unit(context: dict[str, Any]) -> str:
    """Name what the reader reads lengths of the machine in: 'mm', or 'in'."""
    return "in" if units.of(context.get("user")) is Unit.INCH else "mm"


@register.filter
def signed(value: float | None, decimals: int = 3) -> str:
    """Show a number with its sign always there."""
    return "–" if value is None else f"{value:+.{decimals}f}".replace("-", "−")


@register.filter
def fixed(value: float, decimals: int) -> str:
    """Show a number with so many decimals, halves rounded up.

    The same as `floatformat`, which looks up how the reader's country writes numbers each time: seven times as long,
    and a long table has hundreds of them.
    """
    rounded = Decimal(str(value)).quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_UP)
    return f"{rounded or abs(rounded):f}"  # no minus before nothing


@register.filter
def hours(value: float) -> str:
    """Show hours to the hundredth where that is needed."""
    return units.show_hours(value)


@register.filter
def typed(value: float) -> str:
    """Fill a field with a number as it was typed, so that sending the form again changes nothing."""
    return units.plain_text(value)


@register.filter
def count(value: float | None) -> str:
    """Show a whole number with thin spaces between thousands."""
    return "–" if value is None else f"{round(value):,}".replace(",", "\u202f")
