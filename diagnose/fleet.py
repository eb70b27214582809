"""The single machines of a place - number, build, where it stands - in one small file.

The file lies beside the records, is read strictly, and says what is wrong line by line. A list
with a problem is never written over.
"""

from __future__ import annotations

import json
import os
import re
import tempfile
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Annotated

from pydantic import Field, StringConstraints

from diagnose.errors import FleetError, Problem
from diagnose.kb.load import check_shape
from diagnose.kb.reader import Document, read_text
from diagnose.kb.schema import Strict
from diagnose.language import _, mark
from diagnose.places import state_folder

ASSET = r"[A-Za-z0-9][A-Za-z0-9._-]{0,39}"
MOST = 2000  # machines in one list
#: what is said of a field that does not fit
FORMS = {
    "asset": mark(
        "has 1 to 40 letters, digits, '.', '-' or '_', and begins with a letter or a digit"
    ),
    "place": mark("has at most 60 characters, on one line"),
}
PLAIN = r"[^\x00-\x1f\x7f-\x9f\u2028\u2029\ufeff\ufffe\uffff]*"


class Owned(Strict):
    """One single machine."""

    asset: Annotated[str, StringConstraints(pattern=rf"^{ASSET}$")]
    profile: Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]*$")]
    place: Annotated[str, StringConstraints(max_length=60, pattern=rf"^{PLAIN}$")] = ""


class Fleet(Strict):
    """The file: every single machine."""

    machines: Annotated[list[Owned], Field(max_length=MOST)]


def read_asset(text: str) -> str:
    """Return an asset number as it is kept; "" is none.

    Raises
    ------
    FleetError
        It has not the form of one.
    """
    form = FORMS["asset"]
    if text and not re.fullmatch(ASSET, text):
        raise FleetError([Problem("", 0, "asset", _(form))])
    return text


def fleet_path() -> Path:
    """Return where the list lies."""
    return state_folder() / "fleet.yaml"


def read_fleet(known: Collection[str]) -> tuple[Owned, ...]:
    """Return the single machines, in the order of their file; none where there is no file.

    Parameters
    ----------
    known : collection of str
        The machine ids of the knowledge.

    Raises
    ------
    FleetError
        With every problem of the file.
    """
    path = fleet_path()
    try:
        text = path.read_bytes().decode("utf-8")
    except FileNotFoundError:
        return ()
    except UnicodeDecodeError:
        raise _refuse(path, "is not UTF-8 text; write it again") from None
    except OSError as error:
        raise _refuse(path, f"cannot be read ({error.strerror}); mend its rights") from error
    if not text.strip():
        return ()
    document = read_text(text, str(path))
    found = None if document.problems else check_shape(document, document.data, Fleet, ())
    if found is not None:
        _note_names(document, found.machines, known)
    if found is None or document.problems:
        raise FleetError([_say(problem) for problem in document.problems])
    return tuple(found.machines)


def _say(problem: Problem) -> Problem:
    """Return a problem in words that fit its field."""
    words = FORMS.get(problem.field.rpartition(".")[2])
    is_form = words is not None and "given" in problem.what
    return replace(problem, what=_(str(words))) if is_form else problem


def _note_names(document: Document, machines: list[Owned], known: Collection[str]) -> None:
    seen: set[str] = set()
    for number, each in enumerate(machines):
        if each.asset in seen:
            document.note(("machines", number, "asset"), f"'{each.asset}' stands twice; keep one")
        if each.profile not in known:
            what = f"'{each.profile}' is no machine of the knowledge; use one of {_join(known)}"
            document.note(("machines", number, "profile"), what)
        seen.add(each.asset)


def _join(names: Collection[str]) -> str:
    return ", ".join(sorted(names))


def _refuse(path: Path, what: str, field: str = "file") -> FleetError:
    return FleetError([Problem(str(path), 1, field, what)])


def find_owned(asset: str, known: Collection[str]) -> Owned | None:
    """Return a single machine by its number; None if the list has none of it."""
    return next((each for each in read_fleet(known) if each.asset == asset), None)


def add_owned(asset: str, profile: str, place: str, known: Collection[str]) -> Owned:
    """Add a single machine to the list and return it.

    Raises
    ------
    FleetError
        The list cannot be used or written, has that number already, or something told is wrong.
    """
    told = Document("")
    own = check_shape(told, {"asset": asset, "profile": profile, "place": place}, Owned, ())
    if own is None:
        raise FleetError([_say(problem) for problem in told.problems])
    if own.profile not in known:
        what = f"'{profile}' is no machine of the knowledge; use one of {_join(known)}"
        raise FleetError([Problem("", 0, "profile", what)])
    with _alone():
        have = read_fleet(known)
        if any(each.asset == asset for each in have):
            what = _("'{asset}' is in the list already; remove it first").format(asset=asset)
            raise FleetError([Problem("", 0, "asset", what)])
        _write((*have, own))
    return own


def remove_owned(asset: str, known: Collection[str]) -> None:
    """Take a single machine off the list; its records stay.

    Raises
    ------
    FleetError
        The list cannot be used or written, or has no such number.
    """
    with _alone():
        have = read_fleet(known)
        left = tuple(each for each in have if each.asset != asset)
        if len(left) == len(have):
            raise FleetError(
                [Problem("", 0, "asset", _("'{asset}' is not in the list").format(asset=asset))]
            )
        _write(left)


@contextmanager
def _alone() -> Iterator[None]:
    """Keep others from changing the list meanwhile."""
    path = fleet_path().with_suffix(".lock")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
    except OSError as error:
        raise _refuse(path, f"cannot be written ({error.strerror}); set TENHOLD_STATE") from error
    try:
        try:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX)
        except ImportError:  # not on this system: two at once are the person's care
            pass
        yield
    finally:
        os.close(handle)


def _write(machines: tuple[Owned, ...]) -> None:
    """Put the list on the disk, whole or not at all."""
    path = fleet_path()
    lines = ["machines:" if machines else "machines: []"]
    for each in machines:
        place = json.dumps(each.place, ensure_ascii=False)
        asset = json.dumps(each.asset)
        lines.append(f"  - {{asset: {asset}, profile: {each.profile}, place: {place}}}")
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, suffix=".part")
        try:
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                file.write("\n".join(lines) + "\n")
                file.flush()
                os.fsync(file.fileno())
            os.replace(name, path)
        except OSError:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        do = "free space, or set TENHOLD_STATE to a folder that can be written"
        raise _refuse(path, f"cannot be written ({error.strerror}); {do}") from error
