"""SiteData with the look-ups that every page needs: file names of pages, rows by key, links to source rows.

Everything is worked out once for the whole site; nothing is written and no figure is changed.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import datetime
from functools import cached_property
from itertools import takewhile
from typing import Any, Final
from zoneinfo import ZoneInfo

import polars as pl

from dashboards import wording
from dashboards.blocks import Cell
from dashboards.site_data import SECTION_KEY, SiteData
from dashboards.slugs import slugs
from pipeline.report.notes import witness_notes

Row = dict[str, Any]
FILES_SHOWN: Final = 1000
BATCH_KEY: Final = ("job_key", "operation", "machine")
UNIT: Final = "\x1f"
"""The unit separator keeps ("a-b", "c") apart from ("a", "b-c")."""


def section_key(row: Row) -> tuple[Any, ...]:
    """The grain of a row of the drift mart."""
    return tuple(row[column] for column in SECTION_KEY)


def shortest_names(keys: Sequence[tuple[Any, ...]]) -> dict[tuple[Any, ...], str]:
    """Name one job's rows by operation, and by machine, revision and program only where operations repeat."""
    words = {
        key: (f"operation{UNIT}{key[1]}" if key[1] else "all", key[2], key[4] or "", key[3], str(place))
        for place, key in enumerate(keys)
    }
    names: dict[tuple[Any, ...], str] = {}
    for width in range(1, 6):
        left = [key for key in keys if key not in names]
        counts = Counter(words[key][:width] for key in left)
        names |= {key: UNIT.join(words[key][:width]) for key in left if counts[words[key][:width]] == 1}
    return {key: names[key] for key in keys}


def by_key(frame: pl.DataFrame, *columns: str) -> dict[tuple[Any, ...], pl.DataFrame]:
    """Split a frame by columns once; empty keys are keys too."""
    return dict(frame.partition_by(columns, as_dict=True, maintain_order=True))


class Book:
    """One site's data, with names and links resolved."""

    def __init__(self, data: SiteData) -> None:
        self.data = data
        self.zone: ZoneInfo = data.zone
        self.currency = data.currency
        self.job_slugs = slugs(_values(data.drift, "job_key"))
        self.machine_slugs = slugs(self.machine_ids)
        tools = sorted({*_pairs(data.tools), *_pairs(data.edges)})
        tool_slugs = slugs(f"{machine}{UNIT}{tool}" for machine, tool in tools)
        self.tool_slugs = {(machine, tool): tool_slugs[f"{machine}{UNIT}{tool}"] for machine, tool in tools}
        newest = data.edges.filter(pl.col("at_machine").is_not_null()).sort("edge_number", maintain_order=True)
        told = newest.select("at_machine", "at_tool", "machine", "tool").iter_rows()
        self._counts_as = {(at_machine, number): (machine, tool) for at_machine, number, machine, tool in told}

    @cached_property
    def machine_ids(self) -> list[str]:
        """Every machine that any frame names, sorted."""
        frames = ("machines", "utilisation", "drift", "machine_sources", "state_days", "gaps")
        named = {machine for name in frames for machine in _values(getattr(self.data, name), "machine")}
        return sorted(named | set(_values(self.data.edges, "at_machine")))

    @cached_property
    def runs(self) -> dict[tuple[Any, ...], pl.DataFrame]:
        """Runs by section key, oldest first."""
        return by_key(self.data.runs.sort("started_at", "run_id"), *SECTION_KEY)

    @cached_property
    def causes(self) -> dict[tuple[Any, ...], pl.DataFrame]:
        """Causes by section key."""
        return by_key(self.data.causes, *SECTION_KEY)

    @cached_property
    def _money(self) -> dict[tuple[Any, ...], Row]:
        return {section_key(row): row for row in self.data.money.to_dicts()}

    def money_row(self, row: Row) -> Row | None:
        """Hours and cost of a row of the drift mart."""
        return self._money.get(section_key(row))

    @cached_property
    def margins(self) -> dict[str, Row]:
        """What a good part of each job cost, by job_key."""
        return {row["job_key"]: row for row in self.data.margins.to_dicts()}

    @cached_property
    def _level_changes(self) -> dict[tuple[Any, ...], pl.DataFrame]:
        return by_key(self.data.level_changes, *SECTION_KEY)

    def level_changes(self, row: Row) -> list[Row]:
        """What was different since a row of the drift mart runs on another level, the largest first of its kind."""
        found = self._level_changes.get(section_key(row))
        return [] if found is None else found.to_dicts()

    def complete_runs(self, row: Row) -> pl.DataFrame | None:
        """The complete runs of a row of the drift mart that were handed over, oldest first."""
        runs = self.runs.get(section_key(row))
        return None if runs is None else runs.filter(pl.col("outcome") == "complete")

    def runs_since(self, row: Row) -> tuple[int, bool] | None:
        """Count the complete runs since a row's change of level; False where older ones may not be handed over."""
        complete = self.complete_runs(row)
        if complete is None or row["shifted_at"] is None:
            return None
        since = complete.filter(pl.col("started_at") >= row["shifted_at"]).height
        return since, since < complete.height or complete.height >= row["runs"]

    @cached_property
    def _batches(self) -> dict[tuple[Any, ...], pl.DataFrame]:
        return by_key(self.data.batches.sort("started_at", "batch_id", descending=True), *BATCH_KEY)

    @cached_property
    def _batch_owners(self) -> dict[str, set[tuple[Any, ...]]]:
        owners: dict[str, set[tuple[Any, ...]]] = {}
        for batch_id, *key in self.data.runs.select("batch_id", *SECTION_KEY).unique().iter_rows():
            owners.setdefault(batch_id, set()).add(tuple(key))
        return owners

    def batches(self, row: Row) -> tuple[list[Row], int]:
        """The batches of a row of the drift mart, newest first, and how many may be of another program or revision.

        A batch knows its job, operation and machine. Program and revision are those of its runs, which are handed
        over for the newest batches alone.
        """
        key = section_key(row)
        found = self._batches.get(tuple(row[column] for column in BATCH_KEY))
        listed = [
            batch
            for batch in ([] if found is None else found.to_dicts())
            if key in self._batch_owners.get(batch["batch_id"], {key})
        ]
        if self._sharers[tuple(row[column] for column in BATCH_KEY)] == 1:
            return listed, 0
        return listed, sum(batch["batch_id"] not in self._batch_owners for batch in listed)

    @cached_property
    def _sharers(self) -> Counter[tuple[Any, ...]]:
        return Counter(self.data.drift.select(BATCH_KEY).iter_rows())

    @cached_property
    def drift_rows(self) -> list[Row]:
        """Rows of the drift mart, dearest first: by cost, else by hours; those without an estimate last."""
        first = "overrun_cost" if self.ranks_by_cost else "overrun_hours"
        falls = [True] + [False] * len(SECTION_KEY)
        return self.data.drift.sort(first, *SECTION_KEY, descending=falls, nulls_last=True).to_dicts()

    @cached_property
    def ranks_by_cost(self) -> bool:
        """Whether every overrun has a cost, so that jobs can be put in order of it."""
        overruns = self.data.drift.filter(pl.col("overrun_hours").is_not_null())
        return not overruns.is_empty() and not overruns["overrun_cost"].has_nulls()

    @cached_property
    def file_names(self) -> dict[str, str]:
        """Names of source files by id, from the folder on in which they all lie."""
        names = dict(self.data.files.select("file_id", "name").iter_rows())
        return {file_id: name[len(self.files_folder) :] for file_id, name in names.items()}

    @cached_property
    def files_folder(self) -> str:
        """The folder in which all source files lie, with its last slash; empty where they share none."""
        names = self.data.files["name"].to_list()
        # What the first and the last name in order share, all between them share.
        pairs = zip(min(names, default=""), max(names, default=""), strict=False)
        shared = "".join(one for one, _ in takewhile(lambda pair: pair[0] == pair[1], pairs))
        return shared[: max(shared.rfind("/"), shared.rfind("\\")) + 1]

    @cached_property
    def notes(self) -> tuple[str, ...]:
        """What the reader must know first, with files named as on all pages."""
        return tuple(self._with_short_names(note) for note in self.data.notes)

    def month_notes(self, month: str) -> tuple[str, ...]:
        """The same for the reader of one month: of counters and contradictions those of that month alone."""
        own = witness_notes(*(frame.filter(pl.col("month") == month) for frame in self._witnesses))
        return tuple(self._with_short_names(note) for note in (*self._general_notes, *own))

    @cached_property
    def _general_notes(self) -> list[str]:
        of_witnesses = set(witness_notes(*self._witnesses))
        return [note for note in self.data.notes if note not in of_witnesses]

    @cached_property
    def _witnesses(self) -> tuple[pl.DataFrame, pl.DataFrame]:
        """Counters and contradictions with the names of their files."""
        names = dict(self.data.files.select("file_id", "name").iter_rows())

        def named(column: str, by: str) -> pl.Expr:
            return pl.col(by).replace_strict(names, default=pl.col(by), return_dtype=pl.String).alias(column)

        return (
            self.data.counters.with_columns(named("file", "file_id")),
            self.data.contradictions.with_columns(named("file", "file_id"), named("other_file", "other_file_id")),
        )

    def _with_short_names(self, note: str) -> str:
        return note.replace(self.files_folder, "") if len(self.files_folder) > 1 else note

    @cached_property
    def files_shown(self) -> pl.DataFrame:
        """The files that the quality page lists: those to mend first, then those with a note, then by name."""
        trouble = (pl.col("status") != "loaded") | (pl.col("rows_rejected") > 0)
        noted = pl.col("reason").fill_null("") != ""
        return self.data.files.sort(~trouble, ~noted, "name", "file_id").head(FILES_SHOWN)

    @cached_property
    def _file_anchors(self) -> dict[str, str]:
        return {name: f"file-{slug}" for name, slug in slugs(self.files_shown["file_id"].to_list()).items()}

    @cached_property
    def has_rates(self) -> bool:
        """Whether any money can be shown."""
        return bool(self.data.machines["rate_per_hour"].is_not_null().any())

    @cached_property
    def month(self) -> str | None:
        """The newest month of which the shop's planned time was mostly observed, else the newest."""
        if self.data.utilisation.is_empty():
            return None
        months = self.data.utilisation.group_by("month").agg(pl.col("planned_s", "observed_planned_s").sum())
        good = months.filter(pl.col("observed_planned_s") >= self.data.least_coverage * pl.col("planned_s"))
        return str((months if good.is_empty() else good)["month"].max())

    def file_anchor(self, file_id: str) -> str:
        """The place of a file on the quality page; empty where it is not listed."""
        return self._file_anchors.get(file_id, "")

    def file_cell(self, file_id: str | None) -> Cell:
        """A source file by name, leading to its line on the quality page."""
        if file_id is None:
            return Cell(wording.NONE)
        anchor = self.file_anchor(file_id)
        return Cell(self.file_names.get(file_id, file_id[:12]), f"quality.html#{anchor}" if anchor else "")

    def knows(self, row: Row) -> bool:
        """Whether a row stands for one of the drift mart, and so has a section to lead to."""
        return section_key(row) in self._section_names

    def job_href(self, row: Row) -> str:
        """The section of a job's page that one row of the drift mart leads to."""
        return f"job/{self.job_slugs[row['job_key']]}.html#{self.section_anchor(row)}"

    @cached_property
    def _section_names(self) -> dict[tuple[Any, ...], str]:
        """Each row of the drift mart by the fewest words that tell it from its job's other rows."""
        jobs: dict[str, list[tuple[Any, ...]]] = {}
        for key in self.data.drift.select(SECTION_KEY).unique().sort(SECTION_KEY).iter_rows():
            jobs.setdefault(key[0], []).append(key)
        return {key: name for keys in jobs.values() for key, name in shortest_names(keys).items()}

    @cached_property
    def _section_anchors(self) -> dict[tuple[Any, ...], str]:
        jobs: dict[str, dict[tuple[Any, ...], str]] = {}
        for key, name in self._section_names.items():
            jobs.setdefault(key[0], {})[key] = name
        anchors = {}
        for names in jobs.values():
            given = slugs(names.values())
            anchors.update({key: given[name] for key, name in names.items()})
        return anchors

    def section_anchor(self, row: Row) -> str:
        """The anchor of a row of the drift mart inside its job's page."""
        return self._section_anchors[section_key(row)]

    @cached_property
    def _sheet_slugs(self) -> dict[tuple[Any, ...], str]:
        names = {key: f"{key[0]}{UNIT}{name}" for key, name in self._section_names.items()}
        given = slugs(names.values())
        return {key: given[name] for key, name in names.items()}

    def sheet_path(self, row: Row) -> str:
        """The spreadsheet file with the runs of a row of the drift mart."""
        return f"job/{self._sheet_slugs[section_key(row)]}.csv"

    def section_place(self, row: Row) -> int:
        """Where a row of the drift mart stands on its job's page."""
        return self._section_places[section_key(row)]

    @cached_property
    def _section_places(self) -> dict[tuple[Any, ...], int]:
        return {key: place for place, key in enumerate(self._section_names)}

    def day_since(self, instant: datetime) -> str:
        """An instant's own day in the shop, with its year only where the book ends in another."""
        last = (self.data.last_at or self.data.built_at).astimezone(self.zone)
        return wording.day_in(instant.astimezone(self.zone).date(), last.year)

    def machine_href(self, machine: str) -> str:
        """A machine's page."""
        return f"machine/{self.machine_slugs[machine]}.html"

    def machines_of(self, machine: str, tool: str) -> list[str]:
        """The machines on which the edges of a tool were used: several where they are one tool."""
        used = self._used_on.get((machine, tool), set())
        return sorted(used or {machine} & set(self.machine_slugs))

    @cached_property
    def _used_on(self) -> dict[tuple[str, str], set[str]]:
        used: dict[tuple[str, str], set[str]] = {}
        for machine, tool, at_machine in self.data.edges.select("machine", "tool", "at_machine").unique().iter_rows():
            if at_machine is not None:
                used.setdefault((machine, tool), set()).add(at_machine)
        return used

    def machine_cell(self, machine: str) -> Cell:
        """A machine's id, leading to its page where it has one: a quote may name a machine that no export tells of."""
        return Cell(machine, self.machine_href(machine) if machine in self.machine_slugs else "")

    def tool_href(self, machine: str, tool: str) -> str:
        """A tool's page, or nothing where it has none."""
        slug = self.tool_slugs.get((machine, tool)) or self.tool_slugs.get(
            self._counts_as.get((machine, tool), ("", ""))
        )
        return f"tool/{slug}.html" if slug else ""

    @cached_property
    def job_labels(self) -> dict[tuple[Any, ...], str]:
        """One name for each row of the drift mart; the program is added where names would repeat."""
        rows = self.data.drift.select(SECTION_KEY).to_dicts()
        names = [wording.job_label(r["job_key"], r["operation"], r["machine"], r["revision"]) for r in rows]
        repeated = {name for name in names if names.count(name) > 1} if len(names) < 2000 else set(names)
        return {
            tuple(row[column] for column in SECTION_KEY): name + (f" ({row['program']})" if name in repeated else "")
            for row, name in zip(rows, names, strict=True)
        }

    @cached_property
    def _revisions(self) -> Counter[tuple[Any, ...]]:
        return Counter(self.data.drift.select("job_key", "operation", "machine").iter_rows())

    def short_label(self, row: Row) -> str:
        """The name of a row of the drift mart for the axis of a chart: its revision only where there are several."""
        name = self.job_label(row)
        if self._revisions[(row["job_key"], row["operation"], row["machine"])] == 1:
            return name.removesuffix(f", revision {row['revision']}")
        return name.replace(", revision ", " rev ")

    def job_label(self, row: Row) -> str:
        """The name of a row of the drift mart, unlike any other row's."""
        return self.job_labels[section_key(row)]

    def job_cell(self, row: Row) -> Cell:
        """A job's name, leading to its section."""
        return Cell(self.job_label(row), self.job_href(row))

    def money(self, value: float | None, digits: int = 0) -> Cell:
        """An amount, empty where there is no rate."""
        return Cell(wording.money(value, self.currency, digits) if value is not None else "", sort=value)


def _values(frame: pl.DataFrame, column: str) -> list[str]:
    return [value for value in frame[column].unique().sort().to_list() if value is not None]


def _pairs(frame: pl.DataFrame) -> Iterable[tuple[str, str]]:
    return frame.select("machine", "tool").unique().iter_rows()
