"""How far out of round the bores of a machine usually are, by its own sweeps that could see it."""

from __future__ import annotations

from django.db.models import Exists, OuterRef

from linelog.alignment.models import Result, Sweep
from linelog.alignment.models.sweep import Method
from linelog.calc.lobes import UsualLobes, learn_lobes
from linelog.plant.models import Plant

POSITIONS_THAT_SEE = 8
_NEWEST = 40


def usual_lobes(machine_id: int | None, plant: Plant) -> UsualLobes:
    """Return the usual lobes of a machine, in one query; of None, or with too few sweeps, what the plant allows."""
    if machine_id is None:
        return learn_lobes((), plant.closure_limit_um)
    place = {name: OuterRef(name) for name in ("visit", "station", "stage", "seat")}
    swept = Sweep.objects.filter(**place, kind=Sweep.Kind.RIM, positions__gte=POSITIONS_THAT_SEE)
    seen = Result.objects.filter(
        Exists(swept),
        visit__machine=machine_id,
        method=Method.STATIC,
        carried=False,
        withheld=False,
        readings__gte=POSITIONS_THAT_SEE,
        out_of_round_um__isnull=False,
    )
    amplitudes = seen.order_by("-at").values_list("out_of_round_um", flat=True)[:_NEWEST]
    return learn_lobes([amplitude for amplitude in amplitudes if amplitude is not None], plant.closure_limit_um)
