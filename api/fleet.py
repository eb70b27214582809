"""The list of single machines from the command line: add, list, remove."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from api.engine import Engine
from api.errors import InputError
from diagnose.places import knowledge_folder

app = typer.Typer(help="Keep the list of your single machines.", no_args_is_help=True)

Asset = Annotated[str, typer.Argument(help="Asset number: letters, digits, '.', '-', '_'.")]
Knowledge = Annotated[
    Path | None,
    typer.Option("--knowledge", help="Another knowledge folder; or set TENHOLD_KNOWLEDGE."),
]


def _titles(knowledge: Path | None) -> dict[str, str]:
    outline = Engine(knowledge or knowledge_folder()).outline
    return {each.id: each.title for each in outline.machines}


def find_machine(engine: Engine, asset: str) -> str:
    """Return the machine id of a single machine in the list.

    Raises
    ------
    FleetError
        The list cannot be used.
    InputError
        It has no such number.
    """
    from diagnose.fleet import find_owned, read_asset

    own = find_owned(read_asset(asset), {each.id for each in engine.outline.machines})
    if own is None:
        do = "'tenhold fleet list' lists them; or name its kind by --machine"
        raise InputError("--asset", f"'{asset}' is not in the list of machines", do=do)
    return own.profile


@app.command("list")
def list_fleet(
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
    knowledge: Knowledge = None,
) -> None:
    """List your single machines."""
    from api.listing import to_json
    from api.show import Line, Screen
    from diagnose.fleet import read_fleet

    titles = _titles(knowledge)
    found = read_fleet(titles)
    if as_json:
        typer.echo(to_json([each.model_dump() for each in found]))
        return
    Screen().show(
        [Line(f"{each.asset:16} {titles[each.profile]} ({each.profile})  {each.place}".rstrip())
         for each in found] or [Line("No machine is in the list yet.")]
    )  # fmt: skip


@app.command("add")
def add(
    asset: Asset,
    machine: Annotated[str, typer.Argument(help="Machine id: what kind it is.")],
    place: Annotated[str, typer.Option("--place", help="Where it stands.")] = "",
    knowledge: Knowledge = None,
) -> None:
    """Put a single machine on the list."""
    from diagnose.fleet import add_owned, fleet_path

    own = add_owned(asset, machine, place, _titles(knowledge))
    typer.echo(f"Added: {own.asset}, in {fleet_path()}")


@app.command("remove")
def remove(asset: Asset, knowledge: Knowledge = None) -> None:
    """Take a single machine off the list; its records stay."""
    from diagnose.fleet import remove_owned

    remove_owned(asset, _titles(knowledge))
    typer.echo(f"Removed: {asset}")
