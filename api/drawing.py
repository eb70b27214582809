"""``tenhold circuit``: a machine's gas paths as SVG, to a file or to the standard output."""

from __future__ import annotations

from pathlib import Path

import typer

from api.engine import Engine
from api.errors import InputError
from diagnose.readings import find_test


def run_circuit(engine: Engine, machine: str, check: str | None, out: Path | None) -> None:
    """Draw a machine; with a check, what it puts to the test.

    Raises
    ------
    InputError
        The file cannot be written.
    """
    from diagnose.draw import draw_svg

    catalogue = engine.catalogue(machine)
    if check is not None:
        find_test(catalogue, check)
    svg = draw_svg(catalogue, engine.base().version, check)
    if out is None:
        typer.echo(svg)
    else:
        write_picture(svg, out)


def write_picture(svg: str, out: Path) -> None:
    """Write a picture to a file, and say so on the standard error.

    Raises
    ------
    InputError
        The file cannot be written.
    """
    try:
        out.write_text(svg, encoding="utf-8")
    except OSError as error:
        do = "name a file in a folder that can be written"
        raise InputError(str(out), f"cannot be written ({error.strerror})", do=do) from error
    typer.echo(f"Written: {out}", err=True)
