"""What a person sees while a long command runs: a line on a terminal, nothing in a pipe, and a log in the workspace."""

import datetime as dt
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from shared.store import Workspace
from shared.terminal import visible


def log_line(workspace: Workspace, text: str) -> None:
    """Add a dated line to runs/loopwear.log; a workspace that cannot be written is the command's own error, later."""
    try:
        workspace.runs.mkdir(parents=True, exist_ok=True)
        with log_path(workspace).open("a", encoding="utf-8") as log:
            log.write(f"{dt.datetime.now(dt.UTC):%Y-%m-%dT%H:%M:%SZ} {visible(text)}\n")
    except OSError:
        return


def log_path(workspace: Workspace) -> Path:
    """The workspace's log."""
    return workspace.runs / "loopwear.log"


class Progress:
    """Names the step under way on standard error while it runs, where that is a terminal."""

    def __init__(self, workspace: Workspace) -> None:
        self.workspace = workspace

    @contextmanager
    def step(self, name: str) -> Iterator[None]:
        """Show a step while it runs, and log that it began."""
        log_line(self.workspace, f"step {name}")
        if not sys.stderr.isatty():
            yield
            return
        from rich.console import Console

        with Console(file=sys.__stderr__).status(f"{name} ..."):
            yield
