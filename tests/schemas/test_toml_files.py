"""Profiles and shop.toml: what is wrong is told with file, line and key, word for word."""

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from schemas.profile import UNITS, Profile, load_profile
from schemas.shop import ShopFile, load_shop
from schemas.toml_model import TomlError, line_numbers, parse

HEAD = 'version = 1\nname = "lathe"\nkind = "cycle"\n'
GOOD = (
    HEAD + '[columns.machine]\nconstant = "L1"\n[columns.program]\nfrom = "Prog"\n'
    '[columns.started_at]\nfrom = "Start"\n[columns.duration_s]\nfrom = "Zeit"\nunit = "min"\n'
)
EVENTS = 'version = 1\nname = "stream"\nkind = "event"\n'


def told(text: str, model: type[Profile] | type[ShopFile], name: str) -> str:
    with pytest.raises(TomlError) as caught:
        parse(text, model, name)
    return str(caught.value)


def test_a_good_profile_is_read():
    """The format that the documentation shows."""
    profile = parse(GOOD, Profile, "p.toml")

    assert profile.columns["duration_s"].unit == "min"
    assert profile.columns["program"].from_ == "Prog"


PROFILE_ERRORS = [
    (GOOD.replace("version = 1", "version = 2"), "p.toml, line 1: version: Input should be 1 (found 2)."),
    (GOOD.replace('name = "lathe"\n', ""), "p.toml: name: this key is missing; add it."),
    (
        GOOD.replace('"lathe"', '"lathe'),
        "p.toml: not valid TOML: Illegal character '\\n' (at line 2, column 14). Mend that line and run again.",
    ),
    (
        GOOD.replace("from = \"Prog\"", "frm = \"Prog\""),
        "p.toml, line 7: columns.program.frm: this key is not known here; check its spelling or delete it.",
    ),
    (
        GOOD.replace("from = \"Prog\"", "from = 3"),
        "p.toml, line 7: columns.program.from: Input should be a valid string or a valid list (found 3).",
    ),
    (
        GOOD.replace('constant = "L1"', 'constant = "L1"\nfrom = "M"'),
        "p.toml, line 4: columns.machine: give either `from` or `constant`.",
    ),
    (
        GOOD.replace('unit = "min"', 'unit = "parsec"'),
        f"p.toml, line 12: columns.duration_s.unit: not a unit that is known here; use one of {', '.join(UNITS)} "
        "(found 'parsec').",
    ),
    (
        GOOD.replace('unit = "min"', 'unit = "kg"'),
        "p.toml, line 10: columns.duration_s: kg is no unit of this field; "
        "it takes s, ms, min, h, h:mm:ss, mm:ss, mm.ss, words.",
    ),
    (
        GOOD.replace('from = "Prog"', 'from = "Prog"\nunit = "s"'),
        "p.toml, line 6: columns.program: s is no unit of this field; it takes no unit.",
    ),
    (
        GOOD.replace('unit = "min"', 'format = "%H:%M"'),
        "p.toml, line 12: columns.duration_s.format: only times and dates take a format; a duration takes a unit such "
        "as \"h:mm:ss\" (found '%H:%M').",
    ),
    (
        GOOD + '[columns.begin]\nfrom = "x"\n',
        "p.toml, line 13: columns.begin: a cycle has no such field; it has duration_s, ended_at, job, machine, "
        "operation, operator, outcome, parts, program, revision, scrap, started_at.",
    ),
    (GOOD.replace("[columns.duration_s]", "[columns.ended_at]").replace('unit = "min"\n', "").replace(
        "[columns.started_at]", "[columns.job]"), "p.toml, line 3: kind: a cycle also needs [columns.started_at]."),
    (
        GOOD + '[[item]]\nname = "a"\ntype = "B"\n',
        "p.toml, line 13: item[1]: [[item]] belongs to profiles of kind event.",
    ),
    (
        GOOD.replace('from = "Prog"', 'from = "Prog"\nsplit = "O(\\\\d+)"'),
        "p.toml, line 8: columns.program.split: the pattern needs a group named value, as in (?P<value>...) (found "
        "'O(\\\\d+)').",
    ),
    (
        GOOD.replace('from = "Prog"', 'from = "Prog"\nsplit = "(?=O)(?P<value>.)"'),
        "p.toml, line 8: columns.program.split: a pattern may not look ahead or behind, nor refer back to a group "
        "(found '(?=O)(?P<value>.)').",
    ),
    (
        GOOD + '[file]\nskip_rows_where = [{ column = "Prog", matches = "(" }]\n',
        "p.toml, line 14: file.skip_rows_where[1].matches: not a valid pattern: missing ), unterminated subpattern at "
        "position 0 (found '(').",
    ),
    (
        GOOD + '[file]\nencoding = "klingon"\n',
        "p.toml, line 14: file.encoding: not a known encoding; write utf-8, utf-16, cp1252 or the like (found "
        "'klingon').",
    ),
    (
        EVENTS + '[[item]]\nname = "a"\ntype = "Execution"\n[[item]]\nname = "f"\ntype = "PathFeedrate"\nunit = "kg"\n',
        "p.toml, line 7: item[2]: PathFeedrate is measured in mm/min, mm/s, m/min, in/min, ft/min, not in kg.",
    ),
    (
        EVENTS + '[[item]]\nname = "t"\ntype = "ProcessTimer"\nunit = "h:mm:ss"\n',
        "p.toml, line 4: item[1]: an item of a stream is a plain number; h:mm:ss is a unit of columns.",
    ),
    (
        EVENTS.replace("event", "edge_change") + '[columns.tool]\nfrom = "T"\n',
        "p.toml, line 3: kind: an edge_change also needs [columns.occurred_at].",
    ),
    (
        EVENTS.replace("event", "edge_change") + '[columns.when]\nfrom = "T"\n',
        "p.toml, line 4: columns.when: an edge_change has no such field; it has edge_cost, insert_batch, "
        "machine, note, occurred_at, reason, tool.",
    ),
    (
        EVENTS.replace("event", "nc_program"),
        "p.toml, line 3: kind: programs take no profile; a profile is for tables and streams.",
    ),
    (
        EVENTS + '[[item]]\nname = "a"\ntype = "execution"\n',
        "p.toml, line 6: item[1].type: the standard writes this Execution (found 'execution').",
    ),
    (
        EVENTS + '[[item]]\nname = "a"\ntype = "Banana"\n[[item]]\nname = "t"\ntype = "TOOL_NUMBER"\n',
        "p.toml, line 9: item[2].type: the standard writes this ToolNumber (found 'TOOL_NUMBER').",
    ),
    (
        EVENTS + '[[item]]\nname = "a"\ntype = "Load"\n[[item]]\nname = "a"\ntype = "Banana"\n',
        "p.toml, line 8: item[2].name: item[1] has the name a too; give each once.",
    ),
    (
        EVENTS + '[columns.occurred_at]\nfrom = ["day", "Time"]\n[[item]]\nname = "time"\ntype = "Load"\n',
        "p.toml, line 7: item[1].name: the column time is that of columns.occurred_at already.",
    ),
    (
        GOOD.replace('from = "Start"', 'from = "Start"\nformat = "%m/%d/%Y %H:%M:%S %p"'),
        "p.toml, line 10: columns.started_at.format: a 12-hour clock is written %I:%M:%S %p, a 24-hour clock %H:%M:%S "
        "(found '%m/%d/%Y %H:%M:%S %p').",
    ),
    (
        GOOD.replace('from = "Start"', 'from = "Start"\nformat = ["%d/%m/%Y %H:%M", "%m/%d/%Y %H:%M"]'),
        "p.toml, line 10: columns.started_at.format: %d/%m/%Y %H:%M and %m/%d/%Y %H:%M read 03/05/2011 09:07 as two "
        "different times; give the one that is meant (found ['%d/%m/%Y %H:%M', '%m/%d/%Y %H:%M']).",
    ),
    (
        GOOD.replace('from = "Start"', 'from = "Start"\nformat = 5'),
        "p.toml, line 10: columns.started_at.format: Input should be a valid string or a valid list (found 5).",
    ),
    (
        EVENTS + '[[item]]\nname = "t"\ntype = "ProcessTimer"\nunit = "mm:ss"\n',
        "p.toml, line 4: item[1]: an item of a stream is a plain number; mm:ss is a unit of columns.",
    ),
    (
        GOOD.replace('from = "Prog"', "from = []"),
        "p.toml, line 7: columns.program.from: name at least one column.",
    ),
    (
        GOOD.replace('from = "Prog"', "from = \"Prog\"\nsplit = '\\(?P<value>O)'").replace("O)", "O"),
        "p.toml, line 8: columns.program.split: the pattern needs a group named value, as in (?P<value>...) (found "
        "'\\\\(?P<value>O').",
    ),
    (
        GOOD.replace('from = "Prog"', 'from = "Prog"\nsplit = "(?P<value>O{99999999999})"'),
        "p.toml, line 8: columns.program.split: not a valid pattern: the repetition number is too large (found "
        "'(?P<value>O{99999999999})').",
    ),
    (
        GOOD + '[columns.outcome]\nfrom = "S"\nlookup = { "OK" = "good" }\n',
        "p.toml, line 15: columns.outcome.lookup: good is not one of complete, aborted, unknown.",
    ),
    (
        GOOD + '[columns.outcome]\nfrom = "S"\ndefault = "?"\n',
        "p.toml, line 15: columns.outcome.default: ? is not one of complete, aborted, unknown.",
    ),
    (
        GOOD + '[file]\nencoding = "base64"\n',
        "p.toml, line 14: file.encoding: not a known encoding; write utf-8, utf-16, cp1252 or the like (found "
        "'base64').",
    ),
    (
        GOOD + '[file]\ndelimiter = "§"\n',
        "p.toml, line 14: file.delimiter: a delimiter is one mark that stands in no cell, such as ; , | or a tab "
        "(found '§').",
    ),
    (
        GOOD + '[file]\ndecimal = ","\nthousands = ","\n',
        "p.toml, line 13: file: decimal and thousands must be two different marks.",
    ),
    (
        GOOD + "[file]\nheader_row = 99999999999999999999\n",
        "p.toml, line 14: file.header_row: Input should be less than or equal to 10000 (found 99999999999999999999).",
    ),
    (EVENTS + '[[item]]\nname = "a"\n', "p.toml, line 4: item[1].type: this key is missing; add it."),
]  # fmt: skip


@pytest.mark.parametrize(("text", "message"), PROFILE_ERRORS, ids=range(len(PROFILE_ERRORS)))
def test_what_is_wrong_in_a_profile_is_told_with_its_line(text, message):
    """File, line, key, what is wrong."""
    assert told(text, Profile, "p.toml") == message


SHOP = '[shop]\ntimezone = "Europe/Lisbon"\n'
SHOP_ERRORS = [
    (
        '[shop]\ntimezone = "Lisbon"\n',
        "shop.toml, line 2: shop.timezone: not an IANA time zone; write one like Europe/Lisbon (found 'Lisbon').",
    ),
    ('[[machine]]\nid = "M1"\n', "shop.toml: shop: this key is missing; add it."),
    (
        SHOP + '[[machine]]\nid = "M1"\n[[machine]]\nid = "M2"\nrapid_mm_min = "fast"\n',
        "shop.toml, line 7: machine[2].rapid_mm_min: Input should be a valid number, unable to parse string as a "
        "number or a valid dictionary (found 'fast').",
    ),
    (
        SHOP + '[[machine]]\nid = "M1"\nrate = 5\n',
        "shop.toml, line 5: machine[1].rate: this key is not known here; check its spelling or delete it.",
    ),
    (
        SHOP + '[[shift]]\ndays = ["Mo"]\nstart = "06:00"\nend = "25:00"\n',
        "shop.toml, line 4: shift[1].days[1]: Input should be 'Mon', 'Tue', 'Wed', 'Thu', 'Fri', 'Sat' or 'Sun' (found "
        "'Mo').\nshop.toml, line 6: shift[1].end: write a clock time as HH:MM (found '25:00').",
    ),
    (
        SHOP + "[[closed]]\nfrom = 2026-08-14\nto = 2026-08-03\n",
        "shop.toml, line 3: closed[1]: `to` lies before `from`.",
    ),
    (
        SHOP + '[[machine]]\nid = "M1"\n[[machine]]\nid = "M1"\n',
        "shop.toml, line 6: machine[2].id: machine[1] is called M1 too; ids must differ.",
    ),
    (
        SHOP + '[[machine]]\nid = "M1"\n[[tool]]\nmachines = ["M7"]\ntool = 4\n',
        "shop.toml, line 6: tool[1].machines: there is no [[machine]] with the id M7.",
    ),
    (
        SHOP + '[[machine]]\nid = "M1"\n[[shift]]\ndays = ["Mon"]\nstart = "6:00"\nend = "14:00"\n[[shift]]\n'
        'days = ["Tue"]\nmachines = ["M2", "M1", "M9"]\nstart = "6:00"\nend = "14:00"\n',
        "shop.toml, line 11: shift[2].machines: there is no [[machine]] with the id M2, M9.",
    ),
    (
        SHOP + '[[machine]]\nid = "M1"\n[[closed]]\nfrom = 2026-08-03\nto = 2026-08-03\nmachines = ["M7"]\n',
        "shop.toml, line 8: closed[1].machines: there is no [[machine]] with the id M7.",
    ),
    (
        SHOP + '[[source]]\nfiles = "*.csv"\ntimezone = "CEST"\n',
        "shop.toml, line 5: source[1].timezone: not an IANA time zone; write one like Europe/Lisbon (found 'CEST').",
    ),
    (
        SHOP + 'holidays = "Portugal"\n',
        "shop.toml, line 3: shop.holidays: no country of which public holidays are known; write its two letters of ISO "
        "3166, for example PT, or DE-BY for a part of a country, or delete the key and list the days under [[closed]] "
        "(found 'Portugal').",
    ),
    (
        SHOP + 'holidays = "GB-LON"\n',
        "shop.toml, line 3: shop.holidays: no part of GB whose public holidays are known apart; it has ENG, NIR, SCT, "
        "WLS (found 'GB-LON').",
    ),
    (
        SHOP + '[[shift]]\ndays = ["Mon"]\nstart = "22:00"\nend = "06:00"\nbreaks = ["02:00-02:30", "12:00-12:30"]\n',
        "shop.toml, line 3: shift[1]: the break 12:00-12:30 lies outside 22:00 to 06:00; write it as it is on the "
        "clock, or delete it.",
    ),
    (
        SHOP + '[[overtime]]\nstart = "06:00"\nend = "12:00"\n',
        'shop.toml, line 3: overtime[1]: say when: days = ["Sat"], or the dates `from` and `to`.',
    ),
    (
        SHOP + '[[shift]]\ndays = ["Mon"]\nstart = "06:00"\nend = "12:00"\nfrom = 2026-03-02\nto = 2026-03-01\n',
        "shop.toml, line 3: shift[1]: `to` lies before `from`.",
    ),
    (
        SHOP + '[[machine]]\nid = "M1"\n[[open]]\nfrom = 2026-08-03\nto = 2026-08-03\nmachines = ["M7"]\n',
        "shop.toml, line 8: open[1].machines: there is no [[machine]] with the id M7.",
    ),
]


@pytest.mark.parametrize(("text", "message"), SHOP_ERRORS, ids=range(len(SHOP_ERRORS)))
def test_what_is_wrong_in_shop_toml_is_told_with_its_line(text, message):
    """File, line, key, what is wrong."""
    assert told(text, ShopFile, "shop.toml") == message


def test_a_file_that_is_not_there_or_no_text_is_told(tmp_path: Path):
    """The path is in the message."""
    missing, binary = tmp_path / "none.toml", tmp_path / "binary.toml"
    binary.write_bytes(b"\xff\xfe\xff")

    with pytest.raises(TomlError, match=r"none\.toml: there is no such file"):
        load_profile(missing)
    with pytest.raises(TomlError, match=r"binary\.toml: not UTF-8 text; save it as UTF-8 and run again"):
        load_shop(binary)


def test_a_mark_at_the_start_of_the_file_does_no_harm(tmp_path: Path):
    """Some editors write one."""
    path = tmp_path / "shop.toml"
    path.write_bytes(b"\xef\xbb\xbf" + SHOP.encode())

    assert load_shop(path).shop.timezone == "Europe/Lisbon"


@settings(derandomize=True, max_examples=40, deadline=None)
@given(st.integers(0, 30), st.integers(1, 4), st.sampled_from(["", "# note\n", "\n\n"]))
def test_the_line_told_is_the_line_of_the_key(before, items, gap):
    """However much stands before a key, the line number is the one that an editor shows."""
    blocks = "".join(f'[[item]]\nname = "i{number}"\ntype = "Execution"\n{gap}' for number in range(items))
    text = EVENTS + gap * before + blocks + '[[item]]\nname = "bad"\ntype = 5\n'

    message = told(text, Profile, "p.toml")

    line = text.split("\n").index("type = 5") + 1
    assert message.startswith(f"p.toml, line {line}: item[{items + 1}].type:")
    assert line_numbers(text)[("item", items, "type")] == line
