"""The administrator's tables of the set-up records. People are kept on their own pages: here one looks only."""

from __future__ import annotations

from django.contrib import admin

from linelog.plant.models import (
    Adjuster,
    DefectCode,
    FindingPlace,
    Fitting,
    Line,
    Machine,
    MarkAssignment,
    Person,
    Plant,
    RamSection,
    Shift,
    ShimStock,
    ShimThickness,
    Station,
    Symptom,
    ToolingSet,
    ToolPart,
)
from linelog.web.admin import Kept, LookOnly


@admin.register(Person)
class PersonAdmin(LookOnly):
    """Who may sign in; the hashes of password and PIN are not shown."""

    list_display = ["username", "first_name", "last_name", "role", "plant", "is_active", "last_login"]
    list_filter = ["role", "plant", "is_active"]
    search_fields = ["username", "first_name", "last_name"]
    exclude = ["password", "pin_hash", "groups", "user_permissions"]


@admin.register(Plant)
class PlantAdmin(Kept):
    """Plants and their settings."""

    list_display = ["name", "timezone", "day_starts", "is_invented"]


@admin.register(Machine)
class MachineAdmin(Kept):
    """Machines."""

    list_display = ["name", "line", "kind", "serial"]
    list_filter = ["kind", "line__plant", "line"]
    search_fields = ["name", "serial"]


@admin.register(Station)
class StationAdmin(Kept):
    """Stations of the machines."""

    list_display = ["name", "machine", "order", "z_mm", "limit_um", "is_active"]
    list_filter = ["kind", "machine__line"]
    list_select_related = ["machine"]


admin.site.register([Line, Shift, MarkAssignment, Adjuster, ShimStock, ToolingSet, ToolPart, Fitting], Kept)
admin.site.register([FindingPlace, DefectCode, Symptom], Kept)


@admin.register(ShimThickness)
class ShimThicknessAdmin(Kept):
    """Thicknesses of the shim stocks."""

    list_display = ["stock", "thickness_um"]
    plant_path = "stock__plant"


admin.site.register(RamSection, LookOnly)  # a ram is changed as a whole, on its page
