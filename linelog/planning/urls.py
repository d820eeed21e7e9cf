"""Addresses of the plan."""

from django.urls import path

from linelog.planning.views import calendars, machine, plan, stops

app_name = "planning"

urlpatterns = [
    path("", plan.plan, name="plan"),
    path("accept/<int:plant_id>/", plan.accept, name="accept"),
    path("crew/<int:plant_id>/", plan.crew, name="crew"),
    path("entries/<int:pk>/", plan.change, name="change"),
    path("entries/<int:pk>/take-out/", plan.take_out, name="take_out"),
    path("machines/<int:pk>/", machine.machine, name="machine"),
    path("machines/<int:pk>/add/", plan.add, name="add"),
    path("machines/<int:pk>/figures.json", machine.figures, name="figures"),
    path("machines/<int:pk>/sheet.pdf", machine.sheet, name="sheet"),
    path("stops/add/<int:plant_id>/", stops.add, name="add_stop"),
    path("stops/<int:pk>/", stops.stop, name="stop"),
    path("calendars/", calendars.calendars, name="calendars"),
    path("calendars/<int:pk>/revoke/", calendars.revoke, name="revoke"),
    path("display/<str:secret>/", calendars.display, name="display"),
    path("calendar/<str:secret>.ics", calendars.feed, name="feed"),
]
