"""What checks can show, on hand-made tables whose answer is known, and on the teaching machine.

A hand-made check reads good or bad, as written: a row of text for each cause, the healthy machine
first, a figure for each check, 0 for good and 1 for bad.
"""

import tracemalloc
from itertools import combinations

import numpy as np
import pytest

from diagnose import catalogue as listed
from diagnose.coverage import SHOWS, cover, find_idle, find_showing, find_shows, split_groups
from diagnose.kb.schema import Check, Fault, Outcome, Reading
from diagnose.predict import Table
from diagnose.testability import TELLS, best_difference, difference, mean_chances

OUTCOMES = {"good": "pass", "odd": "neutral", "bad": "fail"}
#: six states and five tests of the test-sequencing literature, as in tests/published
SIX = ["00000", "01001", "00110", "10011", "11000", "11110"]
#: three multipliers feed two adders; outputs f and g are steps, the three products opened up
POLYBOX = {
    "nothing": "00 000", "m1": "10 100", "m2": "11 010", "m3": "01 001", "a1": "10 000",
    "a2": "01 000",
}  # fmt: skip


def make_tests(number, kinds="", by="", minutes=()):
    """Return tests t0, t1, ...: S steps, i isolating tests; u by users, b by biomed."""
    reading = Reading.model_construct(
        outcomes={name: Outcome.model_construct(means=means) for name, means in OUTCOMES.items()}
    )
    return tuple(
        listed.Test(f"t{i}", f"t{i}", "", Check.model_construct(
            kind="step" if kinds[i:i + 1] == "S" else "isolating_test", reading=reading,
            by="biomed" if by[i:i + 1] == "b" else "user", zone="breathing",
            minutes=minutes[i] if minutes else 1.0,
        ))
        for i in range(number)
    )  # fmt: skip


def make_machine(chances, names=(), **options):
    """Return a catalogue and a table; ``chances`` of good, odd, bad: (n_blocks, n_tests, 3)."""
    chances = np.asarray(chances, np.float32)
    blocks, tests = chances.shape[:2]
    names = names or [f"c{i}" for i in range(1, blocks)]
    causes = tuple(
        listed.Cause(n, n, "bag", Fault.model_construct(intermittent=1.0)) for n in names
    )
    catalogue = listed.Catalogue(None, causes, make_tests(tests, **options))
    none = np.zeros((0, 0), np.float32)
    table = Table(
        "made", "1", tuple(catalogue.cause_index), tuple(catalogue.test_index),
        tuple(range(0, 3 * tests + 1, 3)), 1, chances.reshape(blocks, -1), none, none, none,
    )  # fmt: skip
    return catalogue, table


def read(rows):
    """Return the chances of rows of figures."""
    bad = np.array([[int(figure) for figure in row.replace(" ", "")] for row in rows])
    return np.stack([1 - bad, np.zeros_like(bad), bad], axis=-1)


def enumerate_splits(rows):
    """Return all smallest sets of tests on which no two rows are alike, by trying all."""
    tests = range(len(rows[0]))
    for number in tests:
        found = {
            chosen
            for chosen in combinations(tests, number)
            if len({tuple(row[t] for t in chosen) for row in rows}) == len(rows)
        }
        if found:
            return found
    return {tuple(tests)}


def test_the_six_states_are_split_by_the_fewest_tests_that_enumeration_finds():
    known = enumerate_splits(SIX[1:])
    assert {len(chosen) for chosen in known} == {3}
    (split,) = split_groups(*make_machine(read(SIX), by="bbbbb"))
    assert split.causes == ("c1", "c2", "c3", "c4", "c5")
    assert tuple(int(name[1:]) for name in split.tests) in known
    assert split.is_smallest and split.left == ()


def test_of_the_smallest_splits_of_the_six_states_the_quickest_is_named():
    minutes = [5.0, 1.0, 2.0, 4.0, 3.0]
    best = min(enumerate_splits(SIX[1:]), key=lambda chosen: sum(minutes[t] for t in chosen))
    (split,) = split_groups(*make_machine(read(SIX), by="bbbbb", minutes=minutes))
    assert split.tests == tuple(f"t{t}" for t in best)


def test_two_tests_show_every_one_of_the_six_states():
    alone = [
        chosen
        for number in range(1, 6)
        for chosen in combinations(range(5), number)
        if all(any(row[t] == "1" for t in chosen) for row in SIX[1:])
    ]
    catalogue, table = make_machine(read(SIX))
    showing = find_showing(catalogue, find_shows(catalogue, table))
    assert len(showing.tests) == len(alone[0]) == 2
    assert tuple(int(name[1:]) for name in showing.tests) in alone
    assert showing.minutes == 2.0 and showing.missed == ()


def test_a_polybox_has_the_two_groups_and_the_splits_that_its_products_give():
    chances = read(POLYBOX.values())
    names = list(POLYBOX)[1:]
    splits = split_groups(*make_machine(chances, names, kinds="SSiii", by="uubbb"))
    found = {split.causes: split.tests for split in splits}
    assert found == {("m1", "a1"): ("t2",), ("m3", "a2"): ("t4",)}


def test_a_pair_that_no_check_splits_is_named_with_the_nearest():
    chances = read(POLYBOX.values())[:, :4].astype(float)
    names = list(POLYBOX)[1:]
    chances[names.index("a2") + 1, 3] = [0.7, 0.0, 0.3]
    first, second = split_groups(*make_machine(chances, names, by="uubb"))
    assert (first.causes, first.left) == (("m1", "a1"), ())
    assert (second.tests, second.left[0].causes) == ((), ("m3", "a2"))
    assert second.left[0].nearest.test == "t3"
    assert second.left[0].nearest.chance == pytest.approx(0.3)


def test_causes_that_read_alike_everywhere_have_no_nearest_check():
    (split,) = split_groups(*make_machine(read(["0", "1", "1"])))
    assert split.left[0].nearest is None


def test_a_step_shows_only_by_failing_and_an_isolating_test_by_any_outcome():
    sound, odd, bad = [1.0, 0.0, 0.0], [0.2, 0.8, 0.0], [0.4, 0.0, 0.6]
    catalogue, table = make_machine([[sound] * 2, [odd] * 2, [bad] * 2], kinds="Si")
    assert find_shows(catalogue, table) == pytest.approx(np.array([[0.0, 0.8], [0.6, 0.6]]))


def test_unshown_causes_come_with_their_nearest_step_and_best_isolating_test():
    sound = [0.9, 0.0, 0.1]
    weak, clear = [0.6, 0.0, 0.4], [0.1, 0.0, 0.9]
    rows = [[sound] * 3, [weak, sound, clear], [clear, sound, sound], [sound] * 3]
    found = cover(*make_machine(rows, kinds="Sii")).unshown
    assert [each.cause for each in found] == ["c3", "c1"]
    assert found[0].best_step is None and found[0].best_isolating is None
    assert (found[1].best_step.test, found[1].best_isolating.test) == ("t0", "t2")
    assert found[1].best_step.chance == pytest.approx(0.3)
    assert found[1].best_isolating.chance == pytest.approx(0.8)


@pytest.mark.parametrize(
    ("minutes", "kinds", "by", "idle"),
    [
        ((1.0, 2.0), "ii", "uu", ["t1"]),  # the dearer of two alike
        ((2.0, 1.0), "ii", "uu", ["t0"]),
        ((1.0, 1.0), "iS", "uu", ["t0"]),  # as dear: one stays, the step
        ((1.0, 2.0), "ii", "bu", []),  # users cannot do what biomed does
        ((2.0, 1.0), "ii", "bu", ["t0"]),
    ],
)
def test_of_two_checks_that_read_alike_one_never_helps(minutes, kinds, by, idle):
    machine = make_machine(read(["00", "11", "00"]), minutes=minutes, kinds=kinds, by=by)
    assert [each.test for each in find_idle(*machine)] == idle


@pytest.mark.parametrize(
    ("cheap", "dear", "idle"),
    [(0.90, 0.98, []), (0.90, 0.93, ["t1"]), (0.48, 0.51, ["t0"]), (0.20, 0.40, ["t0", "t1"])],
)
def test_a_dearer_check_helps_if_it_tells_a_pair_that_others_do_not_or_not_as_well(
    cheap, dear, idle
):
    cause = [[1 - chance, 0.0, chance] for chance in (cheap, dear)]
    machine = make_machine([[[1.0, 0.0, 0.0]] * 2, cause], minutes=(1.0, 2.0))
    assert [each.test for each in find_idle(*machine)] == idle


def test_without_the_checks_that_never_help_all_that_was_told_still_is(get_kit):
    kit = get_kit("small")
    idle = {each.test for each in find_idle(kit.catalogue, kit.table)}
    chances = mean_chances(kit.table)
    users = [i for i, test in enumerate(kit.catalogue.tests) if test.check.by == "user"]
    kept = [i for i in users if kit.table.tests[i] not in idle]
    assert 0 < len(kept) < len(users)
    before, after = (best_difference(kit.table, chances, tests) for tests in (users, kept))
    assert ((before >= TELLS) == (after >= TELLS)).all()
    assert (before - after)[before >= TELLS].max() <= 0.05 + 1e-9


def test_a_difference_is_the_total_variation_of_two_outcome_chances(get_kit):
    table = get_kit("small").table
    test = table.index["breathing.hold_30"]
    own = table.prob[:, table.columns(test)].reshape(len(table.causes), table.n, -1)
    a, b = table.causes.index("breathing.bag_torn"), table.causes.index("breathing.gauge_reads_low")
    chances = own.astype(float).mean(axis=1)
    expected = sum(max(0.0, x - y) for x, y in zip(chances[a], chances[b], strict=True))
    found = difference(table, mean_chances(table), test)
    assert found[a, b] == pytest.approx(expected) and found[b, a] == found[a, b]
    assert (np.diag(found) == 0).all()


def test_on_the_teaching_machine_the_parts_of_the_report_agree(get_kit):
    kit = get_kit("small")
    found = cover(kit.catalogue, kit.table)
    steps = [i for i, test in enumerate(kit.catalogue.tests) if test.check.kind == "step"]
    unshown = {each.cause for each in found.unshown}
    clear = found.shows >= SHOWS
    for cause, own in zip(kit.catalogue.causes, clear, strict=True):
        assert (cause.id in unshown) == (not own[steps].any())
        assert (cause.id in found.showing.missed) == (not own.any())
    chosen = [kit.table.index[name] for name in found.showing.tests]
    assert (clear[:, chosen].any(axis=1) == clear.any(axis=1)).all()
    for name in chosen:
        rest = [other for other in chosen if other != name]
        assert clear[:, rest].any(axis=1).sum() < clear.any(axis=1).sum()


def test_groups_are_split_by_the_checks_named_all_but_the_pairs_left(get_kit):
    kit = get_kit("small")
    splits = cover(kit.catalogue, kit.table).splits
    chances = mean_chances(kit.table)
    assert splits
    for split in splits:
        tests = [kit.table.index[name] for name in split.tests]
        told = best_difference(kit.table, chances, tests) >= TELLS
        left = {pair.causes for pair in split.left}
        for pair in combinations(split.causes, 2):
            a, b = (kit.catalogue.cause_index[cause] for cause in pair)
            assert told[a, b] == (pair not in left)


def test_a_machine_of_330_causes_by_330_checks_takes_little_memory():
    rng = np.random.default_rng(4)
    bad = np.where(rng.random((331, 330)) < 0.02, 0.9, 0.05)
    bad[0] = 0.05
    by = "".join(rng.choice(list("ub"), 330))
    minutes = tuple(rng.choice([0.5, 1.0, 2.0, 3.0], 330).tolist())
    machine = make_machine(np.stack([1 - bad, 0 * bad, bad], -1), by=by, minutes=minutes)
    tracemalloc.start()
    try:
        splits, idle = split_groups(*machine), find_idle(*machine)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert splits and idle
    assert peak < 400e6
