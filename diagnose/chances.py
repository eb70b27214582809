"""Chances of outcomes from what is shown: by the band of a number, or by several signs at once."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from diagnose.catalogue import Test
from diagnose.kb.schema import Limits, Reading
from diagnose.physics.laws import Array
from diagnose.readings import bands
from diagnose.units import TRADE, kind_of, to_si


def usual(quantity: NDArray[Any]) -> NDArray[Any]:
    """Return what would be read in the usual machine: each machine's own deviation taken out.

    The deviation counts as error of the reading instead. Else the few machines drawn would be
    told apart by their passed steps, and a cause would be judged on the severity that chance gave
    to the one machine that fits best.

    Parameters
    ----------
    quantity : array, shape (..., n_causes, n_machines)
        Readings in SI, the healthy machines first.

    Returns
    -------
    array of the same shape
        The same with the healthy machines' spread removed.

    Examples
    --------
    >>> usual(np.array([[29.0, 30.0, 31.0], [19.0, 20.0, 11.0]]))
    array([[30., 30., 30.],
           [20., 20., 10.]])
    """
    healthy = quantity[..., :1, :]
    return np.asarray(quantity - healthy + np.median(healthy, axis=-1, keepdims=True))


def reading_error(reading: Reading, quantity: Array) -> Array:
    """Return the reader's error for each predicted quantity, one standard deviation, in SI.

    A reading in % has its error in percentage points, as the display shows it.
    """
    if reading.error is None:
        return np.full(quantity.shape, TRADE[str(reading.unit)][1])
    if reading.error.text.endswith("%") and reading.unit != "%":
        floor = TRADE[str(reading.unit)][1] * 2
        return np.maximum(to_si(reading.error.text, "fraction") * np.abs(quantity), floor)
    return np.full(quantity.shape, to_si(reading.error.text, kind_of(str(reading.unit))))


def rise(z: Array) -> Array:
    """Return the chance that a standard normal lies below ``z``, to within 0.0005.

    >>> [round(float(v), 3) for v in rise(np.array([-3.0, 0.0, 1.0]))]
    [0.001, 0.5, 0.841]
    """
    near = np.clip(z, -8, 8)
    return np.asarray(0.5 * (1 + np.tanh(np.sqrt(2 / np.pi) * near * (1 + 0.044715 * near * near))))


def band_chances(reading: Reading, quantity: Array, error: Array, misread: float) -> Array:
    """Return the chance of each outcome of a number.

    Parameters
    ----------
    reading : Reading
        The bands.
    quantity, error : array, shape (n,)
        What would be shown and how far off it is read, in SI.
    misread : float
        Chance of a plain mistake [-].

    Returns
    -------
    array, shape (n, n_outcomes)
        Chances; rows sum to 1.
    """
    limits = bands(reading)
    found = np.stack(
        [rise((high - quantity) / error) - rise((low - quantity) / error) for low, high in limits],
        -1,
    )
    found = np.maximum(found, 0.0)
    found = np.nan_to_num(found)  # an outcome without a band is no number's
    total = found.sum(axis=-1, keepdims=True)
    found = np.where(total > 0, found / np.where(total > 0, total, 1), 1 / len(limits))
    return np.asarray((1 - misread) * found + misread / len(limits))


def spacing(quantity: Array) -> Array:
    """Return how far apart a cause's particles lie, so that the likelihood of a number has no gaps.

    Parameters
    ----------
    quantity : array, shape (n_causes, n)
        Predicted quantity of each particle, in SI.

    Returns
    -------
    array, shape (n_causes, n)
        Distance between a particle's neighbours: machines differ in more than one way.
    """
    order = np.argsort(quantity, axis=1)
    ranked = np.take_along_axis(quantity, order, axis=1)
    gap = np.empty_like(ranked)
    gap[:, 1:-1] = ranked[:, 2:] - ranked[:, :-2]
    gap[:, 0] = 2 * (ranked[:, 1] - ranked[:, 0])
    gap[:, -1] = 2 * (ranked[:, -1] - ranked[:, -2])
    found = np.empty_like(gap)
    np.put_along_axis(found, order, gap, axis=1)
    return np.asarray(np.minimum(found, 0.3 * (quantity.max() - quantity.min() + 1e-12)))


def near(shown: Array) -> Array:
    """Return how far a cause's particles lie apart; the healthy machine has no severity."""
    found = spacing(shown)
    found[0] = 0.0
    return found


def judge(test: Test, quantity: Array) -> Array:
    """Return the chances of outcomes that are judged by several signs at once.

    Each sign is read with its own error. The limits of all outcomes cut the signs into boxes; each
    box belongs to the first outcome that fits it.

    Parameters
    ----------
    test : Test
        With the signs and the limits of its outcomes.
    quantity : array, shape (n_signs, n_causes, n_machines)
        What each sign shows, in SI.

    Returns
    -------
    array, shape (n_causes * n_machines, n_outcomes)
        Chances; rows sum to 1; nothing for outcomes that are only stated.
    """
    reading, n_outcomes = test.check.reading, len(test.outcomes)
    shown = usual(quantity)
    differ = quantity[:, 0] - np.median(quantity[:, 0], axis=-1, keepdims=True)
    errors = [
        np.hypot(to_si(sign.error.text, kind_of(sign.unit)), near(own))
        for sign, own in zip(reading.signs.values(), shown, strict=True)
    ]
    edges = sign_edges(reading)
    found = np.zeros((shown[0].size, n_outcomes))
    for machine in range(differ.shape[1]):
        below = [
            np.stack([rise((edge - own - off) / error).reshape(-1) for edge in limits])
            for own, off, error, limits in zip(
                shown, differ[:, machine], errors, edges, strict=True
            )
        ]
        for box, place in boxes(reading, edges):
            chance = np.ones(len(found))
            for side, own in zip(box, below, strict=True):
                chance *= own[side + 1] - own[side]
            found[:, place] += chance
    found /= differ.shape[1]
    misread = test.check.misread
    return np.asarray((1 - misread) * found + misread / n_outcomes)


def sign_edges(reading: Reading) -> list[Array]:
    """Return for each sign the limits that any outcome names, in SI, with infinity at both ends."""
    found = []
    for name, sign in reading.signs.items():
        every = [own.where or {} for own in reading.outcomes.values()]
        named = [where[name] for where in every if name in where]
        texts = {text for limits in named for text in (limits.least, limits.most) if text}
        inner = sorted(to_si(text, kind_of(sign.unit)) for text in texts)
        found.append(np.array([-np.inf, *inner, np.inf]))
    return found


def boxes(reading: Reading, edges: list[Array]) -> list[tuple[tuple[int, ...], int]]:
    """Return every box between the limits of the signs, with the first outcome that fits it."""
    found = []
    for box in itertools.product(*(range(len(own) - 1) for own in edges)):
        for place, outcome in enumerate(reading.outcomes.values()):
            if outcome.where is not None and _fits(reading, outcome.where, edges, box):
                found.append((box, place))
                break
    return found


def _fits(
    reading: Reading, where: Mapping[str, Limits], edges: list[Array], box: tuple[int, ...]
) -> bool:
    for (name, sign), own, side in zip(reading.signs.items(), edges, box, strict=True):
        limits, kind = where.get(name, Limits()), kind_of(sign.unit)
        if limits.least and own[side] < to_si(limits.least, kind):
            return False
        if limits.most and own[side + 1] > to_si(limits.most, kind):
            return False
    return True
