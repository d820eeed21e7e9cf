"""Put a backup into an empty place."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management import BaseCommand, CommandError, CommandParser

from linelog.web.backup import restoring
from linelog.web.errors import Refused


class Command(BaseCommand):
    """`linelog restore /mnt/backups/monday.zip`."""

    help = "Put a backup into an empty database and an empty folder of kept files; refused where anything is there."

    def add_arguments(self, parser: CommandParser) -> None:
        """Which backup."""
        parser.add_argument("file", type=Path)

    def handle(self, *, file: Path, **options: Any) -> None:
        """Look it through, put it back, and say what came of it."""
        settings.DATA_DIR.mkdir(parents=True, exist_ok=True)
        try:
            made = restoring.restore(file, media=Path(settings.MEDIA_ROOT))
        except Refused as refusal:
            raise CommandError(f"{refusal.message} Nothing was restored.") from None
        self.stdout.write(
            f"Restored as of {made.made_at}: {made.rows} rows of {len(made.columns)} tables, {len(made.files)} files."
        )
        self.stdout.write("Everybody signs in anew: a backup holds no open sessions.")
