"""Which ram position the page of the hanging ram shows."""

from __future__ import annotations

from typing import Any

from django import forms

from linelog.web.units import NumberField


class PositionForm(forms.Form):
    """A ram position, as travel from full back in mm."""

    travel = NumberField(required=False, label="Ram position, mm from full back")

    def __init__(self, *args: Any, stroke_mm: float, usual_mm: float, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.stroke_mm, self.usual_mm = stroke_mm, usual_mm
        self.initial["travel"] = f"{usual_mm:g}"

    def clean_travel(self) -> float | None:
        """Refuse a position that the ram never takes."""
        travel: float | None = self.cleaned_data["travel"]
        if travel is not None and not 0.0 <= travel <= self.stroke_mm:
            raise forms.ValidationError(f"The ram travels from 0 to {self.stroke_mm:g} mm.")
        return travel

    def chosen_mm(self) -> float:
        """Return the position asked for, else the usual one."""
        travel = self.cleaned_data.get("travel") if self.is_bound and self.is_valid() else None
        return self.usual_mm if travel is None else float(travel)
