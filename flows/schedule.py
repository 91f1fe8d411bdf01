"""The same steps as a Prefect flow, served on a schedule. The only module that imports Prefect."""

from __future__ import annotations

import os
from datetime import timedelta
from pathlib import Path

# Before the import: nothing is reported to anyone, and a run's log stays on this computer.
os.environ["PREFECT_SERVER_ANALYTICS_ENABLED"] = "false"
os.environ.setdefault("DO_NOT_TRACK", "1")

from prefect import flow, task

from flows import steps
from pipeline.errors import StoreBusyError
from pipeline.progress import Lines
from pipeline.workspace import Workspace


def _is_worth_trying_again(_task: object, _run: object, state: object) -> bool:
    """Only a book that another program holds is: the other errors stay until somebody mends them."""
    result = state.result(raise_on_failure=False)  # type: ignore[attr-defined]
    return isinstance(result, StoreBusyError)


@task(name="ingest", retries=5, retry_delay_seconds=30, retry_condition_fn=_is_worth_trying_again)
def ingest_task(sources: list[str], workspace: str) -> int:
    """Read, check and store what is new; returns how many rows were loaded."""
    result = steps.ingest([Path(source) for source in sources], Workspace(Path(workspace)), Lines())
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


def serve(sources: list[Path], workspace: Path, every: timedelta) -> None:
    """Serve the flow until interrupted, one pass every `every`."""
    keep_book.serve(
        name="keep-book",
        interval=every,
        parameters={"sources": [str(source.resolve()) for source in sources], "workspace": str(workspace.resolve())},
        pause_on_shutdown=False,
    )
