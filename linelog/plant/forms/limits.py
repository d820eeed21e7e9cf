"""The form of a rule that narrows limits."""

from __future__ import annotations

from typing import Any

from django import forms

from linelog.plant.forms.base import SetUpForm
from linelog.plant.forms.fields import LimitField, MmField, SizeField, day, number, text
from linelog.plant.models import Machine, Plant, Station, ToolingSet
from linelog.web.forms import offer_rows


class LimitRuleForm(SetUpForm):
    """A narrower limit, and when it holds: every condition that is given must be met."""

    kind = forms.ChoiceField(choices=Station.Kind.choices, label="For stations of this kind")
    machine: forms.ModelChoiceField[Machine] = forms.ModelChoiceField(
        queryset=Machine.objects.none(), required=False, empty_label="Every machine", label="On"
    )
    limit_um = LimitField(label="Limit", finest_um=2.0, widest_um=300.0)
    tilt_limit_mm_per_m = number(
        "Tilt limit (mm/m)", 0.001, 100, "A tilt limit must be above zero, at most 100 mm/m.", required=False
    )
    tooling_set: forms.ModelChoiceField[ToolingSet] = forms.ModelChoiceField(
        queryset=ToolingSet.objects.none(), required=False, empty_label="Any set", label="With the tooling set"
    )
    wall_to_um = SizeField(required=False, finest_um=30.0, widest_um=500.0, label="For cans with a mid wall up to")
    height_from_mm = MmField(1, 500, required=False, label="For cans with a wall height from (mm)")
    speed_from_spm = number("From this set speed on (strokes a minute)", 1, 1000, required=False)
    from_on = day("Holds from")
    until_on = day("Last day", required=False, help_text="Empty while it holds.")
    note = text("Why", 120, required=False)

    groups = (
        ("The limit", ("kind", "machine", "limit_um", "tilt_limit_mm_per_m")),
        ("When it holds", ("tooling_set", "wall_to_um", "height_from_mm", "speed_from_spm", "from_on", "until_on")),
        ("Note", ("note",)),
    )

    def __init__(self, *args: Any, plant: Plant, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        offer_rows(self, "machine", Machine.objects.filter(line__plant=plant))
        offer_rows(self, "tooling_set", ToolingSet.objects.filter(plant=plant))
