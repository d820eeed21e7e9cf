"""What the worker does for every app."""

from linelog.web import nightly, tidy

__all__ = ["nightly", "tidy"]
