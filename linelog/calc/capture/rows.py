"""A run of samples as they come from the file, and the checks that every sample passes on its way in."""

from dataclasses import dataclass, field, replace
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from linelog.calc.errors import CalcError
from linelog.calc.require import Floats

#: More than this share of repeated time stamps and the clock of the file is not to be trusted; no source.
MOST_REPEATED = 0.001
ABSURD = 1e9
#: Nobody records a ram faster, or sees a stroke at all slower; what lies outside is a wrong unit. No source.
FASTEST_STEP_S = 2e-6
SLOWEST_STEP_S = 0.05


class TimeUnit(Enum):
    """The unit of the time column."""

    SECOND = "s"
    MILLISECOND = "ms"
    MICROSECOND = "us"

    @property
    def seconds(self) -> float:
        """Seconds in one of this unit."""
        return {"s": 1.0, "ms": 1e-3, "us": 1e-6}[self.value]


@dataclass(frozen=True, slots=True)
class Signals:
    """Names of the columns beside the probes, and where their zeros lie.

    `phase` is the crank angle in degrees and reads `phase_at_rear_deg` at the rear dead centre; `pulse` comes once a
    stroke and rises at crank angle `pulse_at_deg` (0 = rear dead centre). With both, the phase is used.
    """

    time: str = "time"
    time_unit: TimeUnit = TimeUnit.SECOND
    phase: str | None = None
    phase_at_rear_deg: float = 0.0
    pulse: str | None = None
    pulse_at_deg: float = 0.0
    temperature: str | None = None

    @property
    def columns(self) -> tuple[str, ...]:
        """Every column named, time first."""
        extra = (self.phase, self.pulse, self.temperature)
        return (self.time, *(name for name in extra if name is not None))


@dataclass(frozen=True, slots=True)
class Rows:
    """Consecutive samples: time in s (n), probes in file units (k, n), the other signals (n) where there are any.

    `first` is the number of the first sample in the file, counted in `unit` ('line' or 'row'); `done` is the share
    of the file read when these came. Missing samples are NaN.
    """

    time_s: Floats
    probes: Floats
    phase: Floats | None = None
    pulse: Floats | None = None
    temperature: Floats | None = None
    first: int = 1
    unit: str = "row"
    done: float = 0.0

    def __len__(self) -> int:
        return int(self.time_s.size)

    def where(self, index: int) -> str:
        """Name the place of a sample in the file, to begin a sentence with."""
        return f"{self.unit.capitalize()} {self.first + index:,}"

    def pick(self, which: slice | NDArray[np.bool_]) -> "Rows":
        """Return the samples that `which` picks; numbering is kept for a slice from the start only."""
        return replace(
            self,
            time_s=self.time_s[which],
            probes=self.probes[:, which],
            phase=None if self.phase is None else self.phase[which],
            pulse=None if self.pulse is None else self.pulse[which],
            temperature=None if self.temperature is None else self.temperature[which],
        )

    def follow(self, after: "Rows") -> "Rows":
        """Return these samples and those after them as one."""
        return replace(
            self,
            time_s=np.concatenate([self.time_s, after.time_s]),
            probes=np.concatenate([self.probes, after.probes], axis=1),
            phase=_joined(self.phase, after.phase),
            pulse=_joined(self.pulse, after.pulse),
            temperature=_joined(self.temperature, after.temperature),
            done=after.done,
        )


def _joined(first: Floats | None, then: Floats | None) -> Floats | None:
    return None if first is None or then is None else np.concatenate([first, then])


@dataclass(slots=True)
class Intake:
    """Checks rows in order and keeps what is known of the clock of the file. Times in s."""

    columns: tuple[str, ...]
    rows: int = 0
    start_s: float = 0.0
    end_s: float = 0.0
    step_s: float = 0.0
    repeated: int = 0
    first_repeated: str = ""
    gaps: int = 0
    longest_gap_s: float = 0.0
    first_gap_s: float = 0.0
    notes: list[str] = field(default_factory=list)

    def check(self, rows: Rows) -> Rows:
        """Return the rows without repeated time stamps; raise `CalcError` with the place of what cannot be used."""
        self._check_numbers(rows)
        rows = self._in_order(rows)
        if len(rows):
            self.start_s = self.start_s if self.rows else float(rows.time_s[0])
            self.end_s = float(rows.time_s[-1])
        self.rows += len(rows)
        return rows

    def finish(self) -> None:
        """Raise `CalcError` where the whole file shows a clock that cannot be trusted, or no samples."""
        if self.rows < 2:
            raise CalcError("The file has no samples.", field="file")
        if self.repeated > max(20, MOST_REPEATED * self.rows):
            raise CalcError(
                f"{self.first_repeated} has the same time as the sample before it, and so have {self.repeated - 1:,} "
                "more: the time stamps are too coarse or the file was joined wrongly.",
                field="file",
            )

    def _check_numbers(self, rows: Rows) -> None:
        missing = np.isnan(rows.time_s)
        if missing.any():
            raise CalcError(f"{rows.where(int(missing.argmax()))} has no time.", field="file")
        for name, values in [("time", rows.time_s), *zip(self.columns, rows.probes, strict=True)]:
            # One pass each; NaN (a missing sample) compares as False and is let through.
            limit = np.inf if name == "time" else ABSURD
            if len(rows) and (np.fmax.reduce(values) >= limit or np.fmin.reduce(values) <= -limit):
                index = int((np.abs(values) >= limit).argmax())
                raise CalcError(
                    f"{rows.where(index)}, column {name}: {values[index]:g} is no reading of a probe.", field="file"
                )

    def _in_order(self, rows: Rows) -> Rows:
        if not len(rows):
            return rows
        step = np.empty(len(rows))
        np.subtract(rows.time_s[1:], rows.time_s[:-1], out=step[1:])
        step[0] = rows.time_s[0] - self.end_s if self.rows else np.median(step[1:]) if len(rows) > 1 else 1.0
        if step.min() < 0.0:
            index = int((step < 0.0).argmax())
            raise CalcError(
                f"{rows.where(index)}: time runs backwards, from {rows.time_s[index] - step[index]:.6g} s to "
                f"{rows.time_s[index]:.6g} s; the samples must be in order.",
                field="file",
            )
        again = step == 0.0 if step.min() == 0.0 else None
        self._note_gaps(rows, step)
        return rows if again is None else self._without(rows, again)

    def _without(self, rows: Rows, again: NDArray[np.bool_]) -> Rows:
        self.first_repeated = self.first_repeated or rows.where(int(again.argmax()))
        self.repeated += int(again.sum())
        return rows.pick(~again)

    def _note_gaps(self, rows: Rows, step: Floats) -> None:
        if not self.step_s and len(rows) > 1:
            between = step[step > 0.0]
            self.step_s = float(np.median(between)) if between.size else 0.0
            _check_step(self.step_s)
        if self.step_s and step.max() > 1.5 * self.step_s:
            at = np.flatnonzero(step > 1.5 * self.step_s)
            if not self.gaps:
                self.first_gap_s = float(rows.time_s[at[0]] - step[at[0]])
            self.gaps += int(at.size)
            self.longest_gap_s = max(self.longest_gap_s, float(step.max()))


def _check_step(step_s: float) -> None:
    if step_s and not FASTEST_STEP_S <= step_s <= SLOWEST_STEP_S:
        raise CalcError(
            f"Samples come every {step_s * 1e6:.3g} µs, which is no speed to record a stroke at: "
            "check the unit of the time column.",
            field="time_unit",
        )


def missing_columns(wanted: tuple[str, ...], found: tuple[str, ...]) -> CalcError:
    """Return the error that names the columns a file lacks and those it has."""
    lacks = ", ".join(name for name in wanted if name not in found)
    has = ", ".join(name[:40] for name in found[:12]) + (" ..." if len(found) > 12 else "")
    return CalcError(f"The file has no column {lacks}; its columns are {has}.", field="file")


def in_seconds(rows: Rows, unit: TimeUnit) -> Rows:
    """Return rows whose time was in `unit` with time in s."""
    return rows if unit is TimeUnit.SECOND else replace(rows, time_s=rows.time_s * unit.seconds)
