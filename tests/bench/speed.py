"""Print how long the steps of a diagnosis take, beside an empty loop of the same run.

Run as a script: ``python tests/bench/speed.py [machine]``. Nothing here is a test: times depend on
the computer, so the figures are printed, never asserted.
"""

import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from diagnose.catalogue import list_catalogue
from diagnose.kb.load import load
from diagnose.model import WorkUp
from diagnose.predict import compile_table
from diagnose.rank import rank
from diagnose.readings import read_answer
from diagnose.rulebase import list_excluded, read_facts
from diagnose.session import diagnose, make_kit

READINGS = {
    "breathing.hold_30": "12 cmH2O",
    "breathing.look_over": "all_right",
    "breathing.hold_bag_plugged": "falls_fast",
    "breathing.apl_turn": "was_closed",
}


def median_ms(work: Callable[[], object], number: int = 60) -> float:
    """Return the median time of some work [ms]."""
    times = []
    for _ in range(number):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return 1e3 * statistics.median(times)


def main() -> None:
    """Measure and print."""
    machine = sys.argv[1] if len(sys.argv) > 1 else "two_vaporizers_valve"
    base = load()
    start = time.perf_counter()
    table = compile_table(list_catalogue(base, machine), base.version)
    print(f"compile {machine}: {time.perf_counter() - start:.1f} s, one process")
    print(f"  {len(table.causes)} causes x {table.n} particles, {len(table.tests)} checks")
    kit = make_kit(base, machine)
    work = WorkUp(machine, "breathing.hold_30")
    for name, answer in READINGS.items():
        work = work.add(read_answer(kit.catalogue, name, answer))

    def rank_only() -> None:
        fired = kit.rules.fire(read_facts(kit.catalogue, work))
        rank(kit.catalogue, kit.table, work, list_excluded(kit.catalogue, fired))

    loop = median_ms(lambda: sum(range(100_000)))
    print(f"sum of 100,000 numbers, for scale: {loop:.2f} ms")
    print(f"rank (rules and posterior), 4 readings: {median_ms(rank_only):.2f} ms")
    print(f"whole diagnosis with plan and reasons: {median_ms(lambda: diagnose(kit, work)):.2f} ms")
    program = str(Path(sys.executable).parent / "tenhold")
    with tempfile.TemporaryDirectory() as state:
        command = ["sh", "-c", f"echo | TENHOLD_STATE={state} {program} work-up --answers -"]
        run = median_ms(lambda: subprocess.run(command, capture_output=True, check=False), 7)
    print(f"command line to its first question, cache warm: {run:.0f} ms")


if __name__ == "__main__":
    main()
