"""What is left out by weighing the likeliest pairs only, against weighing all.

Work-ups of two causes are drawn and followed (``doubles.py``); every assessment on the way is made
again with all pairs of relevant causes. Run ``python tests/bench/pairs.py [machine] --number 20``.
"""

from __future__ import annotations

import argparse
from dataclasses import replace

import numpy as np
from doubles import draw_truth
from simulate import TRUTH_MACHINES, TRUTH_SEED, follow

from diagnose import pairs
from diagnose.kb.load import load
from diagnose.model import WorkUp
from diagnose.predict import compile_table
from diagnose.rank import name_ranking, rank
from diagnose.session import Kit, make_kit

FEW = pairs.PAIRS
ALL = 1_000_000


def compare(kit: Kit, work: WorkUp) -> tuple[float, float, bool]:
    """Return the chance of pairs left out, the largest change of a chance, and if five agree."""
    found = []
    for number in (ALL, FEW):
        pairs.PAIRS = number
        found.append(rank(kit.catalogue, kit.table, work))
    whole, cut = found
    kept = set(cut.pairs)
    left = sum(
        chance
        for pair, chance in zip(whole.pairs, whole.pair_chance, strict=True)
        if pair not in kept
    )
    names = [[ids for ids, _ in name_ranking(kit.table, own)[:5]] for own in found]
    moved = float(np.abs(whole.chance - cut.chance).max())
    return float(left), moved, names[0] == names[1]


def main() -> None:
    """Compare and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("machine", nargs="?", default="small")
    parser.add_argument("--number", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    base = load()
    kit = make_kit(base, args.machine)
    table = compile_table(kit.catalogue, base.version, n_machines=TRUTH_MACHINES, seed=TRUTH_SEED)
    rng = np.random.default_rng(args.seed)
    rows: list[tuple[float, float, bool]] = []
    drawn = 0
    while drawn < args.number:
        made = draw_truth(kit, table, rng)
        if made is None:
            continue
        drawn += 1
        work, _ = follow(kit, *made)
        first = len(made[1].entries)
        rows += [
            compare(kit, replace(work, entries=work.entries[:end]))
            for end in range(first, len(work.entries) + 1)
        ]
    left, moved, same = (np.array(column) for column in zip(*rows, strict=True))
    print(f"{'assessments':34} {len(rows)}")
    print(f"{'chance of pairs left out, mean':34} {left.mean():.2g}")
    print(f"{'chance of pairs left out, most':34} {left.max():.2g}")
    print(f"{'largest change of one chance':34} {moved.max():.2g}")
    print(f"{'first five the same':34} {same.mean():.3f}")


if __name__ == "__main__":
    main()
