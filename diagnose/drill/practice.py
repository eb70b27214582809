"""Practice that adapts: what a trainee missed comes back sooner, and what was mixed up with what.

Each cause, and each pair of causes that was confused, is a card of the FSRS scheduler. Progress is
one JSON file a nickname; there is no account, and nothing else is known of the trainee.
"""

from __future__ import annotations

import csv
import io
import json
import os
import tempfile
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from fsrs import Card, Rating, Scheduler

from diagnose.drill.judge import Judged
from diagnose.drill.record import drill_folder, read_nick
from diagnose.errors import LogError
from diagnose.kb.training import Drill

FORM = 1
SLOW = 1.5  # times the planner's minutes from which a right answer counts as hard [-]
FIELDS = ("at", "drill", "name", "machine", "hidden", "named", "verdict", "score", "minutes",
          "planner_minutes", "checks")  # fmt: skip


@dataclass
class Progress:
    """What one trainee did, and when what is due again."""

    nick: str
    cards: dict[str, Card] = field(default_factory=dict)
    log: list[dict[str, Any]] = field(default_factory=list)

    @property
    def solved(self) -> set[str]:
        """The stock drills solved at least once."""
        return {str(row["drill"]) for row in self.log if row["verdict"] == "solved"}

    @property
    def confusions(self) -> list[tuple[tuple[str, str], int]]:
        """What was hidden and what was named instead, the commonest first."""
        counted: Counter[tuple[str, str]] = Counter()
        for row in self.log:
            wrong = [name for name in row["named"] if name not in row["hidden"]]
            missed = [name for name in row["hidden"] if name not in row["named"]]
            counted.update((true, named) for true in missed for named in wrong)
        return counted.most_common()


@dataclass(frozen=True)
class Next:
    """What to practise next: a stock drill, or one of some faults drawn afresh."""

    drill: str = ""
    faults: tuple[str, ...] = ()
    why: str = ""


def fault_of(cause: str) -> str:
    """Return the fault of a cause: the same wherever it stands.

    >>> fault_of("breathing.tube_off@insp_tube")
    'breathing.tube_off'
    """
    return cause.partition("@")[0]


def grade(judged: Judged, planner_minutes: float) -> Rating:
    """Return how well it was known: a failed drill or a wrong cause comes back at once."""
    if judged.is_failed or judged.named < 1.0:
        return Rating.Again
    if judged.verdict != "solved" or judged.minutes > SLOW * (planner_minutes + 1.0):
        return Rating.Hard
    return Rating.Easy if judged.minutes <= planner_minutes else Rating.Good


def list_keys(hidden: tuple[str, ...], named: tuple[str, ...]) -> list[str]:
    """Return the cards a drill is about: its causes, and the pairs that were mixed up.

    >>> list_keys(("a.b@c",), ("a.d",))
    ['a.b', 'a.b|a.d']
    """
    own = [fault_of(name) for name in hidden]
    wrong = [fault_of(name) for name in named if name not in hidden]
    missed = [fault_of(name) for name in hidden if name not in named]
    pairs = {"|".join(sorted((a, b))) for a in missed for b in wrong if a != b}
    return [*dict.fromkeys(own), *sorted(pairs)]


def review(progress: Progress, hidden: tuple[str, ...], named: tuple[str, ...], rating: Rating,
           now: datetime) -> None:  # fmt: skip
    """Count a drill: its causes, the pairs mixed up now, and the earlier pairs it belongs to."""
    scheduler = Scheduler(enable_fuzzing=False)
    own = {fault_of(name) for name in hidden}
    earlier = [key for key in progress.cards if "|" in key and own & set(key.split("|"))]
    for key in dict.fromkeys([*list_keys(hidden, named), *earlier]):
        card = progress.cards.get(key) or Card(due=now)
        progress.cards[key], _ = scheduler.review_card(card, rating, now)


def choose_next(progress: Progress, drills: Mapping[str, Drill], now: datetime) -> Next:
    """Return what is due soonest, else the easiest stock drill not solved yet.

    A pair is practised by hiding either of the two.
    """
    due = sorted((card.due, key) for key, card in progress.cards.items() if card.due <= now)
    if due:
        faults = tuple(due[0][1].split("|"))
        fresh = [
            name
            for name, drill in drills.items()
            if name != _last(progress) and {fault_of(c.cause) for c in drill.causes} <= {*faults}
        ]
        if fresh and len(faults) == 1:
            return Next(drill=min(fresh, key=lambda name: _times(progress, name)), why="due again")
        why = "mixed up before" if len(faults) > 1 else "due again"
        return Next(faults=faults, why=why)
    left = sorted((d.level, name) for name, d in drills.items() if name not in progress.solved)
    if left:
        return Next(drill=left[0][1], why="new")
    return Next(why="all solved: another, drawn afresh")


def _last(progress: Progress) -> str:
    return str(progress.log[-1]["drill"]) if progress.log else ""


def _times(progress: Progress, name: str) -> int:
    return sum(row["drill"] == name for row in progress.log)


def progress_path(nick: str) -> Path:
    """Return the file of a trainee's progress; raises DrillError if it is no nickname."""
    return drill_folder() / f"progress-{read_nick(nick).replace(' ', '_')}.json"


def read_progress(nick: str) -> Progress:
    """Return a trainee's progress; nothing yet if there is no file.

    Raises
    ------
    LogError
        The file cannot be read.
    """
    path = progress_path(nick)
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        if data["form"] != FORM:
            raise ValueError(f"form {data['form']} is not {FORM}")
        cards = {str(key): Card.from_dict(card) for key, card in data["cards"].items()}
        return Progress(read_nick(nick), cards, list(data["log"]))
    except FileNotFoundError:
        return Progress(read_nick(nick))
    except (OSError, KeyError, TypeError, ValueError) as error:
        what = f"the progress cannot be read ({type(error).__name__}: {error})"
        raise LogError(str(path), what, "move the file away to begin anew") from error


def to_plain(progress: Progress) -> dict[str, Any]:
    """Return a trainee's progress as plain data."""
    cards = {key: card.to_dict() for key, card in sorted(progress.cards.items())}
    return {"form": FORM, "nick": progress.nick, "cards": cards, "log": progress.log}


def write_progress(progress: Progress) -> None:
    """Put a trainee's progress on the disk, all of it or nothing; raises LogError if that fails."""
    path = progress_path(progress.nick)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, suffix=".part")
        try:
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                json.dump(to_plain(progress), file, ensure_ascii=False, indent=1)
                file.flush()
                os.fsync(file.fileno())
            os.replace(name, path)
        except OSError:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        what = f"the progress cannot be written ({error.strerror})"
        raise LogError(str(path), what, "free space, or set TENHOLD_STATE") from error


def to_csv(progress: Progress) -> str:
    """Return what a trainee did as CSV, one drill a line; lists are joined by blanks."""
    file = io.StringIO()
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(["nick", *FIELDS])
    for row in progress.log:
        values = [" ".join(v) if isinstance(v := row[name], list) else v for name in FIELDS]
        writer.writerow([progress.nick, *values])
    return file.getvalue()


def now_utc() -> datetime:
    """Return the present moment; the scheduler counts in UTC."""
    return datetime.now(UTC)
