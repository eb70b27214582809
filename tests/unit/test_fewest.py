"""The fewest sets that hold everything, against plain enumeration."""

from itertools import combinations

from hypothesis import given
from hypothesis import strategies as st

from diagnose.fewest import Fewest, find_fewest, find_greedy, join

# Two rows of seven would do; the columns, each set half of what is left, tempt greed.
ROWS = [
    0b0000000_1111111,
    0b1111111_0000000,
    0b1111000_1111000,
    0b0000110_0000110,
    0b0000001_0000001,
]
LETTERS = [0b000111, 0b111000, 0b011110, 0b100001, 0b010010]


def enumerate_fewest(sets, costs):
    """Return how many sets are needed and what they cost at least, by trying all."""
    for number in range(len(sets) + 1):
        found = [
            sum(costs[i] for i in chosen)
            for chosen in combinations(range(len(sets)), number)
            if join([sets[i] for i in chosen]) == join(sets)
        ]
        if found:
            return number, min(found)
    raise AssertionError("all sets together hold everything")


@given(
    st.lists(st.integers(0, 2**9 - 1), min_size=1, max_size=8).flatmap(
        lambda sets: st.tuples(
            st.just(sets),
            st.lists(st.integers(1, 5).map(float), min_size=len(sets), max_size=len(sets)),
        )
    )
)
def test_a_search_finds_what_enumeration_finds(given_):
    sets, costs = given_
    found = find_fewest(sets, costs)
    assert found.is_smallest
    assert join([sets[i] for i in found.chosen]) == join(sets)
    total = sum(costs[i] for i in found.chosen)
    assert (len(found.chosen), total) == enumerate_fewest(sets, costs)


def test_a_search_beats_greed_where_the_largest_set_misleads():
    assert find_greedy(ROWS, [1.0] * 5) == (2, 3, 4)
    assert find_fewest(ROWS, [1.0] * 5) == Fewest((0, 1), is_smallest=True)


def test_of_equally_many_the_cheaper_are_taken():
    assert find_fewest(LETTERS, [3.0, 3.0, 1.0, 1.0, 1.0]).chosen == (2, 3)
    assert find_fewest(LETTERS[:4], [1.0, 1.0, 3.0, 3.0]).chosen == (0, 1)


def test_a_search_cut_short_says_so_and_still_holds_everything():
    assert find_fewest(ROWS, [1.0] * 5, nodes=1) == Fewest((2, 3, 4), is_smallest=False)


def test_nothing_to_hold_needs_nothing():
    assert find_fewest([], []).chosen == find_fewest([0, 0], [1.0, 1.0]).chosen == ()
