"""A stored set-up as the sums take it, and as it is kept with a capture so that an old one can be understood."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import fields
from typing import Any

from linelog.alignment.models import Capture, CaptureLimit, Probe, ProbeSetup
from linelog.calc.capture.analyse import CaptureSetup
from linelog.calc.capture.limits import CaptureLimits
from linelog.calc.capture.motion import Crank
from linelog.calc.capture.results import ALGORITHM_VERSION, to_plain
from linelog.calc.capture.ring import Probe as CalcProbe
from linelog.calc.capture.ring import Ring
from linelog.calc.capture.rows import Signals, TimeUnit
from linelog.calc.capture.sure import machine_memory
from linelog.plant.models import Machine, Plant, Station
from linelog.web.errors import Refused

COMMON_GAP = {"": None, "yes": True, "no": False}
#: Where a stored result keeps a phase.
PHASE_OF_KEY = {"forward": "forward", "dome": "dome", "back": "return"}
_LONG_ONES, _LOOKED_AT = 3, 20
SOLVED = {None: "", True: "yes", False: "no"}


def ring_of(setup: ProbeSetup, probes: Iterable[Probe]) -> Ring:
    """Return the ring."""
    return Ring(
        probes=tuple(
            CalcProbe(
                each.column,
                each.angle_deg,
                each.scale_um_per_unit,
                each.zero_um,
                each.low,
                each.high,
                each.zero_u_um,
            )
            for each in probes
        ),
        target=setup.target,
        target_factor=setup.target_factor,
        common_gap=COMMON_GAP[setup.common_gap],
        from_domer=setup.view == Station.View.DOMER,
    )


def signals_of(setup: ProbeSetup) -> Signals:
    """Return the names of the other columns."""
    return Signals(
        time=setup.time_column,
        time_unit=TimeUnit(setup.time_unit),
        phase=setup.phase_column or None,
        phase_at_rear_deg=setup.phase_at_rear_deg,
        pulse=setup.pulse_column or None,
        pulse_at_deg=setup.pulse_at_deg,
        temperature=setup.temperature_column or None,
    )


def has_crank(machine: Machine) -> bool:
    """Say whether the machine's set-up tells how its crank moves the ram."""
    return bool(machine.stroke_mm and machine.rod_length_mm)


def crank_of(machine: Machine) -> Crank:
    """Return the crank; refused where the machine's set-up lacks its lengths."""
    if machine.stroke_mm is None or machine.rod_length_mm is None:
        raise Refused(
            f"The stroke and the rod length of {machine} are not in its set-up: without them no sample can be put "
            "to a ram position."
        )
    return Crank(
        machine.stroke_mm,
        machine.rod_length_mm,
        machine.forward_from_deg,
        machine.dome_from_deg,
        machine.dome_to_deg,
        machine.return_to_deg,
    )


def limits_of(plant: Plant) -> CaptureLimits:
    """Return the plant's limits of the warnings, the usual ones where it set none."""
    row = CaptureLimit.objects.filter(plant=plant).first() or CaptureLimit()
    names = {each.name for each in fields(CaptureLimits)} & {each.name for each in CaptureLimit._meta.concrete_fields}
    return CaptureLimits(**{name: getattr(row, name) for name in names})


def worked_with(setup: ProbeSetup) -> dict[str, Any]:
    """Return everything that a capture is worked out with, as it stands now, in JSON's own types."""
    machine = setup.machine
    return {
        "setup": setup.name,
        "version": setup.version,
        "unit": setup.file_unit,
        "station": setup.station_id,
        "z_mm": setup.z_mm,
        "ring": to_plain(ring_of(setup, setup.probes.all())),
        "signals": to_plain(signals_of(setup)),
        "crank": to_plain(crank_of(machine)),
        "limits": to_plain(limits_of(machine.line.plant)),
        "memory": _told_by_long_ones(setup),
    }


def _told_by_long_ones(setup: ProbeSetup) -> list[dict[str, Any]]:
    """Return what the newest long captures of the station said of the memory of its strokes, by phase."""
    done = Capture.objects.filter(
        machine=setup.machine_id,
        setup__station=setup.station_id,
        state=Capture.State.DONE,
        algorithm=ALGORITHM_VERSION,
        set_aside_at__isnull=True,
    ).order_by("-recorded_at", "-pk")
    rows = done.values_list(*(f"result__{key}__memory" for key in PHASE_OF_KEY))[:_LOOKED_AT]
    told = [dict(zip(PHASE_OF_KEY.values(), row, strict=True)) for row in rows]
    return [long for one in told if (long := {name: said for name, said in one.items() if said})][:_LONG_ONES]


def capture_setup(kept: dict[str, Any]) -> CaptureSetup:
    """Return what `worked_with` kept, as the sums take it."""
    ring, signals = dict(kept["ring"]), dict(kept["signals"])
    ring["probes"] = tuple(CalcProbe(**each) for each in ring["probes"])
    signals["time_unit"] = TimeUnit(signals["time_unit"])
    return CaptureSetup(
        Ring(**ring),
        Signals(**signals),
        Crank(**kept["crank"]),
        CaptureLimits(**kept["limits"]),
        machine_memory(kept.get("memory", [])),
    )
