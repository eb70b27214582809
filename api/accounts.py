"""``tenhold accounts``: who may use a shared server. Thin: parse, call, print."""

from __future__ import annotations

import sys
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

import typer

ABOUT = """Who may use a shared server: accounts, roles, API tokens, the list of sign-ins.

Whoever may write the logbook's database may do all of this: there is no password here. The first
account is made here too. Roles: technician, trainer, biomed, keeper, admin."""

app = typer.Typer(help=ABOUT, no_args_is_help=True, add_completion=False, rich_markup_mode=None)

AsJson = Annotated[bool, typer.Option("--json", help="Print JSON.")]
Name = Annotated[str, typer.Argument(help="Name of the account.")]
Role = Annotated[str, typer.Option(help="technician, trainer, biomed, keeper or admin.")]
Names = Annotated[
    list[str] | None,
    typer.Option("--name", help="Name by which others ask for this server; again for more."),
]
Certificate = Annotated[
    Path | None, typer.Option("--certificate", help="Certificate for TLS, a PEM file.")
]
PrivateKey = Annotated[Path | None, typer.Option("--key", help="Its private key, a PEM file.")]
Elsewhere = Annotated[
    bool, typer.Option("--tls-elsewhere", help="A proxy before this server does the TLS.")
]


def _accounts() -> Any:
    from diagnose.logbook.accounts import Accounts
    from diagnose.logbook.book import Book

    return Accounts(Book().engine)


def _ask_password() -> str:
    """Return a password typed unseen, twice; or a line from a script. Never an option."""
    if sys.stdin.isatty():
        asked: str = typer.prompt("Password", hide_input=True, confirmation_prompt="Again")
        return asked
    return sys.stdin.readline().rstrip("\r\n")


def _say_time(seconds: float) -> str:
    return datetime.fromtimestamp(seconds).astimezone().isoformat(" ", "minutes")


def _check_first(name: str, role: str) -> None:
    """Refuse what cannot be before the password is asked for."""
    from diagnose.logbook.accounts import check_name, check_role

    check_name(name)
    check_role(role)


@app.command()
def add(name: Name, role: Role = "technician") -> None:
    """Make an account; its password is asked for, or read from a pipe."""
    _check_first(name, role)
    made = _accounts().add(name, role, _ask_password())
    typer.echo(f"{made.name}: {made.role}. A server that runs asks for sign-in within seconds.")


@app.command("list")
def list_(as_json: AsJson = False) -> None:
    """List the accounts and their API tokens."""
    from api.listing import to_json

    found = _accounts().each()
    if as_json:
        keys = ("label", "role", "ends")
        typer.echo(to_json([
            {"name": own.name, "role": own.role, "disabled": own.is_disabled,
             "made": _say_time(own.made_at), "tokens": [
                dict(zip(keys, (label, role, _say_time(ends)), strict=True))
                for label, role, ends in own.tokens]} for own in found
        ]))  # fmt: skip
        return
    for own in found:
        typer.echo(f"{own.name}: {own.role}{', disabled' if own.is_disabled else ''}")
        for label, role, ends in own.tokens:
            typer.echo(f"  token {label}: {role}, until {_say_time(ends)}")
    if not found:
        typer.echo("No account. The first: tenhold accounts add NAME --role admin")


@app.command("role")
def set_role(name: Name, role: Annotated[str, typer.Argument(help="Its new role.")]) -> None:
    """Give another role; sessions and tokens of the account end."""
    _accounts().set_role(name, role)
    typer.echo(f"{name}: {role}. Its sessions and tokens have ended.")


@app.command()
def password(name: Name) -> None:
    """Set another password; every session of the account ends."""
    _accounts().set_password(name, _ask_password())
    typer.echo(f"{name}: the password is changed, its sessions have ended.")


@app.command()
def disable(
    name: Name,
    undo: Annotated[bool, typer.Option("--undo", help="Open the account again.")] = False,
) -> None:
    """Shut an account; its sessions and tokens end. What it entered stays under its name."""
    _accounts().set_disabled(name, not undo)
    typer.echo(f"{name}: {'open again' if undo else 'disabled, its sessions and tokens ended'}.")


@app.command()
def token(
    name: Name,
    label: Annotated[str, typer.Option(help="What it is for, such as 'monitor'.")],
    role: Annotated[str, typer.Option(help="Its role; left out: that of the account.")] = "",
    days: Annotated[float, typer.Option(min=0.01, max=3660, help="Days until it ends.")] = 365,
) -> None:
    """Make an API token for a program and print it: it is shown only now."""
    typer.echo(_accounts().make_token(name, label, role, days))


@app.command()
def revoke(
    name: Name,
    label: Annotated[str, typer.Option(help="Only this token; left out: everything.")] = "",
) -> None:
    """End a token, or every session and token of an account."""
    typer.echo(f"{name}: {_accounts().revoke(name, label)} ended.")


@app.command()
def audit(
    last: Annotated[int, typer.Option(min=1, max=100_000, help="How many lines.")] = 50,
    as_json: AsJson = False,
) -> None:
    """List sign-ins and changes of accounts, the newest first; never a password."""
    from dataclasses import asdict

    from api.listing import to_json

    found = _accounts().list_sign_ins(last)
    if as_json:
        typer.echo(to_json([asdict(own) | {"at": _say_time(own.at)} for own in found]))
        return
    for own in found:
        typer.echo(f"{_say_time(own.at)}  {own.account or '(nobody)'}  {own.address}  {own.result}")
