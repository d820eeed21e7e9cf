"""Lengths, slopes, and the two classic mistakes: inch for millimetre, full indicator reading for offset.

Inside the program every offset and reading is in micrometres and every slope in mm/m; this module is the door.
The inch is 25.4 mm exactly (ISO 1000:1992 / the 1959 international yard), so 0.001 in is 25.4 um exactly.
Conversions go through decimal arithmetic, so that what a person typed is converted to the nearest float there is.
"""

from decimal import Decimal
from enum import Enum

type_number = float | Decimal

#: Nothing a dial indicator shows is larger than this; what is larger was typed wrongly.
ABSURD_UM = 50_000.0


class Unit(Enum):
    """A unit of length that a person may type or read."""

    UM = "um"
    MM = "mm"
    INCH = "inch"

    @property
    def per_um(self) -> int:
        """Micrometres in one of this unit, exactly."""
        return _UM_IN[self]

    @property
    def decimals(self) -> int:
        """Decimals shown: 1 um, 0.001 mm, 0.0001 in are the finest steps a shop dial can support."""
        return _DECIMALS[self]

    @property
    def label(self) -> str:
        """The sign shown beside a number."""
        return _LABELS[self]


_UM_IN = {Unit.UM: 1, Unit.MM: 1_000, Unit.INCH: 25_400}
_DECIMALS = {Unit.UM: 1, Unit.MM: 3, Unit.INCH: 4}
_LABELS = {Unit.UM: "µm", Unit.MM: "mm", Unit.INCH: "in"}
