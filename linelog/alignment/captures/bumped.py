"""Whether a ring was bump-tested as it stands, and the outcome in words."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from linelog.alignment.models import BumpTest, Capture, ProbeSetup
from linelog.calc.capture.bump import Wrong
from linelog.calc.capture.ring import Ring

MOST_CAUSES = 3
WORDS = {
    Wrong.DEAD: "{columns} did not move at either push: cable, supply or plug.",
    Wrong.REVERSED: "{columns} reads the wrong way round: its scale needs the other sign.",
    Wrong.SWAPPED: "{columns} are swapped: change their plugs, or their columns in the set-up.",
    Wrong.MIRRORED: "3 and 9 are exchanged: the clock angles were seen from the other end.",
    Wrong.TURNED: "the ring is turned by {degrees:g}° clockwise from what the set-up says.",
    Wrong.ALL_REVERSED: "every probe reads the wrong way round: all scales need the other sign.",
}


@dataclass(frozen=True, slots=True)
class Bumped:
    """How a ring stands with its bump test: 'right', 'wrong' or 'none', since when, and a sentence."""

    state: str
    sentence: str
    test: BumpTest | None = None

    @property
    def css(self) -> str:
        """The look of the state."""
        return {"right": "in", "wrong": "out"}.get(self.state, "unsure")


def as_tested(ring: Ring) -> dict[str, Any]:
    """Return what of a ring a bump test tells: view, and each probe's column, clock angle and sign."""
    probes = [[probe.column, probe.angle_deg % 360.0, probe.scale_um_per_unit > 0.0] for probe in ring.probes]
    return {"from_domer": ring.from_domer, "probes": probes}


def _kept(ring: Mapping[str, Any]) -> dict[str, Any]:
    """Return the same of a ring as it is kept with a capture."""
    probes = [[each["column"], each["angle_deg"] % 360.0, each["scale_um_per_unit"] > 0.0] for each in ring["probes"]]
    return {"from_domer": ring["from_domer"], "probes": probes}


def bumped_setup(setup: ProbeSetup, ring: Ring) -> Bumped:
    """Say how a set-up stands as it is now."""
    return _of(setup.bump_tests.all(), as_tested(ring))


def bumped_capture(capture: Capture) -> Bumped:
    """Say how the ring stood that a capture was worked out with."""
    return _of(capture.setup.bump_tests.select_related("by"), _kept(capture.worked_with["ring"]))


def _of(tests: Iterable[BumpTest], ring: dict[str, Any]) -> Bumped:
    test = next((one for one in tests if one.ring == ring), None)
    if test is None:
        return Bumped(
            "none",
            "Not bump-tested as it stands: two probes swapped, or a ring turned, would point the offset the wrong "
            "way, and no figure shows it.",
        )
    if test.right:
        return Bumped("right", "Every probe moved as the set-up says.", test)
    return Bumped("wrong", wrong_words(test), test)


def wrong_words(test: BumpTest) -> str:
    """Say what came out wrong, and what would explain it."""
    columns = " and ".join(test.wrong_columns)
    said = f"The bump test came out wrong: {columns} did not move as the set-up says."
    causes = [
        WORDS[Wrong(cause["what"])].format(columns=" and ".join(cause["columns"]), degrees=cause["degrees"])
        for cause in test.causes[:MOST_CAUSES]
    ]
    if not causes:
        return f"{said} No single fault explains it: follow each cable by hand."
    return f"{said} What would explain it: {' Or: '.join(causes)}"
