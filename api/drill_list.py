"""Lists of drills, where one is found, and a trainee's progress, in lines."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from api.drill_curve import draw_curves
from api.drill_debrief import list_curves
from api.drilling import Drilling, Play, set_case
from api.errors import InputError
from api.show import Line, fit, wrap
from diagnose.drill.case import Case, check_case
from diagnose.drill.machine import Rig
from diagnose.drill.play import begin
from diagnose.drill.practice import Progress, now_utc
from diagnose.drill.record import CODE, find_record, list_records, read_nick

LEVELS = ("", "seen at a look", "one place, plain", "leaks and blocks", "hidden or inside",
          "two at once")  # fmt: skip
LAST = "last"


def drill_rows(drilling: Drilling) -> list[dict[str, Any]]:
    """Return the stock drills as plain data; nothing of what they hide."""
    machines = drilling.engine.base().machines
    return [{"drill": name, "level": each.level, "machine": each.machine,
             "title": machines[each.machine].title, "minutes": each.minutes}
            for name, each in drilling.drills.items()]  # fmt: skip


def drill_lines(drilling: Drilling) -> list[Line]:
    """Return the stock drills by level, and the drills to go on with."""
    found: list[Line] = []
    level = 0
    for row in drill_rows(drilling):
        if row["level"] != level:
            level = int(row["level"])
            found.append(Line(f"Level {level}: {LEVELS[level]}", "bold"))
        found.append(Line(fit(f"  {row['drill']}  {row['title']}")))
    left = [record for record in list_records() if not record.is_ended][:5]
    if left:
        found.append(Line("Not ended yet; 'tenhold drill play NAME' goes on:", "bold"))
    titles = drilling.engine.base().machines
    for record in left:
        title = titles[record.case.machine].title if record.case.machine in titles else ""
        nick = f", {record.told.nick}" if record.told.nick else ""
        found.append(Line(fit(f"  {record.name}  {record.opened_at:%d %b %H:%M}{nick}  {title}")))
    return [*found, Line("Begin one: tenhold drill play NAME; it is a drill, nothing is real.")]


def begin_which(
    drilling: Drilling, which: str | None, machine: str, nick: str, seed: int | None
) -> str:
    """Return the name of the drill that was asked for, begun now or before.

    Raises
    ------
    InputError
        There is none to go on with.
    """
    own = read_nick(nick) if nick else ""
    if which == LAST:
        left = [record for record in list_records(own) if not record.is_ended]
        if not left:
            raise InputError("drill", "there is none to go on with", do="begin one")
        return left[0].name
    if which is None:
        return drilling.begin_drawn(machine, (), own, seed).name
    if which in drilling.drills:
        return drilling.begin_stock(which, own).name
    if CODE.fullmatch(which.upper()):
        return drilling.begin_code(which, own).name
    if len(which) == 16:
        return find_record(which).name
    return drilling.begin_stock(which, own).name  # says that there is none


def find_ended(name: str) -> str:
    """Return the name of an ended drill; raises InputError if there is none."""
    if name != LAST:
        return find_record(name).name
    ended = [record for record in list_records() if record.is_ended]
    if not ended:
        raise InputError("drill", "none is ended yet", do="'tenhold drill play' begins one")
    return ended[0].name


def write_curves(drilling: Drilling, play: Play, file: Path) -> None:
    """Draw the pressure curves of a drill to a file.

    Raises
    ------
    InputError
        There is no hold in it, or the file cannot be written.
    """
    curves, labels, _ = list_curves(drilling, play)
    if not curves:
        raise InputError("--svg", "no pressure was watched in this drill")
    try:
        file.write_text(draw_curves(curves, labels), encoding="utf-8")
    except OSError as error:
        raise InputError(str(file), f"cannot be written ({error.strerror})") from error


def set_checked(
    drilling: Drilling, machine: str, causes: Sequence[str], shares: Sequence[float], seed: int,
    minutes: float | None, tools: str | None,
) -> str:  # fmt: skip
    """Set a case and return its code, if the checkout fails with it; raises DrillError else."""
    own = None if tools is None else frozenset(
        part.strip() for part in tools.split(",") if part.strip() not in ("", "none"))  # fmt: skip
    case = Case(machine, tuple(causes), tuple(shares), seed, minutes, own)
    if machine not in drilling.engine.base().machines:
        known = sorted(drilling.engine.base().machines)
        raise InputError("machine", f"'{machine}' is not known", known)
    catalogue = drilling.engine.catalogue(machine)
    check_case(catalogue, case)
    begin(Rig(catalogue, case))
    return set_case(case)


def progress_lines(progress: Progress) -> list[Line]:
    """Return what a trainee did, what is mixed up, and what is due."""
    log = progress.log
    if not log:
        return [Line(f"Nothing done yet by {progress.nick}.")]
    solved = sum(row["verdict"] == "solved" for row in log)
    failed = sum(row["verdict"] in ("unsafe", "not shown") for row in log)
    mean = sum(float(row["score"]) for row in log) / len(log)
    many = f"{len(log)} drill{'s' * (len(log) != 1)}"
    head = f"{progress.nick}: {many}, {solved} solved, {failed} failed for safety"
    found = [Line(head, "bold"), Line(f"Mean score {mean:.0f} of 100.")]
    found += [Line("Score, drill by drill:", "bold")]
    for number, row in list(enumerate(log, 1))[-12:]:
        full = "#" * round(float(row["score"]) / 5)
        name = row["drill"] or row["machine"]
        found.append(
            Line(fit(f"{number:4} {full:20} {row['score']:5.0f}  {row['verdict']:9} {name}"))
        )
    if progress.confusions:
        found.append(Line("Mixed up:", "bold"))
        for (true, named), times in progress.confusions[:5]:
            found += wrap(f"{true} taken for {named}, {times} time{'s' * (times > 1)}", "  - ")
    due = sorted(key for key, card in progress.cards.items() if card.due <= now_utc())
    found.append(Line(f"Due now: {len(due)}; 'tenhold drill practice --nick NAME' takes the next."))
    return found
