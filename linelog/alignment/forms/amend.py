"""The form of an amendment: a word, a value that should stand, or a reading typed anew."""

from __future__ import annotations

from collections import defaultdict
from typing import Any

from django import forms

from linelog.alignment.forms.sweep import DIAL_RANGE_UM
from linelog.alignment.models import Reading, Result, Sweep, Visit
from linelog.alignment.models.sweep import Method
from linelog.alignment.services.amending import AmendedValue, Retyped
from linelog.alignment.words import told
from linelog.calc import frame
from linelog.calc.errors import CalcError
from linelog.calc.readings import View
from linelog.calc.units import Unit, to_um, unit_question
from linelog.plant.models import Station
from linelog.web.forms import TextLine, offer
from linelog.web.units import LengthField, ask_in, parse_number, show_um, shown_in


def _sweep_name(sweep: Sweep) -> str:
    seat = sweep.get_seat_display() if sweep.seat else sweep.get_kind_display()
    seen = frame.view_words(View(sweep.view))
    return f"{sweep.station}, {sweep.get_stage_display().lower()}, {seat.lower()}, {seen}"


def _result_name(result: Result, unit: Unit) -> str:
    """Name a value with its figures, in the view of the person at its station."""
    view = View(result.station.view)
    x, y = frame.turn(result.x_um, result.y_um, view)
    across, up = show_um(x, unit, signed=True), show_um(y, unit, signed=True, with_unit=True)
    seat = f", {result.get_seat_display().lower()}" if result.seat else ""
    which = f"{result.station}, {result.get_stage_display().lower()}{seat}"
    running = ", running" if result.method == Method.RUNNING else ""
    return f"{which}{running}: across {across}, up {up}, {frame.view_words(view)}"


class AmendForm(forms.Form):
    """An amendment: the reason, and where a value or a reading was wrong, which and what should stand."""

    reason = forms.CharField(label="What was wrong, and how do you know?", max_length=300, widget=forms.Textarea)
    reading = forms.ChoiceField(label="Which reading", required=False)
    typed = TextLine(
        label="What the dial showed",
        max_length=24,
        required=False,
        help_text="With its sign, at the position as it was seen in that sweep.",
    )
    meant = forms.BooleanField(label="It is meant as typed", required=False)
    about = forms.ChoiceField(label="Which value", required=False)
    x = LengthField(label="Across should be, + right", required=False)
    y = LengthField(label="Up should be, + up", required=False)
    view = forms.ChoiceField(
        label="Right is told as seen", choices=[("", "Choose where from"), *Station.View.choices], required=False
    )
    set_aside = forms.BooleanField(label="Leave this value out of trends", required=False)
    unit = forms.CharField(widget=forms.HiddenInput, required=False)

    def __init__(self, *args: Any, visit: Visit, unit: Unit, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.typed_in = shown_in(self.data.get("unit"), unit)
        self.fields["unit"].initial = self.typed_in.value
        self.results = {str(r.pk): r for r in visit.results.select_related("station")}
        names = [(key, _result_name(r, self.typed_in)) for key, r in self.results.items()]
        offer(self, "about", [("", "The visit as a whole"), *names])
        self.readings = self._offer_readings(visit)
        self.asks = False
        ask_in(self, self.typed_in)
        self.fields["typed"].label = f"What the dial showed ({self.typed_in.label})"

    def _offer_readings(self, visit: Visit) -> dict[str, Reading]:
        rows = Reading.objects.filter(sweep__visit=visit).select_related("sweep__station")
        rows = rows.order_by("sweep__station__order", "sweep_id", "repeat", "is_return", "angle_deg")
        groups: dict[str, list[tuple[str, str]]] = defaultdict(list)
        for row in rows:
            groups[_sweep_name(row.sweep)].append((str(row.pk), f"{row.where}: {told(row, self.typed_in)}"))
        offer(self, "reading", [("", "None"), *groups.items()])
        return {str(row.pk): row for row in rows}

    def clean(self) -> dict[str, Any]:
        """Refuse half a value, a value of nothing, and a reading together with a value."""
        data = super().clean() or {}
        x, y = data.get("x"), data.get("y")
        if (x is None) != (y is None) and not ({"x", "y"} & self.errors.keys()):
            self.add_error("y" if y is None else "x", "Give both across and up, or neither.")
        if x is not None and not data.get("view") and "view" not in self.errors:
            self.add_error("view", "From which end is right told? Seen from the other one it is left.")
        if (x is not None or data.get("set_aside")) and not data.get("about"):
            self.add_error("about", "Which value is meant?")
        self._clean_reading(data)
        return data

    def _clean_reading(self, data: dict[str, Any]) -> None:
        reading, text = self.readings.get(data.get("reading") or ""), (data.get("typed") or "").strip()
        if reading is None:
            if text:
                self.add_error("reading", "Which reading is meant?")
            return
        if data.get("about") or data.get("x") is not None or data.get("set_aside"):
            self.add_error("about", "Amend a reading or a value, one at a time.")
        if not text:
            self.add_error("typed", "What did the dial show?")
            return
        try:
            number, unit = parse_number(text), self.typed_in
            data["value_um"] = to_um(number, unit)
            finest = reading.sweep.resolution_um / 4.0
            question = unit_question(number, unit, span_um=DIAL_RANGE_UM, finest_um=finest)
        except (ValueError, CalcError) as error:
            self.add_error("typed", str(error))
            return
        if question and not data.get("meant"):
            self.asks = True
            self.add_error("typed", question)

    def retyped(self) -> Retyped | None:
        """Return the reading typed anew, or None where none is."""
        reading = self.readings.get(self.cleaned_data["reading"])
        if reading is None:
            return None
        data = self.cleaned_data
        return Retyped(reading, data["value_um"], data["typed"].strip(), self.typed_in.value, bool(data["meant"]))

    def value(self) -> AmendedValue | None:
        """Return the value spoken of, or None for the visit as a whole."""
        result = self.results.get(self.cleaned_data["about"])
        if result is None:
            return None
        data = self.cleaned_data
        x = None if data["x"] is None else frame.across(View(data["view"])) * data["x"]
        return AmendedValue(result.station, result.stage, result.seat, x, data["y"], data["set_aside"])
