"""The engine, got ready in the background while a person reads the first questions.

Reading the knowledge takes most of a second, and the first table of a machine up to a minute; both
happen while the person still says what failed.
"""

from __future__ import annotations

import contextlib
import sys
import threading
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from api.memory import Memory
from api.tongue import Tongue
from diagnose.errors import KnowledgeError, Problem
from diagnose.language import spoken
from diagnose.outline import Outline, get_outline

if TYPE_CHECKING:
    from diagnose.catalogue import Catalogue
    from diagnose.kb.load import KnowledgeBase
    from diagnose.model import Assessment, WorkUp
    from diagnose.session import Kit

#: what a person accepted in place of the knowledge's rates, for a machine
Rates = Callable[["KnowledgeBase", str], Mapping[str, float]]
PATIENCE = 0.8  # seconds of silence before waiting is announced
REMEMBERED = 256  # assessments, of some 100 KB each


@contextlib.contextmanager
def name_unreadable(folder: Path) -> Iterator[None]:
    """Turn a knowledge file that cannot be read into a problem of the knowledge.

    Raises
    ------
    KnowledgeError
        With the file's name.
    """
    try:
        yield
    except OSError as error:
        what = f"cannot be read: {error.strerror}; restore the file or its rights"
        raise KnowledgeError([Problem(str(error.filename or folder), 1, "file", what)]) from error


class Engine:
    """What answering needs, made once and in the background; errors come out where it is used.

    Its words are those of the request's language; what is worked out is the same in each.
    """

    def __init__(self, folder: Path, rates: Rates | None = None) -> None:
        self.folder = folder
        self.tongue = Tongue(folder)
        self.rates = rates or (lambda _base, _machine: {})
        self._outline: Outline | None = None
        self._base: KnowledgeBase | None = None
        self._jobs: dict[str, _Job] = {}
        self._lock = threading.Lock()
        self._starting = threading.Lock()
        self._diagnosing = threading.Lock()
        self._catalogues: dict[str, Catalogue] = {}
        self._assessed: Memory[tuple[str, str, WorkUp], Assessment] = Memory(REMEMBERED)

    @property
    def outline(self) -> Outline:
        """The machines and their steps, quickly."""
        if self._outline is None:
            with name_unreadable(self.folder):
                self._outline = get_outline(self.folder)
            self._base = self._outline.base
        if spoken().is_english:
            return self._outline
        return self.tongue.outline(self._outline, self._read())

    def warm(self) -> None:
        """Begin to read the knowledge and the engine's modules."""
        threading.Thread(target=self._warm, daemon=True).start()

    def _warm(self) -> None:
        try:
            import diagnose.session  # noqa: F401

            self._read()
        except Exception:  # whoever needs it meets the same error in the foreground
            return

    def base(self) -> KnowledgeBase:
        """Return the knowledge; raises KnowledgeError if it cannot be used."""
        return self.tongue.base(self._read())

    def _read(self) -> KnowledgeBase:
        with self._lock:
            if self._base is None:
                from diagnose.kb.load import load

                with name_unreadable(self.folder):
                    self._base = load(self.folder)
            return self._base

    def catalogue(self, machine: str) -> Catalogue:
        """Return what can be asked of a machine; listed once."""
        from diagnose.catalogue import list_catalogue

        if machine not in self._catalogues:
            self._catalogues[machine] = list_catalogue(self._read(), machine)
        return self.tongue.catalogue(self._catalogues[machine], self._read())

    def prepare(self, machine: str) -> None:
        """Begin to make a machine's kit."""
        with self._starting:
            if machine not in self._jobs:
                self._jobs[machine] = _Job(self, machine)

    def kit(self, machine: str, shows: bool = True) -> Kit:
        """Return a machine's kit, waiting for it where it is still being made.

        Parameters
        ----------
        machine : str
            Its id.
        shows : bool
            Say at the terminal why it takes long.
        """
        self.prepare(machine)
        return self.tongue.kit(self._jobs[machine].wait(shows))

    def progress(self, machine: str) -> tuple[int, int] | None:
        """Return how many checks of how many are worked out; None if the kit is made."""
        self.prepare(machine)
        job = self._jobs[machine]
        return (job.done, job.all) if job.thread.is_alive() else None

    @property
    def one_at_a_time(self) -> threading.Lock:
        """What to hold while a kit is used in another way than by ``diagnose``."""
        return self._diagnosing

    def diagnose(self, work: WorkUp) -> Assessment:
        """Return what can be said about a work-up; several threads may ask.

        What was asked before is remembered. The minutes left belong to the question: a work-up
        whose clock has gone on is another one.
        """
        key = (self._read().version, spoken().name, work)
        found = self._assessed.get(key)
        if found is not None:
            return found
        kit = self.kit(work.machine, shows=False)
        with self._diagnosing:  # who waited here may find that another asked the same
            return self._assessed.find(key, lambda: _diagnose(kit, work))


def _diagnose(kit: Kit, work: WorkUp) -> Assessment:
    from diagnose.session import diagnose

    return diagnose(kit, work)


class _Job:
    """One kit being made in a thread of its own."""

    def __init__(self, engine: Engine, machine: str) -> None:
        self.engine, self.machine = engine, machine
        self.done, self.all = 0, 0
        self.kit: Kit | None = None
        self.error: BaseException | None = None
        self.thread = threading.Thread(target=self._run, daemon=True)
        self.thread.start()

    def _run(self) -> None:
        try:
            from diagnose.session import make_kit

            base = self.engine.base()
            rates = self.engine.rates(base, self.machine)
            self.kit = make_kit(base, self.machine, self._note, rates)
        except BaseException as error:
            self.error = error

    def _note(self, done: int, all_: int, _name: str) -> None:
        self.done, self.all = done, all_

    def wait(self, shows: bool) -> Kit:
        """Return the kit when it is made; says why it takes long."""
        self.thread.join(PATIENCE)
        if shows and self.thread.is_alive():
            self._show()
        self.thread.join()
        if self.error is not None:
            raise self.error
        assert self.kit is not None
        return self.kit

    def _show(self) -> None:
        while self.thread.is_alive() and not self.all:
            self.thread.join(0.1)
        if not self.thread.is_alive():
            return
        words = "Working out what every check would read on this machine (only once)"
        if not sys.stderr.isatty():
            print(f"{words} ...", file=sys.stderr, flush=True)
            return
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

        columns = (TextColumn("{task.description}"), BarColumn(20), MofNCompleteColumn())
        with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
            progress.console.print(f"{words}.")
            task = progress.add_task("Checks", total=self.all)
            while self.thread.is_alive():
                progress.update(task, completed=self.done)
                self.thread.join(0.1)
        drop_typed()


def drop_typed() -> None:
    """Forget what was typed while waiting: it must not answer a question not seen yet."""
    try:
        import termios
    except ImportError:  # not on this system
        return
    with contextlib.suppress(OSError, ValueError, termios.error):
        termios.tcflush(sys.stdin.fileno(), termios.TCIFLUSH)
