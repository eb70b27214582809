"""A ventilator's breaths: gas pushed out of its bellows, and what comes back into it.

In inspiration the bellows stands apart and a source gives its gas to the circuit, so what is not
there cannot be given. In expiration it is a space of the network again. Gas is conserved exactly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from diagnose.kb.schema import Move
from diagnose.physics.laws import Array, bellows_content, bellows_pressure
from diagnose.physics.solve import Net, Source, advance, content, steps

BREATHS = 3  # where none is stated; enough to show a bellows that does not fill again [-]
STEPS = 8  # of each half of a breath [-]


@dataclass(frozen=True)
class Breath:
    """What is set at a ventilator, and where its gas goes."""

    node: int  # the port it breathes into
    bellows: int  # the space its gas is kept in
    volume: float  # given in a breath, at most [m^3]
    limit: float  # pressure at the port, at most [Pa]
    inspiration: float  # [s]
    expiration: float  # [s]
    number: int = BREATHS  # how many [-]


@dataclass(frozen=True)
class Breathed:
    """What a few breaths leave behind."""

    pg: Array  # at the end of the last expiration (n_nodes, n_rows) [Pa]
    peak: Array  # highest pressure in the last breath (n_nodes, n_rows) [Pa]
    moved: Array  # gas that the last inspiration put into each space (n_nodes, n_rows) [m^3]


def read_breath(move: Move, node: int, bellows: int) -> Breath:
    """Return what a move ``breathe`` asks for.

    Parameters
    ----------
    move : Move
        With volume, times of inspiration and expiration, and limit of pressure.
    node, bellows : int
        Where it breathes into, and where its gas is kept [-].

    Returns
    -------
    Breath
        The same in SI.
    """
    assert move.volume and move.inspiration and move.expiration and move.to  # the lint saw to it
    return Breath(
        node,
        bellows,
        move.volume.si("volume"),
        move.to.si("opening"),
        move.inspiration.si_time(),
        move.expiration.si_time(),
        move.breaths or BREATHS,
    )


def breathe(into: Net, out: Net, pg: Array, breath: Breath) -> Breathed:
    """Return the pressures after some breaths.

    Parameters
    ----------
    into, out : Net
        The networks in inspiration, bellows apart, and in expiration, bellows joined.
    pg : array, shape (n_nodes, n_rows)
        Gauge pressures before the first breath [Pa].
    breath : Breath
        What is set, and how many breaths.

    Returns
    -------
    Breathed
        End and peak of the last breath, and what it moved.
    """
    rows = np.arange(pg.shape[1])
    moved, peak = np.zeros_like(pg), pg
    for _ in range(breath.number):
        before, _ = content(into.stores, pg, rows)
        pg, peak = _inspire(into, pg, breath)
        after, _ = content(into.stores, pg, rows)
        moved = after - before
        for dt in steps(breath.expiration, STEPS):
            pg = advance(out, pg, float(dt))
            peak = np.maximum(peak, pg)
    return Breathed(pg, peak, moved)


def _inspire(net: Net, pg: Array, breath: Breath) -> tuple[Array, Array]:
    """Return pressures at the end of an inspiration, and the highest in it.

    At the limit the bellows takes gas back, as its drive gas is let go there.
    """
    size, lift = next((size, lift) for node, size, lift in net.stores.bellows
                      if node == breath.bellows)  # fmt: skip
    stock, _ = bellows_content(pg[breath.bellows], size, lift)
    dt = breath.inspiration / STEPS
    flow = breath.volume / breath.inspiration
    limit, peak = np.full(pg.shape[1], breath.limit), pg
    for _ in range(STEPS):
        most = np.minimum(flow, stock / dt)
        source = Source(breath.node, limit, -(size - stock) / dt, most)
        net.sources.append(source)
        pg = advance(net, pg, dt)
        net.sources.remove(source)
        stock = stock - dt * source.flow(pg[breath.node])[0]
        peak = np.maximum(peak, pg)
    pg = pg.copy()
    pg[breath.bellows] = bellows_pressure(stock, size, lift)
    return pg, peak
