"""The commands below ``tenhold drill``: thin, as all commands are; heavy imports wait."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from api.errors import STOPPED, InputError
from diagnose.places import knowledge_folder

drill = typer.Typer(help="Find what is wrong with a machine that is only simulated.",
                    no_args_is_help=True)  # fmt: skip
Knowledge = Annotated[
    Path | None,
    typer.Option("--knowledge", help="Another knowledge folder; or set TENHOLD_KNOWLEDGE."),
]
Nick = Annotated[str, typer.Option("--nick", help="Nickname under which progress is kept.")]
Answers = Annotated[
    str | None, typer.Option(help="File (or -) with an answer a line; - is Enter, # a comment.")
]
Machine = Annotated[str, typer.Option("--machine", help="Machine id.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON.")]


def _drilling(knowledge: Path | None) -> Any:
    from api.drilling import Drilling
    from api.engine import Engine

    return Drilling(Engine(knowledge or knowledge_folder()))


@drill.command("list")
def list_drills(as_json: AsJson = False, knowledge: Knowledge = None) -> None:
    """List the stock drills from easy to hard, and the drills not ended yet."""
    from api.drill_list import drill_lines, drill_rows
    from api.show import Screen

    drilling = _drilling(knowledge)
    if as_json:
        typer.echo(json.dumps(drill_rows(drilling), indent=1))
    else:
        Screen().show(drill_lines(drilling))


@drill.command()
def play(
    which: Annotated[
        str | None, typer.Argument(help="Stock drill, code, or 'last' to go on; none: any cause.")
    ] = None,
    machine: Machine = "small",
    nick: Nick = "",
    seed: Annotated[int | None, typer.Option(min=0, help="Number of a drill drawn afresh.")] = None,
    answers: Answers = None,
    knowledge: Knowledge = None,
) -> None:
    """Do a drill: a stock one, one that a trainer set, or one drawn afresh."""
    from api.drill_list import begin_which

    drilling = _drilling(knowledge)
    _run(drilling, begin_which(drilling, which, machine, nick, seed), answers)


@drill.command()
def practice(nick: Nick, answers: Answers = None, knowledge: Knowledge = None) -> None:
    """Do what is due: what was missed or mixed up comes back, then the next stock drill."""
    drilling = _drilling(knowledge)
    record, found = drilling.begin_next(_nick(nick))
    typer.echo(f"Next: {found.why}.", err=True)
    _run(drilling, record.name, answers)


@drill.command()
def study(
    machine: Machine = "small",
    faults: Annotated[int, typer.Option(min=1, max=8, help="Faults set on the machine.")] = 5,
    nick: Nick = "",
    seed: Annotated[int | None, typer.Option(min=0, help="Number of the study.")] = None,
    answers: Answers = None,
    knowledge: Knowledge = None,
) -> None:
    """Do a whole checkout of a machine with several faults, and write down what is wrong."""
    drilling = _drilling(knowledge)
    record = drilling.begin_study(machine, faults, nick and _nick(nick), seed)
    _run(drilling, record.name, answers)


@drill.command()
def debrief(
    name: Annotated[str, typer.Argument(help="Name of an ended drill, or 'last'.")] = "last",
    svg: Annotated[
        Path | None, typer.Option("--svg", help="Also draw the pressure curves to this file.")
    ] = None,
    knowledge: Knowledge = None,
) -> None:
    """Show the debrief of an ended drill again."""
    from api.drill_list import find_ended, write_curves
    from api.drill_talk import finish_lines
    from api.show import Screen

    drilling = _drilling(knowledge)
    play_ = drilling.open(find_ended(name))
    Screen().show(finish_lines(drilling, play_))
    if svg is not None:
        write_curves(drilling, play_, svg)


@drill.command("set")
def set_(
    cause: Annotated[list[str], typer.Option("--cause", help="Cause id; again for more.")],
    machine: Machine = "small",
    severity: Annotated[
        list[float] | None, typer.Option("--severity", help="0 to 1 for each cause; 0.5.")
    ] = None,
    seed: Annotated[int, typer.Option(min=0, help="Another machine of the profile.")] = 1,
    minutes: Annotated[float | None, typer.Option(min=0, help="Until it is needed.")] = None,
    tools: Annotated[
        str | None, typer.Option(help="Tools at hand, with commas; 'none'; left out: every tool.")
    ] = None,
    knowledge: Knowledge = None,
) -> None:
    """Set a case as a trainer, and print the code to share it by."""
    from api.drill_list import set_checked

    shares = severity or [0.5] * len(cause)
    found = set_checked(_drilling(knowledge), machine, cause, shares, seed, minutes, tools)
    typer.echo(found)


@drill.command()
def progress(
    nick: Nick, as_json: AsJson = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="Print CSV, one drill a line.")] = False,
) -> None:  # fmt: skip
    """Show what a trainee did, what is mixed up and what is due; or export it."""
    from api.drill_list import progress_lines
    from api.show import Screen
    from diagnose.drill.practice import read_progress, to_csv, to_plain

    found = read_progress(_nick(nick))
    if as_json:
        typer.echo(json.dumps(to_plain(found), ensure_ascii=False, indent=1))
    elif as_csv:
        typer.echo(to_csv(found), nl=False)
    else:
        Screen().show(progress_lines(found))


def _nick(text: str) -> str:
    from diagnose.drill.record import read_nick

    return read_nick(text)


def _run(drilling: Any, name: str, answers: str | None) -> None:
    from api.ask import Person, read_script
    from api.drill_talk import DrillTalk, finish_lines
    from api.show import Screen

    if answers is None and not sys.stdin.isatty():
        raise InputError("--answers", "there is no terminal to ask at", do="name a file, or -")
    screen = Screen(clears=answers is None)
    asker = Person(screen) if answers is None else read_script(answers, screen)
    talk = DrillTalk(screen, asker, drilling, name)
    try:
        is_ended = talk.run()
    except KeyboardInterrupt:
        typer.echo("\nKept: 'tenhold drill play last' goes on.", err=True)
        raise typer.Exit(STOPPED) from None
    if not is_ended:
        typer.echo("Kept: 'tenhold drill play last' goes on.", err=True)
        return
    screen.clear()
    show_long(screen, asker, finish_lines(drilling, talk.play), pages=answers is None)


def show_long(screen: Any, asker: Any, found: list[Any], *, pages: bool) -> None:
    """Show lines, a screen at a time where a person reads them."""
    room = screen.height - 3 if pages else max(1, len(found))
    for start in range(0, len(found), room):
        screen.show(found[start : start + room])
        if pages and start + room < len(found):
            if not asker.pause():
                return
            screen.clear()
