"""What must be on the disk before anybody is told that it is stored."""

import os
from pathlib import Path


def settle(folder: Path) -> None:
    """Have the names of a folder on the disk: a file that was renamed into it stays there after a power cut."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
