#!/usr/bin/env python3
"""Django's command line for this project."""

import os
import sys


def main() -> None:
    """Run one management command."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "linelog.settings")
    # Many requests share few cores: a linear-algebra library that takes them all for one sum slows every other.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from django.core.management import execute_from_command_line

    execute_from_command_line(sys.argv)


if __name__ == "__main__":
    main()
