"""Numbers that no shop has: they are rejected, or count for nothing, and never stop the figures of the shop."""

from pathlib import Path

import duckdb

from pipeline.cli import main
from pipeline.errors import Exit

FILES = {
    "cycles.csv": """machine,program,started_at,duration_s,parts,job
M1,O1,2026-01-05T06:00:00Z,1e309,1,A
M1,O1,2026-01-05T07:00:00Z,NaN,1,A
M1,O1,2026-01-05T08:00:00Z,inf,1,A
M1,O1,2026-01-05T09:00:00Z,600,9223372036854775807,A
M1,O1,2026-01-05T10:00:00Z,600,99999999999999999999999,A
M1,O1,2026-01-05T12:00:00Z,600,1,A
M1,O1,9999-12-31T12:00:00Z,600,1,A
M1,O1,0001-01-01T12:00:00Z,600,1,A
""",
    "estimates.csv": """job,program,operation,cycle_s,quantity,setup_s
A,O1,10,1e308,1,1
A,O1,20,60,1,1e308
A,O1,30,-1e308,1,1
A,O1,40,60,1e300,1
B,O2,10,0.000000000000001,1,0
A,O1,10,1e-320,1,0
""",
    "orders.csv": """job,part,quantity,quoted_cycle_s,quoted_setup_s,stock_kg
A,P,1000000000000,60,1,1
B,P,1,1e308,1,1
C,P,1,1e-320,1,1e308
""",
    "edges.csv": """machine,occurred_at,tool,reason,edge_cost
M1,2026-01-05T06:00:00Z,4,worn,1e308
M1,2026-01-05T10:00:00Z,4,worn,5
""",
    "events.csv": """machine,occurred_at,item,value
M2,2026-01-05T06:00:00Z,Execution,ACTIVE
M2,2026-01-05T06:00:01Z,PathFeedrate,1e308
M2,2026-01-05T06:00:02Z,RotaryVelocity,NaN
M2,2026-01-05T06:00:03Z,PartCount,1
M2,2026-01-05T06:00:04Z,PartCount,1e300
M2,2026-01-05T06:00:05Z,PartCount,99999999999999999999999999
M2,2026-01-05T06:00:06Z,PathFeedrate,inf
M2,2026-01-05T06:00:07Z,ToolNumber,1e400
M2,2026-01-05T06:00:08Z,PathFeedrateOverride,1e999
M2,2026-01-05T06:00:09Z,PathFeedrateOverride,-1e300
M2,2026-01-05T06:00:10Z,ToolLife,1e300
M2,2026-01-05T06:00:11Z,ToolLife,NaN
M2,2026-01-05T06:00:12Z,PartCount,3
M2,2026-01-05T06:10:00Z,Execution,READY
""",
}


def test_absurd_numbers_stop_nothing(tmp_path: Path) -> None:
    """What is derived has neither infinite figures nor figures that are no numbers."""
    for name, text in FILES.items():
        (tmp_path / name).write_text(text)
    shop = str(tmp_path / "shop")

    assert main(["-q", "ingest", str(tmp_path), "-w", shop]) == Exit.DONE
    assert main(["-q", "derive", "-w", shop]) == Exit.DONE

    with duckdb.connect(f"{shop}/spindlebook.duckdb", read_only=True) as book:
        figures = book.sql(
            "select table_schema, table_name, column_name from information_schema.columns "
            "where data_type = 'DOUBLE' and table_schema in ('core', 'mart')"
        ).fetchall()
        wrong = [
            (schema, table, column)
            for schema, table, column in figures
            if book.sql(f'select 1 from {schema}.{table} where not isfinite("{column}") limit 1').fetchall()
        ]
        (parts,) = book.sql("select max(parts) from core.run where machine = 'M2'").fetchall()[0]

    assert len(figures) > 50
    assert wrong == []
    assert parts == 2
