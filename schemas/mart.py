"""Pandera models of the marts: the columns that reports, pages and spreadsheets rely on.

Names follow DESIGN section 5; more may be added, none is renamed without a migration.
"""

from typing import Final

import pandera.polars as pa
import polars as pl

from schemas.inputs import InputModel, UtcTime
from schemas.vocabulary import (
    BASES,
    BATCH_BASES,
    CAUSES,
    CONTRADICTIONS,
    COUNTER_VERDICTS,
    COUNTERS,
    DRIFT_VERDICTS,
    EDGE_DUE,
    LIFE_UNIT_REASONS,
    LIFE_UNITS,
    LIFE_VERDICTS,
    LOSSES,
    POOLED_WITH,
    TIME_KINDS,
    TREND_KINDS,
    WEAR_MEASURES,
    WEAR_VERDICTS,
)


class _Utilisation(InputModel):
    """Of a machine's local day, week or month. The eight states add up to calendar_s; the *_planned_s to planned_s.

    overtime_s and lights_out_s are the time in cycle outside shifts, with people there and without. ISO 22400-2 terms
    inside planned time: PBT = observed_planned_s, APT = cutting + noncutting, AUST = setup, AUPT = APT + AUST,
    ADET = held + faulted, AUBT = AUPT + ADET.
    """

    machine: str
    calendar_s: float = pa.Field(gt=0)
    planned_s: float = pa.Field(ge=0)
    observed_planned_s: float = pa.Field(ge=0)
    coverage: float = pa.Field(nullable=True, ge=0, le=1)
    cutting_s: float = pa.Field(ge=0)
    noncutting_s: float = pa.Field(ge=0)
    held_s: float = pa.Field(ge=0)
    faulted_s: float = pa.Field(ge=0)
    setup_s: float = pa.Field(ge=0)
    idle_s: float = pa.Field(ge=0)
    off_shift_s: float = pa.Field(ge=0)
    unobserved_s: float = pa.Field(ge=0)
    cutting_planned_s: float = pa.Field(ge=0)
    noncutting_planned_s: float = pa.Field(ge=0)
    held_planned_s: float = pa.Field(ge=0)
    faulted_planned_s: float = pa.Field(ge=0)
    setup_planned_s: float = pa.Field(ge=0)
    idle_planned_s: float = pa.Field(ge=0)
    off_shift_planned_s: float = pa.Field(ge=0)
    unobserved_planned_s: float = pa.Field(ge=0)
    overtime_s: float = pa.Field(ge=0)
    lights_out_s: float = pa.Field(ge=0)
    cycles: pl.Int64 = pa.Field(ge=0)
    parts: pl.Int64 = pa.Field(ge=0)
    scrap: pl.Int64 = pa.Field(ge=0)
    spindle_utilisation: float = pa.Field(nullable=True, ge=0, le=1)
    spindle_utilisation_calendar: float = pa.Field(nullable=True, ge=0, le=1)
    utilization_efficiency: float = pa.Field(nullable=True, ge=0, le=1)
    availability: float = pa.Field(nullable=True, ge=0, le=1)
    allocation_efficiency: float = pa.Field(nullable=True, ge=0, le=1)
    technical_efficiency: float = pa.Field(nullable=True, ge=0, le=1)
    setup_rate: float = pa.Field(nullable=True, ge=0, le=1)
    actual_busy_s: float = pa.Field(ge=0)
    actual_processing_s: float = pa.Field(ge=0)
    actual_production_s: float = pa.Field(ge=0)
    actual_delay_s: float = pa.Field(ge=0)
    ideal_share: float = pa.Field(nullable=True, ge=0, le=1)  # of the production time, that has an estimate
    effectiveness: float = pa.Field(nullable=True, ge=0)
    quality_ratio: float = pa.Field(nullable=True, ge=0, le=1)
    oee_index: float = pa.Field(nullable=True, ge=0)
    nee_index: float = pa.Field(nullable=True, ge=0)
    low_coverage: bool  # less of the planned time was observed than least_coverage of shop.toml
    basis: str = pa.Field(isin=list(BASES))


class UtilisationMonthly(_Utilisation):
    """Grain: machine x local month, '2026-03'."""

    month: str = pa.Field(str_matches=r"^\d{4}-\d{2}$")


class UtilisationWeekly(_Utilisation):
    """Grain: machine x ISO week in local time, '2026-W09'."""

    week: str = pa.Field(str_matches=r"^\d{4}-W\d{2}$")


class UtilisationDaily(_Utilisation):
    """Grain: machine x local day, '2026-03-01', from the first to the last of which anything is known."""

    day: str = pa.Field(str_matches=r"^\d{4}-\d{2}-\d{2}$")


class MonthLoss(InputModel):
    """Grain: machine x local month x loss. With cutting_planned_s the losses of a month add up to planned_s."""

    machine: str
    month: str = pa.Field(str_matches=r"^\d{4}-\d{2}$")
    loss: str = pa.Field(isin=list(LOSSES))
    hours: float = pa.Field(ge=0)
    share_of_planned: float = pa.Field(nullable=True, ge=0, le=1)
    cost: float = pa.Field(nullable=True, ge=0)  # hours at the machine's rate; empty for what was not observed


class LongestStop(InputModel):
    """Grain: machine x local month x place, the longest first. `hours` are planned time; `run_id` is the month's last
    run before the stop, which it interrupted or followed; file and row are the record that the stop began with."""

    machine: str
    month: str = pa.Field(str_matches=r"^\d{4}-\d{2}$")
    place: pl.Int64 = pa.Field(ge=1, le=20)
    state: str = pa.Field(isin=["held", "faulted", "idle"])
    loss: str = pa.Field(isin=["feed_hold", "program_stop", "fault", "idle"])
    started_at: UtcTime
    ended_at: UtcTime
    hours: float = pa.Field(gt=0)
    cost: float = pa.Field(nullable=True, ge=0)
    interrupted: bool = pa.Field(nullable=True)
    run_id: str = pa.Field(nullable=True)
    job_key: str = pa.Field(nullable=True)
    job: str = pa.Field(nullable=True)
    operation: str = pa.Field(nullable=True)
    program: str = pa.Field(nullable=True)
    revision: str = pa.Field(nullable=True)
    file_id: str = pa.Field(nullable=True)
    row_number: pl.Int64 = pa.Field(nullable=True)


class MonthJob(InputModel):
    """Grain: machine x local month x job_key: what a month was spent on."""

    machine: str
    month: str = pa.Field(str_matches=r"^\d{4}-\d{2}$")
    job_key: str
    runs: pl.Int64 = pa.Field(ge=1)
    parts: pl.Int64 = pa.Field(ge=0)
    scrap: pl.Int64 = pa.Field(ge=0)
    in_cycle_hours: float = pa.Field(ge=0)
    setups: pl.Int64 = pa.Field(ge=0)
    setup_hours: float = pa.Field(ge=0)


class MonthChange(InputModel):
    """Grain: machine x local month x loss, `cutting` among them, where the month before was observed too.

    change_hours is what the loss took beyond its share of the month before, in this month's planned, observed time;
    the changes of a month add up to nothing.
    """

    machine: str
    month: str = pa.Field(str_matches=r"^\d{4}-\d{2}$")
    month_before: str = pa.Field(str_matches=r"^\d{4}-\d{2}$")
    loss: str = pa.Field(isin=["cutting", *(loss for loss in LOSSES if loss != "unobserved")])
    hours: float = pa.Field(ge=0)
    hours_before: float = pa.Field(ge=0)
    change_hours: float
    share_change: float
    observed_hours: float = pa.Field(gt=0)
    observed_hours_before: float = pa.Field(gt=0)
    coverage: float = pa.Field(ge=0, le=1)
    coverage_before: float = pa.Field(ge=0, le=1)
    spindle_utilisation: float = pa.Field(ge=0, le=1)
    spindle_utilisation_before: float = pa.Field(ge=0, le=1)


class JobDrift(InputModel):
    """Grain: job_key (part, else job) x operation x machine x program x revision. drift = actual / estimate.

    Medians, drift, verdict and shift are of complete runs without first articles and proving runs, and of settled runs
    where the shop learns over a batch: what learning adds (learning_hours of the overrun) is no drift. `alarm` is what
    watching batch by batch says, without a test over all jobs.
    """

    job_key: str
    job: str = pa.Field(nullable=True)
    part: str = pa.Field(nullable=True)
    operation: str = pa.Field(nullable=True)
    machine: str
    program: str
    revision: str = pa.Field(nullable=True)
    runs: pl.Int64 = pa.Field(ge=0)
    batches: pl.Int64 = pa.Field(ge=0)
    aborted: pl.Int64 = pa.Field(ge=0)
    estimate_s: float = pa.Field(nullable=True, gt=0)
    estimate_from: str = pa.Field(nullable=True, isin=["lines", "quote"])
    actual_s: float = pa.Field(nullable=True, ge=0)
    actual_mean_s: float = pa.Field(nullable=True, ge=0)
    drift: float = pa.Field(nullable=True, ge=0)
    drift_low: float = pa.Field(nullable=True, ge=0)
    drift_high: float = pa.Field(nullable=True, ge=0)
    drift_q: float = pa.Field(nullable=True, ge=0, le=1)
    verdict: str = pa.Field(isin=list(DRIFT_VERDICTS))
    shifted_at: UtcTime = pa.Field(nullable=True)
    shift_q: float = pa.Field(nullable=True, ge=0, le=1)
    drift_before: float = pa.Field(nullable=True, ge=0)
    drift_after: float = pa.Field(nullable=True, ge=0)
    drift_after_low: float = pa.Field(nullable=True, ge=0)
    drift_after_high: float = pa.Field(nullable=True, ge=0)
    shifted_from_at: UtcTime = pa.Field(nullable=True)  # ends of the 95 % interval of shifted_at
    shifted_until_at: UtcTime = pa.Field(nullable=True)
    alarm: str = pa.Field(nullable=True, isin=["longer", "shorter"])
    alarm_at: UtcTime = pa.Field(nullable=True)  # the batch that gave the signal
    alarm_since_at: UtcTime = pa.Field(nullable=True)  # the batch since which the job is taken to run otherwise
    first_articles: pl.Int64 = pa.Field(ge=0)
    proving_runs: pl.Int64 = pa.Field(ge=0)
    first_article_s: float = pa.Field(nullable=True, ge=0)
    learning_rate: float = pa.Field(nullable=True, gt=0)  # time of run 2n of a batch over that of run n
    learning_hours: float = pa.Field(nullable=True)
    overrun_hours: float = pa.Field(nullable=True)
    overrun_cost: float = pa.Field(nullable=True)
    basis: str = pa.Field(isin=list(BASES))


class DriftCause(InputModel):
    """Grain: job_drift row x tool x cause. Per run the causes add up to actual - estimate."""

    job_key: str
    job: str = pa.Field(nullable=True)
    operation: str = pa.Field(nullable=True)
    machine: str
    program: str
    revision: str = pa.Field(nullable=True)
    tool: str = pa.Field(nullable=True)
    cause: str = pa.Field(isin=list(CAUSES))
    seconds_per_run: float
    hours: float
    cost: float = pa.Field(nullable=True)


class ToolLife(InputModel):
    """Grain: machine x tool. Weibull with right censoring; lives in `unit`.

    Limits are 95 %, those of B10, of the mean and of the habit's cost 90 %. Where `pooled`, the fit leans on other
    tools and limits are posterior ones. remaining_* and parts_left_* are predictive: what is not known of the fit is
    in them, and they, change_at and *_now are of the edge in use: where lives fall or rise, at the level that they have
    come to. planned_cost and failed_cost are of one end; costs with _month are of 30.4375 days at the use of the past.
    wear_* compares the edge in use with earlier ones; rests_on marks the rows and settings that a row was made from.
    """

    machine: str
    tool: str
    name: str = pa.Field(nullable=True)
    edges: pl.Int64 = pa.Field(ge=0)
    failures: pl.Int64 = pa.Field(ge=0)
    censored: pl.Int64 = pa.Field(ge=0)
    suspects: pl.Int64 = pa.Field(ge=0)
    unit: str = pa.Field(isin=list(LIFE_UNITS))
    unit_because: str = pa.Field(isin=list(LIFE_UNIT_REASONS))
    min_per_part: float = pa.Field(nullable=True, gt=0)
    shape: float = pa.Field(nullable=True, gt=0)
    scale: float = pa.Field(nullable=True, gt=0)
    pooled: bool
    pooled_with: str = pa.Field(nullable=True, isin=list(POOLED_WITH))
    life_b10: float = pa.Field(nullable=True, ge=0)
    b10_low: float = pa.Field(nullable=True, ge=0)
    b10_high: float = pa.Field(nullable=True, ge=0)
    life_median: float = pa.Field(nullable=True, ge=0)
    life_low: float = pa.Field(nullable=True, ge=0)
    life_high: float = pa.Field(nullable=True, ge=0)
    mean_life: float = pa.Field(nullable=True, ge=0)
    mean_low: float = pa.Field(nullable=True, ge=0)
    mean_high: float = pa.Field(nullable=True, ge=0)
    km_median: float = pa.Field(nullable=True, ge=0)
    trend_per_edge: float = pa.Field(nullable=True)
    trend_low: float = pa.Field(nullable=True)
    trend_high: float = pa.Field(nullable=True)
    trend_p_alone: float = pa.Field(nullable=True, ge=0, le=1)
    trend_inflation: float = pa.Field(nullable=True, ge=1)
    trend_p: float = pa.Field(nullable=True, ge=0, le=1)
    trend_q: float = pa.Field(nullable=True, ge=0, le=1)
    verdict: str = pa.Field(isin=list(LIFE_VERDICTS))
    trend_kind: str = pa.Field(nullable=True, isin=list(TREND_KINDS))
    step_at_edge: pl.Int64 = pa.Field(nullable=True, ge=0)
    step_edge_low: pl.Int64 = pa.Field(nullable=True, ge=0)
    step_edge_high: pl.Int64 = pa.Field(nullable=True, ge=0)
    step_ratio: float = pa.Field(nullable=True, gt=0)
    step_low: float = pa.Field(nullable=True, ge=0)
    step_high: float = pa.Field(nullable=True, ge=0)
    shape_now: float = pa.Field(nullable=True, gt=0)
    scale_now: float = pa.Field(nullable=True, gt=0)
    median_now: float = pa.Field(nullable=True, ge=0)
    current_age: float = pa.Field(nullable=True, ge=0)
    remaining_median: float = pa.Field(nullable=True, ge=0)
    remaining_p10: float = pa.Field(nullable=True, ge=0)
    survive_next_part: float = pa.Field(nullable=True, ge=0, le=1)
    parts_left_median: pl.Int64 = pa.Field(nullable=True, ge=0)
    parts_left_90: pl.Int64 = pa.Field(nullable=True, ge=0)
    change_at: float = pa.Field(nullable=True, ge=0)
    cost_per_part: float = pa.Field(nullable=True, ge=0)
    planned_cost: float = pa.Field(nullable=True, ge=0)
    failed_cost: float = pa.Field(nullable=True, ge=0)
    used_per_month: float = pa.Field(nullable=True, ge=0)
    habit_age: float = pa.Field(nullable=True, ge=0)
    habit_failed_share: float = pa.Field(nullable=True, ge=0, le=1)
    habit_cost_month: float = pa.Field(nullable=True, ge=0)
    habit_low: float = pa.Field(nullable=True, ge=0)
    habit_high: float = pa.Field(nullable=True, ge=0)
    best_cost_month: float = pa.Field(nullable=True, ge=0)
    taylor_n: float = pa.Field(nullable=True, gt=0)
    taylor_low: float = pa.Field(nullable=True, ge=0)
    taylor_high: float = pa.Field(nullable=True, ge=0)
    taylor_c: float = pa.Field(nullable=True, gt=0)
    min_cost_life: float = pa.Field(nullable=True, ge=0)
    max_output_life: float = pa.Field(nullable=True, ge=0)
    wear_measure: str = pa.Field(nullable=True, isin=list(WEAR_MEASURES))
    wear_verdict: str = pa.Field(nullable=True, isin=list(WEAR_VERDICTS))
    wear_score: float = pa.Field(nullable=True, ge=0)
    wear_limit: float = pa.Field(nullable=True, ge=0)
    wear_edges: pl.Int64 = pa.Field(nullable=True, ge=0)
    wear_since_part: pl.Int64 = pa.Field(nullable=True, ge=0)
    rests_on: pl.Int64


class ComingBatch(InputModel):
    """Grain: machine x place. What a machine makes next: 1 is the batch at hand, or the next where that is made."""

    machine: str
    place: pl.Int64 = pa.Field(ge=1)
    job: str = pa.Field(nullable=True)
    job_key: str
    operation: str = pa.Field(nullable=True)
    program: str = pa.Field(nullable=True)
    revision: str = pa.Field(nullable=True)
    ordered_on: pl.Date = pa.Field(nullable=True)
    quantity: pl.Int64 = pa.Field(gt=0)
    made: pl.Int64 = pa.Field(ge=0)
    parts_left: pl.Int64 = pa.Field(gt=0)
    basis: str = pa.Field(isin=list(BATCH_BASES))


class EdgeNow(InputModel):
    """Grain: edge in use. Chances and parts left are predictive, at the pace of the batch at hand if it uses the tool.

    survive_batch is the chance to outlive batch_parts parts; parts_left_90: nine of ten such edges make so many more.
    """

    machine: str
    tool: str
    edge_number: pl.Int64 = pa.Field(ge=0)
    life_machine: str
    life_tool: str
    name: str = pa.Field(nullable=True)
    in_use_at: UtcTime = pa.Field(nullable=True)
    age_min: float = pa.Field(nullable=True, ge=0)
    age_parts: pl.Int64 = pa.Field(nullable=True, ge=0)
    unit: str = pa.Field(nullable=True, isin=list(LIFE_UNITS))
    batch_job: str = pa.Field(nullable=True)
    batch_operation: str = pa.Field(nullable=True)
    batch_basis: str = pa.Field(nullable=True, isin=list(BATCH_BASES))
    batch_parts: pl.Int64 = pa.Field(nullable=True, gt=0)
    survive_next_part: float = pa.Field(nullable=True, ge=0, le=1)
    survive_batch: float = pa.Field(nullable=True, ge=0, le=1)
    parts_left_median: pl.Int64 = pa.Field(nullable=True, ge=0)
    parts_left_90: pl.Int64 = pa.Field(nullable=True, ge=0)
    change_at: float = pa.Field(nullable=True, ge=0)
    due: str = pa.Field(isin=list(EDGE_DUE))
    suspect_why: str = pa.Field(nullable=True)
    wear_verdict: str = pa.Field(nullable=True, isin=list(WEAR_VERDICTS))
    wear_measure: str = pa.Field(nullable=True, isin=list(WEAR_MEASURES))
    wear_since_part: pl.Int64 = pa.Field(nullable=True, ge=0)
    file_id: str = pa.Field(nullable=True)
    row_number: pl.Int64 = pa.Field(nullable=True)


class ShelfList(InputModel):
    """Grain: machine x place of a coming batch x tool. Fresh edges beyond the one in use, up to the end of that batch.

    Half of such batches need no more than edges_median, nine of ten no more than edges_90; empty where more than 60.
    """

    machine: str
    place: pl.Int64 = pa.Field(ge=1)
    job: str = pa.Field(nullable=True)
    operation: str = pa.Field(nullable=True)
    basis: str = pa.Field(isin=list(BATCH_BASES))
    parts_left: pl.Int64 = pa.Field(gt=0)
    tool: str
    life_machine: str
    life_tool: str
    name: str = pa.Field(nullable=True)
    min_per_part: float = pa.Field(nullable=True, ge=0)
    is_measured: bool
    edges_median: pl.Int64 = pa.Field(nullable=True, ge=0)
    edges_90: pl.Int64 = pa.Field(nullable=True, ge=0)
    inserts_90: pl.Int64 = pa.Field(nullable=True, ge=0)
    cost_median: float = pa.Field(nullable=True, ge=0)
    cost_90: float = pa.Field(nullable=True, ge=0)


class QuoteFactor(InputModel):
    """Grain: machine x material x kind of operation x tool_type x time_kind; empty keys mean "over all"."""

    machine: str = pa.Field(nullable=True)
    material: str = pa.Field(nullable=True)
    operation_kind: str = pa.Field(nullable=True)
    tool_type: str = pa.Field(nullable=True)
    time_kind: str = pa.Field(isin=list(TIME_KINDS))
    runs: pl.Int64 = pa.Field(ge=0)
    jobs: pl.Int64 = pa.Field(ge=0)
    factor: float = pa.Field(gt=0)
    factor_low: float = pa.Field(nullable=True, gt=0)
    factor_high: float = pa.Field(nullable=True, gt=0)
    shrinkage: float = pa.Field(nullable=True, ge=0, le=1)
    predict_log_mean: float
    predict_log_sd: float = pa.Field(nullable=True, ge=0)
    predict_df: float = pa.Field(nullable=True, gt=0)
    offered: bool  # whether factors of this kind of time beat the raw estimate on past jobs
    because: str


class QuoteRatio(InputModel):
    """Grain: time_kind x job (key of job_drift) x tool_type: what factors rest on and quotes are worked out from.

    log_ratio is the mean over batches of ln(actual / estimate), since the job's shift; sampling_variance is what these
    batches and runs leave open of it alone, shared_variance what they leave open of all tools of the job alike.
    """

    time_kind: str = pa.Field(isin=list(TIME_KINDS))
    job_key: str
    job: str = pa.Field(nullable=True)
    part: str = pa.Field(nullable=True)
    operation: str = pa.Field(nullable=True)
    machine: str
    program: str
    revision: str = pa.Field(nullable=True)
    material: str = pa.Field(nullable=True)
    operation_kind: str = pa.Field(nullable=True)
    tool_type: str = pa.Field(nullable=True)
    batches: pl.Int64 = pa.Field(ge=1)
    runs: pl.Int64 = pa.Field(ge=0)
    log_ratio: float
    sampling_variance: float = pa.Field(ge=0)
    shared_variance: float = pa.Field(ge=0)
    estimate_s: float = pa.Field(gt=0)
    first_at: UtcTime
    last_at: UtcTime


class QuoteSpread(InputModel):
    """Grain: time_kind. Spread of ln ratio between batches of a job and between runs of a batch.

    shared_sd is the part of between_sd that all tools of a batch have in common; freedom is the degrees of freedom that
    between_sd rests on.
    """

    time_kind: str = pa.Field(isin=list(TIME_KINDS))
    between_sd: float = pa.Field(ge=0)
    shared_sd: float = pa.Field(ge=0)
    within_sd: float = pa.Field(ge=0)
    freedom: pl.Int64 = pa.Field(ge=0)


class QuoteBacktest(InputModel):
    """Grain: time_kind x job (key of job_drift) x tool_type: what a quote at origin_at would have said.

    low, high hold 90 %, q25, q75 50 % of the mean over the batches that the job has had. `history` is the jobs (x tool
    types) known then; `unseen` the factors of which the job's level was not. Times are per cycle (setup: per batch), of
    runs as they were. predict_* are ln of actual over estimate of a job, its few batches left out.
    """

    time_kind: str = pa.Field(isin=list(TIME_KINDS))
    job_key: str
    job: str = pa.Field(nullable=True)
    part: str = pa.Field(nullable=True)
    operation: str = pa.Field(nullable=True)
    machine: str
    program: str
    revision: str = pa.Field(nullable=True)
    material: str = pa.Field(nullable=True)
    operation_kind: str = pa.Field(nullable=True)
    tool_type: str = pa.Field(nullable=True)
    first_at: UtcTime
    origin_at: UtcTime
    history: pl.Int64 = pa.Field(ge=0)
    unseen: str = pa.Field(nullable=True)
    batches: pl.Int64 = pa.Field(ge=1)
    runs: pl.Int64 = pa.Field(ge=0)
    estimate_s: float = pa.Field(gt=0)
    corrected_s: float = pa.Field(nullable=True, gt=0)
    low: float = pa.Field(nullable=True, ge=0)
    q25: float = pa.Field(nullable=True, ge=0)
    q75: float = pa.Field(nullable=True, ge=0)
    high: float = pa.Field(nullable=True, ge=0)
    predict_log_mean: float = pa.Field(nullable=True)
    predict_log_sd: float = pa.Field(nullable=True, ge=0)
    predict_df: float = pa.Field(nullable=True, gt=0)
    actual_s: float = pa.Field(gt=0)


class QuoteTrust(InputModel):
    """Grain: time_kind. How quotes of past jobs would have turned out; errors are |quoted / actual - 1|."""

    time_kind: str = pa.Field(isin=list(TIME_KINDS))
    jobs: pl.Int64 = pa.Field(ge=0)
    raw_error: float = pa.Field(nullable=True, ge=0)
    corrected_error: float = pa.Field(nullable=True, ge=0)
    closer: float = pa.Field(nullable=True, ge=0, le=1)  # share of jobs in which the corrected estimate was closer
    p: float = pa.Field(nullable=True, ge=0, le=1)  # one-sided, of a corrected estimate that is no better
    coverage_90: float = pa.Field(nullable=True, ge=0, le=1)
    coverage_50: float = pa.Field(nullable=True, ge=0, le=1)
    # half width in ln time that 90 % intervals of quotes have at least, where those of past jobs did not hold
    least_reach: float = pa.Field(nullable=True, ge=0)
    offered: bool
    because: str


class QuoteOutcome(InputModel):
    """Grain: quote x operation, of quotes that were kept (raw.quote_given): what was quoted against what then happened.

    Actual times are of complete runs that began after the quote; `held` says whether their median lay in the 90 %.
    """

    quote_id: str
    line: pl.Int64 = pa.Field(ge=0)
    given_at: UtcTime
    factors_version: str
    job: str = pa.Field(nullable=True)
    program: str = pa.Field(nullable=True)
    operation: str = pa.Field(nullable=True)
    machine: str = pa.Field(nullable=True)
    quantity: pl.Int64 = pa.Field(ge=1)
    estimate_s: float = pa.Field(nullable=True, ge=0)
    expected_cycle_s: float = pa.Field(nullable=True, ge=0)
    cycle_s_low: float = pa.Field(nullable=True, ge=0)
    cycle_s_high: float = pa.Field(nullable=True, ge=0)
    ran_on: str = pa.Field(nullable=True)  # machines of these runs; others than quoted where none ran there
    runs: pl.Int64 = pa.Field(ge=0)
    batches: pl.Int64 = pa.Field(ge=0)
    parts: pl.Int64 = pa.Field(nullable=True, ge=0)
    actual_cycle_s: float = pa.Field(nullable=True, ge=0)
    actual_mean_s: float = pa.Field(nullable=True, ge=0)
    actual_over_quoted: float = pa.Field(nullable=True, ge=0)
    actual_over_estimate: float = pa.Field(nullable=True, ge=0)
    held: bool = pa.Field(nullable=True)
    expected_setup_s: float = pa.Field(nullable=True, ge=0)
    actual_setup_s: float = pa.Field(nullable=True, ge=0)
    expected_load_s: float = pa.Field(nullable=True, ge=0)
    actual_load_s: float = pa.Field(nullable=True, ge=0)
    hours_over_quote: float = pa.Field(nullable=True)


class CounterCheck(InputModel):
    """Grain: machine x local month x counter x counting item. share = difference_s / counter_s."""

    machine: str
    month: str = pa.Field(str_matches=r"^\d{4}-\d{2}$")
    counter: str = pa.Field(isin=list(COUNTERS))
    timer: str
    counter_s: float = pa.Field(ge=0)
    spans_s: float = pa.Field(ge=0)
    difference_s: float
    share: float = pa.Field(nullable=True)
    verdict: str = pa.Field(isin=list(COUNTER_VERDICTS))
    readings: pl.Int64 = pa.Field(ge=1)
    unseen_s: float = pa.Field(ge=0)  # counted while the time line was not observed from end to end
    implausible_s: float = pa.Field(ge=0)  # faster than the clock
    resets: pl.Int64 = pa.Field(ge=0)
    step_s: float = pa.Field(gt=0)
    largest_s: float
    largest_from: UtcTime
    largest_to: UtcTime
    file_id: str
    row_number: pl.Int64
    last_file_id: str
    last_row_number: pl.Int64


class ContradictionFile(InputModel):
    """Grain: machine x local month x kind x file x other file, with a row of each as an example."""

    machine: str
    month: str = pa.Field(str_matches=r"^\d{4}-\d{2}$")
    kind: str = pa.Field(isin=list(CONTRADICTIONS))
    minutes: float = pa.Field(gt=0)
    cycles: pl.Int64 = pa.Field(ge=1)
    offset_s: float = pa.Field(nullable=True)  # how far the list's clock runs ahead
    first_at: UtcTime
    last_at: UtcTime
    file_id: str
    row_number: pl.Int64
    other_file_id: str = pa.Field(nullable=True)
    other_row_number: pl.Int64 = pa.Field(nullable=True)


MODELS: Final[dict[str, type[InputModel]]] = {
    "utilisation_monthly": UtilisationMonthly,
    "utilisation_weekly": UtilisationWeekly,
    "utilisation_daily": UtilisationDaily,
    "month_loss": MonthLoss,
    "longest_stop": LongestStop,
    "month_job": MonthJob,
    "month_change": MonthChange,
    "job_drift": JobDrift,
    "drift_cause": DriftCause,
    "tool_life": ToolLife,
    "coming_batch": ComingBatch,
    "edge_now": EdgeNow,
    "shelf_list": ShelfList,
    "quote_factor": QuoteFactor,
    "quote_ratio": QuoteRatio,
    "quote_spread": QuoteSpread,
    "quote_backtest": QuoteBacktest,
    "quote_trust": QuoteTrust,
    "quote_outcome": QuoteOutcome,
    "counter_check": CounterCheck,
    "contradiction_file": ContradictionFile,
}


def columns(name: str) -> dict[str, pl.DataType]:
    """Return the columns of a mart with their polars types, in order."""
    return {column: spec.dtype.type for column, spec in MODELS[name].to_schema().columns.items()}
