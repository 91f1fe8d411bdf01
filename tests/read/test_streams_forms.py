"""Forms of MTConnectStreams documents: versions, prefixes, several in one file, values that are no plain reading."""

import io
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.read import streams_xml
from pipeline.read.observations import stream_items
from pipeline.read.plan import Context
from pipeline.read.reading import read_file
from pipeline.read.settings import ReadSettings
from pipeline.read.streams_xml import StreamNames, devices_in, read_streams
from pipeline.store.accounting import audit_store, require
from pipeline.store.book import Book, open_book
from pipeline.store.loading import load_file

SHOWN = ("machine", "item", "value", "sub_type", "path", "data_item_id", "level", "native_code", "text")
AT = 'timestamp="2026-01-05T06:00:00Z" sequence="1"'
HEADER = '<Header version="2.4" instanceId="7" creationTime="2026-01-05T06:00:00Z" nextSequence="9" firstSequence="1"/>'


def component(body: str, kind: str = "Path", name: str = "path1") -> str:
    return f'<ComponentStream component="{kind}" name="{name}" componentId="{name}-id">{body}</ComponentStream>'


def device(body: str, name: str = "mill-7", uuid: str = "u7") -> str:
    return f'<DeviceStream name="{name}" uuid="{uuid}">{body}</DeviceStream>'


def streams(body: str, root: str = "", tag: str = "MTConnectStreams") -> str:
    root = root or f'<{tag} xmlns="urn:mtconnect.org:MTConnectStreams:2.4">'
    return f"{root}{HEADER}<Streams>{body}</Streams></{tag}>"


def shown(whole) -> list[tuple[object, ...]]:
    return whole.rows.select(SHOWN).rows()


ONE = device(component(f'<Events><Execution dataItemId="e" {AT}>ACTIVE</Execution></Events>'))
TOLD = [("mill-7", "Execution", "ACTIVE", None, "path1", "e", None, None, None)]
SCHEMA = 'xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" xsi:schemaLocation="urn:shop:ShopStreams:1.7 /s.xsd"'


@pytest.mark.parametrize(
    "root",
    [
        *(f'<MTConnectStreams xmlns="urn:mtconnect.org:MTConnectStreams:{minor}">' for minor in ("1.0", "1.8", "2.7")),
        f'<MTConnectStreams xmlns:m="urn:mtconnect.org:MTConnectStreams:1.7" xmlns="urn:shop:Own:1.7" {SCHEMA}>',
        "<MTConnectStreams>",
        '<?xml version="1.0" encoding="UTF-8"?>\n<?xml-stylesheet type="text/xsl" href="s.xsl"?>\n<!-- day 5 -->\n'
        '<MTConnectStreams xmlns="urn:mtconnect.org:MTConnectStreams:1.3">',
    ],
)
def test_roots_of_any_version_and_namespace(read, root):
    """The standard's own namespace, a vendor's in its place, none at all."""
    whole = read(streams(ONE, root), name="s.xml")

    assert whole.file.shape == "streams xml"
    assert shown(whole) == TOLD


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "utf-16-le", "cp1252", "iso-8859-15", "gb18030"])
def test_encodings(read, encoding):
    """What the bytes are written in, the declaration agreeing or not."""
    said = {"cp1252": "windows-1252", "utf-8-sig": "UTF-8"}.get(encoding, encoding.removesuffix("-le"))
    program = f'<Events><Program dataItemId="p" {AT}>Geh\u00e4use</Program></Events>'
    text = f'<?xml version="1.0" encoding="{said}"?>' + streams(device(component(program)))

    whole = read(text.encode(encoding), name="s.xml")

    assert whole.rows["value"].to_list() == ["Geh\u00e4use"]


def test_what_a_vendor_adds_is_read_by_its_own_name(read):
    """An element with a prefix is an item as any; its prefix says whose it is and is not part of the name."""
    body = f'<Events><x:ClampState dataItemId="k" name="clamp" {AT}>SHUT</x:ClampState></Events>'
    root = '<MTConnectStreams xmlns="urn:mtconnect.org:MTConnectStreams:1.5" xmlns:x="urn:shop:ShopStreams:1.5">'

    whole = read(streams(device(component(body, "Chuck", "chuck")), root), name="s.xml")

    assert shown(whole) == [("mill-7", "ClampState", "SHUT", None, None, "k", None, None, None)]
    assert whole.notes[-1].startswith("items kept but not computed with: ClampState")


def test_every_device_of_a_document_is_its_machine(read):
    """Names of shop.toml's machines are taken; a device without a name goes by its uuid."""
    body = ONE + ONE.replace("mill-7", "Lathe 2").replace("u7", "u8") + ONE.replace('name="mill-7" ', "")

    whole = read(streams(body), name="s.xml", machines={"lathe 2": "L2"})

    assert whole.rows["machine"].to_list() == ["mill-7", "L2", "u7"]


def test_one_machine_is_not_the_name_of_several_devices(read):
    """`machine` of a [[source]] counts for a document of one device; of several it would make one machine."""
    body = ONE + ONE.replace("mill-7", "mill-8").replace("u7", "u8")

    whole = read(streams(body), name="s.xml", machine="M1")

    assert whole.rows["machine"].to_list() == ["mill-7", "mill-8"]
    assert whole.notes[0] == (
        'machine = "M1" is not used: the document holds several devices (mill-7, mill-8), and each keeps its own name; '
        "a profile renames them with a lookup under [columns.machine]"
    )


def test_a_profile_names_the_machines_of_devices(read):
    """A lookup by name or uuid, whatever the case."""
    profile = (
        'version = 1\nname = "cell"\nkind = "event"\nshape = "streams xml"\n[[item]]\nname = "e"\ntype = "Execution"\n'
        '[columns.machine]\nfrom = "device"\nlookup = { "MILL-7" = "M1", "u8" = "M2" }\n'
    )
    body = ONE + ONE.replace("mill-7", "mill-8").replace("u7", "u8")

    whole = read(streams(body), name="s.xml", profile=profile)

    assert whole.rows["machine"].to_list() == ["M1", "M2"]


AGENT = device(
    component(f'<Events><Availability dataItemId="a" {AT}>AVAILABLE</Availability></Events>', "Agent", "Agent")
    + component(f'<Events><ConnectionStatus dataItemId="c" {AT}>LISTEN</ConnectionStatus></Events>', "Adapter", "7"),
    "Agent",
    "ua",
)


def test_what_the_agent_says_of_itself_is_of_no_machine(read):
    """From 1.7 on the agent stands beside the machines as a device: skipped, and no second device."""
    whole = read(streams(AGENT + ONE), name="s.xml", machine="M1")

    assert [row[:3] for row in shown(whole)] == [("M1", "Execution", "ACTIVE")]
    assert whole.skipped.select("why", "raw").rows() == [
        ("said by the agent of itself", "Availability | AVAILABLE"),
        ("said by the agent of itself", "ConnectionStatus | LISTEN"),
    ]
    assert whole.rows_read == 1


def test_devices_are_listed_without_reading_observations():
    """Tags that the blocks of a file cut in two are whole again."""
    text = streams(AGENT + ONE + "<!-- a > b -->" * 9 + ONE.replace("mill-7", "mill-8"))

    class Dribble(io.BytesIO):
        def read(self, size: int | None = -1, /) -> bytes:
            return super().read(23)

    assert devices_in(Dribble(text.encode())) == ["mill-7", "mill-8"]


def test_sets_tables_and_series_are_text(read):
    """Never numbers, written as adapter text writes them; a series that is not whole is rejected."""
    body = (
        f'<Samples><PathFeedrateTimeSeries dataItemId="f" {AT} sampleCount="3" sampleRate="100">1 2 3'
        f'</PathFeedrateTimeSeries>\n<LoadTimeSeries dataItemId="l" {AT} sampleCount="3">1 2</LoadTimeSeries>\n'
        f'<LoadTimeSeries dataItemId="l" {AT} sampleCount="0">UNAVAILABLE</LoadTimeSeries></Samples>'
        f'<Events><VariableDataSet dataItemId="v" {AT} count="3"><Entry key="a">1</Entry>\n<Entry key="b">x y</Entry>'
        f'<Entry key="c" removed="true"/></VariableDataSet>'
        f'<WorkOffsetTable dataItemId="w" {AT} count="1"><Entry key="G54"><Cell key="X">1.5</Cell><Cell key="Y">2'
        f'</Cell></Entry></WorkOffsetTable><VariableDataSet dataItemId="v" {AT} count="0"/></Events>'
    )

    whole = read(streams(device(component(body))), name="s.xml")

    assert whole.rows.select("item", "value").rows() == [
        ("PathFeedrateTimeSeries", "1 2 3"),
        ("LoadTimeSeries", "UNAVAILABLE"),
        ("VariableDataSet", "{a=1 b='x y' c}"),
        ("WorkOffsetTable", "{G54={X=1.5 Y=2}}"),
        ("VariableDataSet", None),
    ]
    assert [(row, told) for row, _, _, _, told in whole.told()] == [
        (
            2,
            "The time series has not as many values as its sampleCount says. Export the document again from the agent.",
        )
    ]


def test_what_is_no_plain_reading_says_so(read):
    """A statistic and a counter that counts down are part of the sub type; resets and durations stand in the text."""
    body = (
        f'<Samples><PathFeedrate dataItemId="m" {AT} subType="ACTUAL" statistic="MAXIMUM" duration="10">15'
        f'</PathFeedrate><AccumulatedTime dataItemId="t" {AT} resetTriggered="SHIFT">0</AccumulatedTime></Samples>'
        f'<Events><ToolLife dataItemId="7" {AT} type="MINUTES" countDirection="DOWN">41</ToolLife>'
        f'<ToolLife dataItemId="8" {AT} type="PART_COUNT" countDirection="UP">3</ToolLife>'
        f'<PartCountDiscrete dataItemId="n" {AT}>1</PartCountDiscrete>'
        f'<ExecutionDiscrete dataItemId="e" {AT}>ACTIVE</ExecutionDiscrete>'
        f'<Availability dataItemId="a" {AT}>Unavailable</Availability></Events>'
    )

    whole = read(streams(device(component(body))), name="s.xml")

    assert whole.rows.select("item", "value", "sub_type", "text").rows() == [
        ("PathFeedrate", "900", "ACTUAL.MAXIMUM", "duration 10 s"),
        ("AccumulatedTime", "0", None, "reset SHIFT"),
        ("ToolLife", "41", "MINUTES.DOWN", None),
        ("ToolLife", "3", "PART_COUNT", None),
        ("PartCountDiscrete", "1", None, None),
        ("Execution", "ACTIVE", None, None),
        ("Availability", "UNAVAILABLE", None, None),
    ]


def test_conditions_keep_what_tells_them_apart(read):
    """Several active at once, by native code or conditionId; qualifiers; NORMAL without a code; UNAVAILABLE."""
    body = (
        f'<Condition><Fault dataItemId="c" {AT} type="SYSTEM" nativeCode="17" qualifier="HIGH">oil</Fault>'
        f'<Warning dataItemId="c" {AT} type="SYSTEM" conditionId="w1">filter</Warning>'
        f'<Fault dataItemId="c" {AT} type="SYSTEM" nativeCode="18"/><Normal dataItemId="c" {AT} type="SYSTEM"/>'
        f'<Unavailable dataItemId="c" {AT} type="SYSTEM"/></Condition>'
    )

    whole = read(streams(device(component(body, "Controller", "nc"))), name="s.xml")

    assert whole.rows.select("item", "value", "sub_type", "level", "native_code", "text").rows() == [
        ("Condition", None, "SYSTEM", "FAULT", "17", "HIGH: oil"),
        ("Condition", None, "SYSTEM", "WARNING", "w1", "filter"),
        ("Condition", None, "SYSTEM", "FAULT", "18", None),
        ("Condition", None, "SYSTEM", "NORMAL", None, None),
        ("Condition", None, "SYSTEM", "UNAVAILABLE", None, None),
    ]


def test_tools_of_two_paths_stay_apart(read):
    """Two turrets are two paths of one machine."""
    body = "".join(
        component(f'<Events><ToolNumber dataItemId="t{path}" {AT}>0{path}</ToolNumber></Events>', "Path", f"path{path}")
        for path in (1, 2)
    )

    whole = read(streams(device(body)), name="s.xml")

    assert whole.rows.select("item", "value", "path").rows() == [
        ("ToolNumber", "1", "path1"),
        ("ToolNumber", "2", "path2"),
    ]


PART = '--7f3a\r\nContent-type: text/xml\r\nContent-length: 812\r\n\r\n<?xml version="1.0" encoding="UTF-8"?>\n'
LATER = ONE.replace("06:00:00", "06:00:01").replace("ACTIVE", "READY")


@pytest.mark.parametrize("between", [PART, "\n", '<?xml version="1.0"?>'])
@pytest.mark.parametrize("block_bytes", [7, 64, 1 << 18])
def test_documents_one_behind_the_other(read, monkeypatch, between, block_bytes):
    """A recorded answer of an agent, or files appended to each other; an error among them costs nothing else."""
    monkeypatch.setattr(streams_xml, "READ_BYTES", block_bytes)
    error = '<MTConnectError xmlns="urn:mtconnect.org:MTConnectError:1.3"><Errors/></MTConnectError>'
    text = between + between.join([streams(ONE), error, streams(LATER)])

    whole = read(text if between != "\n" else text.strip(), name="s.xml")

    assert [row[2] for row in shown(whole)] == ["ACTIVE", "READY"]
    assert whole.rejects.height == 0
    lines = text.strip().split("\n") if between == "\n" else text.split("\n")
    assert whole.rows["line"].to_list() == [
        1 + next(at for at, line in enumerate(lines) if word in line) for word in (">ACTIVE<", ">READY<")
    ]


def test_a_damaged_document_among_others_costs_its_own_rest(read):
    """What stood before the damage is kept, and the next document is read."""
    broken = streams(ONE + "<DeviceStream></Oops>" + LATER)

    whole = read(broken + "\n" + streams(LATER.replace("READY", "STOPPED")), name="s.xml")

    assert [row[2] for row in shown(whole)] == ["ACTIVE", "STOPPED"]
    ((row, reason, _, _, message),) = whole.told()
    assert (row, reason) == (2, "broken_line")
    assert message.startswith("The file breaks off here (mismatched tag")


@pytest.mark.parametrize(
    ("body", "told"),
    [
        ('<!DOCTYPE a [<!ENTITY b "c">]>', "it declares entities, which no agent does"),
        ("<a>" * 70, "elements are nested deeper than 64"),
        (
            device(component(f'<Events><Program dataItemId="p" {AT}>' + "<a>" * 70)),
            "elements are nested deeper than 64",
        ),
        ("<!-- " + "x" * (17 << 20), "an element is longer than 16 MiB"),
        (
            device(component(f'<Events><Program dataItemId="p" {AT}>' + "x" * (20 << 20))),
            "a value is longer than 16 MiB",
        ),
    ],
    ids=["entities", "deep", "deep value", "long comment", "long value"],
)
def test_what_no_agent_writes_ends_the_document(read, body, told):
    """A document made to swell is left with one sentence, and nothing of it is kept in memory."""
    root = '<MTConnectStreams xmlns="urn:mtconnect.org:MTConnectStreams:1.3">'
    text = (
        f'<?xml version="1.0"?>{body}{root}' if body.startswith("<!DOCTYPE") else f'<?xml version="1.0"?>{root}{body}'
    )

    whole = read(text, name="s.xml")

    ((_, reason, _, _, message),) = whole.told()
    assert reason == "broken_line"
    assert told in message


@pytest.mark.parametrize(
    ("root", "shape", "reason"),
    [
        ("MTConnectAssets", "other xml", "describes tools, fixtures or the like and holds no run log"),
        ("MTConnectError", "other xml", 'The agent answered with an error ("from is too small; no such path")'),
        ("MTConnectDevices", "devices xml", "it says what the items of the streams in its folder"),
    ],
)
def test_documents_without_observations_are_set_aside(read, root, shape, reason):
    """Each with what it is and what to do."""
    told = ("from is too small", "no such path")
    errors = "<Errors>" + "".join(f'<Error errorCode="OUT_OF_RANGE">{text}</Error>' for text in told) + "</Errors>"
    whole = read(f'<{root} xmlns="urn:mtconnect.org:{root}:1.4">{HEADER}{errors}</{root}>', name="a.xml")

    assert (whole.file.status, whole.file.shape) == ("set aside", shape)
    assert reason in whole.file.reason


def some_streams(count: int) -> str:
    """A document with several components and many items."""
    start = datetime(2026, 1, 5, 6, tzinfo=UTC)
    body = []
    for place in range(4):
        elements = "".join(
            f'<Load dataItemId="l{number % 5}" name="L{number % 5}" sequence="{number}" '
            f'timestamp="{(start + timedelta(seconds=number)).isoformat()}">{number % 97}</Load>\n'
            for number in range(place, count, 4)
        )
        body.append(component(f"<Samples>\n{elements}</Samples>\n", "Linear", f"X{place}"))
    return streams(device("\n".join(body)))


@given(st.integers(1, 300), st.integers(1, 50), st.integers(10, 3000))
@settings(max_examples=15)
def test_chunks_and_blocks_make_no_difference(count, chunk_rows, block_bytes):
    """Rows, numbers and lines are those of a reading in one piece."""
    data = some_streams(count).encode()

    def rows() -> pl.DataFrame:
        tables = list(read_streams(io.BytesIO(data), stream_items(None), Context("UTC"), StreamNames()))
        assert sum(table.rows_read for table in tables) == count
        return pl.concat([table.rows for table in tables])

    whole = rows()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(streams_xml, "CHUNK_ROWS", chunk_rows)
        patch.setattr(streams_xml, "READ_BYTES", block_bytes)
        patch.setattr(streams_xml, "MAX_KINDS", 2)
        assert rows().equals(whole)


MEASURE = """
import sys
from pathlib import Path
from pipeline.read import streams_xml
from pipeline.read.observations import stream_items
from pipeline.read.plan import Context

streams_xml.CHUNK_ROWS = 5_000
line = b'<Load dataItemId="l" name="L" sequence="1" timestamp="2026-01-05T06:00:00.123456Z">12.5</Load>\\n'
class Document:
    def __init__(self, blocks):
        self.blocks = [b"</Samples></ComponentStream></DeviceStream></Streams></MTConnectStreams>"]
        self.blocks += [line * 1000] * blocks
        self.blocks += [b'<MTConnectStreams><Streams><DeviceStream name="m"><ComponentStream><Samples>\\n']
    def read(self, size):
        return self.blocks.pop() if self.blocks else b""
rows = 0
for table in streams_xml.read_streams(
    Document(int(sys.argv[1])), stream_items(None), Context("UTC"), streams_xml.StreamNames()
):
    rows += table.rows.height
peak_kib = Path("/proc/self/status").read_text().split("VmHWM:")[1].split()[0]  # of this program alone
print(rows, peak_kib)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="peak memory is asked of the system in another way there")
def test_memory_stays_flat_however_long_a_document_is():
    """Five times the rows (2 MB, 10 MB) in one component of one document: not 6 MiB more at the peak."""

    def peak_mib(thousands: int) -> float:
        done = subprocess.run(
            [sys.executable, "-c", MEASURE, str(thousands)], capture_output=True, text=True, check=True
        )
        rows, peak_kib = map(int, done.stdout.split())
        assert rows == thousands * 1000
        return peak_kib / 1024

    assert peak_mib(100) - peak_mib(20) < 6


# An agent's buffer, and documents that each hold a stretch of its sequence.

ITEMS = {"e": ("Events", "Execution"), "p": ("Events", "Program"), "l": ("Samples", "Load"), "c": ("Condition", "")}
VALUES = {"e": ["ACTIVE", "READY", "UNAVAILABLE"], "p": ["O1", "O2"], "l": ["1", "2", "3"], "c": ["Fault", "Normal"]}
Observation = tuple[int, int, str, str]  # sequence, second, item, value


def element(observation: Observation) -> str:
    sequence, second, item, value = observation
    tag = value if item == "c" else ITEMS[item][1]
    stamp = (datetime(2026, 1, 5, 6, tzinfo=UTC) + timedelta(seconds=second)).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    code = f'nativeCode="{second % 3}" type="SYSTEM"' if item == "c" else ""
    text = "" if item == "c" else value
    return f'<{tag} dataItemId="{item}" sequence="{sequence}" timestamp="{stamp}" {code}>{text}</{tag}>'


def document_of(observations: list[Observation], instance: int) -> str:
    """As an agent lays it out: by item, in the order of sequence inside each."""
    body = []
    for item, (category, _) in ITEMS.items():
        own = "".join(element(one) for one in observations if one[2] == item)
        body += [component(f"<{category}>{own}</{category}>", "Path", "path1")] if own else []
    return streams(device("".join(body))).replace('instanceId="7"', f'instanceId="{instance}"')


def load(book: Book, paths: dict[str, Path], path: Path) -> tuple[str, ...]:
    """Read one document into the book; return those that are to be read again for it."""
    (file_read,) = read_file(path, ReadSettings())
    paths[file_read.source.file_id] = path
    return load_file(book, file_read).stale_files


def stored(folder: Path, documents: list[str]) -> list[tuple[object, ...]]:
    with open_book(None) as book:
        paths, due = {}, list[str]()
        for number, document in enumerate(documents):
            path = folder / f"{number}.xml"
            path.write_text(document)
            due += load(book, paths, path)
        while due:
            due = [stale for file_id in due for stale in load(book, paths, paths[file_id])]
        require(audit_store(book, thorough=True))
        return book.rows(
            "select machine, data_item_id, occurred_at, native_code, occurrence, item, value, level from core.event "
            "order by all"
        )


@st.composite
def buffers(draw) -> tuple[list[Observation], list[tuple[int, int]]]:
    """Observations in the order of their sequence, many at one instant, and stretches that cover them all."""
    seconds = sorted(draw(st.lists(st.integers(0, 6), min_size=2, max_size=30)))
    observations = []
    for sequence, second in enumerate(seconds, start=1):
        item = draw(st.sampled_from(sorted(ITEMS)))
        observations.append((sequence, second, item, draw(st.sampled_from(VALUES[item]))))
    borders = range(1, len(seconds))
    cuts = sorted({0, len(seconds), *draw(st.lists(st.sampled_from(borders), max_size=4))})
    stretches = []
    for first, last in pairwise(cuts):
        ends = [border for border in [0, *borders] if border <= first]
        stretches.append((draw(st.sampled_from(ends)), last))
    return observations, draw(st.permutations(stretches))


@given(buffers())
@settings(max_examples=15)
def test_any_overlapping_documents_of_one_buffer_give_the_same_facts(tmp_path, drawn):
    """Whatever stretches of a buffer were exported, in whatever order they come: each observation once."""
    observations, stretches = drawn

    parts = stored(tmp_path, [document_of(observations[first:last], 7) for first, last in stretches])

    assert parts == stored(tmp_path, [document_of(observations, 7)])
    assert len(parts) == len(observations)


def test_a_restarted_agent_counts_anew_and_collides_with_nothing(tmp_path):
    """Sequence 1 of another instanceId is another observation; what it repeats at its old time is a duplicate."""
    before = [(1, 0, "e", "ACTIVE"), (2, 1, "e", "READY"), (3, 1, "p", "O1")]
    after = [(1, 1, "p", "O1"), (2, 9, "e", "ACTIVE")]

    facts = stored(tmp_path, [document_of(before, 7), document_of(after, 8)])

    assert [(fact[1], fact[6]) for fact in facts] == [
        ("e", "ACTIVE"),
        ("e", "READY"),
        ("e", "ACTIVE"),
        ("p", "O1"),
    ]
