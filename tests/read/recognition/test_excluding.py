"""Fields that the table as a whole makes sure, and lists whose only times are not what our kinds mean.

Costs about four seconds of CPU.
"""

import random
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from pipeline.read.reading import read_file
from pipeline.read.rows import FileRead
from pipeline.read.settings import ReadSettings

FIRST = datetime(2026, 3, 12, 6, 3, 10, tzinfo=UTC)
ROWS = 24


def table(head: str, cells: str, *, every_min: float, lasts_min: float, exact: bool = False) -> str:
    """A list of one machine, a row `every_min`, each taking `lasts_min`; `exact` times are round, as plans are."""
    drawn = random.Random(3)
    at = FIRST.replace(minute=0, second=0) if exact else FIRST
    lines = [head]
    for row in range(ROWS):
        wide = 1.0 if exact else drawn.uniform(0.8, 1.2)
        end = at + timedelta(seconds=int(lasts_min * 60 * wide))
        lines.append(
            cells.format(
                at=at.strftime("%Y-%m-%d %H:%M:%S"),
                end=end.strftime("%Y-%m-%d %H:%M:%S"),
                at_ms=int(at.timestamp() * 1000),
                end_ms=int(end.timestamp() * 1000),
                at_s=int(at.timestamp()),
                lasts_s=int(lasts_min * 60 * wide),
                clock=at.strftime("%H:%M"),
                day=at.strftime("%Y-%m-%d"),
                program=f"O104{row * 7 % 4}",
                tool=(1, 6, 9, 2, 7)[row % 5],
                pocket=(11, 16, 19, 12, 17)[row % 5],
                job=f"A-{1200 + row // 6}",
                row=row,
                many=10 * drawn.randint(1, 9),
                why=("no operator", "material", "waiting", "chips")[drawn.randrange(4)],
                worn=("worn", "broken", "chipped")[drawn.randrange(3)],
                size=f"{20 + drawn.uniform(-0.02, 0.02):.3f}",
                who=("Ana", "Bo", "Cy")[drawn.randrange(3)],
                code=700 + drawn.randrange(9),
                done=("completed", "completed", "aborted")[drawn.randrange(3)],
                item=("Execution", "Program")[row % 2],
                value=("ACTIVE", "O1")[row % 2],
            )
        )
        at += timedelta(seconds=int(every_min * 60 * wide))
    return "\n".join([*lines, ""])


def read(folder: Path, text: str) -> FileRead:
    """Read a table."""
    path = folder / "log.csv"
    path.write_text(text, encoding="utf-8")
    [found] = read_file(path, ReadSettings(zone="Europe/Berlin", machines={}))
    return found


@pytest.mark.parametrize(
    ("head", "cells", "every_min", "lasts_min", "told"),
    [
        (  # the only other column of times, each after its start and before the next
            "Machine;Program;Job;Start;Zzumpf;Good parts;Scrap;Result",
            "M1;{program};{job};{at};{end};1;0;{done}",
            17,
            15,
            "the only column of times beside",
        ),
        (  # the only column that can be the program
            "Machine;Zzumpf program;Job;Start;End;Good parts;Result",
            "M1;{program};{job};{at};{end};1;{done}",
            17,
            15,
            "the only column that can be it",
        ),
        (  # counted since 1970, one always later than the other, by names that say it in part
            "asset;nc_program;t_begin_ms;t_zzumpf_ms;result;pieces",
            "M1;{program};{at_ms};{end_ms};{done};1",
            17,
            15,
            "the only column of times beside",
        ),
        (  # a word that nobody knows, of a list that can be nothing else
            "Zzumpf;Machine;Tool;Edge cost;Reason",
            "{at_s};M1;{tool};9.50;{worn}",
            90,
            1,
            "the only column of times",
        ),
    ],
)
def test_what_the_whole_table_makes_sure(
    tmp_path: Path, head: str, cells: str, every_min: float, lasts_min: float, told: str
) -> None:
    found = read(tmp_path, table(head, cells, every_min=every_min, lasts_min=lasts_min))
    assert found.proposal is not None
    assert found.status == "loaded", found.reason
    assert sum(chunk.rows.height for chunk in found.tables) == ROWS
    assert any(told in phrase for guess in found.proposal.guesses.values() for phrase in guess.evidence)


TEMPTING = {
    "stops with reasons": ("Machine;Program;Halted;Resumed;Why", "M1;{program};{at};{end};{why}", 17, 2),
    "stops of orders": ("Machine;Program;Order;Halted;Resumed", "M1;{program};{job};{at};{end}", 17, 2),
    "stops without pieces": (
        "Machine;NC program;Order;Off since;Off until;Pieces",
        "M1;{program};{job};{at};{end};0",
        17,
        2,
    ),
    "stops between runs": ("Machine;NC program;Order;Resumed;Halted;Pieces", "M1;{program};{job};{end};{at};1", 17, 15),
    "maintenance": (
        "Machine;Checklist;Work order;Handed over;Given back;Fitter",
        "M1;{program};{job};{at};{end};{who}",
        1440,
        180,
    ),
    "maintenance of programs": (
        "Machine;Start;Handback;Program checked;Fitter",
        "M1;{at};{end};{program};{who}",
        1440,
        180,
    ),
    "inspections by a list": ("Machine;Checklist;Work order;Start;End", "M1;{program};{job};{at};{end}", 480, 470),
    "shifts at a machine": ("Machine;Program;Name;Punched in;Punched off", "M1;{program};{who};{at};{end}", 480, 478),
    "shifts of orders": (
        "Machine;Operator;Order;Program;Turno da;Turno fino",
        "M1;{who};{job};{program};{at};{end}",
        480,
        478,
    ),
    "energy": ("Machine;Program;Tool;Sampled;Draw", "M1;{program};{tool};{at};{size}", 17, 2),
    "energy of tools": ("Machine;Sampled;Tool;kW", "M1;{at};{tool};{size}", 17, 2),
    "measured parts": ("Machine;Program;Job;Gauge on;Gauge off;Bore", "M1;{program};{job};{at};{end};{size}", 17, 9),
    "measured once": ("Machine;Program;Gauged;Part no;Bore", "M1;{program};{at};P{row};{size}", 17, 9),
    "deliveries": ("Order;Part;Quantity;Left us", "{job}{row};P{row};{many};{at}", 1440, 2),
    "collections": ("Order;Part;Quantity;Collected;Haulier", "{job}{row};P{row};{many};{at};{who}", 1440, 2),
    "quotes": ("Job;Part;Quantity;Expires", "{job}{row};P{row};{many};{at}", 1440, 2),
    "alarms": ("Machine;Program;Came;Went;Code", "M1;{program};{at};{end};{code}", 17, 2),
    "long alarms": ("Machine;Program;Came;Went", "M1;{program};{at};{end}", 17, 12),
    "broken tools": ("Machine;Tool;Program;Broke", "M1;{tool};{program};{at}", 700, 1),
    "broken tools by place": ("Machine;Tool;Pocket;Broke", "M1;{tool};{pocket};{at}", 700, 1),
    "checked tools": ("Machine;Tool;Program;Looked at;By", "M1;{tool};{program};{at};{who}", 300, 1),
    "tools sent away": ("Machine;Tool;Pocket;Sent at", "M1;{tool};{pocket};{at}", 17, 1),
    "lent tools": ("Tool;Machine;Program;Handed out", "{tool};M1;{program};{at}", 150, 1),
    "warnings": ("Machine;Tool;Program;Warned;Minutes left", "M1;{tool};{program};{at};{row}", 17, 1),
    "corrections": ("Machine;Tool;Program;Corrected;Who", "M1;{tool};{program};{at};{who}", 17, 1),
    "sent programs": ("Machine;Program;Sent;Seconds", "M1;{program};{at};{lasts_s}", 17, 1),
    "setups": ("Machine;Program;Job;Clamped;Ready", "M1;{program};{job};{at};{end}", 300, 40),
    "setups in a row": ("Machine;Program;Job;Setup begun;Setup over", "M1;{program};{job};{at};{end}", 100, 40),
    "bookings": (
        "Machine;Order;Operation;Program;Stamped;Unstamped;Qty",
        "M1;{job};10;{program};{at};{end};{many}",
        200,
        190,
    ),
    "ordered inserts": ("Machine;Tool;Ordered;Reason;Cost", "M1;{tool};{at};{worn};9.5", 300, 1),
    "ordered edges": ("Machine;Tool;Ordered;Reason;Edge cost", "M1;{tool};{at};{worn};9.5", 300, 1),
    "held parts": ("Machine;Program;Job;Blocked;Released;Parts", "M1;{program};{job};{at};{end};{many}", 17, 15),
    "limits": ("Machine;Item;Value;Valid from", "M1;{item};{value};{at}", 1440, 1),
    "doors": ("Machine;Program;Job;Door closed;Door open;Parts", "M1;{program};{job};{at};{end};1", 17, 14),
    "recordings": ("Machine;Program;Clip from;Clip to;Parts", "M1;{program};{at};{end};1", 30, 5),
}

PLANS = {
    "slots": ("Machine;Program;Job;Slot opens;Slot closes;Qty", "M1;{program};{job};{at};{end};{many}", 60, 55),
    "wishes": (
        "Maschine;Programm;Auftrag;Wunschbeginn;Wunschende;Menge",
        "M1;{program};{job};{at};{end};{many}",
        60,
        55,
    ),
    "latest ends": ("Maschine;Programm;Auftrag;Start;Spätestens;Menge", "M1;{program};{job};{at};{end};{many}", 60, 55),
    "deadlines": ("Machine;Program;Job;Start;Deadline;Parts", "M1;{program};{job};{at};{end};{many}", 60, 55),
    "departures": ("Machine;Program;Job;Start;Must leave by;Parts", "M1;{program};{job};{at};{end};{many}", 60, 200),
}


@pytest.mark.parametrize("what", TEMPTING)
def test_the_only_times_of_another_list_are_not_taken(tmp_path: Path, what: str) -> None:
    head, cells, every_min, lasts_min = TEMPTING[what]
    found = read(tmp_path, table(head, cells, every_min=every_min, lasts_min=lasts_min))
    assert found.status == "needs a profile"


@pytest.mark.parametrize("what", PLANS)
def test_planned_times_are_not_taken_for_what_happened(tmp_path: Path, what: str) -> None:
    head, cells, every_min, lasts_min = PLANS[what]
    found = read(tmp_path, table(head, cells, every_min=every_min, lasts_min=lasts_min, exact=True))
    assert found.status == "needs a profile"
