"""Drills for the faces: begin one, go on with it, end it; terminal and pages call the same.

A drill is its record on the disk. What takes long to work out (the checkout that fails, the
planner's own course) is kept in memory by the case, and can always be worked out again.
"""

from __future__ import annotations

import json
import secrets
import threading
from dataclasses import dataclass
from typing import Any

from api.engine import Engine
from api.errors import UnknownError
from diagnose.drill.case import Act, Case, check_case, from_file, to_case, to_data
from diagnose.drill.debrief import Debrief, debrief
from diagnose.drill.judge import Followed, follow
from diagnose.drill.machine import Rig
from diagnose.drill.play import Standing, begin, do, draw_case, replay
from diagnose.drill.practice import (
    Next,
    choose_next,
    fault_of,
    grade,
    now_utc,
    read_progress,
    review,
    write_progress,
)
from diagnose.drill.record import (
    CODE,
    Mode,
    Record,
    Told,
    add_act,
    draw_code,
    drill_folder,
    find_record,
    open_record,
    parse,
)
from diagnose.drill.study import StudyResult, begin_study, draw_study, score_study
from diagnose.errors import DrillError, LogError
from diagnose.kb.training import Drill
from diagnose.model import WorkUp
from diagnose.session import Kit

KEPT = 64  # cases whose beginning is kept in memory
STALE = "it went on since this page was shown; see what is there now"


@dataclass(frozen=True)
class Play:
    """A drill as it stands, with what is needed to go on."""

    record: Record
    kit: Kit
    rig: Rig
    start: WorkUp
    standing: Standing

    @property
    def is_study(self) -> bool:
        """Tell whether it is a preset-fault study."""
        return self.record.told.mode == "study"


class Drilling:
    """Begins drills and goes on with them."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self._begun: dict[Case, tuple[Rig, WorkUp]] = {}
        self._followed: dict[Case, Followed] = {}
        self._lock = threading.RLock()

    @property
    def drills(self) -> dict[str, Drill]:
        """The stock drills, from easy to hard."""
        found = self.engine.base().drills.items()
        return dict(sorted(found, key=lambda each: (each[1].level, each[0])))

    def stock(self, name: str) -> Drill:
        """Return a stock drill; raises UnknownError if there is none of that name."""
        if name not in self.drills:
            do_ = "'tenhold drill list' lists them"
            raise UnknownError("drill", f"there is no stock drill '{name[:40]}'", do=do_)
        return self.drills[name]

    def begin(self, case: Case, told: Told) -> Record:
        """Put a drill on the disk.

        Raises
        ------
        DrillError
            The machine cannot have what is hidden, or no step fails.
        LogError
            It is not on the disk.
        """
        self.prepare(case, told.mode)
        return open_record(case, self.engine.base().version, told)

    def prepare(self, case: Case, mode: Mode = "drill") -> None:
        """Work out how a case begins; raises DrillError if it cannot be set."""
        kit = self.engine.kit(case.machine)
        check_case(kit.catalogue, case)
        if mode == "drill":
            self._begin(kit, case)

    def begin_stock(self, name: str, nick: str = "") -> Record:
        """Begin a stock drill."""
        return self.begin(from_file(self.stock(name)), Told(nick, name))

    def begin_code(self, code: str, nick: str = "") -> Record:
        """Begin the case that a trainer set."""
        plain = code.strip().upper()
        return self.begin(read_case(plain), Told(nick, "", plain))

    def begin_drawn(
        self, machine: str, faults: tuple[str, ...] = (), nick: str = "", number: int | None = None
    ) -> Record:
        """Begin a drill drawn afresh: any cause of a machine, or one of some faults."""
        kit = self.engine.kit(machine)
        causes = [c.id for c in kit.catalogue.causes if fault_of(c.id) in faults]
        drawn = secrets.randbelow(2**31) if number is None else number
        rig = draw_case(kit.catalogue, drawn, causes)
        return self.begin(rig.case, Told(nick))

    def begin_next(self, nick: str) -> tuple[Record, Next]:
        """Begin what a trainee should practise next."""
        found = choose_next(read_progress(nick), self.drills, now_utc())
        if found.drill:
            return self.begin_stock(found.drill, nick), found
        return self.begin_drawn(self._machine_of(found.faults), found.faults, nick), found

    def _machine_of(self, faults: tuple[str, ...]) -> str:
        """Return the machine of a stock drill on one of these faults; else the teaching one."""
        for drill in self.drills.values():
            if {fault_of(each.cause) for each in drill.causes} & set(faults):
                return drill.machine
        return next(name for name, m in self.engine.base().machines.items() if m.teaching)

    def begin_study(
        self, machine: str, faults: int, nick: str = "", number: int | None = None
    ) -> Record:
        """Begin a preset-fault study."""
        kit = self.engine.kit(machine)
        drawn = secrets.randbelow(2**31) if number is None else number
        case = draw_study(kit.catalogue, drawn, faults).case
        return self.begin(case, Told(nick, mode="study"))

    def _begin(self, kit: Kit, case: Case) -> tuple[Rig, WorkUp]:
        with self._lock:
            if case not in self._begun:
                rig = Rig(kit.catalogue, case)
                while len(self._begun) >= KEPT:
                    self._begun.pop(next(iter(self._begun)))
                self._begun[case] = (rig, begin(rig))
            return self._begun[case]

    def open(self, name: str) -> Play:
        """Return a drill as it stands.

        Raises
        ------
        UnknownError
            There is none.
        LogError
            Its record cannot be used, or was made with other knowledge.
        """
        try:
            record = find_record(name)
        except DrillError as error:
            raise UnknownError(error.where, error.what, do=error.do) from error
        if record.knowledge != self.engine.base().version:
            what = "was begun with other knowledge, so that it would answer otherwise now"
            raise LogError(str(record.path), what, "begin another drill")
        kit = self.engine.kit(record.case.machine, shows=False)
        with self._lock:
            if record.told.mode == "study":
                rig, start = Rig(kit.catalogue, record.case), begin_study(record.case)
            else:
                rig, start = self._begin(kit, record.case)
            return Play(record, kit, rig, start, replay(rig, start, record.acts))

    def act(self, name: str, act: Act, length: int | None = None) -> Play:
        """Do an act in a drill; ``length`` is how many acts there were when it was chosen.

        Raises
        ------
        DrillError
            The act is not possible, or the drill went on meanwhile.
        LogError
            It is not on the disk.
        """
        with self._lock:
            play = self.open(name)
            acts = play.record.acts
            if length is not None and acts[-1:] == (act,) and length == len(acts) - 1:
                return play  # a tap that arrived twice
            if length is not None and length != len(acts):
                raise DrillError("drill", STALE)
            standing = do(play.rig, play.standing, act)
            record = add_act(play.record, act)
            play = Play(record, play.kit, play.rig, play.start, standing)
            if record.is_ended and not is_withheld(record):
                self.count(play)
            return play

    def follow(self, play: Play) -> Followed:
        """Return the planner's own course on a drill."""
        case = play.record.case
        if case not in self._followed:
            with self.engine.one_at_a_time:
                self._followed[case] = follow(play.kit, play.rig, play.start)
        return self._followed[case]

    def debrief(self, play: Play) -> Debrief:
        """Return the debrief of a drill that has ended; raises DrillError before."""
        if play.standing.end is None:
            raise DrillError("drill", "is not ended", "name the cause and the disposition first")
        planner = self.follow(play)
        with self.engine.one_at_a_time:
            return debrief(play.kit, play.rig, play.standing, planner)

    def score(self, play: Play) -> StudyResult:
        """Return the result of a study that has ended; raises DrillError before."""
        if play.standing.end is None:
            raise DrillError("study", "is not ended", "write down what is wrong first")
        return score_study(play.kit, play.rig, play.standing)

    def count(self, play: Play) -> None:
        """Count an ended drill in the trainee's progress, if there is a nickname to keep it by."""
        if play.standing.end is None or play.is_study or not play.record.told.nick:
            return
        told = self.debrief(play)
        progress = read_progress(play.record.told.nick)
        hidden, named = play.record.case.causes, play.standing.end.causes
        best = told.planner.standing.minutes
        now = now_utc()
        review(progress, hidden, named, grade(told.judged, best), now)
        progress.log.append({
            "at": now.isoformat(timespec="seconds"), "drill": play.record.told.drill,
            "name": play.record.name, "machine": play.record.case.machine,
            "hidden": list(hidden), "named": list(named), "verdict": told.judged.verdict,
            "score": told.judged.score, "minutes": round(told.judged.minutes, 1),
            "planner_minutes": round(best, 1), "checks": len(told.path),
        })  # fmt: skip
        write_progress(progress)


def is_withheld(record: Record) -> bool:
    """Tell whether a drill belongs to a group that is still open: others are at work on the case.

    Its debrief and its place in the trainee's progress wait until the trainer closes the group.
    """
    path = drill_folder() / f"group-{record.told.code}.jsonl"
    if not record.told.code or not path.is_file():
        return False
    return not any(event.get("event") == "closed" for event in parse(path))


def set_case(case: Case) -> str:
    """Put a case on the disk to be shared by its code, which says nothing about it.

    Raises
    ------
    LogError
        It cannot be written.
    """
    code = draw_code()
    path = drill_folder() / f"case-{code}.json"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(to_data(case)), encoding="utf-8")
    except OSError as error:
        what = f"cannot be written ({error.strerror})"
        raise LogError(str(path), what, "free space, or set TENHOLD_STATE") from error
    return code


def read_case(code: str) -> Case:
    """Return the case of a code.

    Raises
    ------
    DrillError
        There is none, or its file is broken.
    """
    path = drill_folder() / f"case-{code}.json"
    if not CODE.fullmatch(code) or not path.is_file():
        raise DrillError("code", f"'{code[:20]}' belongs to no case here", "ask the trainer")
    try:
        data: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        return to_case(data)
    except (OSError, KeyError, TypeError, ValueError) as error:
        what = f"the case of '{code}' cannot be read ({type(error).__name__})"
        raise DrillError("code", what, "set it again") from error
