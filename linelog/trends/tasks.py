"""What the worker does for the evidence."""

from __future__ import annotations

from django.utils import timezone
from django_tasks import task

from linelog.plant.models import Plant
from linelog.trends import refit
from linelog.trends.control.refit import refit_signals
from linelog.trends.due.kept import offer_overtaken
from linelog.trends.due.store import refit_drifts
from linelog.trends.evidence.before_after_fit import fit_before_after
from linelog.trends.evidence.held_fit import fit_held
from linelog.trends.evidence.refits import fit_misalignment
from linelog.trends.ranking.refit import refit_ranking
from linelog.trends.repeats.refit import refit_repeats
from linelog.trends.wall_learned import refit_wall
from linelog.web import jobs, nightly
from linelog.web.models import Job


@task(priority=-10)  # a file that somebody waits for goes first
def refresh(job_id: int) -> None:
    """Work out the stale summaries of a plant, and its models."""
    jobs.run(job_id, lambda tell: refit.refresh(_plant(job_id), timezone.now(), tell))


def _plant(job_id: int) -> Plant:
    plant_id = Job.objects.get(pk=job_id).plant_id
    return Plant.objects.get(pk=plant_id or 0)


jobs.register(refit.KIND, refresh)
refit.register("drift", refit_drifts)
refit.register("repeat problems", refit_repeats)
refit.register("misalignment against rates", fit_misalignment)
refit.register("before and after visits", fit_before_after)
refit.register("static or running", fit_held)
refit.register("ranking", refit_ranking)
refit.register("signals", refit_signals)
refit.register("wall against offset", refit_wall)
jobs.look_after("evidence", refit.offer_left)
jobs.look_after("drift", offer_overtaken)
nightly.register("evidence", refit.refresh)
