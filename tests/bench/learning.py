"""Does the first ranking get better with confirmed root causes? A fleet with rates of its own.

The true rates differ from the knowledge's by a random factor each. Work-ups come as they do in
life; after every batch the confirmed causes are learnt from. Each work-up is ranked at its first
reading twice: by the knowledge alone and by what was learnt before it.

Run as a script: ``python tests/bench/learning.py small --number 3000``.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from simulate import TRUTH_MACHINES, TRUTH_SEED, Truth, check_out

from diagnose.kb.load import load
from diagnose.logbook.accept import know
from diagnose.logbook.learn import Case, Days, Forgetting, gather, propose
from diagnose.model import WorkUp
from diagnose.predict import compile_table
from diagnose.rank import rank
from diagnose.rulebase import list_excluded, read_facts
from diagnose.session import Kit, make_kit

SPREAD = 1.0  # of the log of true over stock rate: two in three between a third and three times
BATCH = 100  # work-ups between two updates
BLOCK = 500  # work-ups of one line of figures
DAY = 86400.0
TINY = 1e-12


def rank_first(kit: Kit, work: WorkUp, rates: dict[str, float], block: int) -> tuple[bool, float]:
    """Return whether the true cause is first among single causes, and the log of its chance."""
    fired = kit.rules.fire(read_facts(kit.catalogue, work))
    found = rank(kit.catalogue, kit.table, work, list_excluded(kit.catalogue, fired), rates)
    top = int(found.chance[1:].argmax()) + 1
    return top == block, float(np.log(found.chance[block] + TINY))


def play(machine: str, number: int, seed: int, spread: float) -> np.ndarray:
    """Return for each work-up: first by stock, log score by stock, the same by what was learnt."""
    base = load()
    kit = make_kit(base, machine)
    table = compile_table(
        kit.catalogue, base.version, n_machines=TRUTH_MACHINES, seed=TRUTH_SEED + seed
    )
    rng = np.random.default_rng(seed)
    stock = kit.catalogue.often
    true = stock * np.exp(spread * rng.standard_normal(len(stock)))
    known, checkouts = know(kit), 0.0
    cases: list[Case] = []
    rates: dict[str, float] = {}
    results = []
    while len(results) < number:
        block = int(rng.choice(len(true), p=true / true.sum())) + 1
        checkouts += 1 / true.sum()  # so many machines are checked out until one has a cause
        truth = Truth(kit, table, block, int(rng.integers(table.n)), rng)
        work = check_out(kit, truth)
        if work is None:
            continue
        results.append(rank_first(kit, work, {}, block) + rank_first(kit, work, rates, block))
        cases.append(Case(kit.catalogue.causes[block - 1].id, machine, "", 0.0))
        if len(cases) % BATCH == 0:
            days = [Days(machine, "", 0.0, checkouts * DAY, checkouts)]
            evidence = gather(cases, days, machine, "", Forgetting(checkouts * DAY))
            rates = {each.cause: each.learned for each in propose(known, evidence)}
    return np.array(results, dtype=float)


def compare(found: np.ndarray) -> dict[str, float]:
    """Return the figures of some work-ups: both ways, and the difference with its error."""
    first, score = found[:, 2] - found[:, 0], found[:, 3] - found[:, 1]
    error = 1 / np.sqrt(len(found))
    return {
        "work_ups": len(found),
        "first_stock": float(found[:, 0].mean()),
        "first_learned": float(found[:, 2].mean()),
        "first_gain": float(first.mean()),
        "first_gain_error": float(first.std(ddof=1) * error),
        "log_score_stock": float(found[:, 1].mean()),
        "log_score_learned": float(found[:, 3].mean()),
        "log_score_gain": float(score.mean()),
        "log_score_gain_error": float(score.std(ddof=1) * error),
    }


def is_never_below(lines: list[dict[str, float]]) -> bool:
    """Tell whether no block is below the stock priors beyond noise (2 standard errors)."""
    return all(
        line[f"{name}_gain"] > -2 * line[f"{name}_gain_error"] - 1e-9
        for line in lines
        for name in ("first", "log_score")
    )


def main() -> None:
    """Play and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("machine", nargs="?", default="small")
    parser.add_argument("--number", type=int, default=3000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--spread", type=float, default=SPREAD)
    args = parser.parse_args()
    found = play(args.machine, args.number, args.seed, args.spread)
    lines = [compare(found[at : at + BLOCK]) for at in range(0, len(found), BLOCK)]
    for line in [*lines, compare(found)]:
        print(json.dumps({name: round(value, 4) for name, value in line.items()}))
    if not is_never_below(lines):
        raise SystemExit("a block is below the stock priors")


if __name__ == "__main__":
    main()
