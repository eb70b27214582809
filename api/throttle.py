"""How long whoever signs in has to wait after wrong passwords: it doubles with each.

Names that nobody has are counted like those of accounts, so that waiting tells nothing about them.
An account is held for a minute at most: somebody who only wants to shut out a technician cannot do
so for long, and whoever is signed in already is not touched. All figures here are judgement.
"""

from __future__ import annotations

import ipaddress
import math
import threading
import time
from collections import OrderedDict
from collections.abc import Callable

FORGET = 3600.0  # seconds without a wrong password after which all is forgotten
KEPT = 10_000  # names and addresses remembered
#: kind -> wrong passwords that cost nothing, longest wait [s]
LIMITS = {"name": (4, 60.0), "address": (15, 900.0)}


def group_address(address: str) -> str:
    """Return what is counted as one place: an IPv4 address, or the network of an IPv6 address.

    >>> group_address("2001:db8::7") == group_address("2001:db8::8")
    True
    """
    try:
        own = ipaddress.ip_address(address)
    except ValueError:
        return address
    return str(ipaddress.ip_network(f"{own}/64", strict=False)) if own.version == 6 else str(own)


class Throttle:
    """Wrong passwords by name and by address, in memory."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self.clock = clock
        self._failed: OrderedDict[tuple[str, str], tuple[int, float]] = OrderedDict()
        self._lock = threading.Lock()

    def find_wait(self, name: str, address: str) -> int:
        """Return how long to wait before the next try [s]; 0 if none is needed."""
        with self._lock:
            return max(map(self._wait, _keys(name, address)))

    def _wait(self, key: tuple[str, str]) -> int:
        count, last = self._failed.get(key, (0, 0.0))
        free, most = LIMITS[key[0]]
        if count < free:
            return 0
        wait = min(2.0 ** (count - free), most)
        return max(0, math.ceil(last + wait - self.clock()))

    def fail(self, name: str, address: str) -> None:
        """Count a wrong password."""
        now = self.clock()
        with self._lock:
            for key in _keys(name, address):
                count, last = self._failed.pop(key, (0, now))
                self._failed[key] = (1 if now - last > FORGET else min(count + 1, 60), now)
            while len(self._failed) > KEPT:
                self._failed.popitem(last=False)

    def clear(self, name: str) -> None:
        """Forget what was wrong under a name; not what came from an address."""
        with self._lock:
            self._failed.pop(("name", name), None)


def _keys(name: str, address: str) -> tuple[tuple[str, str], tuple[str, str]]:
    return ("name", name[:200]), ("address", group_address(address))
