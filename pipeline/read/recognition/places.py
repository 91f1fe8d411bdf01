"""Which machine a file is of where none of its columns says so: its title lines, its path.

It looks at words around a table only, never at its rows.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import lru_cache
from itertools import pairwise, repeat
from typing import Final, NamedTuple

from pipeline.read.recognition.names import kind_titles, read_name, says
from schemas.words import plain

_NEAREST_PARTS: Final = 3  # of a path: the file's name and the folders just above it
_LABEL: Final = re.compile(r"^(?P<label>[^:=]{2,30}?)\s*[:=]\s*(?P<value>.*)$", re.DOTALL)
_BRACKETED: Final = re.compile(r"[(\[]([^()\[\]]*)[)\]]")  # "Log of F4 (Machine: F4)"
_REMARK: Final = re.compile(r"\s+[(\[][^()\[\]]{3,}[)\]]$")  # "M4 (hall 2)"
_WORD_ENDS: Final = re.compile(r"[\s_]+|(?<=[^\W\d_])-(?=[^\W\d_])")
_MOST_WORDS: Final = 3  # of a machine's name in a title, or in the name of a folder; more is a sentence
_MOST_CHARACTERS: Final = 40
_ID: Final = re.compile(r"[^\W\d_]{1,8}-?\d{1,3}")  # a number alone may be a date or a copy
_SIGN: Final = re.compile(r"([a-z]+)0*(\d+)")
_WEEK: Final = re.compile(r"(?i)(?:v(?=\d\d)|kw|wk|cw|sem|tyg|t[yý]d)\d{1,2}")  # of a year: "svarvar_v47"
_NUMBERED: Final = ("operation", "job", "part", "shift", "department", "operator", "row_id", "program", "tool", "batch")
_ALNUM: Final = re.compile(r"[^\W\d_]+|\d+")
_PLAIN: Final = re.compile(r"[\w\s-]*")
_DRAWN: Final = " \t:;,.*=#-–—_[](){}<>|~+"
_TITLE_WORDS: Final = 8
_CAPITALS: Final = 5
_WHOLE: Final = re.compile(r"\d+")
_NUMBER: Final = re.compile(r"\d{1,3}|[A-Z]")
_KIND_AND_NUMBER: Final = re.compile(r"([^\W\d_]{3,})-?\d{1,3}")
_PARTED: Final = re.compile(r"\s+[-–—|/]\s+|\s*[,;:]\s+")
_CALLED: Final = 0.7  # how surely a word is one for a machine, before a number
_SEVERAL: Final = re.compile(r"[:,;/&]|\b(?:and|und|et|y|e|i|en|a|och)\b")
_NAMED: Final = 0.9
_LABELS: Final = 0.5

Titles = Sequence[Sequence[str]]


def machine_of_path(path: str, machines: Mapping[str, str]) -> str | None:
    """Return the one machine of shop.toml that the nearest part of a path names, None where none or several are."""
    parts = [part.casefold() for part in path.replace("\\", "/").split("/") if part][-_NEAREST_PARTS:]
    for part in reversed(parts):
        found = {machine for word, machine in machines.items() if _stands_in(word, part)}
        if found:
            return found.pop() if len(found) == 1 else None
    return None


class Said(NamedTuple):
    """A machine that something around a table names, and what names it, in a person's words."""

    machine: str
    where: str


def machines_said(titles: Titles, path: str, machines: Mapping[str, str]) -> list[Said]:
    """Return every machine that title lines, the file's name or its folder say, those that say so most plainly first.

    `machines` are those of shop.toml, by id and name.
    """
    labelled = [Said(machine, f'the title line "{line}"') for machine, line in _labelled_machines(titles, machines)]
    whole = _known_cells(titles, machines)
    within = whole or _known_within(titles, machines)
    found = [*labelled, *(Said(machine, f'the title "{cell}"') for machine, cell in within.items() if len(within) == 1)]
    if (designated := machine_designated(titles)) is not None:
        found.append(Said(machines.get(designated[0].casefold(), designated[0]), f'"{designated[1]}" above the table'))
    if (named := machine_of_name(path)) is not None:
        found.append(Said(machines.get(named.casefold(), named), "the name of the file or of its folder"))
    return found


def machine_listed(titles: Titles, beside: Titles) -> Said | None:
    """Return the title that another sheet lists among machines, by the head of its column: sums of each of them."""
    heads: Sequence[str] = ()
    listed: dict[str, str] = {}
    for cells in beside:
        if not any(mark.isdigit() for cell in cells for mark in cell):
            heads = cells
        elif len(heads) == len(cells):
            named = zip(heads, cells, strict=True)
            listed |= {cell: head for head, cell in named if read_name(head).concepts.get("machine", 0.0) >= _NAMED}
    found = {cell for cells in titles for cell in cells if cell in listed}
    return Said(cell, f'"{listed[cell]}" on another sheet') if len(found) == 1 and (cell := found.pop()) else None


def disagree(one: str, other: str, machines: Mapping[str, str]) -> bool:
    """Return whether two names of machines are plainly those of two: other ids of shop.toml, letters or numbers.

    "Mill 2" and M2 may be one machine, and so may "Small vertical mill" and M2; F2 and M2 are not.
    """
    ids = {machines.get(name.casefold()) for name in (one, other)}
    if None not in ids:
        return len(ids) > 1
    bare = [plain(name).replace(" ", "") for name in (one, other)]
    if any(re.search(rf"(?<!\d){re.escape(part)}(?!\d)", whole) for part, whole in (bare, reversed(bare))):
        return False
    signs = [_SIGN.fullmatch(name) for name in bare]
    if signs[0] and signs[1] and all(_ID.fullmatch(name) for name in (one, other)):
        return signs[0].groups() != signs[1].groups()
    numbers = [{int(number) for number in _WHOLE.findall(name)} for name in bare]
    return not numbers[0] & numbers[1] if numbers[0] and numbers[1] else False


def machine_of_name(path: str) -> str | None:
    """Return the machine that a file's own name, else its folder's, says: "maskin_F4_cykler" is of F4.

    Behind a word for machine stands its id; behind a word for one kind of them its number: "log_mill_2" is of mill 2.
    Two of them tell nothing.
    """
    parts = [part for part in path.replace("\\", "/").split("/") if part]
    if not parts:
        return None
    folder = parts[-2] if len(parts) > 1 and len(_WORD_ENDS.split(parts[-2])) <= _MOST_WORDS else ""
    for part in (parts[-1].split(".")[0], folder):
        found = _machines_of_part(part)
        if found:
            return found.pop() if len(found) == 1 else None
    return None


def _machines_of_part(stem: str) -> set[str]:
    words = _WORD_ENDS.split(stem)
    found = {
        after
        for word, after in pairwise(words)
        if _ID.fullmatch(after)
        and not _WEEK.fullmatch(after)
        and read_name(word).concepts.get("machine", 0.0) >= _NAMED
        and not word.isdigit()
    }
    found = found or {
        f"{word} {after}" for word, after in pairwise(words) if _is_kind(word) and _NUMBER.fullmatch(after)
    }
    return found or {word for word in words if _is_numbered_kind(word)}


def machine_designated(titles: Titles) -> tuple[str, str] | None:
    """Return a machine that a title line is, or a part of one, with that line: "Fresadora 2", "Cycles - Lathe B".

    It is a word for a kind of machine with its number or letter, a kind and number in one word, or what stands behind
    a word for machine and looks like an id: "Machine no. F4". Two tell nothing.
    """
    found: dict[str, str] = {}
    for cells in titles:
        for cell in cells:
            parts = _PARTED.split(cell)
            for part in (*parts, *(" ".join(two) for two in pairwise(parts) if _is_kind(two[0]))):
                if (machine := _designated(part)) is not None:
                    found.setdefault(machine, cell)
    return next(iter(found.items())) if len(found) == 1 else None


def _designated(part: str) -> str | None:
    words = part.split()
    for taken in (2, 1):
        if 1 + taken < len(words) <= _TITLE_WORDS and _is_kind(words[-1 - taken]) and _is_id(words[-taken:]):
            return " ".join(words[-taken:])  # "Registro cambi tornio TN 5"
    if not words or len(words) > _MOST_WORDS + 1:
        return None
    if (len(words) == 2 and _is_kind(words[0]) and _NUMBER.fullmatch(words[1])) or (
        len(words) == 1 and _is_numbered_kind(words[0])
    ):
        return part
    if len(words) > 2 and _is_kind(words[-2]) and _NUMBER.fullmatch(words[-1]) and kind_titles(" ".join(words[:-2])):
        return " ".join(words[-2:])  # "Cycle list mill 2"
    for taken in (2, 1):
        label, value = words[:-taken], words[-taken:]
        if not label or read_name(" ".join(label)).concepts.get("machine", 0.0) < _NAMED:
            continue
        pair = taken == 2 and _is_kind(value[0]) and _NUMBER.fullmatch(value[1])
        counted = taken == 1 and len(label) > 1 and value[0].isdigit() and says(label[-1], "number")
        if pair or counted or _is_id(value):
            return " ".join(value)
    return None


def _is_id(words: Sequence[str]) -> bool:
    """Return whether words are an id behind a word for a machine: "M4", "TN 5"."""
    if len(words) == 1:
        return _ID.fullmatch(words[0]) is not None
    return len(words) == 2 and _is_sign(words[0]) and words[1].isdigit() and _NUMBER.fullmatch(words[1]) is not None


def _is_sign(word: str) -> bool:
    """Return whether a word is a few capitals that number nothing else: "TN" of "Tornio TN 5"."""
    return len(word) <= _CAPITALS and word.isalpha() and word.isupper() and not numbers_another(word)


def numbers_another(word: str) -> bool:
    """Return whether a word is one for what else in a shop is numbered: operations, orders, shifts, tools."""
    concepts = read_name(word).concepts
    return concepts.get("machine", 0.0) < _LABELS <= max(map(concepts.get, _NUMBERED, repeat(0.0)))


def _is_kind(word: str) -> bool:
    """Return whether a word is one for a machine tool; "machine" alone is nobody's name, but "machine 2" is."""
    return word.isalpha() and len(word) > 1 and read_name(word).concepts.get("machine", 0.0) >= _CALLED


def _is_numbered_kind(word: str) -> bool:
    match = _KIND_AND_NUMBER.fullmatch(word)
    return match is not None and _is_kind(match[1])


def looks_like_id(text: str) -> bool:
    """Return whether a text is letters and a number, as ids of machines are: M4, DR-02, "BAZ 5"."""
    return _ID.fullmatch(text.replace(" ", "")) is not None


def _stands_in(word: str, text: str) -> bool:
    """Return whether a word stands in a text by itself, not as a part of a longer word or number.

    A machine that is called by a number alone is named only by a text that is that number: dates hold numbers too.
    """
    if word.isdigit():
        return text.partition(".")[0] == word
    return bool(word) and _written(word).search(text) is not None


@lru_cache(maxsize=4096)
def _written(word: str) -> re.Pattern[str]:
    """Return what finds an id or name as a word by itself, its parts joined or parted: "TN 5", "TN5", "tn-05"."""
    parts = [f"0*{part}" if part.isdigit() else re.escape(part) for part in _ALNUM.findall(word)]
    joined = r"[\s_-]*".join(parts) if _PLAIN.fullmatch(word) and parts else re.escape(word)
    return re.compile(rf"(?i)(?<![^\W_]){joined}(?![^\W_])")


def machine_of_titles(titles: Titles, machines: Mapping[str, str]) -> tuple[str, str] | None:
    """Return a machine that a title line names behind a word for machine, or as a whole, and that line."""
    if (labelled := next(_labelled_machines(titles, machines), None)) is not None:
        return labelled
    whole = _known_cells(titles, machines)
    return next(iter(whole.items())) if len(whole) == 1 else None


def machine_of_line(text: str, machines: Mapping[str, str]) -> tuple[int, int] | None:
    """Return where in a lone line a machine stands that it names and no other, None where it names none.

    It stands behind a word for machine ("Maschine M4", "Machine no. F4"), or is one of shop.toml, or a kind of machine
    with its number is the line ("Lathe 2"); what is drawn around it says nothing.
    """
    bare = text.strip(_DRAWN)
    if not bare:
        return None
    from_ = text.index(bare)
    labelled = _LABEL.match(bare)
    named = machine_of_titles(((bare,),), {}) if labelled else machine_designated(((bare,),))
    if bare.casefold() not in machines and named is not None:
        at = text.rfind(named[0])
        return (at, at + len(named[0])) if at >= 0 else None
    spans = {match.span() for word in machines if not word.isdigit() for match in _written(word).finditer(text)}
    if bare.casefold() in machines:
        return from_, from_ + len(bare)
    return spans.pop() if len(spans) == 1 else None


def names_machine(titles: Titles, machines: Mapping[str, str]) -> bool:
    """Return whether title lines name a machine in any way: what stands below them is of that one."""
    said = machine_of_titles(titles, machines) is not None
    return said or any(machine_of_line(cell, machines) is not None for cells in titles for cell in cells)


def _known_cells(titles: Titles, machines: Mapping[str, str]) -> dict[str, str]:
    """Return the machines of shop.toml that cells are, with the cell."""
    return {machines[cell.casefold()]: cell for cells in titles for cell in cells if cell.casefold() in machines}


def _known_within(titles: Titles, machines: Mapping[str, str]) -> dict[str, str]:
    """Return the machines of shop.toml that stand within title lines, with the cell."""
    return {
        machine: cell
        for cells in titles
        for cell in cells
        for word, machine in machines.items()
        if not word.isdigit() and _stands_in(word, cell)
    }


def _labelled_machines(titles: Titles, machines: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    for place, cells in enumerate(titles):
        below = titles[place + 1] if place + 1 < len(titles) else ()
        for label, value in zip(cells, below, strict=False) if _are_labels(cells, below) else _labelled(cells):
            if read_name(label).concepts.get("machine", 0.0) < _NAMED:
                continue
            value = value if value.casefold() in machines else _REMARK.sub("", value)
            short = value and len(value) <= _MOST_CHARACTERS and len(value.split()) <= _MOST_WORDS
            if (known := machines.get(value.casefold()) or _id_and_name(value, machines)) is not None:
                yield known, " ".join(cells)
            elif short and not _SEVERAL.search(value):
                yield value, " ".join(cells)


def _id_and_name(value: str, machines: Mapping[str, str]) -> str | None:
    """Return the machine whose id or name a text begins with, where it names no other: "F4 Mill, hall 1"."""
    text = value.casefold()
    named = {word for word in machines if not word.isdigit() and _stands_in(word, text)}
    leads = any(text.startswith(word) for word in named)
    ids = {machines[word] for word in named}
    return ids.pop() if leads and len(ids) == 1 else None


def _are_labels(cells: Sequence[str], below: Sequence[str]) -> bool:
    """Return whether a line is of labels whose values stand in the line below it."""
    return 1 < len(cells) == len(below) and all(_is_label(cell) for cell in cells) and not any(map(_LABEL.match, below))


def _is_label(text: str) -> bool:
    """Return whether a text is the name of something and says nothing of it: "Machine", "Operator"."""
    return not any(mark.isdigit() for mark in text) and max(read_name(text).concepts.values(), default=0.0) >= _LABELS


def _labelled(cells: Sequence[str]) -> Iterable[tuple[str, str]]:
    """Yield what is written as a label and its value, in one cell or in two beside each other."""
    for position, cell in enumerate(cells):
        after = cells[position + 1] if position + 1 < len(cells) else ""
        if bracketed := [match for text in _BRACKETED.findall(cell) if (match := _LABEL.match(text))]:
            yield from ((match["label"], match["value"].strip()) for match in bracketed)
        elif match := _LABEL.match(cell):
            yield match["label"], match["value"].strip() or after
        elif after and not _LABEL.match(after) and not _is_surely(after):
            yield cell, after


def _is_surely(text: str) -> bool:
    """Return whether a text names a quantity that is no machine: the cell before it is another label."""
    concepts = read_name(text).concepts
    return concepts.get("machine", 0.0) < _LABELS and max(concepts.values(), default=0.0) >= _NAMED
