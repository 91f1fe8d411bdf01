"""Small sound files of every shape that is read: what the fuzzer starts from. All of it is invented."""

# ruff: noqa: E501 (lines of data stay lines)

from __future__ import annotations

import gzip
import io
import json
import zipfile
from datetime import UTC, datetime, timedelta

import polars as pl
import xlsxwriter

START = datetime(2026, 3, 28, 22, 10, tzinfo=UTC)
TIMES = [START + timedelta(minutes=17 * place) for place in range(24)]
PROFILE = """version = 1
name = "lathe"
kind = "cycle"
[file]
delimiter = ";"
decimal = ","
[columns.machine]
constant = "L2"
[columns.program]
from = "Programm"
[columns.started_at]
from = ["Datum", "Beginn"]
format = "%d.%m.%Y %H:%M:%S"
[columns.duration_s]
from = "Dauer"
unit = "h:mm:ss"
[columns.parts]
from = "Teile"
[columns.outcome]
from = "Status"
lookup = { "fertig" = "complete", "Abbruch" = "aborted" }
"""
SHOP = """[shop]
name = "Invented shop"
timezone = "Europe/Lisbon"
currency = "EUR"
[[machine]]
id = "M1"
rate_per_hour = 58.0
rapid_mm_min = { X = 30000, Z = 20000 }
[[shift]]
days = ["Mon", "Tue"]
start = "06:00"
end = "14:30"
breaks = ["09:30-09:45"]
[[closed]]
from = 2026-08-03
to = 2026-08-14
[[tool]]
tool = 4
inserts = 4
insert_cost = 8.5
[[source]]
files = "exports/*.csv"
timezone = "Europe/Berlin"
machine = "M1"
[limits]
columns = 500
"""


def _cycles() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "machine": [f"M{place % 3}" for place in range(24)],
            "program": [f"O{1000 + place % 5}" for place in range(24)],
            "started_at": TIMES,
            "ended_at": [at + timedelta(minutes=11, milliseconds=250) for at in TIMES],
            "parts": [place % 4 or None for place in range(24)],
            "outcome": ["complete", "aborted"] * 12,
            "operator": ["A. Nobody"] * 24,
        }
    )


def _text(frame: pl.DataFrame, mark: str = ",", quote: str = "necessary") -> str:
    return frame.write_csv(separator=mark, datetime_format="%Y-%m-%dT%H:%M:%S%.3fZ", quote_style=quote)  # type: ignore[arg-type]


def _foreign() -> str:
    rows = [
        f"{at:%d.%m.%Y};{at:%H:%M:%S};O{1000 + place % 5};0:11:{place % 60:02};{place};{'fertig' if place % 3 else 'Abbruch'}"
        for place, at in enumerate(TIMES)
    ]
    return (
        "\n".join(["Auswertung Maschine L2", "", "Datum;Beginn;Programm;Dauer;Teile;Status", *rows, "Summe;;;;;"])
        + "\n"
    )


def _events() -> str:
    rows = [
        f"M1,{at:%Y-%m-%dT%H:%M:%S.%fZ},Execution,{('ACTIVE', 'READY')[place % 2]}" for place, at in enumerate(TIMES)
    ]
    return "\n".join(["machine,occurred_at,item,value", *rows]) + "\n"


def _workbook() -> bytes:
    buffer = io.BytesIO()
    with xlsxwriter.Workbook(buffer, {"in_memory": True}) as book:
        book.add_worksheet("cover").write(0, 0, "Export")
        sheet = book.add_worksheet("cycles")
        day = book.add_format({"num_format": "dd.mm.yyyy hh:mm:ss"})
        sheet.write_row(2, 0, ["machine", "program", "started_at", "duration_s", "parts"])
        for place, at in enumerate(TIMES):
            sheet.write_row(3 + place, 0, [f"M{place % 3}", f"O{place}"])
            sheet.write_datetime(3 + place, 2, at.replace(tzinfo=None), day)
            sheet.write_row(3 + place, 3, [600.5 + place, place])
        hidden = book.add_worksheet("hidden")
        hidden.hide()
        hidden.write_row(0, 0, ["job", "part", "quantity", "quoted_cycle_s"])
        hidden.write_row(1, 0, ["A1", "P", 5, 12.5])
    return buffer.getvalue()


def _parquet() -> bytes:
    buffer = io.BytesIO()
    lists = pl.Series("list", [[1, 2]] * 24)
    structs = pl.Series("struct", [{"a": 1, "b": "x"}] * 24)
    _cycles().with_columns(lists, structs, duration=pl.lit(timedelta(seconds=5))).write_parquet(buffer)
    return buffer.getvalue()


def _json_lines() -> str:
    rows = [
        {
            **row,
            "started_at": f"{row['started_at']:%Y-%m-%d %H:%M:%S}",
            "ended_at": f"{row['ended_at']:%Y-%m-%d %H:%M:%S}",
        }
        for row in _cycles().to_dicts()
    ]
    return "".join(json.dumps({**row, "more": {"a": [1, None, "\u00fc"]}}) + "\n" for row in rows)  # fmt: skip


def _streams(version: str) -> str:
    urn = f"urn:mtconnect.org:MTConnectStreams:{version}"
    events = "".join(
        f'<Execution dataItemId="x" name="exec" sequence="{place}" timestamp="{at:%Y-%m-%dT%H:%M:%S.%fZ}">'
        f"{('ACTIVE', 'READY', 'UNAVAILABLE')[place % 3]}</Execution>"
        f'<PartCount dataItemId="pc" sequence="{place + 500}" timestamp="{at:%Y-%m-%dT%H:%M:%S.%fZ}">{place}</PartCount>'
        for place, at in enumerate(TIMES)
    )
    samples = f'<PathFeedrate dataItemId="f" subType="ACTUAL" sequence="900" timestamp="{START:%Y-%m-%dT%H:%M:%SZ}">12.5</PathFeedrate>'
    condition = f'<Fault dataItemId="c" type="SYSTEM" nativeCode="E1" sequence="901" timestamp="{START:%Y-%m-%dT%H:%M:%SZ}">door</Fault>'
    return (
        f'<?xml version="1.0" encoding="UTF-8"?>\n<MTConnectStreams xmlns="{urn}"><Header instanceId="1" version="{version}" '
        'bufferSize="100" firstSequence="1" lastSequence="999" nextSequence="1000" sender="a" creationTime="2026-03-29T00:00:00Z"/>'
        f'<Streams><DeviceStream name="M1" uuid="u1"><ComponentStream component="Path" name="p" componentId="p1">'
        f"<Samples>{samples}</Samples><Events>{events}</Events><Condition>{condition}</Condition></ComponentStream></DeviceStream>"
        "</Streams></MTConnectStreams>\n"
    )


def _devices() -> str:
    return (
        '<?xml version="1.0"?>\n<MTConnectDevices xmlns="urn:mtconnect.org:MTConnectDevices:1.3"><Header instanceId="1"/><Devices>'
        '<Device id="d" name="M1" uuid="u1"><DataItems><DataItem id="a" type="AVAILABILITY" category="EVENT"/></DataItems><Components>'
        '<Controller id="c" name="c"><Components><Path id="p1" name="p"><DataItems><DataItem id="x" name="exec" type="EXECUTION" '
        'category="EVENT"/><DataItem id="f" type="PATH_FEEDRATE" subType="ACTUAL" category="SAMPLE" units="MILLIMETER/SECOND" '
        'nativeUnits="INCH/MINUTE" nativeScale="10"/></DataItems></Path></Components></Controller></Components></Device></Devices>'
        "</MTConnectDevices>\n"
    )


def _adapter() -> str:
    words = ("exec|ACTIVE|pc|{0}", "f|{0}.25", "sys|FAULT|E1|1|HIGH|door {0}", "mode|AUTOMATIC", "msg|42|door open")
    lines = [f"{at:%Y-%m-%dT%H:%M:%S.%fZ}|{words[place % 5].format(place)}" for place, at in enumerate(TIMES)]
    return (
        "\n".join(["* uuid: u1", *lines, "2026-03-29T09:00:00Z@12.5|load|5", "2026-03-29T09:00:00Z|@ASSET@|1|T|<x/>"])
        + "\n"
    )


def packed(members: dict[str, bytes]) -> bytes:
    """Return a zip of some members."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return buffer.getvalue()


NOBODY_DESCRIBED = {
    "german.csv": """Zyklusliste;;;
Maschine: BAZ 2;;;

Programm;Datum;Beginn;Ende;Dauer [min];Gutteile;Status
;;;;min;Stk;
{rows}
Summe;;;;99,5;12;
""",
    "german.row": "O10{n};{n:02}.03.2026;07:02:10;07:1{d}:40;1{d},5;1;OK",
    "changes.csv": "Machine,Date/Time,Old Tool,New Tool\n{rows}\n",
    "changes.row": "VMC-1,3/{n}/2026 7:0{d} AM,T0{d},T{n}",
    "orders.csv": "Pedido\tPieza\tCantidad\tFecha de pedido\tPeso bruto (kg)\n{rows}\n",
    "orders.row": "P-{n}\tEJE {n}\t1.{n}0\t{n:02}/03/2026\t{d},25",
    "printout.csv": """Cycle report                     Page 1
Machine: M4

Program    Start                Finish               Good parts
---------  -------------------  -------------------  ----------
{rows}
Total                                                        18

E = ended, R = reset
""",
    "printout.row": "O10{n}      2026-03-{n:02} 07:02:1{d}  2026-03-{n:02} 07:09:1{d}           {d}",
    "signals.csv": "Timestamp;Machine;Execution;Spindle speed;Feed [mm/min]\n{rows}\n",
    "signals.row": "2026-03-{n:02} 07:02:1{d};M1;Running;{n}000;{d}50.5",
}


def _nobody_described() -> dict[str, bytes]:
    """Return tables that recognition must find out."""
    made = {}
    for name in (name for name in NOBODY_DESCRIBED if name.endswith(".csv")):
        row = NOBODY_DESCRIBED[name.replace(".csv", ".row")]
        rows = "\n".join(row.format(n=number, d=number % 10) for number in range(10, 28))
        made[name] = NOBODY_DESCRIBED[name].format(rows=rows).encode()
    return made


def _states() -> dict[str, bytes]:
    """Return logs of states, that end by a time of their own or last some minutes, over a night on which clocks change."""
    words = ("running", "stopped", "running", "alarm", "setup", "running")
    rows = [(words[place % 6], at, at + timedelta(minutes=17 - place % 3 * 8)) for place, at in enumerate(TIMES)]
    ending = [f"M4;{word};{start:%d.%m.%Y %H:%M:%S};{end:%d.%m.%Y %H:%M:%S}" for word, start, end in rows]
    lasting = [f"M4,{word},{start:%Y-%m-%d %H:%M:%S},{(end - start).seconds / 60:.1f}" for word, start, end in rows]
    return {
        "states.csv": "\n".join(["Machine;State;From;To", *ending, ""]).encode(),
        "lasting.csv": "\n".join(["Machine,State,Start,Duration (min)", *lasting, ""]).encode(),
    }


def samples() -> dict[str, bytes]:
    """Return sound files by name; the ending tells nothing to the program, the content does."""
    cycles, foreign, events = _text(_cycles()), _foreign(), _events()
    files = {
        "comma.csv": cycles.encode(),
        "tab.tsv": _text(_cycles(), "\t").encode("utf-16"),
        "quoted.csv": _text(_cycles().with_columns(note=pl.lit('a "b"\nc, d')), ",", "always").encode(),
        "foreign.csv": foreign.replace("Auswertung", "\u00dcbersicht").encode("cp1252"),
        **_nobody_described(),
        **_states(),
        "events.csv": events.encode(),
        "lines.jsonl": _json_lines().encode(),
        "book.xlsx": _workbook(),
        "rows.parquet": _parquet(),
        "streams13.xml": _streams("1.3").encode(),
        "streams20.xml": _streams("2.0").encode(),
        "devices.xml": _devices().encode(),
        "adapter.txt": _adapter().encode(),
        "profile.toml": PROFILE.encode(),
        "shop.toml": SHOP.encode(),
    }
    inner = packed(
        {"a/c.csv": files["comma.csv"], "s.xml": files["streams13.xml"], "e.csv.gz": gzip.compress(events.encode())}
    )
    files["packed.csv.gz"] = gzip.compress(files["comma.csv"], mtime=0)
    files["packed.zip"] = packed({"x/inner.zip": inner, "d.xml": files["devices.xml"], "t.tsv": files["tab.tsv"]})
    return files
