"""Forms of running captures: the set-up of the ring and its probes, a file to send, a visit to join."""

from __future__ import annotations

from typing import Any

from django import forms

from linelog.alignment.models import CaptureLimit, ProbeSetup, Stage
from linelog.alignment.models.capture import MOST_MINUTES
from linelog.calc.capture.ring import Probe as CalcProbe
from linelog.calc.capture.ring import Ring, check_ring
from linelog.calc.errors import CalcError
from linelog.plant.forms.base import RowForm, SetUpForm
from linelog.plant.forms.fields import MmField, SizeField, moment, number, text
from linelog.plant.models import Machine, Station
from linelog.web.forms import TextLine, offer_rows
from linelog.web.generic import FormSet
from linelog.web.units import TemperatureField, ask_temperatures

MOST_PROBES = 16


class ProbeSetupForm(SetUpForm):
    """A ring of probes: where it sits, what it looks at, how its file is laid out."""

    groups = (
        ("The ring", ("name", "station", "z_mm", "view", "is_active")),
        ("What the probes look at", ("target", "target_factor", "gap_mm", "common_gap")),
        (
            "The file",
            (
                "file_unit",
                "time_column",
                "time_unit",
                "pulse_column",
                "pulse_at_deg",
                "phase_column",
                "phase_at_rear_deg",
                "temperature_column",
            ),
        ),
        ("", ("note",)),
    )
    name = text("Name of the set-up", 60)
    station = forms.ModelChoiceField(
        queryset=Station.objects.none(),
        empty_label=None,
        label="The ring sits in",
        help_text="This station gets the running offset: its centre is the ring's.",
    )
    z_mm = MmField(
        -5000, 5000, label="Position of the probes along the ram, z (mm)", help_text="0 is the front bushing."
    )
    view = forms.ChoiceField(choices=Station.View, label="Clock angles are seen")
    is_active = forms.BooleanField(required=False, initial=True, label="In use")
    target = text("Target", 80, required=False, help_text="Such as: punch, tool steel.")
    target_factor = number(
        "Target's factor",
        0.01,
        100,
        initial=1,
        help_text="Multiplies every scale; 1 where the probes were calibrated on this metal.",
    )
    gap_mm = MmField(0.01, 50, required=False, label="Gap at rest (mm)")
    common_gap = forms.ChoiceField(
        choices=ProbeSetup.CommonGap, required=False, label="Take out growth of the diameter"
    )
    file_unit = text("Unit of the probes in the file", 12, initial="V", help_text="Such as V or mA.")
    time_column = text("Column of the time", 60, initial="time")
    time_unit = forms.ChoiceField(choices=ProbeSetup.TimeUnit, label="The time is in")
    pulse_column = text("Column of the pulse", 60, required=False, help_text="Once a stroke; empty without.")
    pulse_at_deg = number(
        "Crank angle of the pulse (°)", -360, 360, initial=0, help_text="0 is full back, 180 full forward."
    )
    phase_column = text("Column of the crank angle", 60, required=False, help_text="In degrees; empty without.")
    phase_at_rear_deg = number("It reads at full back (°)", -360, 360, initial=0)
    temperature_column = text("Column of the temperature", 60, required=False)
    note = forms.CharField(required=False, max_length=2000, widget=forms.Textarea(attrs={"rows": 2}))

    def __init__(self, *args: Any, machine: Machine, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        offer_rows(self, "station", machine.stations.filter(is_active=True))


class ProbeForm(RowForm):
    """One probe: the version of its set-up stands for it. A row without a column is not stored."""

    column = text("Column in the file", 60, required=False)
    angle_deg = number("Clock angle (°)", -360, 360, required=False, help_text="12 is 0, 3 is 90.")
    scale_um_per_unit = number(
        "Scale (µm per unit of the file)",
        -1e6,
        1e6,
        required=False,
        help_text="Negative where the reading grows with the gap.",
    )
    zero_um = number("Offset (µm)", -1e6, 1e6, required=False, help_text="Added after the scale.")
    zero_u_um = number("Standard uncertainty of the offset (µm)", 0, 1e4, required=False)
    low = number("Low end of its range", -1e9, 1e9, required=False, help_text="In the file's unit.")
    high = number("High end of its range", -1e9, 1e9, required=False)

    def clean(self) -> dict[str, Any]:
        """Refuse a probe that lacks what it needs, and a range upside down."""
        data = super().clean()
        if not data.get("column"):
            if data.get("scale_um_per_unit") is not None and "column" not in self.errors:
                self.add_error("column", "In which column of the file is this probe?")
            return data
        for name, sentence in (
            ("angle_deg", "At which clock angle does this probe stand?"),
            ("scale_um_per_unit", "How many µm is one unit of the file?"),
        ):
            if data.get(name) is None and name not in self.errors:
                self.add_error(name, sentence)
        if data.get("scale_um_per_unit") is not None and abs(data["scale_um_per_unit"]) < 1e-6:
            self.add_error("scale_um_per_unit", "The scale can't be zero.")
        low, high = data.get("low"), data.get("high")
        if low is not None and high is not None and low >= high:
            self.add_error("low", "The low end must be below the high end.")
        return data

    def facts(self) -> dict[str, Any]:
        """Return the probe as the services take it; offsets left empty are zero."""
        data = super().facts()
        return {**data, "zero_um": data["zero_um"] or 0.0, "zero_u_um": data["zero_u_um"] or 0.0}


def rows_in(probes: forms.BaseFormSet[Any]) -> list[dict[str, Any]]:
    """Return the probes to store."""
    return [form.facts() for form in probes.forms if form.cleaned_data.get("column")]


class BaseProbeFormSet(FormSet):
    """The probes of a ring on one page; a ring that cannot give both axes is refused here, beside its probes."""

    def clean(self) -> None:
        """Look at the ring as a whole."""
        if any(self.errors):
            return
        probes = [
            CalcProbe(each["column"], each["angle_deg"], each["scale_um_per_unit"], each["zero_um"])
            for each in rows_in(self)
        ]
        try:
            check_ring(Ring(tuple(probes), common_gap=False))
        except CalcError as error:
            raise forms.ValidationError(error.message) from None


ProbeFormSet = forms.formset_factory(
    ProbeForm, formset=BaseProbeFormSet, extra=0, max_num=MOST_PROBES, validate_max=True, absolute_max=MOST_PROBES + 4
)


class CaptureLimitForm(SetUpForm):
    """From when on a capture is warned about."""

    groups = (
        ("The ram", ("drift_um", "split_um", "kick_um", "spread_um", "wanted_half_width_um")),
        (
            "Strokes and speed",
            ("fewest_strokes", "odd_percent", "speed_sd_percent", "speed_range_percent", "off_speed_percent"),
        ),
        ("Probes", ("clipped_percent", "dropped_percent", "disagreement_um")),
    )
    drift_um = SizeField(label="Drift across the capture", least_um=0.01, largest_um=10_000)
    split_um = SizeField(label="Forward and return apart", least_um=0.01, largest_um=10_000)
    kick_um = SizeField(label="Kick at doming", least_um=0.01, largest_um=10_000)
    spread_um = SizeField(label="Scatter stroke to stroke", least_um=0.01, largest_um=10_000)
    wanted_half_width_um = SizeField(label="Wanted ± of the offset", least_um=0.01, largest_um=1000)
    fewest_strokes = number("Fewest strokes", 3, 20_000)
    odd_percent = number("Odd strokes (%)", 0.001, 100)
    speed_sd_percent = number("Scatter of the speed (%)", 0.001, 100)
    speed_range_percent = number("Range of the speed (%)", 0.001, 100)
    off_speed_percent = number("A stroke is off speed beyond (%)", 0.1, 100)
    clipped_percent = number("Probe at the end of its range (% of its cells)", 0.001, 100)
    dropped_percent = number("Probe dropped out (% of its cells)", 0.001, 100)
    disagreement_um = SizeField(label="Probes contradict one another", least_um=0.01, largest_um=10_000)

    @classmethod
    def initial_of(cls, row: Any) -> dict[str, Any]:
        """Return what is stored, or the defaults where nothing is."""
        return super().initial_of(row or CaptureLimit())


class SendForm(forms.Form):
    """A file recorded while the machine ran."""

    file = forms.FileField(
        label="File (CSV or Parquet)",
        max_length=1000,
        widget=forms.FileInput(attrs={"accept": ".csv,.txt,.parquet"}),
        error_messages={
            "required": "Choose the file of the capture.",
            "empty": "The file is empty (0 bytes): export it again.",
        },
    )
    setup = forms.ModelChoiceField(
        queryset=ProbeSetup.objects.none(),
        empty_label=None,
        label="Recorded with",
        error_messages={"required": "Choose the probe set-up it was recorded with."},
    )
    recorded_at = moment("Recorded at")
    minutes_since_start = number(
        "Minutes since the machine started",
        0,
        MOST_MINUTES,
        f"This must be between 0 and {MOST_MINUTES} minutes, a week: leave it empty where it is not known.",
        required=False,
        help_text="For the warm-up.",
    )
    oil_c = TemperatureField(label="Oil temperature", coldest_c=-40, warmest_c=200, required=False)
    note = text("Note", 200, required=False)
    fahrenheit = forms.BooleanField(widget=forms.HiddenInput, required=False)

    def __init__(self, *args: Any, machine: Machine, fahrenheit: bool = False, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        rows = ProbeSetup.objects.filter(machine=machine, is_active=True)
        offer_rows(self, "setup", rows)
        # What was typed is read in the unit that the form was shown in, whatever the plant has changed to since.
        typed_in = self.data.get("fahrenheit") == "True" if "fahrenheit" in self.data else fahrenheit
        self.fields["fahrenheit"].initial = typed_in
        ask_temperatures(self, fahrenheit=typed_in)


class JoinForm(forms.Form):
    """When in the visit the capture was made."""

    stage = forms.ChoiceField(choices=Stage, label="Measured", widget=forms.RadioSelect, initial=Stage.AS_LEFT)
    version = forms.IntegerField(widget=forms.HiddenInput, min_value=1, max_value=2**31 - 1)


class AsideForm(forms.Form):
    """Why a capture is set aside."""

    why = TextLine(
        label="Why is it set aside?",
        max_length=200,
        error_messages={"required": "Say why this capture is set aside."},
    )
    version = forms.IntegerField(widget=forms.HiddenInput, min_value=1, max_value=2**31 - 1)


class VersionForm(forms.Form):
    """A button that only needs to know which version was seen."""

    version = forms.IntegerField(min_value=1, max_value=2**31 - 1)
