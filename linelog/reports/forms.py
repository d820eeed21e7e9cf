"""What is asked of tables and reports: a plant, a line, a span of days."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django import forms

from linelog.plant.models import Line, Plant
from linelog.reports.tables.asked import Asked
from linelog.web.forms import BAD_DATE, DateInput, ends_after_it_begins, known_day, offer_rows


class LineField(forms.ModelChoiceField[Line]):
    """A line of a plant."""

    def __init__(self, **more: Any) -> None:
        missing = {"required": "Choose a line.", "invalid_choice": "There is no such line in your plant."}
        super().__init__(Line.objects.none(), label="Line", error_messages=missing, **more)


def day_field(label: str, **more: Any) -> forms.DateField:
    """Return a field for a day."""
    return forms.DateField(label=label, widget=DateInput, error_messages=BAD_DATE, validators=[known_day], **more)


class OfPlant(forms.Form):
    """Of which plant, where there is a choice, and of which line of it or of all."""

    plant = forms.ModelChoiceField(
        Plant.objects.none(),
        required=False,
        empty_label=None,
        error_messages={"invalid_choice": "There is no such plant for you."},
    )
    line = LineField(required=False, empty_label="All lines")

    def __init__(self, *args: Any, user: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.plants = Plant.objects.for_user(user).order_by("pk")
        offer_rows(self, "plant", self.plants)
        offer_rows(self, "line", Line.objects.for_user(user).select_related("plant"))
        if len(self.plants) < 2:
            del self.fields["plant"]

    def clean(self) -> dict[str, Any]:
        """Refuse a line of another plant than the one chosen, and a span that ends before it begins."""
        given: dict[str, Any] = super().clean() or {}
        ends_after_it_begins(self, "since", "until")
        plant, line = given.get("plant"), given.get("line")
        if plant and line and line.plant_id != plant.pk:
            self.add_error("line", "This line is of another plant.")
        return given

    def of(self) -> tuple[Plant | None, Line | None]:
        """Return what it is of, the first plant where none was chosen; None where there is no plant at all."""
        given = self.cleaned_data if self.is_valid() else {}
        line = given.get("line")
        return given.get("plant") or (line.plant if line else self.plants.first()), line


class ChoiceForm(OfPlant):
    """Which rows of the tables: of some days or all."""

    since = day_field("From", required=False)
    until = day_field("To", required=False)

    def asked(self, at: dt.datetime) -> Asked | None:
        """Return what is asked, of everything where the form is wrong; None where there is no plant at all."""
        plant, line = self.of()
        if plant is None:
            return None
        given = self.cleaned_data if self.is_valid() else {}
        return Asked(plant, at=at, since=given.get("since"), until=given.get("until"), line=line)


class PaperField(forms.ChoiceField):
    """The paper that a report is set for."""

    def __init__(self, **more: Any) -> None:
        wrong = {"invalid_choice": "Choose A4 or Letter."}
        choices = (("a4", "A4"), ("letter", "Letter"))
        super().__init__(label="Paper", choices=choices, required=False, error_messages=wrong, **more)


class WeeklyForm(OfPlant):
    """Of which week a report is, by any day of it."""

    week = day_field("A day of the week", required=False)
    paper = PaperField()


class AuditForm(OfPlant):
    """Of which days an audit pack is."""

    since = day_field("From")
    until = day_field("To")
    paper = PaperField()
