"""MTConnectDevices documents: what they say of items, and for which streams they count."""

import gzip
import zipfile
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flows.ingesting import ingest
from pipeline.progress import Null
from pipeline.read.devices_xml import (
    device_called,
    device_of_items,
    documents_above,
    element_name,
    find_devices,
    in_scope,
    read_devices,
    unit_factor,
)
from pipeline.read.reading import read_file
from pipeline.read.settings import ReadSettings, SourceRule
from pipeline.store.book import open_book
from pipeline.workspace import Workspace
from schemas.profile import Profile
from schemas.shop import LimitSettings
from schemas.toml_model import parse

LATHE = """
<Device id="d1" name="lathe-5" uuid="u5"><DataItems>
  <DataItem id="av" name="avail" category="EVENT" type="AVAILABILITY"/></DataItems>
<Components>
  <Axes id="ax" name="base"><Components>
    <Rotary id="S1" name="S1"><Configuration><Relationships>
        <ComponentRelationship id="r1" type="PEER" idRef="pa"/></Relationships></Configuration>
      <DataItems>
        <DataItem id="s1v" name="S1speed" category="SAMPLE" type="SPINDLE_SPEED" subType="ACTUAL"
          units="REVOLUTION/MINUTE" nativeUnits="REVOLUTION/SECOND"/>
        <DataItem id="s1m" name="S1mode" category="EVENT" type="ROTARY_MODE"/>
        <DataItem id="s1c" name="S1hot" category="CONDITION" type="TEMPERATURE"/></DataItems></Rotary>
    <Rotary id="S2" name="S2"><DataItems>
        <DataItem id="s2v" name="S2speed" category="SAMPLE" type="ROTARY_VELOCITY" subType="ACTUAL" statistic="MAXIMUM"
          units="REVOLUTION/MINUTE"/></DataItems></Rotary>
    <Linear id="X" name="X"><DataItems>
        <DataItem id="xp" name="Xpos" category="SAMPLE" type="POSITION" subType="ACTUAL" units="MILLIMETER"
          nativeUnits="INCH" nativeScale="1000"/></DataItems></Linear></Components></Axes>
  <Controller id="nc" name="nc"><Components>
    <Path id="pa" name="upper"><DataItems>
        <DataItem id="ex" name="exec" category="EVENT" type="EXECUTION"/>
        <DataItem id="fr" name="feed" category="SAMPLE" type="PATH_FEEDRATE" subType="ACTUAL" units="MILLIMETER/SECOND"
          nativeUnits="INCH/MINUTE"><Source>nc1:FR</Source></DataItem>
        <DataItem id="fo" name="fovr" category="EVENT" type="PATH_FEEDRATE" subType="OVERRIDE" units="PERCENT"/>
        <DataItem id="va" name="vars" category="EVENT" type="VARIABLE" representation="DATA_SET"/>
        <DataItem id="ts" name="wave" category="SAMPLE" type="LOAD" representation="TIME_SERIES"/>
        <DataItem id="me" name="note" category="EVENT" type="MESSAGE"/></DataItems></Path>
    <Path id="pb" name="lower"><DataItems>
        <DataItem id="t2" name="tool2" category="EVENT" type="TOOL_NUMBER"/>
        <DataItem id="xm" name="clamp" category="EVENT" type="x:CLAMP_STATE" subType="x:MAIN"/></DataItems></Path>
  </Components></Controller>
</Components></Device>"""
SECOND = (
    '<Device id="d2" name="mill-6" uuid="u6"><Components><Axes id="a6"><Components><Rotary id="C6" name="C"><DataItems>'
    '<DataItem id="c6" name="Cspeed" category="SAMPLE" type="ROTARY_VELOCITY"/></DataItems></Rotary>'
    "</Components></Axes>"
    '<Controller id="n6"><Components><Path id="p6" name="path"><DataItems>'
    '<DataItem id="e6" name="exec" category="EVENT" type="EXECUTION"/>'
    '<DataItem id="f6" name="feed" category="SAMPLE" type="PATH_FEEDRATE" units="MILLIMETER/MINUTE"/></DataItems>'
    "</Path></Components></Controller></Components></Device>"
)
LOG = (
    "2026-01-05T06:00:00Z|avail|AVAILABLE|exec|active|nc1:FR|60\n"
    "2026-01-05T06:00:01Z|S1speed|20|Xpos|2000|tool2|T04|clamp|SHUT\n"
    "2026-01-05T06:00:02Z|S1hot|warning|7|2|HIGH|warm\n"
    "2026-01-05T06:00:03Z|note|M1|door open\n"
    "2026-01-05T06:00:04Z|vars|{a=1 b=2}\n"
    "2026-01-05T06:00:05Z|wave|3|100|1 2 3\n"
    "2026-01-05T06:00:06Z|fovr|80|S2speed|900|unheard|5\n"
)
SHOWN = ("item", "value", "sub_type", "path", "data_item_id", "level", "native_code", "text")
READ = [
    ("Availability", "AVAILABLE", None, None, "av", None, None, None),
    ("Execution", "ACTIVE", None, "upper", "ex", None, None, None),
    ("PathFeedrate", "1524", "ACTUAL", "upper", "fr", None, None, None),
    ("RotaryVelocity", "1200", "ACTUAL", "upper", "s1v", None, None, None),
    ("Position", "50.8", "ACTUAL", None, "xp", None, None, None),
    ("ToolNumber", "4", None, "lower", "t2", None, None, None),
    ("ClampState", "SHUT", "x:MAIN", "lower", "xm", None, None, None),
    ("Condition", None, "TEMPERATURE", "upper", "s1c", "WARNING", "7", "HIGH: warm"),
    ("Message", "door open", None, "upper", "me", None, "M1", None),
    ("VariableDataSet", "{a=1 b=2}", None, "upper", "va", None, None, None),
    ("LoadTimeSeries", "1 2 3", None, "upper", "ts", None, None, None),
    ("PathFeedrateOverride", "80", None, "upper", "fo", None, None, None),
    ("RotaryVelocity", "900", "ACTUAL.MAXIMUM", None, "s2v", None, None, None),
    ("unheard", "5", None, None, "unheard", None, None, None),
]


def devices(*bodies: str, created: str = "2026-01-01T00:00:00Z") -> str:
    return (
        '<?xml version="1.0"?><MTConnectDevices xmlns="urn:mtconnect.org:MTConnectDevices:1.8">'
        f'<Header creationTime="{created}" instanceId="1"/><Devices>{"".join(bodies)}</Devices></MTConnectDevices>'
    )


def lay(folder: Path, name: str, text: str) -> Path:
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)
    return path


def settings_of(*paths: Path, **more: object) -> ReadSettings:
    return ReadSettings(devices=find_devices(paths, LimitSettings()), **more)  # type: ignore[arg-type]


def rows_of(path: Path, reading: ReadSettings) -> pl.DataFrame:
    (file_read,) = read_file(path, reading)
    assert file_read.status == "loaded", file_read.reason
    return pl.concat([table.rows for table in file_read.tables])


def test_adapter_text_beside_its_devices_document_needs_no_profile(tmp_path):
    """The device names the machine; types, sub types, ids, units, scale and paths are the document's."""
    document, log = lay(tmp_path, "probe.xml", devices(SECOND, LATHE)), lay(tmp_path, "day/log.txt", LOG)

    rows = rows_of(log, settings_of(document))

    assert rows.select(SHOWN).rows() == READ
    assert set(rows["machine"]) == {"lathe-5"}


def test_the_machine_of_shop_toml_stands_for_its_device(tmp_path):
    """A device that is called as a machine is that machine, whatever the case; a [[source]] goes before."""
    document, log = lay(tmp_path, "probe.xml", devices(LATHE)), lay(tmp_path, "log.txt", LOG)

    named = rows_of(log, settings_of(document, machines={"lathe-5": "L5"}))
    ruled = rows_of(log, settings_of(document, sources=[SourceRule("*", machine="M9")]))

    assert set(named["machine"]) == {"L5"}
    assert set(ruled["machine"]) == {"M9"}
    assert ruled.select(SHOWN).rows() == READ


def test_a_profile_goes_before_a_devices_document(tmp_path):
    """What the profile says of an item holds; path and sub type that it leaves out are filled in, its unit counts."""
    profile = parse(
        'version = 1\nname = "p"\nkind = "event"\nitem_id = "name"\n'
        '[[item]]\nname = "nc1:FR"\ntype = "PathFeedrate"\nunit = "mm/min"\n'
        '[[item]]\nname = "tool2"\ntype = "ToolGroup"\n',
        Profile,
        "p.toml",
    )
    document, log = lay(tmp_path, "probe.xml", devices(LATHE)), lay(tmp_path, "log.txt", LOG)

    rows = rows_of(log, settings_of(document, sources=[SourceRule("*", profile)])).select(SHOWN[:5]).rows()

    assert rows[1] == ("Execution", "ACTIVE", None, "upper", "exec")
    assert rows[2] == ("PathFeedrate", "60", "ACTUAL", "upper", "nc1:FR")
    assert rows[5] == ("ToolGroup", "T04", None, None, "tool2")


STREAM = (
    '<MTConnectStreams xmlns="urn:mtconnect.org:MTConnectStreams:1.8"><Streams>'
    '<DeviceStream name="lathe-5" uuid="u5"><ComponentStream component="Rotary" name="S1" componentId="S1"><Samples>'
    '<RotaryVelocity dataItemId="s1v" timestamp="2026-01-05T06:00:01Z" sequence="2">1200</RotaryVelocity></Samples>'
    '<Events><RotaryMode dataItemId="s1m" timestamp="2026-01-05T06:00:01Z" sequence="3">SPINDLE</RotaryMode></Events>'
    '</ComponentStream><ComponentStream component="Path" name="upper" componentId="pa"><Samples>'
    '<PathFeedrate dataItemId="fr" timestamp="2026-01-05T06:00:01Z" sequence="4">25.4</PathFeedrate></Samples>'
    "</ComponentStream></DeviceStream>"
    '<DeviceStream name="mill-6" uuid="u6"><ComponentStream component="Rotary" name="C" componentId="C6"><Samples>'
    '<RotaryVelocity dataItemId="c6" timestamp="2026-01-05T06:00:01Z" sequence="5">900</RotaryVelocity></Samples>'
    '</ComponentStream><ComponentStream component="Path" name="path" componentId="p6"><Samples>'
    '<PathFeedrate dataItemId="f6" timestamp="2026-01-05T06:00:01Z" sequence="6">1200</PathFeedrate></Samples>'
    "</ComponentStream></DeviceStream></Streams></MTConnectStreams>"
)


def test_a_stream_learns_paths_and_units_of_each_of_its_devices(tmp_path):
    """A rotary axis goes with the path it is related to, or with the only path as its only axis; values are in `units`.

    A document of the standard has mm/s; one that says MILLIMETER/MINUTE is taken at its word.
    """
    document, stream = lay(tmp_path, "probe.xml", devices(LATHE, SECOND)), lay(tmp_path, "s.xml", STREAM)

    told = rows_of(stream, settings_of(document)).select("machine", "item", "value", "path").rows()
    alone = rows_of(stream, ReadSettings()).select("machine", "item", "value", "path").rows()

    assert told == [
        ("lathe-5", "RotaryVelocity", "1200", "upper"),
        ("lathe-5", "RotaryMode", "SPINDLE", "upper"),
        ("lathe-5", "PathFeedrate", "1524", "upper"),
        ("mill-6", "RotaryVelocity", "900", "path"),
        ("mill-6", "PathFeedrate", "1200", "path"),
    ]
    assert [row[3] for row in alone] == [None, None, "upper", None, "path"]
    assert alone[4][2] == "72000"


RELATED = (
    '<Configuration><Relationships><ComponentRelationship id="r2" idRef="{path}"/></Relationships></Configuration>'
)


@pytest.mark.parametrize(
    ("related", "paths"),
    [("", ("upper", None)), ("pb", ("upper", "lower")), ("pa", (None, None)), ("pa pb", ("upper", None))],
    ids=["to none", "to its own", "to the same", "to both"],
)
def test_a_rotary_axis_has_a_path_where_it_is_its_only_one(related, paths):
    """Two spindles of one path would take each other's mode; one of two paths belongs to neither."""
    more = "".join(RELATED.format(path=path) for path in related.split())

    (device,) = read_devices(devices(LATHE.replace('name="S2">', f'name="S2">{more}')).encode())

    assert (device.items["s1v"].path, device.items["s2v"].path) == paths
    assert device.items["ex"].path == "upper"


@pytest.mark.parametrize(
    ("unit", "item", "factor"),
    # UnitsTypeEnum and NativeUnitsTypeEnum of the standard's public schema file MTConnectDevices_1.3.xsd; the inch is
    # 25.4 mm exactly (ISO 31-1), feeds of the book are mm/min, other rates as in documents.
    [
        ("MILLIMETER/SECOND", "PathFeedrate", 60.0),
        ("MILLIMETER/MINUTE", "PathFeedrate", 1.0),
        ("INCH/MINUTE", "AxisFeedrate", 25.4),
        ("INCH/SECOND", "PathFeedrate", 1524.0),
        ("FOOT/MINUTE", "PathFeedrate", 304.8),
        ("REVOLUTION/MINUTE", "RotaryVelocity", 1.0),
        ("REVOLUTION/SECOND", "RotaryVelocity", 60.0),
        ("DEGREE/MINUTE", "AngularVelocity", 1 / 60),
        ("RADIAN/SECOND", "AngularVelocity", 57.29577951308232),
        ("PERCENT", "Load", 1.0),
        ("KILOWATT", "Wattage", 1000.0),
        ("HOUR", "AccumulatedTime", 3600.0),
        ("MILLIMETER/SECOND^2", "Acceleration", None),
        ("FAHRENHEIT", "Temperature", None),
        ("INCH_3D", "PathPosition", None),
        ("x:FURLONG", "Position", None),
        (None, "Load", None),
    ],
)
def test_units(unit, item, factor):
    """What one of a unit is in ours; what is not known, or is more than a factor, stays as it came."""
    assert unit_factor(unit, item) == (None if factor is None else pytest.approx(factor, rel=1e-15))


@pytest.mark.parametrize(
    ("kind", "name"),
    # elements of the standard's public schema file MTConnectStreams_2.7.xsd
    [
        ("PATH_FEEDRATE", "PathFeedrate"),
        ("AMPERAGE_AC", "AmperageAC"),
        ("VOLTAGE_DC", "VoltageDC"),
        ("PH", "PH"),
        ("MTCONNECT_VERSION", "MTConnectVersion"),
        ("ADAPTER_URI", "AdapterURI"),
        ("x:CLAMP_STATE", "ClampState"),
    ],
)
def test_elements_of_types(kind, name):
    assert element_name(kind) == name


def test_the_nearest_document_counts_whatever_the_order_of_files(tmp_path):
    """Of two that know a device the one in the nearer folder; one in a folder beside does not count at all."""
    far = lay(tmp_path, "a/probe.xml", devices(LATHE))
    near = lay(tmp_path, "a/b/probe.xml", devices(LATHE.replace('name="upper"', 'name="near"')))
    beside = lay(tmp_path, "a/c/probe.xml", devices(LATHE.replace('name="upper"', 'name="beside"')))
    log, other = lay(tmp_path, "a/b/d/log.txt", LOG), lay(tmp_path, "a/log.txt", LOG)

    for order in ((far, near, beside), (beside, near, far)):
        reading = settings_of(*order)
        assert rows_of(log, reading)["path"][1] == "near"
        assert rows_of(other, reading)["path"][1] == "upper"


def test_which_device_a_log_is_of_must_be_clear(tmp_path):
    """Half of the items at least, and more than any other device has; a machine that is named decides between twins."""
    twin = LATHE.replace("lathe-5", "lathe-7").replace('uuid="u5"', 'uuid="u7"')
    documents = settings_of(lay(tmp_path, "probe.xml", devices(LATHE, twin, SECOND))).devices

    assert device_of_items(documents, {"exec", "feed", "Xpos"}, None) is None
    assert device_of_items(documents, {"exec", "feed", "Xpos"}, "lathe-7").uuid == "u7"
    assert device_of_items(documents, {"exec", "Cspeed"}, None).name == "mill-6"
    assert device_of_items(documents, {"Cspeed", "one", "two"}, None) is None
    assert device_of_items(documents, set(), None) is None
    assert device_called(documents, "renamed", "u6").name == "mill-6"
    assert device_called(documents, "mill-6", "another").uuid == "u6"
    assert device_called(documents, "nobody", None) is None


def test_documents_are_found_packed_and_above(tmp_path):
    """Gzip'd, in a zip with the stream beside it, in a folder above the one that was named; nothing else is taken."""
    packed = tmp_path / "probe.xml.gz"
    packed.write_bytes(gzip.compress(devices(LATHE).encode()))
    archive = tmp_path / "day.zip"
    with zipfile.ZipFile(archive, "w") as members:
        members.writestr("in/probe.xml", devices(LATHE))
        members.writestr("in/log.txt", LOG)
    stream = lay(tmp_path, "deep/er/s.xml", STREAM)
    broken = lay(tmp_path, "broken.xml", devices(LATHE)[:-40])

    assert [found.folder for found in find_devices([packed], LimitSettings())] == [tmp_path.as_posix()]
    inside = find_devices([archive], LimitSettings())
    assert [found.folder for found in inside] == [f"{archive.as_posix()}/in"]
    reads = {read.source.member: read for read in read_file(archive, ReadSettings(devices=inside))}
    assert reads["in/log.txt"].status == "loaded"
    assert reads["in/probe.xml"].status == "set aside"
    assert packed in documents_above([tmp_path / "deep" / "er"])
    assert find_devices([stream, broken], LimitSettings()) == []
    assert in_scope(inside, stream.as_posix()) == []
    assert read_devices(b"<a/>") == read_devices(b"no xml") == []


@given(st.permutations(["log.txt", "s.xml", "probe.xml"]), st.integers(1, 3))
@settings(max_examples=6)
def test_a_document_that_comes_later_reads_its_streams_again(tmp_path_factory, order, at_once):
    """Files in any order and any number of runs: the book is as if all had come together, and then stands still."""
    folder = tmp_path_factory.mktemp("shop")
    texts = {"log.txt": LOG, "s.xml": STREAM, "probe.xml": devices(LATHE, SECOND)}
    (folder / "shop.toml").write_text('[shop]\ntimezone = "UTC"\n[[source]]\nfiles = "log.txt"\nmachine = "L5"\n')
    workspace = Workspace(folder)

    for first in range(0, 3, at_once):
        for name in order[first : first + at_once]:
            lay(folder, f"exports/{name}", texts[name])
        ingest([folder / "exports"], workspace, Null())
    again = ingest([folder / "exports"], workspace, Null())
    lay(folder, "exports/probe.xml", devices(LATHE, SECOND, created="2026-02-02T00:00:00Z"))
    newer = ingest([folder / "exports" / "log.txt"], workspace, Null())

    assert all(counts.already_known for counts in (*again.files, *newer.files))
    with open_book(workspace.book_path, read_only=True) as book:
        found = book.rows("select item, value, sub_type, path, data_item_id from core.event where machine = 'L5'")
        feeds = book.rows("select machine, path, value from core.event where item = 'PathFeedrate' order by all")
    assert sorted(found, key=str) == sorted((row[:5] for row in READ), key=str)
    assert feeds == [("L5", "upper", "1524"), ("lathe-5", "upper", "1524"), ("mill-6", "path", "1200")]
