"""What the README shows is true: its TOML is read, its commands, exit codes and states are those of the program."""

import re
from pathlib import Path

from pipeline.cli import cli
from pipeline.errors import Exit
from schemas.profile import Profile
from schemas.shop import ShopFile
from schemas.toml_model import parse
from schemas.vocabulary import INPUT_KINDS, STATES

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
TOML = re.findall(r"^```toml\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)


def test_shop_file_is_read() -> None:
    """Both the few lines to begin with and the whole shop.toml of the README are one."""
    short, shop = (parse(text, ShopFile, "README.md") for text in TOML[:2])

    assert [shift.machines for shift in short.shift] == [["*"]]
    assert shop.tool[0].edge_cost == 4 * 8.50 / 2


def test_profiles_are_read() -> None:
    """Both profiles of the README are profiles, one of a table and one of a stream."""
    profiles = [parse(text, Profile, "README.md") for text in TOML[2:]]

    assert [profile.kind for profile in profiles] == ["cycle", "event"]


def test_commands_and_exit_codes_are_documented() -> None:
    """Every command stands in the table of commands, every exit code in that of exit codes."""
    for command in cli.commands:
        assert re.search(rf"^\| .*`{command}\b", README, re.MULTILINE), command
    for code in Exit:
        assert re.search(rf"^\| {int(code)} \|", README, re.MULTILINE), code


def test_words_are_documented() -> None:
    """Every state and every kind of table that can be read has its place in the README."""
    for word in (*STATES, *(kind for kind in INPUT_KINDS if kind != "nc_program")):
        assert f"`{word}`" in README, word
