"""What a tablet must know to work a rim sweep out by itself while it cannot reach the server."""

from __future__ import annotations

from typing import Any

from linelog.alignment.computing import rim_setup
from linelog.alignment.models import Sweep
from linelog.alignment.results.static_target import StaticTarget
from linelog.calc.errors import CalcError
from linelog.calc.units import Unit
from linelog.plant.models import Plant, Station


def on_tablet(
    sweep: Sweep, station: Station, plant: Plant, reader: Unit, target: StaticTarget | None = None
) -> dict[str, Any] | None:
    """Return the set-up for `static/alignment/offset.js`, lengths in um; None where it does not do the sum.

    gain   sign of the offset in the readings
    sag    what sag alone reads at 6, zeroed at 12
    unit   what is typed and shown in
    target  where the seat lies at rest when it runs true (right, up; seen from the crank); None where not known
    closureLimit, returnLimit  beyond them it is to be read again: those set, or what dial and usual scatter explain
    """
    if sweep.kind != Sweep.Kind.RIM:
        return None
    try:
        setup = rim_setup(sweep, plant)
    except CalcError:
        return None
    noise = setup.dial.noise
    return {
        "gain": setup.gain,
        "view": setup.view.value,
        "reversed": setup.plunger_reversed,
        "sag": setup.sag_at_six_um,
        "unit": reader.value,
        "limit": station.limit_um,
        "target": [target.aim.x, target.aim.y] if target else None,
        "closureLimit": noise.closure_limit_um(plant.closure_limit_um),
        "returnLimit": noise.return_limit_um(plant.return_limit_um),
    }
