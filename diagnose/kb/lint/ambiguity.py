"""Which causes no check tells apart, for every machine: what the knowledge still lacks."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from diagnose.catalogue import list_catalogue
from diagnose.kb.load import FOLDER, load
from diagnose.predict import Progress
from diagnose.store import get_table
from diagnose.testability import AmbiguityGroup, find_groups


def list_ambiguity(
    folder: Path = FOLDER,
    machines: Sequence[str] = (),
    progress: Callable[[str], Progress | None] | None = None,
) -> dict[str, list[AmbiguityGroup]]:
    """Return each machine's ambiguity groups, with the check that comes nearest to splitting them.

    Needs the compiled tables, so it may take a minute the first time.

    Parameters
    ----------
    folder : Path
        The knowledge.
    machines : sequence of str, optional
        Only these; without it all.
    progress : callable, optional
        Given a machine's id, returns what is told of the compiling of its table.

    Returns
    -------
    dict
        Machine id -> its groups.

    Raises
    ------
    KnowledgeError
        The knowledge has problems of form.
    """
    base = load(folder)
    found = {}
    for name in machines or base.machines:
        catalogue = list_catalogue(base, name)
        table = get_table(catalogue, base.version, progress(name) if progress else None)
        found[name] = find_groups(catalogue, table)
    return found
