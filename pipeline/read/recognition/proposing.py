"""A sample of a table that nobody has described -> the profile by which it should be read, and how sure that is.

A proposal without doubts is as good as a profile that a person wrote; with doubts it waits for one.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any, Final

import polars as pl
from pydantic import ValidationError

from pipeline.read.doubled import with_readings_decided
from pipeline.read.mapping import map_tables
from pipeline.read.plan import TABLE_KINDS, Context, NoPlan, plan_table
from pipeline.read.rawtable import RawTable
from pipeline.read.recognition.assigning import SURE, Assignment, Guess, assign
from pipeline.read.recognition.event_logs import has_states, state_log, wide_log
from pipeline.read.recognition.excluding import kind_share, weighed_together
from pipeline.read.recognition.fitting import can_bear
from pipeline.read.recognition.heads import names_columns
from pipeline.read.recognition.item_names import named_items
from pipeline.read.recognition.leaving import without_open_fields
from pipeline.read.recognition.places import disagree, looks_like_id, machine_of_line
from pipeline.read.recognition.said_above import begins_with_label, fields_named, said_above
from pipeline.read.recognition.sample import Knowledge, Sample, title_share
from pipeline.read.recognition.settling import CALLED, NO_MACHINE, Settled, settle
from pipeline.read.recognition.settling_by_sisters import settle_by
from pipeline.read.recognition.sisters import key_of
from pipeline.read.rows import TableRead
from pipeline.read.skipping import REMARK_LINE, is_period, total_words
from schemas.concepts import FIELD_CONCEPTS, FIELDS
from schemas.profile import Profile, with_article
from schemas.vocabulary import InputKind

LEFT_OUT: Final = "left out, as not sure:"
"""How a note on fields begins that a column may be and that were left empty."""
_ONE_OPERATION: Final = (
    '; if each line is all of a job, write constant = "10" (as cycles call it) under [columns.operation] of the profile'
)
_NEAR_KINDS: Final = 0.6  # kinds whose scores are this close are not told apart
_TITLED: Final = 0.6
_LITTLE: Final = 0.01
_FEWEST_NAMES: Final = 2
_NAMED: Final = 0.5
_NEAREST: Final = 0.1
_MOST_NEAR: Final = 2
_STATES_COST: Final = 3.0
_MOST_REJECTED: Final = 0.1  # of the rows of a trial, before a reading counts as wrong
_MOST_REMARKS: Final = 50
_OVERLAPS: Final = 0.3
_SHORTEST_S: Final = 0.5  # of the middle cycle of a file; common practice, no source
_LONGEST_S: Final = 3 * 86_400


@dataclass(frozen=True)
class Proposal:
    """What a table seems to be: `data` is a profile as TOML would hold it, `profile` is None where it lacks a field."""

    kind: InputKind
    data: dict[str, Any]
    profile: Profile | None
    guesses: Mapping[str, Guess]
    evidence: Mapping[str, list[str]]
    missing: tuple[str, ...]
    doubts: tuple[str, ...]
    unused: tuple[str, ...] = field(default=())
    contradicted: bool = False  # something speaks against the kind itself
    left: Mapping[str, str] = field(default_factory=dict)  # fields that nothing fills -> the unused column that may
    near: Mapping[str, tuple[str, ...]] = field(default_factory=dict)  # free columns that come near a missing field
    head: tuple[str, ...] = ()  # the names of all columns
    by_itself: bool = False  # sure by the file alone, whatever else the shop knows
    says_little: bool = False  # it lacks fields and its names do not say that it is of the kind: a draft, no more

    @property
    def sure(self) -> bool:
        """Whether a file may be read by it without asking anybody."""
        return not self.doubts and not self.missing and self.profile is not None

    @property
    def confidence(self) -> float:
        """That of the least sure field."""
        return min((guess.confidence for guess in self.guesses.values()), default=0.0)


@dataclass(frozen=True)
class _Reading:
    """A table read as one kind."""

    found: Assignment
    settled: Settled | None = None  # not yet, for kinds whose rules nobody has asked for
    items: Sequence[dict[str, Any]] = ()


def propose(sample: Sample, known: Knowledge, context: Context, file: Mapping[str, Any], name: str) -> Proposal | None:
    """Return what a table most probably is, None where no kind comes near.

    `file` is the layout that was found (the [file] of the profile), `name` the name to give it.
    """
    readings = sorted(_readings(sample, known), key=lambda reading: -reading.found.score)
    readings = [reading for reading in readings if reading.found.guesses]
    if not readings:
        return None
    best = readings[0]
    if best.settled is None:
        best = replace(best, found=weighed_together(best.found, sample, known))
    kind, settled = best.found.kind, best.settled or settle(best.found, sample, known)
    sisters = known.heads.get(key_of(sample.place, sample.names))
    if sisters is not None and sisters.kind == kind and not best.items:
        settle_by(sisters, settled, best.found.guesses)
    settled = without_open_fields(settled, best.found, partial(kind_share, best.found, sample=sample))
    items = [*best.items, *(named_items(best.found, settled) if kind == "event" and not best.items else ())]
    doubts = [*best.found.doubts, *_rivals(readings, sample), *settled.doubts.values()]
    data: dict[str, Any] = {"version": 1, "name": name, "kind": kind}
    if layout := {**file, **settled.file}:
        data["file"] = layout
    data["columns"] = settled.rules
    if items:
        data["item"] = items
    profile = _validated(data) if not best.found.missing else None
    if profile is not None and NO_MACHINE not in settled.doubts:
        doubts += _trial(sample, profile, context, known)
    elif profile is None and not best.found.missing:
        doubts.append("its columns contradict one another")
    return Proposal(
        kind,
        data,
        profile,
        {
            name: guess
            for name in settled.rules
            if (guess := best.found.guesses.get(settled.moved.get(name, name))) is not None
        },
        settled.evidence,
        best.found.missing,
        tuple(doubts),
        tuple(_unused(sample, data)),
        bool(best.found.doubts),
        {**_left(best.found, data, sample), **settled.left},
        _near(best.found),
        tuple(sample.names),
        says_little=_says_little(best),
    )


def _left(found: Assignment, data: Mapping[str, Any], sample: Sample) -> dict[str, str]:
    """Return the fields that may be absent and that an unused column is by its name, though not surely enough."""
    given = {*data["columns"], "operator", "note", *(("duration_s",) if "ended_at" in data["columns"] else ())}
    left: dict[str, str] = {}
    for name in _unused(sample, data):
        column = next(column for column in sample.columns if column.name == name)
        for concept, share in column.reading.concepts.items():
            meant = FIELDS[found.kind].get(concept)
            if meant is not None and share >= _NAMED and meant not in given and can_bear(concept, column):
                left.setdefault(meant, name)
    return left


def _near(found: Assignment) -> dict[str, tuple[str, ...]]:
    """Return for each missing field the free columns that come nearest to it."""
    used = {column for guess in found.guesses.values() for column in guess.columns}
    near: dict[str, tuple[str, ...]] = {}
    for guess in found.candidates:
        free = guess.confidence >= _NEAREST and used.isdisjoint(guess.columns)
        if guess.field in found.missing and free and len(near.get(guess.field, ())) < _MOST_NEAR:
            near[guess.field] = (*near.get(guess.field, ()), " + ".join(guess.columns))
    return near


def _says_little(reading: _Reading) -> bool:
    """Return whether a table lacks fields of its nearest kind and its names do not say that it is of that kind."""
    named = sum(guess.named for guess in reading.found.guesses.values())
    return bool(reading.found.missing) and named < _FEWEST_NAMES


def _readings(sample: Sample, known: Knowledge) -> Iterator[_Reading]:
    states = has_states(sample)
    for kind in TABLE_KINDS:
        found = assign(kind, sample, known)
        if kind == "cycle" and states:
            found = Assignment(kind, found.guesses, found.missing, found.score - _STATES_COST)
        yield _Reading(found)
    if (wide := wide_log(sample, known)) is not None:
        yield _Reading(*wide)
    elif (log := state_log(sample, known)) is not None:
        yield _Reading(*log)


def _rivals(readings: list[_Reading], sample: Sample) -> Iterator[str]:
    """Tell what else the table can be."""
    best = readings[0].found
    for other in readings[1:]:
        rival = other.found
        if rival.kind != best.kind and not rival.missing and rival.score > best.score - _NEAR_KINDS:
            yield f"it can be {_a(best.kind)} table or {_a(rival.kind)} table"
            break
    near = {other.found.kind for other in readings if len(other.found.missing) <= 1}
    said = {kind: title_share(kind, sample) for kind in TABLE_KINDS if kind in near}
    titled = max(said, key=lambda kind: said[kind], default=best.kind)
    if titled != best.kind and said[titled] >= max(_TITLED, title_share(best.kind, sample) + _LITTLE):
        columns = f"its columns are those of {_a(best.kind)}"
        yield f"its title says that it is {_a(titled)} table, {columns}"


def _validated(data: dict[str, Any]) -> Profile | None:
    try:
        return Profile.model_validate(data)
    except ValidationError:
        return None


def _trial(sample: Sample, profile: Profile, context: Context, known: Knowledge) -> list[str]:
    """Read the sample by the profile and say what speaks against it."""
    plan = plan_table(sample.names, profile)
    if isinstance(plan, NoPlan):
        return [plan.reason]

    def tables() -> Iterator[TableRead]:
        rows = sample.table.cells.head(sample.own_rows or sample.rows)
        for rule in profile.file.skip_rows_where:
            rows = rows.filter(~rows[rule.column].str.strip_chars().str.contains(rule.matches).fill_null(False))
        return map_tables([RawTable(rows)], plan, context)

    table = next(with_readings_decided(tables(), tables, context.zone))
    called = [
        word for name in CALLED if name in table.rows.columns for word in total_words(table.rows[name].cast(pl.String))
    ]
    doubts = [f'a row is called "{word}": it may be the sum of others' for word in called[:1]]
    doubts += [
        *_other_machines(table, sample, known),
        *_other_blocks(sample, profile),
        *_other_heads(table, sample),
    ]
    refused = table.rejects["row_number"].n_unique()
    if table.rows_read and refused > max(1, _MOST_REJECTED * table.rows_read):
        message = table.rejects["message"].value_counts(sort=True)["message"][0]
        doubts.append(f"{refused} of {table.rows_read} rows could not be read that way: {message}")
    if profile.kind == "cycle" and table.rows.height:
        doubts += _implausible(table)
    return doubts


def _other_machines(table: TableRead, sample: Sample, known: Knowledge) -> Iterator[str]:
    """Tell lines among the rows that name a machine: the rows below them are of that one.

    Where every row says its machine itself, only a line that plainly names another one is told.
    """
    lone = table.skipped.filter(pl.col("why") == REMARK_LINE)["raw"]
    said = _machines_of_rows(table)
    for raw in pl.concat([lone, table.rejects["raw"]]).drop_nulls().unique(maintain_order=True).head(_MOST_REMARKS):
        cells = tuple(cell.strip() for cell in sample.split(raw) if cell.strip())
        if len(cells) > 2 or (len(cells) == 1 and is_period(cells[0])):
            continue
        line = " ".join(cells)
        span = machine_of_line(line, known.machines)
        named = line[slice(*span)] if span else None
        if named is not None and not any(not disagree(named, machine, known.machines) for machine in said):
            told = line
        elif not said and len(cells) == 1 and looks_like_id(cells[0]):
            told = cells[0]
        else:
            continue
        yield f'a line among the rows says "{told}": the rows below it may be of that machine'
        return


def _other_blocks(sample: Sample, profile: Profile) -> Iterator[str]:
    """Tell lines among the rows that say a field of the rows below them, where no column does: another job begins."""
    columns = {name for name, rule in profile.columns.items() if rule.from_}
    cells = sample.table.cells
    texts = [pl.col(name).str.strip_chars().replace("", None) for name in sample.names]
    first = cells.select(pl.coalesce(texts).alias("first"))["first"]
    labels = [text for text in first.drop_nulls().unique().head(_MOST_REMARKS**2) if begins_with_label(text)]
    for row in cells.filter(first.is_in(labels)).head(_MOST_REMARKS).select(sample.names).iter_rows():
        line = tuple(text for cell in row if (text := (cell or "").strip()))
        said = said_above(profile.kind, [line])
        unread = fields_named([line]) & {name for name, rule in profile.columns.items() if rule.constant is not None}
        if name := next((name for name in (*said, *sorted(unread)) if name not in columns), None):
            told = said[name][0].line if name in said else " ".join(line)
            yield f'a line among the rows says "{told}": the rows below it may be of that {name}'
            return


def _machines_of_rows(table: TableRead) -> list[str]:
    """Return the machines that a column of a table says, [] where it has none or one for all rows."""
    machines = table.rows["machine"].drop_nulls().unique().sort() if "machine" in table.rows.columns else pl.Series()
    return machines.to_list() if len(machines) > 1 else []


def _other_heads(table: TableRead, sample: Sample) -> Iterator[str]:
    """Tell lines among the rows that name columns otherwise than the head: what is below them has other columns."""
    for raw in table.rejects["raw"].drop_nulls().unique(maintain_order=True).head(_MOST_REMARKS):
        if names_columns(sample.split(raw)):
            yield f'"{raw[:60]}" among the rows is another head: the rows below it have other columns or units'
            return


def _implausible(table: TableRead) -> Iterator[str]:
    """Tell what no cycles of a machine can be."""
    rows = table.rows.select("machine", "started_at", "ended_at")
    length_s = (rows["ended_at"] - rows["started_at"]).dt.total_microseconds() / 1e6
    backwards = int((length_s < 0).sum())
    if backwards > max(1, _MOST_REJECTED * rows.height):
        yield f"{backwards} of {rows.height} cycles would end before they start"
        return
    middle = length_s.median()
    if isinstance(middle, float) and not _SHORTEST_S <= middle <= _LONGEST_S:
        yield f"the middle cycle would last {middle:,.1f} s"
    ordered = rows.sort("machine", "started_at")
    overlaps = ordered.select(
        (pl.col("ended_at").shift(1).over("machine") > pl.col("started_at") + pl.duration(seconds=1)).mean()
    ).item()
    if rows.height > 3 and overlaps is not None and overlaps > _OVERLAPS:
        yield f"{overlaps:.0%} of the cycles would begin before the one before them on the same machine has ended"


def _unused(sample: Sample, data: Mapping[str, Any]) -> Iterator[str]:
    used: set[str] = {item["name"] for item in data.get("item", ())}
    for rule in data["columns"].values():
        source = rule.get("from", [])
        used |= {source} if isinstance(source, str) else set(source)
    for column in sample.columns:
        if column.name not in used:
            yield column.name


def _a(kind: InputKind) -> str:
    return with_article(kind).replace("_", " ")


def lacking(proposal: Proposal) -> list[str]:
    """Return what no column is surely, in words of the trade, and the columns that come nearest to it."""
    said = []
    for name in proposal.missing:
        meant = {field: concept for concept, field in reversed(FIELDS[proposal.kind].items())}.get(name, "")
        what = f" ({FIELD_CONCEPTS[meant]})" if meant in FIELD_CONCEPTS else ""
        near = " or ".join(f'"{column}"' for column in proposal.near.get(name, ()))
        told = f"no column is surely its {name}{what}" + (f", the nearest is {near}" if near else "")
        if proposal.kind == "estimate" and name == "operation":
            told += _ONE_OPERATION
        said.append(told)
    return said


def nearest_kind(proposal: Proposal) -> str:
    """Return of what kind a table would be but for one field that no column has, "" where its names do not say so."""
    named = sum(guess.named or guess.said >= _NAMED for guess in proposal.guesses.values())
    if len(proposal.missing) != 1 or named < _FEWEST_NAMES:
        return ""
    return f" It comes nearest to {_a(proposal.kind)} table, but {lacking(proposal)[0]}."


def refusal(proposal: Proposal) -> str:
    """Return why a file waits for a person, in a sentence or two."""
    open_points = [*lacking(proposal), *proposal.doubts]
    listed = "; ".join(point.rstrip(".") for point in open_points[:4]) + (
        f"; and {len(open_points) - 4} more" if len(open_points) > 4 else ""
    )
    return f"It looks like {_a(proposal.kind)} table, but that is not sure enough to read it: {listed}."


def left_out(proposal: Proposal) -> tuple[str, ...]:
    """Return a note on fields that were left empty though a column may be one, none where there is none."""
    listed = ", ".join(f'{field} ("{column}")' for field, column in proposal.left.items())
    return (f"{LEFT_OUT} {listed}",) if listed else ()


def told(proposal: Proposal, *, with_operators: bool) -> str:
    """Return in one line what a table was recognised as, for the notes of the file."""
    fields = ", ".join(
        f"{name} = {' + '.join(guess.columns)}"
        for name, guess in proposal.guesses.items()
        if name != "operator" or with_operators
    )
    items = ", ".join(f"{item['type']} = {item['name']}" for item in proposal.data.get("item", ()))
    constants = {name: rule["constant"] for name, rule in proposal.data["columns"].items() if "constant" in rule}
    above = ", ".join(f"{name} = {value} (a line above)" for name, value in constants.items())
    fields = ", ".join(filter(None, (above, fields)))
    if "tool_type" in proposal.data["columns"] and "tool_type" not in proposal.guesses:
        fields += f", tool_type in {proposal.data['columns']['tool_type']['from']}"
    least = min(proposal.confidence, 0.99)
    return f"recognised as {_a(proposal.kind)} table ({least:.2f}): {', '.join(filter(None, (fields, items)))}"


__all__ = ["SURE", "Proposal", "propose", "refusal", "told"]
