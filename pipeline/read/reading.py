"""Reads one file, whatever its shape, into typed rows and rejects: what the rest of the pipeline calls.

It stores nothing and checks no ranges; a file that cannot be read comes back as such, never as an exception.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from io import BytesIO
from pathlib import Path
from typing import Final, NamedTuple

from pipeline.read.adapter_text import read_adapter_text
from pipeline.read.delimited import Layout, read_delimited
from pipeline.read.doubled import with_readings_decided
from pipeline.read.files import PACKING_ERRORS, OpenedFile, UnpackError, open_source
from pipeline.read.header import Header, find_header
from pipeline.read.itemnotes import with_item_notes
from pipeline.read.jsonlines import keys_of, read_json_lines
from pipeline.read.mapping import map_tables
from pipeline.read.observations import stream_items, stream_machine
from pipeline.read.parquet import ParquetError, parquet_names, read_parquet
from pipeline.read.plan import Context, NoPlan, TablePlan, extended, listed_names, plan_table, wanted_names
from pipeline.read.recognise import Recognised, recognise
from pipeline.read.rows import FileRead, TableRead
from pipeline.read.streams_xml import read_streams
from pipeline.read.text import HEAD_BYTES, decode_head, text_blocks
from pipeline.read.workbook import Sheet, WorkbookError, find_sheet_header, read_sheets, sheet_table
from schemas.profile import Profile
from schemas.shop import LimitSettings

_PROFILE_SHAPES: Final = ("table", "json lines", "adapter text", "streams xml")


class SourceRule(NamedTuple):
    """One [[source]] of shop.toml, its profile read."""

    files: str
    profile: Profile | None = None
    timezone: str | None = None
    machine: str | None = None


@dataclass(frozen=True)
class ReadSettings:
    """What reading needs to know of the workspace. `zone` is an IANA name; times without an offset are read in it."""

    zone: str = "UTC"
    sources: Sequence[SourceRule] = ()
    record_operators: bool = False
    operator_key: bytes = b""
    tool_change_s: Mapping[str, float] = field(default_factory=dict)  # for logs that stamp a change's end
    limits: LimitSettings = field(default_factory=LimitSettings)
    roots: Sequence[str] = ()  # where links may lead to, as `files.real_paths` gives it; anywhere where it is empty


def read_file(path: Path, settings: ReadSettings) -> list[FileRead]:
    """Read one path: a list because a zip holds several files.

    Rows are read when `tables` is iterated (once); until then only the first lines have been looked at.
    """
    found = open_source(path, settings.limits, settings.roots)
    return [opened if isinstance(opened, FileRead) else _read_opened(opened, settings) for opened in found]


def source_rule(path: str, sources: Sequence[SourceRule]) -> SourceRule:
    """Return the rule whose `files` matches the end of `path`, the longest of several; an empty rule if none does."""
    fitting = [rule for rule in sources if matches_end(path, rule.files)]
    return max(fitting, key=lambda rule: len(rule.files), default=SourceRule("*"))


def matches_end(path: str, glob: str) -> bool:
    """Return whether a glob matches the end of a path, whole parts at a time; `**` stands for any folders."""
    pattern = "".join(
        _glob_part(part) for part in re.findall(r"\*\*/|\*\*|.", glob.replace("\\", "/").removeprefix("./"))
    )
    flags = re.IGNORECASE if os.name == "nt" else 0
    return re.fullmatch(rf"(?:.*/)?{pattern}", path.replace("\\", "/"), flags | re.DOTALL) is not None


def _glob_part(part: str) -> str:
    return {"**/": "(?:.*/)?", "**": ".*", "*": "[^/]*", "?": "[^/]"}.get(part, re.escape(part))


@dataclass(frozen=True)
class _Job:
    """One opened file with everything that is known about it before its rows are read."""

    opened: OpenedFile
    profile: Profile | None
    context: Context
    head: bytes
    whole: bool

    @property
    def encoding(self) -> str | None:
        return self.profile.file.encoding if self.profile else None

    def read(self, shape: str, tables: Iterator[TableRead]) -> FileRead:
        noted = with_item_notes(with_readings_decided(tables, self.context.zone), self.profile, shape)
        return FileRead(self.opened.source, "loaded", shape, "", self.profile.name if self.profile else None, noted)

    def refuse(self, status: str, shape: str, reason: str) -> FileRead:
        return FileRead(self.opened.source, status, shape, reason, self.profile.name if self.profile else None)

    def head_lines(self) -> list[str]:
        lines = decode_head(self.head, self.encoding).split("\n")
        return lines if self.whole or len(lines) < 2 else lines[:-1]


def _read_opened(opened: OpenedFile, settings: ReadSettings) -> FileRead:
    rule = source_rule(opened.path, settings.sources)
    context = Context(
        rule.timezone or settings.zone,
        rule.machine,
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
    job = _Job(opened, rule.profile, context, head, len(head) < HEAD_BYTES)
    found = recognise(head, job.encoding, whole=job.whole)
    wanted = rule.profile.shape if rule.profile else None
    if wanted and found.shape in ("table", "text", "nc program", *_PROFILE_SHAPES):
        found = Recognised(wanted)
    if found.shape == "text" and (table := _read_table(job)).status == "loaded":
        return table
    if found.status:
        return job.refuse(found.status, found.shape, found.reason)
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


def _plan(job: _Job, names: Sequence[str], mark: str = "") -> TablePlan | NoPlan:
    plan = plan_table(names, job.profile, "either" if mark == ";" else ".")
    if mark or isinstance(plan, NoPlan) or plan.decimal == ".":
        return plan
    return replace(plan, decimal="either", thousands=None)  # cells that are numbers come with a point whatever is shown


def _read_table(job: _Job) -> FileRead:
    file = job.profile.file if job.profile else None
    header = find_header(
        job.head_lines(),
        lambda names, mark: _plan(job, names, mark),
        file.delimiter if file else None,
        file.header_row if file else None,
    )
    if isinstance(header, NoPlan):
        return job.refuse("needs a profile", "table", header.reason)
    layout = Layout(header.delimiter, header.line, header.names, file.skip_rows_where if file else ())
    return job.read("table", _table_rows(job, layout, header.plan))


def _table_rows(job: _Job, layout: Layout, plan: TablePlan) -> Iterator[TableRead]:
    with job.opened.open() as stream:
        blocks = text_blocks(stream, job.encoding, quoted=True)
        yield from map_tables(read_delimited(blocks, layout), plan, job.context)


def _read_json(job: _Job) -> FileRead:
    keys = keys_of(job.head_lines())
    plan = _plan(job, keys)
    if isinstance(plan, NoPlan):
        return job.refuse("needs a profile", "json lines", plan.reason)
    keys = [*keys, *wanted_names(plan, keys)]
    return job.read("json lines", _json_rows(job, keys, extended(plan, keys)))


def _json_rows(job: _Job, keys: list[str], plan: TablePlan) -> Iterator[TableRead]:
    with job.opened.open() as stream:
        blocks = text_blocks(stream, job.encoding)
        skip = plan.profile.file.skip_rows_where if plan.profile else ()
        yield from map_tables(read_json_lines(blocks, keys, skip), plan, job.context)


def _seekable(job: _Job) -> BytesIO:
    with job.opened.open() as stream:
        return BytesIO(stream.read())


def _read_parquet(job: _Job) -> FileRead:
    try:
        names = parquet_names(_seekable(job))
    except (ParquetError, *PACKING_ERRORS, UnpackError) as error:
        return job.refuse("unreadable", "parquet", str(error))
    plan = _plan(job, names)
    if isinstance(plan, NoPlan):
        return job.refuse("needs a profile", "parquet", plan.reason)
    return job.read("parquet", _parquet_rows(job, names, plan))


def _parquet_rows(job: _Job, names: list[str], plan: TablePlan) -> Iterator[TableRead]:
    skip = plan.profile.file.skip_rows_where if plan.profile else ()
    yield from map_tables(read_parquet(_seekable(job), names, skip), plan, job.context)


def _read_workbook(job: _Job) -> FileRead:
    file = job.profile.file if job.profile else None
    try:
        sheets = read_sheets(_seekable(job).getvalue(), file.sheet if file else None)
    except (WorkbookError, *PACKING_ERRORS, UnpackError) as error:
        return job.refuse("unreadable", "workbook", str(error))
    found = [
        (sheet, find_sheet_header(sheet, lambda names, _: _plan(job, names), file.header_row if file else None))
        for sheet in sheets
    ]
    known = [(sheet, header) for sheet, header in found if isinstance(header, Header)]
    if not known:
        reasons = [f'Sheet "{sheet.name}": {header.reason}' for sheet, header in found if isinstance(header, NoPlan)]
        return job.refuse("needs a profile", "workbook", reasons[0] if reasons else "The workbook has no filled sheet.")
    others = [sheet.name for sheet, header in found if isinstance(header, NoPlan)]
    notes = (f"sheets not read: {listed_names(others)}",) if others else ()
    return job.read("workbook", _workbook_rows(job, known, notes))


def _workbook_rows(job: _Job, sheets: list[tuple[Sheet, Header]], notes: tuple[str, ...]) -> Iterator[TableRead]:
    last = 0
    for sheet, header in sheets:
        raw = sheet_table(sheet, header, job.profile, last)
        for table in map_tables([raw], header.plan, job.context, last):
            last += table.rows_read + sum(table.skipped["why"] == "total line")
            yield replace(table, notes=(*notes, *table.notes))
            notes = ()


def _read_adapter(job: _Job) -> FileRead:
    machine = stream_machine(job.profile, job.context)
    if machine is None:
        return job.refuse(
            "needs a profile",
            "adapter text",
            'This is a log of a machine that does not name the machine. Add machine = "..." (and a profile for its '
            "items, where they are not called as in the standard) under [[source]] in shop.toml and run again.",
        )
    return job.read("adapter text", _adapter_rows(job, machine))


def _adapter_rows(job: _Job, machine: str) -> Iterator[TableRead]:
    with job.opened.open() as stream:
        blocks = text_blocks(stream, job.encoding)
        yield from read_adapter_text(blocks, stream_items(job.profile), job.context, machine)


def _read_xml(job: _Job) -> FileRead:
    return job.read("streams xml", _xml_rows(job))


def _xml_rows(job: _Job) -> Iterator[TableRead]:
    machine = stream_machine(job.profile, job.context)
    by_name = job.profile is not None and job.profile.item_id == "name"
    with job.opened.open() as stream:
        yield from read_streams(stream, stream_items(job.profile), job.context, machine, id_is_name=by_name)
