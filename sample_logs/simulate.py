"""The simulation of the demo shop: orders go to machines, machines run, and the frames of every input kind come out.
It writes no files and imports nothing of the pipeline; what it plants it also tells, in `DemoShop.truth`.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
import polars as pl

from sample_logs.frames import cycle_frame, edge_change_frame, estimate_frame, job_frame, tool_change_frame
from sample_logs.outages import plan_outages
from sample_logs.plan import STREAM_MACHINE, Part, Plan, load_plan, stretch
from sample_logs.record import Order, Task, gather
from sample_logs.shifts import Windows, local_ms, planned_windows
from sample_logs.shop_floor import MINUTE, SECOND, Batch, Incident, MachineRun, Spares, draw_normal
from sample_logs.stream import stream_changes, stream_events
from sample_logs.truth import Truth, tell_truth

DAY = 24 * 60 * MINUTE
EARLY = time(6)
LATE = time(22)
INCIDENTS: tuple[tuple[Incident, float], ...] = (
    ("hold", 0.04),
    ("dip", 0.08),
    ("stop", 0.02),
    ("fault", 0.006),
    ("operator abort", 0.003),
)
LENGTHS_S: dict[Incident, tuple[int, int]] = {  # least, and how much more at most
    "hold": (10, 60),
    "dip": (20, 50),
    "stop": (40, 90),
    "fault": (120, 300),
}
MAX_EDGES = 200

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class DemoShop:
    """The demo shop's logs as frames in the canonical columns of the input kinds, and the truth behind them.

    `stream` is what `event` holds as the machine itself says it: at (ms), its own item name, its own value.
    """

    seed: int
    cycle: pl.DataFrame
    tool_change: pl.DataFrame
    edge_change: pl.DataFrame
    event: pl.DataFrame
    estimate: pl.DataFrame
    job: pl.DataFrame
    stream: pl.DataFrame
    truth: Truth


def simulate(seed: int) -> DemoShop:
    """Run the demo shop once.

    The same seed gives the same shop to the millisecond; what is planted does not depend on the seed.
    """
    plan = load_plan()
    rng = np.random.Generator(np.random.PCG64(seed))
    zone = ZoneInfo(plan.timezone)
    windows = _windows_of(plan)
    orders = _draw_orders(plan, rng, zone)
    ratios = _draw_ratios(plan, rng)
    tasks = _tasks_in_turn(orders)
    batches = [_draw_batch(plan, rng, number, task, ratios) for number, task in enumerate(tasks)]
    horizon = local_ms(plan.last_day, LATE, zone)
    begin = local_ms(plan.first_day, EARLY, zone)
    runs = {
        machine: MachineRun(machine, plan, windows[machine], _draw_spares(plan, machine, rng), horizon, begin)
        for machine in plan.machines
    }
    done: dict[tuple[str, int], int] = {}
    for batch, task in zip(batches, tasks, strict=True):
        before = done.get((task.order.part.part, task.order.number), 0)
        not_before = max(task.order.release, before + 2 * 60 * MINUTE)
        ended = runs[task.operation.machine].run_batch(batch, not_before)
        done[task.order.part.part, task.order.number] = ended
    record = gather(runs, tasks)
    outages = plan_outages(record, windows[STREAM_MACHINE], plan, rng)
    stream = stream_changes(record, outages, plan)
    return DemoShop(
        seed=seed,
        cycle=cycle_frame(record),
        tool_change=tool_change_frame(record),
        edge_change=edge_change_frame(plan, record),
        event=stream_events(stream),
        estimate=estimate_frame(plan),
        job=job_frame(orders),
        stream=stream,
        truth=tell_truth(seed, plan, record, windows, outages, ratios),
    )


def _windows_of(plan: Plan) -> dict[str, Windows]:
    # the calendar runs on past the last day so that work that is cut off there still finds an open window
    last = plan.last_day + timedelta(days=14)
    return {machine: planned_windows(plan.shop, machine, plan.first_day, last) for machine in plan.machines}


def _draw_orders(plan: Plan, rng: np.random.Generator, zone: ZoneInfo) -> list[Order]:
    days = (plan.last_release - plan.first_day).days
    drafts: list[tuple[date, Part, int, int, int]] = []
    for part in plan.parts:
        gap = days / part.orders
        jitter = rng.random(part.orders)
        sizes = rng.random(part.orders)
        notice = rng.random(part.orders)
        low, high = part.quantity
        for k in range(part.orders):
            release = plan.first_day + timedelta(days=int((k + 0.6 * jitter[k]) * gap))
            quantity = low + int(sizes[k] * (high - low + 1))
            release, quantity = plan.pinned.get((part.part, k), (release, quantity))
            drafts.append((release, part, k, quantity, 3 + int(notice[k] * 5)))
    drafts.sort(key=lambda draft: (draft[0], draft[1].part))
    orders = []
    running = 0
    for release, part, k, quantity, days_notice in drafts:
        if part.standing_job is None:
            running += 1
        job = part.standing_job or f"26-{running:04d}"
        ordered_on = release - timedelta(days=days_notice)
        orders.append(Order(part, k, job, quantity, ordered_on, local_ms(release, EARLY, zone)))
    return orders


def _draw_ratios(plan: Plan, rng: np.random.Generator) -> dict[tuple[str, str], float]:
    operations = [operation for part in plan.parts for operation in part.operations]
    spread = (rng.random(len(operations)) * 2 - 1) * plan.noise.on_estimate_half_width
    return {
        (op.part, op.operation): 1.0 + float(x) for op, x in zip(operations, spread, strict=True) if op.planted is None
    }


def _tasks_in_turn(orders: list[Order]) -> list[Task]:
    dated = [
        (order.release + k * 4 * DAY, order.job, order.number, k, Task(order, operation))
        for order in orders
        for k, operation in enumerate(order.part.operations)
    ]
    dated.sort(key=lambda row: row[:4])
    return [row[4] for row in dated]


def _draw_batch(
    plan: Plan, rng: np.random.Generator, number: int, task: Task, ratios: dict[tuple[str, str], float]
) -> Batch:
    operation, count = task.operation, task.order.quantity
    steps = operation.steps
    stream = operation.machine == STREAM_MACHINE
    unit = 1 if stream else SECOND
    noise = plan.noise
    on_ratio = ratios.get((operation.part, operation.operation), 1.0)
    cuts, noncut, override = stretch(operation, on_ratio, task.order.number)
    batch_log = noise.batch_sd * draw_normal(rng, (1, 1))
    run_log = batch_log + noise.run_sd * draw_normal(rng, (count, 1))
    factor = np.exp(run_log + noise.tool_sd * draw_normal(rng, (count, len(steps))))
    cut_ms = factor * np.array([step.cut_s * k for step, k in zip(steps, cuts, strict=True)]) * SECOND
    noncut_ms = np.exp(run_log) * np.array([step.noncut_s * noncut for step in steps]) * SECOND
    wait = np.exp(0.2 * draw_normal(rng, (count,)))
    setup = np.exp(0.15 * draw_normal(rng, (1,)) + 0.05)
    u = rng.random((count, 5))
    incidents, lengths = _incidents(u, stream)
    incident_step = (u[:, 1] * len(steps)).astype(int).tolist()
    incident_step[0] = len(steps) - 1
    return Batch(
        task=number,
        operation=operation,
        quantity=count,
        setup_ms=int(operation.setup_s * setup[0]) * SECOND,
        override=override,
        cut_ms=(np.maximum(np.rint(cut_ms / unit), 1).astype(np.int64) * unit).tolist(),
        noncut_ms=(np.maximum(np.rint(noncut_ms / unit), 2).astype(np.int64) * unit).tolist(),
        load_ms=(np.rint(operation.load_s * wait).astype(np.int64) * SECOND).tolist(),
        incidents=incidents,
        incident_step=incident_step,
        incident_ms=(np.rint(lengths / unit).astype(np.int64) * unit).tolist(),
        reaction_ms=(np.rint((5 + 35 * u[:, 3]) * (12 if stream else 1)).astype(np.int64) * SECOND).tolist(),
        alarm=(u[:, 4] < 0.35).tolist(),
    )


def _incidents(u: FloatArray, stream: bool) -> tuple[list[Incident], FloatArray]:
    """Say what disturbs each cycle and for how long in ms; the first cycle of a batch is stopped to measure."""
    incidents: list[Incident] = []
    for draw in u[:, 0].tolist():
        kind: Incident = "none"
        for name, share in INCIDENTS:
            if draw < share:
                kind = name
                break
            draw -= share
        incidents.append(kind)
    incidents[0] = "stop"
    low = np.array([LENGTHS_S.get(kind, (0, 0))[0] for kind in incidents])
    more = np.array([LENGTHS_S.get(kind, (0, 0))[1] for kind in incidents])
    if not stream:
        # a log of cycles knows no override: a dip there would be nothing but noise
        incidents = ["none" if kind == "dip" else kind for kind in incidents]
    return incidents, (low + more * u[:, 2]) * SECOND


def _draw_spares(plan: Plan, machine: str, rng: np.random.Generator) -> dict[str, Spares]:
    spares = {}
    for (owner, tool), tool_plan in plan.tools.items():
        if owner == machine:
            uniforms = rng.random((MAX_EDGES, 5)).tolist()
            spares[tool] = Spares(tool_plan, plan.edges, iter(uniforms))
    return spares
