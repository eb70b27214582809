"""The record of one drill: JSON Lines, append-only, on the disk before an act is acknowledged.

Its name is drawn by chance and says nothing; what is hidden stands only inside the file, on the
computer that runs the drill.
"""

from __future__ import annotations

import json
import re
import secrets
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

from diagnose.drill.case import Act, Case, act_to_data, to_act, to_case, to_data
from diagnose.errors import DrillError, LogError
from diagnose.journal import Journal
from diagnose.places import state_folder

FORM = 1  # raise when the meaning of a line changes
NAME = re.compile(r"[0-9a-f]{16}")
CODE = re.compile(r"[2-9A-HJ-NP-Z]{6}")
NICK = re.compile(r"\w[\w -]{0,23}")
LETTERS = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"  # none that is taken for another
Mode = Literal["drill", "study"]


@dataclass(frozen=True)
class Told:
    """Where a drill comes from and who does it."""

    nick: str = ""
    drill: str = ""  # stock drill
    code: str = ""  # case set by a trainer, or a group
    mode: Mode = "drill"


@dataclass(frozen=True)
class Record:
    """A drill as its file tells it."""

    path: Path
    case: Case
    told: Told
    knowledge: str
    opened_at: datetime
    acts: tuple[Act, ...] = field(default=())

    @property
    def name(self) -> str:
        """The random name of the drill."""
        return self.path.stem

    @property
    def is_ended(self) -> bool:
        """Tell whether the cause was named and the disposition chosen."""
        return bool(self.acts) and self.acts[-1].kind == "end"


def drill_folder() -> Path:
    """Return where drills are kept, apart from the records of work-ups."""
    return state_folder() / "drills"


def draw_code() -> str:
    """Return a code to share a case or a group by, that nothing has yet."""
    while True:
        code = "".join(secrets.choice(LETTERS) for _ in range(6))
        if not list(drill_folder().glob(f"*-{code}.*")):
            return code


def read_nick(text: str) -> str:
    """Return a nickname; raises DrillError if it is none."""
    plain = " ".join(text.split())
    if not NICK.fullmatch(plain):
        raise DrillError("nickname", f"'{text[:30]}' is none", "1 to 24 letters, digits, - and _")
    return plain


def open_record(case: Case, knowledge: str, told: Told) -> Record:
    """Put a new drill on the disk; raises LogError if that fails."""
    path = drill_folder() / f"{secrets.token_hex(8)}.jsonl"
    facts = {"nick": told.nick, "drill": told.drill, "code": told.code, "mode": told.mode}
    _write(path, "opened", form=FORM, knowledge=knowledge, case=to_data(case), **facts)
    return read_record(path)


def add_act(record: Record, act: Act) -> Record:
    """Put an act on the disk and return the record with it; raises LogError if that fails."""
    _write(record.path, "act", **act_to_data(act))
    return read_record(record.path)


def _write(path: Path, event: str, **facts: object) -> None:
    journal = Journal(path)
    if path.exists() and not _is_whole(_read_text(path).splitlines()[-1]):
        journal.note("resumed")  # so that the torn line before it is known as torn
    try:
        journal.write(event, **facts)
    finally:
        journal.close()


def _is_whole(line: str) -> bool:
    try:
        return isinstance(json.loads(line), dict)
    except ValueError:
        return False


def find_record(name: str) -> Record:
    """Return a drill by its name; raises DrillError if there is none, LogError if it is broken."""
    path = drill_folder() / f"{name}.jsonl"
    if not NAME.fullmatch(name) or not path.is_file():
        raise DrillError("drill", f"there is no drill '{name[:40]}'", "begin another")
    return read_record(path)


def list_records(nick: str = "") -> list[Record]:
    """Return all drills, or those of one trainee, the newest first; broken files are left out."""
    found = []
    for path in drill_folder().glob("*.jsonl"):
        if NAME.fullmatch(path.stem):
            try:
                record = read_record(path)
            except LogError:
                continue
            if nick in ("", record.told.nick):
                found.append(record)
    return sorted(found, key=lambda each: (each.opened_at, each.name), reverse=True)


def read_record(path: Path) -> Record:
    """Return the drill that a file tells; a line torn by a crash is left out.

    Raises
    ------
    LogError
        The file cannot be read, or tells no drill.
    """
    try:
        events = list(parse(path))
        head = events[0]
        if head["event"] != "opened" or head["form"] != FORM:
            raise ValueError(f"form {head.get('form')} is not {FORM}")
        told = Told(str(head["nick"]), str(head["drill"]), str(head["code"]), head["mode"])
        acts = tuple(to_act(event) for event in events[1:] if event["event"] == "act")
        opened = datetime.fromisoformat(head["at"])
        return Record(path, to_case(head["case"]), told, str(head["knowledge"]), opened, acts)
    except (KeyError, TypeError, ValueError, IndexError) as error:
        what = f"tells no drill ({type(error).__name__}: {error})"
        raise LogError(str(path), what, "begin another drill") from error


def parse(path: Path) -> Iterator[dict[str, Any]]:
    """Yield the lines of a record as mappings.

    Raises
    ------
    LogError
        A line is unreadable that no crash can have torn.
    """
    lines = _read_text(path).splitlines()
    for number, line in enumerate(lines):
        if _is_whole(line):
            event: dict[str, Any] = json.loads(line)
            yield event
        elif number + 1 < len(lines) and '"resumed"' not in lines[number + 1]:
            raise LogError(str(path), f"line {number + 1} is not readable", "begin another drill")


def _read_text(path: Path) -> str:
    try:
        return path.read_bytes().decode("utf-8", errors="replace")
    except OSError as error:
        what = f"cannot be read ({error.strerror})"
        raise LogError(str(path), what, "see that the file is there and may be read") from error
