"""A group on one case: a code, several trainees, and a board that shows who is where.

The board tells how far each is and nothing of what is hidden, until the trainer closes the group.
"""

from __future__ import annotations

import json
import secrets
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from api.drilling import Drilling
from api.errors import InputError
from diagnose.drill.case import Case, to_case, to_data
from diagnose.drill.record import CODE, Record, Told, draw_code, drill_folder, parse, read_nick
from diagnose.errors import DrillError, LogError
from diagnose.journal import Journal

PEOPLE_MOST = 40


@dataclass(frozen=True)
class Group:
    """A group as its file tells it."""

    code: str
    case: Case
    key: str  # of whoever opened it
    drill: str  # stock drill, if it is one
    joined: tuple[tuple[str, str], ...]  # nickname, name of the drill
    is_closed: bool


@dataclass(frozen=True)
class Row:
    """One trainee on the board."""

    nick: str
    checks: int
    minutes: float
    is_ended: bool


def open_group(drilling: Drilling, case: Case, drill: str = "") -> Group:
    """Open a group on a case; its beginning is worked out now, so that nobody waits later."""
    drilling.prepare(case)
    code = draw_code()
    _write(_path(code), "opened", case=to_data(case), key=secrets.token_hex(8), drill=drill)
    return read_group(code)


def _path(code: str) -> Path:
    return drill_folder() / f"group-{code}.jsonl"


def _write(path: Path, event: str, **facts: object) -> None:
    journal = Journal(path)
    try:
        journal.write(event, **facts)
    finally:
        journal.close()


def read_group(code: str) -> Group:
    """Return a group by its code.

    Raises
    ------
    DrillError
        There is none.
    LogError
        Its file is broken.
    """
    path = _path(code)
    if not CODE.fullmatch(code) or not path.is_file():
        raise DrillError("code", f"'{code[:20]}' belongs to no group here", "ask the trainer")
    try:
        events: list[dict[str, Any]] = list(parse(path))
        head = events[0]
        joined = tuple((str(e["nick"]), str(e["name"])) for e in events if e["event"] == "joined")
        is_closed = any(event["event"] == "closed" for event in events)
        return Group(code, to_case(head["case"]), head["key"], head["drill"], joined, is_closed)
    except (KeyError, TypeError, ValueError, IndexError, json.JSONDecodeError) as error:
        what = f"tells no group ({type(error).__name__})"
        raise LogError(str(path), what, "open another group") from error


def join(drilling: Drilling, code: str, nick: str) -> str:
    """Return the drill of a trainee in a group: begun now, or the one begun before.

    Raises
    ------
    DrillError
        There is no such group, it is full or closed, or it is no nickname.
    """
    group, own = read_group(code), read_nick(nick)
    for other, name in group.joined:
        if other.lower() == own.lower():
            return name
    if group.is_closed:
        raise DrillError("code", "the group is closed", "ask the trainer for another")
    if len(group.joined) >= PEOPLE_MOST:
        raise DrillError("code", f"{PEOPLE_MOST} are in this group already", "open another")
    record: Record = drilling.begin(group.case, Told(own, group.drill, code))
    _write(_path(code), "joined", nick=own, name=record.name)
    return record.name


def close(drilling: Drilling, code: str, key: str) -> None:
    """Close a group: what was ended in it is counted now, and each may see the debrief.

    Raises
    ------
    InputError
        It is done by another than whoever opened it.
    """
    group = read_group(code)
    if not secrets.compare_digest(group.key.encode(), key.encode()):
        raise InputError("key", "only whoever opened the group closes it")
    if not group.is_closed:
        _write(_path(code), "closed")
        for _, name in group.joined:
            drilling.count(drilling.open(name))


def list_rows(drilling: Drilling, group: Group) -> list[Row]:
    """Return who is where, in the order of joining."""
    found = []
    for nick, name in group.joined:
        play = drilling.open(name)
        checks = sum(act.kind == "check" for act in play.record.acts)
        found.append(Row(nick, checks, play.standing.minutes, play.record.is_ended))
    return found
