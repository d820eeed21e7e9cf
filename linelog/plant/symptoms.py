"""What a new plant's lists of places, defect codes and symptoms begin with; every row is then the plant's to change.

The rows are hypotheses of common practice without a source: where one would look first, never a diagnosis.
"""

from __future__ import annotations

from typing import Any

PLACES = ("Bench", "Washer", "Necker", "Light tester", "Filler", "Other")

#: A code, its name, and its rows: (kind of station, how it is off) or (another cause, ''), and why.
CODES: tuple[tuple[str, str, tuple[tuple[str, str, str], ...]], ...] = (
    (
        "ONE-SIDE",
        "Wall thin on one side",
        (
            (
                "tool_pack",
                "parallel",
                "A pack beside the ram line irons one side more: thin side at one clock position.",
            ),
            ("worn_die", "", "A die worn on one side thins it there, wherever the pack stands."),
            ("pressure", "", "A hold-down that presses on one side draws the cup in unevenly."),
        ),
    ),
    (
        "BY-HEIGHT",
        "Wall variation differs between heights",
        (
            ("tool_pack", "tilt", "A tilted pack meets the punch at another place at each height."),
            ("metal", "", "A coil whose gauge differs across its width thins otherwise up the wall."),
        ),
    ),
    (
        "UNEVEN",
        "Uneven can height",
        (
            ("tool_pack", "parallel", "One high side: more metal flows up where the wall is ironed thinner."),
            ("earing", "", "Four high places round the can and not one come from the metal's own grain."),
            ("metal", "", "Another coil lot may ear or stretch otherwise."),
            ("pressure", "", "Hold-down set too low on one side feeds the cup unevenly."),
        ),
    ),
    (
        "TEAR-OFF",
        "Tear-off",
        (
            ("tool_pack", "parallel", "The side that is ironed most gives way first."),
            ("redraw_sleeve", "any", "A sleeve that holds unevenly tears early in the stroke."),
            ("pressure", "", "Hold-down set too high, or timed late against the punch, tears early in the stroke."),
            ("metal", "", "Inclusions or a lot off gauge tear on good machines too."),
            ("lubrication", "", "Too little of it raises the pull on the wall."),
            ("worn_die", "", "A rough or worn die pulls harder."),
            ("coolant", "", "Dirt in the coolant scores die and wall."),
        ),
    ),
    (
        "DIE-WEAR",
        "Die worn on one side",
        (("tool_pack", "parallel", "The punch has leaned on one side of the dies for a long time."),),
    ),
    (
        "PLEAT",
        "Pleats or wrinkles",
        (
            ("redraw_sleeve", "any", "Where the sleeve does not clamp, the cup wrinkles."),
            ("redraw_sleeve", "tilt", "A sleeve that is not square clamps on one side only."),
            ("pressure", "", "Hold-down set too low, or timed too late, lets the cup wrinkle all round."),
            ("lubrication", "", "Too much of it lets the cup slip under the sleeve."),
            ("metal", "", "Thinner metal is clamped less."),
        ),
    ),
    (
        "SHORT",
        "Clipped or short can",
        (
            ("cup_locator", "any", "A cup not seated square is drawn to one side."),
            ("pressure", "", "A cup fed late, or a hold-down timed late, is met before it is seated."),
            ("metal", "", "Short cups come so from the cupper."),
        ),
    ),
    (
        "NICK",
        "Nicked cup edge",
        (
            ("cup_locator", "any", "The cup's edge meets the locator on its way in."),
            ("pressure", "", "Cup feed timed against the stroke: the edge is met while the cup still moves."),
        ),
    ),
    (
        "SCORE",
        "Scored along the wall",
        (
            ("front_bushing", "together", "A worn bushing lets the ram down: all stations drift together."),
            ("rear_bushing", "together", "A worn bushing lets the ram tip: all stations drift together."),
            ("worn_die", "", "Pick-up on a die scores every can at the same place."),
            ("lubrication", "", "Metal picks up where the film breaks."),
            ("coolant", "", "Dirt carried round scores die and wall."),
        ),
    ),
    (
        "DOME-OFF",
        "Dome off centre, or marked on one side",
        (
            ("domer", "parallel", "The punch meets a domer that stands to one side."),
            ("pressure", "", "Dome pressure or setting too low lets the bottom slip in the clamp ring."),
        ),
    ),
    (
        "DOME-SPLIT",
        "Split dome",
        (
            ("domer", "parallel", "One side of the bottom is stretched more."),
            ("pressure", "", "Dome pressure too high, or set too deep, stretches the bottom too far."),
            ("lubrication", "", "A dry dome die holds the bottom where it should slide."),
            ("metal", "", "Inclusions or a hard lot split on good machines too."),
        ),
    ),
    (
        "DOME-DEPTH",
        "Dome depth differs round the can",
        (
            ("domer", "tilt", "A tilted domer forms one side deeper."),
            ("pressure", "", "Dome pressure and setting: a clamp ring that presses unevenly forms it unevenly."),
        ),
    ),
    (
        "OPEN-END",
        "Crushed or curled open end",
        (
            ("stripper", "any", "Fingers that close unevenly push on one side of the rim."),
            ("pressure", "", "Strip air too low or too late: the fingers do what the air should."),
            ("lubrication", "", "A can that sticks to the punch is pulled at its rim."),
        ),
    ),
    (
        "SCRATCH",
        "Scratches",
        (
            ("stripper", "any", "A finger drags along the wall on the return stroke."),
            ("worn_die", "", "A nick in a die scratches every can at the same place."),
            ("coolant", "", "Dirt in the coolant."),
        ),
    ),
    (
        "STUCK",
        "Can not stripped",
        (
            ("stripper", "any", "Fingers beside the ram line let the can pass on one side."),
            ("pressure", "", "Strip air: its pressure, and when it opens and shuts against the stroke."),
            ("lubrication", "", "A dry punch holds the can."),
        ),
    ),
    (
        "HOLE",
        "Pinhole",
        (
            ("metal", "", "Inclusions are ironed out to a hole."),
            ("coolant", "", "Dirt pressed into the wall."),
            ("worn_die", "", "A chipped die cuts the wall."),
        ),
    ),
)


def seed(plant: Any, *, places: Any, codes: Any, symptoms: Any) -> None:
    """Give a plant its first lists; the three models are passed in, so that a migration can pass those of its day."""
    places.objects.bulk_create(places(plant=plant, name=name, order=at) for at, name in enumerate(PLACES, start=1))
    made = {code: codes.objects.create(plant=plant, code=code, name=name) for code, name, _ in CODES}
    symptoms.objects.bulk_create(
        symptoms(code=made[code], words=words, **points_to(look, how))
        for code, _, rows in CODES
        for look, how, words in rows
    )


def points_to(look: str, how: str) -> dict[str, str]:
    """Return the columns of a row: a kind of station and how it is off, or another cause where `how` is empty."""
    return {"station_kind": look, "aspect": how} if how else {"other": look}
