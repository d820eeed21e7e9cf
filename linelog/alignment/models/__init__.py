"""The log itself: visits, sweeps with their readings, results, moves, photos, amendments."""

from linelog.alignment.models.amended import AmendedReading, AmendedResult
from linelog.alignment.models.bar import BarSetup, SetByFitting
from linelog.alignment.models.bump import BumpTest
from linelog.alignment.models.bushing import BushingClearance, BushingFitted, BushingPosition
from linelog.alignment.models.capture import Capture, CaptureLimit, CaptureValue, Probe, ProbeSetup
from linelog.alignment.models.lockout import Lockout, PersonalLock
from linelog.alignment.models.signature import Signature
from linelog.alignment.models.sweep import Reading, Result, RunningReading, Seat, Stage, Sweep
from linelog.alignment.models.visit import Amendment, MoveMade, Photo, StationNote, Visit

__all__ = [
    "AmendedReading",
    "AmendedResult",
    "Amendment",
    "BarSetup",
    "BumpTest",
    "BushingClearance",
    "BushingFitted",
    "BushingPosition",
    "Capture",
    "CaptureLimit",
    "CaptureValue",
    "Lockout",
    "MoveMade",
    "PersonalLock",
    "Photo",
    "Probe",
    "ProbeSetup",
    "Reading",
    "Result",
    "RunningReading",
    "Seat",
    "SetByFitting",
    "Signature",
    "Stage",
    "StationNote",
    "Sweep",
    "Visit",
]
