"""How a table without a profile is read: by our own names as it stands, by a proposal that is sure, or not at all.

Our own names win where they read all there is; a proposal must read more, and be sure.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final, NamedTuple

import polars as pl

from pipeline.read.above import filled_from_above
from pipeline.read.foot import foot_begins
from pipeline.read.mapping import map_table, map_tables
from pipeline.read.plan import Context, NoPlan, TablePlan, plan_table, sources, unknown_table
from pipeline.read.rawtable import RAW, RawTable, joined_tables
from pipeline.read.recognition.proposing import Proposal, left_out, nearest_kind, propose, refusal, told
from pipeline.read.recognition.sample import Column, Knowledge, Sample, thinned
from pipeline.read.recognition.sisters import SHARED, order_of_date
from pipeline.read.recognition.standing_above import standing_above
from pipeline.read.recognition.zones import title_is_universal, title_states_other
from pipeline.read.skipping import UNITS_ROW, unit_cell
from pipeline.read.stamps import read_stamps
from schemas.columns import columns
from schemas.profile import UNITS, FileShape
from schemas.vocabulary import UTC_TIME

WEIGHED_COLUMNS: Final = 200
"""A table that is wider is not weighed cell by cell: it would take minutes, and no log of a machine is."""


_NARROWEST: Final = 4
_MOST_OUTSIDE: Final = 60
_FEWEST_ROWS: Final = (
    3  # a file with our own names and fewer rows is no reason to ask: its rows are rejected one by one
)


@dataclass(frozen=True)
class FoundTable:
    """A table in a file, its head found: `chunks` gives its rows from the start each time it is called."""

    names: list[str]
    chunks: Callable[[], Iterator[RawTable]]
    split: Callable[[str], list[str]]  # the raw text of a row -> its cells
    layout: Mapping[str, Any] = field(default_factory=dict)  # as [file] of a profile says it
    titles: tuple[tuple[str, ...], ...] = ()
    place: str = ""
    name: str = ""  # for the profile
    beside: tuple[tuple[str, ...], ...] = ()  # cells of lines of other tables of the file, that may be a legend
    own_rows: int | None = None  # where rows of other tables of its head stand below its own


class Chosen(NamedTuple):
    """The plan to read by or why there is none, and what was proposed on the way."""

    plan: TablePlan | NoPlan
    proposal: Proposal | None


def choose(table: FoundTable, own: TablePlan | NoPlan, known: Knowledge, context: Context) -> Chosen:
    """Return how a table is to be read; `own` is its plan by our own field names, where they make one."""
    if len(table.names) > WEIGHED_COLUMNS:
        unknown = NoPlan(
            f"The table has {len(table.names):,} columns; more than {WEIGHED_COLUMNS} are read by our own names or "
            "by a profile only. Write a profile that says which column is which field, or export fewer columns."
        )
        return Chosen(own if isinstance(own, TablePlan) else unknown, None)
    first = next(table.chunks(), None)
    if first is None or not first.cells.height:
        return Chosen(own, None)
    if above := standing_above(first.cells, known.machines, table.titles):
        table = _filled(table, above)
        first = next(table.chunks())
        own = own if isinstance(own, NoPlan) else unknown_table(table.names)
    sample = Sample(
        table.names,
        thinned(first),
        table.titles,
        table.place,
        _units(table, first),
        "sheet" in table.layout,
        table.split,
        _rest(table),
        context.zone,
        (*table.beside, *_lines_outside(table, first)),
        table.own_rows,
    )
    own = _in_the_zone_said(own, sample)
    own_rows = 0
    if isinstance(own, TablePlan):
        trial = map_table(RawTable(sample.table.cells), own, context)
        own_rows = trial.rows.height
        if not trial.rejects.height and own.used >= {column.name for column in sample.columns}:
            return Chosen(own, None)
    proposal = _propose(table, sample, known, context)
    if proposal is None or proposal.says_little:
        if isinstance(own, NoPlan) and proposal is not None:
            own = NoPlan(own.reason + nearest_kind(proposal))
        return Chosen(own, proposal)
    plan = plan_table(table.names, proposal.profile) if proposal.profile and proposal.sure else None
    if isinstance(plan, TablePlan):
        universal = any(rule.utc for rule in plan.columns.values())
        if isinstance(own, NoPlan) or universal or _reads_more(plan, own, sample, own_rows, context):
            return Chosen(replace(plan, notes=(*_notes(proposal, context), *plan.notes)), proposal)
        return Chosen(own, proposal)
    if isinstance(own, TablePlan) and proposal.contradicted and not _is_ours(own):
        return Chosen(NoPlan(refusal(proposal)), proposal)
    if isinstance(own, TablePlan) and (own_rows or proposal.missing or sample.rows < _FEWEST_ROWS):
        return Chosen(own, proposal)
    return Chosen(NoPlan(refusal(proposal)), proposal)


def _notes(proposal: Proposal, context: Context) -> tuple[str, ...]:
    return told(proposal, with_operators=context.record_operators), *left_out(proposal)


def read_alike(proposals: Sequence[Proposal | None]) -> bool:
    """Return whether tables of one head are read by the same rules, each by itself.

    What stands above a table is its own (the machine, the year), and so are its words and how it writes seconds. A mark
    that a table has no cell for differs from none.
    """
    told = [proposal for proposal in proposals if proposal is not None]
    rules = {repr((proposal.kind, proposal.sure, _shared_rules(proposal))) for proposal in told}
    marks = [{proposal.data.get("file", {}).get(key) for proposal in told} - {None} for key in ("decimal", "thousands")]
    return len(rules) <= 1 and all(len(said) <= 1 for said in marks) and len(told) in (0, len(proposals))


def _shared_rules(proposal: Proposal) -> dict[str, tuple[Any, ...]]:
    rules = {name: rule for name, rule in proposal.data["columns"].items() if "constant" not in rule}
    return {
        name: (*(rule.get(key) for key in SHARED), order_of_date(rule.get("format", "")))
        for name, rule in sorted(rules.items())
    }


def with_rows_of(table: FoundTable, alike: Sequence[FoundTable]) -> FoundTable:
    """Return a table with the rows of all tables that have its head behind its own, to be decided by them together."""
    others = [other for other in alike if other is not table]
    return replace(
        table,
        chunks=lambda: iter([joined_tables([next(one.chunks()) for one in (table, *others)])]),
        own_rows=next(table.chunks()).cells.height,
    )


def _filled(table: FoundTable, above: Mapping[str, Any]) -> FoundTable:
    """Return a table whose rows have taken what stands above them, and whose layout says so."""
    shape = FileShape.model_validate(above)
    names = [*table.names, *([shape.headings.column] if shape.headings else [])]
    chunks = table.chunks
    return replace(
        table,
        names=names,
        chunks=lambda: filled_from_above(chunks(), shape),
        layout={**table.layout, **above},
    )


def _in_the_zone_said(own: TablePlan | NoPlan, sample: Sample) -> TablePlan | NoPlan:
    """Return the plan of our own names with times universal where a title says so; none where it says another zone."""
    if isinstance(own, NoPlan):
        return own
    naive = [
        name
        for name, rule in own.columns.items()
        if columns(own.kind).get(name) == UTC_TIME and not _has_offsets(sample, sources(rule))
    ]
    if naive and (line := title_states_other(sample.titles)) is not None:
        return NoPlan(
            f'"{line}" above the table states a time zone. Say it as timezone of the file under [[source]] in '
            "shop.toml, take the line out, and run again."
        )
    if not title_is_universal(sample.titles):
        return own
    universal = {name: own.columns[name].model_copy(update={"utc": True}) for name in naive}
    return replace(own, columns={**own.columns, **universal})


def _has_offsets(sample: Sample, names: list[str]) -> bool:
    return all(_is_of_instants(column) for column in sample.columns if column.name in names)


def _is_of_instants(column: Column) -> bool:
    """Return whether a column's times have offsets; that all of them are UTC in one fixed layout is seen at once."""
    stamps = read_stamps(column.text)
    if stamps is not None and stamps[1] and stamps[0].null_count() == column.text.null_count():
        return True
    return bool(column.times) and column.times[0].has_offset


def _is_ours(own: TablePlan) -> bool:
    """Return whether a name in a table is ours alone: Job and Part are anybody's words, occurred_at is not."""
    return any("_" in name for rule in own.columns.values() for name in sources(rule))


def _propose(table: FoundTable, sample: Sample, known: Knowledge, context: Context) -> Proposal | None:
    """Propose by the file alone; what the book knows only helps where that leaves doubts.

    So a file that is sure by itself is read alike whatever came before it: the order of files is no matter.
    """
    by_itself = replace(known, programs=frozenset(), jobs=frozenset(), machines_seen=frozenset(), heads={})
    proposal = propose(sample, by_itself, context, table.layout, table.name)
    if proposal is None or proposal.sure:
        return proposal and replace(proposal, by_itself=True)
    return proposal if known == by_itself else propose(sample, known, context, table.layout, table.name)


def _reads_more(plan: TablePlan, own: TablePlan, sample: Sample, own_rows: int, context: Context) -> bool:
    """Return whether a proposal of the kind that our own names say uses all that they use, and reads more."""
    if plan.kind != own.kind or not plan.used >= own.used:
        return False
    rows = next(map_tables([RawTable(sample.table.cells)], plan, context)).rows.height
    return rows > own_rows or (rows == own_rows and plan.used > own.used)


def _lines_outside(table: FoundTable, first: RawTable) -> list[tuple[str, ...]]:
    """Return the cells of lines below a table that are hardly its rows: one or two of many are filled."""
    if len(table.names) < _NARROWEST:
        return []
    filled = pl.sum_horizontal((pl.col(name).str.strip_chars() != "").fill_null(False) for name in table.names)
    few = first.cells.filter(filled.is_between(1, 2)).head(_MOST_OUTSIDE).select(table.names)
    raw = first.rejects["raw"].drop_nulls().head(_MOST_OUTSIDE).to_list()
    raw += first.cells[RAW][foot_begins(first.cells) :].drop_nulls().to_list()  # cut into columns, a line says little
    cells = [tuple(text for cell in row if (text := (cell or "").strip())) for row in few.iter_rows()]
    return [*cells, *((text.strip(),) for text in raw)]


def _units(table: FoundTable, first: RawTable) -> dict[str, str]:
    """Return what a units row says, by column."""
    rows = first.skipped.filter(pl.col("why") == UNITS_ROW)
    if not rows.height or rows["raw"][0] is None:
        return {}
    cells = table.split(rows["raw"][0])
    found = {name: unit_cell(cell) for name, cell in zip(table.names, cells, strict=False)}
    return {name: unit for name, unit in found.items() if unit in UNITS}


def _rest(table: FoundTable) -> Callable[[], Iterator[pl.DataFrame]]:
    return lambda: (chunk.cells for chunk in table.chunks())
