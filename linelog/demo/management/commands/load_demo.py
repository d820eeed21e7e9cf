"""Load the invented demonstration plant into an empty database."""

from __future__ import annotations

import time
from typing import Any

from django.core.management import BaseCommand, CommandError
from django.utils import timezone

from linelog.demo import load, scenario
from linelog.demo.followups import follow_up
from linelog.plant.models import Plant
from linelog.trends import refit
from linelog.web.errors import Refused


class Command(BaseCommand):
    """All of it or nothing; refused where there is a plant."""

    help = "Load the invented demonstration plant into a database that has no plant yet."

    def handle(self, **options: Any) -> None:
        """Load, and say how it goes."""
        began = time.monotonic()
        try:
            load.load(scenario.read(), at=timezone.now(), say=lambda line: self.stdout.write(f"  {line}"))
        except Refused as refusal:
            raise CommandError(refusal.message) from None
        plant = Plant.objects.get()
        self.stdout.write(f"  Evidence: {refit.refresh(plant, timezone.now())}")
        self.stdout.write(f"  {follow_up(scenario.read(), plant, timezone.now())}")
        self.stdout.write(f"Loaded in {time.monotonic() - began:.0f} s. All of it is invented.")
