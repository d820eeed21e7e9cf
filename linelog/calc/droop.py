"""How the ram hangs: deflection and slope at every z, for every ram position.

The ram is a stepped hollow beam that slides through two bushings which stay where they are; its weight, the punch and
what hangs on its nose bend it, and the clearance in the bushings lets it tip. All heights are from the line through
the two bushing centres, positive up: a hanging ram has negative deflection, and its droop is the negative of that.
An indicator carried on it sees a component high by the droop: running offset = static offset + deflection.

Frame: z forward from the front edge of the front bushing, in mm; the ram's position is the z of its nose (front end).
Sources: see beam.py for the bending; the tipping is rigid-body geometry; standard gravity is 9.80665 m/s2 (3rd CGPM,
1901).
"""

import math
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from linelog.calc.beam import Beam, make_beam, reactions, resting
from linelog.calc.errors import CalcError
from linelog.calc.require import Floats, above, number, numbers

GRAVITY = 9.80665
FAR_MM = 20_000.0
ROUNDING_MM = 1e-6


class Side(IntEnum):
    """Where the ram touches its bushing; FILM is a ram carried by its oil film and touching nothing."""

    BOTTOM = -1
    FILM = 0
    TOP = 1


@dataclass(frozen=True, slots=True)
class Section:
    """A length of ram with one outside and one bore; density in kg/m3, modulus of elasticity in GPa."""

    length_mm: float
    outside_mm: float
    bore_mm: float
    density_kg_per_m3: float
    modulus_gpa: float


@dataclass(frozen=True, slots=True)
class Mass:
    """What the ram carries without being stiffened by it: a punch, a bolt, a yoke.

    Spread evenly over `length_mm`, or at one point where that is zero; `behind_nose_mm` is from the ram's nose back
    to its front edge.
    """

    name: str
    kg: float
    behind_nose_mm: float
    length_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Bushing:
    """Where a bushing bears (z), its clearance on diameter, and the stiffness of its oil film if it has one.

    With a film the ram rides (load / stiffness) from the centre until it touches; without one it lies on the side it
    is pressed to.
    """

    z_mm: float
    clearance_um: float
    film_n_per_um: float | None = None


@dataclass(frozen=True, slots=True)
class Ram:
    """Sections from rear to nose, what they carry, and the two bushings."""

    sections: tuple[Section, ...]
    masses: tuple[Mass, ...]
    rear: Bushing
    front: Bushing

    @property
    def length_mm(self) -> float:
        """From the rear end to the nose."""
        return sum(section.length_mm for section in self.sections)


@dataclass(frozen=True, slots=True)
class Hang:
    """The hanging ram at p positions of the nose and m places along z: arrays (p, m) unless said otherwise.

    `deflection_um` = `bent_um` (elastic) + `tipped_um` (what clearance or film adds), up positive; the slope is of
    the whole. `on_ram` is False where no ram is at that z: there the figures are those of a stiff straight arm on
    its end. `reaction_n` and `side`: (p, 2), rear bushing first, up positive. `tipped_share`: (..., m, 2), how much
    of each bushing's lift shows at z.
    """

    nose_z_mm: Floats
    z_mm: Floats
    deflection_um: Floats
    slope_mm_per_m: Floats
    bent_um: Floats
    tipped_um: Floats
    on_ram: NDArray[np.bool_]
    reaction_n: Floats
    side: NDArray[np.int64]
    tipped_share: Floats


def hang(ram: Ram, nose_z_mm: ArrayLike, z_mm: ArrayLike) -> Hang:
    """Return how the ram hangs with its nose at each of nose_z_mm, shape (p,), seen at each of z_mm, shape (m,).

    z_mm may also be of shape (p, m), other places for each position. Raises CalcError for a ram that is no beam, or
    that does not reach through both bushings at one of the positions.
    """
    nose = np.atleast_1d(numbers(nose_z_mm, "The ram position (mm)", "nose_z_mm", -FAR_MM, FAR_MM))
    places = np.atleast_1d(numbers(z_mm, "The place along the ram (mm)", "z_mm", -FAR_MM, FAR_MM))
    beam = ram_beam(ram)
    tail = nose - ram.length_mm
    _reaches(ram, nose, tail)
    supports = np.clip([ram.rear.z_mm, ram.front.z_mm] - tail[:, None], 0.0, beam.length)
    s = places - tail[:, None]
    bent, turned = resting(beam, s, supports)
    push = reactions(beam, supports)
    lift, side = _lift(ram, push)
    share = (places - ram.rear.z_mm) / (ram.front.z_mm - ram.rear.z_mm)
    tipped = lift[:, :1] + (lift[:, 1:] - lift[:, :1]) * share
    tilt = (lift[:, 1:] - lift[:, :1]) / (ram.front.z_mm - ram.rear.z_mm)
    return Hang(
        nose_z_mm=nose,
        z_mm=places,
        deflection_um=bent * 1000.0 + tipped,
        slope_mm_per_m=turned * 1000.0 + tilt,
        bent_um=bent * 1000.0,
        tipped_um=tipped,
        on_ram=(s >= 0) & (s <= beam.length),
        reaction_n=push,
        side=side,
        tipped_share=np.stack([1.0 - share, share], axis=-1),
    )


def standard_uncertainty_um(
    seen: Hang, *, clearance_u_um: float, weight_u: float = 0.0, stiffness_u: float = 0.0
) -> Floats:
    """Return the standard uncertainty of the predicted deflection, shape (p, m), um, from what the model was told.

    clearance_u_um: standard uncertainty of each bushing's clearance on diameter, um. weight_u, stiffness_u: relative
    standard uncertainties of the weights and of E*I (0.03 is 3 %). All are taken as independent (JCGM 100:2008,
    5.1.2) and the side of contact as found; a ram on its film owes nothing to the clearance.
    """
    loose = number(clearance_u_um, "The uncertainty of the clearance (um)", "clearance_u_um", 0.0, 10_000.0)
    weights = number(weight_u, "The relative uncertainty of the weights", "weight_u", 0.0, 1.0)
    stiffness = number(stiffness_u, "The relative uncertainty of the stiffness", "stiffness_u", 0.0, 1.0)
    felt = seen.tipped_share * np.abs(seen.side)[:, None, :] * loose / 2.0
    bent = seen.bent_um * math.hypot(weights, stiffness)
    total: Floats = np.sqrt((felt**2).sum(-1) + bent**2)
    return total


def ram_beam(ram: Ram) -> Beam:
    """Return the ram as a beam in N and mm, s = 0 at its rear end. Raises CalcError for what makes no beam."""
    if not ram.sections:
        raise CalcError("The ram needs at least one section.", field="sections")
    for place, section in enumerate(ram.sections, start=1):
        _check_section(section, f"of ram section {place}")
    if not number(ram.rear.z_mm, "The rear bushing's z (mm)", "rear", -FAR_MM, FAR_MM) < number(
        ram.front.z_mm, "The front bushing's z (mm)", "front", -FAR_MM, FAR_MM
    ):
        raise CalcError("The front bushing must lie in front of the rear one.", field="bushings")
    outside = np.array([section.outside_mm for section in ram.sections])
    bore = np.array([section.bore_mm for section in ram.sections])
    density = np.array([section.density_kg_per_m3 for section in ram.sections]) * 1e-9
    modulus = np.array([section.modulus_gpa for section in ram.sections]) * 1000.0
    second_moment = np.pi / 64.0 * (outside**4 - bore**4)
    weight = -GRAVITY * density * np.pi / 4.0 * (outside**2 - bore**2)
    loads = [_load(mass, ram.length_mm) for mass in ram.masses]
    return make_beam([section.length_mm for section in ram.sections], modulus * second_moment, weight, loads)


def _check_section(section: Section, which: str) -> None:
    above(section.length_mm, f"The length {which} (mm)", "length_mm", 0.0, FAR_MM)
    above(section.outside_mm, f"The outside diameter {which} (mm)", "outside_mm", 0.0, 2000.0)
    number(section.bore_mm, f"The bore {which} (mm)", "bore_mm", 0.0, 2000.0)
    above(section.modulus_gpa, f"The modulus of elasticity {which} (GPa)", "modulus_gpa", 0.0, 2000.0)
    number(section.density_kg_per_m3, f"The density {which} (kg/m3)", "density_kg_per_m3", 0.0, 30_000.0)
    if section.bore_mm >= section.outside_mm:
        raise CalcError(f"The bore {which} must be smaller than its outside diameter.", field="bore_mm")


def _load(mass: Mass, ram_mm: float) -> tuple[float, float, float]:
    """Return (from, to, force), mm from the rear end and N."""
    kg = number(mass.kg, f"The mass of {mass.name} (kg)", "kg", 0.0, 10_000.0)
    behind = number(mass.behind_nose_mm, f"The place of {mass.name} (mm)", "behind_nose_mm", 0.0, FAR_MM)
    length = number(mass.length_mm, f"The length of {mass.name} (mm)", "length_mm", 0.0, FAR_MM)
    end = ram_mm - behind
    if length > end + ROUNDING_MM:
        raise CalcError(f"{mass.name} must lie on the ram, between its rear end and its nose.", field="masses")
    return max(end - length, 0.0), end, -kg * GRAVITY


def _reaches(ram: Ram, nose: Floats, tail: Floats) -> None:
    for bushing, name in ((ram.rear, "rear"), (ram.front, "front")):
        out = (tail > bushing.z_mm + ROUNDING_MM) | (nose < bushing.z_mm - ROUNDING_MM)
        if out.any():
            where = nose[out][0]
            raise CalcError(f"With its nose at {where:g} mm the ram is not in the {name} bushing.", field="nose_z_mm")


def _lift(ram: Ram, push: Floats) -> tuple[Floats, NDArray[np.int64]]:
    """Return how far the ram's middle stands above each bushing's centre, um (p, 2), and the side it touches."""
    lift, side = np.empty_like(push), np.empty(push.shape, dtype=np.int64)
    for column, bushing in enumerate((ram.rear, ram.front)):
        play = number(bushing.clearance_um, "The bushing clearance (um)", "clearance_um", 0.0, 10_000.0) / 2.0
        pressed = np.where(push[:, column] < 0.0, Side.TOP, Side.BOTTOM)
        away = play * pressed.astype(np.float64)
        if bushing.film_n_per_um is not None:
            film = above(bushing.film_n_per_um, "The film stiffness (N/um)", "film_n_per_um", 0.0, 1e6)
            away = np.clip(-push[:, column] / film, -play, play)
            pressed = np.where(np.abs(away) < play, Side.FILM, pressed)
        lift[:, column], side[:, column] = away, pressed
    return lift, side
