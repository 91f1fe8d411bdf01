"""The command `spindlebook`: parses what the user typed, calls the steps, prints results. Holds no logic of a step.

Results go to stdout, messages to stderr. Heavy rooms are imported inside the commands that need them.
"""

from __future__ import annotations

import errno
import io
import re
import sys
from collections.abc import Callable, Sequence
from datetime import timedelta
from pathlib import Path
from typing import Any, TypeVar

import click

from pipeline.errors import AuditError, Exit, SpindlebookError, UsageError
from pipeline.printable import printable

F = TypeVar("F", bound=Callable[..., Any])

SOURCES = click.argument("sources", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="SOURCE...")


def workspace_option(required: bool = True) -> Callable[[F], F]:
    return click.option(
        "-w",
        "--workspace",
        type=click.Path(path_type=Path, file_okay=False),
        required=required,
        envvar="SPINDLEBOOK_WORKSPACE",
        help="The folder with shop.toml, the book and the site (or SPINDLEBOOK_WORKSPACE).",
    )


FORMAT = click.option(
    "--format", "form", type=click.Choice(["table", "csv", "json", "xlsx"]), default="table", show_default=True
)
REPORT_NAMES = (  # those of pipeline.report.queries, which is too heavy for `--help`
    "utilisation", "indicators", "losses", "stops", "batches", "changes", "jobs", "causes", "tools", "quoting",
    "trust", "backtest", "outcomes", "counters", "quality", "corrections", "contradictions", "restatements",
    "edges", "in_use", "shelf", "tooling", "tool_jobs",
)  # fmt: skip
OUTPUT = click.option("-o", "--output", type=click.Path(path_type=Path, dir_okay=False), help="Write to a file.")
DISK_ERRORS = frozenset(  # what a folder, a right or a disk can refuse; other errors of the system are faults of ours
    {errno.EACCES, errno.EPERM, errno.ENOTDIR, errno.EISDIR, errno.ENOSPC, errno.EROFS, errno.ENAMETOOLONG}
)
QUERY_INTERRUPTED = "Query interrupted"  # what the store raises, as RuntimeError, where Ctrl+C falls into a query
NOTHING = {  # what an empty report says, where "no rows" would leave the reader guessing
    "counters": "No counters: no control in the book exports counters of its own (the README says which are read).",
    "outcomes": "No outcomes: no quote was kept in the book before the last derive.",
    "backtest": "No backtest: no job with an estimate began after another one had run.",
    "contradictions": "No contradictions: no stream and cycle list disagree, and no listed cycles overlap.",
    "restatements": "No restatements: no month is frozen, or nothing that came later would change one.",
}
STRICT = click.option("--strict", is_flag=True, help="End with exit code 4 when a row was rejected.")


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="spindlebook")
@click.option("--quiet", "-q", is_flag=True, help="No progress on stderr.")
@click.option("--verbose", "-v", is_flag=True, help="Structured log lines on stderr.")
@click.option("--debug", is_flag=True, help="Show the traceback of a fault of ours.")
@click.pass_context
def cli(context: click.Context, quiet: bool, verbose: bool, debug: bool) -> None:
    """Keep the book of what a shop's spindles really did.

    Exports of machine controls go in; which jobs overrun, which tools' lives fall, how busy each spindle was and what
    the next quote should say come out.

    \b
    Example:
      spindlebook run exports/ --workspace myshop
    """
    from pipeline import logs, progress

    logs.set_up(verbose=verbose)
    context.obj = {"progress": progress.choose(quiet=quiet), "debug": debug}


def echo(text: str, *, err: bool = False, nl: bool = True) -> None:
    """Print text, whatever names of files, machines and jobs are in it, so that no terminal takes it for commands."""
    click.echo(printable(text), err=err, nl=nl)


def _workspace(folder: Path) -> Any:
    from pipeline.workspace import Workspace

    return Workspace(folder)


@cli.command()
@SOURCES
@workspace_option()
@STRICT
@click.pass_obj
def run(obj: dict[str, Any], sources: tuple[Path, ...], workspace: Path, strict: bool) -> None:
    """Read, check, store, derive and publish; prints a one-screen summary.

    SOURCE is an exported file or a folder of them. What the book already holds is not read again.

    \b
    Example:
      spindlebook run exports/ --workspace myshop
    """
    from flows import steps

    text, ingested = steps.run(list(sources), _workspace(workspace), obj["progress"], thorough=strict)
    echo(text)
    ingested.require_no_faults()
    if strict:
        ingested.require_no_rejects()


@cli.command()
@workspace_option(required=False)
@click.pass_obj
def demo(obj: dict[str, Any], workspace: Path | None) -> None:
    """Run the bundled sample logs of a made-up shop.

    \b
    Example:
      spindlebook demo --workspace demo-shop
    """
    from flows import steps

    echo(steps.demo(workspace or Path("spindlebook-demo"), obj["progress"]))


@cli.command()
@SOURCES
@workspace_option()
@STRICT
@click.pass_obj
def ingest(obj: dict[str, Any], sources: tuple[Path, ...], workspace: Path, strict: bool) -> None:
    """Read, check and store exports; derives nothing.

    \b
    Example:
      spindlebook ingest exports/2026-09 --workspace myshop
    """
    from flows.ingesting import ingest

    result = ingest(list(sources), _workspace(workspace), obj["progress"], thorough=strict)
    echo(result.summary())
    result.require_no_faults()
    result.require_readable()
    if strict:
        result.require_no_rejects()


@cli.command()
@workspace_option()
@click.pass_obj
def derive(obj: dict[str, Any], workspace: Path) -> None:
    """Rebuild the time line, runs, edge lives and marts from the book and shop.toml.

    \b
    Example:
      spindlebook derive --workspace myshop
    """
    from flows import steps

    changed = steps.derive_marts(_workspace(workspace), obj["progress"], force=True)
    echo("Derived." if changed else "Nothing to derive.")


@cli.command()
@workspace_option()
@click.pass_obj
def publish(obj: dict[str, Any], workspace: Path) -> None:
    """Write the site from the marts.

    \b
    Example:
      spindlebook publish --workspace myshop
    """
    from flows import steps

    place = _workspace(workspace)
    pages = steps.publish_site(place, obj["progress"])
    echo(f"{len(pages)} files. Open {place.site_folder / 'index.html'}")


@cli.command()
@SOURCES
@workspace_option(required=False)
@STRICT
@click.pass_obj
def check(obj: dict[str, Any], sources: tuple[Path, ...], workspace: Path | None, strict: bool) -> None:
    """Dry run: what would be accepted, what rejected and why. Stores nothing.

    With --workspace its shop.toml and profiles are used.

    \b
    Example:
      spindlebook check exports/lathe.csv --workspace myshop
    """
    from flows.checking import check

    result = check(list(sources), _workspace(workspace or Path()), obj["progress"])
    echo(result.details())
    result.require_readable()
    if strict:
        result.require_no_rejects()


@cli.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@workspace_option(required=False)
@click.option("--save", is_flag=True, help="Keep the profile in the workspace and tie the file to it in shop.toml.")
@OUTPUT
def profile(file: Path, workspace: Path | None, save: bool, output: Path | None) -> None:
    """Propose a profile for an unknown export, as TOML, with how sure each field is and what shows it.

    With --save it is kept in the workspace and tied to the file and those named like it. What the file does not tell
    stands in it under to_check: answer it there and delete the lines; until then the file waits.

    \b
    Example:
      spindlebook profile exports/lathe.csv --workspace myshop --save
    """
    from flows import steps
    from pipeline.read.recognition.writing import profile_text, source_glob

    if save and workspace is None:
        raise UsageError("--save needs --workspace: that is where the profile is kept.")
    place = _workspace(workspace or Path())
    reason, proposal = steps.propose_profile(file, place)
    if proposal is None:
        echo(reason or f"{file} is read by our own field names; it needs no profile.", err=True)
        return
    text = profile_text(proposal)
    if save:
        files = source_glob(file.resolve().as_posix(), proposal)
        kept = place.keep_profile(text, file.stem, files)
        echo(f'Kept as {kept}; shop.toml ties "{files}" to it.', err=True)
        echo(
            "Answer what stands under to_check in it, then run again." if not proposal.sure else "Run again.", err=True
        )
    if output is not None:
        output.write_text(text, encoding="utf-8")
        echo(f"Written: {output}", err=True)
    elif not save:
        echo(text, nl=False)
    for doubt in proposal.doubts:
        echo(f"To be checked: {doubt}.", err=True)


@cli.command()
@click.argument(
    "name",
    type=click.Choice(REPORT_NAMES),
    metavar="NAME",
)
@workspace_option()
@click.option(
    "--format", "form", type=click.Choice(["table", "csv", "json", "xlsx", "html"]), default="table", show_default=True
)
@click.option("--by", type=click.Choice(["month", "week", "day"]), help="Rows of utilisation; month unless named.")
@click.option("--month", help="A local month, for example 2026-03 (reports that have months).")
@click.option("--week", help="An ISO week, for example 2026-W09 (utilisation).")
@click.option("--day", help="A local day, for example 2026-03-01 (utilisation).")
@click.option("--machine", help="One machine's id.")
@click.option("--job", help="A job number or part (batches, jobs, causes).")
@OUTPUT
def report(
    name: Any,
    workspace: Path,
    form: str,
    by: Any,
    month: str | None,
    week: str | None,
    day: str | None,
    machine: str | None,
    job: str | None,
    output: Path | None,
) -> None:
    """Print a report.

    \b
    utilisation   hours of each state by machine and month
    indicators    the time elements and indicators of ISO 22400-2, with formula and coverage
    losses        where planned time went besides cutting, in hours and money
    stops         the longest stops, with the record behind each
    batches       setup against the quote, first part against repeat parts, scrap, stops
    changes       each month against the one before
    jobs, causes  overruns of estimates and what makes them
    trust         how far off quotes of past jobs would have been, raw and corrected, and what is offered for it
    backtest      the same job by job
    outcomes      what was quoted against what then happened
    tools         lives of edges, whether they fall, when to change
    edges         the ledger: what every edge gave, and the record behind it
    in_use        every edge in use: chance of the next part and of the batch, parts left
    shelf         the fresh edges that coming batches take
    tooling       what edges cost, today's habit against the best change; tool_jobs by job
    quoting, counters, quality, corrections, contradictions, restatements

    The table shows the main columns, and times by the shop's clock; csv, json and xlsx carry all of them, in seconds
    and UTC. One month of utilisation is a workbook with losses and sums, or with --format html a page to print.

    \b
    Example:
      spindlebook report utilisation --month 2026-03 --workspace myshop --format html -o march.html
    """
    from pipeline.report.named import report as named_report
    from pipeline.report.periods import rows_by
    from pipeline.report.queries import Narrowed
    from pipeline.report.restating import restatement_lines
    from pipeline.store.book import open_book

    place = _workspace(workspace)
    row_of = rows_by(by, month, week, day)
    narrowed = Narrowed(month=month, week=week, day=day, machine=machine, job=job)
    is_month = name == "utilisation" and month is not None and row_of == "month"
    form = _form(form, output)
    if form == "html":
        if month is None or not is_month or machine is not None:
            raise UsageError("--format html is for one month of all machines: `report utilisation --month 2026-03`.")
        from flows import steps

        _put(steps.month_page(month, place), output)
        return
    if form == "xlsx" and is_month:
        from flows import steps

        steps.month_workbook(narrowed, place, _workbook_path(output))
        echo(f"Written: {output}", err=True)
        return
    with open_book(place.book_path, read_only=True) as book:
        frame = named_report(book, name, narrowed, place.shop, row_of)
    if name == "restatements" and form == "table" and not frame.is_empty() and output is None:
        for line in restatement_lines(frame):
            echo(line)
    else:
        _write(frame, form, output, name, place)
    if "restated" in frame.columns and frame["restated"].any():
        echo(
            "Frozen months would be different today: `spindlebook report restatements` says by how much and why.",
            err=True,
        )
    if name in ("tools", "quoting", "backtest"):
        _caution()


@cli.command()
@click.option("--month", required=True, help="A local month that is over, for example 2026-03.")
@workspace_option()
@click.option("--undo", is_flag=True, help="Take the statement back; the book keeps that it stood.")
@click.pass_obj
def freeze(obj: dict[str, Any], month: str, workspace: Path, undo: bool) -> None:
    """Freeze the figures of a month that is closed.

    Reports, pages and the printed month show them from then on, whatever comes in later. Where today's figures would be
    others, that stands beside them as a restatement, with the difference and its cause.

    \b
    Example:
      spindlebook freeze --month 2026-03 --workspace myshop
    """
    from flows import steps
    from pipeline.report.periods import rows_by

    rows_by("month", month, None, None)
    for line in steps.freeze_month(month, _workspace(workspace), obj["progress"], undo=undo):
        echo(line)


@cli.command()
@workspace_option()
@click.option(
    "--format", "form", type=click.Choice(["table", "csv", "json", "xlsx"]), default="table", show_default=True
)
@OUTPUT
def rejects(workspace: Path, form: str, output: Path | None) -> None:
    """Show the rejected rows and what to do about them.

    The table groups them by cause, with examples as they stood in their file, and names the files that could not be
    read. The other formats list every row, those closed by a later export too.

    \b
    Example:
      spindlebook rejects --workspace myshop --format csv -o rejects.csv
    """
    from pipeline.report.quarantine import reject_lines
    from pipeline.report.queries import query
    from pipeline.store.book import open_book

    place = _workspace(workspace)
    with open_book(place.book_path, read_only=True) as book:
        frame, files, away = (query(book, name) for name in ("rejects", "files_to_mend", "files_out_of_reach"))
    if form == "table" and output is None:
        for line in reject_lines(frame, files, workspace.as_posix(), away):
            echo(line)
    else:
        _write(frame, form, output, "rejects", place)


@cli.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@workspace_option()
@click.option(
    "--format", "form", type=click.Choice(["table", "csv", "json", "xlsx"]), default="table", show_default=True
)
@click.option("--stock-kg", type=click.FloatRange(min=0, min_open=True), help="Mass of the stock of one part.")
@click.option("--part-kg", type=click.FloatRange(min=0, min_open=True), help="Mass of one finished part.")
@click.option("--no-keep", is_flag=True, help="Do not keep the quote in the book.")
@OUTPUT
@click.pass_obj
def quote(
    obj: dict[str, Any],
    file: Path,
    workspace: Path,
    form: str,
    stock_kg: float | None,
    part_kg: float | None,
    no_keep: bool,
    output: Path | None,
) -> None:
    """Predict times and costs of a new job from its estimate lines in FILE.

    FILE has the columns of an estimate (job or program, operation, tool, cut_s, noncut_s or cycle_s, quantity ...).
    Predictions stand on the first line of each operation; intervals of 50 and 90 % are for the mean over the quantity.
    Masses are those of the order list unless given here. The book keeps what was quoted, with its inputs and the
    version of the factors; `report outcomes` sets it against what then happened.

    \b
    Example:
      spindlebook quote new-job.csv --workspace myshop --format xlsx -o quote.xlsx
    """
    from flows import steps
    from pipeline.report.quoting import total_lines

    place = _workspace(workspace)
    quoted, number = steps.quote_file(
        file, place, obj["progress"], keep=not no_keep, stock_kg=stock_kg, part_kg=part_kg
    )
    if form == "table" and output is None:
        for line in total_lines(quoted, place.shop.shop.currency):
            echo(line)
    else:
        _write(quoted, form, output, "quote", place)
    if number:
        echo(f"Kept as {number}.", err=True)
    _caution()


@cli.command()
@SOURCES
@workspace_option()
@click.option("--every", required=True, help="How often, for example 15min, 2h or 1day.")
def schedule(sources: tuple[Path, ...], workspace: Path, every: str) -> None:
    """Serve the whole run under Prefect, again and again, until interrupted.

    \b
    Example:
      spindlebook schedule exports/ --workspace myshop --every 15min
    """
    interval = parse_interval(every)
    from flows.schedule import serve

    serve(list(sources), workspace, interval)


def parse_interval(text: str) -> timedelta:
    """Return `15min`, `2h`, `30s` or `1day` as a length of time; raises UsageError otherwise."""
    match = re.fullmatch(r"(\d+)\s*(s|min|h|day)s?", text.strip())
    if not match or int(match[1]) == 0:
        raise UsageError(f"--every {text}: write a whole number and a unit, for example 15min, 2h or 1day.")
    seconds = {"s": 1, "min": 60, "h": 3600, "day": 86_400}[match[2]]
    return timedelta(seconds=int(match[1]) * seconds)


def _write(frame: Any, form: str, output: Path | None, name: str, place: Any) -> None:
    from pipeline.report import output as formats

    if frame.is_empty():
        echo(NOTHING.get(name, "No rows: nothing in the book matches."), err=True)
    form = _form(form, output)
    if form == "xlsx":
        formats.write_workbook(frame, _workbook_path(output), name)
        echo(f"Written: {output}", err=True)
        return
    text = {
        "table": lambda: formats.as_table(frame, name, place.shop.shop.timezone),
        "csv": lambda: formats.as_csv(frame),
        "json": lambda: formats.as_json(frame) + "\n",
    }[form]()
    _put(text, output)


def _form(form: str, output: Path | None) -> str:
    """Return the format that is meant: a file's name says it where no format was named."""
    if output is not None and not output.parent.is_dir():
        raise UsageError(f"--output {output}: there is no folder {output.parent}.")
    return "xlsx" if form == "table" and output is not None and output.suffix == ".xlsx" else form


def _workbook_path(output: Path | None) -> Path:
    if output is None:
        raise UsageError("--format xlsx needs --output FILE: a workbook cannot be printed.")
    return output


def _put(text: str, output: Path | None) -> None:
    if output is None:
        echo(text, nl=False)
    else:
        output.write_text(text, encoding="utf-8")
        echo(f"Written: {output}", err=True)


def _caution() -> None:
    from pipeline.report.quoting import CAUTION

    echo(CAUTION, err=True)


def _interrupted() -> int:
    echo("Interrupted. Nothing of the file being read was stored; run the same command again.", err=True)
    return Exit.INTERRUPTED


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command and return its exit code (DESIGN section 6)."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")  # a letter that this terminal does not have is no fault
    try:
        result = cli.main(args=list(argv) if argv is not None else None, standalone_mode=False)
        return int(result) if isinstance(result, int) else Exit.DONE
    except click.exceptions.Exit as ended:
        return ended.exit_code
    except click.ClickException as error:
        error.show()
        return Exit.USAGE
    except (click.Abort, KeyboardInterrupt):
        return _interrupted()
    except SpindlebookError as error:
        if error.exit_code == Exit.FAULT and "--debug" in (argv if argv is not None else sys.argv):
            raise
        echo(str(error), err=True)
        return error.exit_code
    except BrokenPipeError:
        return Exit.DONE
    except Exception as error:
        if isinstance(error, RuntimeError) and str(error) == QUERY_INTERRUPTED:
            return _interrupted()
        if "--debug" in (argv if argv is not None else sys.argv):
            raise
        if isinstance(error, OSError) and error.errno in DISK_ERRORS:
            place = f"{error.filename}: cannot be read or written" if error.filename else "The disk refused"
            echo(
                f"{place} ({error.strerror}). Check that the folder is there, that you may write in it, that no other "
                "program holds the file and that the disk is not full; then run again.",
                err=True,
            )
            return Exit.INPUT
        said = str(error) if isinstance(error, AuditError) else f"{type(error).__name__}: {error}"
        echo(
            f"A fault in spindlebook, not in your files: {said}\n"
            "The book is as it was before this step. Run again with --debug in front of the command for the details.",
            err=True,
        )
        return Exit.FAULT


if __name__ == "__main__":
    sys.exit(main())
