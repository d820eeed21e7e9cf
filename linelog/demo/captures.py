"""Running captures of the demonstration: invented files, worked out by the program's own sums, joined to visits.

What the ram does in them follows from the running offset that the model gives its station: the ram lies at its
negative in the ring. The captures of a machine take the place of the running values typed in its last visits.
"""

from __future__ import annotations

import datetime as dt
import io
import math
from dataclasses import dataclass, fields
from pathlib import Path

import numpy as np
import polars as pl
from django.core.files.base import ContentFile

from linelog.alignment.captures.bumped import as_tested
from linelog.alignment.captures.setting import capture_setup, ring_of, worked_with
from linelog.alignment.captures.working import outcome, station_values
from linelog.alignment.models import BumpTest, Capture, Probe, ProbeSetup, Result, Stage
from linelog.alignment.models.sweep import Method
from linelog.alignment.services.captures import FOLDER
from linelog.alignment.services.joining import chosen, running_result
from linelog.calc.capture import synthetic
from linelog.calc.capture.analyse import analyse_capture
from linelog.calc.capture.bump import PUSHES, allowed
from linelog.calc.capture.motion import Crank
from linelog.calc.capture.ring import Probe as RingProbe
from linelog.calc.capture.ring import Ring
from linelog.demo.life import Life
from linelog.demo.scenario import CapturePlan, WarmUpPlan
from linelog.plant.adjusting import reference_z_mm
from linelog.plant.models import Machine, Person, Station
from linelog.web.uploads import received

PROBES = (("p12", 0.0), ("p3", 90.0), ("p6", 180.0), ("p9", 270.0))
SCALE_UM_PER_V = 80.0
RANGE_V = 5.0
ZERO_U_UM = 0.6
WARM_C = 41.0
SET_UP_DAYS = 200
SENT_AFTER = dt.timedelta(minutes=4)


@dataclass(frozen=True, slots=True)
class Made:
    """The seed of an invented capture, and what was told of a warm-up with it."""

    seed: int
    minutes: float | None = None
    oil_c: float | None = None

    @property
    def suffix(self) -> str:
        """What tells the files of one warm-up apart."""
        return "" if self.minutes is None else f"-{self.minutes:.0f}min"


def ring() -> Ring:
    """Return the ring of every machine of the demonstration: four probes at right angles."""
    return Ring(
        tuple(
            RingProbe(column, angle, SCALE_UM_PER_V, low=-RANGE_V, high=RANGE_V, zero_u_um=ZERO_U_UM)
            for column, angle in PROBES
        ),
        target="Punch, tool steel",
    )


def file_of(
    plan: CapturePlan,
    place_um: tuple[float, float],
    speed_per_min: float,
    crank: Crank,
    seed: int,
    oil_c: float = WARM_C,
) -> bytes:
    """Return an invented capture as a CSV: time in s, probes in V, a pulse a stroke, oil in degrees."""
    scenario = synthetic.Scenario(
        speed_per_min=speed_per_min,
        place_um=place_um,
        temperature=oil_c,
        seed=seed,
        **{each.name: getattr(plan, each.name) for each in fields(CapturePlan)},
    )
    rows = next(synthetic.make_rows(scenario, ring(), crank, size=10_000_000))
    columns = {"time": rows.time_s.round(4), **dict(zip(ring().columns, rows.probes.round(4), strict=True))}
    pulse, oil = rows.pulse, rows.temperature
    if pulse is None or oil is None:
        raise ValueError("an invented capture has pulse and temperature")
    frame = pl.DataFrame({**columns, "pulse": pulse.astype(np.int8), "oil": oil.round(2)})
    out = io.BytesIO()
    frame.write_csv(out)
    return out.getvalue()


def add(life: Life, plans: dict[str, CapturePlan], at: dt.datetime) -> None:
    """Give a machine its ring and the captures that its plan names, the last one for its last visit."""
    if not life.plan.captures and not life.plan.warm_up:
        return
    machine, log = life.site.machine, life.setting.log
    station = next(one for one in life.site.stations if one.kind == Station.Kind.TOOL_PACK)
    setup = _set_up(life, machine, station, at - dt.timedelta(days=SET_UP_DAYS))
    if life.plan.warm_up:
        _warm_up(life, setup, life.plan.warm_up, plans, at)
    typed = [one for one in log.running if one.visit.machine == machine and one.station == station]
    for number, name in enumerate(reversed(life.plan.captures)):
        if life.plan.open_today:  # waits to be joined to the visit that is open
            place = -(life.state[life.site.stations.index(station), :2])
            _one(life, setup, plans[name], place, at - dt.timedelta(minutes=35), life.setting.mechanics[0])
            continue
        value = typed[-1 - number]
        signed = value.visit.signed_at or value.at
        capture = _one(life, setup, plans[name], np.array([-value.x_um, -value.y_um]), signed, value.visit.opened_by)
        capture.visit, capture.stage = value.visit, Stage.AS_LEFT
        _give_running(life, capture)
        log.running.remove(value)


def _warm_up(life: Life, setup: ProbeSetup, plan: WarmUpPlan, plans: dict[str, CapturePlan], at: dt.datetime) -> None:
    """Make the captures of one warm-up: the offset and the oil near their steady values together."""
    started = at - dt.timedelta(days=plan.days_ago)
    for number, minutes in enumerate(plan.minutes):
        left = math.exp(-minutes / plan.tau_min)
        place = -(np.array(plan.steady_um) + left * np.array(plan.amplitude_um))
        oil_c = plan.warm_c + (plan.cold_c - plan.warm_c) * left
        made = Made(life.plan.seed + number, minutes, round(oil_c, 1))
        sent = started + dt.timedelta(minutes=minutes) + SENT_AFTER
        _one(life, setup, plans[plan.capture], place, sent, life.setting.mechanics[0], made)


def _set_up(life: Life, machine: Machine, station: Station, at: dt.datetime) -> ProbeSetup:
    setup = ProbeSetup.objects.create(
        machine=machine,
        name="Ring in the tool pack",
        station=station,
        z_mm=reference_z_mm(station),
        target=ring().target,
        gap_mm=1.2,
        pulse_column="pulse",
        temperature_column="oil",
        note="Invented.",
    )
    Probe.objects.bulk_create(
        Probe(
            setup=setup,
            order=number,
            column=probe.column,
            angle_deg=probe.angle_deg,
            scale_um_per_unit=probe.scale_um_per_unit,
            zero_u_um=probe.zero_u_um,
            low=probe.low,
            high=probe.high,
        )
        for number, probe in enumerate(ring().probes)
    )
    _bump_test(life, setup, at)
    return setup


def _bump_test(life: Life, setup: ProbeSetup, at: dt.datetime) -> None:
    """Push the invented ram: toward 12 and toward 3 each probe moves as it stands."""
    tested = ring_of(setup, setup.probes.all())
    seen = [[next(iter(allowed(probe, push))).value for probe in tested.probes] for push in PUSHES]
    BumpTest.objects.create(
        setup=setup, by=life.setting.mechanics[0], at=at, ring=as_tested(tested), seen=seen, right=True
    )


def _one(
    life: Life,
    setup: ProbeSetup,
    plan: CapturePlan,
    place_um: np.ndarray,
    at: dt.datetime,
    by: Person,
    made: Made | None = None,
) -> Capture:
    """Make a file, keep it and work it out, as the worker does."""
    log, kept = life.setting.log, worked_with(setup)
    # Captures of a warm-up do not count, so that the others stay as they are when one is added.
    made = made or Made(life.plan.seed + sum(one.minutes_since_start is None for one in log.captures))
    calc = capture_setup(kept)
    # The running offset is that of the forward stroke, which lies half the split to one side.
    x, y = (place_um - 0.5 * np.array(plan.split_um)).tolist()
    content = file_of(plan, (x, y), life.plan.speed_spm, calc.crank, made.seed, made.oil_c or WARM_C)
    with received(ContentFile(content)) as incoming:
        name = incoming.keep(FOLDER)
    capture = Capture(
        machine=life.site.machine,
        setup=setup,
        by=by,
        at=at,
        recorded_at=at - SENT_AFTER,
        minutes_since_start=made.minutes,
        oil_c=made.oil_c,
        name=f"{life.plan.name.lower().replace(' ', '-')}-{at:%Y%m%d}{made.suffix}.csv",
        file=name,
        sha256=incoming.sha256,
        size=incoming.size,
        worked_with=kept,
        note="Invented.",
    )
    result = analyse_capture(Path(capture.file.path), calc, name=capture.name)
    for column, value in outcome(result).items():
        setattr(capture, column, value)
    log.captures.append(capture)
    log.capture_values += station_values(capture, result)
    return capture


def _give_running(life: Life, capture: Capture) -> None:
    """Put the running offset of the capture in the place of the one that was typed in."""
    log = life.setting.log
    value = chosen(one for one in log.capture_values if one.capture is capture)
    if value is None:
        return
    place = {"visit": capture.visit, "station": value.station, "stage": capture.stage, "seat": ""}
    for one in log.results:
        if one.method == Method.RUNNING and all(getattr(one, name) == wanted for name, wanted in place.items()):
            log.results.remove(one)
            break
    values = running_result(value, capture.algorithm, capture.recorded_at)
    log.results.append(Result(**place, method=Method.RUNNING, **values))
