"""Addresses of the log."""

from django.urls import path

from linelog.alignment.views import (
    bar,
    bushings,
    captures,
    entry,
    line,
    photos,
    probes,
    ram,
    reconciled,
    station,
    visits,
)

app_name = "alignment"

_VISIT = "<int:visit_id>/"
_CAPTURE = "captures/<int:capture_id>/"
_STATION = f"{_VISIT}stations/<int:station_id>/"

urlpatterns = [
    path("", visits.visit_list, name="visits"),
    path("open/<int:machine_id>/", visits.open_visit, name="open"),
    path(_VISIT, visits.visit, name="visit"),
    path(f"{_VISIT}edit/", visits.edit, name="edit"),
    path(f"{_VISIT}lockout/", visits.lockout, name="lockout"),
    path(f"{_VISIT}sign/", visits.sign, name="sign"),
    path(f"{_VISIT}drop/", visits.drop, name="drop"),
    path(f"{_VISIT}amend/", visits.amend, name="amend"),
    path(f"{_VISIT}photos/", photos.add, name="add_photo"),
    path(f"{_VISIT}bar/", bar.page, name="bar"),
    path(f"{_VISIT}bar/set-up/", bar.set_up, name="bar_set_up"),
    path(f"{_VISIT}bar/fitting/", bar.fitting, name="bar_fitting"),
    path("photos/<int:photo_id>/", photos.show, name="photo"),
    path(_STATION, station.page, name="station"),
    path(f"{_STATION}reading/", entry.reading, name="reading"),
    path(f"{_STATION}sweep/", entry.sweep, name="sweep"),
    path(f"{_STATION}accept/", entry.accept, name="accept"),
    path(f"{_STATION}moves/", entry.move, name="move"),
    path(f"{_STATION}moves/advised/", entry.advised, name="advised"),
    path(f"{_STATION}moves/<int:move_id>/back/", entry.move_back, name="move_back"),
    path(f"{_STATION}packs/<int:adjuster_id>/", entry.count_pack, name="count_pack"),
    path(f"{_STATION}untouched/", entry.untouched, name="untouched"),
    path(f"{_STATION}note/", entry.note, name="note"),
    path(f"{_STATION}running/", entry.running, name="running"),
    path(f"{_STATION}clearance/", bushings.clearance, name="clearance"),
    path(f"{_STATION}position/", bushings.position, name="position"),
    path(f"{_STATION}fitted/", bushings.fitted, name="fitted"),
    path("ram/<int:machine_id>/", ram.page, name="ram"),
    path("ram/<int:machine_id>/figures/", ram.figures, name="ram_figures"),
    path("line/<int:machine_id>/", line.page, name="line"),
    path("running/<int:machine_id>/", reconciled.page, name="reconciled"),
    path("running/<int:machine_id>/figures/", reconciled.figures, name="reconciled_figures"),
    path("captures/of/<int:machine_id>/", captures.captures, name="captures"),
    path("captures/of/<int:machine_id>/send/", captures.send, name="capture_send"),
    path("captures/of/<int:machine_id>/probes/", probes.add, name="probe_setup_add"),
    path("captures/probes/<int:setup_id>/", probes.edit, name="probe_setup"),
    path("captures/limits/<int:plant_id>/", probes.limits, name="capture_limits"),
    path(_CAPTURE, captures.capture, name="capture"),
    path(f"{_CAPTURE}figures/", captures.figures, name="capture_figures"),
    path(f"{_CAPTURE}numbers/", captures.numbers_csv, name="capture_numbers"),
    path(f"{_CAPTURE}file/", captures.original, name="capture_file"),
    path(f"{_CAPTURE}cancel/", captures.cancel, name="capture_cancel"),
    path(f"{_CAPTURE}again/", captures.again, name="capture_again"),
    path(f"{_CAPTURE}aside/", captures.aside, name="capture_aside"),
    path(f"{_CAPTURE}join/", captures.join, name="capture_join"),
    path(f"{_CAPTURE}leave/", captures.leave, name="capture_leave"),
]
