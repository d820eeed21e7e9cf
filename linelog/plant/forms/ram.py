"""The form of a ram: where it runs, its sections, what it carries, how well that is known."""

from __future__ import annotations

from typing import Any

from django import forms

from linelog.calc.droop import Section
from linelog.plant.forms.base import RowForm, SetUpForm
from linelog.plant.forms.fields import MmField, SizeField, number
from linelog.web.generic import FormSet

MOST_SECTIONS = 20
LONG, ROUND = (150, 2000), (20, 200)


def _density(**kwargs: Any) -> Any:
    return number("Density (kg/m³)", 100, 25_000, help_text="Steel 7850, tungsten carbide 14 500.", **kwargs)


def _modulus(**kwargs: Any) -> Any:
    return number("Modulus of elasticity (GPa)", 1, 1000, help_text="Steel 205, tungsten carbide 560.", **kwargs)


class RamForm(SetUpForm):
    """A ram. `sections` only holds the sentence that refuses them: they are typed below, one row each."""

    bushing_span_mm = MmField(1, 5000, usual=LONG, required=False, label="Span between the bushings (mm)")
    overhang_mm = MmField(
        1, 5000, usual=LONG, required=False, label="Overhang, full forward (mm)",
        help_text="From the front edge of the front bushing to the nose.",
    )  # fmt: skip
    rear_overhang_mm = MmField(
        0, 5000, required=False, label="Behind the rear bushing, full forward (mm)",
        help_text="For a plain ram; sections give it by their length.",
    )  # fmt: skip
    ram_outside_mm = MmField(1, 500, usual=ROUND, required=False, label="Ram outside diameter (mm)")
    ram_bore_mm = MmField(
        0, 500, usual=(5, 180), required=False, label="Ram bore (mm)", help_text="0 for a solid ram."
    )
    ram_density_kg_per_m3 = _density()
    ram_modulus_gpa = _modulus()
    punch_mass_kg = number("Mass of punch and fittings (kg)", 0, 200, required=False)
    punch_length_mm = MmField(
        0, 2000, required=False, label="Spread over the last (mm)", help_text="Back from the nose; 0 for a point."
    )
    tip_mass_kg = number("Mass at the nose itself (kg)", 0, 200, required=False, help_text="A bolt, a carrier.")
    bushing_clearance_um = SizeField(
        label="Bushing clearance, on diameter", required=False, zero=True, finest_um=1.0, widest_um=500.0
    )
    rear_clearance_um = SizeField(
        label="Rear bushing, where it differs", required=False, zero=True, finest_um=1.0, widest_um=500.0
    )
    film_n_per_um = number(
        "Oil film stiffness (N/µm)", 0.001, 1e6, required=False,
        help_text="Of each bushing, for a ram that floats on its oil. Empty: it lies on metal.",
    )  # fmt: skip
    clearance_within_um = SizeField(
        label="The clearance is known within ±", zero=True, finest_um=1.0, widest_um=500.0
    )
    bending_within_percent = number("Weights and stiffness are known within ± (%)", 0, 50)
    sections = forms.CharField(required=False, widget=forms.HiddenInput)

    not_facts = frozenset({"sections"})
    groups = (
        ("Where it runs", ("bushing_span_mm", "overhang_mm", "rear_overhang_mm")),
        (
            "A plain ram, where no sections are given below",
            ("ram_outside_mm", "ram_bore_mm", "ram_density_kg_per_m3", "ram_modulus_gpa"),
        ),
        ("What it carries", ("punch_mass_kg", "punch_length_mm", "tip_mass_kg")),
        ("Its bushings", ("bushing_clearance_um", "rear_clearance_um", "film_n_per_um")),
        ("How well this is known", ("clearance_within_um", "bending_within_percent")),
    )


class SectionForm(RowForm):
    """One section of the ram, under the version of its machine. A row without length and outside is not stored."""

    length_mm = MmField(0.1, 5000, required=False, label="Length (mm)")
    outside_mm = MmField(1, 500, usual=ROUND, required=False, label="Outside (mm)")
    bore_mm = MmField(0, 500, required=False, label="Bore (mm)", help_text="0 or empty: solid.")
    density_kg_per_m3 = _density(required=False, initial=7850)
    modulus_gpa = _modulus(required=False, initial=205)

    def clean(self) -> dict[str, Any]:
        """Refuse half a section, and one that is no tube."""
        data = super().clean()
        length, outside, bore = data.get("length_mm"), data.get("outside_mm"), data.get("bore_mm")
        if (length or outside or bore) and not data.get("DELETE"):
            for name in ("length_mm", "outside_mm"):
                if data.get(name) is None and name not in self.errors:
                    self.add_error(name, "A section needs a length and an outside diameter.")
        if outside and bore and bore >= outside:
            self.add_error("bore_mm", f"The bore must be smaller than the section's outside of {outside:g} mm.")
        return data

    def section(self) -> Section | None:
        """Return the section; None for a row left empty or taken out."""
        data = self.cleaned_data
        if data.get("DELETE") or not data.get("length_mm"):
            return None
        density, modulus = data["density_kg_per_m3"] or 7850.0, data["modulus_gpa"] or 205.0
        return Section(data["length_mm"], data["outside_mm"], data["bore_mm"] or 0.0, density, modulus)


class BaseSectionFormSet(FormSet):
    """The sections of a ram, from its rear end to the nose."""

    def add_fields(self, form: forms.Form, index: int | None) -> None:
        """Say in plain words what the tick does."""
        super().add_fields(form, index)
        form.fields["DELETE"].label = "Take this section out"


def sections_in(sections: forms.BaseFormSet[Any]) -> list[Section]:
    """Return the sections to store, in order."""
    return [section for section in (form.section() for form in sections.forms) if section]


SectionFormSet = forms.formset_factory(
    SectionForm,
    formset=BaseSectionFormSet,
    extra=1,
    can_delete=True,
    max_num=MOST_SECTIONS,
    validate_max=True,
    absolute_max=MOST_SECTIONS + 5,
)
