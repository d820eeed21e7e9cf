"""Problems that come back: the list, one of them, and what was done about it."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods

from linelog.plant.requests import Request
from linelog.trends.models.repeats import RepeatProblem
from linelog.trends.repeats import queries, said, services
from linelog.trends.repeats.drawing import face
from linelog.trends.repeats.forms import ChangeForm, TakeUpForm
from linelog.trends.repeats.shown import Line, line, shown
from linelog.web import units
from linelog.web.errors import Conflict, Refused
from linelog.web.permissions import Permission, may, needs

ROWS_A_PAGE = 40


@require_GET
@needs(Permission.VIEW)
def everything(request: Request) -> HttpResponse:
    """List the problems, what needs somebody first."""
    page = Paginator(queries.listed(request.user), ROWS_A_PAGE).get_page(request.GET.get("page"))
    rows: list[Line] = [line(problem) for problem in page.object_list]
    context = {"page": page, "rows": rows, "plant": request.user.plant}
    return render(request, "trends/repeats.html", context)


@require_GET
@needs(Permission.VIEW)
def one(request: Request, pk: int) -> HttpResponse:
    """Show a problem: how often, which way, how fast, what it usually means, and what was done."""
    problem = queries.problem_for(request.user, pk)
    first = {"owner": request.user.pk}  # who takes it up sees to it, unless they say otherwise
    return _page(request, problem, TakeUpForm(plant=problem.machine.line.plant, initial=first))


def _page(request: Request, problem: RepeatProblem, form: TakeUpForm, status: int = 200) -> HttpResponse:
    look = queries.look(problem, timezone.now())
    context: dict[str, Any] = {
        "problem": problem,
        "line": line(problem),
        "look": look,
        "face": face(look),
        "shown": shown(look, units.of(request.user)),
        "back": said.whether_back(look) if look.take_ups else "",
        "form": form,
        "may_follow_up": may(request.user, Permission.FOLLOW_UP),
    }
    return render(request, "trends/repeat.html", context, status=status)


@require_http_methods(["GET", "POST"])
@needs(Permission.FOLLOW_UP)
def take_up(request: Request, pk: int) -> HttpResponse:
    """Note what was found and done about a problem."""
    problem = queries.problem_for(request.user, pk)
    if request.method == "GET":
        return redirect("trends:repeat", pk)
    form = TakeUpForm(request.POST, plant=problem.machine.line.plant)
    if form.is_valid():
        try:
            services.take_up(
                by=request.user,
                at=timezone.now(),
                problem=problem,
                said=form.words(),
                key=form.cleaned_data["key"],
            )
        except Refused as refusal:
            form.add_error(refusal.field if refusal.field in form.fields else None, refusal.message)
        else:
            messages.success(request, "Taken up. Once something is done, this page says whether it comes back.")
            return redirect("trends:repeat", pk)
    return _page(request, problem, form, status=422)


@require_http_methods(["GET", "POST"])
@needs(Permission.FOLLOW_UP)
def change(request: Request, pk: int) -> HttpResponse:
    """Put right what was noted."""
    taken = queries.take_up_for(request.user, pk)
    fields = ("owner", "due_on", "cause_found", "action", "action_on", "version")
    begun = {name: getattr(taken, name) for name in fields}
    plant = taken.problem.machine.line.plant
    form = ChangeForm(request.POST if request.method == "POST" else None, plant=plant, initial=begun)
    theirs, status = None, 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            version = form.cleaned_data["version"]
            try:
                services.change(by=request.user, at=timezone.now(), taken=taken, said=form.words(), version=version)
            except Conflict as conflict:
                theirs, status = conflict.theirs, conflict.status
                form.data = {**request.POST.dict(), "version": theirs.version}
            except Refused as refusal:
                form.add_error(refusal.field if refusal.field in form.fields else None, refusal.message)
            else:
                messages.success(request, "Changed.")
                return redirect("trends:repeat", taken.problem_id)
    return render(request, "trends/take_up.html", {"taken": taken, "form": form, "theirs": theirs}, status=status)
