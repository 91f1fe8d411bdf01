"""The typed model of a profile: how one kind of export maps to our fields. No code runs from a profile.

Expressions are limited to renames, units, formats, constants, lookups and a split by pattern.
"""

import codecs
import re
from collections.abc import Collection, Iterable
from datetime import datetime
from pathlib import Path
from typing import Annotated, Final, Literal, Self

import polars as pl
from pydantic import Field, field_validator, model_validator

from schemas.columns import columns, required
from schemas.time_format import format_fault, is_time_of_day
from schemas.toml_model import TomlModel, load
from schemas.vocabulary import (
    COMPUTED_ITEMS,
    CONDITION_LEVELS,
    EDGE_REASONS,
    OTHER_ITEMS,
    OUTCOMES,
    UTC_TIME,
    InputKind,
)

# What one of a unit is worth in the canonical unit of its dimension (s, mm, mm/min, rev/min, kg, deg/s, 1).
UNITS: Final[dict[str, tuple[str, float]]] = {
    "s": ("time", 1.0),
    "ms": ("time", 0.001),
    "min": ("time", 60.0),
    "h": ("time", 3600.0),
    "h:mm:ss": ("time", 1.0),
    "mm:ss": ("time", 1.0),
    "mm.ss": ("time", 1.0),
    "words": ("time", 1.0),
    "mm": ("length", 1.0),
    "m": ("length", 1000.0),
    "in": ("length", 25.4),
    "mm/min": ("feed", 1.0),
    "mm/s": ("feed", 60.0),
    "m/min": ("feed", 1000.0),
    "in/min": ("feed", 25.4),
    "ft/min": ("feed", 304.8),
    "rev/min": ("speed", 1.0),
    "rev/s": ("speed", 60.0),
    "deg/s": ("angular_velocity", 1.0),
    "deg/min": ("angular_velocity", 1 / 60),
    "kg": ("mass", 1.0),
    "g": ("mass", 0.001),
    "lb": ("mass", 0.45359237),
    "percent": ("ratio", 1.0),
    "ratio": ("ratio", 100.0),
}

# Units that say how a duration is written in the cell, with an example for messages.
CELL_UNITS: Final[dict[str, str]] = {
    "h:mm:ss": "1:05:30 (hours, minutes, seconds)",
    "mm:ss": "65:30 (minutes, seconds)",
    "mm.ss": "65.30 (minutes and seconds, a point or comma between)",
    "words": "1 h 5 min 30 s",
}

# The dimension of items of the standard; that of fields is told by their names (`unit_dimension`).
ITEM_DIMENSIONS: Final[dict[str, str]] = {
    "PathFeedrate": "feed",
    "AxisFeedrate": "feed",
    "RotaryVelocity": "speed",
    "SpindleSpeed": "speed",
    "PathFeedrateOverride": "ratio",
    "AxisFeedrateOverride": "ratio",
    "RotaryVelocityOverride": "ratio",
    "Load": "ratio",
    "AccumulatedTime": "time",
    "ProcessTimer": "time",
    "EquipmentTimer": "time",
}

# The fields whose words are a closed list; case does not count.
FIELD_WORDS: Final = {"outcome": OUTCOMES, "reason": EDGE_REASONS, "level": CONDITION_LEVELS}

MAX_HEADER_ROW: Final = 10_000
_DELIMITER: Final = re.compile(r"[\t\x1f !#$%&'()*+,./:;<=>?@\[\\\]^_`{|}~-]")
_COLUMN_AT: Final = re.compile(r"(\d{1,5})-(\d{1,5})")
_NO_TEXT_FILES: Final = ("utf-7", "utf-32", "unicode", "raw")  # encodings in which no control or office writes

Shape = Literal["table", "json lines", "adapter text", "streams xml"]


class SkipRule(TomlModel):
    """Rows whose column matches are not rows of the log (total lines, units rows): counted as skipped."""

    column: str
    matches: str

    @field_validator("matches")
    @classmethod
    def _compiles(cls, value: str) -> str:
        return _pattern(value)


def _pattern(value: str) -> str:
    try:
        re.compile(value)
        pl.Series([""]).str.contains(value)
    except (re.error, OverflowError, RecursionError) as error:
        raise ValueError(f"not a valid pattern: {error}") from None
    except pl.exceptions.PolarsError:
        raise ValueError("a pattern may not look ahead or behind, nor refer back to a group") from None
    return value


class HeadingRule(TomlModel):
    """Lines of a lone cell that head the rows below them ("Monday, 2 March"): they become a column of these rows."""

    column: str  # the name that the column is given
    matches: str  # a pattern for the lone cell; its group named value, where it has one, is what the column holds
    cells: Annotated[int, Field(ge=1, le=2)] = 1  # 2: a label and its value may stand in two cells ("Job", "4711")
    before: str | None = None  # what the column holds above the first heading

    @field_validator("matches")
    @classmethod
    def _compiles(cls, value: str) -> str:
        return _pattern(value)


class FileShape(TomlModel):
    """[file]: how the text is laid out, where recognition needs help."""

    encoding: str | None = None
    delimiter: str | None = None
    columns_at: list[str] = []  # where columns stand in a line that no delimiter parts: first and last character, "1-7"
    decimal: Literal[".", ","] = "."
    thousands: Literal[".", ",", " ", "'"] | None = None
    header_row: Annotated[int, Field(ge=0, le=MAX_HEADER_ROW)] | None = (
        None  # 0: none, columns are column 1, column 2 ...
    )
    header_rows: Annotated[int, Field(ge=1, le=2)] = 1  # 2: groups stand in the line above the names
    sheet: str | None = None
    skip_rows_where: list[SkipRule] = []
    headings: HeadingRule | None = None
    carried_down: list[str] = []  # columns whose empty cells mean the cell above: a date that stands once a day
    ditto: bool = False  # marks of repetition (", -"-, idem) mean the cell above

    @field_validator("encoding")
    @classmethod
    def _known_encoding(cls, value: str | None) -> str | None:
        if value is None:
            return None
        try:
            name = codecs.lookup(value).name
            trial = name if name != "utf-16" else "utf-16-le"
            decoder = codecs.getincrementaldecoder(trial)("replace")
            works = decoder.decode("Time;1\r\n".encode(trial)) == "Time;1\r\n"
            decoder.decode(b"\xe9\x81\x00\xff", final=True)
        except (LookupError, ValueError, TypeError, AssertionError):
            works = False
        if not works or name.startswith(_NO_TEXT_FILES):
            raise ValueError("not a known encoding; write utf-8, utf-16, cp1252 or the like")
        return name

    @field_validator("delimiter")
    @classmethod
    def _parts_cells(cls, value: str | None) -> str | None:
        if value is not None and not _DELIMITER.fullmatch(value):
            raise ValueError("a delimiter is one mark that stands in no cell, such as ; , | or a tab")
        return value

    @field_validator("columns_at")
    @classmethod
    def _stand_beside_each_other(cls, value: list[str]) -> list[str]:
        last = 0
        for said in value:
            match = _COLUMN_AT.fullmatch(said)
            if match is None or not last < int(match[1]) <= int(match[2]):
                raise ValueError(f'columns stand one behind the other, each as "first-last": {said} does not')
            last = int(match[2])
        return value

    @model_validator(mode="after")
    def _parted_in_one_way(self) -> Self:
        if self.columns_at and self.delimiter is not None:
            raise ValueError("columns_at is for lines that no delimiter parts: give one of the two")
        return self

    @model_validator(mode="after")
    def _marks_differ(self) -> Self:
        if self.thousands == self.decimal:
            raise ValueError("decimal and thousands must be two different marks")
        return self


class ColumnRule(TomlModel):
    """[columns.FIELD]: where a field comes from and what is done to it."""

    from_: str | list[str] | None = Field(default=None, alias="from")
    constant: str | int | float | None = None
    format: str | list[str] | None = None  # a list: the patterns that a cell may be written by, tried in this order
    year: Annotated[int, Field(ge=1990, le=2089)] | None = None  # in front of each cell, as `%Y ` of the format
    utc: bool = False  # times without an offset are universal, not of the file's zone
    since: datetime | None = None  # the column counts time from this instant on, in `unit` (seconds where none is said)
    with_scrap: bool = False  # of parts: the column counts scrap too, and the good parts are the rest
    unit: str | None = None
    lookup: dict[str, str] = {}
    default: str | None = None
    split: str | None = None

    @field_validator("from_")
    @classmethod
    def _names_a_column(cls, value: str | list[str] | None) -> str | list[str] | None:
        if value == []:
            raise ValueError("name at least one column")
        return value

    @field_validator("unit")
    @classmethod
    def _known_unit(cls, value: str | None) -> str | None:
        if value is not None and value not in UNITS:
            raise ValueError(f"not a unit that is known here; use one of {', '.join(UNITS)}")
        return value

    @field_validator("split")
    @classmethod
    def _has_a_group(cls, value: str | None) -> str | None:
        if value is not None and "value" not in re.compile(_pattern(value)).groupindex:
            raise ValueError("the pattern needs a group named value, as in (?P<value>...)")
        return value

    @field_validator("since")
    @classmethod
    def _is_an_instant(cls, value: datetime | None) -> datetime | None:
        if value is not None and value.tzinfo is None:
            raise ValueError("write an instant with its offset, as in 2026-01-05T06:00:00Z")
        return value

    @model_validator(mode="after")
    def _one_origin(self) -> Self:
        if (self.from_ is None) == (self.constant is None):
            raise ValueError("give either `from` or `constant`")
        return self


class ItemRule(TomlModel):
    """[[item]]: what one item of a stream (or one column of a wide event table) is in MTConnect's words."""

    name: Annotated[str, Field(min_length=1)]
    type: Annotated[str, Field(min_length=1)]
    sub_type: str | None = None
    path: str | None = None
    data_item_id: str | None = None
    unit: str | None = None
    values: dict[str, str] = {}

    _unit = field_validator("unit")(ColumnRule._known_unit.__func__)  # type: ignore[attr-defined]

    @field_validator("type")
    @classmethod
    def _as_the_standard_writes_it(cls, value: str) -> str:
        name = standard_item(value)
        if name is not None and name != value:
            raise ValueError(f"the standard writes this {name}")
        return value

    @model_validator(mode="after")
    def _unit_fits(self) -> Self:
        dimension = ITEM_DIMENSIONS.get(self.type)
        if self.unit is not None and dimension is not None and UNITS[self.unit][0] != dimension:
            raise ValueError(f"{self.type} is measured in {_units_of(dimension)}, not in {self.unit}")
        if self.unit in CELL_UNITS:
            raise ValueError(f"an item of a stream is a plain number; {self.unit} is a unit of columns")
        return self


_ITEMS_BY_LETTERS: Final = {name.casefold(): name for name in (*COMPUTED_ITEMS, *OTHER_ITEMS)}


def standard_item(name: str) -> str | None:
    """Return the standard's name of an item that is written in whatever case and with whatever marks, None if none."""
    return _ITEMS_BY_LETTERS.get(re.sub(r"[\W_]", "", name).casefold())


def with_article(kind: InputKind) -> str:
    """Return a kind as a sentence names one: a cycle, an edge_change."""
    return f"{'an' if kind[0] in 'aeiou' else 'a'} {kind}"


def _units_of(dimension: str) -> str:
    return ", ".join(unit for unit, (kind, _) in UNITS.items() if kind == dimension)


def unit_dimension(field: str) -> str | None:
    """Return the dimension that a field's unit must have, None for fields that take no unit."""
    return "time" if field.endswith("_s") else "mass" if field.endswith("_kg") else None


STATE_ENDS: Final[tuple[str, ...]] = ("ended_at", "duration_s")
"""Of kind event: when a state ends, for logs whose rows are states. What follows an end without another is unknown."""
_TIMES_BESIDE: Final[dict[InputKind, tuple[str, ...]]] = {"cycle": ("duration_s",), "event": ("duration_s",)}


class Profile(TomlModel):
    """The whole of a profile."""

    version: Literal[1]
    name: str
    kind: InputKind
    shape: Shape | None = None
    item_id: Literal["dataItemId", "name"] = "dataItemId"
    change_is_stamped_at: Literal["start", "end"] = "start"
    to_check: list[str] = []  # what a proposal left open: no file is read by the profile until these are deleted
    file: FileShape = FileShape()
    columns: dict[str, ColumnRule] = {}
    item: list[ItemRule] = []

    @model_validator(mode="after")
    def _fields_exist(self) -> Self:
        if self.kind == "nc_program":
            raise ValueError("kind: programs take no profile; a profile is for tables and streams")
        fields = {*columns(self.kind), *_TIMES_BESIDE.get(self.kind, ())}
        if strange := sorted(set(self.columns) - fields):
            known = ", ".join(sorted(fields))
            raise ValueError(f"columns.{strange[0]}: {with_article(self.kind)} has no such field; it has {known}")
        for name, rule in self.columns.items():
            _check_rule(self.kind, name, rule)
            if rule.with_scrap and (name != "parts" or "scrap" not in self.columns):
                raise ValueError(f"columns.{name}.with_scrap: only parts beside a column of scrap count it too")
        return self

    @model_validator(mode="after")
    def _items_fit(self) -> Self:
        if self.item and self.kind != "event":
            raise ValueError("item[1]: [[item]] belongs to profiles of kind event")
        fed = {} if "item" in self.columns else _fields_by_column(self.columns.items())
        names: dict[tuple[str, str], int] = {}
        for number, item in enumerate(self.item, start=1):
            if (first := names.setdefault((item.name, item.type if fed else ""), number)) < number:
                raise ValueError(f"item[{number}].name: item[{first}] has the name {item.name} too; give each once")
            if field := fed.get(item.name.casefold()):
                raise ValueError(f"item[{number}].name: the column {item.name} is that of columns.{field} already")
        return self

    @model_validator(mode="after")
    def _says_enough(self) -> Self:
        if not self.columns or self.item or self.to_check:
            return self
        given = set(self.columns) | spared(self.columns)
        if missing := [name for name in required(self.kind) if name not in given and name != "machine"]:
            raise ValueError(f"kind: {with_article(self.kind)} also needs [columns.{missing[0]}]")
        return self


def spared(given: Collection[str]) -> set[str]:
    """Return the time of a cycle that need not be given: a duration gives the end from the start, or the start."""
    if "duration_s" not in given:
        return set()
    return {"ended_at"} if "started_at" in given or "ended_at" not in given else {"started_at"}


def _fields_by_column(rules: Iterable[tuple[str, ColumnRule]]) -> dict[str, str]:
    return {
        column.casefold(): name
        for name, rule in rules
        for column in ([rule.from_] if isinstance(rule.from_, str) else rule.from_ or [])
    }


def _check_rule(kind: InputKind, name: str, rule: ColumnRule) -> None:
    """Refuse what no row could be read by: a unit of another dimension, a format without a time, a word unknown."""
    kind = "cycle" if kind == "event" and name in STATE_ENDS else kind
    counts_time = rule.since is not None
    if counts_time and columns(kind).get(name) != UTC_TIME:
        raise ValueError(f"columns.{name}.since: only times count from an instant")
    if counts_time and rule.format is not None:
        raise ValueError(f"columns.{name}.since: a time is read by its format or counted since an instant, not both")
    if rule.utc and columns(kind).get(name) != UTC_TIME:
        raise ValueError(f"columns.{name}.utc: only times are universal")
    if rule.year is not None and columns(kind).get(name) not in (UTC_TIME, pl.Date):
        raise ValueError(f"columns.{name}.year: only times and dates have a year")
    dimension = "time" if counts_time else unit_dimension(name)
    if rule.unit is not None and (dimension is None or UNITS[rule.unit][0] != dimension):
        allowed = f"it takes {_units_of(dimension)}" if dimension else "it takes no unit"
        raise ValueError(f"columns.{name}: {rule.unit} is no unit of this field; {allowed}")
    if rule.format is not None and (fault := _format_fault(kind, name, rule.format)):
        raise ValueError(f"columns.{name}.format: {fault} (found {rule.format!r})")
    words = FIELD_WORDS.get(name)
    put = {*rule.lookup.values(), *([] if rule.default is None else [rule.default])}
    if words and (strange := sorted(word for word in put if word.casefold() not in {w.casefold() for w in words})):
        key = "default" if strange[0] == rule.default else "lookup"
        raise ValueError(f"columns.{name}.{key}: {strange[0]} is not one of {', '.join(words)}")


def _format_fault(kind: InputKind, name: str, format: str | list[str]) -> str | None:
    dtype = columns(kind).get(name)
    if dtype not in (UTC_TIME, pl.Date):
        hint = '; a duration takes a unit such as "h:mm:ss"' if unit_dimension(name) == "time" else ""
        return f"only times and dates take a format{hint}"
    if name == "ended_at" and is_time_of_day(format):  # of the day on which its row begins, or of the next one
        format = [f"%Y-%m-%d {each}" for each in ([format] if isinstance(format, str) else format)]
    if dtype == pl.Date and isinstance(format, str) and format.startswith("epoch"):
        return "a date takes iso, spreadsheet_days or a pattern such as %d.%m.%Y"
    return format_fault(format)


def load_profile(path: Path) -> Profile:
    """Read a profile; raises schemas.toml_model.TomlError that names the line to mend."""
    return load(path, Profile)
