"""The workflow engine's run history: its API as a child process of ours, quiet and gone when we are.

Prefect's own temporary server outlives a killed parent, holds pipes open and hangs on Ctrl-C, so the
API runs in a child that ends when its standard input closes, in whatever way the parent goes. The
history is a convenience; the record of truth is raw.runs in the warehouse.
"""

import contextlib
import os
import shutil
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path

from shared.errors import UserError
from shared.store import Workspace

READY_WITHIN_S = 120.0
ENDS_WITHIN_S = 10.0

TEMPLATE = Path(sys.prefix) / "share" / "loopwear" / "history-template"
"""A home made once at set-up (python -m pipelines.run_history prepare): saves a new workspace the migrations."""


def home_of(workspace: Workspace) -> Path:
    """Folder in which the engine keeps its database, under the workspace's runs/."""
    return workspace.runs / "history"


UNASKED_SERVICES = (
    "SCHEDULER",
    "LATE_RUNS",
    "CANCELLATION_CLEANUP",
    "PAUSE_EXPIRATIONS",
    "FOREMAN",
    "REPOSSESSOR",
    "TRIGGERS",
    "CLEANUP_RECONCILER",
)
"""Services of the engine that a run of ours asks nothing of; each is started and, slower, stopped with the API.

What remains writes down task runs and events.
"""


def set_environment(home: Path, *, serving: bool = False) -> None:
    """Set the engine's environment; must come before its first import. A schedule needs all its services."""
    home.mkdir(parents=True, exist_ok=True)
    if not serving:
        os.environ.update({f"PREFECT_SERVER_SERVICES_{name}_ENABLED": "false" for name in UNASKED_SERVICES})
    os.environ.update(
        {
            "PREFECT_HOME": str(home),
            "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
            "DO_NOT_TRACK": "1",
            "PREFECT_LOGGING_LEVEL": "CRITICAL",
            "PREFECT_LOGGING_ROOT_LEVEL": "CRITICAL",
            "PREFECT_LOGGING_TO_API_ENABLED": "false",
            "PREFECT_SERVER_LOGGING_LEVEL": "CRITICAL",
            "PREFECT_SERVER_UI_SHOW_PROMOTIONAL_CONTENT": "false",
        }
    )


class ApiChild:
    """The engine's API in a child process; `start` returns at once, `wait_until_ready` before the first flow."""

    def __init__(self, home: Path) -> None:
        self.home = home
        self.process: subprocess.Popen[bytes] | None = None
        self.port = 0

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}/api"

    def start(self) -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        log = (self.home / "api.log").open("ab")
        # A group of its own: Ctrl-C must reach the parent alone, which then ends the child in order.
        on_windows = os.name == "nt"
        self.process = subprocess.Popen(
            [sys.executable, "-m", "pipelines.run_history", "serve", str(self.port)],
            stdin=subprocess.PIPE,
            stdout=log,
            stderr=log,
            start_new_session=not on_windows,
            creationflags=0x200 if on_windows else 0,  # CREATE_NEW_PROCESS_GROUP
        )
        log.close()

    def wait_until_ready(self) -> None:
        # A proxy set for the user's browser must not see, or break, a call to our own machine.
        opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
        deadline = time.monotonic() + READY_WITHIN_S
        while time.monotonic() < deadline and self.process is not None and self.process.poll() is None:
            with contextlib.suppress(urllib.error.URLError, OSError):
                opener.open(f"{self.url}/health", timeout=2)
                return
            time.sleep(0.05)
        raise UserError(
            "the workflow engine did not start",
            str(self.home / "api.log"),
            "read that log, or run the command again with --no-history",
        )

    def end(self) -> None:
        if self.process is None:
            return
        if self.process.stdin is not None:
            self.process.stdin.close()
        try:
            self.process.wait(ENDS_WITHIN_S)
        except subprocess.TimeoutExpired:
            self.process.kill()


@contextlib.contextmanager
def recording(
    workspace: Workspace, meanwhile: Callable[[], object] = lambda: None, *, serving: bool = False
) -> Iterator[None]:
    """Run flows inside this: they are recorded in the workspace's own history.

    Parameters
    ----------
    workspace
        Its runs/ holds the history.
    meanwhile
        Work that needs no engine, done while the engine starts.
    serving
        Whether runs are to be started by the engine itself, on a schedule.
    """
    home = home_of(workspace)
    if not home.exists() and TEMPLATE.exists():
        shutil.copytree(TEMPLATE, home, copy_function=shutil.copyfile)  # as open as this process writes files,
        home.chmod(home.parent.stat().st_mode)  # and no more
    set_environment(home, serving=serving)
    child = ApiChild(home)
    child.start()
    try:
        meanwhile()
        import prefect.settings as engine

        child.wait_until_ready()
        with engine.temporary_settings(
            {
                engine.PREFECT_API_URL: child.url,
                # With a heartbeat every run waits for a thread that sleeps in steps of a second.
                engine.PREFECT_FLOWS_HEARTBEAT_FREQUENCY: None,
            }
        ):
            _mark_broken_runs()
            yield
            from prefect.events.worker import EventsWorker

            EventsWorker.drain_all()
    finally:
        child.end()


def _mark_broken_runs() -> None:
    """Runs left 'running' by a killed process are closed: the workspace's lock says nobody else runs."""
    from prefect.client.orchestration import get_client
    from prefect.client.schemas.filters import FlowRunFilter, FlowRunFilterState, FlowRunFilterStateType
    from prefect.client.schemas.objects import StateType
    from prefect.states import Crashed

    left = FlowRunFilter(state=FlowRunFilterState(type=FlowRunFilterStateType(any_=[StateType.RUNNING])))
    with get_client(sync_client=True) as client:
        for run in client.read_flow_runs(flow_run_filter=left):
            client.set_flow_run_state(run.id, Crashed(message="the process ended before the run did"), force=True)


def _serve(port: int) -> None:
    """The child: serve the API until standard input closes."""
    import uvicorn
    from prefect.server.api.server import create_app

    server = uvicorn.Server(uvicorn.Config(create_app(), host="127.0.0.1", port=port, log_level="error", lifespan="on"))

    def end_with_parent() -> None:
        sys.stdin.buffer.read()
        server.should_exit = True
        time.sleep(ENDS_WITHIN_S - 2)
        os._exit(0)

    threading.Thread(target=end_with_parent, daemon=True).start()
    server.run()
    # The API has closed its database; to take the interpreter down in order would keep the command waiting for seconds.
    sys.stderr.flush()
    os._exit(0)


def _prepare() -> None:
    """Make the template home: one start of the API runs the engine's migrations."""
    if TEMPLATE.exists():
        return
    making = TEMPLATE.with_name("history-template.making")
    shutil.rmtree(making, ignore_errors=True)
    set_environment(making)
    child = ApiChild(making)
    child.start()
    try:
        child.wait_until_ready()
    finally:
        child.end()
    making.rename(TEMPLATE)


if __name__ == "__main__":
    if sys.argv[1] == "prepare":
        _prepare()
    else:
        _serve(int(sys.argv[2]))
