"""A tablet that types without end, each write under a key of its own, and remembers what the server acknowledged."""

from __future__ import annotations

import http.client
import re
import threading
import time
import uuid
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlencode

TOKEN = "t" * 32  # any value will do where the cookie and the header are the same


@dataclass(frozen=True, slots=True)
class Write:
    """One thing to store: a reading at a place of its own, or a move in words of its own."""

    kind: str
    path: str
    form: dict[str, Any]
    place: tuple[Any, ...]
    key: str = field(default_factory=lambda: uuid.uuid4().hex)


def writes(number: int, visits: list[dict[str, Any]]) -> Iterator[Write]:
    """Yield every write of a tablet: four readings of a sweep, then a move; no place comes twice."""
    places = (
        (one["visit"], station, seat, stage, repeat)
        for one in visits
        for stage in ("as_found", "as_left")
        for repeat in range(1, 10)
        for station, seats in one["stations"]
        for seat in seats
    )
    for count, (visit, station, seat, stage, repeat) in enumerate(places):
        at = f"/visits/{visit}/stations/{station}"
        query = f"?stage={stage}&seat={seat}"
        for angle in (0, 90, 180, 270):
            value = f"{(count * 7 + angle // 9) % 90 / 1000:.3f}"
            form = {"repeat": repeat, "angle_deg": angle, "value": value, "version": 0}
            form |= {"meant": value, "as_found": "on"}  # no question is asked back
            place = (visit, station, stage, seat, repeat, float(angle), value)
            yield Write("reading", f"{at}/reading/{query}", form, place)
        words = f"tablet {number} move {count}"
        yield Write("move", f"{at}/moves/{query}", {"words": words}, (visit, station, words))


class Writer(threading.Thread):
    """Sends each write until it is acknowledged, again and again under the same key, before it goes on."""

    def __init__(self, number: int, port: int, needs: dict[str, Any], *, pause: float = 0.0) -> None:
        super().__init__(daemon=True, name=f"writer {number}")
        self.port, self.pause, self.stopping = port, pause, threading.Event()
        self.todo = writes(number, needs["visits"])
        self.cookies = {"sessionid": needs["session"], "csrftoken": TOKEN}
        self.sent: list[Write] = []
        self.acknowledged: list[Write] = []
        self.refused: list[str] = []
        self.sent_again = 0
        self.failed: Counter[int] = Counter()  # answers from 500 on, by status; 0 where none came
        self.times: list[float] = []
        self.connection: http.client.HTTPConnection | None = None

    def run(self) -> None:
        """Write until told to stop; what is under way then is still brought to its end."""
        time.sleep(self.pause * (int(self.name.split()[1]) % 50) / 50)
        while not self.stopping.is_set() and (write := next(self.todo, None)) is not None:
            self.sent.append(write)
            started = time.perf_counter()
            if self._until_acknowledged(write):
                self.acknowledged.append(write)
            self.times.append(time.perf_counter() - started)
            time.sleep(self.pause)
        self._hang_up()

    def _until_acknowledged(self, write: Write) -> bool:
        while True:
            status, body = self._send(write)
            if status == 200:
                return True
            if 400 <= status < 500:
                said = re.search(rb'class="wrong"[^>]*>([^<]*)', body)
                self.refused.append(f"{status} {write.path}: {said[1].decode() if said else body[:200]!r}")
                return False
            self.sent_again += 1
            self.failed[status] += 1
            time.sleep(0.25)

    def _send(self, write: Write) -> tuple[int, bytes]:
        """Send it once; 0 where no answer came."""
        headers = {
            "Cookie": "; ".join(f"{name}={value}" for name, value in self.cookies.items()),
            "Content-Type": "application/x-www-form-urlencoded",
            "HX-Request": "true",
            "X-CSRFToken": TOKEN,
            "X-Write-Key": write.key,
        }
        was_idle = self.connection is not None
        try:
            if self.connection is None:
                self.connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
            self.connection.request("POST", write.path, urlencode(write.form), headers)
            answer = self.connection.getresponse()
            return answer.status, answer.read()
        except (OSError, http.client.HTTPException):
            self._hang_up()
            # The server hangs up after a while of silence: a browser then sends it anew, and so do we.
            return self._send(write) if was_idle else (0, b"")

    def _hang_up(self) -> None:
        if self.connection is not None:
            self.connection.close()
        self.connection = None
