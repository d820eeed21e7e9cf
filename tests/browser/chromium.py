"""Where Debian's Chromium is, and the flags it runs with on a machine without a screen."""

import shutil

FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
