"""Numbers of the set-up with their bounds, and the question asked where one looks like another unit's."""

from __future__ import annotations

import datetime as dt
from abc import ABC, abstractmethod
from typing import Any

from django import forms

from linelog.calc.units import ABSURD_UM, from_um, unit_question
from linelog.web.forms import BAD_DATE, DateInput, TextLine, known_day
from linelog.web.units import LengthField, NumberField, parse_number

MM_PER_INCH = 25.4
DATETIME_LOCAL = "%Y-%m-%dT%H:%M"


class Asked(ABC):
    """A field that may put a question back."""

    @abstractmethod
    def question(self, value: float, typed: str, is_tir: bool) -> str | None:
        """Return the question, or None where the number is as expected."""


class MmField(Asked, NumberField):
    """A length or position in mm. Outside `usual`, and inside it if it were inches, it is asked about."""

    def __init__(self, least: float, most: float, *, usual: tuple[float, float] | None = None, **kwargs: Any) -> None:
        said = f"This must be between {least:g} and {most:g} mm."
        messages = {"min_value": said, "max_value": said, **kwargs.pop("error_messages", {})}
        super().__init__(min_value=least, max_value=most, error_messages=messages, **kwargs)
        self.usual = usual

    def question(self, value: float, typed: str, is_tir: bool) -> str | None:
        """Ask whether inches were typed."""
        if self.usual is None or self.usual[0] <= value <= self.usual[1]:
            return None
        if self.usual[0] <= value * MM_PER_INCH <= self.usual[1]:
            return f"{value:g} mm is outside the {self.usual[0]:g} to {self.usual[1]:g} mm expected: is it in inches?"
        return None


class SizeField(Asked, LengthField):
    """A length in the reader's unit, above zero (or zero where that is allowed), that has a usual size in um."""

    nothing = "This must be above zero."

    def __init__(
        self,
        *,
        finest_um: float = 0.0,
        widest_um: float = ABSURD_UM,
        least_um: float = 0.1,
        zero: bool = False,
        **kwargs: Any,
    ) -> None:
        super().__init__(**kwargs)
        self.finest_um, self.widest_um = finest_um, widest_um
        self.least_um, self.zero = least_um, zero

    def validate(self, value: float | None) -> None:
        """Refuse zero and less, and what is too small to be a length of the shop floor."""
        super().validate(value)
        if value is None or (value == 0 and self.zero):
            return
        if value <= 0:
            raise forms.ValidationError("This can't be negative." if self.zero else self.nothing)
        if value < self.least_um:
            least = f"{from_um(self.least_um, self.unit):.2g} {self.unit.label}"
            raise forms.ValidationError(f"This must be {least} or more: check the number and its unit.")

    def question(self, value: float, typed: str, is_tir: bool) -> str | None:
        """Ask where it looks like another unit; a TIR may be twice as large."""
        times = 2.0 if is_tir else 1.0
        span_um, finest_um = self.widest_um * times, self.finest_um * times
        return unit_question(parse_number(typed), self.unit, span_um=span_um, finest_um=finest_um)


class LimitField(SizeField):
    """A limit of offset in the reader's unit: the form asks whether what is typed is an offset or a TIR."""

    nothing = "A limit must be above zero."


def number(label: str, least: float, most: float, said: str = "", **kwargs: Any) -> NumberField:
    """Return a number with bounds and the sentence that refuses what is beyond them."""
    sentence = said or f"This must be between {least:g} and {most:g}."
    messages = {"min_value": sentence, "max_value": sentence}
    return NumberField(label=label, min_value=least, max_value=most, error_messages=messages, **kwargs)


def whole(label: str, least: int, most: int, **kwargs: Any) -> forms.IntegerField:
    """Return a whole number with bounds."""
    sentence = f"This must be a whole number between {least} and {most}."
    messages = {"min_value": sentence, "max_value": sentence, "invalid": sentence}
    widget = forms.TextInput(attrs={"inputmode": "numeric", "autocomplete": "off"})
    return forms.IntegerField(
        label=label, min_value=least, max_value=most, error_messages=messages, widget=widget, **kwargs
    )


def text(label: str, length: int = 40, **kwargs: Any) -> forms.CharField:
    """Return a short text."""
    messages = {"max_length": f"At most {length} letters.", **kwargs.pop("error_messages", {})}
    return TextLine(label=label, max_length=length, error_messages=messages, **kwargs)


def day(label: str, **kwargs: Any) -> forms.DateField:
    """Return a day of the calendar."""
    return forms.DateField(label=label, widget=DateInput, error_messages=BAD_DATE, validators=[known_day], **kwargs)


def moment(label: str, **kwargs: Any) -> forms.DateTimeField:
    """Return a date and time in the plant's zone."""
    widget = forms.DateTimeInput(attrs={"type": "datetime-local"}, format=DATETIME_LOCAL)
    formats = [DATETIME_LOCAL, f"{DATETIME_LOCAL}:%S"]
    messages = {"invalid": "This is not a date and time of the calendar."}
    return forms.DateTimeField(
        label=label,
        widget=widget,
        input_formats=formats,
        error_messages=messages,
        validators=[_known_moment],
        **kwargs,
    )


def _known_moment(value: dt.datetime) -> None:
    known_day(value.date())


def clock_time(label: str, **kwargs: Any) -> forms.TimeField:
    """Return a time of day."""
    widget = forms.TimeInput(attrs={"type": "time"}, format="%H:%M")
    return forms.TimeField(
        label=label, widget=widget, error_messages={"invalid": "Give a time of day, such as 06:00."}, **kwargs
    )
