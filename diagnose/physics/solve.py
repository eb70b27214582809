"""Solve many small gas networks at once: implicit steps, Newton's method, all rows side by side.

Each step conserves gas exactly: what a space holds after it is what it held before, plus what
flowed in. The unknowns are gauge pressures, one per gas space. Arrays are (n_nodes, n_rows), so
that every operation runs over the rows; the matrices are symmetric, diagonally dominant and nearly
trees, so they are eliminated without pivoting, leaves first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from diagnose.errors import PhysicsError
from diagnose.physics.laws import (
    Array,
    Law,
    bag_content,
    bellows_content,
    bulb_content,
    flow_through,
)
from diagnose.physics.network import Stores

TOLERANCE = 0.5  # [Pa]
STEP_MOST = 4000.0  # most change of a pressure in one Newton step [Pa]
STEP_SUPPLY = 20e6  # the same where a supply from outside is joined [Pa]
ROUNDS = 40
SPLITS = 5  # a step may be cut in four this often
Rows = NDArray[np.int64]


@dataclass
class Source:
    """Gas from outside, regulated on a pressure: q = clip(gain (target - p), least, most)."""

    node: int
    target: Array  # (n_rows,) [Pa]
    least: float | Array  # one for all rows, or one a row [m^3/s]
    most: float | Array  # [m^3/s]
    gain: float = 4e-6  # [m^3/s/Pa]

    def flow(self, pg: Array) -> tuple[Array, Array]:
        """Return the flow into the node and its slope.

        Parameters
        ----------
        pg : array, shape (n_rows,)
            Gauge pressure of the node [Pa].

        Returns
        -------
        flow, slope : array, shape (n_rows,)
            Flow into the node [m^3/s], and its derivative [m^3/s/Pa].
        """
        wanted = self.gain * (self.target - pg)
        inside = (wanted > self.least) & (wanted < self.most)
        return np.clip(wanted, self.least, self.most), np.where(inside, -self.gain, 0.0)

    def take(self, rows: Rows) -> Source:
        """Return the source of some of the rows.

        Parameters
        ----------
        rows : array of int, shape (n,)
            The rows wanted [-].

        Returns
        -------
        Source
            The same for these rows only.
        """
        least, most = (
            bound[rows] if isinstance(bound, np.ndarray) else bound
            for bound in (self.least, self.most)
        )
        return replace(self, target=self.target[rows], least=least, most=most)


@dataclass
class Net:
    """Everything one solution needs; rows are independent of each other."""

    before: Rows  # (n_pieces,) node before each element
    after: Rows  # (n_pieces,) node after it; n_nodes is the room
    law: Law
    stores: Stores
    feed: Array  # (n_nodes, n_rows) [m^3/s]
    sources: list[Source] = field(default_factory=list)
    step_most: float = STEP_MOST  # [Pa]

    @property
    def n_nodes(self) -> int:
        """Number of gas spaces."""
        return len(self.feed)

    @cached_property
    def ends(self) -> list[tuple[int, int, int]]:
        """The two nodes of each element and its place, but for those that join a node to itself."""
        pairs = enumerate(zip(self.before.tolist(), self.after.tolist(), strict=True))
        return [(a, b, index) for index, (a, b) in pairs if a != b]

    @cached_property
    def joins(self) -> dict[tuple[int, int], list[int]]:
        """Pair of nodes -> the elements between them."""
        found: dict[tuple[int, int], list[int]] = {}
        for a, b, index in self.ends:
            if max(a, b) < self.n_nodes:
                found.setdefault((min(a, b), max(a, b)), []).append(index)
        return found

    @cached_property
    def order(self) -> list[tuple[int, list[int]]]:
        """Nodes in the order of elimination, each with the neighbours it then has."""
        near: dict[int, set[int]] = {node: set() for node in range(self.n_nodes)}
        for a, b in self.joins:
            near[a].add(b)
            near[b].add(a)
        found = []
        while near:
            node = min(near, key=lambda each: (len(near[each]), each))
            around = sorted(near.pop(node))
            for each in around:
                near[each] |= set(around) - {each}
                near[each].discard(node)
            found.append((node, around))
        return found


def content(stores: Stores, pg: Array, rows: Rows) -> tuple[Array, Array]:
    """Return the gas held in every space beyond that at zero, and its compliance.

    Parameters
    ----------
    stores : Stores
        What the spaces are made of.
    pg : array, shape (n_nodes, n_rows)
        Gauge pressure [Pa].
    rows : array of int, shape (n_rows,)
        The rows of ``stores`` that ``pg`` belongs to [-].

    Returns
    -------
    held, compliance : array, shape (n_nodes, n_rows)
        Gas held [m^3] and its derivative [m^3/Pa].
    """
    compliance = stores.rigid[:, rows]
    held = compliance * pg
    for node, size, stretch in stores.bags:
        own, slope = bag_content(pg[node], size[rows], stretch[rows])
        held[node] += own
        compliance[node] += slope
    for node, size, recoil in stores.bulbs:
        own, slope = bulb_content(pg[node], size[rows], recoil[rows])
        held[node] += own
        compliance[node] += slope
    for node, size, lift in stores.bellows:
        own, slope = bellows_content(pg[node], size[rows], lift[rows])
        held[node] += own
        compliance[node] += slope
    return held, compliance


def _newton(net: Net, part: Array, held: Array, dt: float, law: Law, rows: Rows) -> Array:
    """Return the change of pressure that Newton's method proposes, (n_nodes, n_rows)."""
    own, diagonal = content(net.stores, part, rows)
    padded = np.concatenate([part, np.zeros((1, part.shape[1]))])
    flow, slope = flow_through(padded[net.before] - padded[net.after], law)
    into = net.feed[:, rows]
    slope *= dt
    for a, b, index in net.ends:  # row by row: a matrix product would wake the threads of BLAS
        if a < net.n_nodes:
            into[a] -= flow[index]
            diagonal[a] += slope[index]
        if b < net.n_nodes:
            into[b] += flow[index]
            diagonal[b] += slope[index]
    for source in net.sources:
        taken, change = source.take(rows).flow(part[source.node])
        into[source.node] += taken
        diagonal[source.node] -= dt * change
    off = {pair: -sum(slope[index] for index in indices) for pair, indices in net.joins.items()}
    return _eliminate(net, diagonal, off, held + dt * into - own)


def _eliminate(net: Net, diagonal: Array, off: dict[tuple[int, int], Array], right: Array) -> Array:
    """Solve the systems of all rows, leaves first; ``diagonal`` and ``right`` are used up."""
    factors = []
    for node, around in net.order:
        own = [(each, off[min(node, each), max(node, each)]) for each in around]
        for place, (a, left) in enumerate(own):
            share = left / diagonal[node]
            diagonal[a] -= share * left
            right[a] -= share * right[node]
            for b, other in own[place + 1 :]:
                pair = (min(a, b), max(a, b))
                off[pair] = off[pair] - share * other if pair in off else -share * other
        factors.append((node, own))
    for node, own in reversed(factors):
        for each, left in own:
            right[node] -= left * right[each]
        right[node] /= diagonal[node]
    return right


def advance(net: Net, pg: Array, dt: float) -> Array:
    """Return the pressures one implicit step later.

    Parameters
    ----------
    net : Net
        The networks, one a row.
    pg : array, shape (n_nodes, n_rows)
        Gauge pressures now [Pa].
    dt : float
        Length of the step [s].

    Returns
    -------
    array, shape (n_nodes, n_rows)
        Gauge pressures after the step [Pa].

    Raises
    ------
    PhysicsError
        A row does not converge.
    """
    return _advance(net, pg, dt, np.arange(pg.shape[1]), SPLITS)


def _advance(net: Net, pg: Array, dt: float, rows: Rows, splits: int) -> Array:
    """Advance some rows; rows on which Newton's method swings take the step in four parts."""
    start = pg[:, rows]
    held, _ = content(net.stores, start, rows)
    now, last = start.copy(), np.zeros_like(start)
    damping = np.ones_like(start)
    left, law = np.arange(len(rows)), net.law.take(rows)
    largest = np.full(1, np.inf)
    for _ in range(ROUNDS):
        change = _newton(net, now[:, left], held[:, left], dt, law, rows[left])
        turned = change * last[:, left] < 0
        damping[:, left] = np.where(
            turned, 0.5 * damping[:, left], np.minimum(1.0, 1.5 * damping[:, left])
        )
        step = np.clip(change, -net.step_most, net.step_most) * damping[:, left]
        now[:, left] += step
        last[:, left] = step
        largest = np.abs(change).max(axis=0)
        again = largest > TOLERANCE
        if not again.any():
            return now
        if not again.all():
            left, law = left[again], law.take(np.flatnonzero(again))
    if not splits:
        raise PhysicsError(
            "network", "pressure change in the last round", float(largest.max()), f"{TOLERANCE} Pa"
        )
    whole = pg.copy()
    for _ in range(4):
        whole[:, rows[left]] = _advance(net, whole, dt / 4, rows[left], splits - 1)
    now[:, left] = whole[:, rows[left]]
    return now


def settle(net: Net, pg: Array, seconds: float) -> Array:
    """Return the pressures after ``seconds`` of growing steps, for when only the end matters.

    Parameters
    ----------
    net : Net
        The networks, one a row.
    pg : array, shape (n_nodes, n_rows)
        Gauge pressures now [Pa].
    seconds : float
        Time to cover [s].

    Returns
    -------
    array, shape (n_nodes, n_rows)
        Gauge pressures at the end [Pa].
    """
    for dt in steps(seconds, 6):
        pg = advance(net, pg, float(dt))
    return pg


def steps(seconds: float, number: int) -> Array:
    """Return growing time steps that add up to a time.

    Parameters
    ----------
    seconds : float
        Time to cover [s].
    number : int
        How many steps [-].

    Returns
    -------
    array, shape (number,)
        Lengths of the steps [s].

    Examples
    --------
    >>> [round(float(dt), 2) for dt in steps(10.0, 3)]
    [0.77, 2.31, 6.92]
    """
    sizes = 3.0 ** np.arange(number) if number <= 6 else 1.45 ** np.arange(number)
    return np.asarray(sizes / sizes.sum() * seconds)


def first_crossing(times: Sequence[float], shares: Sequence[Array], reach: float) -> Array:
    """Return when each row first reaches a share, on straight lines between steps; else the end.

    Parameters
    ----------
    times : sequence of float
        Growing times [s].
    shares : sequence of array, shape (n_rows,)
        Share at each time [-].
    reach : float
        Share that counts [-].

    Returns
    -------
    array, shape (n_rows,)
        Time of the first crossing [s].

    Examples
    --------
    >>> first_crossing([0.0, 10.0], [np.array([0.0]), np.array([0.4])], 0.1)
    array([2.5])
    """
    level = np.array(shares)
    clock = np.array(times)
    reached = level >= reach
    index: NDArray[np.int64] = np.where(reached.any(axis=0), reached.argmax(axis=0), len(clock) - 1)
    row = np.arange(level.shape[1])
    last = np.maximum(index - 1, 0)
    rise = level[index, row] - level[last, row]
    part = np.clip((reach - level[last, row]) / np.where(rise > 0, rise, np.inf), 0.0, 1.0)
    crossed = clock[last] + part * (clock[index] - clock[last])
    return np.asarray(np.where(reached.any(axis=0), crossed, clock[-1]))
