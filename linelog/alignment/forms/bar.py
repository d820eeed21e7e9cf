"""Forms of the bar in the cradle."""

from __future__ import annotations

from typing import Any

from django import forms

from linelog.alignment.forms.sweep import SAG_KINDS
from linelog.alignment.models import BarSetup
from linelog.alignment.services.bar import BarChoice
from linelog.calc.sweep import sag_from_droop
from linelog.calc.units import Unit
from linelog.plant.models import Machine, Station
from linelog.web.forms import TextLine, offer_rows
from linelog.web.units import LengthField, ask_in, shown_in


class BarForm(forms.Form):
    """How the bar is set up; lengths in the unit that the page showed."""

    sag = LengthField(
        label="Sag of the bar with its dial, read at 6",
        smallest_um=0.0,
        largest_um=2000,
        help_text="Turn bar and dial in a stiff bore that is true to the bar's supports, dial zeroed at 12: what it "
        "shows at 6, as a size without a sign. Which way it acts the program knows.",
    )
    sag_is = forms.ChoiceField(choices=SAG_KINDS, label="The sag given is")
    sag_uncertainty = LengthField(label="Standard uncertainty of the sag", smallest_um=0.0, largest_um=2000)
    centring = LengthField(
        label="The bar runs true to the ram's line within (about 95 %)",
        smallest_um=0.1,
        largest_um=2000,
        help_text="In each axis. One error of this set-up: it is shared by all stations swept from it.",
    )
    note = TextLine(label="Which bar, where it is held", max_length=120, required=False)
    unit = forms.CharField(widget=forms.HiddenInput, required=False)
    version = forms.IntegerField(widget=forms.HiddenInput, min_value=0, required=False)

    def __init__(self, *args: Any, unit: Unit, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.typed_in = shown_in(self.data.get("unit"), unit)
        self.fields["unit"].initial = self.typed_in.value
        ask_in(self, self.typed_in)

    def choice(self) -> BarChoice:
        """Return what the service takes."""
        data = self.cleaned_data
        sag = data["sag"]
        return BarChoice(
            sag_um=sag_from_droop(sag) if data["sag_is"] == "droop" else sag,
            sag_uncertainty_um=data["sag_uncertainty"],
            centring_um=data["centring"],
            note=data["note"].strip(),
            unit=self.typed_in.value,
        )

    @staticmethod
    def initial_of(row: BarSetup | None) -> dict[str, Any]:
        """Return what the form starts with; nothing is assumed of a bar that was not set up."""
        if row is None:
            return {"sag_is": "indicated", "version": 0}
        return {
            "sag": row.sag_um,
            "sag_is": "indicated",
            "sag_uncertainty": row.sag_uncertainty_um,
            "centring": row.centring_um,
            "note": row.note,
            "version": row.version,
        }


class FittingForm(forms.Form):
    """A sub-assembly that was set to the bar by a centring fitting."""

    station: forms.ModelChoiceField[Station] = forms.ModelChoiceField(queryset=Station.objects.none())
    fitting = TextLine(label="Centring fitting (number or name)", max_length=60)

    def __init__(self, *args: Any, machine: Machine, **kwargs: Any) -> None:
        super().__init__(*args, **{"auto_id": "fitting_%s", **kwargs})
        rows = Station.objects.filter(machine=machine, is_active=True).exclude(kind__in=Station.BUSHINGS)
        offer_rows(self, "station", rows.order_by("order", "pk"))
