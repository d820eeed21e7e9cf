"""Make a backup while the program is in use."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from linelog.web.backup import making
from linelog.web.errors import Refused


class Command(BaseCommand):
    """`linelog backup /mnt/backups` or `linelog backup /mnt/backups/monday.zip`."""

    help = "Write every table and every kept file to one checked file; the program may be in use meanwhile."

    def add_arguments(self, parser: CommandParser) -> None:
        """Where the file goes."""
        parser.add_argument("place", type=Path, help="A folder that is there, or the name of a file that is not.")

    def handle(self, *, place: Path, **options: Any) -> None:
        """Write it, read it back, and say what is in it."""
        at = timezone.now()
        path = place / f"linelog-{at:%Y%m%dT%H%M%SZ}.zip" if place.is_dir() else place
        try:
            made = making.make(path, media=Path(settings.MEDIA_ROOT), at=at)
        except Refused as refusal:
            raise CommandError(refusal.message) from None
        except OSError as error:
            raise CommandError(f"No backup was made: {error}.") from error
        for name in made.missing_files:
            self.stderr.write(f"Missing before the backup already, and so not in it: {name}")
        self.stdout.write(f"{path}: {made.rows} rows of {len(made.columns)} tables, {len(made.files)} files.")
        self.stdout.write("It holds everybody's sign-in data: keep it as safe as the database itself.")
