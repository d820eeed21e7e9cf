"""The program's command line: `linelog` where it is installed, `python manage.py` in a clone of the repository."""

import gc
import os
import sys


def main() -> None:
    """Run one management command."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "linelog.settings")
    # Many requests share few cores: a linear-algebra library that takes them all for one sum slows every other.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    gc.disable()  # what is loaded is never garbage: looking for some takes a tenth of the start
    import django
    from django.core.management import execute_from_command_line

    django.setup()
    gc.freeze()
    gc.enable()
    execute_from_command_line(sys.argv)


if __name__ == "__main__":
    main()
