"""The log itself: visits, sweeps with their readings, results, moves, photos, amendments."""

from linelog.alignment.models.capture import Capture, CaptureLimit, CaptureValue, Probe, ProbeSetup
from linelog.alignment.models.sweep import Reading, Result, RunningReading, Seat, Stage, Sweep
from linelog.alignment.models.visit import Amendment, MoveMade, Photo, StationNote, Visit

__all__ = [
    "Amendment",
    "Capture",
    "CaptureLimit",
    "CaptureValue",
    "MoveMade",
    "Photo",
    "Probe",
    "ProbeSetup",
    "Reading",
    "Result",
    "RunningReading",
    "Seat",
    "Stage",
    "StationNote",
    "Sweep",
    "Visit",
]
