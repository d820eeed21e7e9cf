"""Forms of a visit as a whole."""

from __future__ import annotations

from typing import Any

from django import forms

from linelog.alignment.forms.lockout import LockoutForm, when_field
from linelog.alignment.models import Stage, Visit
from linelog.alignment.services.moves import RunningValue
from linelog.alignment.services.visits import Conditions
from linelog.calc import frame
from linelog.calc.readings import View
from linelog.calc.units import Unit
from linelog.web.forms import TextLine, offer
from linelog.web.units import LengthField, NumberField, TemperatureField, ask_in, ask_temperatures, shown_in

STATES = (("stopped", "Stopped"), ("running", "Running"))
PAPER = ("paper", "Not looked at now: this is copied from a record on paper")


class ConditionsForm(forms.Form):
    """Why the machine is visited and the state it is in."""

    # Blank first: a reason that nobody chose would be counted as one.
    reason = forms.ChoiceField(
        choices=[("", "Choose the reason"), *Visit.Reason.choices],
        error_messages={"required": "Why is the machine visited? Choose the reason."},
    )
    reason_note = TextLine(label="More on the reason", max_length=200, required=False)
    machine_state = forms.ChoiceField(label="The machine is", choices=STATES, widget=forms.RadioSelect)
    minutes_in_state = forms.IntegerField(
        label="Minutes since it stopped or started", min_value=0, max_value=100_000, required=False
    )
    speed_spm = NumberField(label="Speed (strokes/min)", min_value=0, max_value=1000, required=False)
    oil_c = TemperatureField(label="Oil temperature", coldest_c=-40, warmest_c=200, required=False)
    room_c = TemperatureField(label="Room temperature", coldest_c=-40, warmest_c=70, required=False)
    fahrenheit = forms.BooleanField(widget=forms.HiddenInput, required=False)

    def __init__(self, *args: Any, fahrenheit: bool = False, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        typed_in = self.data.get("fahrenheit") == "True" if "fahrenheit" in self.data else fahrenheit
        self.fields["fahrenheit"].initial = typed_in
        ask_temperatures(self, fahrenheit=typed_in)

    def conditions(self) -> Conditions:
        """Return what the service takes."""
        data = self.cleaned_data
        return Conditions(
            reason=data["reason"],
            reason_note=data["reason_note"],
            machine_runs=data["machine_state"] == "running",
            minutes_in_state=data["minutes_in_state"],
            speed_spm=data["speed_spm"],
            oil_c=data["oil_c"],
            room_c=data["room_c"],
        )


class OpenVisitForm(LockoutForm, ConditionsForm):
    """Open a visit; the lockout may follow before the first static reading. No state is chosen beforehand."""

    paper_of = when_field(
        label="Measured at, by the paper", required=False, help_text="Only for what is copied from paper."
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        offer(self, "machine_state", [*STATES, PAPER])

    def clean(self) -> dict[str, Any]:
        """Refuse a lockout of a machine that runs, and paper without its time."""
        data = super().clean() or {}
        state, paper_of = data.get("machine_state"), data.get("paper_of")
        if state == "running" and (data.get("lockout_verified_by") or "").strip():
            self.add_error("lockout_verified_by", "A machine that runs is not locked out: which is it?")
        if state == PAPER[0] and not paper_of and "paper_of" not in self.errors:
            self.add_error("paper_of", "When was it measured, by the paper?")
        if state in dict(STATES) and paper_of:
            self.add_error("paper_of", "Say above that this is copied from paper, or leave this empty.")
        return data


class EditVisitForm(ConditionsForm):
    """Correct the conditions and write the visit's note."""

    note = forms.CharField(required=False, max_length=4000, widget=forms.Textarea)
    version = forms.IntegerField(widget=forms.HiddenInput)

    def __init__(self, *args: Any, visit: Visit, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if visit.from_paper:
            offer(self, "machine_state", [PAPER])


class DropForm(forms.Form):
    """Why a visit is dropped."""

    why = TextLine(label="Why is it dropped?", max_length=200)


class PhotoForm(forms.Form):
    """A photo to keep with the visit."""

    photo = forms.FileField(label="Photo", widget=forms.FileInput(attrs={"accept": "image/*"}))
    caption = TextLine(max_length=120, required=False)


class RunningForm(forms.Form):
    """A running offset from the plant's own measurement."""

    stage = forms.ChoiceField(choices=Stage, label="Measured")
    x = LengthField(label="Across")
    y = LengthField(label="Up")
    expanded = LengthField(label="Uncertainty of each axis (about 95 %)", smallest_um=0.1)
    strokes = forms.IntegerField(min_value=1, max_value=1_000_000, label="Strokes averaged")
    unit = forms.CharField(widget=forms.HiddenInput, required=False)
    view = forms.CharField(widget=forms.HiddenInput, required=False)
    seen_as_found = forms.IntegerField(widget=forms.HiddenInput, min_value=0, required=False)
    seen_as_left = forms.IntegerField(widget=forms.HiddenInput, min_value=0, required=False)
    version = forms.IntegerField(widget=forms.HiddenInput, min_value=0, required=False)

    def __init__(self, *args: Any, unit: Unit, view: View, **kwargs: Any) -> None:
        super().__init__(*args, **{"auto_id": "running_%s", **kwargs})  # it stands beside other forms with a unit
        said = self.data.get("view")
        self.seen_from = View(said) if said in {end.value for end in View} else view
        self.fields["view"].initial = self.seen_from.value
        self.fields["x"].label = f"Across, + right, {frame.view_words(self.seen_from)}"
        self.fields["y"].label = "Up, + up"
        self.typed_in = shown_in(self.data.get("unit"), unit)
        self.fields["unit"].initial = self.typed_in.value
        ask_in(self, self.typed_in)

    def value(self) -> RunningValue:
        """Return what the service takes."""
        data = self.cleaned_data
        x, y = frame.turn(data["x"], data["y"], self.seen_from)
        return RunningValue(x, y, data["expanded"], data["strokes"], self.typed_in.value)

    def version_seen(self) -> int:
        """Return the version that this one replaces: the one decided for, else the one shown for its stage."""
        data = self.cleaned_data
        decided: int | None = data["version"]
        return decided if decided is not None else data[f"seen_{data['stage']}"] or 0
