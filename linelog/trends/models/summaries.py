"""Stored summaries: what the evidence rests on, worked out anew whenever counts or visits change.

Nothing here is typed by anybody: all of it follows from counts, visits and fittings, and can be made again.
"""

from __future__ import annotations

from django.core.serializers.json import DjangoJSONEncoder
from django.db import models

from linelog.alignment.models import Visit
from linelog.plant.models import Machine, Plant, ToolingSet
from linelog.plant.models.scoped import Scoped
from linelog.production.models.counts import Counts


class Summed(Counts):
    """Sums of the whole production days from one to another, both included; spoiled cans by cause code."""

    first_day = models.DateField()
    last_day = models.DateField()
    days = models.PositiveIntegerField(default=0, help_text="Days with counts.")
    by_cause = models.JSONField(default=dict)

    class Meta:
        abstract = True

    @property
    def made(self) -> int:
        """Every can that was begun, good or spoiled: what a rate rests on."""
        return self.cans + self.spoiled


class Stretch(Summed):
    """A machine between one signed visit and the next; the days of the visits themselves are on neither side.

    `left` is the worst severity that the visit before left, `found` the worst that the next one found: None where
    that visit is not there or measured nothing. `places` has one entry for each station and seat that both visits
    measured static: {"station": id, "seat": "", "kind": "tool_pack", "left": [x, y], "found": [x, y] (um),
    "limit": um, "left_severity": share of the limit, "found_severity": ...}.
    """

    machine = models.ForeignKey(Machine, on_delete=models.CASCADE, related_name="stretches")
    since_visit = models.ForeignKey(Visit, on_delete=models.CASCADE, null=True, related_name="+")
    until_visit = models.ForeignKey(Visit, on_delete=models.CASCADE, null=True, related_name="+")
    left = models.FloatField(null=True)
    found = models.FloatField(null=True)
    places = models.JSONField(default=list)
    tooling_sets = models.JSONField(default=list, help_text="Ids of the sets mounted, in the order of time.")

    plant_path = "machine__line__plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["machine", "first_day"]
        constraints = [models.UniqueConstraint(fields=["machine", "first_day"], name="one_stretch_a_first_day")]

    def __str__(self) -> str:
        return f"{self.machine} from {self.first_day}"


class Piece(Summed):
    """A part of a stretch in one calendar month with one tooling set mounted: a row of the count regressions.

    `severity` is that of the worst station half way through its cans, carried in a straight line from what a visit
    left to what the next one found; None before the first and after the last of two visits that measured it.
    `by_station` has the same for each kind of station that is known: {"domer": 0.72, ...}.
    `looks` has one entry for each place between two visits that measured it, as linelog.trends.carrying: Look.
    `since_million`, `fitted_million`: million cans since the visit before, and since its tools were put on, up to
    half way; `late`: share of its cans made in the last days before the next visit.
    """

    machine = models.ForeignKey(Machine, on_delete=models.CASCADE, related_name="pieces")
    tooling_set = models.ForeignKey(ToolingSet, on_delete=models.CASCADE, null=True, related_name="+")
    month = models.DateField(help_text="Its first day.")
    severity = models.FloatField(null=True)
    by_station = models.JSONField(default=dict)
    looks = models.JSONField(default=list)
    since_million = models.FloatField(null=True)
    fitted_million = models.FloatField(null=True)
    late = models.FloatField(default=0.0)

    plant_path = "machine__line__plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["machine", "first_day"]
        indexes = [models.Index(fields=["machine", "last_day"])]
        constraints = [models.UniqueConstraint(fields=["machine", "first_day"], name="one_piece_a_first_day")]

    def __str__(self) -> str:
        return f"{self.machine} from {self.first_day}"


class Fit(models.Model):
    """The result of a model, one row for each kind and scope: replaced as a whole.

    `kind` names the model and `scope` what of the plant it is of; `rests_on` says how many cans, counts and rows.
    `sentence` is the result in plain words, or why there is none, where `result` is empty.
    """

    plant = models.ForeignKey(Plant, on_delete=models.CASCADE, related_name="fits")
    kind = models.CharField(max_length=40)
    scope = models.CharField(max_length=80, blank=True)
    made_at = models.DateTimeField()
    rests_on = models.JSONField(default=dict, encoder=DjangoJSONEncoder)
    result = models.JSONField(default=dict, encoder=DjangoJSONEncoder)
    sentence = models.CharField(max_length=500, blank=True)

    plant_path = "plant"
    objects = Scoped.as_manager()

    class Meta:
        ordering = ["plant", "kind", "scope"]
        constraints = [models.UniqueConstraint(fields=["plant", "kind", "scope"], name="one_fit_a_kind_and_scope")]

    def __str__(self) -> str:
        return f"{self.kind} {self.scope}".strip()


class Stale(models.Model):
    """A machine whose summaries do not yet rest on all that is known; `notes` tells one note from a later one.

    Nothing of a production day before `first_day` has changed since they were worked out; None: anything may have.
    """

    machine = models.OneToOneField(Machine, on_delete=models.CASCADE, primary_key=True, related_name="+")
    since = models.DateTimeField()
    notes = models.PositiveIntegerField(default=1)
    first_day = models.DateField(null=True)

    plant_path = "machine__line__plant"
    objects = Scoped.as_manager()

    def __str__(self) -> str:
        return f"{self.machine} stale since {self.since}"
