"""The fewest sets that together hold everything: by search where that is quick, else greedily.

A set is a whole number whose bits are the things it holds, so that sets of any size are joined and
compared in one step.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

NODES = 20_000  # steps of a search before the best found so far is taken
Size = tuple[int, float]  # how many sets, then what they cost together
Thing = tuple[int, int, float]  # its bit, the sets in use that hold it as bits, their least cost


@dataclass(frozen=True)
class Fewest:
    """Chosen sets, in order, and whether fewer are known not to do."""

    chosen: tuple[int, ...]
    is_smallest: bool


def find_fewest(sets: Sequence[int], costs: Sequence[float], nodes: int = NODES) -> Fewest:
    """Return the fewest sets that together hold all that any of them holds.

    Of equally many sets those that cost less are taken.

    Parameters
    ----------
    sets : sequence of int
        What each set holds, as bits.
    costs : sequence of float
        What each set costs, in any one unit; none below zero.
    nodes : int
        Steps of the search; with too few the answer may be too large, and says so.

    Returns
    -------
    Fewest
        Places of the chosen sets in ``sets``.

    Examples
    --------
    >>> find_fewest([0b0110, 0b0011, 0b1100, 0b1111], [1.0, 1.0, 1.0, 9.0])
    Fewest(chosen=(3,), is_smallest=True)
    >>> find_fewest([0b0110, 0b0011, 0b1100], [1.0, 1.0, 1.0])
    Fewest(chosen=(1, 2), is_smallest=True)
    """
    use = _drop_smaller(sets, costs)
    search = _Search(sets, costs, use, nodes)
    search.run(join(sets), (), 0.0)
    return Fewest(tuple(sorted(search.best)), search.nodes >= 0)


def join(sets: Sequence[int]) -> int:
    """Return all that any of the sets holds.

    >>> bin(join([0b001, 0b100]))
    '0b101'
    """
    found = 0
    for each in sets:
        found |= each
    return found


def find_greedy(sets: Sequence[int], costs: Sequence[float]) -> tuple[int, ...]:
    """Return sets that hold everything: always the one that adds most; needless ones left out.

    >>> find_greedy([0b000111, 0b111000, 0b011110, 0b000001], [1.0] * 4)
    (0, 1)
    """
    todo, chosen = join(sets), list[int]()
    while todo:
        best = max(range(len(sets)), key=lambda i: ((sets[i] & todo).bit_count(), -costs[i], -i))
        chosen.append(best)
        todo &= ~sets[best]
    for each in sorted(chosen, key=lambda i: -costs[i]):
        rest = [i for i in chosen if i != each]
        if join([sets[i] for i in rest]) == join([sets[i] for i in chosen]):
            chosen = rest
    return tuple(sorted(chosen))


def _drop_smaller(sets: Sequence[int], costs: Sequence[float]) -> list[int]:
    """Return the sets that no other set replaces for the same cost or less."""
    kept: list[int] = []
    for i in sorted(range(len(sets)), key=lambda i: (-sets[i].bit_count(), costs[i], i)):
        if sets[i] and not any(sets[i] & ~sets[k] == 0 and costs[k] <= costs[i] for k in kept):
            kept.append(i)
    return kept


@dataclass
class _Search:
    """Depth first, by the thing that the fewest sets hold; cut off where no better can come."""

    sets: Sequence[int]
    costs: Sequence[float]
    use: list[int]
    nodes: int
    best: tuple[int, ...] = ()
    size: Size = (0, 0.0)
    holders: list[Thing] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._keep(find_greedy(self.sets, self.costs))
        self.holders = self._list_holders()

    def _list_holders(self) -> list[Thing]:
        """Return the things that decide, rarest first.

        A thing held by all the sets that hold another one comes along with that one.
        """
        things = self._find_things()
        kept: list[int] = []
        for held in sorted(things, key=lambda held: (held.bit_count(), held)):
            if not any(other & ~held == 0 for other in kept):
                kept.append(held)
        return [
            (things[held], held, min(self.costs[i] for i in self._list_sets(held))) for held in kept
        ]

    def _find_things(self) -> dict[int, int]:
        """Return one thing, as a bit, for every different choice of sets that hold it."""
        wide = join(self.sets).bit_length()
        rows = [format(self.sets[i], f"0{wide}b") for i in reversed(self.use)]
        columns = {"".join(column): place for place, column in enumerate(zip(*rows, strict=True))}
        return {
            int(column, 2): 1 << (wide - 1 - place)
            for column, place in columns.items()
            if "1" in column
        }

    def _list_sets(self, held: int) -> list[int]:
        return [i for place, i in enumerate(self.use) if held >> place & 1]

    def run(self, todo: int, chosen: tuple[int, ...], cost: float) -> None:
        """Try all ways to hold what is left to do; ``best`` is the best one found."""
        self.nodes -= 1
        if self.nodes < 0:
            return
        left = [each for each in self.holders if each[0] & todo]
        if not left:
            if (len(chosen), round(cost, 6)) < self.size:
                self._keep(chosen)
            return
        number, least = _bound(left)
        if (len(chosen) + number, round(cost + least, 6)) >= self.size:
            return
        for i in sorted(
            self._list_sets(left[0][1]),
            key=lambda i: (-(self.sets[i] & todo).bit_count(), self.costs[i]),
        ):
            self.run(todo & ~self.sets[i], (*chosen, i), cost + self.costs[i])

    def _keep(self, chosen: tuple[int, ...]) -> None:
        self.best = chosen
        self.size = len(chosen), round(sum(self.costs[i] for i in chosen), 6)


def _bound(left: list[Thing]) -> Size:
    """Return how many sets, at what cost, are needed at least: things that share no set."""
    used, number, least = 0, 0, 0.0
    for _, held, cost in left:
        if held & used == 0:
            used, number, least = used | held, number + 1, least + cost
    return number, least
