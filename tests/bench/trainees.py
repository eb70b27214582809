"""Simulated trainees on the stock drills, and how near the planner comes to its best plan.

``random`` does a few checks by chance and names a cause by chance. ``chart`` works through a fixed
chart: what the failed step could mean, the commonest first, each put right and the step repeated.
``planner`` does what the program would do. Run as a script: ``python tests/bench/trainees.py``.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise, product

import numpy as np

from diagnose.drill.case import Act, Case, from_file
from diagnose.drill.judge import Followed, Judged, follow, judge
from diagnose.drill.machine import Rig
from diagnose.drill.play import Standing, begin, do, list_checks
from diagnose.kb.load import KnowledgeBase, load
from diagnose.model import WorkUp
from diagnose.readings import verdict
from diagnose.session import Kit, make_kit

RANDOM_CHECKS = 4  # what the random trainee does before naming
CHART_TRIES = 5  # remedies of the chart before biomed is called
DEPTH = 3  # acts at the beginning of which every choice is tried for the best plan
WIDTH = 3  # choices that are shown
Trainee = Callable[[Kit, Rig, WorkUp, np.random.Generator], Standing]


def play_random(kit: Kit, rig: Rig, start: WorkUp, rng: np.random.Generator) -> Standing:
    """Do some checks by chance, then name a cause and a disposition by chance."""
    standing = Standing(start, len(start.entries), 0.0)
    tests = list_checks(kit.catalogue, start)
    for place in rng.choice(len(tests), RANDOM_CHECKS, replace=False):
        standing = do(rig, standing, Act("check", tests[int(place)].id))
    names = _explaining(kit, start)
    name = names[int(rng.integers(len(names)))]
    cause = kit.catalogue.causes[kit.catalogue.cause_index[name] - 1]
    if cause.fault.remedy.by == "user":
        act = f"{cause.fault.remedy.act}@{cause.component}"
        standing = do(rig, standing, Act("remedy", act))
        standing = do(rig, standing, Act("check", start.failed))
    course = ("return", "remove")[int(rng.integers(2))]
    return do(rig, standing, Act("end", "", (name,), course))


def play_chart(kit: Kit, rig: Rig, start: WorkUp, _rng: np.random.Generator) -> Standing:
    """Put right the commonest explanations in turn and repeat the step; else call biomed."""
    standing = Standing(start, len(start.entries), 0.0)
    causes = [
        kit.catalogue.causes[kit.catalogue.cause_index[n] - 1] for n in _explaining(kit, start)
    ]
    causes.sort(key=lambda cause: (-cause.fault.how_often.per_10000, cause.id))
    done: set[str] = set()
    for cause in causes:
        act = f"{cause.fault.remedy.act}@{cause.component}"
        if cause.fault.remedy.by != "user" or act in done or len(done) >= CHART_TRIES:
            continue
        done.add(act)
        standing = do(rig, standing, Act("remedy", act))
        standing = do(rig, standing, Act("check", start.failed))
        reading = standing.work.readings[-1]
        test = kit.catalogue.tests[kit.catalogue.test_index[start.failed]]
        if verdict(test, reading) == "pass":
            return do(rig, standing, Act("end", "", (cause.id,), "return"))
    left = [cause for cause in causes if cause.fault.remedy.by == "biomed"] or causes
    return do(rig, standing, Act("end", "", (left[0].id,), "remove"))


def play_planner(kit: Kit, rig: Rig, start: WorkUp, _rng: np.random.Generator) -> Standing:
    """Follow the first choice."""
    return follow(kit, rig, start).standing


TRAINEES: dict[str, Trainee] = {
    "random": play_random, "chart": play_chart, "planner": play_planner,
}  # fmt: skip


def _explaining(kit: Kit, start: WorkUp) -> list[str]:
    """Return the causes that the failed step reads otherwise than a sound machine."""
    table = kit.table
    felt = table.felt[:, table.index[start.failed]]
    return [name for name, is_felt in zip(table.causes, felt, strict=True) if is_felt]


@dataclass
class Best:
    """The planner on one drill, and the best of all plans that begin otherwise."""

    drill: str
    planner: float  # minutes
    best: float  # least minutes of the plans that solve it too
    plans: int
    solved: int
    verdict: str
    score: float

    @property
    def ratio(self) -> float:
        """The planner's minutes over the best plan's."""
        return self.planner / self.best if self.best > 0 else 1.0


def find_best(kit: Kit, rig: Rig, start: WorkUp, name: str = "", depth: int = DEPTH) -> Best:
    """Return the planner's minutes beside the least of all plans of a kind.

    The plans take any of the shown choices at each of the first acts and the first choice from
    there on; none of them knows the cause. The best is picked by hindsight among those that solve
    the drill, so it is a bound that no planner can be sure to reach.
    """
    planner = follow(kit, rig, start)
    told = judge(kit, rig, planner.standing, planner.standing)
    least, solved, seen = planner.standing.minutes, 0, set()
    for first in product(range(WIDTH), repeat=depth):
        other = follow(kit, rig, start, first)
        if other.acts in seen:
            continue
        seen.add(other.acts)
        own = _judge(kit, rig, other, planner)
        if own.verdict == "solved":
            solved += 1
            least = min(least, other.standing.minutes)
    return Best(name, planner.standing.minutes, least, len(seen), solved, told.verdict, told.score)


def _judge(kit: Kit, rig: Rig, other: Followed, planner: Followed) -> Judged:
    return judge(kit, rig, other.standing, planner.standing)


def open_drill(base: KnowledgeBase, name: str, kits: dict[str, Kit]) -> tuple[Kit, Rig, WorkUp]:
    """Return a stock drill set up."""
    case: Case = from_file(base.drills[name])
    if case.machine not in kits:
        kits[case.machine] = make_kit(base, case.machine)
    kit = kits[case.machine]
    rig = Rig(kit.catalogue, case)
    return kit, rig, begin(rig)


def compare(names: Sequence[str], seed: int = 1) -> dict[str, list[Judged]]:
    """Return how each trainee went on each drill."""
    base, kits = load(), {}
    found: dict[str, list[Judged]] = {name: [] for name in TRAINEES}
    for name in names:
        kit, rig, start = open_drill(base, name, kits)
        planner = follow(kit, rig, start).standing
        for trainee, plays in TRAINEES.items():
            rng = np.random.default_rng([seed, sum(map(ord, name)), len(trainee)])
            own = planner if trainee == "planner" else plays(kit, rig, start, rng)
            found[trainee].append(judge(kit, rig, own, planner))
    return found


def print_comparison(found: dict[str, list[Judged]]) -> None:
    """Print the mean score of each trainee, and the margins between them."""
    means = {name: float(np.mean([each.score for each in own])) for name, own in found.items()}
    for name, own in found.items():
        solved = sum(each.verdict == "solved" for each in own)
        failed = sum(each.is_failed for each in own)
        minutes = np.mean([each.minutes for each in own])
        print(f"{name:8} score {means[name]:5.1f}  solved {solved} of {len(own)}  "
              f"failed for safety {failed}  minutes {minutes:.1f}")  # fmt: skip
    order = list(means)
    for low, high in pairwise(order):
        print(f"{high} over {low}: {means[high] - means[low]:+.1f}")


def main() -> None:
    """Play all stock drills and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("drills", nargs="*")
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--depth", type=int, default=DEPTH)
    parser.add_argument("--json", default="")
    args = parser.parse_args()
    base = load()
    names = args.drills or sorted(base.drills)
    found: dict[str, list[Judged]] = {name: [] for name in TRAINEES}
    for seed in range(1, args.seeds + 1):
        for name, own in compare(names, seed).items():
            found[name] += own
    print_comparison(found)
    kits: dict[str, Kit] = {}
    bests = [find_best(*open_drill(base, name, kits), name, args.depth) for name in names]
    for each in bests:
        print(f"{each.drill} planner {each.planner:5.1f} min  best {each.best:5.1f}  "
              f"ratio {each.ratio:.2f}  {each.verdict}  ({each.solved} of {each.plans} plans "
              "solve it)")  # fmt: skip
    print(f"worst ratio {max(each.ratio for each in bests):.2f}")
    if args.json:
        with open(args.json, "w") as file:
            json.dump([asdict(each) for each in bests], file)


if __name__ == "__main__":
    main()
