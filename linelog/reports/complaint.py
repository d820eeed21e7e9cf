"""The report of a complaint: what was found, which machine made it and when, how that stood, what was done."""

from __future__ import annotations

import datetime as dt
from typing import Any

from linelog.alignment.models import Visit
from linelog.plant.models import Machine
from linelog.production.days import production_day
from linelog.production.models import Finding
from linelog.production.queries import cans_begun
from linelog.reports.paper import Reader, pdf_of
from linelog.trends import words
from linelog.trends.queries.bearers import bearers_of, traced
from linelog.trends.queries.mark_evidence import evidence_for
from linelog.trends.queries.then import read_log
from linelog.trends.then import Compared, Stood, Then, then
from linelog.trends.tracing import Traced
from linelog.web.templatetags.units import count

MOST_PHOTOS = 3
NOTHING = "not written down"
WHOLE_DAYS = (
    "Cans begun on the whole production days of the period. The longer one reaches from the last signed visit before "
    "to the next one after: so long nobody measured the machine."
)
STATIC = (
    "Static offsets from the ram line, in {}. Then: as the pages say, with running values and what is expected when "
    "running. Chance out: of the offset on that day, from the station's own drift, where that is known."
)


def pdf(finding: Finding, reader: Reader) -> bytes:
    """Return the report as a PDF, with the first photos of the finding."""
    photos = {}
    for number, photo in enumerate(finding.photos.all()[:MOST_PHOTOS], start=1):
        with photo.file.open("rb") as file:
            photos[f"photo-{number}.jpg"] = file.read()
    return pdf_of("complaint", reader, {**read(finding, reader), "photos": list(photos)}, photos)


def read(finding: Finding, reader: Reader) -> dict[str, Any]:
    """Return everything on the report but the photos, as text and lists."""
    bearers = bearers_of(finding.plant_id)
    leads = traced(finding, bearers, evidence_for(finding.plant, [finding], bearers))
    record = _record(finding, leads)
    closed = f" on {finding.complaint_closed_on}" if finding.complaint_closed_on else ""
    done = (finding.containment, finding.cause, finding.action)
    names = ("Containment", "Cause", "Action")
    return {
        "number": finding.complaint,
        "status": f"{finding.complaint_status}{closed}",
        "facts": _facts(finding, reader),
        "leads": leads.sentence,
        "doubts": [*leads.doubts, *_odds(leads)],
        "periods": _periods(finding, record, reader) if record else [],
        "periods_rest_on": WHOLE_DAYS,
        "machine": _machine(record, reader) if record else None,
        "done": [[name, text or NOTHING] for name, text in zip(names, done, strict=True)],
    }


def _odds(leads: Traced) -> list[str]:
    return [leads.likely.sentence] if leads.likely is not None and leads.has_odds else []


def _record(finding: Finding, leads: Traced) -> Then | None:
    """Return the record of the machine that it leads to, as the page of the finding shows it."""
    if leads.machine_id is None:
        return None
    machine = Machine.objects.select_related("line__plant").get(pk=leads.machine_id)
    return then(read_log(machine, finding.made_on, finding.made_from, finding.made_to), machine.line.plant)


def _facts(finding: Finding, reader: Reader) -> list[list[str]]:
    quantity = "1 can" if finding.quantity == 1 else f"{count(finding.quantity)} cans"
    made = f"{reader.when(finding.made_from)} to {reader.when(finding.made_to)}, by {finding.get_made_by_display()}"
    facts = [
        ["Customer's reference", finding.customer_reference or "none"],
        ["Defect", f"{finding.code}, {quantity}"],
        ["Found", f"{finding.place}, {finding.found_on}"],
        ["Mark in the dome", f"“{finding.mark}”" if finding.mark else "none"],
        ["Date code", f"“{finding.date_code}”" if finding.date_code else "none"],
        ["Made", made],
        ["Entered", f"{finding.by}, {reader.when(finding.at)}"],
    ]
    others = Finding.objects.filter(plant=finding.plant_id, complaint=finding.complaint).exclude(pk=finding.pk)
    cans = [one.quantity for one in others]
    if cans:
        facts.append(["Other findings of it", f"{words.plural(len(cans), 'finding')}, {count(sum(cans))} cans"])
    return [*facts, ["Note", finding.note]] if finding.note else facts


def _periods(finding: Finding, record: Then, reader: Reader) -> list[list[str]]:
    """Return when the cans may have been made, and how long the machine went unmeasured, with the cans of each."""
    log = record.log
    last_moment = max(finding.made_from, finding.made_to - dt.timedelta(seconds=1))
    spans = [("When it was made", finding.made_from, finding.made_to, finding.made_from, last_moment)]
    begins = log.visits[0].opened_at if log.visits else None
    ends = log.after.opened_at if log.after else reader.at
    if begins is not None:
        spans.append(("Between the visits", begins, ends, begins, ends))
    rows = []
    for name, since, until, first, last in spans:
        days = [production_day(reader.plant, at) for at in (first, last)]
        cans = cans_begun([log.machine.pk], *days).get(log.machine.pk)
        rows.append([name, reader.when(since), reader.when(until), "none counted" if cans is None else count(cans)])
    return rows


def _visit(visit: Visit | None, reader: Reader, none: str) -> str:
    if visit is None:
        return none
    return f"{reader.when(visit.opened_at)}, {visit.get_reason_display().lower()}, signed by {visit.signer}"


def _machine(record: Then, reader: Reader) -> dict[str, Any]:
    log = record.log
    tools = [f"{one.name}, in since {reader.when(one.begins)}" for one in log.tools]
    happened = [f"{reader.when(mark.at)} {mark.label}" for mark in log.happened]
    facts = [
        ["Tooling set", "; ".join(tools) or "none logged"],
        ["Last visit before", _visit(log.visits[0] if log.visits else None, reader, "none signed")],
        ["Next visit after", _visit(log.after, reader, "none yet")],
        ["Happened within a day", "; ".join(happened) or "nothing logged"],
    ]
    return {
        "name": f"{log.machine}, {log.machine.line}",
        "facts": facts,
        "stations": [_station(one, reader) for one in record.stood],
        "rests_on": STATIC.format(reader.unit.label),
        "rates": [[_measure(one), one.week_text, one.usual_text, one.word] for one in record.rates],
    }


def _measure(one: Compared) -> str:
    return f"{one.measure.name}, {one.measure.unit}"


def _station(one: Stood, reader: Reader) -> list[str]:
    sides = [
        f"{reader.um(value.radial_um)} ± {reader.um(value.expanded_um)}" if value else "–"
        for value in (one.before, one.after)
    ]
    return [one.place, one.word, reader.um(one.station.limit_um), *sides, one.risk_percent]
