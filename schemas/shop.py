"""The typed model of shop.toml: the shop, its machines, shifts, overtime, days off, tools and sources.

It holds what the user wrote and checks it; making shifts out of rules is derive's business.
"""

from collections.abc import Sequence
from datetime import date, time
from pathlib import Path
from typing import Annotated, Any, Literal, Self
from zoneinfo import ZoneInfo

from pydantic import BeforeValidator, Field, field_validator, model_validator

from schemas.toml_model import TomlModel, load
from schemas.zones import known_zones

Day = Literal["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"]
DAYS: tuple[Day, ...] = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def _tool_text(value: Any) -> Any:
    """Tools are text with leading zeros stripped, whether written as 4, "4" or "T04" is another tool."""
    return (str(value).strip().lstrip("0") or "0") if isinstance(value, int | str) else value


def _clock(value: Any) -> Any:
    if isinstance(value, str):
        try:
            return time.fromisoformat(value.strip().zfill(5))
        except ValueError:
            raise ValueError("write a clock time as HH:MM") from None
    return value


def _zone(value: str) -> str:
    if value not in known_zones():
        raise ValueError("not an IANA time zone; write one like Europe/Lisbon")
    return value


def _holidays(value: str) -> str:
    """Return the code as it was written, where the calendar of public holidays knows it."""
    import holidays  # asked only where a shop names a country

    country, _, part = value.partition("-")
    parts = holidays.list_supported_countries(include_aliases=True).get(country)
    if parts is None:
        raise ValueError(
            "no country of which public holidays are known; write its two letters of ISO 3166, for example PT, or "
            "DE-BY for a part of a country, or delete the key and list the days under [[closed]]"
        )
    if part and part not in parts:
        known = f"it has {', '.join(parts)}" if parts else f"it has none that differ; write {country}"
        raise ValueError(f"no part of {country} whose public holidays are known apart; {known}")
    return value


ToolText = Annotated[str, BeforeValidator(_tool_text)]
ClockTime = Annotated[time, BeforeValidator(_clock)]
Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]


class ShopSettings(TomlModel):
    """[shop]: names, zone, money and the rules that apply to every machine."""

    name: str = "My shop"
    timezone: str
    currency: str = ""
    record_operators: bool = False
    tolerance: Annotated[float, Field(ge=0, lt=1)] = 0.03
    batch_gap_h: Positive = 72.0
    off_shift_hold_max_s: NotNegative = 3600.0
    unknown_reason: Literal["censored", "failure"] = "censored"
    holidays: str | None = None
    """Country, and after a hyphen its part, whose public holidays are closed days."""
    least_coverage: Annotated[float, Field(ge=0, le=1)] = 0.8
    """Figures of a period that was observed for less of its planned time are marked (our choice, no source)."""

    _timezone = field_validator("timezone")(_zone)

    @field_validator("holidays")
    @classmethod
    def _are_known(cls, value: str | None) -> str | None:
        return value if value is None else _holidays(value)

    @property
    def zone(self) -> ZoneInfo:
        """The shop's time zone."""
        return ZoneInfo(self.timezone)


class MachineSettings(TomlModel):
    """[[machine]]: one machine tool."""

    id: Annotated[str, Field(min_length=1)]
    name: str | None = None
    kind: str | None = None
    rate_per_hour: NotNegative | None = None
    max_speed_rpm: Positive | None = None
    spindle_kw: Positive | None = None
    rapid_mm_min: Positive | dict[str, Positive] | None = None
    acceleration_mm_s2: Positive | dict[str, Positive] | None = None
    tool_change_s: NotNegative | None = None
    silent_after_s: Positive = 300.0
    no_data_after_h: Positive = 744.0
    """A list or a stream without any record for longer (31 days; our choice, no source) tells nothing of that time."""
    setup_max_s: NotNegative = 14_400.0

    @property
    def slowest_rapid_mm_min(self) -> float | None:
        """The rapid rate that feeds are compared with: the slowest axis where a table is given."""
        return min(self.rapid_mm_min.values()) if isinstance(self.rapid_mm_min, dict) else self.rapid_mm_min


def minutes(clock: time) -> int:
    """Return a clock time as minutes after midnight."""
    return clock.hour * 60 + clock.minute


class DateRange(TomlModel):
    """First and last day of something, for all machines or some."""

    from_: date = Field(alias="from")
    to: date
    machines: list[str] = ["*"]

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.to < self.from_:
            raise ValueError("`to` lies before `from`")
        return self


class WorkingHours(TomlModel):
    """Hours on certain days; an end before its start runs past midnight, equal means 24 hours."""

    machines: list[str] = ["*"]
    days: Annotated[list[Day], Field(min_length=1)] = list(DAYS)
    start: ClockTime
    end: ClockTime
    breaks: list[str] = []
    from_: date | None = Field(default=None, alias="from")
    to: date | None = None

    @field_validator("breaks")
    @classmethod
    def _are_stretches(cls, value: list[str]) -> list[str]:
        for stretch in value:
            break_times(stretch)
        return value

    @model_validator(mode="after")
    def _hold_together(self) -> Self:
        if self.from_ is not None and self.to is not None and self.to < self.from_:
            raise ValueError("`to` lies before `from`")
        _, end = self.from_start_to_end
        for stretch, (first, _) in zip(self.breaks, self.break_minutes, strict=True):
            if first >= end:
                raise ValueError(
                    f"the break {stretch} lies outside {self.start:%H:%M} to {self.end:%H:%M}; write it as it is on "
                    "the clock, or delete it"
                )
        return self

    @property
    def from_start_to_end(self) -> tuple[int, int]:
        """Minutes of wall-clock time after midnight of the day on which the hours begin."""
        start, end = minutes(self.start), minutes(self.end)
        return start, end + (24 * 60 if end <= start else 0)

    @property
    def break_minutes(self) -> list[tuple[int, int]]:
        """First and last minute of each break, counted from the same midnight; a break may reach past the end."""
        start, _ = self.from_start_to_end
        found = []
        for stretch in self.breaks:
            first, last = (minutes(clock) for clock in break_times(stretch))
            first += 24 * 60 if first < start else 0
            while last <= first:
                last += 24 * 60
            found.append((first, last))
        return found


class ShiftSettings(WorkingHours):
    """[[shift]]: planned time."""

    days: Annotated[list[Day], Field(min_length=1)]


class OvertimeSettings(WorkingHours):
    """[[overtime]]: hours in which people work beyond the shifts, on days of the week or on dates."""

    @model_validator(mode="after")
    def _says_when(self) -> Self:
        if not self.is_dated and "days" not in self.model_fields_set:
            raise ValueError('say when: days = ["Sat"], or the dates `from` and `to`')
        return self

    @property
    def is_dated(self) -> bool:
        """Whether these are dates that somebody chose, which closed days do not call off, and no weekly rule."""
        return self.from_ is not None and self.to is not None and "days" not in self.model_fields_set


def break_times(stretch: str) -> tuple[time, time]:
    """Return the two clock times of a break written as "09:30-09:45"."""
    first, dash, last = stretch.partition("-")
    if not dash:
        raise ValueError("write a break as HH:MM-HH:MM")
    return _clock(first), _clock(last)


class ClosedSettings(DateRange):
    """[[closed]]: first and last closed day."""

    name: str | None = None


class OpenSettings(DateRange):
    """[[open]]: first and last day on which the shop works although it is a public holiday or a closed day."""


class ToolSettings(TomlModel):
    """[[tool]]: what stands under a tool number, what an edge of it costs and how it is changed."""

    machines: list[str] = ["*"]
    tool: ToolText
    from_: date | None = Field(default=None, alias="from")
    """First and last day on which the number means this tool; given to another tool it is another tool."""
    to: date | None = None
    name: str | None = None
    tool_type: str | None = None
    sister_of: ToolText | None = None
    """The number of the tool that this one takes turns with: one tool for the statistics, each edge still its own."""
    one_tool: bool = False
    """Whether the machines named have one and the same tool under the number, so that their edges are one sample."""
    diameter_mm: Positive | None = None
    """For the cutting speed, where a stream tells how fast the spindle turns."""
    inserts: Annotated[int, Field(ge=1)] | None = None
    edges_per_insert: Annotated[int, Field(ge=1)] | None = None
    insert_cost: NotNegative | None = None
    regrind_cost: NotNegative | None = None
    tool_cost: NotNegative | None = None
    """What a new solid tool costs, where one cannot be ground again."""
    regrinds: Annotated[int, Field(ge=0)] | None = None
    """How often a solid tool is ground before a new one takes its place."""
    change_min: NotNegative | None = None
    failure_cost: NotNegative | None = None

    @model_validator(mode="after")
    def _holds_together(self) -> Self:
        if self.from_ is not None and self.to is not None and self.to < self.from_:
            raise ValueError("`to` lies before `from`")
        if self.sister_of == self.tool:
            raise ValueError("a tool is no sister of itself; name the number of the other one, or delete sister_of")
        if self.insert_cost is not None and (self.regrind_cost, self.tool_cost, self.regrinds) != (None, None, None):
            raise ValueError(
                "a tool has inserts or is ground: keep insert_cost, or regrind_cost, tool_cost and regrinds"
            )
        return self

    @property
    def edge_cost(self) -> float | None:
        """Cost of one edge change: inserts x insert_cost / edges_per_insert, or the regrind of a solid tool."""
        if self.insert_cost is not None:
            return (self.inserts or 1) * self.insert_cost / (self.edges_per_insert or 1)
        if self.regrinds == 0:  # a solid tool that nobody grinds
            return self.tool_cost
        return self.regrind_cost

    @property
    def is_dated(self) -> bool:
        """Whether the number means this tool for a time only."""
        return self.from_ is not None or self.to is not None

    def meets(self, other: "ToolSettings") -> bool:
        """Whether the two say on some day what stands under one number of one machine, with equal right."""
        alike = self.tool == other.tool and self.is_dated and other.is_dated
        shared = set(self.machines) & set(other.machines)
        first = max(self.from_ or date.min, other.from_ or date.min)
        last = min(self.to or date.max, other.to or date.max)
        return alike and bool(shared) and first <= last


class MaterialSettings(TomlModel):
    """[[material]]: what stock costs and what swarf brings, for quotes."""

    name: Annotated[str, Field(min_length=1)]
    price_per_kg: NotNegative
    swarf_per_kg: NotNegative | None = None


class SourceSettings(TomlModel):
    """[[source]]: which files need a profile, a zone or a machine of their own."""

    files: Annotated[str, Field(min_length=1)]
    profile: str | None = None
    timezone: str | None = None
    machine: str | None = None

    @field_validator("timezone")
    @classmethod
    def _known_zone(cls, value: str | None) -> str | None:
        return value if value is None else _zone(value)


class LimitSettings(TomlModel):
    """[limits]: what one source file may ask of this computer; what asks for more is refused with one clear line.

    No log of a machine comes near the values that are assumed (common practice, no source).
    """

    unpacked_gib: Positive = 8.0
    """All that one packed file may unpack to, files packed inside it included."""
    unpacked_ratio: Positive = 300.0
    """How many times its own size a packed file may unpack to, once that is more than 64 MiB."""
    zip_members: Annotated[int, Field(ge=1)] = 10_000
    """The files in one zip, those of zips inside it included."""
    zip_depth: Annotated[int, Field(ge=1, le=20)] = 3
    """Packings inside one another: a gzip in a zip is two."""
    columns: Annotated[int, Field(ge=1, le=16_384)] = 2_000
    """The columns of a table, or the keys of JSON Lines."""
    line_mib: Annotated[int, Field(ge=1, le=256)] = 32
    """The length of a line of text, about."""
    workbook_mib: Annotated[int, Field(ge=1)] = 1_024
    """What a workbook may unpack to, and the text that its cells may hold together."""
    sheet_cells: Annotated[int, Field(ge=1)] = 20_000_000
    """The cells between the first and the last filled one of a sheet, empty ones included."""


class ShopFile(TomlModel):
    """The whole of shop.toml."""

    shop: ShopSettings
    limits: LimitSettings = LimitSettings()
    machine: list[MachineSettings] = []
    shift: list[ShiftSettings] = []
    overtime: list[OvertimeSettings] = []
    closed: list[ClosedSettings] = []
    open: list[OpenSettings] = []
    tool: list[ToolSettings] = []
    material: list[MaterialSettings] = []
    source: list[SourceSettings] = []

    @model_validator(mode="after")
    def _machines_are_named_once(self) -> Self:
        ids: dict[str, int] = {}
        for number, machine in enumerate(self.machine, start=1):
            if (first := ids.setdefault(machine.id, number)) < number:
                raise ValueError(f"machine[{number}].id: machine[{first}] is called {machine.id} too; ids must differ")
        known = {*ids, "*"}
        tables: dict[str, Sequence[WorkingHours | DateRange | ToolSettings]] = {
            "shift": self.shift,
            "overtime": self.overtime,
            "closed": self.closed,
            "open": self.open,
            "tool": self.tool,
        }
        named = [
            (f"{table}[{number}]", row.machines)
            for table, rows in tables.items()
            for number, row in enumerate(rows, start=1)
        ]
        for place, machines in named:
            if ids and (strange := sorted(set(machines) - known)):
                raise ValueError(f"{place}.machines: there is no [[machine]] with the id {', '.join(strange)}")
        return self

    @model_validator(mode="after")
    def _a_number_means_one_tool(self) -> Self:
        numbered: dict[str, list[tuple[int, ToolSettings]]] = {}
        sisters = {tool.tool for tool in self.tool if tool.sister_of is not None}
        for place, tool in enumerate(self.tool, start=1):
            for first, other in numbered.setdefault(tool.tool, []):
                if tool.meets(other):
                    raise ValueError(
                        f"tool[{place}].from: tool[{first}] is tool {tool.tool} of the same machine on some of these "
                        "days; let the one end on the day before the other begins"
                    )
            numbered[tool.tool].append((place, tool))
            if tool.sister_of in sisters:
                raise ValueError(
                    f"tool[{place}].sister_of: tool {tool.sister_of} is a sister itself; name the one number that all "
                    "of them are sisters of"
                )
        return self


def load_shop(path: Path) -> ShopFile:
    """Read shop.toml; raises schemas.toml_model.TomlError that names the line to mend."""
    return load(path, ShopFile)
