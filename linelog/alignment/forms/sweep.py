"""Forms of the entry screen: one typed reading, how the sweep is made, a move that was made."""

from __future__ import annotations

from typing import Any

from django import forms

from linelog.alignment.clock import POSITION_COUNTS
from linelog.alignment.models import Sweep
from linelog.alignment.services.moves import Done
from linelog.alignment.services.readings import SweepChoice, Typed
from linelog.calc.errors import CalcError
from linelog.calc.sweep import sag_from_droop
from linelog.calc.units import Meaning, Unit, from_um, meanings, to_um, unit_question
from linelog.plant.models import Adjuster, Station
from linelog.web.errors import Refused
from linelog.web.forms import TextLine, offer_rows
from linelog.web.units import (
    LengthField,
    MachineLengthField,
    NumberField,
    ask_in,
    from_thousandths,
    parse_number,
    plain_number,
    plain_text,
    shown_in,
)

DIAL_RANGE_UM = 1500.0  # common practice, no source: beyond it the entry is asked about, not refused
FLATS_PER_TURN = 6


class _Shared(dict[str, forms.Field]):
    """Fields that no form changes: all share them, where Django copies each with its widget for every form."""

    def __deepcopy__(self, memo: dict[int, Any]) -> _Shared:
        return self


class ReadingForm(forms.Form):
    """One reading typed at one position; an empty one takes the reading away."""

    repeat = forms.IntegerField(min_value=1, max_value=9)
    angle_deg = forms.FloatField(min_value=0, max_value=359.999)
    is_return = forms.BooleanField(required=False)
    value = TextLine(required=False, max_length=24)
    version = forms.IntegerField(min_value=0)
    meant = TextLine(required=False, max_length=24)
    as_found = forms.BooleanField(required=False)

    def __init__(
        self, *args: Any, unit: Unit, resolution_um: float, thousandths: bool = False, **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.thousandths = thousandths
        self.unit = shown_in(self.data.get("unit"), unit)
        self.resolution_um = resolution_um
        self.question = ""
        self.answers: tuple[Meaning, ...] = ()

    def clean(self) -> dict[str, Any]:
        """Turn the text into um; ask back where the number looks as if it were in another unit."""
        data = super().clean() or {}
        text = (data.get("value") or "").strip()
        data["value_um"] = None
        if self.thousandths:
            text = data["value"] = from_thousandths(text, self.unit)
            data["meant"] = from_thousandths((data.get("meant") or "").strip(), self.unit)
        if not text or "value" in self.errors:
            return data
        try:
            number = parse_number(text)
            data["value_um"] = to_um(number, self.unit)
            finest_um = self.resolution_um / 4.0
            self.answers = meanings(plain_number(text), self.unit, span_um=DIAL_RANGE_UM, finest_um=finest_um)
            question = unit_question(number, self.unit, span_um=DIAL_RANGE_UM, finest_um=finest_um)
        except (ValueError, CalcError) as error:
            self.add_error("value", str(error))
            return data
        if question and data.get("meant") != text:
            self.question = question
            self.add_error("value", question)
        return data

    def typed(self) -> Typed:
        """Return what the service takes."""
        data = self.cleaned_data
        return Typed(
            repeat=data["repeat"],
            angle_deg=data["angle_deg"],
            is_return=data["is_return"],
            value_um=data["value_um"],
            text=data["value"].strip(),
            unit=self.unit.value,
            version=data["version"],
            as_found=data["as_found"],
        )


ReadingForm.base_fields = _Shared(ReadingForm.base_fields)


SAG_KINDS = (("indicated", "the reading at 6, zeroed at 12"), ("droop", "the true droop of the bar (half of it)"))
SAG_HELP = {
    Sweep.Kind.RIM: (
        "Turn bracket and dial on a stiff mandrel, dial zeroed at 12: what it shows at 6, as a size without a sign. "
        "Which way it acts in a bore and on an outside the program knows."
    ),
    Sweep.Kind.FACE: (
        "Turn bracket and dial against a square face on a stiff mandrel, dial zeroed at 12: what it shows at 6, with "
        "its sign (plunger pressed in is +), since a bracket may nod either way."
    ),
}


class SweepForm(forms.Form):
    """How the sweep is made. Its lengths are in the unit its labels say (`lengths_in`), else in the one chosen."""

    positions = forms.TypedChoiceField(
        choices=[(n, f"{n}") for n in POSITION_COUNTS], coerce=int, label="Positions round the clock"
    )
    touches = forms.ChoiceField(
        choices=(
            ("ram-bore", "a bore, carried on the ram line"),
            ("ram-outside", "an outside diameter, carried on the ram line"),
            ("bar-bore", "a bore, carried on a bar in the cradle"),
            ("bar-outside", "an outside diameter, carried on a bar in the cradle"),
            ("component-outside", "the ram, carried on the component"),
        ),
        label="The indicator touches",
        required=False,
    )
    view = forms.ChoiceField(choices=Station.View, label="Clock read")
    facing = forms.ChoiceField(
        choices=Sweep.Facing,
        label="The face swept looks",
        widget=forms.RadioSelect,
        error_messages={"required": "Which way does the face look that is swept? It decides the sign of the tilt."},
    )
    plunger_reversed = forms.BooleanField(required=False, label="This dial counts down when pressed in")
    indicator = TextLine(required=False, max_length=60, label="Indicator (number or name)")
    resolution = LengthField(label="Smallest step of the dial", smallest_um=0.01, largest_um=1000)
    sag = LengthField(label="Sag of the bracket, read at 6", required=False, largest_um=2000)
    sag_is = forms.ChoiceField(choices=SAG_KINDS, required=False, label="The sag given is")
    sag_uncertainty = LengthField(label="Uncertainty of the sag", required=False, smallest_um=0, largest_um=2000)
    face_radius = MachineLengthField(label="Radius swept", required=False, smallest_um=5_000, largest_um=500_000)
    ram_position = MachineLengthField(label="Ram forward by", required=False, smallest_um=0, largest_um=2_000_000)
    version = forms.IntegerField(widget=forms.HiddenInput, required=False)
    lengths_in = forms.CharField(widget=forms.HiddenInput, required=False)

    def __init__(self, *args: Any, kind: str, unit: Unit, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.kind = kind
        typed_in = shown_in(self.data.get("lengths_in"), unit)
        self.fields["lengths_in"].initial = typed_in.value
        ask_in(self, typed_in)
        self.fields["sag"].help_text = SAG_HELP[Sweep.Kind(kind)]
        for name in ("face_radius", "facing") if kind == Sweep.Kind.RIM else ("touches", "sag_is"):
            del self.fields[name]

    def clean(self) -> dict[str, Any]:
        """Refuse a negative rim sag and a face without its radius."""
        data = super().clean() or {}
        sag = data.get("sag") or 0.0
        if self.kind == Sweep.Kind.RIM and sag < 0:
            self.add_error("sag", "Enter the sag as a size, without a sign: the program knows which way it acts.")
        if self.kind == Sweep.Kind.FACE and not data.get("face_radius") and "face_radius" not in self.errors:
            self.add_error("face_radius", "At which radius does the indicator go round the face?")
        return data

    def choice(self) -> SweepChoice:
        """Return what the service takes."""
        data = self.cleaned_data
        carrier, surface = (data.get("touches") or "ram-bore").split("-")
        sag = data["sag"] or 0.0
        return SweepChoice(
            positions=data["positions"],
            surface=surface,
            carrier=carrier,
            view=data["view"],
            facing=data.get("facing", ""),
            plunger_reversed=data["plunger_reversed"],
            indicator=data["indicator"],
            resolution_um=data["resolution"],
            sag_um=sag_from_droop(sag) if data.get("sag_is") == "droop" else sag,
            sag_uncertainty_um=data["sag_uncertainty"] or 0.0,
            face_radius_mm=data.get("face_radius"),
            ram_position_mm=data["ram_position"],
        )

    @staticmethod
    def initial_of(sweep: Sweep) -> dict[str, Any]:
        """Return the form's starting values for a sweep."""
        return {
            "positions": sweep.positions,
            "touches": f"{sweep.carrier}-{sweep.surface}",
            "view": sweep.view,
            "facing": sweep.facing,
            "plunger_reversed": sweep.plunger_reversed,
            "indicator": sweep.indicator,
            "resolution": float(sweep.resolution_um),
            "sag": float(sweep.sag_um),
            "sag_is": "indicated",
            "sag_uncertainty": float(sweep.sag_uncertainty_um),
            "face_radius": sweep.face_radius_mm,
            "ram_position": sweep.ram_position_mm,
            "version": sweep.version if sweep.pk else 0,
        }


class MoveForm(forms.Form):
    """A move that was made at one adjuster, or in words at the station."""

    adjuster: forms.ModelChoiceField[Adjuster] = forms.ModelChoiceField(
        queryset=Adjuster.objects.none(), required=False
    )
    travel = LengthField(required=False, label="By", smallest_um=0)
    turns = NumberField(required=False, min_value=0, max_value=100)
    flats = NumberField(required=False, min_value=0, max_value=600)
    way = forms.ChoiceField(choices=(("+", "+"), ("-", "-")), required=False)
    words = TextLine(max_length=200, required=False, label="In words")

    def __init__(self, *args: Any, station: Station, unit: Unit, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        offer_rows(self, "adjuster", Adjuster.objects.filter(station=station))
        self.unit = shown_in(self.data.get("unit"), unit)
        ask_in(self, self.unit, labelled=False)  # its unit stands after the field
        self.shims_like = SHIMS_LIKE[self.unit]

    def clean(self) -> dict[str, Any]:
        """Refuse a move that says nothing, and figures without an adjuster."""
        data = super().clean() or {}
        figures = [data.get(name) for name in ("travel", "turns", "flats")]
        if any(figures) and not data.get("adjuster") and "adjuster" not in self.errors:
            self.add_error("adjuster", "Which adjuster was moved?")
        if not any(figures) and not (data.get("words") or "").strip() and not self.errors:
            self.add_error("travel", "Say what was moved: how far, or a few words.")
        return data

    def done(self) -> Done:
        """Return what the service takes; a screw's turns and flats become travel by its pitch."""
        data = self.cleaned_data
        adjuster: Adjuster | None = data["adjuster"]
        sign = -1.0 if data["way"] == "-" else 1.0
        turns = (data["turns"] or 0.0) + (data["flats"] or 0.0) / FLATS_PER_TURN
        sense = sign if adjuster is None or adjuster.clockwise_is_positive else -sign
        if adjuster and adjuster.pitch_mm and turns:
            typed = f"{data['turns'] or 0:g} turns {data['flats'] or 0:g} flats"
            travel = sign * turns * adjuster.pitch_mm * 1000.0
            return Done(adjuster, travel, typed, "turns", data["words"], turns=sense * turns)
        if data["travel"] is None:
            return Done(adjuster, None, "", self.unit.value, data["words"])
        return Done(adjuster, sign * data["travel"], str(self.data.get("travel", "")), self.unit.value, data["words"])


MOST_PIECES, THINNEST_UM, THICKEST_UM = 40, 1.0, 5000.0
SHIMS_LIKE = {Unit.MM: "0.50 + 0.10", Unit.INCH: "0.020 + 0.004", Unit.UM: "500 + 100"}


def pieces_typed(text: str, unit: Unit) -> tuple[float, ...]:
    """Read counted thicknesses such as '0.50 + 0.10', thickest first in um; '0' is an empty pack."""
    words = text.replace("+", " ").replace(";", " ").split()
    if not words:
        raise Refused(f"Which shims lie in the pack? Type them like {SHIMS_LIKE[unit]}, or 0 where there are none.")
    try:
        sizes = [to_um(parse_number(word), unit) for word in words]
    except ValueError as error:
        raise Refused(str(error)) from None
    if sizes == [0.0]:
        return ()
    odd = next((w for w, size in zip(words, sizes, strict=True) if not THINNEST_UM <= size <= THICKEST_UM), None)
    if odd is not None:
        thinnest, thickest = (plain_text(float(f"{from_um(size, unit):.2g}")) for size in (THINNEST_UM, THICKEST_UM))
        raise Refused(
            f"{odd} {unit.label} is no shim: they run from {thinnest} to {thickest} {unit.label}. "
            "Check the number and its unit."
        )
    if len(sizes) > MOST_PIECES:
        raise Refused(f"A pack of {len(sizes)} shims? At most {MOST_PIECES} can be counted.")
    return tuple(sorted(sizes, reverse=True))


class NoteForm(forms.Form):
    """The note of a station."""

    note = forms.CharField(required=False, max_length=4000, widget=forms.Textarea(attrs={"rows": 3}))
    version = forms.IntegerField(widget=forms.HiddenInput, min_value=0)
