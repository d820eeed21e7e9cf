"""Numbers as the reader wants them: in mm, um or inch, signed where the sign means something."""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal
from typing import Any

from django import template

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
def count(value: float | None) -> str:
    """Show a whole number with thin spaces between thousands."""
    return "–" if value is None else f"{round(value):,}".replace(",", "\u202f")
