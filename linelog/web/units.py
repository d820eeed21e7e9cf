"""Where typed lengths become um, and um become what the reader wants; nowhere else."""

from __future__ import annotations

import math
import re
from decimal import Decimal
from typing import Any

import numpy as np
from django import forms
from numpy.typing import ArrayLike, NDArray

from linelog.calc.units import ABSURD_UM, SlopeUnit, Unit, from_um, to_um

MINUS = "−"
MM_PER_INCH = 25.4
WHOLE = re.compile(r"(?P<sign>[+\-−–]?)(?P<digits>[0-9]{1,6})")
_NUMBER = re.compile(r"[+-]?(\d+([.]\d*)?|[.]\d+)")


def of(user: Any) -> Unit:
    """Return the unit this person reads; mm where nobody is signed in."""
    return Unit(getattr(user, "unit", None) or Unit.MM.value)


def slope_unit(plant: Any, unit: Unit) -> SlopeUnit:
    """Return what a reader of `unit` in this plant reads tilts in; `plant` may be None."""
    if unit is not Unit.INCH:
        return SlopeUnit.MM_PER_M
    return SlopeUnit(getattr(plant, "inch_tilt", None) or SlopeUnit.IN_PER_IN.value)


def slope_unit_of(user: Any) -> SlopeUnit:
    """Return what this person reads tilts in."""
    unit = of(user)
    return slope_unit(user.plant if unit is Unit.INCH else None, unit)


def show_slope(value: float | None, slopes: SlopeUnit, *, signed: bool = False, with_unit: bool = False) -> str:
    """Return a slope stored in mm/m as text, with a true minus sign."""
    if value is None or not math.isfinite(value):
        return "–"
    sign = "" if not signed else MINUS if value < 0 else "+"
    text = f"{sign}{slopes.show(abs(value) if signed else value)}".replace("-", MINUS)
    return f"{text}\u202f{slopes.label}" if with_unit else text


def is_fahrenheit(user: Any) -> bool:
    """Whether this person's plant reads temperatures in °F."""
    return getattr(getattr(user, "plant", None), "temperature_in", "C") == "F"


def show_celsius(value_c: float | None, *, fahrenheit: bool, decimals: int = 0) -> str:
    """Return a temperature stored in °C as text with its unit: °F = 1.8 °C + 32 (NIST SP 811)."""
    if value_c is None:
        return "–"
    shown = value_c * 1.8 + 32.0 if fahrenheit else value_c
    text = f"{round(shown, decimals) + 0.0:.{decimals}f}".replace("-", MINUS)
    return f"{text}\u202f°{'F' if fahrenheit else 'C'}"


def shown_in(said: object, usual: Unit) -> Unit:
    """Return the unit that a form says it was shown in, which may not be the one of today: it may be sent late."""
    return Unit(said) if said in {unit.value for unit in Unit} else usual


def label(unit: Unit) -> str:
    """Name the unit as it stands in a heading."""
    return unit.label


def show_um(
    value: float | None, unit: Unit, *, signed: bool = False, with_unit: bool = False, fine: bool = False
) -> str:
    """Return a length stored in um as text in `unit`, with a true minus sign; `fine` (walls) with a decimal more."""
    if value is None or not math.isfinite(value):
        return "–"
    decimals = unit.decimals + 1 if fine and unit is not Unit.UM else unit.decimals
    number = round(from_um(value, unit), decimals) + 0.0  # + 0.0 makes -0.0 plain zero
    text = f"{number:{'+' if signed else ''}.{decimals}f}".replace("-", MINUS)
    return f"{text}\u202f{unit.label}" if with_unit else text


def show_typed(text: str, unit: str) -> str:
    """Return a length as it was typed, with the unit it was typed in ('mm', 'um', 'inch') and a true minus sign."""
    return f"{text.strip().replace('-', MINUS)}\u202f{Unit(unit).label}"


def show_mm(value_mm: float, unit: Unit, *, with_unit: bool = True) -> str:
    """Return a length of the machine stored in mm: to 0.1 mm, or for who reads inches to 0.001 in."""
    is_inch = unit is Unit.INCH
    text = f"{value_mm / MM_PER_INCH:.3f}" if is_inch else f"{round(value_mm, 1):g}"
    return f"{text.replace('-', MINUS)}\u202f{'in' if is_inch else 'mm'}" if with_unit else text.replace("-", MINUS)


def machine_unit(unit: Unit) -> Unit:
    """Return what a reader of `unit` reads lengths of the machine in: inches, else mm."""
    return Unit.INCH if unit is Unit.INCH else Unit.MM


def machine_lengths(values_mm: ArrayLike, unit: Unit) -> NDArray[np.float64]:
    """Return lengths of the machine stored in mm as a chart draws them for a reader of `unit`."""
    return np.asarray(values_mm, dtype=np.float64) * (Unit.MM.um / machine_unit(unit).um)


def plain_number(text: str) -> str:
    """Return a typed decimal number with a point and a plain minus sign. Raises ValueError with a sentence."""
    cleaned = text.strip().replace(MINUS, "-").replace("–", "-").replace("\u202f", "").replace(" ", "")
    if cleaned.count(",") == 1 and "." not in cleaned:
        cleaned = cleaned.replace(",", ".")
    if not _NUMBER.fullmatch(cleaned) or len(cleaned) > 20:
        raise ValueError(f"'{text.strip()[:20]}' is not a number.")
    return cleaned


def parse_number(text: str) -> float:
    """Read a typed decimal number; a comma or a point, any minus sign. Raises ValueError with a sentence."""
    return float(plain_number(text))


def from_thousandths(text: str, unit: Unit) -> str:
    """Return what a whole number typed in thousandths stands for: "52" is "0.052" mm or in; anything else as it is.

    A number with a point means what it says, and micrometres are typed whole anyway.
    """
    found = WHOLE.fullmatch(text.strip())
    if unit == Unit.UM or found is None or not int(found["digits"]):
        return text
    number = int(found["digits"])
    return f"{found['sign']}{number // 1000}.{number % 1000:03d}"


class NumberField(forms.FloatField):
    """A decimal number typed with a comma or a point; letters, NaN and infinities are refused."""

    widget = forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"})

    def to_python(self, value: Any) -> Any:  # the stubs would have an int
        """Return the number, or None where the field is empty."""
        if value in self.empty_values:
            return None
        try:
            return parse_number(str(value))
        except ValueError as error:
            raise forms.ValidationError(str(error)) from None


class LengthField(NumberField):
    """A length typed in the form's unit, given back in um (a form sets `unit` when it is made).

    `smallest_um` and `largest_um` are bounds in um; the sentence that refuses a length says them in the unit typed.
    """

    def __init__(
        self,
        *,
        unit: Unit = Unit.MM,
        smallest_um: float | None = None,
        largest_um: float | None = ABSURD_UM,
        **kwargs: Any,
    ) -> None:
        super().__init__(**kwargs)
        self.unit = unit
        self.smallest_um = smallest_um
        self.largest_um = largest_um

    def to_python(self, value: Any) -> Any:
        """Return um."""
        number = super().to_python(value)
        return None if number is None else to_um(number, self.unit)

    def validate(self, value: Any) -> None:
        """Refuse what is beyond the bounds."""
        super().validate(value)
        if value is None:
            return
        if self.smallest_um is not None and value < self.smallest_um:
            least = show_um(self.smallest_um, self.unit, with_unit=True)
            raise forms.ValidationError(f"This must be {least} or more.")
        if self.largest_um is not None and abs(value) > self.largest_um:
            most = show_um(self.largest_um, self.unit, with_unit=True)
            raise forms.ValidationError(f"This must be {most} or less: check the number and its unit.")

    def prepare_value(self, value: Any) -> Any:
        """Show a stored um value in the form's unit; leave what was typed as it is."""
        if isinstance(value, int | float):
            return plain_text(from_um(value, self.unit))
        return value


class MachineLengthField(LengthField):
    """A length of the machine typed in the reader's unit, given back in mm; who reads um types mm."""

    def to_python(self, value: Any) -> Any:
        """Return mm."""
        um = super().to_python(value)
        return None if um is None else um / 1000.0

    def validate(self, value: Any) -> None:
        """Refuse what is beyond the bounds."""
        super().validate(None if value is None else value * 1000.0)

    def prepare_value(self, value: Any) -> Any:
        """Show a stored mm value in the form's unit; leave what was typed as it is."""
        return super().prepare_value(value * 1000.0 if isinstance(value, int | float) else value)


def plain_text(number: float) -> str:
    """Write a number to six digits as a person would type it: never with an exponent, which no form takes back."""
    return f"{Decimal(f'{number:.6g}').normalize():f}"


def show_hours(hours: float) -> str:
    """Write hours as they are read: to the hundredth, and no more than is needed (2.25, 3.5, 4)."""
    return plain_text(round(hours, 2))


class TemperatureField(NumberField):
    """A temperature typed as the plant reads it (a form says so by `ask_temperatures`), given back in °C."""

    def __init__(self, *, coldest_c: float, warmest_c: float, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.coldest_c, self.warmest_c = coldest_c, warmest_c
        self.fahrenheit = False

    def to_python(self, value: Any) -> Any:
        """Return °C."""
        number = super().to_python(value)
        return (number - 32.0) / 1.8 if number is not None and self.fahrenheit else number

    def validate(self, value: Any) -> None:
        """Refuse what is no temperature of a machine or its hall, in the unit typed."""
        super().validate(value)
        if value is not None and not self.coldest_c <= value <= self.warmest_c:
            low, high = (show_celsius(end, fahrenheit=self.fahrenheit) for end in (self.coldest_c, self.warmest_c))
            raise forms.ValidationError(f"This must be between {low} and {high}.")

    def prepare_value(self, value: Any) -> Any:
        """Show a stored value as the plant reads it; leave what was typed as it is."""
        if isinstance(value, int | float):
            return plain_text(round(value * 1.8 + 32.0, 2) if self.fahrenheit else value)
        return value


def ask_temperatures(form: forms.BaseForm, *, fahrenheit: bool) -> None:
    """Have the temperatures of a form typed and shown in °F or °C, named in their labels."""
    for field in form.fields.values():
        if isinstance(field, TemperatureField):
            field.fahrenheit = fahrenheit
            field.label = f"{field.label} (°{'F' if fahrenheit else 'C'})"


def ask_in(form: forms.BaseForm, unit: Unit, *, labelled: bool = True) -> None:
    """Have the lengths of a form typed and shown in a unit, named in their labels."""
    for field in form.fields.values():
        if isinstance(field, LengthField):
            is_large = isinstance(field, MachineLengthField)
            field.unit = machine_unit(unit) if is_large else unit
            if labelled:
                field.label = f"{field.label} ({field.unit.label})"
