"""Work-ups on simulated machines with two causes at once, both of which the failed step feels.

What two causes show together is solved here, not combined from single readings as the ranking
does; a look shows whichever of the two it would show. Run as a script:
``python tests/bench/doubles.py [machine ...] --number 100``.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace

import numpy as np
from simulate import TRUTH_MACHINES, TRUTH_SEED, Truth, check_out, follow, is_felt

from diagnose.catalogue import Test
from diagnose.kb.load import load
from diagnose.model import RETURN, Assessment, Reading, Remedied, WorkUp
from diagnose.particles import predict_quantity, set_bench
from diagnose.predict import compile_table
from diagnose.rank import is_fixed_by, prior_of
from diagnose.session import Kit, make_kit

SHOWN = 5  # entries of the ranking that are looked at


@dataclass
class TwoTruths(Truth):
    """One machine with two causes; ``block`` is the first, ``other`` the second."""

    other: int = 0
    is_other_fixed: bool = False

    def _draw(self, name: str) -> Reading:
        index = self.table.index[name]
        test = self.kit.catalogue.tests[index]
        here = [b for b, fixed in ((self.block, self.is_fixed), (self.other, self.is_other_fixed))
                if not fixed and self.rng.uniform() < self._shows(b)]  # fmt: skip
        felt = [b for b in here if self.table.felt[b, index]]
        if len(felt) < 2:
            return self._one(test, felt[0] if felt else 0)
        calculated = [b for b in felt if np.isfinite(self.table.quantity[b * self.table.n, index])]
        if len(calculated) == 2 and self.rng.uniform() > test.check.misread:
            return self._both(test, felt[0], felt[1])
        seen = [self._one(test, block) for block in felt]
        outcomes = test.check.reading.outcomes
        return next((r for r in seen if outcomes[r.outcome].means != "pass"), seen[0])

    def _shows(self, block: int) -> float:
        return self.kit.catalogue.causes[block - 1].fault.intermittent

    def _one(self, test: Test, block: int) -> Reading:
        alone = Truth(self.kit, self.table, block, self.machine, self.rng)
        return alone._draw(test.id)

    def _both(self, test: Test, a: int, b: int) -> Reading:
        """Return a reading of the machine solved with both causes."""
        one, two = (self.kit.catalogue.causes[block - 1] for block in (a, b))
        pair = replace(one, id=f"{one.id}+{two.id}", also=two)
        own = replace(self.kit.catalogue, causes=(pair,), tests=(test,))
        quantity = predict_quantity(set_bench(own, TRUTH_MACHINES, TRUTH_SEED), test)
        return self.show_number(test, float(quantity[1, self.machine]))

    def remedy(self, remedy: Remedied) -> None:
        """Do a remedy; it may put both right."""
        super().remedy(remedy)
        cause = self.kit.catalogue.causes[self.other - 1]
        if is_fixed_by(cause, remedy):
            done = self.rng.uniform() > cause.fault.remedy.botched
            self.is_other_fixed = self.is_other_fixed or done


@dataclass
class Result:
    """How one work-up on two causes went."""

    machine: str
    causes: tuple[str, str]
    failed: str
    both: bool  # both stand in the first five entries of the last ranking
    one: bool
    tests: int
    disposition: str
    left: bool  # returned with one of the two
    unsafe: bool  # returned with one that the failed step shows more often than not


def judge(truth: TwoTruths, work: WorkUp, told: Assessment, before: int) -> Result:
    """Return how a work-up went, against the truth; what was put right counts as found."""
    names = [truth.table.causes[b] for b in (truth.block, truth.other)]
    listed = {name for entry in told.ranking[:SHOWN] for name in entry.ids}
    fixed = [truth.is_fixed, truth.is_other_fixed]
    found = [name in listed or done for name, done in zip(names, fixed, strict=True)]
    left = told.disposition.say == RETURN and not all(fixed)
    return Result(
        machine=work.machine,
        causes=(names[0], names[1]),
        failed=work.failed,
        both=all(found),
        one=any(found),
        tests=len([e for e in work.entries[before:] if isinstance(e, Reading)]),
        disposition=told.disposition.say,
        left=left,
        unsafe=left and any(fails(truth, b, work.failed) >= 0.5 for b, done in
                            zip((truth.block, truth.other), fixed, strict=True) if not done),
    )  # fmt: skip


def fails(truth: TwoTruths, block: int, name: str) -> float:
    """Return how often a cause alone fails a step on this machine."""
    index = truth.table.index[name]
    test = truth.kit.catalogue.tests[index]
    chances = truth.table.prob[block * truth.table.n + truth.machine, truth.table.columns(index)]
    means = [outcome.means for outcome in test.check.reading.outcomes.values()]
    return float(sum(chance for chance, own in zip(chances, means, strict=True) if own == "fail"))


def draw_truth(kit: Kit, table, rng: np.random.Generator) -> tuple[TwoTruths, WorkUp] | None:
    """Return a machine with two causes and its failed checkout; None if the draw is of no use."""
    prior = prior_of(kit.catalogue)
    prior[0] = 0.0
    block = int(rng.choice(len(prior), p=prior / prior.sum()))
    machine = int(rng.integers(table.n))
    alone = check_out(kit, Truth(kit, table, block, machine, rng))
    if alone is None:
        return None
    test = kit.catalogue.tests[table.index[alone.failed]]
    each = {b: Truth(kit, table, b, machine, rng) for b in range(1, len(prior)) if b != block}
    felt = [b for b, own in each.items() if is_felt(kit, own, test, alone.readings[-1])]
    if not felt:
        return None
    own = prior[felt] / prior[felt].sum()
    truth = TwoTruths(kit, table, block, machine, rng, other=int(rng.choice(felt, p=own)))
    work = check_out(kit, truth)
    return (truth, work) if work is not None and work.failed == alone.failed else None


def simulate(machine: str, number: int, seed: int) -> Iterator[Result]:
    """Yield results of work-ups with two causes that the failed step feels."""
    base = load()
    kit = make_kit(base, machine)
    table = compile_table(kit.catalogue, base.version, n_machines=TRUTH_MACHINES, seed=TRUTH_SEED)
    rng = np.random.default_rng(seed)
    done = 0
    while done < number:
        drawn = draw_truth(kit, table, rng)
        if drawn is None:
            continue
        truth, work = drawn
        before = len(work.entries)
        work, told = follow(kit, truth, work)
        done += 1
        yield judge(truth, work, told, before)


def main() -> None:
    """Simulate and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("machines", nargs="*", default=[])
    parser.add_argument("--number", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", default="")
    args = parser.parse_args()
    machines = args.machines or [name for name, m in load().machines.items() if not m.teaching]
    results = [
        result
        for place, machine in enumerate(machines)
        for result in simulate(machine, args.number // len(machines), args.seed + place)
    ]
    if args.json:
        with open(args.json, "w") as file:
            json.dump([asdict(r) for r in results], file)
    print(f"{'work_ups':20} {len(results)}")
    for name in ("both", "one", "left", "unsafe"):
        print(f"{name:20} {np.mean([getattr(r, name) for r in results]):.4g}")
    print(f"{'median_tests':20} {np.median([r.tests for r in results]):.4g}")
    print(f"{'returned':20} {np.mean([r.disposition == RETURN for r in results]):.4g}")


if __name__ == "__main__":
    main()
