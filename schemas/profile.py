"""The typed model of a profile: how one kind of export maps to our fields. No code runs from a profile.

Expressions are limited to renames, units, formats, constants, lookups and a split by pattern.
"""

import codecs
import re
from pathlib import Path
from typing import Annotated, Final, Literal, Self

import polars as pl
from pydantic import Field, field_validator, model_validator

from schemas.inputs import columns, required
from schemas.toml_model import TomlModel, load
from schemas.vocabulary import UTC_TIME, InputKind

# What one of a unit is worth in the canonical unit of its dimension (s, mm, mm/min, rev/min, kg, deg/s, 1).
UNITS: Final[dict[str, tuple[str, float]]] = {
    "s": ("time", 1.0),
    "ms": ("time", 0.001),
    "min": ("time", 60.0),
    "h": ("time", 3600.0),
    "h:mm:ss": ("time", 1.0),
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
    except re.error as error:
        raise ValueError(f"not a valid pattern: {error}") from None
    except pl.exceptions.ComputeError:
        raise ValueError("a pattern may not look ahead or behind, nor refer back to a group") from None
    return value


class FileShape(TomlModel):
    """[file]: how the text is laid out, where recognition needs help."""

    encoding: str | None = None
    delimiter: Annotated[str, Field(min_length=1, max_length=1)] | None = None
    decimal: Literal[".", ","] = "."
    thousands: Literal[".", ",", " ", "'"] | None = None
    header_row: Annotated[int, Field(ge=1)] | None = None
    sheet: str | None = None
    skip_rows_where: list[SkipRule] = []

    @field_validator("encoding")
    @classmethod
    def _known_encoding(cls, value: str | None) -> str | None:
        try:
            return value if value is None else codecs.lookup(value).name
        except LookupError:
            raise ValueError("not a known encoding; write utf-8, utf-16, cp1252 or the like") from None


class ColumnRule(TomlModel):
    """[columns.FIELD]: where a field comes from and what is done to it."""

    from_: str | list[str] | None = Field(default=None, alias="from")
    constant: str | int | float | None = None
    format: str | None = None
    unit: str | None = None
    lookup: dict[str, str] = {}
    default: str | None = None
    split: str | None = None

    @field_validator("unit")
    @classmethod
    def _known_unit(cls, value: str | None) -> str | None:
        if value is not None and value not in UNITS:
            raise ValueError(f"not a unit that is known here; use one of {', '.join(UNITS)}")
        return value

    @field_validator("split")
    @classmethod
    def _has_a_group(cls, value: str | None) -> str | None:
        if value is not None and "(?P<value>" not in _pattern(value):
            raise ValueError("the pattern needs a group named value, as in (?P<value>...)")
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

    @model_validator(mode="after")
    def _unit_fits(self) -> Self:
        dimension = ITEM_DIMENSIONS.get(self.type)
        if self.unit is not None and dimension is not None and UNITS[self.unit][0] != dimension:
            raise ValueError(f"{self.type} is measured in {_units_of(dimension)}, not in {self.unit}")
        if self.unit == "h:mm:ss":
            raise ValueError("an item of a stream is a plain number; h:mm:ss is a unit of columns")
        return self


def _units_of(dimension: str) -> str:
    return ", ".join(unit for unit, (kind, _) in UNITS.items() if kind == dimension)


def unit_dimension(field: str) -> str | None:
    """Return the dimension that a field's unit must have, None for fields that take no unit."""
    return "time" if field.endswith("_s") else "mass" if field.endswith("_kg") else None


class Profile(TomlModel):
    """The whole of a profile."""

    version: Literal[1]
    name: str
    kind: InputKind
    shape: Shape | None = None
    item_id: Literal["dataItemId", "name"] = "dataItemId"
    change_is_stamped_at: Literal["start", "end"] = "start"
    file: FileShape = FileShape()
    columns: dict[str, ColumnRule] = {}
    item: list[ItemRule] = []

    @model_validator(mode="after")
    def _fields_exist(self) -> Self:
        fields = {*columns(self.kind), *(("duration_s",) if self.kind == "cycle" else ())}
        if strange := sorted(set(self.columns) - fields):
            known = ", ".join(sorted(fields))
            raise ValueError(f"columns.{strange[0]}: a {self.kind} has no such field; it has {known}")
        for name, rule in self.columns.items():
            _check_rule(self.kind, name, rule)
        if self.item and self.kind != "event":
            raise ValueError("[[item]] belongs to profiles of kind event")
        if not self.columns or self.item:
            return self
        given = set(self.columns) | ({"ended_at"} if "duration_s" in self.columns else set())
        if missing := [name for name in required(self.kind) if name not in given and name != "machine"]:
            raise ValueError(f"a {self.kind} also needs [columns.{missing[0]}]")
        return self


def _check_rule(kind: InputKind, name: str, rule: ColumnRule) -> None:
    """Refuse a unit of another dimension, and a format where there is no time: both would be read as something else."""
    dimension = unit_dimension(name)
    if rule.unit is not None and (dimension is None or UNITS[rule.unit][0] != dimension):
        allowed = f"it takes {_units_of(dimension)}" if dimension else "it takes no unit"
        raise ValueError(f"columns.{name}: {rule.unit} is no unit of this field; {allowed}")
    dtype = columns(kind).get(name)
    if rule.format is not None and dtype not in (UTC_TIME, pl.Date):
        raise ValueError(f"columns.{name}: only times and dates take a format")


def load_profile(path: Path) -> Profile:
    """Read a profile; raises schemas.toml_model.TomlError that names the line to mend."""
    return load(path, Profile)
