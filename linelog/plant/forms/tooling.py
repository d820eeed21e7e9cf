"""Forms of a tooling set, its parts, and its fittings."""

from __future__ import annotations

from typing import Any

from django import forms

from linelog.calc.errors import CalcError
from linelog.calc.ironing import Tooling
from linelog.calc.units import Unit
from linelog.plant.forms.base import RowForm, SetUpForm
from linelog.plant.forms.fields import MmField, SizeField, day, moment, number, text, whole
from linelog.plant.forms.machines import MachineField
from linelog.plant.forms.site import USUAL_CUP_WALL_UM
from linelog.plant.models import Machine, Plant, ToolPart
from linelog.plant.services.tooling import PartChange
from linelog.web.forms import offer_rows
from linelog.web.generic import FormSet

MOST_PARTS = 30
USUAL_DIAMETER = (30, 150)


class SetForm(SetUpForm):
    """A tooling set."""

    name = text("Name of the set")
    retired_on = day("Retired on", required=False)
    cup_wall_um = SizeField(
        required=False,
        label="Wall of its cup",
        help_text="Left open: the plant's usual cup.",
        finest_um=USUAL_CUP_WALL_UM[0],
        widest_um=USUAL_CUP_WALL_UM[1],
    )
    cup_height_mm = MmField(1, 500, required=False, label="Wall height of its cup (mm)")
    top_wall_mm = MmField(0, 500, required=False, label="Length of top wall on its cans (mm)")
    note = forms.CharField(required=False, max_length=2000, widget=forms.Textarea(attrs={"rows": 2}))


class PartForm(RowForm):
    """A part of a set: the version of the set stands for it. A row whose kind is left open is not stored."""

    part_id = forms.IntegerField(widget=forms.HiddenInput, required=False, min_value=1, max_value=2**63 - 1)
    kind = forms.ChoiceField(choices=[("", "–"), *ToolPart.Kind.choices], required=False, label="Part")
    serial = text("Serial number", required=False)
    diameter_mm = MmField(
        1,
        500,
        usual=USUAL_DIAMETER,
        required=False,
        label="Diameter now (mm)",
    )
    diameter_new_mm = MmField(1, 500, usual=USUAL_DIAMETER, required=False, label="Diameter new (mm)")
    top_wall_diameter_mm = MmField(1, 500, usual=USUAL_DIAMETER, required=False, label="Punch at the top wall (mm)")
    land_mm = MmField(0.01, 100, required=False, label="Land (mm)")
    entry_angle_deg = number("Entry angle (°)", 0.1, 90, required=False)
    nose_radius_mm = MmField(0.01, 100, required=False, label="Nose radius (mm)")
    runout_um = SizeField(
        required=False,
        zero=True,
        finest_um=0.1,
        widest_um=500.0,
        label="Runout (TIR)",
    )
    regrinds = whole("Regrinds", 0, 1000, required=False)
    cans_run = whole("Cans run", 0, 10**12, required=False)

    not_facts = frozenset({"part_id"})

    @classmethod
    def initial_of(cls, row: Any) -> dict[str, Any]:
        """Return what is stored, with the part's key."""
        return {"part_id": row.pk, **super().initial_of(row)}

    def clean(self) -> dict[str, Any]:
        """Refuse figures without a part, and top wall figures of what is no punch."""
        data = super().clean()
        filled = any(data.get(fact) not in (None, "", 0) for fact in self.fact_names() if fact != "kind")
        if not data.get("kind") and (filled or data.get("part_id")) and "kind" not in self.errors:
            self.add_error("kind", "Which part is this?")
        if data.get("top_wall_diameter_mm") and data.get("kind") not in {ToolPart.Kind.PUNCH, "", None}:
            self.add_error("top_wall_diameter_mm", "Only a punch has a diameter at the top wall.")
        return data

    def change(self) -> PartChange | None:
        """Return what the services take; None for a row left empty."""
        data = self.cleaned_data
        remove = bool(data.get("DELETE"))
        if not data.get("kind") and not remove:
            return None
        if remove:
            return PartChange(data.get("part_id"), remove=True)
        facts = {**self.facts(), "regrinds": data["regrinds"] or 0, "cans_run": data["cans_run"] or 0}
        return PartChange(data.get("part_id"), facts)


class BasePartFormSet(FormSet):
    """The parts of a set on one page."""

    def add_fields(self, form: forms.Form, index: int | None) -> None:
        """Say in plain words what the tick does."""
        super().add_fields(form, index)
        form.fields["DELETE"].label = "Take this part out of the set"

    def changes(self) -> list[PartChange]:
        """Return what is to be done with each part."""
        return [change for change in (form.change() for form in self.forms) if change]


PartFormSet = forms.formset_factory(
    PartForm,
    formset=BasePartFormSet,
    extra=1,
    can_delete=True,
    max_num=MOST_PARTS,
    validate_max=True,
    absolute_max=MOST_PARTS + 5,
)


class TryForm(RowForm):
    """Other tools in the place of the present ones, to see what they would do. Nothing is stored."""

    punch_mm = MmField(1, 500, usual=USUAL_DIAMETER, label="Punch at mid wall (mm)")
    top_punch_mm = MmField(1, 500, usual=USUAL_DIAMETER, label="Punch at top wall (mm)")
    cup_wall_um = SizeField(label="Wall of the cup", finest_um=USUAL_CUP_WALL_UM[0], widest_um=USUAL_CUP_WALL_UM[1])

    def __init__(self, *args: Any, tooling: Tooling, cup_wall_um: float, unit: Unit, **kwargs: Any) -> None:
        start = {"punch_mm": tooling.punch_mm, "top_punch_mm": tooling.top_punch_mm, "cup_wall_um": cup_wall_um}
        start |= {f"bore_{die}": bore for die, bore in enumerate(tooling.bores_mm, start=1)}
        super().__init__(*args, initial=start, unit=unit, **kwargs)
        self.dies = range(1, len(tooling.bores_mm) + 1)
        if tooling.top_punch_mm is None:
            del self.fields["top_punch_mm"]
        for die in self.dies:
            label = f"Bore of ironing die {die} (mm)"
            self.fields[f"bore_{die}"] = MmField(1, 500, usual=USUAL_DIAMETER, label=label)

    def shown(self) -> list[forms.BoundField]:
        """Return the fields in the order of the page: punch, dies, cup."""
        names = ["punch_mm", "top_punch_mm", *(f"bore_{die}" for die in self.dies), "cup_wall_um"]
        return [self[name] for name in names if name in self.fields]

    def tooling(self) -> Tooling:
        """Return the tools as typed."""
        given = self.cleaned_data
        bores = tuple(given[f"bore_{die}"] for die in self.dies)
        return Tooling(given["punch_mm"], bores, given.get("top_punch_mm"))

    def refuse(self, error: CalcError) -> None:
        """Put what cannot be beside the field it belongs to."""
        place = {"bores_mm": "bore_1", "wall_um": "cup_wall_um"}.get(error.field or "", error.field)
        self.add_error(place if place in self.fields else None, error.message)


class FitForm(SetUpForm):
    """Fit a set to a machine."""

    machine = MachineField(empty_label=None)
    fitted_at = moment("Fitted at")
    reason_out = text(
        "Why the set on it now comes off", 120, required=False, help_text="Only where the machine carries one."
    )

    def __init__(self, *args: Any, plant: Plant, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        machines = Machine.objects.filter(line__plant=plant).select_related("line")
        offer_rows(self, "machine", machines)


class RemovalForm(SetUpForm):
    """Take a set off its machine."""

    removed_at = moment("Removed at")
    reason_out = text("Why it comes off", 120, error_messages={"required": "Say why it comes off."})
