"""Look a backup through."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management import BaseCommand, CommandError, CommandParser

from linelog.web.backup import archive
from linelog.web.errors import Refused


class Command(BaseCommand):
    """`linelog verify /mnt/backups/monday.zip`."""

    help = "Read a whole backup and name what is damaged; ends with an error where anything is."

    def add_arguments(self, parser: CommandParser) -> None:
        """Which backup."""
        parser.add_argument("file", type=Path)

    def handle(self, *, file: Path, **options: Any) -> None:
        """Say that it is sound, or name each damaged part on a line of its own."""
        try:
            made = archive.verified(file)
        except archive.Damaged as damage:
            for problem in damage.problems:
                self.stderr.write(problem)
            raise CommandError(f"{file} is damaged: it can't be restored.") from None
        except Refused as refusal:
            raise CommandError(refusal.message) from None
        self.stdout.write(
            f"Sound. Made at {made.made_at}: {made.rows} rows of {len(made.columns)} tables, {len(made.files)} files."
        )
        for name in made.missing_files:
            self.stdout.write(f"Missing when it was made: {name}")
