"""Addresses of the fleet, the machines and the search."""

from django.urls import path

from linelog.trends.views import (
    before_after,
    bushings,
    evidence,
    findings,
    fleet,
    machine,
    pareto,
    ranking,
    repeats,
    said,
    signals,
    wall,
)

app_name = "trends"

_MACHINE = "machines/<int:pk>/"

urlpatterns = [
    path("", fleet.fleet, name="fleet"),
    path("find/", fleet.find, name="find"),
    path("labels/", fleet.labels, name="labels"),
    path("labels/<int:line_id>/", fleet.labels, name="line_labels"),
    path("m/<int:pk>/", machine.short, name="short"),
    path(_MACHINE, machine.machine, name="machine"),
    path(f"{_MACHINE}figures.json", machine.figures, name="figures"),
    path(f"{_MACHINE}numbers/<slug:what>/", machine.numbers, name="numbers"),
    path("evidence/", evidence.evidence, name="evidence"),
    path("evidence/figures.json", evidence.evidence_figures, name="evidence_figures"),
    path("evidence/before-after/", before_after.before_after, name="before_after"),
    path("evidence/before-after/figures.json", before_after.before_after_figures, name="before_after_figures"),
    path(f"{_MACHINE}evidence/", evidence.machine_evidence, name="machine_evidence"),
    path(f"{_MACHINE}evidence/figures.json", evidence.machine_evidence_figures, name="machine_evidence_figures"),
    path(f"{_MACHINE}numbers/<slug:what>.csv", machine.numbers_csv, name="numbers_csv"),
    path("evidence/ranking/", ranking.ranking, name="ranking"),
    path("evidence/ranking.json", ranking.figures, name="ranking_figures"),
    path("evidence/risk/", said.said, name="said"),
    path("evidence/risk.json", said.figures, name="said_figures"),
    path("evidence/signals/", signals.everything, name="signals"),
    path("evidence/signals/<int:pk>/", signals.one, name="signal"),
    path("evidence/signals/answer/", signals.answer, name="signals_answer"),
    path(f"{_MACHINE}signals/", signals.of_machine, name="machine_signals"),
    path(f"{_MACHINE}signals.json", signals.figures, name="signal_figures"),
    path("evidence/repeats/", repeats.everything, name="repeats"),
    path("evidence/repeats/<int:pk>/", repeats.one, name="repeat"),
    path("evidence/repeats/<int:pk>/take-up/", repeats.take_up, name="repeat_take_up"),
    path("evidence/repeats/taken-up/<int:pk>/", repeats.change, name="take_up"),
    path(f"{_MACHINE}wall/", wall.wall, name="wall"),
    path(f"{_MACHINE}wall.csv", wall.wall_csv, name="wall_csv"),
    path(f"{_MACHINE}wall-figures.json", wall.wall_figures, name="wall_figures"),
    path(f"{_MACHINE}bushings/", bushings.page, name="bushings"),
    path(f"{_MACHINE}bushings.json", bushings.figures, name="bushing_figures"),
    path("findings/", findings.findings, name="findings"),
    path("findings/<int:pk>/", findings.finding, name="finding"),
    path(f"{_MACHINE}findings/", findings.of_machine, name="machine_findings"),
    path("evidence/pareto/", pareto.pareto, name="pareto"),
    path("evidence/pareto/figures.json", pareto.figures, name="pareto_figures"),
]
