"""A small memory of answers: what was asked last stays at hand, what was asked long ago is let go.

Only values may lie in it. A diagnosis is one: the same work-up under the same knowledge always
gives the same assessment, so remembering it can never make an answer wrong, only quick.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Generic, TypeVar

Key = TypeVar("Key", bound=Hashable)
Value = TypeVar("Value")


class Memory(Generic[Key, Value]):
    """The answers asked for last, at most so many; several threads may ask."""

    def __init__(self, most: int) -> None:
        self.most = most
        self._kept: OrderedDict[Key, Value] = OrderedDict()
        self._lock = threading.Lock()

    def __len__(self) -> int:
        return len(self._kept)

    def get(self, key: Key) -> Value | None:
        """Return a remembered answer; None if there is none.

        >>> memory: Memory[str, int] = Memory(2)
        >>> for key, value in (("a", 1), ("b", 2), ("c", 3)):
        ...     memory.put(key, value)
        >>> memory.get("a"), memory.get("c")
        (None, 3)
        """
        with self._lock:
            if key not in self._kept:
                return None
            self._kept.move_to_end(key)
            return self._kept[key]

    def put(self, key: Key, value: Value) -> None:
        """Remember an answer, and let go of the one asked for longest ago."""
        with self._lock:
            self._kept[key] = value
            self._kept.move_to_end(key)
            while len(self._kept) > self.most:
                self._kept.popitem(last=False)

    def find(self, key: Key, make: Callable[[], Value]) -> Value:
        """Return a remembered answer, or make it and remember it; what fails is not kept."""
        found = self.get(key)
        if found is None:
            found = make()
            self.put(key, found)
        return found
