"""From text to typed rows by profile, and what is said about cells that cannot be read."""

import hashlib
import hmac
from datetime import UTC, datetime

import pytest

CYCLE_PROFILE = """
version = 1
name = "old mill"
kind = "cycle"
[file]
decimal = ","
thousands = "."
[columns.machine]
from = "Maschine"
[columns.program]
from = "Programm"
[columns.started_at]
from = ["Datum", "Zeit"]
format = "%d.%m.%Y %H:%M:%S"
[columns.duration_s]
from = "Laufzeit"
unit = "h:mm:ss"
[columns.operation]
from = "Programm"
split = '^O\\d+-(?P<value>\\d+)$'
[columns.parts]
from = "Teile"
[columns.outcome]
from = "Status"
lookup = { "OK" = "complete", "Abbruch" = "aborted" }
"""
HEADER = "Maschine;Programm;Datum;Zeit;Laufzeit;Teile;Status"
GOOD = "F1;O12-10;05.01.2026;06:00:00;1:05:30;4;OK"


def test_a_profile_maps_renames_joins_formats_units_splits_and_lookups(read):
    """One row through everything that a profile can say."""
    whole = read(f"{HEADER}\n{GOOD}\n", profile=CYCLE_PROFILE, timezone="Europe/Madrid")

    assert whole.rejects.height == 0
    assert whole.file.profile == "old mill"
    assert whole.rows.select("machine", "program", "operation", "started_at", "ended_at", "parts", "outcome").row(
        0
    ) == (
        "F1",
        "O12-10",
        "10",
        datetime(2026, 1, 5, 5, 0, tzinfo=UTC),
        datetime(2026, 1, 5, 6, 5, 30, tzinfo=UTC),
        4,
        "complete",
    )


@pytest.mark.parametrize(
    ("row", "told"),
    [
        (
            GOOD.replace("O12-10", ""),
            ("missing_value", "Programm", None, 'Column "Programm" (program) is empty, but a cycle needs it. Fill '
             "it in where the export comes from and run again."),
        ),
        (
            GOOD.replace("F1", ""),
            ("missing_value", "Maschine", None, 'No machine is named. Fill in column "Maschine" (machine), or add '
             'machine = "..." to the [[source]] of this file in shop.toml and run again.'),
        ),
        (
            GOOD.replace("1:05:30", ""),
            ("missing_value", "Laufzeit", None, 'Column "Laufzeit" (duration_s) is empty, but a cycle needs it. If it '
             "was still running, export again when it has ended; else fill it in where the export comes from and run "
             "again."),
        ),
        (
            GOOD.replace("1:05:30", "1:75"),
            ("not_a_number", "Laufzeit", "1:75", '"1:75" in column "Laufzeit" (duration_s) is not a duration like '
             "1:05:30 (hours, minutes, seconds). Correct the cell, or the unit in the profile."),
        ),
        (
            GOOD.replace(";4;", ";4,5;"),
            ("not_a_number", "Teile", "4,5", '"4,5" in column "Teile" (parts) is not a whole number. Correct the cell '
             "in the file and run again."),
        ),
        (
            GOOD.replace("05.01.2026", "32.01.2026"),
            ("not_a_time", "Datum + Zeit", "32.01.2026 06:00:00", '"32.01.2026 06:00:00" in column "Datum + Zeit" '
             "(started_at) is not a time. The profile expects the format %d.%m.%Y %H:%M:%S; correct the cell or the "
             "format."),
        ),
        (
            GOOD.replace("OK", "Halt"),
            ("not_allowed", "Status", "Halt", '"Halt" in column "Status" (outcome) is not in the lookup of the profile'
             ', which knows "OK", "Abbruch". Add it there as one of complete, aborted, unknown.'),
        ),
        (
            GOOD.replace("05.01.2026", "05.01.1026"),
            ("out_of_range", "Datum + Zeit", "05.01.1026 06:00:00", '"05.01.1026 06:00:00" in column "Datum + Zeit" '
             "(started_at) lies outside the years 1990 to 2100. Correct the date, or its format in the profile."),
        ),
        (
            GOOD.replace("05.01.2026;06", "30.03.2025;02"),
            ("skipped_by_clock", "Datum + Zeit", "30.03.2025 02:00:00", '"30.03.2025 02:00:00" in column "Datum + Zeit"'
             " (started_at) was on no clock in Europe/Madrid: they were put forward over it. Correct the time, or give "
             "the zone of the export as timezone under [[source]] in shop.toml."),
        ),
    ],
    ids=lambda case: case[0] if isinstance(case, tuple) else "",
)  # fmt: skip
def test_what_is_wrong_with_a_cell_is_said_word_for_word(read, row, told):
    """The reject names column and value, and says what to do."""
    whole = read(f"{HEADER}\n{GOOD}\n{row}\n", profile=CYCLE_PROFILE, timezone="Europe/Madrid")

    assert whole.rows.height == 1
    first = whole.rejects.filter(whole.rejects["row_number"] == 2).row(0, named=True)
    assert (first["reason"], first["column"], first["value"], first["message"]) == told
    assert (first["row_number"], first["line"], first["raw"]) == (2, 3, row)


def test_words_outside_a_vocabulary_are_told_with_the_vocabulary(read):
    """Without a lookup the message lists what may stand there."""
    whole = read("machine,occurred_at,tool,reason\nM1,2026-01-05T06:00:00Z,4,verhext\n")

    assert whole.told() == [
        (
            1,
            "not_allowed",
            "reason",
            "verhext",
            '"verhext" in column "reason" is not one of worn, broken, chipped, planned, unknown. Correct it, or map it '
            "with a lookup in a profile (the README shows one).",
        )
    ]


def test_a_number_that_is_none_is_told_with_the_mark_expected(read):
    """Two marks that group nothing are no number in any locale."""
    whole = read('job,operation,cycle_s\nA,10,"12,5,1"\n')

    assert whole.told() == [
        (
            1,
            "not_a_number",
            "cycle_s",
            "12,5,1",
            '"12,5,1" in column "cycle_s" is not a number with a decimal point. Correct the cell, or set decimal and '
            "thousands under [file] in a profile.",
        )
    ]


def test_a_date_that_is_none_is_told(read):
    """Order dates are dates."""
    whole = read("job,part,quantity,ordered_on\n1,P,5,soon\n")

    assert whole.told() == [
        (
            1,
            "not_a_time",
            "ordered_on",
            "soon",
            '"soon" in column "ordered_on" is not a date. Write it like YYYY-MM-DD, or give its format in a profile.',
        )
    ]


def test_every_problem_of_a_row_is_listed_and_the_row_counts_once(read):
    """Two bad cells are two rejects of one row."""
    whole = read("machine,program,started_at,ended_at,parts\nM1,O1,x,2026-01-05T06:00:00Z,y\n")

    assert whole.rows_read == 1
    assert [(reason, column) for _, reason, column, _, _ in whole.told()] == [
        ("not_a_number", "parts"),
        ("not_a_time", "started_at"),
    ]


def test_a_semicolon_file_may_use_decimal_commas(read):
    """Where commas cannot be delimiters, 12,5 is twelve and a half."""
    assert read("job;operation;cycle_s\nA;10;12,5\nA;20;7.5\n").rows["cycle_s"].to_list() == [12.5, 7.5]


def test_durations_stand_in_for_ends(read):
    """Our own names know duration_s; where both stand, the end wins."""
    text = (
        "machine,program,started_at,ended_at,duration_s\n"
        "M1,O1,2026-01-05T06:00:00Z,,90.5\nM1,O1,2026-01-05T07:00:00Z,2026-01-05T07:01:00Z,5\n"
    )

    ends = read(text).rows["ended_at"].to_list()

    assert ends == [
        datetime(2026, 1, 5, 6, 1, 30, 500_000, tzinfo=UTC),
        datetime(2026, 1, 5, 7, 1, tzinfo=UTC),
    ]


def test_doubled_autumn_times_that_nothing_decides_are_noted(read):
    """The table says how many of its times are the first of two readings."""
    text = "machine,occurred_at,tool\nM1,2025-10-26 02:10:00,1\nM1,2025-10-26 02:20:00,2\nM2,2025-10-26 02:30:00,2\n"

    assert read(text, timezone="Europe/Madrid").notes == ["3 ambiguous times kept at their first reading (rows 1 to 3)"]
    assert read(text[:59], timezone="Europe/Madrid").notes == ["1 ambiguous time kept at its first reading (row 1)"]


@pytest.mark.parametrize(("column", "source", "wanted"), [("M1", "M9", "M1"), ("", "M9", "M9"), ("M1", None, "M1")])
def test_the_machine_comes_from_the_row_and_else_from_shop_toml(read, column, source, wanted):
    """What a row says counts before what shop.toml says about its file."""
    whole = read(f"machine,occurred_at,tool\n{column},2026-01-05T06:00:00Z,T04\n", machine=source)

    assert whole.rows.select("machine", "tool").row(0) == (wanted, "4")


def test_a_file_without_a_machine_is_rejected_with_the_way_out(read):
    """Nobody has said whose file it is: the reject says where to say it."""
    whole = read("occurred_at,tool\n2026-01-05T06:00:00Z,4\n")

    assert whole.told() == [
        (
            1,
            "missing_value",
            "machine",
            None,
            'No machine is named. Add machine = "..." to the [[source]] of this file in shop.toml and run again.',
        )
    ]


OPERATORS = "machine,program,started_at,ended_at,operator\nM1,O1,2026-01-05T06:00:00Z,2026-01-05T07:00:00Z,Ann\n"


def test_operators_are_left_out_unless_the_shop_asks_for_them(read):
    """The field is personal data."""
    assert read(OPERATORS).rows["operator"].to_list() == [None]


@pytest.mark.parametrize("record", [False, True])
def test_the_stored_text_of_a_row_tells_no_operator(read, record):
    """Neither of an accepted row nor of a rejected one; the other cells stand as they were."""
    rejected = "M1,O1,yesterday,2026-01-05T07:00:00Z,Ann\n"

    whole = read(OPERATORS + rejected, record_operators=record, operator_key=b"key")

    times = "2026-01-05T06:00:00Z | 2026-01-05T07:00:00Z"
    assert whole.rows["raw"].to_list() == [f"M1 | O1 | {times} | (operator left out)"]
    assert whole.rejects["raw"].to_list() == ["M1 | O1 | yesterday | 2026-01-05T07:00:00Z | (operator left out)"]


def test_the_stored_text_tells_no_operator_under_a_name_of_the_profile(read):
    """Words of the operator's column are masked in its own cell only: a job of the same text stays."""
    profile = """
version = 1
kind = "cycle"
name = "p"
[columns]
machine = { from = "machine" }
program = { from = "program" }
started_at = { from = "started_at" }
ended_at = { from = "ended_at" }
job = { from = "order" }
operator = { from = "who" }
"""
    text = "machine,program,started_at,ended_at,order,who\nM1,O1,2026-01-05T06:00:00Z,2026-01-05T07:00:00Z,7,7\n"

    raw = read(text, profile=profile).rows["raw"].item()

    assert raw.endswith("07:00:00Z | 7 | (operator left out)")


def test_operators_are_kept_as_keyed_hashes(read):
    """The same name gives the same 16 digits, and only with the key."""
    wanted = hmac.new(b"key", b"Ann", hashlib.sha256).hexdigest()[:16]

    assert read(OPERATORS, record_operators=True, operator_key=b"key").rows["operator"].to_list() == [wanted]
    assert read(OPERATORS, record_operators=True, operator_key=b"other").rows["operator"].to_list() != [wanted]


CHANGES_PROFILE = """
version = 1
name = "changes"
kind = "tool_change"
change_is_stamped_at = "end"
[columns.occurred_at]
from = "t"
[columns.tool]
from = "tool"
"""


def test_changes_stamped_at_their_end_are_moved_to_their_beginning(read):
    """A tool change's time is its beginning."""
    text = "t,tool\n2026-01-05T06:00:05.5Z,4\n"
    whole = read(text, profile=CHANGES_PROFILE, machine="M1", tool_change_s={"M1": 5.5})

    assert whole.rows["occurred_at"].to_list() == [datetime(2026, 1, 5, 6, tzinfo=UTC)]
    kept = read(text, profile=CHANGES_PROFILE, machine="M2", tool_change_s={"M1": 5.5})
    assert kept.notes == [
        "tool changes of M2 are stamped at their end and kept there: set tool_change_s of the machine in shop.toml"
    ]


def test_a_required_column_that_is_not_there_names_both_headers(read):
    """The file is set apart with what the profile wants and what the file has."""
    whole = read("Maschine;Programm;Datum\nF1;O1;x\n", profile=CYCLE_PROFILE)

    assert whole.file.status == "needs a profile"
    assert whole.file.reason == (
        'The profile "old mill" needs the columns "Zeit", "Laufzeit", but the file has "Maschine", "Programm", "Datum"'
        ". Correct `from` in the profile, or name another profile for this file under [[source]] in shop.toml."
    )


def test_an_optional_column_that_is_not_there_is_noted(read):
    """The rest of the file is read."""
    whole = read(f"{HEADER.replace(';Teile', '')}\n{GOOD.replace(';4;', ';')}\n", profile=CYCLE_PROFILE)

    assert whole.rows["parts"].to_list() == [None]
    assert whole.notes == ['no column "Teile": parts stays empty']


WIDE_PROFILE = """
version = 1
name = "wide"
kind = "event"
[columns.occurred_at]
from = "time"
[columns.machine]
from = "m"
[[item]]
name = "run"
type = "Execution"
values = { "1" = "active", "0" = "READY" }
[[item]]
name = "feed"
type = "PathFeedrate"
unit = "m/min"
sub_type = "ACTUAL"
[[item]]
name = "tool"
type = "ToolNumber"
path = "P1"
data_item_id = "t"
"""


def test_a_wide_event_table_gives_a_row_for_each_filled_cell(read):
    """Columns are items; rows are numbered in the order of records and columns."""
    text = (
        "time,m,run,feed,tool\n2026-01-05T06:00:00Z,M1,1,1.5,T04\n2026-01-05T06:00:01Z,M1,,,\n"
        "2026-01-05T06:00:02Z,M1,0,fast,\n2026-01-05T06:00:03Z,M1,0,0,,9\n2026-01-05T06:00:04Z,M1,,0,\n"
    )

    whole = read(text, profile=WIDE_PROFILE)

    assert whole.rows.select("row_number", "line", "item", "value", "sub_type", "path", "data_item_id").rows() == [
        (1, 2, "Execution", "ACTIVE", None, None, "run"),
        (2, 2, "PathFeedrate", "1500", "ACTUAL", None, "feed"),
        (3, 2, "ToolNumber", "4", None, "P1", "t"),
        (4, 4, "Execution", "READY", None, None, "run"),
        (7, 6, "PathFeedrate", "0", "ACTUAL", None, "feed"),
    ]
    assert [(row, reason, value) for row, reason, _, value, _ in whole.told()] == [
        (5, "not_a_number", "fast"),
        (6, "broken_line", "2026-01-05T06:00:03Z,M1,0,0,,9"),
    ]
    assert whole.rows_read == 7


def test_a_long_event_table_with_our_own_names_is_canonical_already(read):
    """Feeds are mm/min, words of the vocabulary in capitals, numbers in their shortest form."""
    text = (
        "machine,occurred_at,item,value,level\nM1,2026-01-05T06:00:00Z,PathFeedrate,900.00,\n"
        "M1,2026-01-05T06:00:00Z,Execution,active,\nM1,2026-01-05T06:00:00Z,Program,,\n"
        "M1,2026-01-05T06:00:00Z,logic,,fault\nM1,2026-01-05T06:00:00Z,logic,,bad\n"
        "M1,2026-01-05T06:00:00Z,PathFeedrate,UNAVAILABLE,\n"
    )

    whole = read(text)

    assert whole.rows.select("item", "value", "level", "data_item_id", "raw").rows() == [
        ("PathFeedrate", "900", None, None, None),
        ("Execution", "ACTIVE", None, None, None),
        ("Program", None, None, None, None),
        ("logic", None, "FAULT", None, None),
        ("PathFeedrate", "UNAVAILABLE", None, None, None),
    ]
    assert [(reason, column, value) for _, reason, column, value, _ in whole.told()] == [
        ("not_allowed", "level", "BAD")
    ]
