"""A bad can found somewhere down the line, with what it tells of where and when it was made."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.timezone import localtime

from linelog.plant.models import DefectCode, FindingPlace, Machine, Plant
from linelog.plant.models.scoped import Scoped


class Finding(models.Model):
    """What was found: where, what, how many, and what the can says of itself.

    `mark` and `date_code` stand as typed. `made_on` is the day they were made by the best that was given, and
    `made_from` to `made_to` how closely that is known; `made_by` says what it rests on.
    """

    class MadeBy(models.TextChoices):
        """What the day made rests on."""

        TYPED = "typed", "the day that was typed"
        CODE = "code", "the date code"
        FOUND = "found", "the day it was found, for want of anything better"

    plant = models.ForeignKey(Plant, on_delete=models.CASCADE, related_name="findings", db_index=False)
    place = models.ForeignKey(FindingPlace, on_delete=models.PROTECT, related_name="findings")
    code = models.ForeignKey(DefectCode, on_delete=models.PROTECT, related_name="findings")
    quantity = models.PositiveIntegerField()
    found_on = models.DateField()

    mark = models.CharField(max_length=8, blank=True)
    machine = models.ForeignKey(
        Machine,
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="findings",
        help_text="Where it is known without the mark.",
    )
    date_code = models.CharField(max_length=24, blank=True)
    made_time = models.TimeField(null=True, blank=True)
    made_by = models.CharField(max_length=6, choices=MadeBy)
    made_on = models.DateField()
    made_from = models.DateTimeField()
    made_to = models.DateTimeField()

    complaint = models.CharField(
        max_length=30, blank=True, help_text="Number of the complaint it is of; empty where nobody complained."
    )
    customer_reference = models.CharField(max_length=60, blank=True, help_text="The customer's own number of it.")
    containment = models.CharField(max_length=500, blank=True, help_text="What was held, sorted or warned at once.")
    cause = models.CharField(max_length=500, blank=True, help_text="The cause that was found.")
    action = models.CharField(max_length=500, blank=True, help_text="What was done against it.")
    complaint_closed_on = models.DateField(null=True, blank=True)
    note = models.CharField(max_length=500, blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    version = models.PositiveIntegerField(default=1)

    plant_path = "plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["-made_on", "-id"]
        indexes = [
            models.Index(fields=["plant", "-made_on", "-id"], name="findings_newest_first"),
            models.Index(fields=["plant", "mark", "-made_on"], name="findings_by_mark"),
            models.Index(
                fields=["plant", "found_on"],
                condition=~Q(complaint="") & Q(complaint_closed_on__isnull=True),
                name="complaints_open",
            ),
        ]
        constraints = [
            models.CheckConstraint(condition=Q(quantity__gte=1), name="finding_of_at_least_one_can"),
            models.CheckConstraint(condition=Q(made_to__gte=F("made_from")), name="finding_made_in_a_span"),
            models.CheckConstraint(condition=Q(made_on__lte=F("found_on")), name="finding_made_before_it_was_found"),
            models.CheckConstraint(
                condition=~Q(made_by="code") | ~Q(date_code=""), name="finding_by_code_has_a_code"
            ),
            models.CheckConstraint(
                condition=Q(complaint_closed_on__isnull=True) | ~Q(complaint=""), name="only_a_complaint_is_closed"
            ),
            models.CheckConstraint(
                condition=~Q(complaint="") | Q(customer_reference="", containment="", cause="", action=""),
                name="only_a_complaint_is_followed_up",
            ),
        ]

    def __str__(self) -> str:
        return f"finding {self.pk}" if self.pk else "finding"

    @property
    def complaint_status(self) -> str:
        """Where the complaint stands, by the last that was written of it; empty where nobody complained."""
        if not self.complaint:
            return ""
        if self.complaint_closed_on:
            return "closed"
        steps = (("action taken", self.action), ("cause found", self.cause), ("contained", self.containment))
        return next((word for word, told in steps if told), "open")

    @property
    def when_made(self) -> str:
        """How closely the time is known, in words: a time, a span of hours, or the day alone."""
        if self.made_from == self.made_to:
            return f"about {localtime(self.made_from):%H:%M}"
        begins, ends = localtime(self.made_from), localtime(self.made_to)
        if begins.time() == ends.time():
            return "some time of that day"
        return f"between {begins:%H:%M} and {ends:%H:%M}"


class FindingPhoto(models.Model):
    """A picture of what was found, re-encoded on the server; the checksum is of the stored file."""

    finding = models.ForeignKey(Finding, on_delete=models.CASCADE, related_name="photos")
    file = models.FileField(upload_to="findings/%Y/%m/")
    sha256 = models.CharField(max_length=64)
    width = models.PositiveIntegerField()
    height = models.PositiveIntegerField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()

    plant_path = "finding__plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["at", "id"]
        constraints = [models.UniqueConstraint(fields=["finding", "sha256"], name="one_copy_of_a_photo_per_finding")]

    def __str__(self) -> str:
        return f"photo {self.pk} of a finding"
