"""Verdicts are judged anew at each look: the false alarms of a year of weekly looks are as DEVELOPERS.md states.

A shop of 12 jobs, each with a batch of 10 runs every four weeks for a year, 2 % spread from batch to batch and 1 % from
run to run, all at the same true ratio. A job is falsely accused if it is called `over` at any of 52 looks.
"""

import math
import re
from pathlib import Path

import numpy as np
import pytest

from pipeline.stats.drift import judge_drift

STATED_IN = Path(__file__).parents[2] / "DEVELOPERS.md"
SHOPS, JOBS, BATCHES, RUNS, WEEKS = 200, 12, 13, 10, 52


def ever_accused(ratio: float, seed: int) -> np.ndarray:
    """Return, shop by shop, how many jobs were called over at some look of the year."""
    rng = np.random.default_rng(seed)
    accused = np.zeros(SHOPS, dtype=int)
    job = np.repeat(np.arange(JOBS), BATCHES * RUNS)
    batch = np.tile(np.repeat(np.arange(BATCHES), RUNS), JOBS)
    for shop in range(SHOPS):
        week = batch * 4 + np.repeat(rng.integers(0, 4, JOBS), BATCHES * RUNS)
        effects = np.repeat(rng.normal(0, 0.02, JOBS * BATCHES), RUNS)
        ratios = ratio * np.exp(effects + rng.normal(0, 0.01, job.size))
        over: set[int] = set()
        for look in range(1, WEEKS + 1):
            seen = week < look
            if seen.any():
                present, numbered = np.unique(job[seen], return_inverse=True)
                verdicts = judge_drift(numbered, batch[seen], ratios[seen]).verdict
                over |= {int(present[at]) for at in np.flatnonzero(verdicts == "over")}
        accused[shop] = len(over)
    return accused


def stated(what: str, ratio: float) -> float:
    """Return the share that DEVELOPERS.md states."""
    line = rf"^\| {re.escape(what)} at {ratio:.2f} \| ([0-9.]+) % \|"
    row = re.search(line, STATED_IN.read_text(encoding="utf-8"), re.MULTILINE)
    assert row, f"DEVELOPERS.md states no figure for: {what} at {ratio:.2f}"
    return float(row[1]) / 100


@pytest.mark.parametrize("ratio", [1.0, 1.02, 1.03])
def test_false_alarms_of_a_year_are_as_stated(ratio: float) -> None:
    """No more jobs and shops are falsely accused in a year than stated (three standard errors of the share)."""
    accused = ever_accused(ratio, seed=52)

    shops, jobs = float((accused > 0).mean()), float(accused.sum() / (SHOPS * JOBS))
    for share, of, what in (
        (shops, SHOPS, "shops with any job falsely called over in a year of weekly looks"),
        (jobs, SHOPS * JOBS, "jobs falsely called over in a year of weekly looks"),
    ):
        promise = stated(what, ratio)
        margin = 3 * math.sqrt(max(promise * (1 - promise), 1 / of) / of)
        assert abs(share - promise) <= margin, f"{what} at {ratio}: {share:.4f}, stated {promise:.4f}"
