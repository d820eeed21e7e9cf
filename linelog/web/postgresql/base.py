"""The engine: as Django's, but a connection on which the server was silent is not asked whether it still answers.

Django asks `SELECT 1` before the first question of every request (`CONN_HEALTH_CHECKS`). A server that ended, or
ended the connection, has closed its end, which is there to be read: nobody has to be asked for that.
"""

from __future__ import annotations

import select

from django.db.backends.postgresql import base


class DatabaseWrapper(base.DatabaseWrapper):
    """A connection."""

    def is_usable(self) -> bool:
        """Say whether it is still there; ask only where something came that was not asked for."""
        if self.connection is None or self.connection.closed:
            return False
        come = select.poll()
        come.register(self.connection.fileno(), select.POLLIN)
        return bool(super().is_usable()) if come.poll(0) else True
