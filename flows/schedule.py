"""The same steps as a Prefect flow, served on a schedule. The only module that imports Prefect."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path

# Before the import: nothing is reported to anyone, and a run's log stays on this computer.
os.environ["PREFECT_SERVER_ANALYTICS_ENABLED"] = "false"
os.environ.setdefault("DO_NOT_TRACK", "1")

from prefect import flow, task
from prefect.settings import PREFECT_API_URL, temporary_settings

from flows import steps
from flows.ingesting import ingest
from pipeline.errors import SpindlebookError, StoreBusyError
from pipeline.progress import Lines
from pipeline.workspace import Workspace

SERVER_START_S = 90.0


def _is_worth_trying_again(_task: object, _run: object, state: object) -> bool:
    """Only a book that another program holds is: the other errors stay until somebody mends them."""
    result = state.result(raise_on_failure=False)  # type: ignore[attr-defined]
    return isinstance(result, StoreBusyError)


@task(name="ingest", retries=5, retry_delay_seconds=30, retry_condition_fn=_is_worth_trying_again)
def ingest_task(sources: list[str], workspace: str) -> int:
    """Read, check and store what is new; returns how many rows were loaded."""
    result = ingest([Path(source) for source in sources], Workspace(Path(workspace)), Lines())
    return result.rows_loaded


@task(name="derive", retries=5, retry_delay_seconds=30, retry_condition_fn=_is_worth_trying_again)
def derive_task(workspace: str) -> bool:
    """Rebuild the marts where something changed; returns whether it did."""
    return steps.derive_marts(Workspace(Path(workspace)), Lines())


@task(name="publish", retries=5, retry_delay_seconds=30, retry_condition_fn=_is_worth_trying_again)
def publish_task(workspace: str) -> int:
    """Write the site; returns how many files it has."""
    return len(steps.publish_site(Workspace(Path(workspace)), Lines()))


@flow(name="spindlebook", log_prints=False)
def keep_book(sources: list[str], workspace: str) -> dict[str, int]:
    """One pass over the exports: ingest, derive, publish."""
    loaded = ingest_task(sources, workspace)
    changed = derive_task(workspace)
    pages = publish_task(workspace) if changed else 0
    return {"rows_loaded": loaded, "pages": pages}


@contextmanager
def local_server() -> Iterator[str]:
    """Run a Prefect server of our own on this computer, which is what keeps the schedule; give its address.

    A server that PREFECT_API_URL names is used instead. Raises SpindlebookError when ours does not answer in time.
    """
    if named := PREFECT_API_URL.value():
        yield str(named)
        return
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = str(probe.getsockname()[1])
    command = [sys.executable, "-m", "prefect", "server", "start", "--host", "127.0.0.1", "--port", port]
    # in a session of its own: an interrupt reaches the runner first, which still needs the server to end its run
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True)
    try:
        address = f"http://127.0.0.1:{port}/api"
        _wait_for(address, process)
        with temporary_settings({PREFECT_API_URL: address}):
            yield address
    finally:
        process.terminate()
        process.wait(timeout=30)


def _wait_for(address: str, process: subprocess.Popen[bytes]) -> None:
    deadline = time.monotonic() + SERVER_START_S
    while time.monotonic() < deadline and process.poll() is None:
        try:
            with urllib.request.urlopen(f"{address}/health", timeout=2):
                return
        except (urllib.error.URLError, OSError):
            time.sleep(0.5)
    raise SpindlebookError("The scheduler did not start on this computer. Run `prefect server start` to see why.")


def serve(sources: list[Path], workspace: Path, every: timedelta) -> None:
    """Serve the flow until interrupted, one pass every `every`; paths are taken from where the command was given."""
    with local_server():
        keep_book.serve(
            name="keep-book",
            interval=every,
            limit=1,  # the book has one writer: a pass that takes longer than the interval is not joined by the next
            parameters={
                "sources": [str(source.resolve()) for source in sources],
                "workspace": str(workspace.resolve()),
            },
        )
