"""Where typed lengths become um, and um become what the reader wants; nowhere else."""

from __future__ import annotations

import math
import re
from typing import Any

from django import forms

from linelog.calc.units import Unit, from_um, to_um

DECIMALS = {Unit.MM: 3, Unit.UM: 1, Unit.INCH: 4}
LABELS = {Unit.MM: "mm", Unit.UM: "µm", Unit.INCH: "in"}
MINUS = "−"
_NUMBER = re.compile(r"[+-]?(\d+([.]\d*)?|[.]\d+)")


def of(user: Any) -> Unit:
    """Return the unit this person reads; mm where nobody is signed in."""
    return Unit(getattr(user, "unit", None) or Unit.MM.value)


def label(unit: Unit) -> str:
    """Name the unit as it stands in a heading."""
    return LABELS[unit]


def show_um(value: float | None, unit: Unit, *, signed: bool = False, with_unit: bool = False) -> str:
    """Return a length stored in um as text in `unit`, with a true minus sign."""
    if value is None or not math.isfinite(value):
        return "–"
    number = round(from_um(value, unit), DECIMALS[unit]) + 0.0  # + 0.0 makes -0.0 plain zero
    text = f"{number:{'+' if signed else ''}.{DECIMALS[unit]}f}".replace("-", MINUS)
    return f"{text}\u202f{LABELS[unit]}" if with_unit else text


def parse_number(text: str) -> float:
    """Read a typed decimal number; a comma or a point, any minus sign. Raises ValueError with a sentence."""
    cleaned = text.strip().replace(MINUS, "-").replace("–", "-").replace("\u202f", "").replace(" ", "")
    if cleaned.count(",") == 1 and "." not in cleaned:
        cleaned = cleaned.replace(",", ".")
    if not _NUMBER.fullmatch(cleaned) or len(cleaned) > 20:
        raise ValueError(f"'{text.strip()[:20]}' is not a number.")
    return float(cleaned)


class NumberField(forms.FloatField):
    """A decimal number typed with a comma or a point; letters, NaN and infinities are refused."""

    widget = forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"})

    def to_python(self, value: Any) -> float | None:
        """Return the number, or None where the field is empty."""
        if value in self.empty_values:
            return None
        try:
            return parse_number(str(value))
        except ValueError as error:
            raise forms.ValidationError(str(error)) from None


class LengthField(NumberField):
    """A length typed in the form's unit, given back in um (a form sets `unit` when it is made)."""

    def __init__(self, *, unit: Unit = Unit.MM, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.unit = unit

    def clean(self, value: Any) -> float | None:
        """Return um."""
        number = super().clean(value)
        return None if number is None else to_um(number, self.unit)

    def prepare_value(self, value: Any) -> Any:
        """Show a stored um value in the form's unit; leave what was typed as it is."""
        if isinstance(value, int | float):
            return f"{round(from_um(value, self.unit), 6):g}"
        return value
