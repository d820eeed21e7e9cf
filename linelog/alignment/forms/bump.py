"""The form of a bump test: what each reading did at each push. Nothing is chosen beforehand."""

from __future__ import annotations

from typing import Any

from django import forms

from linelog.alignment.models import ProbeSetup
from linelog.calc.capture.bump import PUSHES, Moved, Seen

CHOICES = ((Moved.RISES.value, "rises"), (Moved.FALLS.value, "falls"), (Moved.STAYS.value, "stays"))
TOWARD = {0.0: "12", 90.0: "3"}


class BumpForm(forms.Form):
    """One row of choices a probe and push."""

    version = forms.IntegerField(widget=forms.HiddenInput, min_value=1, max_value=2**31 - 1)

    def __init__(self, data: Any, *, setup: ProbeSetup) -> None:
        super().__init__(data, initial={"version": setup.version})
        self.probes = list(setup.probes.all())
        for push in PUSHES:
            for number, probe in enumerate(self.probes):
                self.fields[f"push{push:.0f}_{number}"] = forms.ChoiceField(
                    choices=CHOICES,
                    label=f"Pushed toward {TOWARD[push]}, the reading of {probe.column}",
                    widget=forms.RadioSelect,
                    error_messages={"required": f"What did {probe.column} do at the push toward {TOWARD[push]}?"},
                )

    def of_push(self) -> list[tuple[str, list[forms.BoundField]]]:
        """Return the fields by push."""
        return [
            (TOWARD[push], [self[f"push{push:.0f}_{number}"] for number in range(len(self.probes))])
            for push in PUSHES
        ]

    def seen(self) -> Seen:
        """Return what was seen, in the order of the ring."""
        return {
            push: tuple(Moved(self.cleaned_data[f"push{push:.0f}_{number}"]) for number in range(len(self.probes)))
            for push in PUSHES
        }
