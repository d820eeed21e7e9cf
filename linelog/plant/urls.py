"""Addresses of the plant set-up."""

from django.urls import path

from linelog.plant.views import limits, lockout, machine, ram, site, station, tooling, tracing

app_name = "plant"

_PLANT = "plants/<int:plant_id>/"
_MACHINE = "machines/<int:machine_id>/"
_STATION = "stations/<int:station_id>/"
_SET = "sets/<int:set_id>/"

urlpatterns = [
    path("", site.setup, name="setup"),
    path("other/", site.other, name="other"),
    path("plants/add/", site.add_plant, name="add_plant"),
    path(_PLANT, site.plant, name="plant"),
    path(f"{_PLANT}settings/", site.settings, name="settings"),
    path(f"{_PLANT}lockout/", lockout.of_plant, name="lockout"),
    path(f"{_PLANT}shifts/add/", site.add_shift, name="add_shift"),
    path("shifts/<int:shift_id>/", site.shift, name="shift"),
    path(f"{_PLANT}lines/add/", site.add_line, name="add_line"),
    path("lines/<int:line_id>/", site.line, name="line"),
    path(f"{_PLANT}stocks/add/", site.add_stock, name="add_stock"),
    path("stocks/<int:stock_id>/", site.stock, name="stock"),
    path(f"{_PLANT}limits/add/", limits.add_rule, name="add_limit_rule"),
    path("limits/<int:rule_id>/", limits.rule, name="limit_rule"),
    path(f"{_PLANT}machines/add/", machine.add_machine, name="add_machine"),
    path(_MACHINE, machine.machine, name="machine"),
    path(f"{_MACHINE}edit/", machine.machine_edit, name="machine_edit"),
    path(f"{_MACHINE}ram/", ram.edit, name="ram"),
    path(f"{_MACHINE}lockout/", lockout.of_machine, name="machine_lockout"),
    path(f"{_MACHINE}moves-for/", ram.moves_for, name="moves_for"),
    path(f"{_MACHINE}copy/", machine.machine_copy, name="machine_copy"),
    path(f"{_MACHINE}marks/add/", machine.add_mark, name="add_mark"),
    path("marks/<int:mark_id>/", machine.mark, name="mark"),
    path(f"{_MACHINE}stations/add/", station.add_station, name="add_station"),
    path(_STATION, station.station, name="station"),
    path(f"{_STATION}move/", station.station_move, name="station_move"),
    path(f"{_STATION}active/", station.station_active, name="station_active"),
    path(f"{_STATION}adjusters/add/<slug:kind>/", station.add_adjuster, name="add_adjuster"),
    path("adjusters/<int:adjuster_id>/", station.adjuster, name="adjuster"),
    path(f"{_PLANT}sets/add/", tooling.add_set, name="add_set"),
    path(_SET, tooling.tooling_set, name="tooling_set"),
    path(f"{_SET}edit/", tooling.set_edit, name="set_edit"),
    path(f"{_SET}fit/", tooling.fit, name="fit"),
    path("fittings/<int:fitting_id>/remove/", tooling.take_off, name="take_off"),
    path(f"{_PLANT}findings/", tracing.tracing, name="tracing"),
    path(f"{_PLANT}places/add/", tracing.add_place, name="add_place"),
    path("places/<int:place_id>/", tracing.place, name="place"),
    path(f"{_PLANT}codes/add/", tracing.add_code, name="add_code"),
    path("codes/<int:code_id>/", tracing.code, name="code"),
    path("codes/<int:code_id>/symptoms/add/", tracing.add_symptom, name="add_symptom"),
    path("symptoms/<int:symptom_id>/", tracing.symptom, name="symptom"),
]
