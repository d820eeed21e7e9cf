"""A person who types at random while the tablet's store and the network are slow, cut and restored at random.

The model is plain: a field shows what was typed into it last, and the server holds what was last sent from it.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field

from playwright.sync_api import Page

from linelog.alignment.models import BushingClearance, MoveMade, Reading, RunningReading, StationNote, Sweep
from tests.browser.offline.tablet import wait_until

# Delays every word of the tablet's store and of the network, in order; `cut` and `lost` end a request with an error.
TROUBLE = """(() => {
  const trouble = { store: 0, network: 0, lost: 0, cut: sessionStorage.getItem("cut") === "1" };
  window.trouble = trouble;
  const pause = (ms) => new Promise((done) => setTimeout(done, ms));
  let line = Promise.resolve();
  const delayed = (prototype, name) => {
    const known = Object.getOwnPropertyDescriptor(prototype, name);
    Object.defineProperty(prototype, name, { ...known, set(act) {
      known.set.call(this, (event) => {
        line = line.then(() => (trouble.store ? pause(trouble.store * Math.random()) : null));
        line = line.then(() => act.call(this, event));
      });
    } });
  };
  delayed(IDBTransaction.prototype, "oncomplete");
  delayed(IDBRequest.prototype, "onsuccess");
  const plain = window.fetch;
  const gone = () => { throw new TypeError("the network is gone"); };
  window.fetch = async (...asked) => {
    if (trouble.cut) gone();
    await pause(trouble.network * Math.random());
    if (trouble.cut) gone();
    const answer = await plain(...asked);
    await pause(trouble.network * Math.random());
    return trouble.cut || Math.random() < trouble.lost ? gone() : answer;
  };
})();"""
SHOWN = """() => {
  const shown = {};
  const readings = document.querySelectorAll("#clock form[data-reading] input[name=value]");
  for (const input of readings) shown[input.id] = input.value;
  shown.note = document.getElementById("id_note").value;
  shown.move = document.querySelector("#moves .mover [name=words]").value;
  for (const name of ["x", "y", "expanded", "strokes"]) {
    shown[name] = document.querySelector(`#running [name=${name}]`).value;
  }
  return shown;
}"""
SHOWN_OF_BUSHING = """() => {
  const shown = { note: document.getElementById("id_note").value };
  shown.move = document.querySelector("#moves .mover [name=words]").value;
  for (const name of ["up_down_um", "left_right_um"]) {
    shown[name] = document.querySelector(`#clearance [name=${name}]`).value;
  }
  return shown;
}"""
# A button that is dead while the store is slow is waited for, as a person would.
LOG_MOVE = """async () => {
  const { form } = document.querySelector("#moves .mover [name=words]"), button = form.querySelector("button");
  while (button.disabled) await new Promise((done) => setTimeout(done, 20));
  button.form.requestSubmit();
}"""
# As a finger does: what is closed is opened, and the field has the cursor, before anything else happens.
BEGIN = """(field) => {
  const at = document.querySelector(field);
  at.closest("details").open = true;
  at.focus();
}"""
CHOOSE_EIGHT = """() => {
  const positions = document.querySelector("select[name=positions]");
  positions.value = "8";
  positions.form.requestSubmit();
}"""
SUBMIT = "(field) => document.querySelector(field).form.requestSubmit()"
TO = """(now) => {
  Object.assign(trouble, now);
  sessionStorage.setItem("cut", now.cut ? "1" : ""); // also on the page that comes next
  if (!now.cut) window.dispatchEvent(new Event("online"));
}"""
HELD = """async () => (await linelog.store.all()).filter((one) => one.state === "held")
  .map((one) => `${one.label}: ${one.says}`)"""
QUIET = "async () => !linelog.adding() && (await linelog.store.all()).every((write) => write.state !== 'waiting')"
AS_FOUND = "No: it is as found"
WORDS = ("wedge", "eased", "shim", "looks", "worn", "again", "check", "bolt")
RUNNING = ("x", "y", "expanded", "strokes")
TRAVELS = ("up_down_um", "left_right_um")
BEGIN_PLAIN = "(field) => document.querySelector(field).focus()"
WENT_ON = """() => !location.pathname.startsWith("/visits/new/") ||
  [...document.querySelectorAll("#screen form[data-queued] :is(input, textarea)")].some(linelog.isTyped)"""


@dataclass
class Typed:
    """What was typed: in the fields as they must stand, and as it was sent from them."""

    shown: dict[str, str] = field(default_factory=dict)
    readings: dict[str, str] = field(default_factory=dict)
    note: str = ""
    moves: list[str] = field(default_factory=list)
    running: dict[str, str] = field(default_factory=dict)
    clearance: dict[str, str] = field(default_factory=dict)
    positions: int = 4
    log: list[str] = field(default_factory=list)


class Schedule:
    """One person at one station, by a seed."""

    shown = SHOWN

    def acts(self) -> list[Callable[[], None]]:
        """What is done, each as often as it stands here."""
        return [
            *[self.reading] * 4,
            *(self.note, self.note, self.move, self.running, self.trouble, self.trouble, self.set_up),
        ]

    def __init__(self, page: Page, seed: int) -> None:
        self.page, self.chance, self.typed = page, random.Random(seed), Typed()
        self.clears: set[str] = set()  # fields that are emptied once what stood there is kept

    def run(self, steps: int) -> list[str]:
        """Do so many things, then let everything arrive; return what stood otherwise than typed."""
        wrong = []
        for _ in range(steps):
            act = self.chance.choice(self.acts())
            act()
            self.typed.log.append(act.__name__)
            wrong += self.differs(act.__name__)
            if wrong:
                return [*wrong, " ".join(self.typed.log)]
        return self.end()

    def differs(self, after: str) -> list[str]:
        """Return each field that shows something else than was typed into it last."""
        shown = self.page.evaluate(self.shown)
        allowed = {name: {text, ""} if name in self.clears else {text} for name, text in self.typed.shown.items()}
        return [
            f"after {after}: {name} shows {shown.get(name)!r}, typed {text!r}"
            for name, text in self.typed.shown.items()
            if shown.get(name) not in allowed[name]
        ]

    def pause(self, most: int = 250) -> None:
        self.page.wait_for_timeout(self.chance.randint(0, most))

    def write(self, text: str) -> None:
        """Type over what stands in the field that has the cursor, as a person types it."""
        self.page.keyboard.press("Control+A")
        for letter in text:
            self.page.keyboard.type(letter)
            if self.chance.random() < 0.2:
                self.pause(120)

    def number(self) -> str:
        return f"{self.chance.randint(10, 99) / 1000:.3f}"

    def reading(self) -> None:
        fields = self.page.locator("#clock form[data-reading]:not(.again) input[name=value]")
        at = fields.nth(self.chance.randrange(fields.count()))
        name, text = at.get_attribute("id") or "", self.number()
        self.page.locator(f"#{name}").tap()  # by its name: a clock drawn anew meanwhile counts otherwise
        self.write(text)
        self.typed.shown[name] = text
        if self.chance.random() < 0.2:  # begun and not left yet: another field is begun, which sends it
            self.pause()
        self.page.keyboard.press("Enter")
        self.typed.readings[name] = text

    def note(self) -> None:
        field_of_note = self.page.locator("#id_note")
        field_of_note.focus()
        text = " ".join(self.chance.choices(WORDS, k=self.chance.randint(1, 3)))
        self.write(text)
        self.typed.shown["note"] = text
        if self.chance.random() < 0.7:
            self.page.evaluate(SUBMIT, "#id_note")
            self.typed.note = text
            if self.chance.random() < 0.6:  # typed on at once
                field_of_note.focus()
                self.page.keyboard.press("End")
                self.page.keyboard.type(" and on")
                self.typed.shown["note"] = f"{text} and on"

    def move(self) -> None:
        self.page.evaluate(BEGIN, "#moves .mover [name=words]")
        text = f"{self.chance.choice(WORDS)} {len(self.typed.moves)}{self.chance.randint(10, 99)}"
        self.write(text)
        self.typed.shown["move"] = text
        self.clears.discard("move")
        if self.chance.random() < 0.7:
            self.page.evaluate(LOG_MOVE)
            self.typed.moves.append(text)
            self.clears.add("move")

    def running(self) -> None:
        for name in self.chance.sample(RUNNING, k=4):
            text = str(self.chance.randint(20, 90)) if name == "strokes" else self.number()
            self.page.evaluate(BEGIN, f"#running [name={name}]")
            self.write(text)
            self.typed.shown[name] = text
            self.clears.discard(name)
        if self.chance.random() < 0.6:
            self.page.evaluate(SUBMIT, "#running [name=x]")
            self.typed.running = {name: self.typed.shown[name] for name in RUNNING}
            self.clears |= set(RUNNING)

    def set_up(self) -> None:
        if self.typed.positions == 8:
            return
        self.page.evaluate(CHOOSE_EIGHT)
        self.typed.positions = 8

    def trouble(self) -> None:
        chance = self.chance
        now = {
            "store": chance.choice([0, 0, 300, 1500]),
            "network": chance.choice([0, 100, 600]),
            "lost": chance.choice([0, 0, 0.3]),
            "cut": chance.random() < 0.4,
        }
        self.page.evaluate(TO, now)

    def end(self) -> list[str]:
        """All is quick again: what was typed stands on the page, and what was sent stands on the server."""
        self.page.evaluate("() => document.activeElement.blur()")
        self.page.evaluate(TO, {"store": 0, "network": 0, "lost": 0, "cut": False})
        wait_until(self.page, "nothing waits", QUIET)
        self.answer()
        self.page.wait_for_timeout(100)
        wrong = self.differs("the end")  # first: a page that goes on elsewhere has done so then, and answers
        return [*wrong, *(f"refused: {one}" for one in self.page.evaluate(HELD))]

    def answer(self) -> None:
        """Say of each reading that was typed after a move that it is as found: that is asked once."""
        asked = self.page.get_by_role("button", name=AS_FOUND)
        for _ in range(asked.count()):
            if not asked.count():
                return
            self.page.wait_for_timeout(900)  # a question is deaf at first, so that the rhythm of typing cannot hit it
            asked.first.click()
            wait_until(self.page, "nothing waits", QUIET)

    def missing(self, visit_id: int) -> list[str]:
        """Return what the server holds otherwise than it was sent."""
        typed = self.typed
        sent = sorted(text for text in typed.readings.values())
        rows = {
            "readings": (sorted(Reading.objects.filter(sweep__visit=visit_id).values_list("typed", flat=True)), sent),
            "note": ("".join(StationNote.objects.filter(visit=visit_id).values_list("note", flat=True)), typed.note),
            "moves": (
                list(MoveMade.objects.filter(visit=visit_id).order_by("pk").values_list("words", flat=True)),
                typed.moves,
            ),
            "strokes": (
                list(RunningReading.objects.filter(visit=visit_id).values_list("strokes", flat=True)),
                [int(typed.running["strokes"])] if typed.running else [],
            ),
            "positions": (
                list(Sweep.objects.filter(visit=visit_id, positions=8).values_list("positions", flat=True)),
                [8] if typed.positions == 8 else [],
            ),
        }
        return [
            f"{what}: the server has {there!r}, sent was {sent!r}"
            for what, (there, sent) in rows.items()
            if there != sent
        ]


class AtBushing(Schedule):
    """One person at a bushing: its clearance goes in as a whole, and what was not saved yet stands all the same."""

    shown = SHOWN_OF_BUSHING

    def acts(self) -> list[Callable[[], None]]:
        return [*[self.clearance] * 4, self.note, self.move, self.trouble, self.trouble]

    def clearance(self) -> None:
        for name in self.chance.sample(TRAVELS, k=self.chance.randint(1, 2)):
            text = f"0.0{self.chance.randint(4, 7)}{self.chance.randint(1, 9)}"  # shown again as it was typed
            self.page.evaluate(BEGIN_PLAIN, f"#clearance [name={name}]")
            self.write(text)
            self.typed.shown[name] = text
        if self.chance.random() < 0.7:
            self.page.evaluate(SUBMIT, "#clearance [name=up_down_um]")
            self.typed.clearance = {name: self.typed.shown.get(name, "") for name in TRAVELS}

    def missing(self, visit_id: int) -> list[str]:
        rows = BushingClearance.objects.filter(visit=visit_id)
        there = [{name: um and f"{um / 1000:.3f}" for name, um in row.items()} for row in rows.values(*TRAVELS)]
        sent = [{name: text or None for name, text in self.typed.clearance.items()}] if self.typed.clearance else []
        wrong = [] if there == sent else [f"clearance: the server has {there!r}, sent was {sent!r}"]
        return [*wrong, *super().missing(visit_id)]


class Begun(Schedule):
    """One person in a visit begun without a connection, which comes back at the end."""

    def trouble(self) -> None:
        self.page.evaluate(TO, {"store": self.chance.choice([0, 300, 1500]), "network": 0, "lost": 0, "cut": True})

    def differs(self, after: str) -> list[str]:
        if after == "the end":  # the page goes on in the visit on the server, unless something stands there unsent
            wait_until(self.page, "the page went on, or keeps what is typed there", WENT_ON)
            self.page.wait_for_load_state()
        return super().differs(after)
