"""Make the picture of the first page that the README shows: python -m reports.first_page REPORTS PICTURE."""

import os
import subprocess
import sys
import tempfile
from pathlib import Path

from reports.pdf import SECONDS, find_browser


def write_picture(reports: Path, picture: Path, width: int = 1100, height: int = 860) -> Path:
    """Photograph index.html of a reports folder, so many pixels wide and high."""
    with tempfile.TemporaryDirectory(prefix="loopwear-picture-") as profile:
        command = [
            find_browser(), "--headless", "--disable-gpu", "--no-first-run", "--hide-scrollbars", "--disable-quic",
            "--disable-background-networking", "--disable-component-update", "--disable-sync",
            "--disable-dev-shm-usage",
            *(["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []),
            f"--user-data-dir={profile}", f"--window-size={width},{height}", "--virtual-time-budget=5000",
            f"--screenshot={picture.resolve()}", (reports / "index.html").resolve().as_uri(),
        ]  # fmt: skip
        subprocess.run(command, capture_output=True, timeout=SECONDS, check=True)
    return picture


if __name__ == "__main__":
    print(write_picture(Path(sys.argv[1]), Path(sys.argv[2])))
