"""What the reader wants to see of a machine: the span, days or weeks, and which stations."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any
from urllib.parse import urlencode

from django import forms
from django.db import models
from django.http import QueryDict

from linelog.plant.models import Station
from linelog.web.forms import offer


class Span(models.TextChoices):
    """How far back."""

    WEEKS_4 = "4w", "4 weeks"
    MONTHS_3 = "3m", "3 months"
    MONTHS_6 = "6m", "6 months"
    MONTHS_12 = "12m", "12 months"
    MONTHS_24 = "24m", "24 months"
    ALL = "all", "All"


class Grain(models.TextChoices):
    """What one point of the counts stands for."""

    DAY = "day", "By day"
    WEEK = "week", "By week"


DAYS = {Span.WEEKS_4: 28, Span.MONTHS_3: 91, Span.MONTHS_6: 182, Span.MONTHS_12: 364, Span.MONTHS_24: 728}


@dataclass(frozen=True, slots=True)
class Choice:
    """A choice that holds: `since` is None for everything; both ends are production days and included."""

    span: Span
    grain: Grain
    stations: tuple[int, ...]
    until: dt.date

    @property
    def since(self) -> dt.date | None:
        """The first day; in weeks the Monday of it, so that the first week is a whole one."""
        if self.span is Span.ALL:
            return None
        first = self.until - dt.timedelta(days=DAYS[self.span] - 1)
        return first - dt.timedelta(days=first.weekday()) if self.grain is Grain.WEEK else first

    @property
    def query(self) -> str:
        """The choice as it stands in an address."""
        return urlencode(
            {"span": self.span.value, "grain": self.grain.value, "station": list(self.stations)}, doseq=True
        )


def usual(stations: Iterable[int], until: dt.date) -> Choice:
    """Return what is shown to someone who has chosen nothing yet."""
    return Choice(Span.MONTHS_12, Grain.WEEK, tuple(stations), until)


class ChoiceForm(forms.Form):
    """The choice as it comes with an address; what is left out is as usual."""

    span = forms.ChoiceField(choices=Span.choices, required=False, widget=forms.RadioSelect)
    grain = forms.ChoiceField(choices=Grain.choices, required=False, widget=forms.RadioSelect)
    station = forms.TypedMultipleChoiceField(coerce=int, required=False, widget=forms.CheckboxSelectMultiple)

    def __init__(self, data: QueryDict, *, stations: Iterable[Station], usual: Choice) -> None:
        given: Any = data.copy()
        given["span"] = given.get("span") or usual.span.value
        given["grain"] = given.get("grain") or usual.grain.value
        if "station" not in given:
            given.setlist("station", [str(pk) for pk in usual.stations])
        super().__init__(given)
        self.usual = usual
        offer(self, "station", [(station.pk, station.name) for station in stations])
        for field, word in (("span", "span"), ("grain", "'by day' or 'by week'"), ("station", "station")):
            sentence = f"There is no such {word} here: choose one of those shown."
            self.fields[field].error_messages["invalid_choice"] = sentence

    def choice(self) -> Choice:
        """Return the choice, or the usual one where the address asks for what is not there."""
        if not self.is_valid():
            return self.usual
        given = self.cleaned_data
        return replace(
            self.usual, span=Span(given["span"]), grain=Grain(given["grain"]), stations=tuple(given["station"])
        )
