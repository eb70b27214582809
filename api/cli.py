"""The command line: ``tenhold``. Thin: each command parses, calls, prints; heavy imports wait."""

from __future__ import annotations

import errno
import io
import sys
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from api import accounts, fleet
from api.drill_cli import drill
from api.errors import EXIT_CODES, STOPPED, InputError, find_code, say_error
from api.learning import log
from diagnose.places import knowledge_folder

ABOUT = f"""Finds why an anaesthesia-workstation checkout step failed, in the fewest minutes.

Training and decision support, not a medical device. Never on a machine connected to a patient.

{EXIT_CODES}"""


#: what typer itself says and handles
OWN_ERRORS: tuple[type[Exception], ...] = (
    typer.Exit,
    typer.Abort,
    *(kind for kind in typer.BadParameter.__mro__ if kind.__name__ == "ClickException"),
)


class Group(TyperGroup):
    """Commands whose errors are said in words, with an exit code, and never as a traceback."""

    def invoke(self, ctx: Any) -> Any:
        """Run the command named."""
        try:
            return super().invoke(ctx)
        except OWN_ERRORS:
            raise
        except Exception as error:
            if getattr(error, "errno", None) == errno.EPIPE:
                raise  # whoever reads our output has gone; typer ends quietly
            self._fail(error)

    def _fail(self, error: BaseException) -> None:
        for line in say_error(error):
            typer.echo(line, err=True)
        raise typer.Exit(find_code(error))


app = typer.Typer(
    cls=Group,
    help=ABOUT,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["--help", "-h"], "max_content_width": 80},
)

app.add_typer(log, name="log")
app.add_typer(drill, name="drill")
app.add_typer(fleet.app, name="fleet")
app.add_typer(accounts.app, name="accounts")

Knowledge = fleet.Knowledge
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON.")]
MachineName = Annotated[str | None, typer.Argument(help="Machine id; left out: all knowledge.")]
Machine = Annotated[str | None, typer.Option("--machine", help="Machine id.")]
Failed = Annotated[str | None, typer.Option("--failed", help="Id of the step that failed.")]
Answer = Annotated[
    str | None,
    typer.Option("--reading", help="What was seen: outcome id, or number with unit."),
]
Passed = Annotated[
    list[str] | None,
    typer.Option("--passed", help="A step passed before it; again for more; or 'all', 'none'."),
]
Minutes = Annotated[
    str | None, typer.Option("--minutes", help="Minutes until the machine is needed.")
]
Tools = Annotated[
    str | None,
    typer.Option("--tools", help="Tools at hand, with commas; 'none'; left out: every tool."),
]
Who = Annotated[str, typer.Option("--who", help="Who works: user or biomed.")]
Changed = Annotated[
    list[str] | None,
    typer.Option("--changed", help="A part changed since the last pass; again for more."),
]
ExitDisposition = Annotated[
    bool, typer.Option("--exit-disposition", help="Exit code 10 if removed from service.")
]


def _engine(knowledge: Path | None) -> Any:
    from api.accepted import read_rates
    from api.engine import Engine

    return Engine(knowledge or knowledge_folder(), read_rates)


@app.command("work-up")
def work_up(
    machine: Machine = None,
    failed: Failed = None,
    reading: Answer = None,
    passed: Passed = None,
    minutes: Minutes = None,
    tools: Tools = None,
    who: Who = "user",
    changed: Changed = None,
    asset: Annotated[
        str, typer.Option("--asset", help="Asset number of the machine, from 'tenhold fleet list'.")
    ] = "",
    answers: Annotated[
        str | None,
        typer.Option(
            help="File (or - for the standard input) with an answer a line to every question; "
            "a line - is Enter, # begins a comment."
        ),
    ] = None,
    resume: Annotated[
        str | None, typer.Option(help="Go on with a record: its name, its file, or 'last'.")
    ] = None,
    exit_disposition: ExitDisposition = False,
    knowledge: Knowledge = None,
) -> None:
    """Follow one failed checkout step to its cause and to a disposition, question by question."""
    from api.begin import run_work_up
    from api.intake import Told

    told = Told(
        machine, failed, reading, _split(passed), _minutes(minutes), _tools(tools), _who(who),
        changed=tuple(_split(changed) or ()), asset=asset,
    )  # fmt: skip
    raise typer.Exit(run_work_up(_engine(knowledge), told, answers, resume, exit_disposition))


@app.command()
def demo(
    auto: Annotated[bool, typer.Option("--auto", help="Play by itself to the end.")] = False,
    seed: Annotated[
        int | None, typer.Option(min=0, help="Number of the demo; left out: another each time.")
    ] = None,
    knowledge: Knowledge = None,
) -> None:
    """Work up an invented machine with a hidden cause."""
    import random

    from api.show import Screen

    by_itself = auto or not sys.stdin.isatty()
    engine = _engine(knowledge)
    engine.prepare("small")
    from api.demo import run_demo

    number = random.randrange(10_000) if seed is None else seed
    try:
        run_demo(engine, Screen(clears=not by_itself), number, by_itself)
    except KeyboardInterrupt:
        raise typer.Exit(130) from None


@app.command()
def rank(
    file: Annotated[str | None, typer.Argument(help="JSON file, - for the standard input.")] = None,
    machine: Machine = None,
    failed: Failed = None,
    reading: Answer = None,
    then: Annotated[
        list[str] | None,
        typer.Option("--then", help="A later reading, CHECK=ANSWER; again for more."),
    ] = None,
    done: Annotated[
        list[str] | None,
        typer.Option("--done", help="A remedy done after them, ACT@COMPONENT; again for more."),
    ] = None,
    passed: Passed = None,
    minutes: Minutes = None,
    tools: Tools = None,
    who: Who = "user",
    changed: Changed = None,
    as_json: AsJson = False,
    schema: Annotated[bool, typer.Option("--schema", help="Print the form of both JSONs.")] = False,
    exit_disposition: ExitDisposition = False,
    knowledge: Knowledge = None,
) -> None:
    """Diagnose in one shot, from JSON or from options."""
    from api import oneshot

    if schema:
        typer.echo(oneshot.say_schema())
        return
    if file is None:
        names, left = _split(passed), _minutes(minutes)
        own = oneshot.Options(machine, failed, reading, then or [], done or [], names, left,
                              _split(changed) or [])  # fmt: skip
        given = oneshot.from_options(own, _list(tools), _who(who))
    else:
        given = oneshot.read_file(file)
    raise typer.Exit(oneshot.run_rank(_engine(knowledge), given, as_json, exit_disposition))


@app.command()
def lint(
    folder: Annotated[Path | None, typer.Argument(help="Knowledge folder.")] = None,
    groups: Annotated[
        bool, typer.Option("--groups", help="Also list causes that no check tells apart.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Check every knowledge file, and what lies between the files."""
    from api.linting import run_lint

    raise typer.Exit(run_lint(folder or knowledge_folder(), as_json, groups))


@app.command()
def circuit(
    machine: Annotated[str, typer.Argument(help="Machine id.")],
    check: Annotated[
        str | None, typer.Option("--check", help="Show what this check puts to the test.")
    ] = None,
    out: Annotated[Path | None, typer.Option("--out", help="File to write; else print.")] = None,
    knowledge: Knowledge = None,
) -> None:
    """Draw a machine's gas paths as SVG."""
    from api.drawing import run_circuit

    run_circuit(_engine(knowledge), machine, check, out)


@app.command()
def pages(
    folder: Annotated[Path, typer.Argument(help="Folder to write to.")],
    knowledge: Knowledge = None,
) -> None:
    """Write the knowledge as pages to read, one a zone, with pictures."""
    from api.pages import run_pages

    run_pages(_engine(knowledge), folder)


@app.command()
def coverage(
    machine: Annotated[str, typer.Argument(help="Machine id.")],
    as_json: AsJson = False,
    svg: Annotated[
        Path | None, typer.Option("--svg", help="Also draw causes by checks to this file.")
    ] = None,
    knowledge: Knowledge = None,
) -> None:
    """Show what the checks of a machine cannot show, and which checks are needed."""
    from api.covering import run_coverage

    run_coverage(_engine(knowledge), machine, as_json, svg)


@app.command()
def serve(
    port: Annotated[int, typer.Option(min=1, max=65535, help="Port on this computer.")] = 8000,
    log: Annotated[
        str | None,
        typer.Option(metavar="FILE", help="One JSON line a request; - for standard error."),
    ] = None,
    host: Annotated[str, typer.Option(help="Address to listen on.")] = "127.0.0.1",
    name: accounts.Names = None,
    certificate: accounts.Certificate = None,
    key: accounts.PrivateKey = None,
    tls_elsewhere: accounts.Elsewhere = False,
    knowledge: Knowledge = None,
) -> None:
    """Serve pages for people and JSON for programs; to other computers only with accounts."""
    from api.app import run_server
    from api.reach import Reach

    reach = Reach(host, tuple(name or ()), certificate, key, tls_elsewhere)
    engine = _engine(knowledge)
    engine.base()
    try:
        run_server(engine, port, log, reach)
    except KeyboardInterrupt:
        raise typer.Exit(STOPPED) from None


@app.command()
def machines(as_json: AsJson = False, knowledge: Knowledge = None) -> None:
    """List the machines."""
    from api import listing

    found = listing.list_machines(_engine(knowledge))
    _print(found, as_json, listing.machine_lines(found))


@app.command()
def checks(
    machine: MachineName = None, as_json: AsJson = False, knowledge: Knowledge = None
) -> None:
    """List the checks: S is a checkout step, i an isolating test."""
    from api import listing

    found = listing.list_checks(_engine(knowledge), machine)
    _print(found, as_json, listing.item_lines(found))


@app.command()
def causes(
    machine: MachineName = None, as_json: AsJson = False, knowledge: Knowledge = None
) -> None:
    """List the causes: F is a fault, s a slip of the person."""
    from api import listing

    found = listing.list_causes(_engine(knowledge), machine)
    _print(found, as_json, listing.item_lines(found))


@app.command()
def show(
    name: Annotated[str, typer.Argument(help="Id of a check or a cause.")],
    as_json: AsJson = False,
    knowledge: Knowledge = None,
) -> None:
    """Show all there is to say about one check or cause."""
    from api import listing

    found = listing.show_one(_engine(knowledge), name)
    _print(found, as_json, listing.detail_lines(found))


def _print(found: Any, as_json: bool, shown: Any) -> None:
    from api.listing import to_json
    from api.show import Screen

    if as_json:
        typer.echo(to_json(found))
    else:
        Screen().show(shown)


def _list(text: str | None) -> list[str] | None:
    if text is None:
        return None
    return [] if text == "none" else [part.strip() for part in text.split(",") if part.strip()]


def _split(names: list[str] | None) -> list[str] | None:
    """Return names given one by one or with commas."""
    if not names:
        return None
    return [part.strip() for name in names for part in name.split(",") if part.strip()]


def _tools(text: str | None) -> frozenset[str] | None:
    found = _list(text)
    return None if found is None else frozenset(found)


def _minutes(text: str | None) -> float | None:
    if text is None:
        return None
    from api.intake import read_minutes

    return read_minutes(text)


def _who(text: str) -> Any:
    if text not in ("user", "biomed"):
        raise InputError("--who", f"'{text}' is nobody here", ["user", "biomed"])
    return text


def main() -> None:
    """Run the command line; what a terminal cannot show becomes a question mark."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    app()


if __name__ == "__main__":
    main()
