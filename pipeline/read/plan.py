"""What the columns of one table mean: a profile, or our own field names, tied to the header that the file has.

It decides which column feeds which field; it reads no rows.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from difflib import get_close_matches

import polars as pl

from schemas.columns import columns, required
from schemas.profile import ColumnRule, ItemRule, Profile, spared
from schemas.vocabulary import InputKind

TABLE_KINDS: tuple[InputKind, ...] = ("cycle", "tool_change", "edge_change", "event", "estimate", "job")
ESTIMATE_TIMES = ("cut_s", "noncut_s", "cycle_s", "load_s", "setup_s")
OWN_NAMES = frozenset(name for kind in TABLE_KINDS for name in columns(kind))


@dataclass(frozen=True)
class Context:
    """What the workspace says about one file."""

    zone: str
    machine: str | None = None
    place_machine: str | None = None  # that the path names: for tables that have no column of machines
    record_operators: bool = False
    operator_key: bytes = b""
    tool_change_s: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class TablePlan:
    """A kind, and for each field the rule that fills it; `from_` of every rule names columns of the file."""

    kind: InputKind
    columns: dict[str, ColumnRule]
    items: dict[str, ItemRule] = field(default_factory=dict)  # by the name in the file
    wide: bool = False  # the items are columns
    again: dict[str, str] = field(default_factory=dict)  # item -> its column, where that is another item's already
    decimal: str = "."
    thousands: str | None = None
    profile: Profile | None = None
    notes: tuple[str, ...] = ()

    @property
    def score(self) -> int:
        """How many columns of the header the plan uses: the header with the highest count is the header."""
        return len(self.used)

    @property
    def used(self) -> set[str]:
        """The columns of the header that feed a field or are items."""
        used = {name for rule in self.columns.values() for name in sources(rule)}
        return used | {self.again.get(name, name) for name in self.items if self.wide}


@dataclass(frozen=True)
class NoPlan:
    """Why a header cannot be used; a sentence or two for the user."""

    reason: str


def sources(rule: ColumnRule) -> list[str]:
    """Return the columns that a rule reads."""
    if rule.from_ is None:
        return []
    return [rule.from_] if isinstance(rule.from_, str) else list(rule.from_)


def plan_table(names: Sequence[str], profile: Profile | None, decimal: str = ".") -> TablePlan | NoPlan:
    """Return the plan of a table with this header; `decimal` counts where no profile says."""
    return _from_profile(names, profile) if profile else _from_own_names(names, decimal)


def wanted_names(plan: TablePlan, names: Sequence[str]) -> list[str]:
    """Return the columns that the plan would use and that `names` lacks, for shapes whose rows may grow columns."""
    if plan.profile:
        wanted = [name for rule in plan.profile.columns.values() for name in sources(rule)]
        wanted += [item.name for item in plan.profile.item] if plan.wide else []
    else:
        wanted = _fields(plan.kind)
    return [name for name in dict.fromkeys(wanted) if _find(names, name) is None]


def extended(plan: TablePlan, names: Sequence[str]) -> TablePlan:
    """Return the plan with the columns of `names` used too, its kind kept."""
    if plan.profile:
        again = _from_profile(names, plan.profile)
        return plan if isinstance(again, NoPlan) else again
    rules = dict(plan.columns)
    for name in _fields(plan.kind):
        if name not in rules and (column := _find(names, name)) is not None:
            rules[name] = ColumnRule.model_validate({"from": column})
    return replace(plan, columns=rules)


def _find(names: Sequence[str], wanted: str) -> str | None:
    if wanted in names:
        return wanted
    plain = " ".join(wanted.split()).casefold()
    return next((name for name in names if name.casefold() == plain), None)


def _from_profile(names: Sequence[str], profile: Profile) -> TablePlan | NoPlan:
    if profile.file.headings is not None:
        names = list(dict.fromkeys([*names, profile.file.headings.column]))
    rules: dict[str, ColumnRule] = {}
    absent: dict[str, list[str]] = {}
    for name, rule in profile.columns.items():
        found = {wanted: _find(names, wanted) for wanted in sources(rule)}
        if missing := [wanted for wanted, column in found.items() if column is None]:
            absent[name] = missing
            continue
        kept = [column for column in found.values() if column is not None]
        rules[name] = rule.model_copy(update={"from_": (kept or None) if len(kept) != 1 else kept[0]})
    wide = profile.kind == "event" and "item" not in profile.columns and bool(profile.item)
    items = {item.name: item for item in profile.item}
    again: dict[str, str] = {}
    if wide:
        items = {}
        for item in profile.item:
            if (column := _find(names, item.name)) is not None:
                name = column if column not in items else f"{column} as {item.type}"
                items[name] = item
                again.update({name: column} if name != column else {})
    needed = [name for name in _needed(profile.kind, rules) if not (wide and name in ("item", "value"))]
    if "ended_at" not in rules and "ended_at" not in absent and "duration_s" in absent:
        absent["ended_at"] = absent.pop("duration_s")
    gone = [column for name in needed if name not in rules for column in absent.get(name, [f"(for {name})"])]
    if wide and not items:
        gone += [item.name for item in profile.item]
    if gone:
        return NoPlan(
            f'The profile "{profile.name}" needs the column{"s" * (len(gone) > 1)} {_listed(gone)}, but the file has '
            f"{_listed(names)}. Correct `from` in the profile, or name another profile for this file under [[source]] "
            "in shop.toml."
        )
    notes = tuple(f"no column {_listed(missing)}: {name} stays empty" for name, missing in absent.items())
    file = profile.file
    plan = TablePlan(profile.kind, rules, items, wide, again, file.decimal, file.thousands, profile, notes)
    return replace(plan, notes=(*notes, *unused_note(plan, names)))


def _needed(kind: InputKind, given: Mapping[str, ColumnRule]) -> list[str]:
    """Return the fields that a table must feed; the machine may come from shop.toml."""
    return [name for name in required(kind) if name != "machine" and name not in spared(given)]


def _from_own_names(names: Sequence[str], decimal: str) -> TablePlan | NoPlan:
    by_plain = {name.strip().casefold(): name for name in reversed(names)}
    kinds = TABLE_KINDS if by_plain.keys() & OWN_NAMES else ()  # most lines that are looked at are no header of ours
    plans = []
    for kind in kinds:
        rules = {
            name: ColumnRule.model_validate({"from": by_plain[name]}) for name in _fields(kind) if name in by_plain
        }
        if all(name in rules for name in _needed(kind, rules)) and _is_meant(kind, rules):
            plans.append(TablePlan(kind, rules, decimal=decimal))
    plans.sort(key=lambda plan: plan.score, reverse=True)
    if not plans or (len(plans) > 1 and plans[0].score == plans[1].score):
        nearest = _nearest(by_plain) if kinds else ""
        return unknown_table(names, nearest)
    return replace(plans[0], notes=unused_note(plans[0], names))


def unknown_table(names: Sequence[str], nearest: str = "") -> NoPlan:
    """Return that nothing tells what a table is; `nearest` is a sentence on what comes near, with a blank in front."""
    return NoPlan(
        f"Nobody has said yet what this file is; its columns are {_listed(names)}.{nearest} Write a "
        "profile that says which column is which field (the README shows one) and name it under [[source]] in "
        "shop.toml."
    )


def unused_note(plan: TablePlan, names: Sequence[str]) -> tuple[str, ...]:
    """Tell the columns that nothing uses; beside those of a table of our own names the field that may be meant."""
    skip = plan.profile.file.skip_rows_where if plan.profile else ()
    looked_at = {rule.column.casefold() for rule in skip}
    unused = [name for name in names if name not in plan.used and name.casefold() not in looked_at]
    if not unused:
        return ()
    free = [] if plan.profile else [name for name in _fields(plan.kind) if name not in plan.columns]
    near = {name: get_close_matches(name.casefold(), free, 1) for name in unused}
    told = [f"{name} ({near[name][0]}?)" if near[name] else name for name in unused]
    return (f"columns not used: {listed_names(told)}",)


def listed_names(names: Sequence[str], most: int = 12) -> str:
    """Return names as a note lists them."""
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")


def _fields(kind: InputKind) -> list[str]:
    return [*columns(kind), *(("duration_s",) if kind == "cycle" else ())]


def _nearest(by_plain: Mapping[str, str]) -> str:
    """Say which kind a header of our own field names comes close to and what it lacks; nothing where none is near."""
    lacking = {kind: [name for name in required(kind) if name not in by_plain] for kind in TABLE_KINDS}
    shared = {kind: len(set(columns(kind)) & set(by_plain)) for kind in TABLE_KINDS}
    nearest = max(TABLE_KINDS, key=lambda kind: (shared[kind], -len(lacking[kind])))
    if shared[nearest] < 2 or not lacking[nearest]:
        return ""
    return f" With {_listed(lacking[nearest])} it could be a table of kind {nearest}."


def _is_meant(kind: InputKind, rules: Mapping[str, ColumnRule]) -> bool:
    if kind == "estimate":
        return ("job" in rules or "program" in rules) and any(name in rules for name in ESTIMATE_TIMES)
    return True


def _listed(names: Sequence[str], most: int = 12) -> str:
    return listed_names([f'"{name}"' if not name.startswith("(") else name for name in names], most)


def own_name(plan: TablePlan, field_name: str) -> str:
    """Return the file's column of a field as messages name it: the column, else the field itself."""
    rule = plan.columns.get(field_name)
    return " + ".join(sources(rule)) if rule and rule.from_ is not None else field_name


def text_of(cells: pl.DataFrame, rule: ColumnRule) -> pl.Series:
    """Return the trimmed text that a rule reads, before split and lookup; empty text is null."""
    from_ = sources(rule)
    if not from_:
        return pl.Series([str(rule.constant)]).new_from_index(0, cells.height)
    trimmed = [pl.col(name).str.strip_chars() for name in from_]
    if len(trimmed) == 1:
        text = trimmed[0]
    else:
        parts = [_sheet_part(part).replace("", None) for part in trimmed]
        text = pl.concat_str(parts, separator=" ", ignore_nulls=True)
    if rule.year is not None:
        text = pl.concat_str(pl.lit(str(rule.year)), text, separator=" ")
    found = cells.select(text.alias("text")).to_series()
    empty = found == ""
    return found.set(empty, None) if empty.any() else found


def _sheet_part(text: pl.Expr) -> pl.Expr:
    """Return a date without the midnight, and a time of day without the day, that a spreadsheet gives them."""
    return text.str.replace(r"^(\d{4}-\d\d-\d\d) 00:00:00$", "$1").str.replace(r"^1899-12-31 (\d\d:\d\d:\d\d)", "$1")
