"""Keep compiled tables in the user's cache folder, named by what they were made from.

A table is found again only if knowledge, form and engine are the same. Beside it lie the solutions
of the physics, by what each depends on: a new look or another word is compiled without solving
anything. A broken file is put aside and made anew; a folder that cannot be written costs time,
never an answer.
"""

from __future__ import annotations

import hashlib
import json
import logging
import os
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

from diagnose.catalogue import Catalogue
from diagnose.errors import CacheError
from diagnose.physics.laws import Array
from diagnose.places import cache_folder
from diagnose.predict import Progress, Table, compile_table

log = logging.getLogger(__name__)
FORM = 5  # raise when the stored form changes
_ARRAYS = ("prob", "quantity", "error", "leak")
_ENGINE = (
    "particles.py",
    "predict.py",
    "catalogue.py",
    "circuit.py",
    "physics/laws.py",
    "physics/network.py",
    "physics/procedure.py",
    "physics/solve.py",
)


def engine_digest() -> str:
    """Return a digest of the code that makes tables, so that a change of physics is a new table."""
    own = Path(__file__).parent
    return hashlib.sha256(b"".join((own / name).read_bytes() for name in _ENGINE)).hexdigest()[:8]


def table_path(machine_id: str, version: str) -> Path:
    """Return the file of a machine's table."""
    return cache_folder() / f"{machine_id}-{version}-{engine_digest()}-{FORM}.npz"


def get_table(catalogue: Catalogue, version: str, progress: Progress | None = None) -> Table:
    """Return a machine's table, from the cache or compiled now and kept.

    A cache that cannot be used is reported in the log and never stops the work.
    """
    path = table_path(catalogue.circuit.machine_id, version)
    try:
        return read_table(path)
    except FileNotFoundError:
        pass
    except CacheError as error:
        log.warning("%s", error)
    memory = Solutions(read_solutions(solutions_path(catalogue.circuit.machine_id)))
    table = compile_table(catalogue, version, progress=progress, memory=memory)
    try:
        write_table(table, path)
        _save(solutions_path(table.machine_id), memory.used)
    except CacheError as error:
        log.warning("%s", error)
    return table


class Solutions(dict[str, Array]):
    """Solutions by digest; ``used`` holds those that were put in or confirmed since."""

    def __init__(self, stored: dict[str, Array]) -> None:
        super().__init__(stored)
        self.used: dict[str, Array] = {}

    def __setitem__(self, key: str, value: Array) -> None:
        super().__setitem__(key, value)
        self.used[key] = value


def solutions_path(machine_id: str) -> Path:
    """Return the file of what was solved for a machine."""
    return cache_folder() / f"solved-{machine_id}-{engine_digest()}-{FORM}.npz"


def read_solutions(path: Path) -> dict[str, Array]:
    """Return the solutions in a file; none if it is not there or is broken, since all can be made.

    >>> read_solutions(Path("not-there.npz"))
    {}
    """
    try:
        with np.load(path, allow_pickle=False) as stored:
            return {name: stored[name] for name in stored.files}
    except Exception as error:  # numpy and zipfile raise many kinds for a broken file
        log.debug("%s: not used (%s)", path, error)
        return {}


def read_table(path: Path) -> Table:
    """Return the table in a file.

    Raises
    ------
    FileNotFoundError
        It is not there.
    CacheError
        It is there and cannot be used.
    """
    try:
        with np.load(path, allow_pickle=False) as stored:
            head = json.loads(str(stored["head"]))
            arrays = {name: stored[name] for name in _ARRAYS}
    except FileNotFoundError:
        raise
    except Exception as error:  # numpy and zipfile raise many kinds for a broken file
        raise CacheError(
            str(path), f"is broken ({type(error).__name__})", "it is made anew; nothing is lost"
        ) from error
    head = {
        name: tuple(value) if isinstance(value, list) else value for name, value in head.items()
    }
    return Table(**head, **arrays)


def write_table(table: Table, path: Path) -> None:
    """Store a table so that a reader sees all of it or none.

    Raises
    ------
    CacheError
        The folder cannot be written, or the disk is full.
    """
    head = {
        name: getattr(table, name)
        for name in ("machine_id", "version", "causes", "tests", "first", "n")
    }
    arrays = {key: getattr(table, key) for key in _ARRAYS}
    _save(path, {"head": np.array(json.dumps(head))} | arrays)


def _save(path: Path, arrays: dict[str, Any]) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, suffix=".part")
        try:
            with os.fdopen(handle, "wb") as file:
                np.savez(file, **arrays)
            os.replace(name, path)
        except OSError:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        do = (
            "the answer is right, but the next start compiles again; "
            "free space or set TENHOLD_CACHE"
        )
        raise CacheError(str(path), f"cannot be written ({error.strerror})", do) from error
