"""How long a work-up took and what is left: by the wall clock, or by the knowledge."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta


@dataclass(frozen=True)
class Clock:
    """When a work-up began and when the machine is needed."""

    opened_at: datetime
    needed_at: datetime | None = None
    by_wall: bool = False

    @classmethod
    def begin(cls, minutes: float | None, by_wall: bool) -> Clock:
        """Return a clock that begins now."""
        now = datetime.now().astimezone()
        return cls(now, None if minutes is None else now + timedelta(minutes=minutes), by_wall)

    def read(self, planned: float, now: datetime | None = None) -> tuple[float, float | None]:
        """Return minutes used and minutes left.

        Parameters
        ----------
        planned : float
            Minutes of what was done, by the knowledge's figures; used where the wall does not count
            because a script answers at once [min].
        now : datetime, optional
            When it ended; left out: it runs still.
        """
        now = now or datetime.now().astimezone()
        used = (now - self.opened_at).total_seconds() / 60 if self.by_wall else planned
        if self.needed_at is None:
            return used, None
        whole = (self.needed_at - self.opened_at).total_seconds() / 60
        return used, max(0.0, whole - used)
