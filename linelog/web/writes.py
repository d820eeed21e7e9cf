"""A write that is sent twice is stored once."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from datetime import datetime
from typing import Any

from django.db import IntegrityError, transaction

from linelog.web.errors import Refused
from linelog.web.models import WriteKey
from linelog.web.prepared import PreparedInsert

KEYS = PreparedInsert(WriteKey)


def digest(content: Any) -> str:
    """Return a short fingerprint of what was sent."""
    return hashlib.sha256(json.dumps(content, sort_keys=True, default=str).encode()).hexdigest()


class SentBefore(Exception):
    """What is sent under this key was stored before."""


def put(*, by: Any, key: str, content: Any, at: datetime, answer: Any) -> None:
    """Store a key with its answer, in one statement, before the write that it stands for; or `SentBefore`.

    For a write that knows its answer beforehand, in the transaction that ends by that exception.
    """
    if not key:
        return
    try:
        KEYS.store(WriteKey(actor_id=by.pk, key=key[:64], digest=digest(content), answer=answer, at=at))
    except IntegrityError:
        raise SentBefore from None


def answered(*, by: Any, key: str, content: Any) -> Any:
    """Return the first answer to what is sent again, None where it was not stored; refused with other content."""
    first = WriteKey.objects.filter(actor_id=by.pk, key=key[:64]).first() if key else None
    if first is not None and first.digest != digest(content):
        raise Refused("This was already sent with other content; reload the page.")
    return first.answer if first is not None else None


def once(*, by: Any, key: str, content: Any, at: datetime, write: Callable[[], Any]) -> Any:
    """Run `write` under its key in one transaction and return its (JSON) answer.

    The key is inserted first and the conflict caught, never looked up first. The same key with the same
    content returns the first answer again; with other content it is refused. An empty key writes plainly.
    """
    with transaction.atomic():
        if not key:
            return write()
        try:
            with transaction.atomic():
                kept = KEYS.store(WriteKey(actor_id=by.pk, key=key[:64], digest=digest(content), at=at))
        except IntegrityError:
            return answered(by=by, key=key, content=content)
        answer = write()
        WriteKey.objects.filter(pk=kept.pk).update(answer=answer)
        return answer
