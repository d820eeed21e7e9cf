"""Tables to take away: the page that lists them with their data dictionary, and each as a file."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain

from django.http import FileResponse, Http404, HttpResponse, HttpResponseBase, StreamingHttpResponse
from django.shortcuts import render
from django.urls import resolve, reverse
from django.utils import timezone
from django.utils.http import urlencode
from django.views.decorators.http import require_GET
from django.views.decorators.vary import vary_on_headers

from linelog.plant.requests import Request
from linelog.reports.forms import ChoiceForm
from linelog.reports.tables.asked import Asked
from linelog.reports.tables.files import csv_pieces, not_too_long, parquet, workbook
from linelog.reports.tables.registry import DICTIONARY, TABLES, codes_words, dictionary_of, tables_for
from linelog.reports.tables.table import Column, Extent, Row, Table
from linelog.web.errors import NotAllowed, Refused
from linelog.web.permissions import Permission, may, needs, permission_of

TYPES = {
    "csv": "text/csv; charset=utf-8",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    "parquet": "application/vnd.apache.parquet",
}


@dataclass(frozen=True, slots=True)
class Listed:
    """A table as the page lists it; `query` is the part of the choice that it takes, `why_not` why it has no rows.

    page  address of the page that shows such rows, empty where the person may not open it
    """

    table: Table
    page: str
    query: str
    columns: tuple[tuple[Column, str], ...]
    extent: Extent | None
    why_not: str


@require_GET
@vary_on_headers("HX-Request")
@needs(Permission.VIEW)
def tables(request: Request) -> HttpResponse:
    """List the tables a person may take; how much there is of each comes with what htmx asks for next."""
    form = ChoiceForm(request.GET, user=request.user)
    asked = form.asked(timezone.now())
    if asked is None:
        raise Http404
    good = form.is_valid()
    counted = request.htmx and good
    shown = [_listed(table, request, form, asked if counted else None) for table in tables_for(request.user)]
    context = {
        "form": form,
        "tables": shown,
        "counted": counted,
        "plant": asked.plant,
        "query": request.GET.urlencode(),
    }
    template = "reports/tables.html#tables" if request.htmx else "reports/tables.html"
    return render(request, template, context, status=200 if good else 422)


def _listed(table: Table, request: Request, form: ChoiceForm, asked: Asked | None) -> Listed:
    taken = {"plant": True, "line": table.by_line, "since": table.day, "until": table.day}
    kept = {name: form.data[name] for name, takes in taken.items() if takes and form.data.get(name)}
    extent, why_not = None, ""
    if asked is not None:
        try:
            extent = table.extent(_narrowed(table, asked))
        except Refused as refusal:
            why_not = refusal.message
    columns = tuple((column, codes_words(column)) for column in table.columns)
    page = reverse(table.page)
    permission = permission_of(resolve(page).func)
    may_open = permission is not None and may(request.user, permission)
    return Listed(table, page if may_open else "", urlencode(kept), columns, extent, why_not)


def _narrowed(table: Table, asked: Asked) -> Asked:
    """Return what is asked of a table that may take no line, or no days."""
    days = {"since": asked.since, "until": asked.until} if table.day else {}
    return Asked(asked.plant, at=asked.at, line=asked.line if table.by_line else None, **days)


@require_GET
@needs(Permission.VIEW)
def file(request: Request, name: str, kind: str) -> HttpResponseBase:
    """Send a table as a file."""
    table = TABLES.get(name)
    if table is None or kind not in TYPES:
        raise Http404
    if not may(request.user, table.permission):
        raise NotAllowed("Your role does not open this table.")
    asked = _asked(request, table)
    if kind == "xlsx":
        not_too_long(table.extent(asked).rows)
    batches = _begun(table.rows(asked))
    name = f"{table.name}.{kind}"
    if kind == "csv":
        named = {"Content-Disposition": f'attachment; filename="{name}"'}
        return StreamingHttpResponse(csv_pieces(table.columns, batches), content_type=TYPES[kind], headers=named)
    made = workbook(table, batches) if kind == "xlsx" else parquet(table, batches, asked.plant.timezone)
    return FileResponse(made, as_attachment=True, filename=name, content_type=TYPES[kind])


def _asked(request: Request, table: Table) -> Asked:
    """Return what is asked of a table; what is wrong about it is said in one sentence."""
    form = ChoiceForm(request.GET, user=request.user)
    for errors in form.errors.values():
        raise Refused(str(errors[0]))
    asked = form.asked(timezone.now())
    if asked is None:
        raise Http404
    if (asked.since or asked.until) and not table.day:
        raise Refused(f"The table “{table.title}” is as things stand today: it takes no days.")
    if asked.line and not table.by_line:
        raise Refused(f"The table “{table.title}” is of the whole plant: it takes no line.")
    return asked


def _begun(batches: Iterator[list[Row]]) -> Iterator[list[Row]]:
    """Work out the first batch at once, so that a refusal comes before anything is sent."""
    return chain([next(batches, [])], batches)


@require_GET
@needs(Permission.VIEW)
def dictionary(request: Request) -> HttpResponse:
    """Send the data dictionary of all tables a person may take, as CSV."""
    rows = [row for table in tables_for(request.user) for row in dictionary_of(table)]
    named = {"Content-Disposition": 'attachment; filename="data-dictionary.csv"'}
    return HttpResponse(b"".join(csv_pieces(DICTIONARY, [rows])), content_type=TYPES["csv"], headers=named)
