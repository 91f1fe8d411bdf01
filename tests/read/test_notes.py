"""What is told about a file beside its rejects: columns and items that nothing uses, and what it lacks."""

import json

import polars as pl
import pytest

from pipeline.check.checking import check_rows
from schemas.profile import standard_item
from schemas.vocabulary import COMPUTED_ITEMS, OTHER_ITEMS

NO_EXECUTION = "no Execution in this stream: what the machine did cannot be seen from it; name its item in a profile"
STREAM = """
version = 1
name = "lathe"
kind = "event"
[[item]]
name = "exec"
type = "Execution"
[[item]]
name = "fruit"
type = "Banana"
"""
LINES = "2026-01-05T06:00:00Z|exec|ACTIVE\n2026-01-05T06:00:01Z|fruit|1\n"


def test_columns_that_nothing_uses_are_told_with_the_field_that_may_be_meant(read):
    """A table of our own names, with two slips and a column of somebody else's."""
    whole = read("job,operation,tol,notcut,cycle_s,colour\nA,10,4,12,60,red\n")

    assert whole.notes == ["columns not used: tol (tool?), notcut (noncut_s?), colour"]
    assert whole.rows["tool"].to_list() == [None]


def test_columns_that_a_profile_does_not_use_are_told(read):
    """Without a guess: the profile says what is meant. A column that rows are skipped by is used."""
    profile = """
    version = 1
    name = "list"
    kind = "cycle"
    [file]
    skip_rows_where = [{ column = "art", matches = "^Total" }]
    [columns.program]
    from = "Prog"
    [columns.started_at]
    from = "Start"
    [columns.duration_s]
    from = "Zeit"
    """
    text = "Prog;Art;Start;Zeit;parts;Mass\nO1;x;2026-01-05 06:00;60;4;7\nO1;Total;2026-01-05 06:00;60;4;7\n"

    whole = read(text, profile=profile, machine="M1")

    assert whole.notes == ["columns not used: parts, Mass"]
    assert whole.rows.height == 1


def test_a_long_list_of_columns_is_cut(read):
    """Twelve names, then how many more."""
    extra = [f"x{number}" for number in range(20)]
    whole = read(f"machine,occurred_at,tool,{','.join(extra)}\nM1,2026-01-05T06:00:00Z,4{',1' * 20}\n")

    assert whole.notes == [f"columns not used: {', '.join(extra[:12])} and 8 more"]


def test_a_table_whose_columns_are_all_used_says_nothing(read):
    """No note is the rule."""
    assert read("machine,occurred_at,tool\nM1,2026-01-05T06:00:00Z,4\n").notes == []


def test_keys_that_come_late_in_json_lines_are_told_once(read):
    """The first lines do not have them; nothing that a row carries goes unsaid."""
    row = {"machine": "M1", "occurred_at": "2026-01-05T06:00:00Z", "tool": "4", "size": 1}
    lines = [json.dumps(row) for _ in range(1000)] + [json.dumps({**row, "late": 1, "pocket": "7"})] * 2

    whole = read("\n".join(lines) + "\n", name="log.jsonl")

    assert whole.notes == ["columns not used: size", "columns not used: late"]
    assert whole.rows["pocket"].to_list()[-1] == "7"


def test_items_that_nothing_is_computed_from_are_told_and_kept(read):
    """A type of one's own is allowed."""
    whole = read(LINES, name="log.txt", profile=STREAM, machine="L1")

    assert whole.notes == ["items kept but not computed with: Banana"]
    assert whole.rows["item"].to_list() == ["Execution", "Banana"]
    assert [check_rows(table).rows_read for table in whole.tables] == [2, 0]


def test_items_of_the_profile_that_the_file_never_has_are_told(read):
    """With the item that may be meant, where the file has one like it that the profile does not know."""
    profile = STREAM.replace('"exec"', '"exek"').replace('"fruit"', '"speed"')

    whole = read(LINES, name="log.txt", profile=profile, machine="L1")

    assert whole.notes == [
        "the file has no items exek, speed",
        NO_EXECUTION,
        "items kept but not computed with: exec, fruit",
    ]
    close = STREAM.replace('"exec"', '"execu"')
    assert read(LINES, name="log.txt", profile=close, machine="L1").notes[0] == "the file has no item execu (exec?)"
    case = STREAM.replace('"exec"', '"Exec"')
    assert read(LINES, name="log.txt", profile=case, machine="L1").notes[0] == "the file has no item Exec"


def test_a_stream_without_execution_is_told_with_the_slip(read):
    """Without a profile the name in the log is the item's name."""
    whole = read(LINES.replace("exec", "Excution").replace("fruit", "Torque"), name="log.txt", machine="L1")

    assert whole.notes == [NO_EXECUTION, "items kept but not computed with: Excution (Execution?), Torque"]


@pytest.mark.parametrize("name", ["execution", "EXECUTION", "Execution"])
def test_the_standards_names_count_in_any_letters(read, name):
    """Small letters or capitals, it is the same item."""
    whole = read(LINES.replace("exec", name).replace("fruit", "Torque"), name="log.txt", machine="L1")

    assert set(whole.rows["item"]) == {"Execution", "Torque"}
    assert whole.notes == ["items kept but not computed with: Torque"]


def test_alarms_are_computed_with_whatever_they_are_called(read):
    """A condition at FAULT makes a fault, and a load is a sign of life: neither is told as left alone."""
    told = ("exec|ACTIVE", "load|20", "servo|FAULT|9||HIGH|hot")
    text = "".join(f"2026-01-05T06:00:0{at}Z|{what}\n" for at, what in enumerate(told))
    profile = STREAM.partition('[[item]]\nname = "fruit')[0]
    profile += '[[item]]\nname = "load"\ntype = "Load"\n[[item]]\nname = "servo"\ntype = "SERVO"\n'

    whole = read(text, name="log.txt", profile=profile, machine="L1")

    assert whole.rows["level"].to_list() == [None, None, "FAULT"]
    assert whole.notes == []


def test_words_of_execution_that_are_not_the_standards_are_told(read):
    """No span can be made of them; the profile's values mend it."""
    text = "".join(
        f"2026-01-05T06:00:0{at}Z|exec|{word}\n" for at, word in enumerate(["STRT", "ready", "MSTR", "STRT"])
    )
    told = "Execution says MSTR, STRT, not a word of the standard: map it with values under [[item]] in a profile"
    profile = STREAM.partition('[[item]]\nname = "fruit')[0]

    assert read(text, name="log.txt", profile=profile, machine="L1").notes == [told]
    profile += 'values = { "STRT" = "ACTIVE", "MSTR" = "ACTIVE" }\n'
    assert read(text, name="log.txt", profile=profile, machine="L1").notes == []


def test_a_document_without_execution_is_told(read):
    """The same of XML; items by their element's name, a profile's by their name in the document."""
    at = 'timestamp="2026-01-05T06:00:00Z"'
    text = f"""<?xml version="1.0"?>
    <MTConnectStreams xmlns="urn:mtconnect.org:MTConnectStreams:1.3"><Streams><DeviceStream name="M1">
    <ComponentStream component="Path"><Samples><Torque dataItemId="l1" name="load" {at}>1</Torque></Samples>
    <Events><EmergencyStop dataItemId="e1" {at}>ARMED</EmergencyStop></Events>
    </ComponentStream></DeviceStream></Streams></MTConnectStreams>"""

    assert read(text, name="doc.xml").notes == [NO_EXECUTION, "items kept but not computed with: Torque"]
    profile = STREAM.replace('"exec"', '"e1"\nvalues = { "ARMED" = "READY" }').replace('"fruit"', '"load"')
    assert read(text, name="doc.xml", profile=profile).notes == ["items kept but not computed with: Banana"]


def test_items_of_a_wide_table_are_told_too(read):
    """Its columns are the items; one that is never filled is one that the file does not have."""
    profile = STREAM + '[columns.occurred_at]\nfrom = "t"\n[[item]]\nname = "f"\ntype = "PathFeedrate"\n'
    text = "t,EXEC,fruit,note\n2026-01-05 06:00,ACTIVE,,x\n2026-01-05 06:01,READY,,\n"

    whole = read(text, profile=profile, machine="M1")

    assert whole.notes == ["columns not used: note", "the file has no items fruit, f"]
    assert whole.rows["item"].to_list() == ["Execution", "Execution"]


def test_items_of_a_long_table_are_told_too(read):
    """It has an item column; no profile is needed."""
    text = "machine,occurred_at,item,value\nM1,2026-01-05T06:00:00Z,Execution,ACTIVE\nM1,2026-01-05T06:00:00Z,temp,1\n"

    assert read(text).notes == ["items kept but not computed with: temp"]


def test_a_table_of_events_may_have_no_value_column(read):
    """Alarms alone have levels and no values."""
    whole = read("machine,occurred_at,item,level\nM1,2026-01-05T06:00:00Z,Condition,FAULT\n")

    assert whole.rows.select("item", "value", "level").rows() == [("Condition", None, "FAULT")]


def test_sheets_that_are_no_table_of_ours_are_told(read, tmp_path):
    """A workbook may have one table that is known and one that is not."""
    import xlsxwriter

    path = tmp_path / "book.xlsx"
    with xlsxwriter.Workbook(path) as book:
        book.add_worksheet("changes").write_row(0, 0, ["machine", "occurred_at", "tool"])
        book.worksheets()[0].write_row(1, 0, ["M1", "2026-01-05T06:00:00Z", "4"])
        book.add_worksheet("letter").write(0, 0, "Dear all")

    assert read(path.read_bytes(), name="log.xlsx").notes == ["sheets not read: letter"]


@pytest.mark.parametrize(
    ("profile", "mend"),
    [
        ("", "Correct it, or map it with a lookup under [columns.reason] in the profile."),
        ('lookup = { "alt" = "worn" }', None),
    ],
)
def test_a_word_outside_a_list_is_told_with_what_the_profile_lacks(read, profile, mend):
    """A profile without a lookup is told where to put one; one with a lookup what to add."""
    text = "machine,occurred_at,tool,reason\nM1,2026-01-05T06:00:00Z,4,stumpf\n"
    rules = "".join(f'[columns.{name}]\nfrom = "{name}"\n' for name in ("machine", "occurred_at", "tool", "reason"))

    whole = read(text, profile=f'version = 1\nname = "x"\nkind = "edge_change"\n{rules}{profile}\n')

    words = "worn, broken, chipped, planned, unknown"
    looked_up = (
        '"stumpf" in column "reason" is not in the lookup of the profile, which knows "alt". Add it there as one of '
        f"{words}."
    )
    plain = f'"stumpf" in column "reason" is not one of {words}. {mend}'
    assert [row[-1] for row in whole.told()] == [plain if mend else looked_up]


def test_levels_and_numbers_of_a_table_without_a_profile_do_not_speak_of_one(read):
    """They say that a profile can help instead."""
    text = (
        "machine,occurred_at,item,value,level\n"
        "M1,2026-01-05T06:00:00Z,Condition,,BAD\n"
        "M1,2026-01-05T06:00:00Z,PathFeedrate,fast,\n"
    )

    assert [row[-1] for row in read(text).told()] == [
        '"BAD" in column "level" is not one of NORMAL, WARNING, FAULT, UNAVAILABLE. Correct it, or map it with a '
        "lookup in a profile (the README shows one).",
        '"fast" in column "value" should be a number for this item. If the item is another than its name says, tell so '
        "under [[item]] in a profile; else correct the cell.",
    ]


def test_a_constant_is_a_number_whatever_the_decimal_mark_of_the_file(read):
    """It stands in the profile, not in the file."""
    rules = "".join(f'[columns.{name}]\nfrom = "{name}"\n' for name in ("machine", "occurred_at", "tool", "reason"))
    profile = f'version = 1\nname = "x"\nkind = "edge_change"\n[file]\ndecimal = ","\n{rules}[columns.edge_cost]\n'
    text = "machine;occurred_at;tool;reason\nM1;2026-01-05T06:00:00Z;4;worn\n"

    for constant in ("8.5", '"8.5"', '"8,5"'):
        assert read(text, profile=f"{profile}constant = {constant}\n").rows["edge_cost"].to_list() == [8.5]


@pytest.mark.parametrize("mark", ["\ufeff", ""])
@pytest.mark.parametrize("order", ["le", "be"])
def test_a_profile_may_say_utf_16(read, mark, order):
    """With a mark or without one; the first bytes tell the order."""
    profile = (
        'version = 1\nname = "x"\nkind = "tool_change"\n[file]\nencoding = "utf-16"\n'
        '[columns.machine]\nconstant = "M1"\n[columns.occurred_at]\nfrom = "Zeit"\n'
        '[columns.tool]\nfrom = "Werkzeug Nº"\n'
    )
    text = f"{mark}Zeit;Werkzeug Nº\n2026-01-05 06:00;T04\n"

    assert read(text.encode(f"utf-16-{order}"), profile=profile).rows["tool"].to_list() == ["4"]


def test_the_standards_names_are_known_in_any_writing():
    """As devices documents write them, and as people do; no two names are one."""
    names = (*COMPUTED_ITEMS, *OTHER_ITEMS)

    assert {standard_item(name.upper()) for name in names} == set(names)
    assert standard_item("PATH_FEEDRATE_OVERRIDE") == "PathFeedrateOverride"
    assert standard_item("tool number") == "ToolNumber"
    assert standard_item("Banana") is None


def test_notes_come_once_for_a_file_of_many_chunks(monkeypatch, read):
    """Items are counted over the whole of the file: one that comes late is not lacking."""
    monkeypatch.setattr("pipeline.read.reading.BLOCK_BYTES", 64)
    text = "".join(f"2026-01-05T06:00:{second:02}Z|fruit|{second}\n" for second in range(50))

    whole = read(text + "2026-01-05T06:01:00Z|exec|READY\n", name="log.txt", profile=STREAM, machine="L1")

    assert len(whole.tables) > 10
    assert whole.notes == ["items kept but not computed with: Banana"]
    assert isinstance(whole.rows, pl.DataFrame)
    assert whole.rows.height == 51
