"""What a server does before it takes the first request."""

from __future__ import annotations

import gc
from importlib import import_module

from django.conf import settings


def warm() -> None:
    """Load every page's code, and take what is loaded out of the collector's rounds.

    A full round over a million loaded objects takes a quarter of a second in the middle of somebody's page, and what
    is loaded once is never garbage.
    """
    gc.disable()  # nor does it look for garbage meanwhile
    import_module(settings.ROOT_URLCONF)
    gc.collect()
    gc.freeze()
    gc.enable()
