"""The exports say what the frames say: every dialect is read back here by plain code of its own."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import polars as pl

from sample_logs.generate import DemoShop
from sample_logs.stream import ITEMS

LISBON = ZoneInfo("Europe/Lisbon")


def _utc(local: str, pattern: str) -> datetime:
    return datetime.strptime(local, pattern).replace(tzinfo=LISBON).astimezone(UTC)


def _rows(path: Path) -> list[dict[str, str]]:
    lines = path.read_text(encoding="cp1252").split("\n")
    return list(csv.DictReader(lines[3:], delimiter=";"))


def test_mill_1_cycles_read_back(shop: DemoShop, written: Path) -> None:
    """The later file wins, total lines aside, and the cycles of the frame come out, the overlap only once."""
    found: dict[tuple[str, datetime], tuple[datetime, int, int, str, str, str]] = {}
    seen_twice, corrected = 0, 0
    words = {"Concluído": "complete", "Interrompido": "aborted", "Em curso": "unknown"}
    for path in sorted((written / "exports/mill-1").glob("ciclos-*.csv")):
        rows = _rows(path)
        assert rows[-1]["Programa"] == "Total"
        hours, minutes, seconds = rows[-1]["Duração"].split(":")
        total = timedelta(hours=int(hours), minutes=int(minutes), seconds=int(seconds))
        assert total > timedelta(hours=20)
        for row in rows[:-1]:
            start = _utc(row["Início"], "%d.%m.%Y %H:%M:%S")
            hours, minutes, seconds = row["Duração"].split(":")
            end = start + timedelta(hours=int(hours), minutes=int(minutes), seconds=int(seconds))
            parts, scrap = int(row["Peças"]), int(row["Rejeitadas"])
            value = (end, parts, scrap, words[row["Estado"]], row["Ordem"], row["Operação"])
            key = (row["Programa"], start)
            seen_twice += key in found
            corrected += key in found and found[key] != value
            found[key] = value
    truth = {
        (r["program"], r["started_at"]): (
            r["ended_at"],
            r["parts"],
            r["scrap"],
            r["outcome"],
            r["job"],
            r["operation"],
        )
        for r in shop.cycle.filter(pl.col("machine") == "M1").to_dicts()
    }
    assert found == truth
    assert seen_twice > 20
    assert corrected == 1


def test_mill_1_tool_changes_read_back(shop: DemoShop, written: Path) -> None:
    """T04 is tool 4, and the union of the overlapping files is the frame."""
    found = set()
    for path in sorted((written / "exports/mill-1").glob("ferramentas-*.csv")):
        *rows, total = _rows(path)
        assert int(total["Ferramenta"]) == len(rows)
        found |= {
            (_utc(r["Hora"], "%d.%m.%Y %H:%M:%S"), r["Ferramenta"].lstrip("T0"), r["Programa"], r["Posição"])
            for r in rows
        }
    truth = shop.tool_change.filter(pl.col("machine") == "M1").select("occurred_at", "tool", "program", "pocket").rows()
    assert found == set(truth)


def _observations(path: Path) -> Iterator[tuple[datetime, str, str]]:
    for line in path.read_text(encoding="ascii").splitlines():
        stamp, *fields = line.split("|")
        at = datetime.fromisoformat(stamp)
        if fields[0] not in ITEMS:
            yield at, fields[0], "|".join(fields[1:])
            continue
        assert len(fields) % 2 == 0
        for name, value in zip(fields[::2], fields[1::2], strict=True):
            yield at, name, value


def test_mill_2_stream_reads_back(shop: DemoShop, written: Path) -> None:
    """The union of the monthly files is the stream, and each file but the first opens with old values told before."""
    found: set[tuple[datetime, str, str]] = set()
    for month, path in enumerate(sorted((written / "exports/mill-2").glob("stream-*.txt")), start=1):
        observed = list(_observations(path))
        old = [row for row in observed if row[0] < datetime(2026, month, 1, tzinfo=UTC)]
        assert observed[: len(old)] == old
        assert sorted(row[1] for row in old) == sorted([*ITEMS, "servo", "coolant", "control"])
        assert month == 1 or found.issuperset(old)
        found |= set(observed)
    epoch = datetime(1970, 1, 1, tzinfo=UTC)
    truth = {(epoch + timedelta(milliseconds=at), name, value) for at, name, value in shop.stream.rows()}
    assert found == truth
    assert len(truth) == len(shop.stream)


def test_canonical_events_are_the_stream_in_mtconnect_words(shop: DemoShop) -> None:
    """Feeds become mm/min, modes become the standard's, conditions get level, code and text; nothing else changes."""
    both = pl.concat([shop.stream, shop.event.drop("text").rename({"value": "told"})], how="horizontal")
    feeds = both.filter((pl.col("item") == "PathFeedrate") & (pl.col("value") != "UNAVAILABLE"))
    assert (feeds["told"].cast(pl.Float64) - feeds["value"].cast(pl.Float64) * 60).abs().max() < 0.001  # type: ignore[operator]
    assert set(both.filter(item="ControllerMode")["told"]) == {
        "MANUAL",
        "MANUAL_DATA_INPUT",
        "AUTOMATIC",
        "UNAVAILABLE",
    }
    rest = both.filter(~pl.col("item").is_in(["PathFeedrate", "ControllerMode", "Condition"]))
    assert rest["told"].to_list() == rest["value"].to_list()
    conditions = both.filter(item="Condition")
    assert conditions["level"].to_list() == [value.split("|")[0] for value in conditions["value"]]
    faults = conditions.filter(level="FAULT")
    assert set(faults["native_code"]) == {"4012", "7003"}
    assert shop.event.filter(level="FAULT")["text"].null_count() == 0


def test_tool_crib_reads_back(shop: DemoShop, written: Path) -> None:
    """The crib's words, decimal commas and local times are the edge changes of both mills."""
    with (written / "exports/tool-crib/edges-2026.tsv").open(encoding="utf-8") as text:
        rows = list(csv.DictReader(text, delimiter="\t"))
    words = {"worn out": "worn", "snapped": "broken", "edge chipped": "chipped", "scheduled": "planned"}
    found = {
        (
            "M" + row["Machine"][-1],
            _utc(row["When"], "%Y-%m-%d %H:%M:%S"),
            row["Tool no"].lstrip("0"),
            words.get(row["Why"], "unknown"),
            float(row["Cost of edge"].replace(",", ".")),
        )
        for row in rows
    }
    mills = shop.edge_change.filter(pl.col("machine") != "L1")
    assert found == set(mills.select("machine", "occurred_at", "tool", "reason", "edge_cost").rows())
    assert len(rows) == len(mills)


def test_lathe_lists_read_back(shop: DemoShop, written: Path) -> None:
    """The quarterly lists, put together, are the lathe's cycles and tool changes."""
    for name, frame in (("cycles", shop.cycle), ("tool-changes", shop.tool_change)):
        mine = frame.filter(pl.col("machine") == "L1")
        paths = sorted((written / "exports/lathe").glob(f"{name}-2026-q*.csv"))
        assert len(paths) == 3
        texts = [path.read_text(encoding="utf-8").splitlines() for path in paths]
        rows = [row for text in texts for row in csv.DictReader(text)]
        assert len(rows) == len(mine)
        for column in rows[0]:
            told = mine[column]
            if told.dtype == pl.Datetime("us", "UTC"):
                assert [datetime.fromisoformat(row[column]) for row in rows] == told.to_list()
            else:
                assert [row[column] for row in rows] == told.cast(pl.String).to_list()


def test_the_bad_file_is_as_bad_as_it_says(written: Path) -> None:
    """Each row that truth.json expects to be rejected stands there with its fault; the good one is told twice."""
    rejects = json.loads((written / "truth.json").read_text(encoding="utf-8"))["rejects"]
    lines = (written / rejects[0]["file"]).read_text(encoding="utf-8").splitlines()
    rows = dict(enumerate(csv.DictReader(lines), start=1))
    assert [reject["row_number"] for reject in rejects] == list(range(2, len(rows) + 1))
    by_reason = {reject["reason"]: rows[reject["row_number"]] for reject in rejects}
    assert by_reason["ends_before_start"]["ended_at"] < by_reason["ends_before_start"]["started_at"]
    assert not by_reason["not_a_number"]["parts"].isdigit()
    assert by_reason["missing_value"]["machine"] == ""
    assert by_reason["not_allowed"]["outcome"] not in ("complete", "aborted", "unknown")
    assert by_reason["not_a_time"]["started_at"].startswith("2026-02-30")
    first = (written / "exports/lathe/cycles-2026-q1.csv").read_text(encoding="utf-8").splitlines()
    assert lines[:2] == first[:2]
