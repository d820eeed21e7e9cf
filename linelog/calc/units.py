"""Lengths, and the two classic mistakes: inch for millimetre, full indicator reading for offset.

Inside the program every offset and reading is in micrometres; this module is the door.
The inch is 25.4 mm exactly (NIST SP 811), so 0.001 in is 25.4 um exactly. Conversions go through decimal
arithmetic, so that a typed 0.001 in becomes 25.4 um and not 25.400000000000002.
"""

import math
from dataclasses import dataclass
from decimal import Decimal
from enum import Enum

from linelog.calc.errors import CalcError

#: Nothing a dial indicator shows is larger than this; what is larger was typed wrongly.
ABSURD_UM = 50_000.0


class Unit(Enum):
    """A unit of length that a person types and reads."""

    UM = "um"
    MM = "mm"
    INCH = "inch"

    @property
    def um(self) -> int:
        """Micrometres in one of this unit, exactly."""
        return _UM[self]

    @property
    def decimals(self) -> int:
        """Decimals shown, so that the last one is about a tenth of a shop dial's graduation."""
        return _DECIMALS[self]

    @property
    def label(self) -> str:
        """Sign shown beside a number."""
        return _LABEL[self]

    @property
    def word(self) -> str:
        """Name where it stands alone or within a sentence, so that no sentence says 'in in'."""
        return "inch" if self is Unit.INCH else _LABEL[self]


_UM = {Unit.UM: 1, Unit.MM: 1_000, Unit.INCH: 25_400}
_DECIMALS = {Unit.UM: 1, Unit.MM: 3, Unit.INCH: 4}
_LABEL = {Unit.UM: "µm", Unit.MM: "mm", Unit.INCH: "in"}


def to_um(value: float | Decimal, unit: Unit, *, field: str | None = None) -> float:
    """Micrometres of a typed length. A number that is not finite raises `CalcError`."""
    return float(_decimal(value, field) * unit.um)


def from_um(value_um: float, unit: Unit, *, field: str | None = None) -> float:
    """Return the length in `unit`; the inverse of `to_um` for every number a person would type."""
    return float(_decimal(value_um, field) / unit.um)


def offset_from_tir(tir: float) -> float:
    """Offset that gives this full indicator reading on a round part: half of it, in the same unit."""
    return tir / 2.0


def tir_from_offset(offset: float) -> float:
    """Full indicator reading that this offset gives on a round part: twice it, in the same unit."""
    return 2.0 * offset


def show_um(value_um: float, unit: Unit, *, signed: bool = True) -> str:
    """Write the length with its unit for a sentence: '+0.025 mm', '−0.0010 in', with a true minus sign."""
    rounded = round(from_um(value_um, unit), unit.decimals) + 0.0  # adding 0.0 turns -0.0 into 0.0
    number = f"{rounded:{'+' if signed else ''}.{unit.decimals}f}".replace("-", "−")
    return f"{number}\u202f{unit.label}"


def unit_question(
    value: float | Decimal, unit: Unit, *, span_um: float, finest_um: float = 0.0, field: str | None = None
) -> str | None:
    """Ask back where a typed length looks as if it were meant in another unit.

    `span_um` is the largest size expected here (the dial's range, or the largest sensible limit), `finest_um`
    the smallest one other than zero (the dial's resolution, or the tightest sensible limit; 0 for none).
    Returns None where the size lies between them, else one question to put to the person, who may say yes or no.
    An inch typed as mm is 25.4 times too SMALL: it can only be seen by being finer than the dial shows.
    Raises `CalcError` for what no answer can make right: not finite, or above 50 mm.
    """
    size = abs(to_um(value, unit, field=field))
    typed = f"{float(value):g} {unit.label}"
    if size > ABSURD_UM:
        raise CalcError(f"{typed} is more than any dial shows: check the number and its unit.", field=field)
    if size == 0.0 or finest_um <= size <= span_um:
        return None
    beyond = size > span_um
    why = "more than" if beyond else "finer than"
    bound = f"{from_um(span_um if beyond else finest_um, unit):.3g} {unit.label}"
    meant = _meant_unit(value, unit, finest_um, span_um)
    question = f"is this in {meant}?" if meant else "is this right?"
    return f"{typed} is {why} the {bound} expected here: {question}"


class SlopeUnit(Enum):
    """What a tilt or slope is told in: mm/m, or for who reads inches what the plant chose."""

    MM_PER_M = "mm/m"
    IN_PER_IN = "in/in"
    MIL_PER_IN = "mil/in"

    @property
    def label(self) -> str:
        """Sign shown beside a number."""
        return self.value

    @property
    def mm_per_m(self) -> float:
        """How many mm/m one of it is: a thousandth per inch is 1 mm/m exactly."""
        return 1000.0 if self is SlopeUnit.IN_PER_IN else 1.0

    def show(self, mm_per_m: float, decimals: int = 3) -> str:
        """Write a slope given in mm/m with so many decimals of mm/m; a thousandth per inch is 1 mm/m exactly."""
        if self is SlopeUnit.IN_PER_IN:
            return f"{mm_per_m / 1000.0:.{decimals + 3}f}"
        return f"{mm_per_m:.{decimals}f}"


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a typed number may have meant: the figures as they would have been typed, and their unit."""

    text: str
    unit: Unit

    @property
    def words(self) -> str:
        """The length as a person says it: '0.017 mm'."""
        return f"{self.text} {self.unit.label}"


def meanings(text: str, unit: Unit, *, span_um: float, finest_um: float) -> tuple[Meaning, ...]:
    """List what a length that looks wrong may have meant: the same figures in another unit, or a point forgotten.

    `text` is a number as typed (point, not comma). Only what lies between `finest_um` and `span_um` is offered,
    other units first, then a thousandth or a thousand times of it in the unit typed.
    """
    value = Decimal(text)
    moved = (Meaning(_plain(value * factor), unit) for factor in (Decimal("0.001"), Decimal(1000)))
    others = (Meaning(_plain(value), other) for other in (Unit.UM, Unit.MM, Unit.INCH) if other is not unit)
    return tuple(one for one in (*others, *moved) if finest_um <= abs(to_um(Decimal(one.text), one.unit)) <= span_um)


def _plain(value: Decimal) -> str:
    return f"{value.normalize():f}"


def _meant_unit(value: float | Decimal, unit: Unit, finest_um: float, span_um: float) -> str | None:
    words = {Unit.MM: "mm", Unit.INCH: "inches", Unit.UM: "µm"}  # inch and mm are mixed up most often
    for other, word in words.items():
        if other is not unit and finest_um <= abs(to_um(value, other)) <= span_um:
            return word
    return None


def _decimal(value: float | Decimal, field: str | None) -> Decimal:
    number = value if isinstance(value, Decimal) else Decimal(str(float(value)))
    if not number.is_finite() or not math.isfinite(float(number) * _UM[Unit.INCH]):
        raise CalcError("This is not a number that can be used.", field=field)
    return number
