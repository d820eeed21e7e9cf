"""The data folder is for the account of the program alone."""

from __future__ import annotations

import logging
from pathlib import Path

log = logging.getLogger(__name__)
FOLDER, FILE = 0o700, 0o600


def shut(folder: Path) -> int:
    """Take everybody else's rights away from a folder and all in it; return how many had any.

    What is made anew is private by the process's mask (settings.py); this is for what an earlier version made.
    """
    changed = 0
    for path in (folder, *folder.rglob("*")):
        if path.is_symlink():
            continue
        try:
            if path.stat().st_mode & 0o077:
                path.chmod(FOLDER if path.is_dir() else FILE)
                changed += 1
        except OSError as trouble:
            log.warning("others may read %s: %s", path, trouble)
    return changed
