"""Reads one file, whatever its shape, into typed rows and rejects: what the rest of the pipeline calls.

It stores nothing and checks no ranges; a file that cannot be read comes back as such, never as an exception.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from io import BytesIO
from pathlib import Path
from typing import Any, BinaryIO, Final, NamedTuple

import polars as pl

from pipeline.read.adapter_text import Elapsed, item_names, read_adapter_text, said_by_items
from pipeline.read.aligned import said_spans, spans_said
from pipeline.read.clockorder import with_clock_notes
from pipeline.read.delimited import Layout, read_delimited
from pipeline.read.devices_xml import Device, DevicesDocument, device_called, device_of_items, in_scope
from pipeline.read.doubled import with_readings_decided
from pipeline.read.files import PACKING_ERRORS, OpenedFile, UnpackError, open_seekable, open_source
from pipeline.read.header import Header, find_header, split_line, widest
from pipeline.read.itemnotes import with_item_notes
from pipeline.read.jsonlines import keys_of, read_json_lines
from pipeline.read.mapping import map_tables
from pipeline.read.observations import stream_items, stream_machine, text_items
from pipeline.read.parquet import ParquetError, parquet_names, read_parquet
from pipeline.read.plan import (
    Context,
    NoPlan,
    TablePlan,
    extended,
    listed_names,
    plan_table,
    unknown_table,
    wanted_names,
)
from pipeline.read.rawtable import (
    LINE,
    RAW,
    RAW_JOINT,
    RawTable,
    concat_skipped,
    skipped_rows,
    unique_names,
)
from pipeline.read.recognise import Recognised, recognise
from pipeline.read.recognition.choosing import Chosen, FoundTable, choose, read_alike, with_rows_of
from pipeline.read.recognition.encodings import central_encoding
from pipeline.read.recognition.heads import find_cells_head, find_text_head, unnamed_columns
from pipeline.read.recognition.item_names import text_rules_meant
from pipeline.read.recognition.parts import Part, filled, parts, says_another, stretches_of
from pipeline.read.recognition.places import machine_of_name, machine_of_path
from pipeline.read.recognition.proposing import Proposal
from pipeline.read.recognition.sample import Knowledge
from pipeline.read.recognition.sisters import told_by
from pipeline.read.rows import FileRead, TableRead, no_skipped
from pipeline.read.settings import ReadSettings, source_rule
from pipeline.read.skipping import ANOTHER_TABLE, UNREAD_LINES
from pipeline.read.streams_xml import SEVERAL_DEVICES, StreamNames, devices_in, read_streams
from pipeline.read.text import BLOCK_BYTES, HEAD_BYTES, TextBlock, decode_head, lines_within, text_blocks
from pipeline.read.web_page import WebPageError, page_text
from pipeline.read.workbook import (
    Sheet,
    WorkbookError,
    find_sheet_header,
    read_sheets,
    sheet_pairs,
    sheet_table,
    sheet_top,
    tables_below,
    tables_beside,
)
from schemas.profile import FileShape, Profile, SkipRule
from schemas.shop import LimitSettings

SAMPLE_BYTES: Final = 2 << 20
"""Of a text, what recognition weighs at a time: some ten thousand rows."""
UNANSWERED: Final = (
    'The profile "{name}" still has lines under to_check ("{0}"). Answer them in the profile, delete them there, and '
    "run again."
)
_TABLE_OF_SEVERAL: Final = "Several tables stand in the file; of that in lines {first} to {last}: "
_FILE_OF_SEVERAL: Final = "Several tables stand in the file, and none can be read alone; of the file as a whole: "
NO_TABLE: Final = "No line of the file names its columns. Give it a profile, or export it with a header line."
NOTHING: Final = TablePlan("cycle", {})
_PROFILE_SHAPES: Final = ("table", "json lines", "adapter text", "streams xml")


def read_file(path: Path, settings: ReadSettings) -> list[FileRead]:
    """Read one path: a list because a zip holds several files.

    Rows are read when `tables` is iterated (once); until then only the first lines have been looked at.
    """
    return [read_opened(opened, settings) for opened in open_file(path, settings)]


def open_file(path: Path, settings: ReadSettings) -> list[OpenedFile | FileRead]:
    """Open one path without looking at what it says: its hash is known, and the members of a zip are told apart."""
    return open_source(path, settings.limits, settings.roots)


def read_opened(opened: OpenedFile | FileRead, settings: ReadSettings) -> FileRead:
    """Read what was opened; see `read_file`."""
    return opened if isinstance(opened, FileRead) else _read_opened(opened, settings)


@dataclass(frozen=True)
class _Job:
    """One opened file with everything that is known about it before its rows are read."""

    opened: OpenedFile
    profile: Profile | None
    context: Context
    head: bytes
    whole: bool
    known: Knowledge
    limits: LimitSettings
    devices: Sequence[DevicesDocument]  # that count for this file, the nearest first
    beside: tuple[tuple[str, ...], ...] = ()  # the lines of small sheets, that may be a legend of codes
    guessed: str | None = None  # the encoding that the text shows, where its bytes alone do not tell

    @property
    def encoding(self) -> str | None:
        return self.profile.file.encoding if self.profile else self.guessed

    def read(self, shape: str, tables: Callable[[], Iterator[TableRead]], proposal: Proposal | None = None) -> FileRead:
        profile = self.profile or (proposal.profile if proposal and proposal.sure else None)
        decided = with_readings_decided(with_clock_notes(tables(), shape), tables, self.context.zone)
        noted = with_item_notes(decided, profile, shape)
        name = self.profile.name if self.profile else None
        told = None
        if proposal is not None and proposal.by_itself:
            told = told_by(self.opened.path, proposal.head, proposal.kind, proposal.data)
        return FileRead(self.opened.source, "loaded", shape, "", name, noted, proposal, told)

    def refuse(self, status: str, shape: str, reason: str, proposal: Proposal | None = None) -> FileRead:
        name = self.profile.name if self.profile else None
        return FileRead(self.opened.source, status, shape, reason, name, proposal=proposal)

    def choose(self, table: FoundTable, own: TablePlan | NoPlan) -> Chosen:
        return choose(table, own, self.known, self.placed)

    def found(
        self,
        names: list[str],
        chunks: Callable[[], Iterator[RawTable]],
        split: Callable[[str], list[str]],
        layout: Mapping[str, Any] | None = None,
        titles: tuple[tuple[str, ...], ...] = (),
    ) -> FoundTable:
        name = self.opened.path.rpartition("/")[2]
        return FoundTable(names, chunks, split, layout or {}, titles, self.opened.path, name, self.beside)

    @property
    def placed(self) -> Context:
        """The context of a file that does not name its machine itself: its path may."""
        return replace(self.context, place_machine=self.known.machine)

    def blocks(self, stream: BinaryIO, *, quoted: bool = False, sample: bool = False) -> Iterator[TextBlock]:
        block_bytes, line_bytes = SAMPLE_BYTES if sample else BLOCK_BYTES, self.limits.line_mib << 20
        return text_blocks(stream, self.encoding, quoted=quoted, block_bytes=block_bytes, line_bytes=line_bytes)

    def too_wide(self, columns: int, what: str) -> str:
        if columns <= self.limits.columns:
            return ""
        return (
            f"The file has {columns:,} {what}, and {self.limits.columns:,} are allowed. Export fewer, or raise columns "
            "under [limits] in shop.toml."
        )

    def head_lines(self) -> list[str]:
        lines = decode_head(self.head, self.encoding).split("\n")
        return lines if self.whole or len(lines) < 2 else lines[:-1]


def _read_opened(opened: OpenedFile, settings: ReadSettings) -> FileRead:
    rule = source_rule(opened.path, settings.sources)
    context = Context(
        rule.timezone or settings.zone,
        rule.machine,
        None,
        settings.record_operators,
        settings.operator_key,
        settings.tool_change_s,
    )
    try:
        with opened.open() as stream:
            head = stream.read(HEAD_BYTES)
    except (*PACKING_ERRORS, UnpackError) as error:
        reason = f"The file cannot be unpacked ({error}). Copy or export it again."
        return FileRead(opened.source, "unreadable", "unknown", reason)
    machine = rule.machine or machine_of_path(opened.path, settings.machines)
    known = Knowledge(
        settings.machines,
        settings.programs,
        settings.jobs,
        settings.machines_seen,
        settings.heads,
        machine,
        settings.currency,
        rule.machine is not None,
    )
    devices = in_scope(settings.devices, opened.path)
    job = _Job(opened, rule.profile, context, head, len(head) < HEAD_BYTES, known, settings.limits, devices)
    found = recognise(head, job.encoding, whole=job.whole)
    if found.shape == "web page":
        try:
            job, found = _of_page(job), Recognised("table")
        except (WebPageError, *PACKING_ERRORS, UnpackError) as error:
            return job.refuse("unreadable", "unknown", str(error))
    wanted = rule.profile.shape if rule.profile else None
    if wanted and found.shape in ("table", "text", "nc program", *_PROFILE_SHAPES):
        found = Recognised(wanted)
    if found.shape == "text" and (table := _read_table(job)).status == "loaded":
        return table
    if found.status:
        return job.refuse(found.status, found.shape, found.reason)
    if job.profile and job.profile.to_check:
        return job.refuse(
            "needs a profile", found.shape, UNANSWERED.format(*job.profile.to_check[:1], name=job.profile.name)
        )
    if found.shape in ("adapter text", "streams xml") and job.profile and job.profile.kind != "event":
        return job.refuse(
            "needs a profile",
            found.shape,
            f'The profile "{job.profile.name}" is of kind {job.profile.kind}, but this file is a stream of events. '
            "Name a profile of kind event for it under [[source]] in shop.toml.",
        )
    match found.shape:
        case "table":
            return _read_table(job)
        case "json lines":
            return _read_json(job)
        case "parquet":
            return _read_parquet(job)
        case "workbook":
            return _read_workbook(job)
        case "adapter text":
            return _read_adapter(job)
        case _:
            return _read_xml(job)


def _of_page(job: _Job) -> _Job:
    """Return a job whose bytes are the tables of a web page, as text."""
    with job.opened.open() as stream:
        text = page_text(stream.read((job.limits.workbook_mib << 20) + 1), job.limits)
    opened = replace(job.opened, open=lambda: BytesIO(text))
    return replace(job, opened=opened, head=text[:HEAD_BYTES], whole=len(text) < HEAD_BYTES)


def _own_plan(names: Sequence[str], mark: str = "") -> TablePlan | NoPlan:
    return plan_table(names, None, "either" if mark == ";" else ".")


def _plan(job: _Job, names: Sequence[str], mark: str = "") -> TablePlan | NoPlan:
    if job.profile is None:
        return _own_plan(names, mark)
    plan = plan_table(names, job.profile)
    if mark or isinstance(plan, NoPlan) or plan.decimal == ".":
        return plan
    return replace(plan, decimal="either", thousands=None)  # cells that are numbers come with a point whatever is shown


def _read_table(job: _Job) -> FileRead:
    if too_wide := job.too_wide(widest(job.head_lines()), "columns"):
        return job.refuse("unreadable", "table", too_wide)
    if job.profile is not None:
        return _read_described(job, job.profile.file)
    job = replace(job, guessed=central_encoding(job.head))
    several = _texts_together(job, [_choose_text(job, part) for part in _text_parts(job)])
    if _all_told(several):
        asked = next((one.proposal for one in several if one.proposal), None)
        return job.read("table", partial(_parts_rows, job, several), asked)
    against = next((one for one in several if one.is_asked and one.proposal and one.proposal.contradicted), None)
    chosen = against or _choose_text(job, Part(1, sys.maxsize))
    if isinstance(chosen.plan, NoPlan):
        open_one = against or next((one for one in several if one.is_asked), chosen)
        where = _where(open_one.part) if several else ""
        return job.refuse("needs a profile", "table", f"{where}{open_one.reason}", open_one.proposal)
    return job.read("table", partial(_table_rows, job, chosen.layout, chosen.plan), chosen.proposal)


def _where(part: Part) -> str:
    """Return which of several tables is told of; a part without an end is the whole file."""
    if part.last == sys.maxsize:
        return _FILE_OF_SEVERAL
    return _TABLE_OF_SEVERAL.format(first=part.first, last=part.last)


class _Choice(NamedTuple):
    """A table of a text, and how it is to be read."""

    part: Part
    layout: Layout
    plan: TablePlan | NoPlan
    proposal: Proposal | None = None
    table: FoundTable | None = None  # what was chosen for

    @property
    def is_asked(self) -> bool:
        """Whether it looks like a table of ours and is not sure enough to be read."""
        return isinstance(self.plan, NoPlan) and self.proposal is not None and not self.proposal.says_little

    @property
    def reason(self) -> str:
        return self.plan.reason if isinstance(self.plan, NoPlan) else ""


def _texts_together(job: _Job, several: Sequence[_Choice]) -> list[_Choice]:
    """Return tables of one head read alike, as `_decided_together` does for sheets."""
    decided = []
    for one in several:
        alike = [other for other in several if _may_be_joined(one, other)]
        if one.table is not None and not read_alike([other.proposal for other in alike]):
            heads = [other.table for other in alike if other.table is not None]
            plan, proposal = job.choose(with_rows_of(one.table, heads), unknown_table(one.table.names))
            one = one._replace(plan=plan, proposal=proposal)
        decided.append(one)
    return decided


def _may_be_joined(one: _Choice, other: _Choice) -> bool:
    """Return whether two tables have one head, and neither says that it is of another kind: a plan below a log may."""
    if one.table is None or other.table is None or one.table.names != other.table.names:
        return False
    return not any(choice.proposal is not None and choice.proposal.contradicted for choice in (one, other))


def _all_told(several: Sequence[_Choice]) -> bool:
    """Return whether some tables can be read, and all others are none of ours."""
    return any(isinstance(one.plan, TablePlan) for one in several) and not any(one.is_asked for one in several)


def _text_parts(job: _Job) -> list[Part]:
    """Return the tables of a text that stand under one another, [] where there is one or nothing can tell."""
    head = find_text_head(job.head_lines()) if job.whole else None
    if head is None or not (head.delimiter or head.spans):
        return []
    lines = job.head_lines()
    is_filled = [bool(line.strip(f" {head.delimiter}\t\r")) for line in lines]
    return parts(
        stretches_of(is_filled),
        lambda number: split_line(lines[number - 1], head.delimiter, head.spans),
        job.known.machines,
    )


def _choose_text(job: _Job, part: Part) -> _Choice:
    above = part.first - 1
    lines = job.head_lines()[above : part.last]
    own = find_header(lines, _own_plan, None, None)
    if isinstance(own, Header):
        layout = Layout(own.delimiter, own.line + above, own.names)
        titles = tuple(filled(split_line(line, own.delimiter)) for line in lines[: own.line - 1])
        chosen = job.choose(_text_table(job, part, layout, 1, (*part.titles, *filter(None, titles))), own.plan)
        if isinstance(chosen.plan, TablePlan) and chosen.plan.profile is None:
            return _Choice(part, layout, chosen.plan)
    head = find_text_head(lines)
    if head is None:
        return _Choice(part, Layout("", 0, []), own if isinstance(own, NoPlan) else NoPlan(NO_TABLE))
    layout = Layout(head.delimiter, head.line + above, head.names, spans=head.spans)
    table = _text_table(job, part, layout, head.rows, (*part.titles, *head.titles))
    chosen = job.choose(table, _unnamed(own))
    return _Choice(part, layout, chosen.plan, chosen.proposal, table)


def _unnamed(own: Header | NoPlan) -> NoPlan:
    return own if isinstance(own, NoPlan) else NoPlan(NO_TABLE)


def _text_table(job: _Job, part: Part, layout: Layout, rows: int, titles: tuple[tuple[str, ...], ...]) -> FoundTable:
    how = {"columns_at": said_spans(layout.spans)} if layout.spans else {"delimiter": layout.delimiter}
    said: dict[str, Any] = {**how, "header_row": layout.header_line}
    if rows > 1:
        said["header_rows"] = rows
    if job.guessed:
        said["encoding"] = job.guessed

    def chunks() -> Iterator[RawTable]:
        with job.opened.open() as stream:
            blocks = lines_within(job.blocks(stream, quoted=True, sample=True), part.first, part.last)
            yield from read_delimited(blocks, layout)

    return job.found(layout.names, chunks, lambda raw: split_line(raw, layout.delimiter, layout.spans), said, titles)


def _read_described(job: _Job, file: FileShape) -> FileRead:
    """Read a table by its profile."""
    lines, spans = job.head_lines(), spans_said(file.columns_at)
    if file.header_row == 0:
        head = unnamed_columns(lines, file.delimiter, spans)
        plan = _plan(job, head.names, head.delimiter)
        header = plan if isinstance(plan, NoPlan) else Header(0, head.delimiter, head.names, plan)
    else:
        header = find_header(
            lines, lambda names, mark: _plan(job, names, mark), file.delimiter, file.header_row, file.header_rows, spans
        )
    if isinstance(header, NoPlan):
        return job.refuse("needs a profile", "table", header.reason)
    layout = Layout(header.delimiter, header.line, header.names, file.skip_rows_where, spans)
    several = _text_parts(job) if file.header_row else []
    if any(part.first <= header.line <= part.last for part in several):
        nothing = NoPlan("The profile is of another table.")
        choices = [
            _Choice(part, layout, header.plan if part.first <= header.line <= part.last else nothing)
            for part in several
        ]
        return job.read("table", partial(_parts_rows, job, choices))
    return job.read("table", partial(_table_rows, job, layout, header.plan))


def _table_rows(job: _Job, layout: Layout, plan: TablePlan) -> Iterator[TableRead]:
    with job.opened.open() as stream:
        blocks = job.blocks(stream, quoted=True)
        yield from map_tables(read_delimited(blocks, _with_skips(layout, plan)), plan, job.placed)


def _with_skips(layout: Layout, plan: TablePlan) -> Layout:
    """Return a layout that leaves out the rows which the plan's profile says are none."""
    return replace(layout, skip=plan.profile.file.skip_rows_where) if plan.profile else layout


def _parts_rows(job: _Job, several: Sequence[_Choice]) -> Iterator[TableRead]:
    """Yield the tables of a text that stand under one another; the lines of those that are none of ours as skipped."""
    last = 0
    skipped, notes = _other_tables(job, several)
    for part, layout, plan, *_ in several:
        if isinstance(plan, NoPlan):
            continue
        with job.opened.open() as stream:
            blocks = lines_within(job.blocks(stream, quoted=True), part.first, part.last)
            for read in map_tables(read_delimited(blocks, _with_skips(layout, plan), last), plan, job.placed, last):
                last += read.rows_read + int(read.skipped["why"].is_in(UNREAD_LINES).sum())
                yield replace(read, skipped=concat_skipped(read.skipped, skipped), notes=(*notes, *read.notes))
                skipped, notes = no_skipped(), ()


def _other_tables(job: _Job, several: Sequence[_Choice]) -> tuple[pl.DataFrame, tuple[str, ...]]:
    lines = job.head_lines()
    others = [one.part for one in several if isinstance(one.plan, NoPlan)]
    numbers = [number for part in others for number in range(part.first, part.last + 1) if lines[number - 1].strip()]
    frame = pl.DataFrame(
        {LINE: numbers, RAW: [lines[number - 1] for number in numbers]}, schema={LINE: pl.Int64, RAW: pl.String}
    )
    told = listed_names([f"lines {part.first} to {part.last}" for part in others])
    notes = (f"other tables in it are not read: {told}",) if others else ()
    return skipped_rows(frame, ANOTHER_TABLE), notes


def _read_json(job: _Job) -> FileRead:
    keys = keys_of(job.head_lines())
    if too_wide := job.too_wide(len(keys), "keys"):
        return job.refuse("unreadable", "json lines", too_wide)
    own = plan = _plan(job, keys)
    proposal = None
    if job.profile is None:

        def chunks() -> Iterator[RawTable]:
            with job.opened.open() as stream:
                yield from read_json_lines(job.blocks(stream, sample=True), keys)

        plan, proposal = job.choose(job.found(unique_names(keys), chunks, lambda raw: []), own)
    if isinstance(plan, NoPlan):
        return job.refuse("needs a profile", "json lines", plan.reason, proposal)
    wanted = [*keys, *wanted_names(plan, keys)]
    return job.read("json lines", partial(_json_rows, job, wanted, extended(plan, wanted)), proposal)


def _json_rows(job: _Job, keys: list[str], plan: TablePlan) -> Iterator[TableRead]:
    with job.opened.open() as stream:
        blocks = job.blocks(stream)
        skip = plan.profile.file.skip_rows_where if plan.profile else ()
        for read in map_tables(read_json_lines(blocks, keys, skip), plan, job.placed):
            yield replace(read, fields=frozenset())  # an object that lacks a key, or has null, says nothing of it


def _read_parquet(job: _Job) -> FileRead:
    try:
        with open_seekable(job.opened) as stream:
            names = parquet_names(stream, job.limits)
    except (ParquetError, *PACKING_ERRORS, UnpackError) as error:
        return job.refuse("unreadable", "parquet", str(error))
    own = plan = _plan(job, names)
    proposal = None
    if job.profile is None:
        table = job.found(names, lambda: _parquet_chunks(job, names, ()), lambda raw: [])
        plan, proposal = job.choose(table, own)
    if isinstance(plan, NoPlan):
        return job.refuse("needs a profile", "parquet", plan.reason, proposal)
    return job.read("parquet", partial(_parquet_rows, job, names, plan), proposal)


def _parquet_rows(job: _Job, names: list[str], plan: TablePlan) -> Iterator[TableRead]:
    skip = plan.profile.file.skip_rows_where if plan.profile else ()
    yield from map_tables(_parquet_chunks(job, names, skip), plan, job.placed)


def _parquet_chunks(job: _Job, names: list[str], skip: Sequence[SkipRule]) -> Iterator[RawTable]:
    with open_seekable(job.opened) as stream:
        yield from read_parquet(stream, names, skip, job.limits)


def _read_workbook(job: _Job) -> FileRead:
    file = job.profile.file if job.profile else None
    try:
        with job.opened.open() as stream:
            data = stream.read((job.limits.workbook_mib << 20) + 1)
        sheets = read_sheets(data, file.sheet if file else None, job.limits)
    except (WorkbookError, *PACKING_ERRORS, UnpackError) as error:
        return job.refuse("unreadable", "workbook", str(error))
    job = replace(job, beside=tuple(line for sheet in sheets for line in sheet_pairs(sheet)))
    found = [table for sheet in sheets for table in _sheet_tables(job, sheet)]
    found = _decided_together(job, found) if job.profile is None else found
    known = [(one.sheet, one.header) for one in found if isinstance(one.header, Header)]
    proposals = [one.proposal for one in found if one.proposal is not None]
    asked = next((proposal for proposal in proposals if not proposal.sure), next(iter(proposals), None))
    waiting = next((one for one in found if one.is_ours), None)
    if not known or waiting is not None:
        first = sorted(found, key=lambda one: (not one.is_ours, one.proposal is None))  # what looks like something
        reasons = [f'Sheet "{one.sheet.name}": {one.header.reason}' for one in first if isinstance(one.header, NoPlan)]
        reason = reasons[0] if reasons else "The workbook has no filled sheet."
        return job.refuse("needs a profile", "workbook", reason, waiting.proposal if waiting else asked)
    others = list(dict.fromkeys(_called(one.sheet) for one in found if isinstance(one.header, NoPlan)))
    notes = [f"sheets not read: {listed_names(others)}"] if others else []
    notes += (
        f'sheet "{_called(one.sheet)}" is not read: {one.header.reason}'
        for one in found
        if isinstance(one.header, NoPlan) and one.asks
    )
    return job.read("workbook", partial(_workbook_rows, job, known, tuple(notes)), asked)


class _SheetTable(NamedTuple):
    """A table of a sheet, and how it is to be read; `head` is what was chosen for, where a head was found."""

    sheet: Sheet
    header: Header | NoPlan
    proposal: Proposal | None
    head: FoundTable | None = None

    @property
    def asks(self) -> bool:
        """Whether it looks like something of ours and is not to be read as it stands."""
        return isinstance(self.header, NoPlan) and self.proposal is not None and not self.proposal.says_little

    @property
    def is_ours(self) -> bool:
        """Whether it has all that a kind of ours needs and only waits for an answer: then the workbook waits."""
        asked = isinstance(self.header, NoPlan) and self.proposal is not None
        return asked and not (self.proposal is None or self.proposal.missing or self.proposal.contradicted)


def _decided_together(job: _Job, found: Sequence[_SheetTable]) -> list[_SheetTable]:
    """Return tables of one head read alike: where they differ alone, all their rows together decide how.

    What stands above each of them is its own: the machine, the year.
    """
    by_head: dict[tuple[str, ...], list[_SheetTable]] = {}
    for one in found:
        if one.head is not None and one.proposal is not None and not _is_of_another(one.head, one.proposal):
            by_head.setdefault(tuple(one.head.names), []).append(one)
    again: dict[int, _SheetTable] = {}
    for alike in by_head.values():
        heads = [one.head for one in alike if one.head is not None]
        if not read_alike([one.proposal for one in alike]):
            again.update({id(one): _with_rows_of(job, one, heads) for one in alike})
    return [again.get(id(one), one) for one in found]


def _is_of_another(head: FoundTable, proposal: Proposal) -> bool:
    """Return whether a title says that a table is of another kind; what its cells say counts for all of its head."""
    return proposal.contradicted and says_another(head.titles)


def _with_rows_of(job: _Job, one: _SheetTable, heads: Sequence[FoundTable]) -> _SheetTable:
    """Return a table of a sheet as it is read by the rows of all tables that have its head."""
    if one.head is None:
        return one
    plan, proposal = job.choose(with_rows_of(one.head, heads), unknown_table(one.head.names))
    if isinstance(plan, NoPlan):
        return one._replace(header=plan, proposal=proposal)
    line = one.header.line if isinstance(one.header, Header) else int(one.head.layout["header_row"])
    return one._replace(header=Header(line, "", one.head.names, _pointed(plan)), proposal=proposal)


def _called(sheet: Sheet) -> str:
    return sheet.name if sheet.cells[LINE][0] == 1 else f"{sheet.name} (from row {sheet.cells[LINE][0]})"


def _sheet_tables(job: _Job, sheet: Sheet) -> list[_SheetTable]:
    """Return the tables of a sheet with their heads: one, or several under one another or side by side.

    Several are read where none of them is left to be asked about.
    """
    below = tables_below(sheet, job.known.machines)
    if job.profile is not None:
        row = job.profile.file.header_row
        part = next((part for part in below if row and row in part.cells[LINE]), sheet)
        return [_sheet_table(job, part)]
    found = _decided_together(job, [_sheet_table(job, part) for part in below])
    if _is_told(found):
        return found
    asked = [one for one in found if one.asks]
    if against := [one for one in asked if one.proposal and one.proposal.contradicted]:
        return against[:1]
    whole = _sheet_table(job, sheet)
    if isinstance(whole.header, Header):
        return [whole]
    beside = [_sheet_table(job, part) for part in tables_beside(sheet)]
    if _is_told(beside):
        return beside
    asked += [one for one in beside if one.asks]
    return asked[:1] or [whole]


def _is_told(found: Sequence[_SheetTable]) -> bool:
    """Return whether some tables can be read, and all others are none of ours."""
    return any(isinstance(one.header, Header) for one in found) and not any(one.asks for one in found)


def _sheet_table(job: _Job, sheet: Sheet) -> _SheetTable:
    file = job.profile.file if job.profile else None
    planned = find_sheet_header(
        sheet,
        lambda names, _: _plan(job, names),
        file.header_row if file else None,
        file.header_rows if file else 1,
    )
    if file is not None:
        return _SheetTable(sheet, planned, None)
    if isinstance(planned, Header):
        above = tuple(filled(cells) for number, cells in sheet_top(sheet) if number < planned.line)
        chosen = job.choose(_sheet_found(job, sheet, planned, 1, tuple(filter(None, above))), planned.plan)
        if isinstance(chosen.plan, TablePlan) and chosen.plan.profile is None:
            return _SheetTable(sheet, planned, chosen.proposal)
    head = find_cells_head(sheet_top(sheet))
    if head is None:
        return _SheetTable(sheet, _unnamed(planned), None)
    header = Header(head.line, "", head.names, planned.plan if isinstance(planned, Header) else NOTHING)
    table = _sheet_found(job, sheet, header, head.rows, head.titles)
    plan, proposal = job.choose(table, _unnamed(planned))
    decided = plan if isinstance(plan, NoPlan) else replace(header, plan=_pointed(plan))
    return _SheetTable(sheet, decided, proposal, table)


def _sheet_found(job: _Job, sheet: Sheet, header: Header, rows: int, titles: tuple[tuple[str, ...], ...]) -> FoundTable:
    said: dict[str, Any] = {"sheet": sheet.name, "header_row": header.line}
    if rows > 1:
        said["header_rows"] = rows
    return job.found(
        header.names,
        lambda: iter([sheet_table(sheet, header, (), 0)]),
        lambda raw: raw.split(RAW_JOINT),
        said,
        ((sheet.name,), *sheet.titles, *titles),
    )


def _pointed(plan: TablePlan) -> TablePlan:
    """Return the plan of a sheet: cells that are numbers come with a point whatever is shown."""
    return plan if plan.decimal == "." else replace(plan, decimal="either", thousands=None)


def _workbook_rows(job: _Job, sheets: list[tuple[Sheet, Header]], notes: tuple[str, ...]) -> Iterator[TableRead]:
    last = 0
    for sheet, header in sheets:
        profile = header.plan.profile
        raw = sheet_table(sheet, header, profile.file.skip_rows_where if profile else (), last)
        for table in map_tables([raw], header.plan, job.placed, last):
            last += table.rows_read + int(table.skipped["why"].is_in(UNREAD_LINES).sum())
            yield replace(table, notes=(*notes, *table.notes))
            notes = ()


def _read_adapter(job: _Job) -> FileRead:
    elapsed = Elapsed.of(job.profile.columns.get("occurred_at") if job.profile else None)
    machine = stream_machine(job.profile, job.context)
    device = device_of_items(job.devices, item_names(job.head_lines()), machine)
    if machine is None and device is not None and device.machine is not None:
        machine = job.known.machines.get(device.machine.casefold(), device.machine)
    machine = machine or job.known.machine
    if machine is None and (named := machine_of_name(job.opened.path)) is not None:
        machine = job.known.machines.get(named.casefold(), named)
    if machine is None:
        return job.refuse(
            "needs a profile",
            "adapter text",
            'This is a log of a machine that does not name the machine. Add machine = "..." (and a profile for its '
            "items, where they are not called as in the standard) under [[source]] in shop.toml and run again; or lay "
            "the MTConnectDevices document of the machine beside it.",
        )
    return job.read("adapter text", partial(_adapter_rows, job, machine, device, elapsed))


def _adapter_rows(job: _Job, machine: str, device: Device | None, elapsed: Elapsed | None) -> Iterator[TableRead]:
    with job.opened.open() as stream:
        blocks = job.blocks(stream)
        items = text_items(job.profile, device)
        if job.profile is None and device is None:
            items = replace(items, rules=text_rules_meant(said_by_items(job.head_lines(), machine)))
        yield from read_adapter_text(blocks, items, job.context, machine, elapsed)


def _read_xml(job: _Job) -> FileRead:
    return job.read("streams xml", partial(_xml_rows, job))


def _xml_rows(job: _Job) -> Iterator[TableRead]:
    notes: tuple[str, ...] = ()
    if (machine := stream_machine(job.profile, job.context)) is not None:
        with job.opened.open() as stream:
            devices = devices_in(stream)
        if len(devices) > 1:
            notes = (SEVERAL_DEVICES.format(machine=machine, devices=listed_names(devices)),)
            machine = None
    rule = job.profile.columns.get("machine") if job.profile else None
    names = StreamNames(
        machine,
        {**job.known.machines, **({said.casefold(): put for said, put in rule.lookup.items()} if rule else {})},
        rule.default if rule else None,
        job.profile is not None and job.profile.item_id == "name",
        lambda name, uuid: device_called(job.devices, name, uuid),
    )
    with job.opened.open() as stream:
        yield from read_streams(stream, stream_items(job.profile), job.context, names, notes)
