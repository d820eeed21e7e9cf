"""Addresses of the fleet, the machines and the search."""

from django.urls import path

from linelog.trends.views import fleet, machine

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
    path(f"{_MACHINE}numbers/<slug:what>.csv", machine.numbers_csv, name="numbers_csv"),
]
