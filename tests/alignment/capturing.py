"""A machine with a ring of probes in its tool pack, and invented captures of it, as files."""

from __future__ import annotations

import io
from dataclasses import replace
from typing import Any

import polars as pl
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from linelog.alignment.models import Capture, Probe, ProbeSetup
from linelog.alignment.services import captures as services
from linelog.calc.capture.synthetic import Scenario
from tests import factories
from tests.calc.capture.known import QUIET, RING, frame_of, rows_of

NOW = factories.NOW
LIMIT = 400_000_000
SHORT = replace(QUIET, strokes=40.0, rate_hz=700.0)


def setup(machine, **more: Any) -> ProbeSetup:
    """Four probes at right angles in the plane of the tool pack's middle, as `known.RING` has them."""
    ring = more.pop("ring", RING)
    made = ProbeSetup.objects.create(
        **{
            "machine": machine,
            "name": "Ring A",
            "station": machine.stations.get(kind="tool_pack"),
            "z_mm": 230.0,
            "pulse_column": "pulse",
            "temperature_column": "oil",
            **more,
        }
    )
    Probe.objects.bulk_create(
        Probe(setup=made, order=n, column=p.column, angle_deg=p.angle_deg, scale_um_per_unit=p.scale_um_per_unit)
        for n, p in enumerate(ring.probes)
    )
    return made


class Site:
    """A plant with one machine, its ring, and the people who matter."""

    def __init__(self) -> None:
        self.machine = factories.machine()
        self.plant = self.machine.line.plant
        self.station = self.machine.stations.get(kind="tool_pack")
        self.setup = setup(self.machine)
        self.mechanic = factories.person("mechanic", self.plant)
        self.manager = factories.person("manager", self.plant)
        self.viewer = factories.person("viewer", self.plant)

    def receive(self, content: bytes, name: str = "run.csv", **more: Any) -> Capture:
        recorded = services.Recorded(more.pop("setup", self.setup), more.pop("recorded_at", NOW))
        file = SimpleUploadedFile(name, content)
        return services.receive(
            **{"by": self.mechanic, "at": NOW, "machine": self.machine, "limit_bytes": LIMIT, **more},
            recorded=recorded,
            file=file,
        )

    def send(self, client, content: bytes, name: str = "run.csv", **more: Any):
        """Send a file through the page."""
        data = {"setup": self.setup.pk, "recorded_at": "2026-06-15T11:00", "note": "", **more}
        address = reverse("alignment:capture_send", args=[self.machine.pk])
        return client.post(address, {**data, "file": SimpleUploadedFile(name, content)})


def frame(scenario: Scenario = SHORT, ring=RING) -> pl.DataFrame:
    return frame_of(rows_of(scenario, ring), ring)


def as_csv(table: pl.DataFrame) -> bytes:
    out = io.BytesIO()
    table.write_csv(out, float_precision=5)
    return out.getvalue()


def as_parquet(table: pl.DataFrame) -> bytes:
    out = io.BytesIO()
    table.write_parquet(out)
    return out.getvalue()
