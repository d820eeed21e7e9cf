"""Findings: entered, corrected, taken out, and their photos."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

from django.core.files.uploadedfile import UploadedFile
from django.db import transaction

from linelog.plant.models import DefectCode, FindingPlace, Machine, Plant
from linelog.production.made import Told, made
from linelog.production.models import Finding, FindingPhoto
from linelog.production.questions import ask, refuse_impossible_code
from linelog.web import audit, followers, writes
from linelog.web.errors import Conflict, NotAllowed, Refused
from linelog.web.permissions import Permission, may
from linelog.web.pictures import Picture, reencoded

MOST_PHOTOS = 8
MOST_CANS = 10_000_000
COUNTED_BY = ("made_on", "code_id", "mark", "machine_id")  # what says of which machine, day and defect it is


@dataclass(frozen=True, slots=True)
class Facts:
    """What is typed of a finding."""

    place: FindingPlace
    code: DefectCode
    quantity: int
    told: Told
    mark: str = ""
    machine: Machine | None = None
    note: str = ""
    complaint: str = ""
    complaint_closed_on: dt.date | None = None
    customer_reference: str = ""
    containment: str = ""
    cause: str = ""
    action: str = ""

    def content(self) -> list[Any]:
        """Return what makes two sendings the same."""
        machine = self.machine.pk if self.machine else None
        told = self.told
        when = [told.found_on, told.made_on, told.made_time, told.date_code]
        complaint = [self.complaint, self.complaint_closed_on, *self.follow_up.values()]
        return [self.place.pk, self.code.pk, self.quantity, *when, self.mark, machine, self.note, *complaint]

    @property
    def follow_up(self) -> dict[str, str]:
        """What was written of the complaint besides its number, by column."""
        return {name: getattr(self, name) for name in ("customer_reference", "containment", "cause", "action")}


def _check(by: Any, plant_id: int, facts: Facts | None = None) -> None:
    if not may(by, Permission.TRACE):
        raise NotAllowed("Your role may look at findings but not change them.")
    if by.plant_id not in (None, plant_id):
        raise NotAllowed("This is not of your plant.")
    if facts is None:
        return
    if not 1 <= facts.quantity <= MOST_CANS:
        raise Refused(f"Give how many cans, from 1 to {MOST_CANS:,}.".replace(",", " "), field="quantity")
    if plant_id not in (facts.place.plant_id,):
        raise Refused("This place belongs to another plant.", field="place")
    if facts.code.plant_id != plant_id:
        raise Refused("This code belongs to another plant.", field="code")
    if facts.machine is not None and facts.machine.line.plant_id != plant_id:
        raise Refused("This machine belongs to another plant.", field="machine")
    if facts.complaint_closed_on is not None and not facts.complaint:
        raise Refused("Give the number of the complaint that was closed.", field="complaint")
    if any(facts.follow_up.values()) and not facts.complaint:
        raise Refused("Give the number of the complaint that this was done about.", field="complaint")


def _columns(plant: Plant, facts: Facts, at: dt.datetime) -> dict[str, Any]:
    when = made(plant, facts.told, at)
    return {
        "place": facts.place,
        "code": facts.code,
        "quantity": facts.quantity,
        "found_on": facts.told.found_on,
        "mark": facts.mark,
        "machine": facts.machine,
        "date_code": facts.told.date_code,
        "made_time": facts.told.made_time,
        "made_by": when.by,
        "made_on": when.on,
        "made_from": when.begins,
        "made_to": when.ends,
        "note": facts.note,
        "complaint": facts.complaint,
        "complaint_closed_on": facts.complaint_closed_on,
        **facts.follow_up,
    }


def enter(
    *,
    by: Any,
    at: dt.datetime,
    plant: Plant,
    facts: Facts,
    photo: UploadedFile[Any] | None = None,
    key: str = "",
    answered: Collection[str] | None = None,
) -> Finding:
    """Enter a finding, with a photo if there is one; sent twice under its key it is stored once.

    answered  marks of the questions that its person answered; None where there is nobody to ask. A question that is
              still open raises `AsksFirst`, and nothing is stored.
    """
    _check(by, plant.pk, facts)
    finding = Finding(plant=plant, by=by, at=at, **_columns(plant, facts, at))
    refuse_impossible_code(plant, finding)
    picture = reencoded(photo) if photo else None

    def write() -> int:
        if answered is not None:
            ask(plant, finding, answered)
        finding.save(force_insert=True)
        audit.record(by=by, action="entered", obj=finding, at=at, after=audit.snapshot(finding), plant_id=plant.pk)
        if picture:
            _keep(finding, picture, by, at)
        _tell(finding, finding.made_on, at)
        return finding.pk

    content = [*facts.content(), picture.sha256 if picture else ""]
    return Finding.objects.get(pk=writes.once(by=by, key=key, content=content, at=at, write=write))


def correct(*, by: Any, at: dt.datetime, finding: Finding, version: int, facts: Facts) -> Finding:
    """Correct a finding; Conflict where somebody was quicker."""
    _check(by, finding.plant_id, facts)
    columns = _columns(finding.plant, facts, at)
    refuse_impossible_code(finding.plant, Finding(plant=finding.plant, **columns))
    with transaction.atomic():
        fresh = _locked(finding)
        if fresh.version != version:
            raise Conflict(
                "This finding was changed by somebody else meanwhile; yours is not stored yet.", theirs=fresh
            )
        before, was = audit.snapshot(fresh), _counted(fresh)
        for name, value in columns.items():
            setattr(fresh, name, value)
        fresh.version += 1
        fresh.save(update_fields=[*columns, "version"])
        after = audit.snapshot(fresh)
        audit.record(by=by, action="corrected", obj=fresh, at=at, before=before, after=after, plant_id=fresh.plant_id)
        if _counted(fresh) != was:
            _tell(fresh, min(was[0], fresh.made_on), at)
    return fresh


def _counted(finding: Finding) -> tuple[Any, ...]:
    return tuple(getattr(finding, name) for name in COUNTED_BY)


def _tell(finding: Finding, first_day: dt.date, at: dt.datetime) -> None:
    """Tell whoever rests on findings, in the caller's transaction; a mark names no machine before it is weighed."""
    machines = [finding.machine_id] if finding.machine_id else []
    followers.tell(followers.FINDINGS, plant_id=finding.plant_id, machines=machines, at=at, first_day=first_day)


def _locked(finding: Finding) -> Finding:
    fresh = Finding.objects.select_for_update(of=("self",)).filter(pk=finding.pk).first()
    if fresh is None:
        raise Conflict("This finding was taken out by somebody else meanwhile.")
    return fresh


def take_out(*, by: Any, at: dt.datetime, finding: Finding, version: int) -> None:
    """Take out a finding that was entered in error, and its photos; the history keeps what it said."""
    _check(by, finding.plant_id)
    with transaction.atomic():
        fresh = _locked(finding)
        if fresh.version != version:
            raise Conflict("This finding was changed by somebody else meanwhile: look at it again.", theirs=fresh)
        before = audit.snapshot(fresh)
        audit.record(by=by, action="took out", obj=fresh, at=at, before=before, plant_id=fresh.plant_id)
        _tell(fresh, fresh.made_on, at)
        fresh.delete()


def add_photo(*, by: Any, at: dt.datetime, finding: Finding, upload: UploadedFile[Any]) -> FindingPhoto:
    """Keep a photo with a finding; the same picture again is the same photo."""
    _check(by, finding.plant_id)
    picture = reencoded(upload)
    with transaction.atomic():
        fresh = _locked(finding)
        there = fresh.photos.filter(sha256=picture.sha256).first()
        if there:
            return there
        if fresh.photos.count() >= MOST_PHOTOS:
            raise Refused(f"A finding has {MOST_PHOTOS} photos at most.", field="photo")
        return _keep(fresh, picture, by, at)


def _keep(finding: Finding, picture: Picture, by: Any, at: dt.datetime) -> FindingPhoto:
    size = {"width": picture.width, "height": picture.height}
    photo = FindingPhoto(finding=finding, sha256=picture.sha256, by=by, at=at, **size)
    photo.file.save(picture.name, picture.file(), save=False)
    photo.save(force_insert=True)
    after = audit.snapshot(photo)
    audit.record(by=by, action="added photo", obj=photo, at=at, after=after, plant_id=finding.plant_id)
    return photo
