"""The form of an adjuster: only the fields of its kind."""

from __future__ import annotations

from typing import Any

from django import forms

from linelog.calc.units import ABSURD_UM
from linelog.plant.forms.base import SetUpForm
from linelog.plant.forms.fields import MmField, SizeField, number, text
from linelog.plant.models import Adjuster, Plant, ShimStock
from linelog.web.forms import offer_rows
from linelog.web.units import LengthField

ALONG, OTHER = "along", "other"
CLOCK = {"12": 0.0, "3": 90.0, "6": 180.0, "9": 270.0}
PUSHES = (
    ("12", "up, to 12 o'clock"),
    ("3", "right, to 3 o'clock seen from the crank"),
    ("6", "down, to 6 o'clock"),
    ("9", "left, to 9 o'clock seen from the crank"),
    (OTHER, "another way, in degrees"),
    (ALONG, "along the ram, to the domer (tilt)"),
)
SENSES = (("1", "that way"), ("0", "the opposite way"))
# The fields that only one kind has.
OF_KIND = {
    Adjuster.Kind.SHIM: {"stock"},
    Adjuster.Kind.SCREW: {"pitch_mm", "clockwise_is_positive", "resolution_um", "backlash_turns"},
    Adjuster.Kind.SLIDE: {"resolution_um"},
}


class AdjusterForm(SetUpForm):
    """An adjuster of one kind. Positive travel is the way it pushes; for shims, thickness put in."""

    name = text("Name of the adjuster", help_text="As it is called at the machine.")
    z_mm = MmField(-5000, 5000, label="Position z (mm)", help_text="Where it acts along the ram.")
    pushes = forms.ChoiceField(choices=PUSHES, label="It pushes the component", help_text="Seen from the crank.")
    direction_deg = number("Degrees clockwise from 12", 0, 360, "Degrees run from 0 to 360.", required=False)
    at_x_mm = MmField(-1000, 1000, required=False, label="Stands right of the centre, seen from the crank, by (mm)")
    at_y_mm = MmField(-1000, 1000, required=False, label="Stands above the centre by (mm)")
    stock: forms.ModelChoiceField[ShimStock] = forms.ModelChoiceField(
        queryset=ShimStock.objects.none(), empty_label=None, label="Packs are made from"
    )
    pitch_mm = MmField(
        0.05,
        50,
        label="Pitch (mm a turn)",
        error_messages={
            "required": "A screw needs its pitch.",
            "min_value": "The pitch must be above zero (0.05 mm or more).",
        },
    )
    clockwise_is_positive = forms.TypedChoiceField(
        choices=SENSES,
        coerce=lambda text: text == "1",
        widget=forms.RadioSelect,
        label="Turned in (clockwise), it pushes",
        initial="1",
    )
    resolution_um = SizeField(label="Smallest step it can be set to", largest_um=2000.0, initial=5.0)
    backlash_turns = number(
        "Backlash of the thread (turns)",
        0,
        5,
        "Backlash lies between 0 and 5 turns.",
        required=False,
        help_text="A quarter turn is 0.25. Moves out then say: go past by so much and come back in.",
    )
    min_um = LengthField(
        label="Least travel", largest_um=ABSURD_UM, initial=-1000.0, help_text="From where it stands: zero or below."
    )
    max_um = LengthField(
        label="Greatest travel",
        largest_um=ABSURD_UM,
        initial=1000.0,
        help_text="From where it stands: zero or above.",
    )

    not_facts = frozenset({"pushes"})
    groups = (
        ("The adjuster", ("name", "z_mm", "stock", "pitch_mm", "resolution_um", "backlash_turns")),
        ("Which way", ("pushes", "direction_deg", "clockwise_is_positive")),
        ("Where it stands, for one that pushes along the ram", ("at_x_mm", "at_y_mm")),
        ("Travel", ("min_um", "max_um")),
    )

    def __init__(self, *args: Any, kind: str, plant: Plant, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.kind = Adjuster.Kind(kind)
        offer_rows(self, "stock", plant.shim_stocks.all())
        for other in set().union(*OF_KIND.values()) - OF_KIND[self.kind]:
            del self.fields[other]

    @classmethod
    def initial_of(cls, row: Any) -> dict[str, Any]:
        """Return what is stored, the direction as one of the choices."""
        clock = {degrees: hour for hour, degrees in CLOCK.items()}
        pushes = ALONG if row.along_z else clock.get(row.direction_deg % 360.0, OTHER)
        sense = "1" if row.clockwise_is_positive else "0"
        return {**super().initial_of(row), "pushes": pushes, "clockwise_is_positive": sense}

    def clean(self) -> dict[str, Any]:
        """Ask for the degrees or the place where the direction needs them; refuse bounds the wrong way round."""
        data = super().clean()
        low, high = data.get("min_um"), data.get("max_um")
        if low is not None and low > 0:
            self.add_error("min_um", "It can always stay where it is: the least travel is zero or below.")
        if high is not None and high < 0:
            self.add_error("max_um", "It can always stay where it is: the greatest travel is zero or above.")
        if data.get("pushes") == OTHER and data.get("direction_deg") is None and "direction_deg" not in self.errors:
            self.add_error("direction_deg", "Which way, in degrees clockwise from 12?")
        if data.get("pushes") == ALONG and not (data.get("at_x_mm") or data.get("at_y_mm")):
            self.add_error("at_x_mm", "Where does it stand? At the centre it would tilt nothing.")
        return data

    def facts(self) -> dict[str, Any]:
        """Return what the services take: the direction as degrees or as along the ram."""
        data, facts = self.cleaned_data, super().facts()
        along = data["pushes"] == ALONG
        degrees = CLOCK.get(data["pushes"], data["direction_deg"] or 0.0)
        return {
            **facts,
            "along_z": along,
            "direction_deg": 0.0 if along else degrees % 360.0,
            "at_x_mm": data["at_x_mm"] or 0.0,
            "at_y_mm": data["at_y_mm"] or 0.0,
            **({"backlash_turns": data["backlash_turns"] or 0.0} if "backlash_turns" in data else {}),
        }
