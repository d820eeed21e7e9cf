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


def digest(content: Any) -> str:
    """Return a short fingerprint of what was sent."""
    return hashlib.sha256(json.dumps(content, sort_keys=True, default=str).encode()).hexdigest()


def once(*, by: Any, key: str, content: Any, at: datetime, write: Callable[[], Any]) -> Any:
    """Run `write` under its key in one transaction and return its (JSON) answer.

    The key is inserted first and the conflict caught, never looked up first. The same key with the same
    content returns the first answer again; with other content it is refused. An empty key writes plainly.
    """
    with transaction.atomic():
        if not key:
            return write()
        print_of_it = digest(content)
        try:
            with transaction.atomic():
                kept = WriteKey.objects.create(actor_id=by.pk, key=key[:64], digest=print_of_it, at=at)
        except IntegrityError:
            first = WriteKey.objects.get(actor_id=by.pk, key=key[:64])
            if first.digest != print_of_it:
                raise Refused("This was already sent with other content; reload the page.") from None
            return first.answer
        answer = write()
        WriteKey.objects.filter(pk=kept.pk).update(answer=answer)
        return answer
