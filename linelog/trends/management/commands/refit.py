"""Work out the stored summaries and all models anew."""

from __future__ import annotations

import time
from typing import Any

from django.core.management import BaseCommand
from django.utils import timezone

from linelog.plant.models import Plant
from linelog.trends import refit


class Command(BaseCommand):
    """For after a restore or a change of the program; in daily use the worker keeps them up to date."""

    help = "Work out the stored summaries of all machines and fit all models anew."

    def handle(self, **options: Any) -> None:
        """Go through the plants."""
        for plant in Plant.objects.order_by("pk"):
            began = time.monotonic()
            refit.mark_all(plant, timezone.now())
            said = refit.refresh(plant, timezone.now())
            self.stdout.write(f"{plant}: {said} {time.monotonic() - began:.1f} s.")
