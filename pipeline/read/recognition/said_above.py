"""What lines above a table say of all of its rows: its job, its program, its material, as "label: value".

A sheet for one job has the job in its title and no column for it. Labels are read as names of columns are; the value
stands behind the label, in the same cell or the next one, or below it. It looks at words around a table only.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from pipeline.read.recognition.layouts import layouts
from pipeline.read.recognition.names import kind_titles, known_word, read_name
from pipeline.read.skipping import is_period
from schemas.concepts import FIELDS
from schemas.vocabulary import InputKind
from schemas.words import plain, telling_columns

Titles = Sequence[Sequence[str]]

FIELDS_ABOVE: Final[Mapping[InputKind, tuple[str, ...]]] = {
    "cycle": ("job", "program", "operation"),
    "tool_change": ("program",),
    "edge_change": ("tool",),
    "estimate": ("job", "program", "operation", "machine", "material", "quantity", "parts_per_cycle"),
    "job": ("part", "material"),
}
"""Fields that a line above a table may say of all rows, where no column has them. Machines of logs: `places.py`."""
_NAMED: Final = 0.9  # how surely a label must mean a field
_COUNTED: Final = 0.45
_PERHAPS: Final = 0.25
_MOST_STEPS: Final = 1000  # operations are numbered in fives below it
_LABEL_WORDS: Final = 4
_PARTS: Final = re.compile(r"\s{2,}|\s+[-–—|/•·]\s+|\s*[;,|]\s+")
_MARK: Final = re.compile(r"\s*(?<!\d)[:=]\s*|\s*(?<=\d)[:=]\s+|\s+[:=]\s*")  # 10:30 is a time
_BEHIND: Final = re.compile(r"\s*[(\[][^()\[\]]*[)\]]$")
_SEVERAL: Final = re.compile(
    r"[,;&+*]|\.\.\.?|…|\s[-–—/]\s|\b(?:and|und|et|y|e|i|en|a|och|to|bis|au|hasta|até|al|do|tot|až|till|von|of|de|di|z|van)\b"
)
_DECIMAL_COMMA: Final = re.compile(r"(?<=\d),(?=\d)")  # AlZn5,5MgCu
_ID: Final = re.compile(r"[^\s]*\d[^\s]*")
_PROGRAM: Final = re.compile(r"[%:]?[oO]?\d{2,8}|[\w-]+\.[A-Za-z]\w{0,4}|[^\W_]*\d[\w-]*|[^\W\d]+[_-][\w-]*")
_OPERATION: Final = re.compile(r"(?:[^\W\d_]{1,4}[ .-]?)?(\d{1,4})")
_TOOL: Final = re.compile(r"[Tt]?[ -]?\d{1,4}|[Tt][- ]?\d{1,8}")
_TOOL_AND_NAME: Final = re.compile(r"[Tt][- ]?\d{1,8}(?=\s)")
_COUNT: Final = re.compile(r"(\d{1,6})(?:[.,]0+)?(?:\s*[^\W\d_]{1,8}\.?)?")
_YEAR: Final = re.compile(r"(?:19|20)\d\d(?:[-_./]\d{1,2})?")
_PAGE: Final = re.compile(r"\d{1,2}\s?/\s?\d{1,2}")
_MOST_CHARACTERS: Final = 40
_MOST_WORDS: Final = 4
_SHORTEST_ID: Final = 3  # characters of what stands behind a label without a mark


@dataclass(frozen=True)
class SaidAbove:
    """The value of a field that a line above a table says of all of its rows."""

    value: str
    line: str


def said_above(kind: InputKind, titles: Titles) -> dict[str, list[SaidAbove]]:
    """Return for each field that lines above a table say what they say, the values that differ from one another."""
    found: dict[str, list[SaidAbove]] = {}
    for label, value, line in _pairs(titles):
        name = _field(kind, label, value)
        if name in FIELDS_ABOVE.get(kind, ()) and (meant := _value(name, value)) is not None:
            told = found.setdefault(name, [])
            if all(meant.casefold() != other.value.casefold() for other in told):
                told.append(SaidAbove(meant, line))
    return found


def fields_said(titles: Titles) -> frozenset[str]:
    """Return the fields of any kind that lines above a table say of all of its rows."""
    return frozenset(name for kind in FIELDS_ABOVE for name in said_above(kind, titles))


def fields_named(titles: Titles) -> frozenset[str]:
    """Return the fields of any kind whose labels stand above a table, whether what they say can be read or not."""
    return frozenset(
        name
        for label, value, _ in _pairs(titles)
        for kind, names in FIELDS_ABOVE.items()
        if (name := _field(kind, label, value)) in names
    )


def said_of(field: str, titles: Titles) -> str | None:
    """Return the one value that lines say of a field of any kind, None where none or several do."""
    found = {one.value for kind in FIELDS_ABOVE for one in said_above(kind, titles).get(field, ())}
    return found.pop() if len(found) == 1 else None


def only_said(text: str) -> tuple[str, str, str] | None:
    """Return (field, label, value) of a line that says one field and no more: "Job: 4711", None for all others."""
    found = list(_pairs([(text,)]))
    if len(found) != 1:
        return None
    label, value, _ = found[0]
    is_all = re.fullmatch(rf"{re.escape(label)}\s*[:=]?\s*{re.escape(value)}", text)
    for kind, names in FIELDS_ABOVE.items():
        if is_all and (name := _field(kind, label, value)) in names and _value(name, value) == value:
            return name, label, value
    return None


def begins_with_label(cell: str) -> bool:
    """Return whether a cell is the name of a field that lines above a table say, with or without its value."""
    return any(_field(kind, cell) in names for kind, names in FIELDS_ABOVE.items()) or bool(fields_said([(cell,)]))


def says_fields(cells: Sequence[str]) -> bool:
    """Return whether a line is of labels and their values and no more: "OF", "OF-5110", "Matière", "42CrMo4"."""
    if not fields_said([cells]):
        return False
    return all(map(_MARK.search, cells)) or len(cells) == 2 * len(list(_pairs([cells])))


def _field(kind: InputKind, label: str, value: str = "") -> str:
    """Return the field that a label surely means, "" where it means none; a bare count is one of the whole job.

    Of signs that are an order in one language and an operation in another (OP), the value tells which.
    """
    concepts = read_name(label).concepts
    concept, share = max(concepts.items(), key=lambda entry: entry[1], default=("", 0.0))
    if concepts.get("quantity", 0.0) >= _COUNTED:
        return FIELDS[kind].get("quantity", "")
    if concept in ("job", "operation") and _is_sign(label) and (share < _NAMED or concepts.get("job", 0.0) < share):
        of_job = concepts.get("job", 0.0) >= (_PERHAPS if share >= _NAMED else _COUNTED)
        if of_job and len(value) > _SHORTEST_ID and _ID.search(value):
            return FIELDS[kind].get("job", "")
        in_fives = value.isdigit() and int(value) % 5 == 0 and int(value) < _MOST_STEPS
        return FIELDS[kind].get("operation", "") if concept == "operation" and (in_fives or not value) else ""
    return FIELDS[kind].get(concept, "") if share >= _NAMED else ""


def _is_sign(label: str) -> bool:
    """Return whether a label is the first letters of its words: OP, O.T."""
    letters = [mark for mark in label if mark.isalpha()]
    return len(letters) <= _SHORTEST_ID and label.upper() == label


def _pairs(titles: Titles) -> Iterator[tuple[str, str, str]]:
    """Yield (label, value, line) of all that is written as a label and its value."""
    for place, cells in enumerate(titles):
        line = " ".join(cells)
        below = titles[place + 1] if place + 1 < len(titles) else ()
        if 1 < len(cells) == len(below) and all(map(_is_label, cells)) and not any(map(_is_label, below)):
            yield from ((label, value, f"{label}: {value}") for label, value in zip(cells, below, strict=True))
            continue
        for position, cell in enumerate(cells):
            after = cells[position + 1] if position + 1 < len(cells) else ""
            if _MARK.search(cell):
                yield from ((label, value or after, line) for label, value in _marked(cell))
            elif after and _is_label(cell) and not _is_label(after) and not _MARK.search(after):
                if not any(map(_goes_on, cells[position + 2 : position + 3])):
                    yield cell, after, line
            else:
                yield from ((label, value, line) for label, value in _unmarked(cell))


def _goes_on(cell: str) -> bool:
    """Return whether a cell may be another value of the label before it: it has a number, and is no date."""
    return any(mark.isdigit() for mark in cell) and not _MARK.search(cell) and not _is_dated(cell)


def _is_dated(text: str) -> bool:
    return any(layout.family.holds != "time of day" and not layout.family.digits for layout in layouts(text))


def _marked(cell: str) -> Iterator[tuple[str, str]]:
    """Yield the labels of a cell and what stands behind their marks: "Job: 4711  Program: O1234"."""
    bare = re.sub(r"[(\[]([^()\[\]]*[:=][^()\[\]]*)[)\]]", r"  \1  ", cell)
    texts = _MARK.split(bare)
    labels = [_label_at_end(text) for text in texts[:-1]]
    for at, label in enumerate(labels):
        behind = texts[at + 1]
        if at + 1 < len(labels):
            behind = behind[: len(behind) - len(labels[at + 1])]
        yield label, _first(behind.strip(" -–—|/,;•·"))


def _first(text: str) -> str:
    """Return what stands in front of the next part of a line; "4711, 4712" is one text, and no single value."""
    parts = _PARTS.split(text)
    rest = text[len(parts[0]) :]
    is_listed = any(mark.isdigit() for mark in rest) and not re.match(r"\s{2,}", rest)
    return text if is_listed else parts[0].strip()


def _label_at_end(text: str) -> str:
    """Return the last words of a text that name something, all that stands behind the last mark where none do."""
    last = _PARTS.split(text)[-1]
    words = last.split()
    for count in range(min(len(words), _LABEL_WORDS), 0, -1):
        label = " ".join(words[-count:])
        if _is_label(label):
            return last[last.rfind(words[-count]) :] if count == 1 else label
    return last


def _unmarked(cell: str) -> Iterator[tuple[str, str]]:
    """Yield a label and the id behind it that end a cell: "Job 26-0417", "Estimate job 26-0417"."""
    for part in _PARTS.split(cell):
        words = part.split()
        value = words[-1] if len(words) > 1 else ""
        if not _ID.fullmatch(value) or _YEAR.fullmatch(value):
            continue
        for count in range(min(len(words) - 1, _LABEL_WORDS), 0, -1):
            label, before = " ".join(words[-1 - count : -1]), " ".join(words[: -1 - count])
            if _is_label(label) and (not before or kind_titles(before)):
                if len(value) >= _SHORTEST_ID or _field("estimate", label) == "operation":
                    yield label, value
                break


@lru_cache(maxsize=4096)
def _is_label(text: str) -> bool:
    """Return whether a text surely names something and says nothing of it."""
    bare = text.rstrip(":= ")
    if not bare or any(mark.isdigit() for mark in bare):
        return False
    concepts = read_name(bare).concepts
    if _is_sign(bare) and concepts.get("job", 0.0) >= _COUNTED:
        return True
    return max(concepts.values(), default=0.0) >= _NAMED or concepts.get("quantity", 0.0) >= _COUNTED


def _value(name: str, text: str) -> str | None:
    """Return what a text says of a field, None where it is no single value of it."""
    value = text.strip().strip("\"'").strip()
    if name in ("quantity", "parts_per_cycle"):
        count = _COUNT.fullmatch(value)
        return count[1] if count else None
    if name != "material":
        value = _BEHIND.sub("", value)
    words = value.split()
    listed = _DECIMAL_COMMA.sub("", value) if name == "material" else value
    is_all = plain(value) in telling_columns()["any"] or known_word("total", value) is not None
    if not words or is_all or len(value) > _MOST_CHARACTERS or len(words) > _MOST_WORDS or _SEVERAL.search(listed):
        return None
    if _is_dated(value) or is_period(value) or _MARK.search(value):
        return None
    if name == "operation":
        number = _OPERATION.fullmatch(value)
        return number[1] if number else None
    if name == "tool":
        tool = _TOOL.fullmatch(value) or _TOOL_AND_NAME.match(value)
        return tool[0] if tool else None
    if name == "program":
        return value if _PROGRAM.fullmatch(value) else None
    if name == "job":
        return value if _ID.search(value) and not _YEAR.fullmatch(value) and not _PAGE.fullmatch(value) else None
    return value if any(mark.isalpha() or mark.isdigit() for mark in value) else None
