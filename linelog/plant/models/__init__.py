"""The set-up records: plants and their settings, people, machines with their stations, tooling."""

from linelog.plant.models.adjusters import Adjuster, ShimStock, ShimThickness
from linelog.plant.models.limits import LimitRule
from linelog.plant.models.lockout import LockoutProcedure
from linelog.plant.models.machine import Line, Machine, MarkAssignment, Station
from linelog.plant.models.people import Person
from linelog.plant.models.plant import Plant, Shift
from linelog.plant.models.ram import RamSection
from linelog.plant.models.tooling import Fitting, ToolingSet, ToolPart
from linelog.plant.models.tracing import DefectCode, FindingPlace, Symptom

__all__ = [
    "Adjuster",
    "DefectCode",
    "FindingPlace",
    "Fitting",
    "LimitRule",
    "Line",
    "LockoutProcedure",
    "Machine",
    "MarkAssignment",
    "Person",
    "Plant",
    "RamSection",
    "Shift",
    "ShimStock",
    "ShimThickness",
    "Station",
    "Symptom",
    "ToolPart",
    "ToolingSet",
]
