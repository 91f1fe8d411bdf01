"""Whatever a profile says: it is refused when it is loaded, or every file can be read with it; nothing is raised."""

import warnings
from encodings.aliases import aliases
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from pipeline.check.checking import check_rows
from pipeline.read.reading import read_file
from pipeline.read.settings import ReadSettings, SourceRule
from schemas.columns import columns, required
from schemas.profile import UNITS, FileShape, Profile

NAMES = [*["A", "b b", "Zeit", "x"] * 4, "item", "value", ""]
TEXTS = st.sampled_from(["", "a", "worn", "ACTIVE", "4", "2026-01-05 06:00", "\\", "é", "(", "?", "NORMAL"])
PATTERNS = st.sampled_from(
    [
        "^(?P<value>.*)$",
        "(?P<value>\\d+)|(x)",
        "(x)(?P<value>y)?",
        "\\(?P<value>x",
        "[(?P<value>]",
        "(?P<value>a{9999999999})",
        "(?P<value>\\Z)",
        "(?=x)(?P<value>.)",
        "(?P<value>",
        "(?i)(?P<value>é*)(?P<other>.)?",
    ]
)
FORMATS = st.sampled_from(
    [
        "iso",
        "epoch_s",
        "epoch_ms",
        "%d.%m.%Y",
        "%d.%m.%Y %H:%M",
        "%I:%M",
        "%H:%M %p",
        "%s",
        "x",
        "%Y-%m-%d %H",
        "%",
        "%c",
    ]
)
RULES = st.fixed_dictionaries(
    {},
    optional={
        "from": st.sampled_from(NAMES) | st.lists(st.sampled_from(NAMES), max_size=3),
        "constant": TEXTS | st.integers(-5, 5) | st.sampled_from([1.5, float("nan"), float("inf"), 1e300]),
        "format": FORMATS,
        "unit": st.sampled_from([*UNITS, "parsec"]),
        "lookup": st.dictionaries(TEXTS, TEXTS, max_size=3),
        "default": TEXTS,
        "split": PATTERNS,
    },
)
SHAPES = st.sampled_from([*[None] * 8, "table", "json lines", "adapter text", "streams xml"])
FILES = st.fixed_dictionaries(
    {},
    optional={
        "encoding": st.sampled_from(["utf-8", "cp1252", "utf-16", "utf-16-be", "latin-1", "shift_jis", "cp037", "hz"]),
        "delimiter": st.sampled_from([*[";", ","] * 8, *"|\t \"\n§\\a'-.\0", ""]),
        "decimal": st.sampled_from([".", ","]),
        "thousands": st.sampled_from([".", ",", " ", "'"]),
        "header_row": st.sampled_from([*[1] * 8, 2, 9, 10_000, 10**30]),
        "sheet": st.just("changes"),
        "skip_rows_where": st.lists(
            st.fixed_dictionaries({"column": st.sampled_from(NAMES), "matches": PATTERNS | st.just("")}), max_size=2
        ),
    },
)
ITEMS = st.lists(
    st.fixed_dictionaries(
        {
            "name": st.sampled_from([*NAMES, "exec"]),
            "type": st.sampled_from(["Execution", "Condition", "Message", "Load"]),
        },
        optional={
            "unit": st.sampled_from([*UNITS]),
            "values": st.dictionaries(TEXTS, TEXTS, max_size=2),
            "path": TEXTS,
            "data_item_id": TEXTS,
        },
    ),
    max_size=3,
)
CONTENTS = {
    "table": 'A;b b;Zeit;x;item;value\n1;worn;2026-01-05 06:00;4,5;Load;7\n;;;;;\n"q;";(;x;1.5;exec;é\n',
    "commas": 'A,b b,Zeit,x\n"a ""q""",worn,05.01.2026 06:00,1:05:30\n1,2\n',
    "json": '{"A": 1, "Zeit": "2026-01-05T06:00:00Z", "x": [1]}\n{"b b": null, "late": true}\n',
    "stream": "2026-01-05T06:00:00Z|exec|ACTIVE|x|1.5\n2026-01-05T06:00:01|A|FAULT|1||HIGH|text\nbroken\n",
    "xml": '<MTConnectStreams xmlns="urn:mtconnect.org:MTConnectStreams:1.3"><Streams><DeviceStream name="M">'
    '<ComponentStream><Events><Execution dataItemId="exec" timestamp="2026-01-05T06:00:00Z">READY</Execution>'
    "</Events></ComponentStream></DeviceStream></Streams></MTConnectStreams>",
    "letter": "Dear all,\nthe machine stood still.\n",
}


@st.composite
def profiles(draw: st.DrawFn) -> dict[str, Any]:
    kind = draw(st.sampled_from(["cycle", "tool_change", "edge_change", "event", "estimate", "job", "nc_program"]))
    fields = [*columns(kind), "duration_s"]
    return {
        "version": 1,
        "name": "any",
        "kind": kind,
        "shape": draw(SHAPES),
        "item_id": draw(st.sampled_from(["dataItemId", "name"])),
        "change_is_stamped_at": draw(st.sampled_from(["start", "end"])),
        "file": draw(FILES),
        "columns": draw(st.dictionaries(st.sampled_from(fields), RULES, max_size=len(fields))),
        "item": draw(ITEMS) if kind == "event" else [],
    }


def usable(raw: dict[str, Any]) -> dict[str, Any]:
    """Return the profile without the keys that are refused one by one, so that most of what is left can be used."""
    kind = raw["kind"]
    rules = {name: {"from": "Zeit"} for name in required(kind) if not (raw["item"] and name in ("item", "value"))}
    for name, rule in raw["columns"].items():
        plain = {"constant": rule["constant"]} if "constant" in rule else {"from": "A"}
        for key, value in {**plain, **rule}.items():
            if key not in plain and ("constant" not in plain or key != "from"):
                try:
                    Profile.model_validate(
                        {**raw, "file": {}, "item": [], "columns": {**rules, name: {**plain, key: value}}}
                    )
                except ValidationError:
                    continue
                plain[key] = value
        rules[name] = plain
    file = {}
    for key, value in raw["file"].items():
        try:
            FileShape.model_validate({**file, key: value})
        except ValidationError:
            continue
        file[key] = value
    return {**raw, "columns": rules, "file": file}


@pytest.mark.parametrize("content", CONTENTS)
@given(raw=profiles())
def test_a_profile_is_refused_or_reads_any_file(tmp_path, content, raw):
    """No exception and no warning, and no row is lost."""
    for attempt in (raw, usable(raw)):
        try:
            profile = Profile.model_validate(attempt)
        except ValidationError:
            continue
        path = tmp_path / "log.txt"
        path.write_text(CONTENTS[content], encoding="utf-8")
        settings = ReadSettings(zone="Europe/Madrid", sources=[SourceRule("*", profile, None, "M1")])
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            for file in read_file(path, settings):
                for table in file.tables:
                    checked = check_rows(table)
                    assert checked.rows_read == checked.rows.height + checked.rejects["row_number"].n_unique()


@pytest.mark.parametrize(
    "name", sorted({*aliases.values(), "unicode_escape", "raw_unicode_escape", "idna", "undefined"})
)
def test_an_encoding_is_refused_or_reads_any_bytes(tmp_path, name):
    """All that Python knows."""
    try:
        file = FileShape.model_validate({"encoding": name})
    except ValidationError:
        assert name not in ("utf_8", "utf_16", "cp1252", "latin_1", "cp850", "shift_jis", "gb18030", "mac_roman")
        return
    rules = {"machine": {"constant": "M1"}, "occurred_at": {"from": "Zeit"}, "tool": {"from": "T"}}
    profile = Profile.model_validate(
        {
            "version": 1,
            "name": "x",
            "kind": "tool_change",
            "shape": "table",
            "file": file.model_dump(),
            "columns": rules,
        }
    )
    path = tmp_path / "log.csv"
    path.write_bytes("Zeit;T\n2026-01-05 06:00;4\n".encode(name) + bytes(range(256)) * 3)
    (read,) = read_file(path, ReadSettings(sources=[SourceRule("*", profile)]))
    assert next(iter(read.tables)).rows["tool"].to_list()[:1] == ["4"]
