"""Work-ups on simulated machines: fresh truth, a reader who errs, the planner followed.

Run as a script: ``python tests/bench/simulate.py [machine ...] --number 400``.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass

import numpy as np

from diagnose.catalogue import Test
from diagnose.chances import reading_error
from diagnose.kb.load import load
from diagnose.model import RETURN, Assessment, Reading, Remedied, WorkUp
from diagnose.outline import checkout_steps
from diagnose.predict import Table, compile_table, words_shown
from diagnose.pretend import draw_outcome
from diagnose.rank import is_fixed_by, prior_of
from diagnose.readings import find_band, verdict
from diagnose.session import Kit, diagnose, make_kit
from diagnose.testability import find_groups

TRUTH_SEED = 977
TRUTH_MACHINES = 24
SHOWS_AGAIN = 0.95  # what a cause showed a person at a look it shows again; assumed [-]


@dataclass
class Truth:
    """One machine with one cause, answering checks as its physics says and as a reader errs."""

    kit: Kit
    table: Table
    block: int
    machine: int
    rng: np.random.Generator
    is_fixed: bool = False

    def __post_init__(self) -> None:
        self.memory: dict[tuple[str, int], Reading] = {}
        self.remedies = 0

    def answer(self, name: str) -> Reading:
        """Return what is read at a test; a repeat with nothing changed reads the same."""
        key = (name, self.remedies)
        if key not in self.memory and self._shows_again(name):
            earlier = [r for (test, _), r in self.memory.items() if test == name]
            self.memory[key] = earlier[-1]
        fitful = self.block > 0 and self.kit.catalogue.causes[self.block - 1].fault.intermittent < 1
        if key not in self.memory or fitful:
            self.memory[key] = self._draw(name)
        return self.memory[key]

    def _shows_again(self, name: str) -> bool:
        """Tell whether a look reads as before a remedy that did not put the cause right."""
        test = self.kit.catalogue.tests[self.table.index[name]]
        seen = any(own == name for own, _ in self.memory)
        return (
            seen
            and not test.check.procedure
            and not self.is_fixed
            and bool(self.table.felt[self.block, self.table.index[name]])
            and self.rng.uniform() < SHOWS_AGAIN
        )

    def _row(self) -> int:
        block = 0 if self.is_fixed else self.block
        if block:
            shows = self.kit.catalogue.causes[block - 1].fault.intermittent
            block = block if self.rng.uniform() < shows else 0
        return block * self.table.n + self.machine

    def _draw(self, name: str) -> Reading:
        index = self.table.index[name]
        test = self.kit.catalogue.tests[index]
        row = self._row()
        chances = self.table.prob[row, self.table.columns(index)].astype(float)
        value = float(self.table.quantity[row, index])
        told = words_shown(test, chances, value)
        if test.check.procedure and self.rng.uniform() < told.sum():
            return draw_outcome(test, told, self.rng)
        if test.check.procedure and self.rng.uniform() > test.check.misread:
            return self.show_number(test, value)
        if test.check.procedure:
            chances = np.full(len(chances), 1.0)
        return draw_outcome(test, chances, self.rng)

    def show_number(self, test: Test, value: float) -> Reading:
        """Return what is read where a test would show a number, the reader's error added."""
        error = float(reading_error(test.check.reading, np.array([value]))[0])
        seen = value + error * self.rng.standard_normal()
        if test.check.reading.quantity == "time":
            seen = max(0.0, seen)
        return Reading(test.id, find_band(test, seen), seen, f"{seen:g}")

    def remedy(self, remedy: Remedied) -> None:
        """Do a remedy; it puts its own causes right, and is botched now and then."""
        self.remedies += 1
        if not self.block:
            return
        cause = self.kit.catalogue.causes[self.block - 1]
        if is_fixed_by(cause, remedy):
            self.is_fixed = self.is_fixed or self.rng.uniform() > cause.fault.remedy.botched


@dataclass
class Result:
    """How one simulated work-up went."""

    machine: str
    cause: str
    rank: int  # place of the true cause at the end, 1 is first
    rank_of_group: int
    first: str  # the cause that ranks first at the end
    top: float  # its chance
    right: bool
    tests: int
    minutes: float
    disposition: str
    unsafe: bool
    alone: bool  # some check tells the cause from every other


def check_out(kit: Kit, truth: Truth, mixed: bool = False) -> WorkUp | None:
    """Return the work-up that a checkout leads to: steps passed, then the first that fails.

    None if all pass, or, unless mixed, if the failure is not the cause's but a false alarm.
    """
    passed: list[Reading] = []
    for test in checkout_steps(kit.catalogue):
        reading = truth.answer(test.id)
        if verdict(test, reading) == "fail":
            if not mixed and not is_felt(kit, truth, test, reading):
                return None
            return WorkUp(kit.catalogue.circuit.machine_id, test.id, (*passed, reading))
        passed.append(reading)
    return None


def is_felt(kit: Kit, truth: Truth, test: Test, reading: Reading) -> bool:
    """Tell whether the cause makes this failure likelier; else it is a false alarm."""
    column = truth.table.first[truth.table.index[test.id]] + test.outcomes.index(reading.outcome)
    own = truth.table.prob[truth.block * truth.table.n + truth.machine, column]
    return bool(own > 2 * truth.table.prob[truth.machine, column])


def is_shown(truth: Truth, work: WorkUp) -> bool:
    """Tell whether the cause makes the failed reading likelier, so that the work-up is about it."""
    test = truth.kit.catalogue.tests[truth.table.index[work.failed]]
    failed = [r for r in work.readings if r.test == work.failed]
    return truth.block > 0 and any(is_felt(truth.kit, truth, test, r) for r in failed)


def follow(kit: Kit, truth: Truth, work: WorkUp) -> tuple[WorkUp, Assessment]:
    """Follow the first choice until the disposition is final."""
    for _ in range(30):
        assessment = diagnose(kit, work)
        if assessment.disposition.final:
            return work, assessment
        choice = assessment.choices[0]
        if choice.remedy:
            truth.remedy(choice.remedy)
            work = work.add(choice.remedy)
        work = work.add(truth.answer(choice.test))
    raise AssertionError(f"work-up does not end: {work}")


def simulate(machine: str, number: int, seed: int, mixed: bool = False) -> Iterator[Result]:
    """Yield results of work-ups drawn by prior among those whose checkout fails.

    One cause each; or, ``mixed``, whatever fails a step: healthy machines that were misread and
    causes that the failed step cannot feel. Chances can only be judged on the latter, because
    the ranking is not told that there is a cause.
    """
    base = load()
    kit = make_kit(base, machine)
    table = compile_table(
        kit.catalogue, base.version, n_machines=TRUTH_MACHINES, seed=TRUTH_SEED + seed
    )
    alike = find_groups(kit.catalogue, kit.table)
    groups = {name: group.causes for group in alike for name in group.causes}
    rng = np.random.default_rng(seed)
    prior = prior_of(kit.catalogue)
    prior[0] *= mixed
    done = 0
    while done < number:
        block = int(rng.choice(len(prior), p=prior / prior.sum()))
        truth = Truth(kit, table, block, int(rng.integers(table.n)), rng)
        work = check_out(kit, truth, mixed)
        if work is None:
            continue
        before = len(work.entries)
        work, assessment = follow(kit, truth, work)
        done += 1
        yield judge(truth, work, assessment, before, groups)


def judge(
    truth: Truth,
    work: WorkUp,
    assessment: Assessment,
    before: int,
    groups: dict[str, tuple[str, ...]],
) -> Result:
    """Return how a work-up went, against the truth."""
    name = truth.table.causes[truth.block]
    singles = [cause.ids[0] for cause in assessment.ranking if len(cause.ids) == 1]
    first = assessment.ranking[0]
    place = singles.index(name) + 1
    of_group = min(singles.index(other) + 1 for other in groups.get(name, (name,)))
    returned = assessment.disposition.say == RETURN
    return Result(
        machine=work.machine,
        cause=name,
        rank=place,
        rank_of_group=of_group,
        first=" and ".join(first.ids),
        top=first.chance,
        right=first.ids == (name,),
        tests=len([e for e in work.entries[before:] if isinstance(e, Reading)]),
        minutes=assessment.minutes_used,
        disposition=assessment.disposition.say,
        unsafe=returned and not truth.is_fixed and is_shown(truth, work),
        alone=name not in groups,
    )


def summarise(results: Sequence[Result]) -> dict[str, float]:
    """Return the figures of a run."""
    alone = [r for r in results if r.alone]
    tops = np.array([r.top for r in results])
    right = np.array([r.right for r in results], dtype=float)
    return {
        "work_ups": len(results),
        "alone": len(alone),
        "first": float(np.mean([r.rank == 1 for r in alone])),
        "first_three": float(np.mean([r.rank <= 3 for r in alone])),
        "first_all": float(np.mean([r.rank == 1 for r in results])),
        "group_first_all": float(np.mean([r.rank_of_group == 1 for r in results])),
        "median_tests": float(np.median([r.tests for r in results])),
        "mean_tests": float(np.mean([r.tests for r in results])),
        "mean_minutes": float(np.mean([r.minutes for r in results])),
        "returned": float(np.mean([r.disposition == RETURN for r in results])),
        "unsafe": sum(r.unsafe for r in results),
        "ece": calibration_error(tops, right),
        "ece_band_95": calibration_band(tops),
    }


def calibration_error(confidence: np.ndarray, right: np.ndarray, bins: int = 10) -> float:
    """Return the expected calibration error in equal-width bins."""
    place = np.minimum((confidence * bins).astype(int), bins - 1)
    total = 0.0
    for own in range(bins):
        inside = place == own
        if inside.any():
            total += inside.mean() * abs(right[inside].mean() - confidence[inside].mean())
    return float(total)


def calibration_band(confidence: np.ndarray, draws: int = 2000, seed: int = 5) -> float:
    """Return the 95 % point of the error of a perfectly calibrated forecaster."""
    rng = np.random.default_rng(seed)
    errors = [
        calibration_error(
            confidence, (rng.uniform(size=len(confidence)) < confidence).astype(float)
        )
        for _ in range(draws)
    ]
    return float(np.quantile(errors, 0.95))


def draw_reliability(results: Sequence[Result], bins: int = 10) -> str:
    """Return the reliability plot as SVG: how often the first cause was right, by its chance."""
    confidence = np.array([r.top for r in results])
    right = np.array([r.right for r in results], dtype=float)
    place = np.minimum((confidence * bins).astype(int), bins - 1)
    marks = []
    for own in range(bins):
        inside = place == own
        if inside.any():
            x, y = 60 + 400 * confidence[inside].mean(), 440 - 400 * right[inside].mean()
            size = 3 + 14 * float(np.sqrt(inside.mean()))
            marks.append(
                f'<circle cx="{x:.0f}" cy="{y:.0f}" r="{size:.1f}" fill="none" '
                f'stroke="black"/><text x="{x + size + 3:.0f}" y="{y + 4:.0f}">'
                f"{int(inside.sum())}</text>"
            )
    return "\n".join(
        [
            '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 520 500" font-family="serif" '
            'font-size="13" role="img"><title>Reliability of the first cause</title>',
            '<rect width="520" height="500" fill="white"/>',
            '<path d="M60 40V440H460" fill="none" stroke="black"/>',
            '<path d="M60 440L460 40" stroke="grey" stroke-dasharray="5 4"/>',
            *[
                f'<text x="{52 + 40 * k}" y="458">{k / 10:g}</text><text x="30" y="{445 - 40 * k}">'
                f"{k / 10:g}</text>"
                for k in range(0, 11, 2)
            ],
            '<text x="150" y="482">chance given to the first cause</text>',
            '<text x="20" y="25">share of work-ups in which it was right (number of them)</text>',
            *marks,
            "</svg>\n",
        ]
    )


def main() -> None:
    """Simulate and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("machines", nargs="*", default=[])
    parser.add_argument("--number", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--mixed", action="store_true", help="with false alarms, for calibration")
    parser.add_argument("--json", default="")
    parser.add_argument("--svg", default="", help="write the reliability plot here")
    args = parser.parse_args()
    machines = args.machines or [name for name, m in load().machines.items() if not m.teaching]
    results: list[Result] = []
    for place, machine in enumerate(machines):
        share = args.number // len(machines) + (place < args.number % len(machines))
        results += simulate(machine, share, args.seed + place, args.mixed)
    if args.json:
        with open(args.json, "w") as file:
            json.dump([asdict(r) for r in results], file)
    if args.svg:
        with open(args.svg, "w") as file:
            file.write(draw_reliability(results))
    for key, value in summarise(results).items():
        print(f"{key:20} {value:.4g}")


if __name__ == "__main__":
    main()
