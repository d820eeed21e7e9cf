"""The tablet's own sum, against `linelog.calc.sweep`, which has its published checks in tests/calc/test_sweep.py."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from linelog.alignment.forms.sweep import SweepForm
from linelog.alignment.models import Sweep
from linelog.alignment.on_tablet import on_tablet
from linelog.calc import sweep as calc
from linelog.calc.units import Unit, to_um
from linelog.plant.models import Plant, Station

OFFSET = Path(__file__).resolve().parents[3] / "static" / "alignment" / "offset.js"
# Not the bar in the cradle: its sag is that of the bar's own set-up, not of the form.
CARRIERS = [carrier for carrier in calc.Carrier if carrier.value != "bar"]
SURFACES = [(c, s) for c in CARRIERS for s in calc.Surface if (c.value, s.value) != ("component", "bore")]
SUMS = """(all) => all.map(({ typed, angles, setup: given, form }) => {
    const setup = form ? linelog.setupWith(given, new URLSearchParams(form)) : given;
    const per = linelog.units[setup.unit].um;
    const readings = typed.map((text, n) => ({ angle: angles[n], um: linelog.parseNumber(text) * per }));
    const at = (angle) => (readings.find((one) => one.angle === angle) || { um: NaN }).um;
    return { ...linelog.offset(readings, setup), closure: linelog.closure(at, setup) };
})"""


def any_set_up(chance: random.Random):
    """A set-up as the form sends it, as `calc` takes it, and as the server tells it to the tablet."""
    carrier, surface = chance.choice(SURFACES)
    unit, sag = chance.choice(list(Unit)), chance.choice([0.0, round(chance.uniform(0, 120), 1)])
    said_in = chance.choice(list(Unit))  # a dial in inches may be set up on a page that speaks of mm
    form = {
        "unit": unit.value,
        "lengths_in": said_in.value,
        "positions": str(chance.choice([4, 4, 4, 6, 8, 12])),
        "touches": f"{carrier.value}-{surface.value}",
        "view": chance.choice(["crank", "domer"]),
        "resolution": f"{10 / said_in.um:.6f}",
        "sag": f"{sag / said_in.um:.6f}",
        "sag_is": chance.choice(["indicated", "droop"]),
    }
    if chance.random() < 0.5:
        form["plunger_reversed"] = "on"
    bound = SweepForm(form, kind="rim", unit=unit)
    assert bound.is_valid(), bound.errors
    choice = bound.choice()
    swept = Sweep(kind="rim", **{name: getattr(choice, name) for name in choice.__dataclass_fields__})
    setup = calc.SweepSetup(
        surface=surface,
        carrier=carrier,
        view=calc.View(form["view"]),
        plunger_reversed="plunger_reversed" in form,
        sag_indicated_um=choice.sag_um,
    )
    return form, setup, on_tablet(swept, Station(limit_um=25.0), Plant(), unit)


def test_the_tablets_sum_is_that_of_the_server(page):
    """Derived: both reduce R(t) = c + g(x sin t + y cos t) + sag(t); at equal steps the fit has a closed form."""
    chance = random.Random(4)
    page.evaluate("window.linelog = {}")
    page.add_script_tag(path=OFFSET)
    sent, wanted = [], []
    for number in range(400):
        form, setup, says = any_set_up(chance)
        unit, count = Unit(form["unit"]), int(form["positions"])
        angles = [360.0 * n / count for n in range(count)]
        typed = [f"{chance.uniform(-900, 900) / unit.um:.6f}" for _ in angles]
        swept = calc.Sweep(tuple(angles), tuple(to_um(float(text), unit) for text in typed))
        wanted.append((form, calc.reduce_sweep(setup, [swept])))
        if number % 2:  # the same set-up, chosen on the tablet over another one
            says |= {"gain": -says["gain"], "sag": 7, "view": "crank", "reversed": False}
        comma = [text.replace(".", chance.choice(".,")) for text in typed]
        sent.append({"typed": comma, "angles": angles, "setup": says, "form": form if number % 2 else None})
    for (form, result), there in zip(wanted, page.evaluate(SUMS, sent), strict=True):
        assert (there["x"], there["y"]) == pytest.approx((result.offset.x, result.offset.y), abs=1e-3), form
        if form["positions"] == "4":
            assert there["closure"] == pytest.approx(result.quality.closure_um, abs=1e-3), form


def test_the_tablet_reads_numbers_as_the_server_does(page):
    page.evaluate("window.linelog = {}")
    page.add_script_tag(path=OFFSET)
    for text, number in {"0,05": 0.05, "−.5": -0.5, "+1.": 1.0, " 12 ": 12.0}.items():
        assert page.evaluate("(text) => linelog.parseNumber(text)", text) == number
    for text in ("", "-", "1.2.3", "1e3", "Infinity"):
        assert page.evaluate("(text) => String(linelog.parseNumber(text))", text) == "NaN"
    units = page.evaluate("() => linelog.units")
    assert units == {u.value: {"um": u.um, "decimals": u.decimals, "label": u.label} for u in Unit}
