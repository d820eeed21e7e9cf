"""The engine: as Django's, but each write waits for its turn before it asks SQLite for the file."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from django.db import OperationalError
from django.db.backends.sqlite3 import base

from linelog.web.sqlite3 import turns

IN_TURN = frozenset({"IMMEDIATE", "EXCLUSIVE"})  # a deferred transaction reads
WRITES = re.compile(r"\s*(INSERT|UPDATE|DELETE|REPLACE)\b", re.IGNORECASE)


if TYPE_CHECKING:

    class Engine(base.DatabaseWrapper):
        """Django's engine, with what the stubs lack of it."""

        transaction_mode: str | None

        def _start_transaction_under_autocommit(self) -> None: ...
        def _commit(self) -> None: ...
        def _rollback(self) -> None: ...
        def _close(self) -> None: ...

else:
    Engine = base.DatabaseWrapper


class DatabaseWrapper(Engine):
    """A connection, with its place in the queue of those who write."""

    _turns: turns.Turns | None = None  # while it is its turn

    def take_turn(self) -> None:
        """Wait until nobody else of this program writes. The wait counts as SQLite's own does: locked, at its end."""
        name = str(self.settings_dict["NAME"])
        if self._turns is not None or self.is_in_memory_db():
            return
        queue = turns.before(name)
        try:
            queue.take(float(self.settings_dict["OPTIONS"].get("timeout", 5.0)))
        except turns.TooLong:
            raise OperationalError("database is locked") from None
        self._turns = queue

    def give_turn(self) -> None:
        """Let the next one write."""
        queue, self._turns = self._turns, None
        if queue is not None:
            queue.give()

    def create_cursor(self, name: Any = None) -> Any:
        """Return a cursor that takes turns where it writes outside a transaction."""
        cursor = self.connection.cursor(factory=Cursor)
        cursor.wrapper = self
        return cursor

    def _start_transaction_under_autocommit(self) -> None:
        if self.transaction_mode not in IN_TURN:
            super()._start_transaction_under_autocommit()
            return
        self.take_turn()
        try:
            super()._start_transaction_under_autocommit()
        except BaseException:
            self.give_turn()
            raise

    def _commit(self) -> None:
        super()._commit()  # where it fails a rollback follows
        self.give_turn()

    def _rollback(self) -> None:
        try:
            super()._rollback()
        finally:
            self.give_turn()

    def _close(self) -> None:
        try:
            super()._close()
        finally:
            self.give_turn()


class Cursor(base.SQLiteCursorWrapper):
    """A cursor of Django's, which waits for its turn where one statement is a whole transaction."""

    wrapper: DatabaseWrapper

    def execute(self, query: str, params: Any = None) -> Any:
        """Run a statement."""
        return self._in_turn(query, super().execute, params)

    def executemany(self, query: str, param_list: Any) -> Any:
        """Run a statement for each of some rows."""
        return self._in_turn(query, super().executemany, param_list)

    def convert_query(self, query: str, *, param_names: Any = None) -> str:
        """Return a statement with SQLite's marks for its values; one that is asked again was turned before."""
        return super().convert_query(query, param_names=param_names) if param_names else _marked(query)

    def _in_turn(self, query: str, run: Any, params: Any) -> Any:
        if self.wrapper.in_atomic_block or not WRITES.match(query):
            return run(query, params)
        self.wrapper.take_turn()
        try:
            return run(query, params)
        finally:
            self.wrapper.give_turn()


@lru_cache(maxsize=256)
def _marked(query: str) -> str:
    return str(base.FORMAT_QMARK_REGEX.sub("?", query).replace("%%", "%"))
