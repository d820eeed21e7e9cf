"""Wall samples as tests type them, and as the services take them."""

import datetime as dt
import math

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st

from linelog.production.wall_forms import angles_of
from linelog.production.walls import Can, Ring
from tests import factories

NOW = factories.NOW
MADE = "2026-03-02T14:05"
EIGHT = angles_of(8)
NASTY = [
    "",
    " ",
    "\x00",
    "NaN",
    "1e308",
    "-1",
    "9" * 40,
    "<script>",
    "\u202e",
    "١٢٣",
    "0.1",
    "60",
    "2026-03-02T10:00",
]
TEXTS = st.one_of(st.sampled_from(NASTY), st.text(st.characters(exclude_categories=["Cs"]), max_size=60))
fuzz = settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)


def wall(e=6.0, thick_deg=45.0, mean=100.0, angles=EIGHT):
    """An eccentric wall in um: t(q) = mean + e cos(q - q0)."""
    return [mean + e * math.cos(math.radians(angle - thick_deg)) for angle in angles]


def typed(site, e=6.0, thick_deg=45.0, **more):
    """A sample as a person types it, in mm."""
    values = {f"a_{angle:g}": f"{um / 1000:.4f}" for angle, um in zip(EIGHT, wall(e, thick_deg), strict=True)}
    return {
        "machine": site.one.pk, "taken_at": MADE, "can": "", "view": "crank", "step_um": "0.001", "points": "8",
        "low_mm": "60", "high_mm": "", "note": "", **values, **more,
    }  # fmt: skip


def can(site, **more):
    readings = tuple(
        (angle, um, f"{um / 1000:.4f}") for angle, um in zip(EIGHT, wall(more.pop("e", 6.0)), strict=True)
    )
    facts = {
        "machine": site.one,
        "taken_at": NOW - dt.timedelta(days=3),
        "view": "crank",
        "step_um": 1.0,
        "unit": "mm",
    }
    return Can(**{**facts, "rings": (Ring(60.0, readings),), **more})


def page(answer):
    return answer.content.decode().replace("&#x27;", "'")
