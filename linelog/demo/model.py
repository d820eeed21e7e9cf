"""The statistical model behind the demonstration plant: pure functions of a numpy Generator.

Drift. Each station has an offset (x, y) from the ram line at its reference z, and an axis slope. Over s million
strokes they move by

    mean * s + walk * sqrt(s) * N(0, 1)            in each axis

a random walk about the machine's own mean drift, in shares of the station's limits. A settling station and a worn
bushing add a drift of their own; a bushing also lets the ram rest a little elsewhere each time it is barred round.
Slopes wander without a mean. A tool change jolts the tool pack, a jam the stations that it strains.

Severity. The worst share of its limit at the tool pack (either seat) or the domer, offset or slope: the figure that
the logbook itself calls severity.

Counts. Per shift, with `cans` begun: tear-offs are negative binomial with mean

    cans * rate * exp(per_severity * severity)     and variance mean + spread * mean**2

spoilage of each cause likewise with its own rate and rise; short cans with the severity of the cup locator and the
redraw sleeve; jams Poisson. The log-linear rise is the form that a Poisson or negative binomial regression fits.

Running. running = static - droop + noise: a ram that hangs while it is swept shows each station high by its droop.

All of it is invented: the sizes make a readable demonstration and were measured nowhere.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linelog.demo.scenario import Cause, Counting, Drift, Plays, Settles, Warms, Wears

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]
USUAL_OIL_C = 41.0
SLOPE_X = 2  # the columns of a state: offset x and y, slope x and y
TEAR_OFF_MINUTES, JAM_MINUTES = 6.0, 9.0  # the machine stands so long, in the mean


@dataclass(frozen=True, slots=True)
class Places:
    """The stations of a machine as the model sees them, n of them in order.

    limits  (n, 4): of offset x and y (um) and of slope x and y (mm/m; 0 where the station has none)
    seats   (m, 3): station number, z of the seat less the station's reference (mm), limit (um)
    share   (n,): how much of the common drift it shows
    """

    names: tuple[str, ...]
    limits: Floats
    seats: Floats
    share: Floats

    def number(self, name: str) -> int | None:
        """Return which station has this name, None where the machine has none of that name."""
        return self.names.index(name) if name in self.names else None


def known(places: Places, names: tuple[str, ...]) -> list[int]:
    """Return the numbers of the stations of these names, as far as the machine has them."""
    return [at for at in map(places.number, names) if at is not None]


def heading(toward_deg: float | Floats) -> Floats:
    """Return the unit vector (x, y) toward a clock direction, (2,), or those of several, (n, 2)."""
    turn = np.radians(toward_deg)
    return np.stack([np.sin(turn), np.cos(turn)], axis=-1)


def start(rng: np.random.Generator, places: Places, drift: Drift, share: float) -> Floats:
    """Return the state of day 0, (n, 4): offsets in um, slopes in mm/m."""
    spread = drift.start * share * places.limits * places.share[:, None]
    spread[:, SLOPE_X:] *= drift.tilt_share
    return rng.normal(size=places.limits.shape) * spread


def mean_drift(
    rng: np.random.Generator, places: Places, drift: Drift, share: float, settles: Settles | None
) -> Floats:
    """Return the machine's own mean drift per million strokes, (n, 4): in a direction of its own at each station."""
    toward = rng.uniform(0.0, 360.0, len(places.names))
    mean = np.zeros_like(places.limits)
    mean[:, :2] = share * drift.mean_per_million * places.limits[:, :2] * heading(toward)
    mean *= places.share[:, None]
    at = places.number(settles.station) if settles else None
    if settles and at is not None:
        mean[at, :2] = settles.per_million * places.limits[at, :2] * heading(settles.toward_deg)
    return mean


def step(
    rng: np.random.Generator, places: Places, drift: Drift, share: float, mean: Floats, million: float
) -> Floats:
    """Return how far the stations move over so many million strokes, (n, 4)."""
    walk = share * drift.walk_per_root_million * places.limits * places.share[:, None]
    walk[:, SLOPE_X:] *= drift.tilt_share
    moved: Floats = mean * million + walk * np.sqrt(million) * rng.normal(size=places.limits.shape)
    return moved


def wear(wears: Wears, part: float, million: float) -> Floats:
    """Return what a worn bushing adds to every station, (2,) um; `part` is how much of the whole time has passed."""
    rate = wears.from_um_per_million + part * (wears.to_um_per_million - wears.from_um_per_million)
    return rate * million * heading(wears.toward_deg)


def rest(rng: np.random.Generator, wears: Wears | None) -> Floats:
    """Return where a loose ram comes to rest this time, (2,) um at every station; zero where it fits."""
    return rng.normal(0.0, wears.scatter_um, 2) if wears else np.zeros(2)


def play(rng: np.random.Generator, places: Places, number: int, plays: Plays | None) -> Floats:
    """Return where a station with clearance lies this time, (2,) um; zero where it has none."""
    if plays is None or places.number(plays.station) != number:
        return np.zeros(2)
    size = plays.share * places.limits[number, 0] * rng.uniform(0.8, 1.2)
    return np.asarray(size * heading(float(rng.uniform(0.0, 360.0))))


def warmth(places: Places, number: int, warms: Warms | None, oil_c: float | None) -> Floats:
    """Return how far the oil's temperature moves a station, (2,) um."""
    if warms is None or oil_c is None or places.number(warms.station) != number:
        return np.zeros(2)
    return np.asarray(warms.um_per_degree * (oil_c - USUAL_OIL_C) * heading(warms.toward_deg))


def jolt(rng: np.random.Generator, places: Places, names: tuple[str, ...], share: float) -> Floats:
    """Return a jump of some stations, (n, 4), in shares of their limits."""
    jump = np.zeros_like(places.limits)
    for at in known(places, names):
        jump[at, :2] = share * places.limits[at, :2] * rng.normal(size=2)
    return jump


def severity(state: Floats, places: Places, names: tuple[str, ...]) -> float:
    """Return the worst share of a limit at some stations, offset at any seat or slope."""
    numbers = known(places, names)
    worst = 0.0
    for station, dz_mm, limit_um in places.seats:
        at = int(station)
        if at in numbers:
            seat = state[at, :2] + state[at, 2:] * dz_mm
            worst = max(worst, float(np.hypot(*seat)) / limit_um)
    for at in numbers:
        if places.limits[at, SLOPE_X] > 0.0:
            worst = max(worst, float(np.hypot(*state[at, 2:])) / float(places.limits[at, SLOPE_X]))
    return worst


def cans(rng: np.random.Generator, days: int, shifts: int, speed_spm: float, plan: Counting, idle: float) -> Whole:
    """Return the strokes of each shift, (days, shifts); 0 for a shift that is not run."""
    uptime = np.clip(rng.normal(plan.uptime, plan.uptime_sd, (days, shifts)), 0.3, 0.97)
    made: Whole = np.rint(uptime * plan.shift_minutes * speed_spm).astype(np.int64)
    made[rng.random((days, shifts)) < idle] = 0
    for first, last in plan.stops:
        made[first : last + 1] = 0
    return made


@dataclass(frozen=True, slots=True)
class ShiftNumbers:
    """The counts of every shift, arrays (days, shifts); `by_cause` holds one for each cause, in their order."""

    begun: Whole
    tear_offs: Whole
    short_cans: Whole
    jams: Whole
    minutes_down: Floats
    by_cause: tuple[Whole, ...]
    spoiled: Whole

    @property
    def good(self) -> Whole:
        """Good cans: what was begun less what was spoiled."""
        return np.asarray(np.maximum(self.begun - self.spoiled, 0))


def scattered(rng: np.random.Generator, mean: Floats, spread: float) -> Whole:
    """Return counts of this mean with variance mean + spread * mean**2: negative binomial."""
    size = 1.0 / spread
    return np.asarray(np.where(mean > 0.0, rng.negative_binomial(size, size / (size + mean)), 0), dtype=np.int64)


def shift_numbers(
    rng: np.random.Generator,
    begun: Whole,
    severities: Floats,
    feeding: Floats,
    plan: Counting,
    causes: tuple[Cause, ...],
    tear_off_share: float,
) -> ShiftNumbers:
    """Return the counts of every shift.

    severities, feeding  (days,): of the tools and the domer; of the cup locator and the redraw sleeve
    tear_off_share       how many times the usual rate this machine tears off, whatever its alignment
    """
    million = begun / 1e6
    rise, fed = severities[:, None], feeding[:, None]
    torn = plan.tear_offs_per_million * tear_off_share * million * np.exp(plan.tear_offs_per_severity * rise)
    tear_offs = scattered(rng, torn, plan.tear_off_spread)
    short = scattered(
        rng, plan.short_cans_per_million * million * np.exp(plan.short_cans_per_severity * fed), plan.tear_off_spread
    )
    counted = {"TEAR": tear_offs, "SHORT": short}
    named = tuple(
        counted[cause.code]
        if cause.code in counted
        else scattered(rng, cause.per_million * million * np.exp(cause.per_severity * rise), plan.spoilage_spread)
        for cause in causes
    )
    unnamed = scattered(rng, plan.unnamed_per_million * million, plan.spoilage_spread)
    ran = begun > 0
    jams = np.where(ran, rng.poisson(plan.jams_per_shift + plan.jams_per_tear_off * tear_offs), 0)
    other = rng.gamma(2.0, plan.other_minutes_down / 2.0, begun.shape) * ran
    minutes = tear_offs * TEAR_OFF_MINUTES * rng.gamma(9.0, 1.0 / 9.0, begun.shape) + jams * JAM_MINUTES + other
    down = np.minimum(np.round(minutes, 1), plan.shift_minutes)
    return ShiftNumbers(begun, tear_offs, short, jams, down, named, sum(named, start=unnamed))


def running(rng: np.random.Generator, static: Floats, droop_um: float, noise_um: float) -> Floats:
    """Return a running offset, (2,) um, from the static one of the hanging ram."""
    return np.asarray(static - np.array([0.0, droop_um]) + rng.normal(0.0, noise_um, 2))
