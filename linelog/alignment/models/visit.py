"""A visit to a machine: why, in what state, what was done, who signed."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils import timezone

from linelog.plant.models import Adjuster, Machine, Station, ToolingSet
from linelog.plant.models.scoped import Scoped


class Visit(models.Model):
    """One dated alignment record. Signed, it never changes; an amendment stands beside it."""

    class Reason(models.TextChoices):
        """Why the machine is visited."""

        ROUTINE = "routine", "Routine check"
        TEAR_OFFS = "tear_offs", "Tear-offs"
        SPOILAGE = "spoilage", "Spoilage"
        WALL = "wall", "Wall variation"
        JAM = "jam", "After a jam or crash"
        TOOL_CHANGE = "tool_change", "After a tool change"
        RAM_WORK = "ram_work", "After ram, bushing or cradle work"
        FOLLOW_UP = "follow_up", "Check of an earlier move"
        OTHER = "other", "Other"

    class State(models.TextChoices):
        """Where the record stands."""

        OPEN = "open", "Open"
        SIGNED = "signed", "Signed"
        DROPPED = "dropped", "Dropped"

    machine = models.ForeignKey(Machine, on_delete=models.PROTECT, related_name="visits")
    tooling_set = models.ForeignKey(ToolingSet, on_delete=models.PROTECT, null=True, blank=True)
    opened_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    opened_at = models.DateTimeField(db_index=True)
    reason = models.CharField(max_length=12, choices=Reason)
    reason_note = models.CharField(max_length=200, blank=True)

    machine_runs = models.BooleanField(default=False)
    minutes_in_state = models.PositiveIntegerField(null=True, blank=True, help_text="Stopped or running so long.")
    speed_spm = models.FloatField(null=True, blank=True)
    oil_c = models.FloatField(null=True, blank=True)
    room_c = models.FloatField(null=True, blank=True)

    from_paper = models.BooleanField(default=False, help_text="Copied from a record on paper of `opened_at`.")

    state = models.CharField(max_length=8, choices=State, default=State.OPEN)
    signed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+", null=True, blank=True
    )
    signed_at = models.DateTimeField(null=True, blank=True)
    dropped_why = models.CharField(max_length=200, blank=True)
    note = models.TextField(blank=True)
    version = models.PositiveIntegerField(default=1)

    plant_path = "machine__line__plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["-opened_at", "-id"]
        indexes = [
            models.Index(fields=["machine", "-opened_at"]),
            models.Index(fields=["machine", "state", "signed_at"]),  # the newest signing of each machine
        ]
        constraints = [
            models.CheckConstraint(
                condition=(Q(signed_by__isnull=True) & Q(signed_at__isnull=True) & ~Q(state="signed"))
                | (Q(signed_by__isnull=False) & Q(signed_at__isnull=False) & Q(state="signed")),
                name="visit_signed_by_and_at_together",
            ),
            models.CheckConstraint(
                condition=~Q(state="dropped") | ~Q(dropped_why=""), name="visit_dropped_for_a_reason"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.machine} {timezone.localtime(self.opened_at):%Y-%m-%d}"

    @property
    def is_open(self) -> bool:
        """Whether readings may still be logged."""
        return self.state == self.State.OPEN

    @property
    def signer(self) -> str:
        """Who signed, by the name of that day; empty where nobody has."""
        signature: Any = getattr(self, "signature", None)
        return str(signature.name if signature is not None else self.signed_by or "")


class StationNote(models.Model):
    """What is said of one station in a visit: touched or not, a note, the move that was offered."""

    visit = models.ForeignKey(Visit, on_delete=models.CASCADE, related_name="station_notes")
    station = models.ForeignKey(Station, on_delete=models.PROTECT, related_name="+")
    not_touched = models.BooleanField(default=False)
    note = models.TextField(blank=True)
    advised = models.TextField(blank=True, help_text="The move the program offered, frozen when signed.")
    version = models.PositiveIntegerField(default=1)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["visit", "station"], name="one_note_per_station_and_visit")]

    def __str__(self) -> str:
        return f"{self.station} in {self.visit}"


class MoveMade(models.Model):
    """A move that was really made, as typed; travel in um, positive as the adjuster's own direction says.

    What was done is kept as a code with its figures, as the adjuster was set up that day; the sentence is made when
    it is shown (`alignment.moves_made`). Records from before have their words alone.
    """

    class Verb(models.TextChoices):
        """What was done with the adjuster."""

        PUT_IN = "put_in", "Put in"
        TAKE_OUT = "take_out", "Took out"
        CHANGE = "change", "Put in and took out"
        RAISE = "thicker", "Made thicker"
        LOWER = "thinner", "Made thinner"
        TURN = "turn", "Turned"
        SET = "set", "Moved by indicator"

    visit = models.ForeignKey(Visit, on_delete=models.CASCADE, related_name="moves")
    station = models.ForeignKey(Station, on_delete=models.PROTECT, related_name="+")
    adjuster = models.ForeignKey(Adjuster, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    travel_um = models.FloatField(null=True, blank=True)
    typed = models.CharField(max_length=40, blank=True)
    unit = models.CharField(max_length=5)
    words = models.CharField(max_length=200, blank=True)
    verb = models.CharField(max_length=8, choices=Verb, blank=True, help_text="Empty: an old record, told in words.")
    put_in_um = models.JSONField(default=list, blank=True, help_text="Thickness of each shim put in.")
    taken_out_um = models.JSONField(default=list, blank=True)
    turns = models.FloatField(null=True, blank=True, help_text="Of a screw, clockwise (in) positive.")
    toward_deg = models.FloatField(null=True, blank=True, help_text="Where the part went, as seen from the crank.")
    toward_end = models.CharField(max_length=5, blank=True, help_text="Along the ram: toward 'domer' or 'crank'.")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()

    class Meta:
        ordering = ["at", "id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(travel_um__isnull=False) | ~Q(words=""), name="move_says_what_was_done"
            )
        ]

    def __str__(self) -> str:
        return self.words or f"{self.adjuster} {self.typed}"


class Photo(models.Model):
    """A picture taken in a visit, re-encoded on the server; the checksum is of the stored file."""

    visit = models.ForeignKey(Visit, on_delete=models.CASCADE, related_name="photos")
    station = models.ForeignKey(Station, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    file = models.FileField(upload_to="photos/%Y/%m/")
    sha256 = models.CharField(max_length=64)
    width = models.PositiveIntegerField()
    height = models.PositiveIntegerField()
    caption = models.CharField(max_length=120, blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()

    plant_path = "visit__machine__line__plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["at", "id"]
        constraints = [models.UniqueConstraint(fields=["visit", "sha256"], name="one_copy_of_a_photo_per_visit")]

    def __str__(self) -> str:
        return self.caption or f"photo {self.pk}"


class Amendment(models.Model):
    """What was found wrong with a signed visit: a reason, and where needed the value that should stand."""

    visit = models.ForeignKey(Visit, on_delete=models.PROTECT, related_name="amendments")
    station = models.ForeignKey(Station, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    stage = models.CharField(max_length=8, blank=True)
    seat = models.CharField(max_length=5, blank=True)
    reason = models.CharField(max_length=300)
    x_um = models.FloatField(null=True, blank=True)
    y_um = models.FloatField(null=True, blank=True)
    set_aside = models.BooleanField(default=False, help_text="Leave the value out of trends.")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()

    class Meta:
        ordering = ["at", "id"]
        constraints = [
            models.CheckConstraint(condition=~Q(reason=""), name="amendment_has_a_reason"),
            models.CheckConstraint(
                condition=(Q(x_um__isnull=True) & Q(y_um__isnull=True))
                | (Q(x_um__isnull=False) & Q(y_um__isnull=False) & Q(station__isnull=False) & ~Q(stage="")),
                name="amended_value_is_whole",
            ),
            models.CheckConstraint(
                condition=Q(set_aside=False) | (Q(station__isnull=False) & ~Q(stage="")),
                name="amendment_set_aside_names_its_value",
            ),
        ]

    def __str__(self) -> str:
        return self.reason
