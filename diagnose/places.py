"""Where things lie on this computer: the knowledge, the compiled tables, the records of work-ups.

Kept apart from everything heavy, because the first question must not wait for it.
"""

from __future__ import annotations

import os
from pathlib import Path

PACKAGED = Path(__file__).resolve().parents[1] / "knowledge"


def knowledge_folder() -> Path:
    """Return the knowledge folder; TENHOLD_KNOWLEDGE names another one than the one installed."""
    return Path(os.environ.get("TENHOLD_KNOWLEDGE") or PACKAGED)


def cache_folder() -> Path:
    """Return where what can be made again is kept; TENHOLD_CACHE overrides."""
    if own := os.environ.get("TENHOLD_CACHE"):
        return Path(own)
    import platformdirs

    return Path(platformdirs.user_cache_dir("tenhold", False))


def state_folder() -> Path:
    """Return where the records of work-ups are kept; TENHOLD_STATE overrides."""
    if own := os.environ.get("TENHOLD_STATE"):
        return Path(own)
    import platformdirs

    return Path(platformdirs.user_state_dir("tenhold", False))


def logbook_file() -> Path:
    """Return the file of the logbook where no database is named by TENHOLD_DATABASE."""
    return state_folder() / "logbook.sqlite"
