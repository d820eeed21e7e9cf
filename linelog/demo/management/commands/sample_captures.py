"""Write the sample captures that stand in fixtures/: all invented, from fixed seeds."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management import BaseCommand, CommandParser

from linelog.calc.capture.motion import Crank
from linelog.demo import captures, scenario
from linelog.plant.kinds import BODYMAKER_GEOMETRY

PLACES = {"steady": (7.0, -12.0), "warming": (11.0, -4.0)}


class Command(BaseCommand):
    """The files can be sent on the page of captures of any machine that carries the demonstration's ring."""

    help = "Write fixtures/capture-steady.csv and capture-warming.csv, invented, for trying the upload."

    def add_arguments(self, parser: CommandParser) -> None:
        """Where to write."""
        parser.add_argument("--to", type=Path, default=Path(settings.BASE_DIR) / "fixtures")

    def handle(self, *, to: Path, **options: Any) -> None:
        """Write the files."""
        crank = Crank(BODYMAKER_GEOMETRY["stroke_mm"], BODYMAKER_GEOMETRY["rod_length_mm"])
        plans = scenario.read().captures
        for seed, (name, place) in enumerate(PLACES.items(), start=7):
            path = to / f"capture-{name}.csv"
            path.write_bytes(captures.file_of(plans[name], place, 322.0, crank, seed))
            self.stdout.write(f"{path.name}: {path.stat().st_size:,} bytes")
