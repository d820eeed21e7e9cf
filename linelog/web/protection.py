"""What the database itself refuses: writes to records that must never change, whoever sends them.

An app states its `kept` rules on its AppConfig; here they become triggers, in the dialect of each engine. They are
taken out before a migration that has work to do and put in after every `migrate`: SQLite forgets the triggers of a
table that Django rebuilds, and refuses to rename one that a trigger speaks of.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from django.apps import apps
from django.db import DEFAULT_DB_ALIAS, connections, transaction
from django.db.backends.base.base import BaseDatabaseWrapper

PREFIX = "kept_"


@dataclass(frozen=True, slots=True)
class Rule:
    """Refuse one kind of write (INSERT, UPDATE, DELETE; on PostgreSQL TRUNCATE) to a table where `when` holds.

    `when` is SQL over the rows OLD and NEW that both engines understand; `{lock}` in it stands where a row that is
    looked up must be held until the end of the transaction. `says` is one sentence without quotes.
    """

    table: str
    write: str
    when: str
    says: str

    @property
    def name(self) -> str:
        """Return the trigger's name; it ends in a print of the rule, so that a changed rule is a new trigger."""
        text = f"{self.table}|{self.write}|{self.when}|{self.says}|1"
        return f"{PREFIX}{self.table}_{self.write.lower()}_{hashlib.sha256(text.encode()).hexdigest()[:8]}"


def never_changed(table: str, says: str) -> tuple[Rule, ...]:
    """Return the rules of a table that rows are only added to."""
    return (
        Rule(table, "UPDATE", "1 = 1", says),
        Rule(table, "DELETE", "1 = 1", says),
        Rule(table, "TRUNCATE", "1 = 1", says),
        # SQLite's INSERT OR REPLACE deletes the row that stands in its way without asking the DELETE trigger.
        Rule(table, "INSERT", f"EXISTS (SELECT 1 FROM {table} WHERE id = NEW.id)", says),  # noqa: S608 - our own words
    )


def rules() -> list[Rule]:
    """Return the rules of all apps."""
    return [rule for config in apps.get_app_configs() for rule in getattr(config, "kept", ())]


def put_in(using: str = DEFAULT_DB_ALIAS) -> None:
    """Make the triggers in the database what the rules say; nothing is done where they are already."""
    connection = connections[using]
    there = _present(connection)
    with connection.cursor() as cursor:
        tables = set(connection.introspection.table_names(cursor))
    has_truncate = connection.vendor == "postgresql"
    wanted = {
        rule.name: rule for rule in rules() if rule.table in tables and (has_truncate or rule.write != "TRUNCATE")
    }
    if there.keys() == wanted.keys():
        return
    with transaction.atomic(using=using):
        _drop(connection, {name: table for name, table in there.items() if name not in wanted})
        with connection.cursor() as cursor:
            for name in sorted(wanted.keys() - there.keys()):
                cursor.execute(_made(connection, wanted[name]))


def take_out(using: str = DEFAULT_DB_ALIAS) -> None:
    """Take all triggers out."""
    _drop(connections[using], _present(connections[using]))


@contextmanager
def lifted(using: str = DEFAULT_DB_ALIAS) -> Iterator[None]:
    """Let this one transaction write what is kept; for a migration that mends old records, and for tests.

    The triggers are gone in this transaction alone and are back before it ends.
    """
    with transaction.atomic(using=using):
        there = _present(connections[using])
        connections[using].check_constraints()  # PostgreSQL changes no table with checks still to be done
        _drop(connections[using], there)
        yield
        if there:
            connections[using].check_constraints()
            put_in(using)


def before_migrate(*, using: str, plan: list[Any], **more: Any) -> None:
    """Take the triggers out of the way of a migration that has work to do."""
    if plan:
        take_out(using)


def after_migrate(*, using: str, **more: Any) -> None:
    """Put the triggers in."""
    put_in(using)


def _present(connection: BaseDatabaseWrapper) -> dict[str, str]:
    """Return the triggers that are there, each with its table."""
    if connection.vendor == "postgresql":
        found = (
            "SELECT tgname, relname FROM pg_trigger JOIN pg_class ON pg_class.oid = tgrelid "
            "WHERE NOT tgisinternal AND pg_table_is_visible(tgrelid)"
        )
    else:
        found = "SELECT name, tbl_name FROM sqlite_master WHERE type = 'trigger'"
    with connection.cursor() as cursor:
        cursor.execute(found)
        return {name: table for name, table in cursor.fetchall() if name.startswith(PREFIX)}


def _drop(connection: BaseDatabaseWrapper, triggers: dict[str, str]) -> None:
    with connection.cursor() as cursor:
        for name, table in triggers.items():
            if connection.vendor == "postgresql":
                cursor.execute(f"DROP TRIGGER {name} ON {table}; DROP FUNCTION {name}()")
            else:
                cursor.execute(f"DROP TRIGGER {name}")


def _made(connection: BaseDatabaseWrapper, rule: Rule) -> str:
    """Return the statement that makes the trigger. The words in it are the program's own, never a person's."""
    if connection.vendor == "postgresql":
        row = {"INSERT": "NEW.id", "TRUNCATE": "'all of it'"}.get(rule.write, "OLD.id")
        each = "STATEMENT" if rule.write == "TRUNCATE" else "ROW"
        back = {"DELETE": "OLD", "TRUNCATE": "NULL"}.get(rule.write, "NEW")
        return f"""
            CREATE FUNCTION {rule.name}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN
                IF {rule.when.format(lock=" FOR SHARE")} THEN
                    RAISE EXCEPTION USING ERRCODE = 'restrict_violation',
                        MESSAGE = '{rule.says} ({rule.table} ' || {row} || ')';
                END IF;
                RETURN {back};
            END $$;
            CREATE TRIGGER {rule.name} BEFORE {rule.write} ON {rule.table}
                FOR EACH {each} EXECUTE FUNCTION {rule.name}()"""
    # SQLite's RAISE takes a fixed text (before 3.47), so that its refusal names the kind of record, not its number.
    return f"""
        CREATE TRIGGER {rule.name} BEFORE {rule.write} ON {rule.table} WHEN {rule.when.format(lock="")}
        BEGIN SELECT RAISE(ABORT, '{rule.says} ({rule.table})'); END"""
