"""Print how to sign in to the demonstration plant."""

from __future__ import annotations

from typing import Any

from django.core.management import BaseCommand

from linelog.demo import people, scenario


class Command(BaseCommand):
    """The accounts as they were loaded; a password changed since is not known here."""

    help = "Print the sign-ins of the invented demonstration plant, as they were loaded."

    def handle(self, **options: Any) -> None:
        """Print the table."""
        self.stdout.write("Sign-ins of the demonstration (invented people):\n\n" + people.table(scenario.read()))
