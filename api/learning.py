"""``tenhold log learn`` and what belongs to it: proposals, accepting, surprises, figures."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

import typer

from api.logbook import AsJson, Asset, By, Knowledge, _book, _engine, _print, log

Profile = Annotated[str, typer.Argument(help="Machine id, as 'tenhold machines' lists them.")]
HalfLife = Annotated[
    float | None, typer.Option("--half-life", help="Days after which a case counts half.")
]


@log.command()
def learn(
    profile: Profile,
    asset: Asset = "",
    half_life: HalfLife = None,
    as_json: AsJson = False,
    knowledge: Knowledge = None,
) -> None:
    """Show how often causes are there by the confirmed cases; changes nothing."""
    from dataclasses import asdict

    from diagnose.logbook.accept import make_proposal

    own = make_proposal(_book(), _engine(knowledge).kit(profile), asset, half_life)
    more = f"'tenhold log accept {profile} --by NAME' puts it into effect."
    _print(asdict(own), as_json, [*own.say(), f"Nothing is changed yet: {more}"])


@log.command()
def accept(
    profile: Profile,
    by: By,
    asset: Asset = "",
    half_life: HalfLife = None,
    knowledge: Knowledge = None,
) -> None:
    """Put what 'tenhold log learn' shows into effect, in your name."""
    from diagnose.logbook.accept import accept as take
    from diagnose.logbook.accept import make_proposal

    book = _book()
    own = make_proposal(book, _engine(knowledge).kit(profile), asset, half_life)
    take(book, own, by)
    typer.echo("\n".join([*own.say(), f"In effect for {asset or profile}, accepted by {by}."]))


@log.command()
def withdraw(profile: Profile, by: By, asset: Asset = "") -> None:
    """Go back to the rates of the knowledge."""
    from diagnose.logbook.accept import withdraw as leave

    leave(_book(), profile, by, asset)
    typer.echo(f"{asset or profile}: the rates of the knowledge hold again.")


@log.command()
def surprises(profile: Profile, as_json: AsJson = False, knowledge: Knowledge = None) -> None:
    """List readings that came clearly oftener than the knowledge says, for its keeper."""
    from dataclasses import asdict

    from diagnose.logbook.surprise import find_surprises

    found = find_surprises(_book(), _engine(knowledge).kit(profile))
    lines = [f"{own.cause}: {own.test} read {own.outcome} {own.seen} times of {own.asked}, by the "
             f"knowledge {own.expected:.2g}" for own in found]  # fmt: skip
    _print([asdict(own) for own in found], as_json, lines or ["Nothing surprising was read."])


@log.command()
def exposure(
    asset: Annotated[str, typer.Argument(help="Which machine: its inventory number.")],
    profile: Profile,
    by: By,
    begin: Annotated[datetime, typer.Option("--from", help="First day.")],
    end: Annotated[datetime, typer.Option("--to", help="Last day.")],
    days: Annotated[
        float | None, typer.Option(help="Days of use in that time; left out: every day.")
    ] = None,
    knowledge: Knowledge = None,
) -> None:
    """Enter on how many days a machine was checked out: without it no rate can be learnt."""
    from api.intake import find_profile
    from diagnose.logbook.accept import add_exposure

    find_profile(_engine(knowledge).outline, profile)
    times = begin.timestamp(), end.timestamp() + 86400
    own = add_exposure(_book(), asset, profile, *times, by, days)
    typer.echo(f"{asset}: {own.facts['days']:g} days")


@log.command()
def figures(as_json: AsJson = False) -> None:
    """Show what was most often wrong, how often the tool was right, and how long it took."""
    from diagnose.logbook.figures import list_figures, say_figures

    found = list_figures(_book())
    _print(found, as_json, say_figures(found))
