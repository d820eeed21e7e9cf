"""Forms of the plant itself: settings, shifts, lines, shim stocks."""

from __future__ import annotations

import zoneinfo
from functools import cache
from itertools import pairwise
from typing import Any

from django import forms

from linelog.calc.date_code import PIECES
from linelog.calc.errors import CalcError
from linelog.calc.misread import MOST_PAIRS_LETTERS
from linelog.calc.units import Unit, from_um, to_um, unit_question
from linelog.plant.forms.base import SetUpForm
from linelog.plant.forms.fields import LimitField, MmField, SizeField, clock_time, number, text, whole
from linelog.plant.models import Plant
from linelog.web.forms import TextLine
from linelog.web.permissions import Permission, may
from linelog.web.units import parse_number, plain_text

UNIT_WORDS = {"mm": Unit.MM, "um": Unit.UM, "µm": Unit.UM, "μm": Unit.UM, "in": Unit.INCH, "inch": Unit.INCH}
THINNEST_UM, THICKEST_UM = 1.0, 5000.0  # what a pack can be worked out from
MOST_PIECES = 10_000
USUAL_SHIM_UM = (5.0, 2000.0)  # common practice, no source: outside it we ask
USUAL_CUP_WALL_UM = (100.0, 600.0)  # common practice, no source: outside it we ask
MONEY = {"said": "This can't be negative, nor above a million."}


@cache
def zones() -> list[tuple[str, str]]:
    """Return the time zones to choose from."""
    return [(zone, zone) for zone in sorted(zoneinfo.available_timezones())]


class NewPlantForm(SetUpForm):
    """A new plant: the rest of its settings begins with what is usual."""

    name = text("Name of the plant", 80)
    timezone = forms.ChoiceField(label="Time zone", choices=zones, initial="UTC")


class PlantForm(SetUpForm):
    """A plant's settings."""

    name = text("Name of the plant", 80)
    timezone = forms.ChoiceField(label="Time zone", choices=zones)
    day_starts = clock_time("The production day begins at")
    tablet_timeout_minutes = whole("A shared tablet is given back after (minutes)", 1, 1440)
    inch_tilt = forms.ChoiceField(label="Who reads inches reads tilts in", choices=Plant.InchTilt.choices)
    temperature_in = forms.ChoiceField(label="Temperatures in", choices=Plant.Temperature.choices)
    sign_proof = forms.ChoiceField(
        label="Signing a visit asks for the PIN or password again",
        choices=Plant.SignProof.choices,
        help_text="A tablet that lies unlocked must not sign for whoever was there last.",
    )
    nightly_at = clock_time("Nightly tidying up and refitting at")
    keep_working_days = whole(
        "Keep keys of writes, results of tasks and finished jobs (days)",
        7,
        3650,
        help_text="No tablet may wait longer with what it has not sent.",
    )
    keep_sign_ins_days = whole("Keep the log of sign-ins (days)", 7, 3650)
    keep_uploads_days = whole(
        "Keep uploaded files of counts (days)", 7, 36_500, help_text="The counts stay; so does every signed record."
    )
    is_invented = forms.BooleanField(
        required=False,
        label="This plant is invented",
        help_text="Every page then says that machines, people and figures are a demonstration.",
    )
    closure_limit_um = SizeField(
        label="Closure", help_text="R12 + R6 − R3 − R9: beyond it the sweep is read again. A sum of four readings."
    )
    return_limit_um = SizeField(
        label="Return to zero", help_text="The first position read again at the end. A difference of two readings."
    )
    indicator_resolution_um = SizeField(label="Smallest step of the usual indicator", finest_um=0.1, widest_um=100.0)
    usual_scatter_um = SizeField(
        label="Usual scatter of one reading",
        least_um=0.01,
        finest_um=0.1,
        widest_um=50.0,
        help_text="Standard deviation, until repeats say better.",
    )
    shaft_uncertainty_um = LimitField(
        label="Centring of the carrier on the ram line",
        zero=True,
        finest_um=0.1,
        widest_um=50.0,
        help_text="Standard uncertainty of how well carrier or shaft runs true.",
    )
    bushing_wear_limit_um = SizeField(
        label="Wear limit of a bushing",
        finest_um=2.0,
        widest_um=1000.0,
        help_text="Largest diametral clearance. A station may have its own. Common practice, no source.",
    )
    types_thousandths = forms.BooleanField(
        required=False,
        label="Type thousandths",
        help_text="A dial reading without a decimal point is then in thousandths: 52 is 0.052 mm, or 0.052 in.",
    )
    machine_risk_percent = number(
        "A check is due at this risk (%)", 0.1, 99.9, help_text="The chance that any station of a machine is out."
    )
    risk_percent = number(
        "A check sweeps a station at this risk (%)", 0.1, 99.9, help_text="The chance that the station is out."
    )
    longest_interval_days = whole("Longest time between visits (days)", 1, 3650)
    crew_hours_per_week = number("Crew hours for alignment per week", 0, 10_000)
    visit_base_hours = number(
        "Hours of every visit", 0.1, 100, help_text="Lockout and closing up; sweeping and opening come on top."
    )
    sweep_minutes = number(
        "Minutes of a sweep",
        0.1,
        600,
        help_text="Of one place, or of a bushing's clearance. The hours of opening are set for each station.",
    )
    assumed_rise_percent = number(
        "Assumed rise of spoilage and tear-offs (%)",
        0,
        1000,
        help_text="Per unit of severity, until the plant's own counts say. A guess without a source.",
    )
    currency = text("Currency", 8)
    can_cost = number("Cost of one can", 0, 1e6, **MONEY)
    minute_value = number("Value of one machine minute", 0, 1e6, **MONEY)
    tear_off_clear_minutes = number("Minutes to clear a tear-off", 0, 1440)
    tear_off_good_per_million = number("Good: up to (tear-offs per million cans)", 0, 1e6)
    tear_off_poor_per_million = number("Poor: above (tear-offs per million cans)", 0, 1e6)
    signals_a_year = number(
        "Signals a machine-year",
        0.5,
        50,
        help_text="As many as people can answer, of tear-offs and spoilage together. More are seen sooner. "
        "Taken up when the limits are next worked out, at the latest overnight.",
    )
    repeat_out = whole("A station repeats when out on this many …", 1, 100)
    repeat_visits = whole("… of the last as-found visits", 1, 100)
    cup_wall_um = SizeField(
        label="Wall of the redrawn cup",
        help_text="What meets die 1.",
        finest_um=USUAL_CUP_WALL_UM[0],
        widest_um=USUAL_CUP_WALL_UM[1],
    )
    cup_height_mm = MmField(
        1, 500, required=False, label="Wall height of that cup (mm)", help_text="Left open, no can height is shown."
    )
    top_wall_mm = MmField(0, 500, label="Length of top wall on a can (mm)")
    ironing_limit_1_percent = number("Largest reduction in ironing die 1 (%)", 0.1, 99.9)
    ironing_limit_2_percent = number("Largest reduction in ironing die 2 (%)", 0.1, 99.9)
    ironing_limit_3_percent = number("Largest reduction in ironing die 3 (%)", 0.1, 99.9)
    ironing_limits_by = forms.ChoiceField(label="These limits are meant", choices=Plant.Basis.choices)
    wall_good_um = SizeField(
        label="Good: variation up to", help_text="Largest less smallest wall round a can.", widest_um=200.0
    )
    wall_look_um = SizeField(label="Look at it from", widest_um=200.0)
    wall_act_um = SizeField(label="Act from", widest_um=200.0)
    wall_step_um = SizeField(label="Smallest step of the usual wall gauge", finest_um=0.1, widest_um=20.0)
    wall_scatter_um = SizeField(
        label="Usual scatter of one wall reading",
        least_um=0.01,
        finest_um=0.1,
        widest_um=20.0,
        help_text="Standard deviation, until repeats say better.",
    )

    date_code = text(
        "Date code on the can",
        60,
        required=False,
        help_text="How it reads, piece by piece with blanks between; fixed letters in quotes. Pieces: "
        f"{', '.join(PIECES)}.",
    )

    oldest_can_days = whole(
        "The oldest can that is found (days)", 1, 3650, help_text="A date code further back is refused as misread."
    )
    misread_percent = number(
        "Marks that are misread (%)", 0, 50, help_text="Until the plant's own counts say. Common practice, no source."
    )
    mark_lookalikes = text(
        "Letters taken for one another",
        MOST_PAIRS_LETTERS,
        required=False,
        help_text="Pairs such as 6/8 with blanks between, either way. Common practice, no source.",
    )

    groups = (
        ("The plant", ("name", "timezone", "day_starts", "inch_tilt", "temperature_in", "is_invented")),
        ("What a can says of itself", ("date_code", "oldest_can_days", "misread_percent", "mark_lookalikes")),
        (
            "Tablets, signatures, what is kept",
            (
                *("tablet_timeout_minutes", "sign_proof", "nightly_at"),
                *("keep_working_days", "keep_sign_ins_days", "keep_uploads_days"),
            ),
        ),
        (
            "Measuring",
            (
                *("closure_limit_um", "return_limit_um", "indicator_resolution_um"),
                *("usual_scatter_um", "shaft_uncertainty_um", "bushing_wear_limit_um"),
                "types_thousandths",
            ),
        ),
        (
            "Risk and planning",
            (
                *("machine_risk_percent", "risk_percent", "longest_interval_days", "crew_hours_per_week"),
                *("visit_base_hours", "sweep_minutes", "assumed_rise_percent"),
            ),
        ),
        ("Money", ("currency", "can_cost", "minute_value", "tear_off_clear_minutes")),
        ("Tear-off levels", ("tear_off_good_per_million", "tear_off_poor_per_million")),
        ("Signals", ("signals_a_year",)),
        ("Repeat rule", ("repeat_out", "repeat_visits")),
        (
            "Ironing (common practice to begin with)",
            (
                *("cup_wall_um", "cup_height_mm", "top_wall_mm", "ironing_limits_by"),
                *("ironing_limit_1_percent", "ironing_limit_2_percent", "ironing_limit_3_percent"),
            ),
        ),
        (
            "Wall of the can (common practice to begin with)",
            ("wall_good_um", "wall_look_um", "wall_act_um", "wall_step_um", "wall_scatter_um"),
        ),
    )

    def __init__(self, *args: Any, by: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if not may(by, Permission.ADMINISTER):
            del self.fields["is_invented"]


class ShiftForm(SetUpForm):
    """A shift."""

    code = text("Code", 8, help_text="As it stands in the files of counts.")
    name = text("Name of the shift")
    starts = clock_time("Starts at")


class LineForm(SetUpForm):
    """A line."""

    name = text("Name of the line")


class StockForm(SetUpForm):
    """A shim stock: its thicknesses typed as a list."""

    name = text("Name of the stock")
    thicknesses = TextLine(
        max_length=600,
        help_text="A list such as 0.01 0.02x6 0.05 mm: x6 where six are at hand and no more, nothing where there are "
        "plenty. Without a unit it is read in yours.",
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
        error_messages={"required": "List at least one thickness: no pack can be made from an empty stock."},
    )
    not_facts = frozenset({"thicknesses"})
    at_hand: dict[float, int]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["thicknesses"].label = f"Thicknesses ({self.unit.label})"
        if self.row:
            self.initial["thicknesses"] = " ".join(
                f"{plain_text(from_um(t.thickness_um, self.unit))}{'' if t.pieces is None else f'x{t.pieces}'}"
                for t in self.row.thicknesses.all()
            )

    def clean_thicknesses(self) -> list[float]:
        """Turn the list into um, thinnest first."""
        words = self.cleaned_data["thicknesses"].replace(";", " ").replace('"', " in").split()
        unit = UNIT_WORDS.get(words[-1].lower()) if words else None
        words = words[:-1] if unit else words
        counted = dict(self._counted(word.rstrip(","), unit or self.unit) for word in words)
        found = sorted(self._thickness(word.rstrip(",").partition("x")[0], unit or self.unit) for word in words)
        self.at_hand = {size: pieces for size, pieces in counted.items() if pieces is not None}
        if not found:
            raise forms.ValidationError("List at least one thickness: no pack can be made from an empty stock.")
        for before, after in pairwise(found):
            if after - before < 0.1:
                raise forms.ValidationError(f"{from_um(after, unit or self.unit):g} is listed twice.")
        return found

    def _counted(self, word: str, unit: Unit) -> tuple[float, int | None]:
        size, _, pieces = word.partition("x")
        if "x" in word and not (pieces.isdecimal() and int(pieces) <= MOST_PIECES):
            raise forms.ValidationError(f"{word}: how many pieces are at hand? Write 0.02x6, a number up to 10000.")
        return self._thickness(size, unit), int(pieces) if pieces else None

    def _thickness(self, word: str, unit: Unit) -> float:
        try:
            typed = parse_number(word)
            question = unit_question(typed, unit, span_um=USUAL_SHIM_UM[1], finest_um=USUAL_SHIM_UM[0])
        except (ValueError, CalcError) as error:
            raise forms.ValidationError(str(error)) from None
        size = to_um(typed, unit)
        if size <= 0:
            raise forms.ValidationError(f"{word} is not a thickness: it must be above zero.")
        if not THINNEST_UM <= size <= THICKEST_UM:
            raise forms.ValidationError(f"{word} {unit.label} is no shim: they run from 0.001 to 5 mm.")
        self._ask("thicknesses", question)
        return size
