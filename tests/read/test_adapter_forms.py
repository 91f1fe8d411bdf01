"""Forms of adapter text: several conditions on a line, assets over many lines, durations, series, clocks of ticks."""

import io
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.read.adapter_text import item_names, read_adapter_text
from pipeline.read.observations import stream_items
from pipeline.read.plan import Context
from pipeline.read.text import text_blocks

AT = "2026-01-05T06:00:00Z"
SHOWN = ("item", "value", "level", "native_code", "text")
KNOWN = "".join(
    f'[[item]]\nname = "{name}"\ntype = "{kind}"\n'
    for name, kind in (
        ("sys", "Condition"),
        ("oil", "Condition"),
        ("msg", "Message"),
        ("old", "Alarm"),
        ("wave", "LoadTimeSeries"),
        ("exec", "Execution"),
        ("parts", "PartCount"),
    )
)
PROFILE = f'version = 1\nname = "mill"\nkind = "event"\nshape = "adapter text"\n{KNOWN}'


def condition(item: str, level: str, code: str | None = None, text: str | None = None) -> tuple[str | None, ...]:
    return (item, None, level, code, text)


@pytest.mark.parametrize("profile", [None, PROFILE], ids=["unknown", "known"])
@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("oil|normal||||", [("oil", "NORMAL", None, None)]),
        ("oil|WARNING||||low", [("oil", "WARNING", None, "low")]),
        (
            "sys|fault|17|2|HIGH|too hot|oil|Normal||||",
            [("sys", "FAULT", "17", "HIGH: too hot"), ("oil", "NORMAL", None, None)],
        ),
        (
            "sys|FAULT||||a|oil|FAULT||||b|sys|UNAVAILABLE",
            [("sys", "FAULT", None, "a"), ("oil", "FAULT", None, "b"), ("sys", "UNAVAILABLE", None, None)],
        ),
    ],
)
def test_conditions_on_a_line(read, line, told, profile):
    """One or several, codes empty or not, the tail of the last one left out."""
    whole = read(f"{AT}|{line}\n", name="log.txt", machine="M1", profile=profile)

    known = profile is not None
    assert whole.rejects.height == 0
    assert whole.rows.select("data_item_id", "level", "native_code", "text").rows() == told
    assert set(whole.rows["item"]) == ({"Condition"} if known else {name for name, *_ in told})


@pytest.mark.parametrize(
    ("line", "told"),
    [
        (
            "exec|READY|sys|FAULT|17|||door|parts|3",
            [("Execution", "READY", None, None, None), condition("Condition", "FAULT", "17", "door"), 3],
        ),
        ("sys|NORMAL|parts|3", [condition("Condition", "NORMAL"), 3]),
        ("msg|M1|one|msg|M2|two", [("Message", "one", None, "M1", None), ("Message", "two", None, "M2", None)]),
        ("parts|3|msg||plain", [3, ("Message", "plain", None, None, None)]),
        ("old|OTHER|12|CRITICAL|ACTIVE|broken belt", [("Alarm", "broken belt", None, "12", "ACTIVE")]),
        ("wave|2|100|1 2.5|parts|3", [("LoadTimeSeries", "1 2.5", None, None, None), 3]),
    ],
)
def test_lines_that_mix_what_a_profile_knows(read, line, told):
    """Each item takes as many fields as its kind has."""
    parts = ("PartCount", "3", None, None, None)

    whole = read(f"{AT}|{line}\n", name="log.txt", machine="M1", profile=PROFILE)

    assert whole.rejects.height == 0
    assert whole.rows.select(SHOWN).rows() == [parts if one == 3 else one for one in told]


@pytest.mark.parametrize("line", ["sys|ACTIVE|parts|3|sys|NORMAL||||", "parts|3|msg|M1", "wave|3|100|1 2|parts|3"])
def test_lines_that_cannot_be_parted_are_kept_whole_as_rejects(read, line):
    """A condition without a level, a message cut off, a series that is not whole."""
    whole = read(f"{AT}|{line}\n{AT}|parts|4\n", name="log.txt", machine="M1", profile=PROFILE)

    assert whole.rows["value"].to_list() == ["4"]
    assert [(row, reason) for row, reason, *_ in whole.told()] == [(1, "broken_line")]
    assert whole.rejects["raw"].to_list() == [f"{AT}|{line}"]


def test_series_sets_durations_and_resets(read):
    """Kept as text; what the time or the counter says besides stands in the text."""
    text = (
        f"{AT}|load|3|100|1 2 3\n{AT}|load|2||1 2\n{AT}|vars|{{a=1 b='x y'}}\n{AT}@100.0|avg|12\n"
        f"{AT}|parts|0:SHIFT\n{AT}|parts|0:OTHER\n{AT}|clock|12:30\n{AT}|prog|Unavailable\n"
    )

    whole = read(text, name="log.txt", machine="M1")

    assert whole.rejects.height == 0
    assert whole.rows.select("item", "value", "text").rows() == [
        ("load", "1 2 3", None),
        ("load", "1 2", None),
        ("vars", "{a=1 b='x y'}", None),
        ("avg", "12", "duration 100.0 s"),
        ("parts", "0", "reset SHIFT"),
        ("parts", "0:OTHER", None),
        ("clock", "12:30", None),
        ("prog", "UNAVAILABLE", None),
    ]


ASSET = (
    f"{AT}|@ASSET@|T7|CuttingTool|--multiline--0FED\n<CuttingTool>\n  <Description>a|b|c</Description>\n\n"
    "</CuttingTool>\n--multiline--0FED\n"
)
LOG = (
    f"{AT}|a|1\n{ASSET}{AT}|a|2\n{AT}|@UPDATE_ASSET@|T7|ToolLife|3\n{AT}|@REMOVE_ASSET@|T7\n"
    f"{AT}|mill_asset_chg|CuttingTool|T7\n{AT}|x_asset_y|5\n* PONG 10000\n* uuid: 17\n{ASSET}{AT}|a|3\n"
)


@pytest.mark.parametrize("block_bytes", [20, 64, 150, 1 << 20])
def test_assets_over_many_lines_are_skipped_wherever_a_block_ends(block_bytes):
    """From their mark to the mark that ends them; what follows is read, numbers and lines are those of the file."""
    blocks = text_blocks(io.BytesIO(LOG.encode()), block_bytes=block_bytes)

    tables = list(read_adapter_text(blocks, stream_items(None), Context("UTC"), "M1"))

    rows = [row for table in tables for row in table.rows.select("row_number", "line", "item", "value").rows()]
    assert rows == [(1, 1, "a", "1"), (2, 8, "a", "2"), (3, 12, "x_asset_y", "5"), (4, 21, "a", "3")]
    assert sum(table.rejects.height for table in tables) == 0
    skipped = [row for table in tables for row in table.skipped.select("line", "why").rows()]
    assets = [2, 3, 4, 6, 7, 9, 10, 11, 15, 16, 17, 19, 20]
    assert skipped == sorted([*((line, "asset line") for line in assets), *((n, "adapter command") for n in (13, 14))])


def test_an_asset_without_its_end_costs_no_observation(read):
    """The next line of a log ends it, here and where the file goes on after it."""
    cut = ASSET.removesuffix("--multiline--0FED\n")

    whole = read(f"{AT}|a|1\n{cut}{AT}|a|2\n{cut}", name="log.txt", machine="M1")

    assert whole.rows["value"].to_list() == ["1", "2"]
    assert whole.rejects.height == 0
    assert whole.skipped.height == 8


TICKS = "0|exec|READY\n1500|exec|ACTIVE\n1500.25@2|parts|3\nwrong|exec|READY\n86400000|exec|READY\n"


def test_a_clock_that_counts_is_read_from_where_a_profile_says_it_began(read):
    """Milliseconds since the start of the control: a profile must know when that was."""
    since = (
        '[columns.occurred_at]\nfrom = "time"\nsince = 2026-01-05T06:00:00Z\nunit = "ms"\n'
        '[columns.item]\nfrom = "item"\n[columns.value]\nfrom = "value"\n'
    )

    whole = read(TICKS, name="log.txt", machine="M1", profile=PROFILE + since)

    assert whole.rows["occurred_at"].to_list() == [
        datetime(2026, 1, 5, 6, tzinfo=UTC),
        datetime(2026, 1, 5, 6, 0, 1, 500_000, tzinfo=UTC),
        datetime(2026, 1, 5, 6, 0, 1, 500_250, tzinfo=UTC),
        datetime(2026, 1, 6, 6, tzinfo=UTC),
    ]
    assert [(row, reason) for row, reason, *_ in whole.told()] == [(4, "broken_line")]


def test_without_a_profile_a_clock_that_counts_is_not_guessed(read):
    """Nobody can know when it began; the file says what to write."""
    whole = read(TICKS.replace("wrong", "1600"), name="log.txt", machine="M1")

    assert (whole.file.status, whole.file.shape) == ("needs a profile", "adapter text")
    assert 'shape = "adapter text" and under [columns.occurred_at]' in whole.file.reason


def test_a_table_with_bars_and_numbers_is_no_log_of_ticks(read):
    """Its numbers need not rise, and it names its columns."""
    whole = read("id|name|qty\n1|bolt|4\n2|nut|5\n3|pin|6\n", name="t.csv", machine="M1")

    assert whole.file.shape == "table"


def test_the_names_on_the_first_lines():
    """Pairs give all of their names, conditions their own; assets, commands and other text none."""
    lines = [
        f"{AT}|a|1|b|2",
        f"{AT}|sys|FAULT|17|2|HIGH|c",
        f"{AT}|@ASSET@|1|T|x",
        "* PING",
        "a|b|c",
        f"{AT}|msg|1|two",
    ]

    assert item_names(lines) == {"a", "b", "sys", "msg"}


FIELDS = st.lists(
    st.sampled_from(["sys", "oil", "msg", "wave", "exec", "FAULT", "normal", "1", "2 3", "", "x|y"]), max_size=14
)


@given(st.lists(FIELDS, max_size=30), st.integers(10, 300), st.booleans())
def test_any_line_is_read_or_rejected_and_counted_once(lines, block_bytes, known):
    """Whatever stands on lines: each is observations, one reject or nothing, and blocks make no difference."""
    from schemas.profile import Profile
    from schemas.toml_model import parse

    text = "".join(f"{AT}|{'|'.join(fields)}\n" for fields in lines)
    items = stream_items(parse(PROFILE, Profile, "p.toml") if known else None)

    def rows(size: int) -> tuple[list[tuple[object, ...]], list[tuple[object, ...]]]:
        blocks = text_blocks(io.BytesIO(text.encode()), block_bytes=size)
        tables = list(read_adapter_text(blocks, items, Context("UTC"), "M1"))
        for table in tables:
            assert table.rows_read == table.rows.height + table.rejects["row_number"].n_unique()
        kept = [row for table in tables for row in table.rows.select("row_number", "line", *SHOWN).rows()]
        lost = [row for table in tables for row in table.rejects.select("row_number", "line", "reason").rows()]
        assert sorted(row[0] for row in (*kept, *lost)) == list(range(1, len(kept) + len(lost) + 1))
        return kept, lost

    kept, lost = rows(1 << 20)
    assert rows(block_bytes) == (kept, lost)
    by_number = sorted((*kept, *lost))
    assert [row[1] for row in by_number] == sorted(row[1] for row in by_number)
    assert {row[1] for row in by_number} == set(range(1, len(lines) + 1))


@pytest.mark.parametrize(
    ("machine", "named"),
    [("M2", ["Execution", "coolant"]), ("M3", ["M2:execution", "m2:coolant"])],
)
def test_the_machine_of_the_file_comes_off_the_front_of_names(machine: str, named: list[str]) -> None:
    text = f"{AT}|M2:execution|ACTIVE|m2:coolant|on\n"
    [table] = read_adapter_text(
        text_blocks(io.BytesIO(text.encode())), stream_items(None), Context(zone="UTC", machine=machine), machine
    )

    assert table.rows["item"].to_list() == named
