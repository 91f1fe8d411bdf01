"""MTConnectStreams documents of any version -> observations, in chunks, with flat memory and no network.

It takes items, values and levels as the document has them; words and units are `events.py`'s business.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, BinaryIO, Final

import polars as pl

from pipeline.read.delimited import broken_off_message
from pipeline.read.events import Items
from pipeline.read.files import PACKING_ERRORS, UnpackError
from pipeline.read.observations import MACHINE, event_table
from pipeline.read.plan import Context
from pipeline.read.rawtable import LINE, RAW, ROW, broken_lines
from pipeline.read.rows import TableRead
from pipeline.read.times import read_times

if TYPE_CHECKING:
    from collections.abc import Mapping

STREAMS_URN: Final = "urn:mtconnect.org:MTConnectStreams:"
CHUNK_ROWS: Final = 200_000
_CATEGORIES: Final = ("Samples", "Events", "Condition")
_LEVELS: Final = {"Normal": "NORMAL", "Warning": "WARNING", "Fault": "FAULT", "Unavailable": "UNAVAILABLE"}
# The names of 1.1 for what the standard later gave items of their own.
_RENAMED: Final = {
    ("PathFeedrate", "OVERRIDE"): "PathFeedrateOverride",
    ("AxisFeedrate", "OVERRIDE"): "AxisFeedrateOverride",
    ("RotaryVelocity", "OVERRIDE"): "RotaryVelocityOverride",
    ("SpindleSpeed", "OVERRIDE"): "RotaryVelocityOverride",
}
_TEXT_COLUMNS: Final = (
    MACHINE,
    "stamp",
    "name",
    "item",
    "value",
    "data_item_id",
    "sub_type",
    "path",
    "level",
    "native_code",
    "text",
)
_SCHEMA: Final[dict[str, pl.DataType]] = {LINE: pl.Int64(), **dict.fromkeys(_TEXT_COLUMNS, pl.String())}
Observation = tuple[int | None, *tuple[str | None, ...]]


def read_streams(
    stream: BinaryIO, items: Items, context: Context, machine: str | None, *, id_is_name: bool = False
) -> Iterator[TableRead]:
    """Yield event rows, one an observation, in document order; the machine is the device unless one is given.

    A document that breaks off gives the observations before the break and one reject that says where.
    """
    last_row = 0
    rows: list[Observation] = []
    broken = ""
    try:
        for row in _walk(stream, id_is_name):
            rows.append(row)
            if len(rows) >= CHUNK_ROWS:
                table = _table(rows, "", items, context, machine, last_row)
                last_row += table.rows_read
                rows = []
                yield table
    except (SyntaxError, *PACKING_ERRORS, UnpackError) as error:
        broken = str(getattr(error, "msg", None) or error)
    if rows or broken or not last_row:
        yield _table(rows, broken, items, context, machine, last_row)


def _table(
    rows: list[Observation], broken: str, items: Items, context: Context, machine: str | None, last_row: int
) -> TableRead:
    found = pl.DataFrame(rows, schema=_SCHEMA, orient="row")
    times = read_times(found["stamp"])
    found = found.with_columns(times.utc.alias("utc"), times.naive.alias("naive"), pl.lit(None, pl.String).alias(RAW))
    if machine is not None:
        found = found.with_columns(pl.lit(machine).alias(MACHINE))
    lost = found["utc"].is_null() & found["naive"].is_null()
    rejects = broken_lines(
        found.filter(lost).select(LINE, pl.col("item").alias(RAW), pl.lit(0, dtype=pl.Int64).alias(ROW)),
        "The observation has no timestamp that can be read. Export the document again from the agent.",
    )
    if broken:
        end = pl.DataFrame(
            {ROW: [0], LINE: [None], RAW: [None]}, schema={ROW: pl.Int64, LINE: pl.Int64, RAW: pl.String}
        )
        rejects = pl.concat([rejects, broken_lines(end, broken_off_message(broken))])
    found = found.filter(~lost) if lost.any() else found
    return event_table(found.drop("stamp"), rejects, items, context, last_row)


def _walk(stream: BinaryIO, id_is_name: bool) -> Iterator[Observation]:
    from lxml import etree

    parser = etree.iterparse(
        stream, events=("start", "end"), resolve_entities=False, no_network=True, load_dtd=False, huge_tree=False
    )
    device: str | None = None
    path: str | None = None
    inside = False
    for event, element in parser:
        tag = element.tag
        if not isinstance(tag, str):
            continue
        name = tag.rpartition("}")[2]
        if event == "start":
            if name == "DeviceStream":
                device = element.get("name") or element.get("uuid")
            elif name == "ComponentStream":
                is_path = element.get("component") == "Path"
                path = (element.get("name") or element.get("componentId")) if is_path else None
            elif name in _CATEGORIES:
                inside = True
            continue
        if name in _CATEGORIES:
            inside = False
            element.clear()
        elif inside and (category := _category(element)):
            yield (element.sourceline, device, *_observation(element, name, category, id_is_name, path))
            _forget(element)
        elif name in ("ComponentStream", "DeviceStream"):
            _forget(element)


def _category(element: Any) -> str | None:
    parent = element.getparent()
    if parent is None or not isinstance(parent.tag, str):
        return None
    name: str = parent.tag.rpartition("}")[2]
    return name if name in _CATEGORIES else None


def _forget(element: Any) -> None:
    """Drop an element and what stands before it, so that memory does not grow with the document."""
    element.clear()
    while element.getprevious() is not None:
        del element.getparent()[0]


def _observation(element: Any, tag: str, category: str, id_is_name: bool, path: str | None) -> tuple[str | None, ...]:
    attributes: Mapping[str, str] = element.attrib
    text = "".join(element.itertext()).strip() or None
    item_name = attributes.get("name")
    data_item_id = attributes.get("dataItemId")
    name = item_name or data_item_id or tag
    identity = (item_name or data_item_id) if id_is_name else (data_item_id or item_name)
    sub_type = attributes.get("subType")
    if category == "Condition":
        level = _LEVELS.get(tag, tag.upper())
        code = attributes.get("nativeCode") or None
        kind = attributes.get("type")
        return (attributes.get("timestamp"), name, "Condition", None, identity, kind, path, level, code, text)
    item = _RENAMED.get((tag, sub_type or ""), tag)
    if item != tag:
        sub_type = None
    elif tag == "SpindleSpeed":
        item = "RotaryVelocity"
    code = attributes.get("nativeCode") or None
    return (attributes.get("timestamp"), name, item, text, identity, sub_type, path, None, code, None)
