"""``tenhold coverage``: what a machine's checks can show, to read, as JSON and as a picture."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import typer

from api.drawing import write_picture
from api.engine import Engine
from api.listing import to_json
from api.show import Line, Screen, say_minutes, wrap
from diagnose.catalogue import Catalogue, words
from diagnose.coverage import BETTER, SHOWS, Coverage, Sight, Split, cover
from diagnose.language import first_capital
from diagnose.testability import TELLS

Found = dict[str, Any]


def run_coverage(engine: Engine, machine: str, as_json: bool, svg: Path | None) -> None:
    """Print what the checks of a machine can show, and draw it if a file is named.

    Raises
    ------
    InputError
        The file cannot be written.
    """
    kit = engine.kit(machine)
    coverage = cover(kit.catalogue, kit.table)
    if svg is not None:
        from diagnose.matrix import draw_matrix

        write_picture(draw_matrix(kit.catalogue, coverage), svg)
    found = describe_coverage(kit.catalogue, coverage)
    if as_json:
        typer.echo(to_json(found))
    else:
        Screen().show(coverage_lines(found))


def describe_coverage(catalogue: Catalogue, coverage: Coverage) -> Found:
    """Return all that was found, under the keys of the JSON."""
    showing = coverage.showing
    return {
        "machine": catalogue.circuit.machine_id,
        "title": catalogue.circuit.machine.title,
        "causes": len(catalogue.causes),
        "checks": len(catalogue.tests),
        "limits": {"shows_chance": SHOWS, "tells_chance": TELLS, "better_chance": BETTER},
        "not_shown_by_steps": [
            _cause(catalogue, each.cause)
            | {"best_step": _sight(catalogue, each.best_step, "shows_chance"),
               "best_isolating_test": _sight(catalogue, each.best_isolating, "shows_chance")}
            for each in coverage.unshown
        ],
        "groups": [_group(catalogue, split) for split in coverage.splits],
        "never_help": [
            _check(catalogue, each.test) | {"gain_chance": round(each.gain, 3)}
            for each in coverage.idle
        ],
        "fewest_checks": {
            "checks": [_check(catalogue, test) for test in showing.tests],
            "minutes": round(showing.minutes, 1),
            "is_smallest": showing.is_smallest,
            "causes_shown": len(catalogue.causes) - len(showing.missed),
            "not_shown_by_any": [_cause(catalogue, cause) for cause in showing.missed],
        },
    }  # fmt: skip


def _cause(catalogue: Catalogue, name: str) -> Found:
    cause = catalogue.causes[catalogue.cause_index[name] - 1]
    title = first_capital(words(catalogue, cause.fault.title, cause.component))
    return {"id": name, "title": title, "shows_itself_chance": cause.fault.intermittent}


def _check(catalogue: Catalogue, name: str) -> Found:
    test = catalogue.tests[catalogue.test_index[name]]
    check = test.check
    title = first_capital(words(catalogue, check.title, test.it))
    return {
        "id": name, "title": title, "kind": check.kind, "by": check.by, "minutes": check.minutes,
    }  # fmt: skip


def _sight(catalogue: Catalogue, sight: Sight | None, key: str) -> Found | None:
    if sight is None:
        return None
    return _check(catalogue, sight.test) | {key: round(sight.chance, 3)}


def _group(catalogue: Catalogue, split: Split) -> Found:
    return {
        "causes": [_cause(catalogue, cause) for cause in split.causes],
        "split_by": [_check(catalogue, test) for test in split.tests],
        "is_smallest": split.is_smallest,
        "not_split": [
            {"causes": list(pair.causes),
             "nearest_check": _sight(catalogue, pair.nearest, "tells_chance")}
            for pair in split.left
        ],
    }  # fmt: skip


def coverage_lines(found: Found) -> Iterator[Line]:
    """Yield what was found, to read."""
    yield Line(f"{found['title']}: {found['checks']} checks, {found['causes']} causes", "bold")
    yield from wrap(
        "A check shows a cause clearly if, with the cause, it reads so at least "
        f"{round(10 * SHOWS)} times in 10 oftener than on a sound machine. It tells two causes "
        f"apart if its readings differ at least {round(10 * TELLS)} times in 10. Each check is "
        "judged alone, by its outcomes."
    )
    yield from _unshown_lines(found["not_shown_by_steps"])
    yield from _group_lines(found["groups"])
    yield from _idle_lines(found["never_help"])
    yield from _fewest_lines(found["fewest_checks"], found["causes"])


def _head(number: int, text: str) -> Iterator[Line]:
    yield Line()
    yield from wrap(text, f"{number}. ", mark="bold")


def _unshown_lines(found: list[Found]) -> Iterator[Line]:
    yield from _head(1, f"Causes that no checkout step shows clearly: {len(found)}")
    if found:
        yield from wrap("The checkout can pass although one of these is there.", "   ")
    for each in found:
        tail = " It comes and goes." if each["shows_itself_chance"] < 1 else ""
        yield from wrap(f"{each['title']} ({each['id']}).{tail}", "   - ", "     ")
        step, test = each["best_step"], each["best_isolating_test"]
        if step is not None:
            yield from wrap(f"Nearest step: {_say_sight(step)}", "       ")
        if test is None:
            yield from wrap("No isolating test shows it either.", "       ")
        else:
            is_clear = test["shows_chance"] >= SHOWS
            said = "Best isolating test" if is_clear else "No isolating test clearly; nearest"
            yield from wrap(f"{said}: {_say_sight(test)}", "       ")


def _group_lines(found: list[Found]) -> Iterator[Line]:
    yield from _head(2, f"Groups of causes that no user's check tells apart: {len(found)}")
    for number, group in enumerate(found, 1):
        yield Line(f"   Group {number}, {len(group['causes'])} causes:")
        for cause in group["causes"]:
            yield from wrap(f"{cause['title']} ({cause['id']})", "   - ", "     ")
        if group["split_by"]:
            what = "what can be split of it" if group["not_split"] else "all of it"
            said = f"Checks that together split {what} ({_say_search(group)}):"
            yield from wrap(said, "     ")
            yield from _check_lines(group["split_by"], "     - ")
        yield from _pair_lines(group)


def _pair_lines(group: Found) -> Iterator[Line]:
    titles = {cause["id"]: cause["title"] for cause in group["causes"]}
    for pair in group["not_split"]:
        first, second = (titles[cause] for cause in pair["causes"])
        yield from wrap(f"No check at all splits: {first} / {second}", "     ", "       ")
        nearest = pair["nearest_check"]
        said = f"nearest: {_say_sight(nearest)}" if nearest else "nothing that is read differs"
        yield from wrap(first_capital(said), "       ")


def _idle_lines(found: list[Found]) -> Iterator[Line]:
    yield from _head(3, f"Checks that never help: {len(found)}")
    if not found:
        return
    yield from wrap(
        "Whatever they show or tell apart, checks as quick or quicker do as well; all of them can "
        "be left out of the search for a cause together. Or the cause they are for is not in the "
        "knowledge yet. A checkout step among them stays in the checkout. The number read and "
        "tools do not count here.", "   ",
    )  # fmt: skip
    yield from _check_lines(found, "   - ")


def _fewest_lines(found: Found, causes: int) -> Iterator[Line]:
    count, shown = len(found["checks"]), found["causes_shown"]
    yield from _head(4, f"Fewest checks that show {shown} of {causes} causes clearly: {count}")
    if found["checks"]:
        said = f"{say_minutes(found['minutes'])} together ({_say_search(found)}). This is no "
        yield from wrap(f"{said}checkout: it shows a cause, not what it is.", "   ")
    yield from _check_lines(found["checks"], "   - ")
    for cause in found["not_shown_by_any"]:
        yield from wrap(f"No check shows clearly: {cause['title']} ({cause['id']})", "   ", "     ")


def _check_lines(checks: Iterable[Found], first: str) -> Iterator[Line]:
    for check in checks:
        yield from wrap(_say_check(check), first, " " * len(first))


def _say_check(check: Found) -> str:
    """Return a check in words: what it is, who does it, how long.

    >>> _say_check({"id": "a.b", "title": "Look", "kind": "step", "by": "user", "minutes": 0.5})
    'Look (a.b), checkout step, 0.5 min'
    """
    kind = "checkout step, " if check["kind"] == "step" else ""
    who = "biomed, " if check["by"] == "biomed" else ""
    return f"{check['title']} ({check['id']}), {kind}{who}{check['minutes']:g} min"


def _say_sight(sight: Found) -> str:
    chance = sight["shows_chance"] if "shows_chance" in sight else sight["tells_chance"]
    return f"{_say_check(sight)}: {100 * chance:.0f} in 100"


def _say_search(found: Found) -> str:
    return "no fewer will do" if found["is_smallest"] else "fewer may do: the search was cut short"
