"""The rules of the log that the database itself enforces: what is signed stays as it was signed."""

from __future__ import annotations

from linelog.web.protection import Rule, never_changed

HANG_ON_A_VISIT = {
    "alignment_sweep": "sweep",
    "alignment_result": "result",
    "alignment_movemade": "move",
    "alignment_stationnote": "station note",
    "alignment_runningreading": "running reading",
    "alignment_bushingclearance": "clearance",
    "alignment_bushingposition": "position of a bushing",
    "alignment_bushingfitted": "new bushing",
    "alignment_barsetup": "set-up of the bar",
    "alignment_setbyfitting": "setting by a fitting",
    "alignment_photo": "photo",
    "alignment_capture": "capture",
    "alignment_signature": "signature",
}


_ANY_SIGNED = "EXISTS (SELECT 1 FROM alignment_visit WHERE state = 'signed')"


def _is_signed(visit: str) -> str:
    # Held, so that a signature under way is waited for and then seen.
    state = f"(SELECT state FROM alignment_visit WHERE id = {visit}{{lock}})"  # noqa: S608 - SQL of this module only
    return f"{state} = 'signed'"


def _part(table: str, noun: str, visit: str) -> tuple[Rule, ...]:
    """Return the rules of what hangs on a visit, directly or over a sweep; `visit` is SQL with `{row}` in it."""
    says = f"This {noun} belongs to a signed visit, which never changes."
    old, new = _is_signed(visit.format(row="OLD")), _is_signed(visit.format(row="NEW"))
    stands_there = visit.format(row="there")
    # The second half of the insert: SQLite's INSERT OR REPLACE, which asks no DELETE trigger.
    signed = f"there.id = NEW.id AND {_is_signed(stands_there)}"
    over = f"EXISTS (SELECT 1 FROM {table} AS there WHERE {signed})"  # noqa: S608 - tables that this module names
    # Likewise UPDATE OR REPLACE, which puts a row of an open visit over one of a signed visit by its number.
    return (
        Rule(table, "INSERT", f"{new} OR {over}", says),
        Rule(table, "UPDATE", f"{old} OR {new} OR (NEW.id <> OLD.id AND {over})", says),
        Rule(table, "DELETE", old, says),
        Rule(table, "TRUNCATE", _ANY_SIGNED, says),
    )


_LOCKOUT = "This lockout belongs to a signed visit, which never changes."
_LOCK = "This lock belongs to a signed visit, which never changes."
_OF_LOCK = "(SELECT visit_id FROM alignment_lockout WHERE id = {row}.lockout_id)"


def _said_once(table: str, says: str, visit: str, said: str, fixed: tuple[str, ...]) -> tuple[Rule, ...]:
    """Return the rules of what may still be closed after the signature, once: a machine may be returned after it.

    `said` is SQL that holds when it was closed already; the columns `fixed` never change.
    """
    insert, _, delete, truncate = _part(table, "", visit)
    moved = " OR ".join(f"NEW.{name} <> OLD.{name}" for name in ("id", *fixed))
    changed = f"({_is_signed(visit.format(row='OLD'))}) AND ({said} OR {moved})"
    return (
        Rule(table, "INSERT", insert.when, says),
        Rule(table, "UPDATE", changed, says),
        Rule(table, "DELETE", delete.when, says),
        Rule(table, "TRUNCATE", truncate.when, says),
    )


_VISIT = "This visit is signed and never changes."
RULES = (
    Rule(
        "alignment_visit", "UPDATE", f"OLD.state = 'signed' OR (NEW.id <> OLD.id AND {_is_signed('NEW.id')})", _VISIT
    ),
    Rule("alignment_visit", "DELETE", "OLD.state = 'signed'", _VISIT),
    Rule("alignment_visit", "TRUNCATE", _ANY_SIGNED, _VISIT),
    Rule("alignment_visit", "INSERT", _is_signed("NEW.id"), _VISIT),
    *(rule for table, noun in HANG_ON_A_VISIT.items() for rule in _part(table, noun, "{row}.visit_id")),
    *_part("alignment_reading", "reading", "(SELECT visit_id FROM alignment_sweep WHERE id = {row}.sweep_id)"),
    *_part(
        "alignment_capturevalue",
        "value of a capture",
        "(SELECT visit_id FROM alignment_capture WHERE id = {row}.capture_id)",
    ),
    *_said_once(
        "alignment_lockout",
        _LOCKOUT,
        "{row}.visit_id",
        "OLD.returned_at IS NOT NULL OR "
        "(OLD.ended_at IS NOT NULL AND (NEW.ended_at IS NULL OR NEW.ended_at <> OLD.ended_at))",
        (
            *("visit_id", "verified_by", "verified_at", "procedure", "logged_by_id", "logged_at"),
            *("runs_out_at", "runs_out_why"),
        ),
    ),
    *_said_once(
        "alignment_personallock",
        _LOCK,
        _OF_LOCK,
        "OLD.off_at IS NOT NULL",
        ("lockout_id", "name", "number", "on_at"),
    ),
    *never_changed("alignment_amendment", "An amendment is never changed."),
    *never_changed("alignment_amendedreading", "An amendment is never changed."),
    *never_changed("alignment_amendedresult", "An amendment is never changed."),
)
