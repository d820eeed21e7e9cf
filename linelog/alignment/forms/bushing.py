"""Forms of a bushing in a visit: its clearance, its position, a new one fitted."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django import forms
from django.utils import timezone

from linelog.alignment.models import BushingClearance, BushingFitted, BushingPosition, Stage
from linelog.alignment.services.bushings import DOUBTED, TypedClearance, TypedPosition
from linelog.calc.clearance import OtherEnd
from linelog.calc.frame import turn
from linelog.calc.readings import View
from linelog.calc.units import Unit, from_um, meanings, to_um
from linelog.plant.models import Station
from linelog.web.forms import BAD_DATE, DateInput, TextLine, known_day
from linelog.web.units import LengthField, MachineLengthField, ask_in, plain_number, plain_text, shown_in

TRAVELS = ("up_down_um", "left_right_um")
LEAST_UM = 5.0  # common practice, no source: less is no clearance that a ram runs in
FARTHEST_UM = 5_000_000.0  # along the ram, either way
MOST_UM = 3000.0  # common practice, no source: no ram still runs in so wide a bushing
OTHER_ENDS = (
    (OtherEnd.ROCKS.value, "The other end rocks: it goes to its opposite stop"),
    (OtherEnd.TOGETHER.value, "The other end goes along to the same stop"),
    (OtherEnd.STAYS.value, "The other end is held where it is"),
)


class Measured(forms.Form):
    """What both measurements share: their unit, as the page showed it, and the version that was seen."""

    unit = forms.CharField(widget=forms.HiddenInput, required=False)
    stage = forms.ChoiceField(choices=Stage.choices, widget=forms.HiddenInput)
    version = forms.IntegerField(widget=forms.HiddenInput, min_value=0, required=False)

    def __init__(self, *args: Any, unit: Unit, prefix_of_ids: str, **kwargs: Any) -> None:
        super().__init__(*args, **{"auto_id": f"{prefix_of_ids}_%s", **kwargs})
        self.typed_in = shown_in(self.data.get("unit"), unit)
        self.fields["unit"].initial = self.typed_in.value
        ask_in(self, self.typed_in)

    def version_seen(self) -> int:
        """Return the version that this one replaces."""
        return self.cleaned_data["version"] or 0


@dataclass(frozen=True, slots=True)
class Answer:
    """What a travel that looks wrong may have meant: words for a button, and the whole form as it then is sent."""

    words: str
    sent: tuple[tuple[str, str], ...]


class ClearanceForm(Measured):
    """The travel of the dial between the ram's two stops, each way.

    limit_um  the wear limit: what a travel that was refused may have meant is nothing that is asked about again
    asks      whether what was typed can be stored once the person says that it is meant
    """

    meant = forms.BooleanField(widget=forms.HiddenInput, required=False)

    up_down_um = LengthField(label="Up and down, stop to stop", smallest_um=0.0, largest_um=MOST_UM, required=False)
    left_right_um = LengthField(
        label="Left and right, stop to stop", smallest_um=0.0, largest_um=MOST_UM, required=False
    )
    resolution_um = LengthField(label="Smallest step of the dial", smallest_um=0.1, largest_um=200.0)
    dial_z_mm = MachineLengthField(
        label="Only where the dial could not stand beside the bushing: its place along the ram, z",
        largest_um=FARTHEST_UM,
        required=False,
        help_text="Measured from the front edge of the front bushing, forward positive.",
    )
    other_end = forms.ChoiceField(
        label="And what the ram did in the other bushing", choices=OTHER_ENDS, required=False
    )

    def __init__(self, *args: Any, unit: Unit, limit_um: float = MOST_UM, **kwargs: Any) -> None:
        super().__init__(*args, unit=unit, prefix_of_ids="clearance", **kwargs)
        self.limit_um, self.asks = limit_um, False

    @property
    def answers(self) -> list[Answer]:
        """What the travels refused may have meant, and as typed where that can be stored."""
        found: list[Answer] = []
        for field in TRAVELS if self.is_bound else ():
            if field in self.errors:
                found += self._answers_of(field)
        return found

    def _answers_of(self, field: str) -> list[Answer]:
        sent = {name: str(self.data.get(name, "")) for name in self.fields if name != "meant"}
        try:
            text = plain_number(sent[field])
        except ValueError:
            return []
        found = []
        for one in meanings(text, self.typed_in, span_um=DOUBTED * self.limit_um, finest_um=LEAST_UM):
            length = plain_text(from_um(to_um(Decimal(one.text), one.unit), self.typed_in))
            found.append(Answer(one.words, tuple((sent | {field: length}).items())))
        if self.asks:
            words = f"Yes, {sent[field].strip()} {self.typed_in.label}"
            found.append(Answer(words, tuple((sent | {"meant": "1"}).items())))
        return found

    def typed(self) -> TypedClearance:
        """Return what the service takes."""
        data = self.cleaned_data
        return TypedClearance(
            stage=data["stage"],
            up_down_um=data["up_down_um"],
            left_right_um=data["left_right_um"],
            unit=self.typed_in.value,
            resolution_um=data["resolution_um"],
            dial_z_mm=data["dial_z_mm"],
            other_end=data["other_end"] or OtherEnd.ROCKS.value,
            meant=data["meant"],
        )

    @staticmethod
    def initial_of(row: BushingClearance | None, stage: str, step_um: float) -> dict[str, Any]:
        """Return what the form starts with: what is stored, else the usual dial."""
        if row is None:
            return {"stage": stage, "version": 0, "resolution_um": step_um}
        names = ("stage", "version", "up_down_um", "left_right_um", "resolution_um", "dial_z_mm", "other_end")
        return {name: getattr(row, name) for name in names}


class PositionForm(Measured):
    """Where the bushing stands off a line that does not ride on it."""

    reference = forms.ChoiceField(label="Measured from", choices=BushingPosition.Reference.choices)
    reference_note = TextLine(label="Which one, or what else", max_length=80, required=False)
    view = forms.ChoiceField(label="Seen", choices=Station.View.choices)
    x_um = LengthField(label="Across, + to your right")
    y_um = LengthField(label="Up, + up")
    expanded_um = LengthField(label="Uncertainty of each axis (about 95 %)", smallest_um=0.1)

    def __init__(self, *args: Any, unit: Unit, **kwargs: Any) -> None:
        super().__init__(*args, unit=unit, prefix_of_ids="position", **kwargs)

    def typed(self) -> TypedPosition:
        """Return what the service takes."""
        data = self.cleaned_data
        return TypedPosition(
            stage=data["stage"],
            reference=data["reference"],
            reference_note=data["reference_note"].strip(),
            x_um=data["x_um"],
            y_um=data["y_um"],
            expanded_um=data["expanded_um"],
            view=data["view"],
            unit=self.typed_in.value,
        )

    @staticmethod
    def initial_of(row: BushingPosition | None, stage: str, station: Station) -> dict[str, Any]:
        """Return what the form starts with: what is stored, as it was seen."""
        if row is None:
            return {"stage": stage, "version": 0, "view": station.view}
        x, y = turn(row.x_um, row.y_um, View(row.view))
        names = ("stage", "version", "reference", "reference_note", "expanded_um", "view")
        return {"x_um": x, "y_um": y, **{name: getattr(row, name) for name in names}}


class FittedForm(forms.Form):
    """A new bushing."""

    fitted_on = forms.DateField(
        label="A new bushing was fitted on", widget=DateInput, error_messages=BAD_DATE, validators=[known_day]
    )
    note = TextLine(label="Its number, or a word on it", max_length=120, required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **{"auto_id": "fitted_%s", **kwargs})

    @staticmethod
    def initial_of(row: BushingFitted | None) -> dict[str, Any]:
        """Return what the form starts with: what was said, else today."""
        if row is None:
            return {"fitted_on": timezone.localdate()}
        return {"fitted_on": row.fitted_on, "note": row.note}
