"""The demo shop's frames written as the files that its machines, tool crib and office would export.
Every file is plain text and depends on nothing but the frames, so that the same shop gives the same bytes.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from datetime import timedelta
from importlib.resources import files
from pathlib import Path

import polars as pl

from sample_logs.columns import at_utc
from sample_logs.odd_files import bad_cycles, expected_rejects, letter
from sample_logs.simulate import DemoShop
from sample_logs.stream import CONDITIONS

STATIC_FILES = (
    "shop.toml",
    "profiles/mill-1-cycles.toml",
    "profiles/mill-1-tools.toml",
    "profiles/mill-2-stream.toml",
    "profiles/tool-crib.toml",
)
RUNNING_MONTH = "2026-03"
"""The month whose cycle list was exported while a cycle ran: its last row is corrected by the next file."""

STATUS_WORDS = {"complete": "Concluído", "aborted": "Interrompido", "unknown": "Em curso"}
REASON_WORDS = {
    "worn": "worn out",
    "broken": "snapped",
    "chipped": "edge chipped",
    "planned": "scheduled",
    "unknown": "not noted",
}
CRIB_MACHINES = {"M1": "Mill 1", "M2": "Mill 2"}


def write(shop: DemoShop, folder: Path) -> list[Path]:
    """Write shop.toml, the profiles, all exports and truth.json into a folder; returns the paths written."""
    here = files("sample_logs")
    contents: dict[str, bytes] = {name: here.joinpath(name).read_bytes() for name in STATIC_FILES}
    contents |= {f"exports/mill-1/{name}": data for name, data in _mill_1(shop).items()}
    contents |= {f"exports/mill-2/{name}": data for name, data in _mill_2(shop).items()}
    contents |= {f"exports/lathe/{name}": data for name, data in _lathe(shop).items()}
    contents["exports/tool-crib/edges-2026.tsv"] = _crib(shop)
    contents["exports/office/estimates.csv"] = _csv(shop.estimate)
    contents["exports/office/orders.csv"] = _csv(shop.job)
    contents["exports/office/letter.txt"] = letter()
    truth = {**shop.truth.as_dict(), "rejects": expected_rejects()}
    contents["truth.json"] = (json.dumps(truth, indent=1, ensure_ascii=False) + "\n").encode()
    paths = []
    for name, data in contents.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
        paths.append(path)
    return paths


def _csv(frame: pl.DataFrame) -> bytes:
    used = [column.name for column in frame if column.null_count() < len(frame)]
    return frame.select(used).write_csv(datetime_format="%Y-%m-%dT%H:%M:%S+00:00").encode()


def _mill_1(shop: DemoShop) -> dict[str, bytes]:
    """Monthly semicolon lists in cp1252 and local time, each beginning one day before its month."""
    zone = shop.truth.timezone
    texts: dict[str, bytes] = {}
    cycles = _cycles_in_portuguese(shop.cycle.filter(pl.col("machine") == "M1"), zone)
    changes = _changes_in_portuguese(shop.tool_change.filter(pl.col("machine") == "M1"), zone)
    for month in shop.truth.states["month"].unique().sort():
        listed = _month_and_the_day_before(cycles, month)
        rows = listed.drop("at", "seconds", "good", "bad")
        if month == RUNNING_MONTH:
            rows = pl.concat([rows.head(-1), _still_running(listed)])
        total = f"Total;;;;{_hours(int(listed['seconds'].sum()))};{listed['good'].sum()};{listed['bad'].sum()};;"
        texts[f"ciclos-{month}.csv"] = _with_titles("Registo de ciclos", listed["at"], rows, total)
        listed = _month_and_the_day_before(changes, month)
        total = f"Total de trocas;{len(listed)};;"
        rows = listed.drop("at")
        texts[f"ferramentas-{month}.csv"] = _with_titles("Registo de trocas de ferramenta", listed["at"], rows, total)
    return texts


def _cycles_in_portuguese(cycles: pl.DataFrame, zone: str) -> pl.DataFrame:
    seconds = (pl.col("ended_at") - pl.col("started_at")).dt.total_seconds()
    power = 3.5 + (seconds % 41) / 10
    return cycles.select(
        pl.col("program").alias("Programa"),
        pl.col("operation").alias("Operação"),
        pl.col("job").alias("Ordem"),
        _local(pl.col("started_at"), zone).dt.strftime("%d.%m.%Y %H:%M:%S").alias("Início"),
        _clock(seconds).alias("Duração"),
        pl.col("parts").cast(pl.String).alias("Peças"),
        pl.col("scrap").cast(pl.String).alias("Rejeitadas"),
        pl.col("outcome").replace_strict(STATUS_WORDS).alias("Estado"),
        power.round(1).cast(pl.String).str.replace(".", ",", literal=True).alias("Potência média (kW)"),
        at=_local(pl.col("started_at"), zone),
        seconds=seconds,
        good="parts",
        bad="scrap",
    )


def _changes_in_portuguese(changes: pl.DataFrame, zone: str) -> pl.DataFrame:
    return changes.select(
        _local(pl.col("occurred_at"), zone).dt.strftime("%d.%m.%Y %H:%M:%S").alias("Hora"),
        ("T" + pl.col("tool").str.zfill(2)).alias("Ferramenta"),
        pl.col("pocket").alias("Posição"),
        pl.col("program").alias("Programa"),
        at=_local(pl.col("occurred_at"), zone),
    )


def _local(moment: pl.Expr, zone: str) -> pl.Expr:
    return moment.dt.convert_time_zone(zone)


def _clock(seconds: pl.Expr) -> pl.Expr:
    hours, minutes, rest = seconds // 3600, seconds // 60 % 60, seconds % 60
    return pl.format("{}:{}:{}", hours, minutes.cast(pl.String).str.zfill(2), rest.cast(pl.String).str.zfill(2))


def _hours(seconds: int) -> str:
    return f"{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"


def _month_and_the_day_before(rows: pl.DataFrame, month: str) -> pl.DataFrame:
    day = pl.col("at").dt.strftime("%Y-%m-%d")
    first = f"{month}-01"
    the_day_before = (pl.lit(first).str.to_date() - timedelta(days=1)).dt.strftime("%Y-%m-%d")
    return rows.filter((day >= the_day_before) & (pl.col("at").dt.strftime("%Y-%m") <= month))


def _still_running(listed: pl.DataFrame) -> pl.DataFrame:
    """The last cycle of a list as it stood while it ran: half its length, nothing counted yet."""
    return (
        listed.tail(1)
        .with_columns(
            _clock(pl.col("seconds") // 2).alias("Duração"),
            pl.lit("0").alias("Peças"),
            pl.lit("0").alias("Rejeitadas"),
            pl.lit(STATUS_WORDS["unknown"]).alias("Estado"),
        )
        .drop("at", "seconds", "good", "bad")
    )


def _with_titles(title: str, at: pl.Series, rows: pl.DataFrame, total: str) -> bytes:
    days = at.dt.strftime("%d.%m.%Y").to_list()
    head = [f"{title} – centro de maquinagem 1", f"Período: {days[0]} a {days[-1]}", ""]
    text = "\r\n".join(head) + "\r\n" + rows.write_csv(separator=";", line_terminator="\r\n") + total + "\r\n"
    return text.encode("cp1252")


def _mill_2(shop: DemoShop) -> dict[str, bytes]:
    """Monthly adapter text in UTC; each file opens with the last known values under their old time stamps."""
    stream = shop.stream.with_columns(at_utc("at")).with_columns(month=pl.col("at").dt.strftime("%Y-%m"))
    texts: dict[str, bytes] = {}
    for month in shop.truth.states["month"].unique().sort():
        known = stream.filter(pl.col("month") < month).group_by("name", maintain_order=True).last()
        lines = [*_stream_lines(known.sort("at", "name"), apart=True)]
        lines += _stream_lines(stream.filter(pl.col("month") == month), apart=False)
        texts[f"stream-{month}.txt"] = ("\n".join(lines) + "\n").encode()
    return texts


def _stream_lines(changes: pl.DataFrame, apart: bool) -> Iterable[str]:
    """Lines of adapter text: what changes together shares a line unless `apart`; a condition always has its own."""
    is_condition = pl.col("name").is_in(CONDITIONS)
    own_line = pl.lit(True) if apart else is_condition
    return (
        changes.with_row_index("row")
        .with_columns(
            key=pl.when(own_line).then(pl.col("row")).otherwise(pl.col("row").first().over("at", is_condition)),
            pair=pl.format("{}|{}", "name", "value"),
        )
        .group_by("at", "key", maintain_order=True)
        .agg(pl.col("pair").str.join("|"))
        .select(pl.format("{}|{}", pl.col("at").dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ"), "pair"))
        .to_series()
        .to_list()
    )


def _lathe(shop: DemoShop) -> dict[str, bytes]:
    """Quarterly comma lists under our own names, in UTC with its offset, and the lathe's own list of edge changes."""
    mine = pl.col("machine") == "L1"
    texts: dict[str, bytes] = {"edge-changes-2026.csv": _csv(shop.edge_change.filter(mine))}
    cycles = shop.cycle.filter(mine)
    for name, frame, time in (
        ("cycles", cycles, "started_at"),
        ("tool-changes", shop.tool_change.filter(mine), "occurred_at"),
    ):
        for quarter in (1, 2, 3):
            texts[f"{name}-2026-q{quarter}.csv"] = _csv(frame.filter(pl.col(time).dt.quarter() == quarter))
    texts["cycles-by-hand.csv"] = bad_cycles(_csv(cycles.head(1)).decode())
    return texts


def _crib(shop: DemoShop) -> bytes:
    """The tool crib's list of both mills: tabs, local time, decimal commas, and the crib's own words."""
    frame = shop.edge_change.filter(pl.col("machine").is_in(list(CRIB_MACHINES))).sort("occurred_at", "machine", "tool")
    cost = (pl.col("edge_cost") * 100).round().cast(pl.Int64)
    listed = frame.select(
        _local(pl.col("occurred_at"), shop.truth.timezone).dt.strftime("%Y-%m-%d %H:%M:%S").alias("When"),
        pl.col("machine").replace_strict(CRIB_MACHINES).alias("Machine"),
        pl.col("tool").str.zfill(2).alias("Tool no"),
        pl.col("reason").replace_strict(REASON_WORDS).alias("Why"),
        pl.format("{},{}", cost // 100, (cost % 100).cast(pl.String).str.zfill(2)).alias("Cost of edge"),
        pl.col("note").alias("Remark"),
    )
    return listed.write_csv(separator="\t").encode()
