"""MTConnectStreams documents of any version -> observations, in chunks, with flat memory and no network.

It takes items, values and levels as the document has them; words and units are `events.py`'s business. One file may
hold several documents, one behind the other, as a recorded answer of an agent does.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, BinaryIO, Final, NamedTuple
from xml.parsers import expat

import polars as pl

from pipeline.read.delimited import broken_off_message
from pipeline.read.devices_xml import book_words
from pipeline.read.events import FACTOR, UNAVAILABLE, Items
from pipeline.read.files import PACKING_ERRORS, UnpackError
from pipeline.read.observations import INSTANCE, MACHINE, SEQUENCE, condition_text, event_table
from pipeline.read.plan import Context
from pipeline.read.rawtable import LINE, RAW, RAW_JOINT, ROW, broken_lines, skipped_rows
from pipeline.read.rows import TableRead, no_skipped
from pipeline.read.text import sniff_encoding
from pipeline.read.times import read_times

if TYPE_CHECKING:
    from pipeline.read.devices_xml import Device

CHUNK_ROWS: Final = 200_000
CHUNK_BYTES: Final = 128 << 20  # of a document whose values are long
READ_BYTES: Final = 1 << 18
MAX_ELEMENT_BYTES: Final = 16 << 20
"""The most that one tag or one value may be long; a value of a machine does not come near (common practice)."""
MAX_DEPTH: Final = 64
MAX_KINDS: Final = 100_000  # kept from chunk to chunk; a document of a real shop has some hundred
_CATEGORIES: Final = frozenset(("Samples", "Events", "Condition"))
_LEVELS: Final = {"Normal": "NORMAL", "Warning": "WARNING", "Fault": "FAULT", "Unavailable": "UNAVAILABLE"}
_OF_THE_AGENT: Final = frozenset(("Agent", "Adapters", "Adapter"))
"""Components of the program that serves the document; it stands beside the machines as a device of its own."""
_SELDOM: Final = frozenset(("nativeCode", "conditionId", "qualifier", "duration", "resetTriggered", "sampleCount"))
_ROOT: Final = rb"(?:[\w.-]+:)?MTConnect(?:Streams|Devices|Assets|Error)"
_DOCUMENT_START: Final = re.compile(rb"<\?xml\s|<" + _ROOT + rb"[\s>]")
_DOCUMENT_END: Final = re.compile(rb"</" + _ROOT + rb"\s*>")
_ENCODING: Final = re.compile(rb"\sencoding\s*=\s*[\"']([^\"']*)[\"']")
_DECLARATION_BYTES: Final = 200
NO_TIME: Final = "The observation has no timestamp that can be read. Export the document again from the agent."
CUT_SERIES: Final = (
    "The time series has not as many values as its sampleCount says. Export the document again from the agent."
)
_TAIL_BYTES: Final = 128  # a mark that one block begins and the next ends is not longer
_STREAM_TAG: Final = re.compile(rb"<(?:[\w.-]+:)?(Device|Component)Stream\s[^>]*>")
_ATTRIBUTE: Final = re.compile(rb"\s(name|uuid|component)\s*=\s*[\"']([^\"']*)[\"']")
SEVERAL_DEVICES: Final = (
    'machine = "{machine}" is not used: the document holds several devices ({devices}), and each keeps its own name; '
    "a profile renames them with a lookup under [columns.machine]"
)


class _Kind(NamedTuple):
    """What all observations of one item in one place of a document share."""

    machine: str | None
    name: str
    item: str
    data_item_id: str | None
    sub_type: str | None
    path: str | None
    level: str | None
    factor: float | None
    is_condition: bool
    of_agent: bool
    instance: str | None


_KIND_SCHEMA: Final[dict[str, pl.DataType]] = {
    MACHINE: pl.String(),
    "name": pl.String(),
    "item": pl.String(),
    "data_item_id": pl.String(),
    "sub_type": pl.String(),
    "path": pl.String(),
    "level": pl.String(),
    FACTOR: pl.Float64(),
    "is_condition": pl.Boolean(),
    "of_agent": pl.Boolean(),
    INSTANCE: pl.String(),
}


@dataclass(frozen=True)
class StreamNames:
    """How the devices and items of a document are called: what the profile, shop.toml and devices documents say."""

    machine: str | None = None  # of the document's only device
    machines: Mapping[str, str] = field(default_factory=dict)  # by the device's name or uuid in small letters
    other_machine: str | None = None  # of devices that `machines` does not list
    id_is_name: bool = False
    device: Callable[[str | None, str | None], Device | None] = lambda name, uuid: None

    def machine_of(self, name: str | None, uuid: str | None) -> str | None:
        """Return the machine of one device."""
        if self.machine is not None:
            return self.machine
        said = [
            self.machines[known.casefold()] for known in (name, uuid) if known and known.casefold() in self.machines
        ]
        return said[0] if said else self.other_machine or name or uuid


def read_streams(
    stream: BinaryIO, items: Items, context: Context, names: StreamNames, notes: tuple[str, ...] = ()
) -> Iterator[TableRead]:
    """Yield event rows, one an observation, in document order.

    A document that breaks off gives the observations before the break and one reject that says where; further
    documents in the file are read all the same. What the agent says of itself is skipped.
    """
    last_row, told = 0, False
    walk = _Walk(names)
    for broken in _fed(walk, stream):
        if len(walk.codes) < CHUNK_ROWS and walk.chunk_bytes < CHUNK_BYTES and not broken:
            continue
        table = _table(walk, broken, items, context, last_row, () if told else notes)
        last_row, told = last_row + table.rows_read, True
        yield table
    if walk.codes or not told:
        yield _table(walk, "", items, context, last_row, () if told else notes)


def _fed(walk: _Walk, stream: BinaryIO) -> Iterator[str]:
    """Feed a file to the walk and yield after each part what was wrong with it."""
    try:
        for part in _parts(stream):
            yield walk.feed(part)
    except (*PACKING_ERRORS, UnpackError) as error:
        yield str(error) or "the file ends too early"


def devices_in(stream: BinaryIO) -> list[str]:
    """Return the devices of a document, the agent itself left out, without reading its observations."""
    found: dict[str, bool] = {}
    device = ""
    rest = b""
    try:
        for data in _plain_blocks(stream):
            text = rest + data
            for tag in _STREAM_TAG.finditer(text):
                said = {name: value.decode("utf-8", "replace") for name, value in _ATTRIBUTE.findall(tag[0])}
                if tag[1] == b"Device":
                    device = said.get(b"name") or said.get(b"uuid") or ""
                elif said.get(b"component") not in _OF_THE_AGENT:
                    found[device] = True
            cut = text.rfind(b"<")
            rest = text[cut:] if cut >= 0 and len(text) - cut < MAX_ELEMENT_BYTES and b">" not in text[cut:] else b""
    except (*PACKING_ERRORS, UnpackError):
        pass  # whoever reads the rows tells it
    return list(found)


def _plain_blocks(stream: BinaryIO) -> Iterator[bytes]:
    """Yield the bytes of a file, as UTF-8 where its encoding is not one that marks can be searched in."""
    data = stream.read(READ_BYTES)
    encoding, mark = _encoding_of(data)
    data = data[mark:]
    decoder = codecs.getincrementaldecoder(encoding)("replace") if encoding else None
    if decoder is not None:
        data = _ENCODING.sub(b"", decoder.decode(data).encode("utf-8", "replace"), count=1)
    while data:
        yield data
        data = stream.read(READ_BYTES)
        if decoder is not None:
            data = decoder.decode(data).encode("utf-8", "replace")


def _encoding_of(head: bytes) -> tuple[str | None, int]:
    """Return the encoding to read by, None for UTF-8 and its kin, and the length of the mark before the text."""
    encoding, mark = sniff_encoding(head)
    said = _ENCODING.search(head[:_DECLARATION_BYTES])
    if encoding is None and said is not None:
        try:
            found = codecs.lookup(said[1].decode("ascii"))
        except (LookupError, ValueError):
            return None, mark
        is_text = getattr(found, "_is_text_encoding", True) and not found.name.startswith("utf")
        encoding = found.name if is_text and found.incrementaldecoder is not None else None
    return None if encoding in ("utf-8", "ascii", "iso8859-1") else encoding, mark


class _Part(NamedTuple):
    """Some bytes of a file: inside a document (`ends`: its last ones) or between two."""

    data: bytes
    inside: bool
    ends: bool = False


def _parts(stream: BinaryIO) -> Iterator[_Part]:
    """Yield a file in parts that never span two documents."""
    inside, rest = False, b""
    for data in _plain_blocks(stream):
        text, at = rest + data, 0
        while (found := (_DOCUMENT_END if inside else _DOCUMENT_START).search(text, at)) is not None:
            upto = found.end() if inside else found.start()
            yield _Part(text[at:upto], inside, ends=inside)
            at, inside = upto, not inside
        cut = max(at, len(text) - _TAIL_BYTES)
        yield _Part(text[at:cut], inside)
        rest = text[cut:]
    yield _Part(rest, inside, ends=inside)


class _Refused(Exception):
    """A document that no agent writes; `str()` says what it has."""


class _Walk:
    """Turns the bytes of documents into columns of observations: codes of `kinds`, and what differs from row to row."""

    def __init__(self, names: StreamNames) -> None:
        self._names = names
        self._lines_before = 0
        self._parser: expat.XMLParserType | None = None
        self._fed = 0
        self._is_lost = False  # the rest of a document that cannot be read on
        self._codes_by_key: dict[tuple[str | None, ...], int] = {}  # of the component that is being read
        self._codes_by_kind: dict[_Kind, int] = {}
        self.kinds: list[_Kind] = []
        self.start_chunk()

    def start_chunk(self) -> None:
        """Forget the observations that were taken over; what is open in the document stays."""
        self.codes: list[int] = []
        self.stamps: list[str | None] = []
        self.values: list[str | None] = []
        self.lines: list[int] = []
        self.sequences: list[str | None] = []
        self.native_codes: dict[int, str] = {}
        self.texts: dict[int, str] = {}
        self.qualifiers: dict[int, str] = {}
        self.sample_counts: dict[int, str] = {}
        self.chunk_bytes = 0
        if len(self.kinds) > MAX_KINDS:
            self.kinds.clear()
            self._codes_by_kind.clear()
            self._codes_by_key.clear()

    def feed(self, part: _Part) -> str:
        """Take some bytes in; return why the document cannot be read beyond them, if so."""
        trouble = ""
        self.chunk_bytes += len(part.data)
        if part.inside and not self._is_lost:
            if self._parser is None:
                self._parser, self._fed = self._open(), 0
            try:
                self._fed += len(part.data)
                self._parser.Parse(part.data, part.ends)
                if self._fed - max(self._parser.CurrentByteIndex, 0) > MAX_ELEMENT_BYTES:
                    raise _Refused(f"an element is longer than {MAX_ELEMENT_BYTES >> 20} MiB")
            except (expat.ExpatError, _Refused, ValueError, LookupError) as error:  # an encoding that nobody knows
                trouble, self._is_lost = str(error), True
        if part.ends or trouble:
            self._parser = None
        if part.ends:
            self._is_lost = False
        self._lines_before += part.data.count(b"\n")
        return trouble

    def _open(self) -> expat.XMLParserType:
        parser = expat.ParserCreate()
        parser.buffer_text = True
        parser.buffer_size = 1 << 16
        base_line = self._lines_before
        names = self._names
        device: Device | None = None
        instance: str | None = None
        machine: str | None = None
        path: str | None = None
        of_agent = False
        category = ""
        depth = inside_depth = 0
        codes = self._codes_by_key
        open_line = open_byte = 0
        open_attributes: dict[str, str] = {}
        parts: list[str] = []
        children: list[str] = []  # entries of a data set or table, as adapter text writes them
        around: list[tuple[dict[str, str], list[str], list[str]]] = []

        def structure(tag: str, attributes: dict[str, str]) -> None:
            nonlocal device, instance, machine, path, of_agent, category, depth
            depth += 1
            if depth > MAX_DEPTH:
                raise _Refused(f"elements are nested deeper than {MAX_DEPTH}")
            name = tag.rpartition(":")[2]
            if name == "Header":
                instance = attributes.get("instanceId")
            elif name == "DeviceStream":
                said = attributes.get("name"), attributes.get("uuid")
                machine, device = names.machine_of(*said), names.device(*said)
            elif name == "ComponentStream":
                component = attributes.get("component")
                of_agent = component in _OF_THE_AGENT
                is_path = component == "Path"
                path = (attributes.get("name") or attributes.get("componentId")) if is_path else None
            elif name in _CATEGORIES:
                category = name
                codes.clear()
                parser.StartElementHandler = observation
                parser.EndElementHandler = observed

        def structured(tag: str) -> None:
            nonlocal depth
            depth -= 1

        def observation(tag: str, attributes: dict[str, str]) -> None:
            nonlocal open_line, open_byte, open_attributes, inside_depth, parts, children
            inside_depth += 1
            if inside_depth == 1:
                open_line, open_byte, open_attributes = parser.CurrentLineNumber, parser.CurrentByteIndex, attributes
                parser.CharacterDataHandler = characters
                return
            if inside_depth > MAX_DEPTH:
                raise _Refused(f"elements are nested deeper than {MAX_DEPTH}")
            around.append((attributes, parts, children))
            parts, children = [], []

        def observed(tag: str) -> None:
            nonlocal inside_depth, category, parts, children
            if inside_depth == 1:
                inside_depth = 0
                parser.CharacterDataHandler = None
                get = open_attributes.get
                mark = get("statistic") or get("countDirection")
                key = (tag, get("dataItemId"), get("name"), get("subType"), get("type"), mark)
                code = codes.get(key)
                if code is None:
                    kind = _kind(key, category, machine, device, path, of_agent, instance, names.id_is_name)
                    code = codes[key] = self._code_of(kind)
                if not _SELDOM.isdisjoint(open_attributes):
                    self._add_seldom(open_attributes)
                self.codes.append(code)
                self.stamps.append(get("timestamp"))
                self.sequences.append(get("sequence"))
                self.values.append(_set_text(children) if children else "".join(parts).strip() or None)
                self.lines.append(base_line + open_line)
                parts.clear()
                children = []
            elif inside_depth:
                inside_depth -= 1
                if parser.CurrentByteIndex - open_byte > MAX_ELEMENT_BYTES:
                    raise _Refused(f"an observation is longer than {MAX_ELEMENT_BYTES >> 20} MiB")
                entry = _set_text(children) if children else _quoted("".join(parts).strip())
                above, before, children = around.pop()
                if (name := above.get("key")) is not None:
                    children.append(name if above.get("removed") == "true" else f"{name}={entry}")
                    entry = ""
                before.append(entry)
                parts = before
            else:
                category = ""
                parser.StartElementHandler = structure
                parser.EndElementHandler = structured
                structured(tag)

        def characters(data: str) -> None:
            parts.append(data)
            if len(parts) % 16 == 0 and sum(map(len, parts)) > MAX_ELEMENT_BYTES:
                raise _Refused(f"a value is longer than {MAX_ELEMENT_BYTES >> 20} MiB")

        parser.StartElementHandler = structure
        parser.EndElementHandler = structured
        parser.EntityDeclHandler = _refuse_entities
        return parser

    def _code_of(self, kind: _Kind) -> int:
        code = self._codes_by_kind.setdefault(kind, len(self.kinds))
        if code == len(self.kinds):
            self.kinds.append(kind)
        return code

    def _add_seldom(self, attributes: Mapping[str, str]) -> None:
        row = len(self.codes)
        if code := attributes.get("nativeCode") or attributes.get("conditionId"):
            self.native_codes[row] = code
        if qualifier := attributes.get("qualifier"):
            self.qualifiers[row] = qualifier
        if count := attributes.get("sampleCount"):
            self.sample_counts[row] = count
        said = [
            f"duration {duration} s" if (duration := attributes.get("duration")) else "",
            f"reset {reset}" if (reset := attributes.get("resetTriggered")) else "",
        ]
        if told := ", ".join(filter(None, said)):
            self.texts[row] = told


def _refuse_entities(*_: object) -> None:
    raise _Refused("it declares entities, which no agent does")


def _quoted(value: str) -> str:
    return f"'{value}'" if " " in value else value


def _set_text(entries: list[str]) -> str:
    return "{" + " ".join(entries) + "}"


def _kind(
    key: tuple[str | None, ...],
    category: str,
    machine: str | None,
    device: Device | None,
    path: str | None,
    of_agent: bool,
    instance: str | None,
    id_is_name: bool,
) -> _Kind:
    tag, data_item_id, item_name, sub_type, kind, mark = key
    element = (tag or "").rpartition(":")[2]
    name = item_name or data_item_id or element
    identity = (item_name or data_item_id) if id_is_name else (data_item_id or item_name)
    known = device.items.get(data_item_id or "") if device else None
    if known is not None and known.path is not None:
        path = known.path
    if category == "Condition":
        level = _LEVELS.get(element, element.upper())
        return _Kind(machine, name, "Condition", identity, kind, path, level, None, True, of_agent, instance)
    item, sub_type = book_words(element, sub_type or (kind if element == "ToolLife" else None), mark)
    factor = known.factor_in_streams if known else None
    return _Kind(machine, name, item, identity, sub_type, path, None, factor, False, of_agent, instance)


def _table(
    walk: _Walk, broken: str, items: Items, context: Context, last_row: int, notes: tuple[str, ...]
) -> TableRead:
    found = _frame(walk)
    walk.start_chunk()
    skipped = no_skipped()
    if found["of_agent"].any():
        skipped = skipped_rows(
            found.filter("of_agent").with_columns(
                pl.concat_str("item", pl.coalesce("value", "level"), separator=RAW_JOINT, ignore_nulls=True).alias(RAW)
            ),
            "said by the agent of itself",
        )
        found = found.filter(~pl.col("of_agent"))
    times = read_times(found["stamp"])
    found = found.with_columns(times.utc.alias("utc"), times.naive.alias("naive"), pl.lit(None, pl.String).alias(RAW))
    lost = found["utc"].is_null() & found["naive"].is_null()
    cut = found["samples_lack"]
    rejects = pl.concat(
        [
            broken_lines(found.filter(wrong).select(LINE, pl.col("item").alias(RAW), pl.lit(0).alias(ROW)), message)
            for wrong, message in ((lost, NO_TIME), (cut & ~lost, CUT_SERIES))
        ]
    )
    if broken:
        end = pl.DataFrame(
            {ROW: [0], LINE: [None], RAW: [None]}, schema={ROW: pl.Int64, LINE: pl.Int64, RAW: pl.String}
        )
        rejects = pl.concat([rejects, broken_lines(end, broken_off_message(broken))])
    if (wrong := lost | cut).any():
        found = found.filter(~wrong)
    table = event_table(found.drop("stamp", "of_agent", "samples_lack"), rejects, items, context, last_row, skipped)
    return replace(table, notes=(*notes, *table.notes)) if notes else table


def _frame(walk: _Walk) -> pl.DataFrame:
    """Return the observations of a chunk: the kinds laid out by their codes, and what differs from row to row."""
    height = len(walk.codes)
    kinds = pl.DataFrame(walk.kinds, schema=_KIND_SCHEMA, orient="row")
    codes = pl.Series(walk.codes, dtype=pl.UInt32)
    value = pl.Series(walk.values, dtype=pl.String)
    frame = kinds[codes].with_columns(
        pl.Series(LINE, walk.lines, dtype=pl.Int64),
        pl.Series("stamp", walk.stamps, dtype=pl.String),
        pl.Series(SEQUENCE, walk.sequences, dtype=pl.String).cast(pl.Int64, strict=False),
        value.alias("value"),
        _sparse(walk.native_codes, height).alias("native_code"),
        _sparse(walk.texts, height).alias("text"),
        _lacks_samples(value, walk.sample_counts).alias("samples_lack"),
    )
    if frame["is_condition"].any():
        is_condition, qualifier = pl.col("is_condition"), _sparse(walk.qualifiers, height).alias("qualifier")
        frame = frame.with_columns(qualifier).with_columns(
            value=pl.when(~is_condition).then("value"),
            text=pl.when(is_condition).then(condition_text("qualifier", "value")).otherwise("text"),
        )
    return frame.select(pl.exclude("is_condition", "qualifier"))


def _sparse(found: Mapping[int, str], height: int) -> pl.Series:
    series = pl.Series([None], dtype=pl.String).new_from_index(0, height)
    return series.scatter(list(found), list(found.values())) if found else series


def _lacks_samples(value: pl.Series, counts: Mapping[int, str]) -> pl.Series:
    """Return which time series have not as many values as they say."""
    never = pl.Series([False]).new_from_index(0, len(value))
    if not counts:
        return never
    rows = pl.Series(list(counts), dtype=pl.UInt32)
    series = value[rows]
    said = pl.Series(list(counts.values())).cast(pl.Int64, strict=False)
    lacks = (series.str.count_matches(r"\S+").cast(pl.Int64) != said) & (series.str.to_uppercase() != UNAVAILABLE)
    return never.scatter(rows.filter(lacks.fill_null(False)), True)
