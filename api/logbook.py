"""``tenhold log``: the logbook from the command line. Thin: parse, call, print."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from diagnose.places import knowledge_folder

ABOUT = """The logbook: what is out of service, what it really was, and what was learnt.

It lies in the state folder, or in the database that TENHOLD_DATABASE names. No patient data, in no
field."""

log = typer.Typer(help=ABOUT, no_args_is_help=True, add_completion=False, rich_markup_mode=None)

AsJson = Annotated[bool, typer.Option("--json", help="Print JSON.")]
Knowledge = Annotated[
    Path | None,
    typer.Option("--knowledge", help="Another knowledge folder; or set TENHOLD_KNOWLEDGE."),
]
Work = Annotated[str, typer.Argument(help="Name of the work-up.")]
By = Annotated[str, typer.Option("--by", help="Who enters this.")]
Asset = Annotated[str, typer.Option("--asset", help="Which machine it is: its inventory number.")]
Causes = Annotated[
    list[str] | None, typer.Option("--cause", help="Id of a cause that it was; again for more.")
]
Others = Annotated[
    list[str] | None, typer.Option("--other", help="A cause in words; again for more.")
]
NoFault = Annotated[bool, typer.Option("--no-fault-found", help="Nothing was found.")]
Parts = Annotated[list[str] | None, typer.Option("--part", help="A part used; again for more.")]
Minutes = Annotated[float | None, typer.Option("--minutes", help="Minutes of work.")]
Downtime = Annotated[float | None, typer.Option("--downtime", help="Minutes out of service.")]
Notes = Annotated[str, typer.Option("--notes", help="Notes. No patient data.")]
Codes = Annotated[list[str] | None, typer.Option("--code", help="IMDRF code; again for more.")]
WorkUp = Annotated[str, typer.Option("--work-up", help="Only this one.")]


def _book(takes_in: bool = True) -> Any:
    from api.booking import open_book

    return open_book(takes_in)


def _engine(knowledge: Path | None) -> Any:
    from api.accepted import read_rates
    from api.engine import Engine

    return Engine(knowledge or knowledge_folder(), read_rates)


def _print(found: Any, as_json: bool, lines: Any) -> None:
    from api.listing import to_json

    typer.echo(to_json(found) if as_json else "\n".join(lines))


@log.command("take-in")
def take_in() -> None:
    """Take the records of work-ups in the state folder into the logbook; nothing twice."""
    from api.booking import say_taken
    from diagnose.logbook.intake import take_in as take

    typer.echo("\n".join(say_taken(take(_book(False)))))


@log.command()
def queue(as_json: AsJson = False) -> None:
    """List the machines out of service, those longest out first."""
    from api.booking import show_standing, standing_lines
    from diagnose.logbook.look import list_queue

    found = list_queue(_book())
    empty = "No machine is out of service."
    _print([show_standing(own) for own in found], as_json, standing_lines(found, empty))


@log.command()
def history(
    asset: Annotated[str, typer.Argument(help="Which machine: its inventory number.")],
    as_json: AsJson = False,
) -> None:
    """List what one machine had, newest first."""
    from api.booking import need_asset, show_standing, standing_lines
    from diagnose.logbook.look import list_history

    book = _book()
    found = list_history(book, asset) or need_asset(book, asset)
    _print([show_standing(own) for own in found], as_json, standing_lines(found, ""))


@log.command("hand-over")
def hand_over(work: Work, by: By, asset: Asset = "", notes: Notes = "") -> None:
    """Note that biomed has a machine that is out of service."""
    from diagnose.logbook.biomed import hand_over as hand

    hand(_book(), work, by, asset, notes)
    typer.echo(f"{work}: handed over to {by}. Still out of service.")


@log.command()
def confirm(
    work: Work,
    by: By,
    cause: Causes = None,
    other: Others = None,
    no_fault_found: NoFault = False,
    part: Parts = None,
    minutes: Minutes = None,
    downtime: Downtime = None,
    notes: Notes = "",
    code: Codes = None,
    asset: Asset = "",
    knowledge: Knowledge = None,
) -> None:
    """Confirm the root cause: what it really was."""
    from api.booking import Told, confirm_work

    told = Told(cause or [], other or [], no_fault_found, part or [], minutes, downtime, notes,
                code or [], asset)  # fmt: skip
    typer.echo("\n".join(confirm_work(_book(), _engine(knowledge), work, told, by)))


@log.command()
def amend(
    work: Work,
    by: By,
    why: Annotated[str, typer.Option("--why", help="Why it is corrected.")],
    cause: Causes = None,
    other: Others = None,
    no_fault_found: NoFault = False,
    part: Parts = None,
    minutes: Minutes = None,
    downtime: Downtime = None,
    notes: Notes = "",
    code: Codes = None,
    asset: Asset = "",
    knowledge: Knowledge = None,
) -> None:
    """Correct a confirmation, or which machine it was; what was entered first stays as well."""
    from api.booking import Told, amend_work

    told = Told(cause or [], other or [], no_fault_found, part or [], minutes, downtime, notes,
                code or [], asset)  # fmt: skip
    typer.echo("\n".join(amend_work(_book(), _engine(knowledge), work, told, by, why)))


@log.command("return")
def return_(
    work: Work,
    by: By,
    checkout_by: Annotated[str, typer.Option(help="Who passed the whole checkout.")],
    checkout_at: Annotated[
        str, typer.Option(help="When, as 2026-11-25T07:30+01:00; left out: now.")
    ] = "",
) -> None:
    """Return a machine to use: its root cause is confirmed and the whole checkout was passed."""
    from diagnose.logbook.biomed import Checkout, return_to_use

    at = checkout_at or datetime.now().astimezone().isoformat(timespec="milliseconds")
    return_to_use(_book(), work, by, Checkout(checkout_by, at))
    typer.echo(f"{work}: returned to use. Check it out before the first patient, as every day.")


@log.command()
def export(
    file: Annotated[Path, typer.Argument(help="File to write: .csv, .jsonl or .parquet.")],
    what: Annotated[str, typer.Option(help="work-ups, causes or events.")] = "work-ups",
) -> None:
    """Write the logbook to a file for other programs."""
    from diagnose.logbook.export import export as write

    typer.echo(f"Written: {write(_book(), what, file)} rows to {file}")


@log.command("import")
def import_(
    file: Annotated[Path, typer.Argument(help="CSV file of old work orders.")],
    by: By,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only look, write nothing.")] = False,
    as_json: AsJson = False,
    knowledge: Knowledge = None,
) -> None:
    """Take in old work orders; every line that cannot be used is named."""
    from api.booking import import_file

    found, lines, code = import_file(_book(False), _engine(knowledge), file, by, dry_run)
    _print(found, as_json, lines)
    raise typer.Exit(code)


@log.command()
def verify(
    head: Annotated[
        str, typer.Option(help="A head noted earlier, COUNT:DIGEST, that must be there.")
    ] = "",
    as_json: AsJson = False,
) -> None:
    """Check that every event is there and as it was written; name the first that is not."""
    from api.booking import check_head, say_verdict, verdict_code
    from diagnose.logbook.verify import verify as check

    found = check(_book(False), check_head(head))
    shown = {"events": found.count, "head": str(found.head), "wrong": found.wrong,
             "event": found.event, "stream": found.stream, "stale": found.stale}  # fmt: skip
    _print(shown, as_json, say_verdict(found))
    raise typer.Exit(verdict_code(found))


@log.command()
def rebuild() -> None:
    """Make the lists again from the events, where verify says that they do not follow."""
    typer.echo(f"Made again from {_book(False).rebuild()} events.")


@log.command()
def rank(knowledge: Knowledge = None) -> None:
    """Work out and keep what the ranking said, for ended work-ups that lack it."""
    from api.booking import rank_missing

    typer.echo("\n".join(rank_missing(_book(), _engine(knowledge))))


@log.command()
def replay(
    work_up: WorkUp = "",
    as_json: AsJson = False,
    knowledge: Knowledge = None,
) -> None:
    """Diagnose old work-ups with the knowledge of today and show what would change."""
    from api.booking import replay_all

    found, lines = replay_all(_book(), _engine(knowledge), work_up)
    _print(found, as_json, lines)


@log.command()
def backup(
    file: Annotated[Path, typer.Argument(help="File to write; .gz packs it.")],
) -> None:
    """Write the whole logbook to one file."""
    from diagnose.logbook.backup import backup as write

    top = write(_book(), file)
    typer.echo(f"Written: {top.count} events to {file}\nNote this head elsewhere: {top}")


@log.command()
def restore(file: Annotated[Path, typer.Argument(help="A backup.")]) -> None:
    """Bring a backup into an empty logbook."""
    from diagnose.logbook.backup import restore as bring

    top = bring(_book(False), file)
    typer.echo(f"Restored: {top.count} events\nHead: {top}")
