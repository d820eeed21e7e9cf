"""Make the first administrator of an empty installation, who then adds the plant and its people on the pages."""

from __future__ import annotations

import getpass
import sys
from typing import Any

from django.core.management import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from linelog.plant.people import add_administrator
from linelog.web.errors import Refused


class Command(BaseCommand):
    """Ask for a password and add an administrator who belongs to no plant and sees all."""

    help = "Add an administrator; the password is asked for, or read from standard input when that is a pipe."

    def add_arguments(self, parser: CommandParser) -> None:
        """Who it is."""
        parser.add_argument("username")

    def handle(self, *, username: str, **options: Any) -> None:
        """Ask, add, say so."""
        if sys.stdin.isatty():
            password = getpass.getpass("Password: ")
            if getpass.getpass("Again: ") != password:
                raise CommandError("The two passwords differ; nothing was stored.")
        else:
            password = sys.stdin.readline().rstrip("\n")
        try:
            person = add_administrator(username=username, password=password, at=timezone.now())
        except Refused as refusal:
            raise CommandError(refusal.message) from None
        self.stdout.write(f"{person.username} may now sign in.")
