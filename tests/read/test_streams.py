"""Adapter text and MTConnectStreams documents: two forms of the same observations."""

import io
import re
from datetime import UTC, datetime, timedelta
from xml.sax.saxutils import escape, quoteattr

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.read.adapter_text import read_adapter_text
from pipeline.read.observations import stream_items
from pipeline.read.plan import Context
from pipeline.read.text import text_blocks

LEVELS = ("NORMAL", "WARNING", "FAULT", "UNAVAILABLE")
BROKEN = (
    'The line is not of the form "time|item|value". It was probably cut or wrapped when the file was copied: copy it '
    "again, byte for byte."
)
PROFILE = """
version = 1
name = "mill"
kind = "event"
shape = "adapter text"
[[item]]
name = "Fact"
type = "PathFeedrate"
sub_type = "ACTUAL"
[[item]]
name = "Fin"
type = "PathFeedrate"
unit = "in/min"
[[item]]
name = "exec"
type = "Execution"
path = "P1"
data_item_id = "x1"
values = { "RUN" = "ACTIVE" }
[[item]]
name = "tool"
type = "ToolNumber"
[[item]]
name = "sys"
type = "Condition"
sub_type = "SYSTEM"
[[item]]
name = "msg"
type = "Message"
"""
SHOWN = ("line", "item", "value", "sub_type", "path", "data_item_id", "level", "native_code", "text")


def test_items_are_renamed_converted_and_looked_up(read):
    """Feeds without a unit are mm/s, words come in capitals, conditions keep level, code and text."""
    text = (
        "2026-01-05T06:00:00.123Z|Fact|15|exec|run\n"
        "2026-01-05T06:00:00.1234567Z|Fin|36\n"
        "\n"
        "2026-01-05T06:00:01Z|tool|T07\n"
        "2026-01-05T06:00:01Z@12.5|sys|Fault|1105|2|HIGH|door | open\n"
        "2026-01-05T06:00:02Z|sys|normal||||\n"
        "2026-01-05T06:00:02Z|sys|Unavailable\n"
        "2026-01-05T06:00:03Z|other|12.50|Fact|UNAVAILABLE\n"
        '2026-01-05T06:00:04Z|exec|""\n'
        "2026-01-05T06:00:05Z|msg|M12|check coolant\n"
        "2026-01-05T06:00:06Z|mill_asset_chg|CuttingTool|1\n"
        "2026-01-05T06:00:07Z|@ASSET@|1|CuttingTool|<x/>\n"
        "* PING\n"
    )

    whole = read(text, name="log.txt", profile=PROFILE, machine="M1")

    assert whole.rejects.height == 0
    assert whole.rows.select(SHOWN).rows() == [
        (1, "PathFeedrate", "900", "ACTUAL", None, "Fact", None, None, None),
        (1, "Execution", "ACTIVE", None, "P1", "x1", None, None, None),
        (2, "PathFeedrate", "914.4", None, None, "Fin", None, None, None),
        (4, "ToolNumber", "7", None, None, "tool", None, None, None),
        (5, "Condition", None, "SYSTEM", None, "sys", "FAULT", "1105", "HIGH: door | open"),
        (6, "Condition", None, "SYSTEM", None, "sys", "NORMAL", None, None),
        (7, "Condition", None, "SYSTEM", None, "sys", "UNAVAILABLE", None, None),
        (8, "other", "12.50", None, None, "other", None, None, None),
        (8, "PathFeedrate", "UNAVAILABLE", "ACTUAL", None, "Fact", None, None, None),
        (9, "Execution", None, None, "P1", "x1", None, None, None),
        (10, "Message", "check coolant", None, None, "msg", None, "M12", None),
    ]
    assert whole.rows["occurred_at"].to_list()[:3] == [
        datetime(2026, 1, 5, 6, 0, 0, 123_000, tzinfo=UTC),
        datetime(2026, 1, 5, 6, 0, 0, 123_000, tzinfo=UTC),
        datetime(2026, 1, 5, 6, 0, 0, 123_456, tzinfo=UTC),
    ]
    assert whole.rows["row_number"].to_list() == list(range(1, 12))
    assert set(whole.rows["machine"]) == {"M1"}
    assert whole.skipped.select("line", "why").rows() == [
        (11, "asset line"),
        (12, "asset line"),
        (13, "adapter command"),
    ]


def test_broken_lines_are_rejected_in_their_place(read):
    """A wrapped line costs its pieces, and rows keep their numbers in the file."""
    text = (
        "2026-01-05T06:00:00Z|a|1\n2026-01-05T06:00:01Z|b\nrest|of|it\n2026\n"
        "2026-01-05T06:00:02Z||3|c|4\n2026-01-05T06:00:03Z|d|5\n"
    )

    whole = read(text, name="log.txt", machine="M1")

    assert whole.rows.select("row_number", "line", "item", "value").rows() == [(1, 1, "a", "1"), (6, 6, "d", "5")]
    assert whole.told() == [
        (2, "broken_line", None, "2026-01-05T06:00:01Z|b", BROKEN),
        (3, "broken_line", None, "rest|of|it", BROKEN),
        (4, "broken_line", None, "2026", BROKEN),
        (5, "broken_line", None, "2026-01-05T06:00:02Z||3|c|4", BROKEN),
    ]


def test_what_should_be_a_number_and_is_none_is_rejected(read):
    """A feed of `fast` is no feed."""
    whole = read("2026-01-05T06:00:00Z|Fact|fast\n", name="log.txt", profile=PROFILE, machine="M1")

    assert whole.told() == [
        (
            1,
            "not_a_number",
            "value",
            "fast",
            '"fast" should be a number for this item. Correct the item in the profile, or the line.',
        )
    ]


def test_clock_times_of_a_stream_go_through_its_zone(read):
    """Text without a Z is local; the hour that the spring change skips is rejected."""
    text = "2025-03-30 01:59:59.5|a|1\n2025-03-30 02:30:00|a|2\n2025-03-30 03:00:00|a|3\n"

    whole = read(text, name="log.txt", machine="M1", timezone="Europe/Madrid")

    assert whole.rows["occurred_at"].to_list() == [
        datetime(2025, 3, 30, 0, 59, 59, 500_000, tzinfo=UTC),
        datetime(2025, 3, 30, 1, tzinfo=UTC),
    ]
    assert whole.told() == [
        (
            2,
            "skipped_by_clock",
            "time",
            "2025-03-30 02:30:00.000000",
            '"2025-03-30 02:30:00.000000" was on no clock in Europe/Madrid: they were put forward over it. Give the '
            "zone of the export as timezone under [[source]] in shop.toml.",
        )
    ]


def test_a_stream_of_a_clock_gone_wrong_is_rejected(read):
    """A control whose clock fell back to 1970 is told to be set."""
    whole = read("1970-01-01T00:00:00Z|a|1\n2026-01-05T06:00:00Z|a|1\n", name="log.txt", machine="M1")

    assert whole.told() == [
        (
            1,
            "out_of_range",
            "time",
            "1970-01-01 00:00:00",
            '"1970-01-01 00:00:00" lies outside the years 1990 to 2100. Set the clock of the control or of the '
            "computer that writes the log.",
        )
    ]


def test_a_stream_without_a_machine_says_where_to_name_it(read):
    """Adapter text never names its machine."""
    whole = read("2026-01-05T06:00:00Z|a|1\n", name="log.txt")

    assert (whole.file.status, whole.file.shape) == ("needs a profile", "adapter text")
    assert whole.file.reason == (
        'This is a log of a machine that does not name the machine. Add machine = "..." (and a profile for its items, '
        "where they are not called as in the standard) under [[source]] in shop.toml and run again; or lay the "
        "MTConnectDevices document of the machine beside it."
    )


def test_a_profile_of_another_kind_is_refused(read):
    """A cycle profile cannot say what the items of a stream are."""
    profile = (
        'version = 1\nname = "cycles"\nkind = "tool_change"\n[columns.occurred_at]\nfrom = "t"\n'
        '[columns.tool]\nfrom = "tool"\n'
    )

    whole = read("2026-01-05T06:00:00Z|a|1\n", name="log.txt", profile=profile, machine="M1")

    assert (whole.file.status, whole.file.reason) == (
        "needs a profile",
        'The profile "cycles" is of kind tool_change, but this file is a stream of events. Name a profile of kind '
        "event for it under [[source]] in shop.toml.",
    )


# A plain reader of adapter text, line by line, to hold the vectorised one against.

TIME = re.compile(r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.(\d+))?Z$")


Plain = tuple[str, str | None, str | None, str | None, str | None]


def plainly(line: str) -> list[Plain] | None:
    """Return (item, value, level, code, text) of each observation on a line, None if the line is broken."""
    fields = line.split("|")
    if not TIME.match(fields[0].strip()) or len(fields) < 3 or not fields[1].strip():
        return None
    fields = [field.strip() for field in fields]
    name, first = fields[1], fields[2].upper()
    if len(fields) > 8 and first in LEVELS and fields[8].upper() in LEVELS:
        return several(fields[1:])
    if len(fields) == 5 and is_series(*fields[2:]):
        return [(name, fields[4], None, None, None)]
    count = len(fields) - (1 if len(fields) % 2 == 0 and line.endswith("|") else 0)
    if first in LEVELS and len(fields) > 3:
        code = fields[3]
        if not code or count % 2 == 0 or (len(fields) >= 7 and first != "UNAVAILABLE"):
            return [condition(name, first, fields[3:6], "|".join(line.split("|")[6:]).strip())]
    if count % 2 == 0:
        return None
    pairs = [(fields[at], fields[at + 1] or None) for at in range(1, count, 2)]
    return None if any(not item for item, _ in pairs) else [(item, value, None, None, None) for item, value in pairs]


def condition(name: str, level: str, tail: list[str], text: str) -> Plain:
    code, _, qualifier = [*tail, "", "", ""][:3]
    return name, None, level, code or None, ": ".join(part for part in (qualifier, text) if part) or None


def several(fields: list[str]) -> list[Plain] | None:
    """Conditions one behind the other, each with its five fields; pairs may stand between."""
    found: list[Plain] = []
    while fields:
        name, told = fields[0], fields[1:2]
        if not name and not any(told):
            pass
        elif not name or not told:
            return None
        elif told[0].upper() in LEVELS:
            told = fields[1:6]
            found.append(condition(name, told[0].upper(), told[1:4], (told[4:] or [""])[0]))
        else:
            found.append((name, told[0] or None, None, None, None))
        fields = fields[1 + len(told) :]
    return found


def is_series(count: str, rate: str, values: str) -> bool:
    """sampleCount, sampleRate and as many numbers : how the adapter protocol of MTConnect writes a series."""
    is_rate = re.fullmatch(r"[\d.]*", rate) is not None
    numbers = values.split()
    return is_rate and all(re.fullmatch(r"[-+.\d]+", one) for one in numbers) and count == str(len(numbers)) != "0"


WORDS = st.sampled_from(
    ["a", "b", "exec", "Normal", "FAULT", "Unavailable", "12.5", "", " ", "ACTIVE", "x y", "0", "2", "3 4.5"]
)
STAMPS = st.sampled_from(
    ["2026-01-05T06:00:00Z", "2026-01-05T06:00:00.123Z", "2026-01-05T06:00:00.123456Z", "2026-01-05T06:00:00.1234567Z"]
    * 3
    + [" 2026-01-05T06:00:01Z", "2026", "", "am", "2026-13-05T06:00:00Z"]
)
LINES = st.builds(lambda stamp, words: "|".join([stamp, *words]), STAMPS, st.lists(WORDS, max_size=8))


@given(st.lists(LINES, max_size=60), st.integers(20, 400))
def test_lines_are_read_as_a_plain_reader_reads_them(lines, block_bytes):
    """Whatever stands on the lines and however they fall into blocks: the same observations, the same broken lines."""
    stream = io.BytesIO(("\n".join(lines) + "\n").encode())
    blocks = text_blocks(stream, block_bytes=block_bytes)

    tables = list(read_adapter_text(blocks, stream_items(None), Context("UTC"), "M1"))

    wanted, broken, number = [], [], 0
    for at, line in enumerate(lines, start=1):
        if not line.strip():
            continue
        found = plainly(line)
        if found is None or line.split("|")[0].strip() == "2026-13-05T06:00:00Z":
            number += 1
            broken.append((number, at))
            continue
        for observation in found:
            number += 1
            wanted.append((number, at, *observation))
    rows = [row for table in tables for row in table.rows.select("row_number", "line", *SHOWN[1:3], *SHOWN[6:]).rows()]
    assert rows == wanted
    assert [row for table in tables for row in table.rejects.select("row_number", "line").rows()] == broken
    assert sum(table.rows_read for table in tables) == number


def document(body: str, version: str = "1.3", prefix: str = "") -> str:
    mark = f":{prefix.rstrip(':')}" if prefix else ""
    return (
        f'<?xml version="1.0"?>\n<{prefix}MTConnectStreams xmlns{mark}="urn:mtconnect.org:MTConnectStreams:{version}">'
        f'<{prefix}Header version="{version}" instanceId="1" nextSequence="9"/><{prefix}Streams>{body}'
        f"</{prefix}Streams></{prefix}MTConnectStreams>"
    )


def device(body: str, name: str = "mill-7") -> str:
    return (
        f'<DeviceStream name="{name}" uuid="u"><ComponentStream component="Path" name="path1" componentId="p">{body}'
        "</ComponentStream></DeviceStream>"
    )


SAMPLE = (
    '<Samples><PathFeedrate dataItemId="f" timestamp="2026-01-05T06:00:00Z" name="Fact" sequence="1" subType="ACTUAL">'
    "15</PathFeedrate>"
    '<PathFeedrate dataItemId="o" timestamp="2026-01-05T06:00:00Z" sequence="2" subType="OVERRIDE">80</PathFeedrate>'
    '<SpindleSpeed dataItemId="s" timestamp="2026-01-05T06:00:00Z" sequence="3">1000.0</SpindleSpeed></Samples>'
    '<Events><Execution dataItemId="e" timestamp="2026-01-05T06:00:01.25Z" sequence="4">ACTIVE</Execution>'
    '<Program dataItemId="n" timestamp="2026-01-05T06:00:01Z" sequence="5"/></Events>'
    '<Condition><Fault dataItemId="c" timestamp="2026-01-05T06:00:02Z" sequence="6" type="SYSTEM" nativeCode="17">'
    'door</Fault><Normal dataItemId="c" timestamp="2026-01-05T06:00:03Z" sequence="7" type="SYSTEM"/></Condition>'
)


@pytest.mark.parametrize("version", ["1.0", "1.3", "1.8", "2.4"])
def test_streams_documents_of_every_version_are_read(read, version):
    """Item is the element, level a condition's element, machine the device; old overrides get their later names."""
    whole = read(document(device(SAMPLE), version), name="s.xml")

    assert whole.file.shape == "streams xml"
    assert whole.rows.select(SHOWN[1:]).rows() == [
        ("PathFeedrate", "900", "ACTUAL", "path1", "f", None, None, None),
        ("PathFeedrateOverride", "80", None, "path1", "o", None, None, None),
        ("RotaryVelocity", "1000", None, "path1", "s", None, None, None),
        ("Execution", "ACTIVE", None, "path1", "e", None, None, None),
        ("Program", None, None, "path1", "n", None, None, None),
        ("Condition", None, "SYSTEM", "path1", "c", "FAULT", "17", "door"),
        ("Condition", None, "SYSTEM", "path1", "c", "NORMAL", None, None),
    ]
    assert set(whole.rows["machine"]) == {"mill-7"}
    assert whole.rows["occurred_at"][3] == datetime(2026, 1, 5, 6, 0, 1, 250_000, tzinfo=UTC)


def test_a_prefix_and_a_name_for_the_machine_are_respected(read):
    """Namespaces may have a prefix; shop.toml's machine counts before the device's name."""
    body = re.sub(r"<(/?)(\w)", r"<\1m:\2", device(SAMPLE))

    whole = read(document(body, prefix="m:"), name="s.xml", machine="M9")

    assert whole.rows.height == 7
    assert set(whole.rows["machine"]) == {"M9"}


def test_a_profile_may_know_items_by_name_and_number_them_by_name(read):
    """`item_id = "name"` makes a document and the adapter text of one machine agree."""
    profile = PROFILE.replace('shape = "adapter text"', 'item_id = "name"')

    whole = read(document(device(SAMPLE)), name="s.xml", profile=profile)

    assert whole.rows["data_item_id"].to_list()[:2] == ["Fact", "o"]


def test_a_document_that_breaks_off_keeps_what_it_had(read):
    """Half a document gives half its observations and one reject that says so."""
    text = document(device(SAMPLE))

    whole = read(text[: text.index("<Program")], name="s.xml")

    assert whole.rows["item"].to_list() == ["PathFeedrate", "PathFeedrateOverride", "RotaryVelocity", "Execution"]
    (told,) = whole.told()
    assert told[:2] == (5, "broken_line")
    assert told[4].startswith("The file breaks off here (")
    assert told[4].endswith("); the rows before were read. Copy or export it again.")


def test_an_observation_without_a_time_is_rejected(read):
    """No timestamp, no event."""
    whole = read(document(device(SAMPLE.replace('timestamp="2026-01-05T06:00:01Z"', 'timestamp="now"'))), name="s.xml")

    assert whole.rows.height == 6
    assert [told[4] for told in whole.told()] == [
        "The observation has no timestamp that can be read. Export the document again from the agent."
    ]


def test_entities_are_not_expanded_nor_files_fetched(read, tmp_path):
    """A document cannot make the reader swell, nor read what lies beside it."""
    (tmp_path / "secret").write_text("hidden")
    bomb = '<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;"><!ENTITY s SYSTEM "secret">]>'
    body = device(SAMPLE.replace("door", "&b;").replace("ACTIVE", "&s;"))

    whole = read(document(body).replace('<?xml version="1.0"?>', '<?xml version="1.0"?>' + bomb), name="s.xml")

    text = whole.rows.write_csv()
    assert "hidden" not in text
    assert "aaaa" not in text


ITEMS = {
    "Fact": ("PathFeedrate", "f"),
    "S": ("RotaryVelocity", "s"),
    "exec": ("Execution", "e"),
    "prog": ("Program", "p"),
}
VALUES = {
    "Fact": st.sampled_from(["0", "15", "15.24", "73.8333333333333", "UNAVAILABLE"]),
    "S": st.sampled_from(["0", "995.520159", "1000.000000"]),
    "exec": st.sampled_from(["ACTIVE", "READY", "UNAVAILABLE"]),
    "prog": st.sampled_from(["O12", "a<b", 'part "7"', ""]),
}
OBSERVED = st.sampled_from(sorted(ITEMS)).flatmap(lambda name: st.tuples(st.just(name), VALUES[name]))
SAME_PROFILE = 'version = 1\nname = "same"\nkind = "event"\nitem_id = "name"\n' + "".join(
    f'[[item]]\nname = "{name}"\ntype = "{item}"\n' for name, (item, _) in ITEMS.items()
)


@given(st.lists(st.tuples(st.integers(0, 10**6), OBSERVED), min_size=1, max_size=40))
def test_a_document_and_text_of_the_same_observations_are_the_same_rows(read, observations):
    """The two forms differ in everything but what they say."""
    start = datetime(2026, 1, 5, 6, tzinfo=UTC)
    stamped = [
        ((start + timedelta(milliseconds=ms)).strftime("%Y-%m-%dT%H:%M:%S.%fZ"), name, value)
        for ms, (name, value) in observations
    ]
    text = "".join(f"{at}|{name}|{value}\n" for at, name, value in stamped)
    elements = "".join(
        f'<{ITEMS[name][0]} dataItemId="{ITEMS[name][1]}" name="{name}" timestamp={quoteattr(at)} sequence="1">'
        f"{escape(value)}</{ITEMS[name][0]}>"
        for at, name, value in stamped
    )

    from_text = read(text, name="log.txt", profile=SAME_PROFILE, machine="mill-7")
    from_xml = read(document(device(f"<Events>{elements}</Events>")), name="s.xml", profile=SAME_PROFILE)

    same = pl.exclude("line", "path")
    assert from_text.rows.select(same).equals(from_xml.rows.select(same))
    assert from_text.rows.height == len(observations)
