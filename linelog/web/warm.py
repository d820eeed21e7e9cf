"""What a server loads before it takes the first request, and what while one part of it answers already."""

from __future__ import annotations

import gc
from collections.abc import Callable
from importlib import import_module

from django.conf import settings

from linelog.calc import libraries


def warm() -> None:
    """Load every page's code, and take what is loaded out of the collector's rounds."""
    _for_good(lambda: import_module(settings.ROOT_URLCONF))


def load_libraries() -> None:
    """Load what the first pages can do without, likewise."""
    _for_good(libraries.load)


def _for_good(load: Callable[[], object]) -> None:
    """Load something that is never garbage.

    A full round over a million loaded objects takes a quarter of a second in the middle of somebody's page.
    """
    gc.disable()  # nor does it look for garbage meanwhile
    load()
    gc.collect()
    gc.freeze()
    gc.enable()
