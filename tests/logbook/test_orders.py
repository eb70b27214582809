"""Old work orders: good lines come in, each bad one is named by line, column and reason."""

import random

import pytest

from diagnose.errors import LogError
from diagnose.logbook.book import Book
from diagnose.logbook.orders import import_orders
from diagnose.logbook.verify import verify

KNOWN = {"small": frozenset({"breathing.bag_torn", "outlet.hose_split"})}
HEAD = "order,date,asset,profile,cause,words,parts,minutes,downtime_minutes,notes,codes,by\n"
GOOD = '{n},2024-05-31,M-{m:02},small,breathing.bag_torn,,bag,20,90,"torn, at the neck",A050402,\n'
BAD = [
    ("{n},2024-13-31,M-01,small,breathing.bag_torn,,,,,,,\n", "date"),
    ("{n},,M-01,small,breathing.bag_torn,,,,,,,\n", "date"),
    ("{n},2099-01-01,M-01,small,breathing.bag_torn,,,,,,,\n", "date"),
    ("{n},2024-05-31,,small,breathing.bag_torn,,,,,,,\n", "asset"),
    ("{n},2024-05-31,M-01,tall,breathing.bag_torn,,,,,,,\n", "profile"),
    ("{n},2024-05-31,M-01,small,breathing.bag_tron,,,,,,,\n", "causes"),
    ("{n},2024-05-31,M-01,small,,,,,,,,\n", "words"),
    ("{n},2024-05-31,M-01,small,breathing.bag_torn,,,soon,,,,\n", "minutes"),
    ("{n},2024-05-31,M-01,small,breathing.bag_torn,,,inf,,,,\n", "minutes"),
    ("{n},2024-05-31,M-01,small,breathing.bag_torn,,,,-3,,,\n", "downtime_minutes"),
    ("{n},2024-05-31,M-01,small,breathing.bag_torn,,,,,,Z1,\n", "codes"),
    ("{n},2024-05-31,M-01,small\n", "cells"),
    ('{n},2024-05-31,M-01,small,"breathing.bag_torn,,,,,,,\n', "cells"),
    ('{n},2024-05-31,M-01,small,bre"athing,"x"y,,,,,,\n', "cells"),
    ("1,2024-05-31,M-01,small,breathing.bag_torn,,,,,,,\n", "order"),
]


def write(path, lines):
    path.write_text(HEAD + "".join(lines), "utf-8")
    return path


def test_good_lines_come_in_and_count_as_confirmed(book, tmp_path):
    file = write(tmp_path / "o.csv", [GOOD.format(n=n, m=n) for n in (1, 2)]
                 + ["3,2024-05-31,M-01,small,no_fault_found,,,,,,,\n", "\n"])  # fmt: skip
    done = import_orders(book, file, KNOWN, "Kim")
    assert (done.good, done.written, done.bad) == (3, 3, [])
    own = book.find("order-1")
    assert (own.state, own.found[0].cause, own.asset) == ("in_use", "breathing.bag_torn", "M-01")
    assert book.read("order-1")[0].facts["notes"] == "torn, at the neck"
    assert book.find("order-3").no_fault == 1
    assert verify(book).is_well


def test_a_dry_run_writes_nothing_and_says_the_same(book, tmp_path):
    lines = [GOOD.format(n=1, m=1), BAD[0][0].format(n=2)]
    file = write(tmp_path / "o.csv", lines)
    dry = import_orders(book, file, KNOWN, "Kim", is_dry=True)
    assert book.head().count == 0
    done = import_orders(book, file, KNOWN, "Kim")
    assert (dry.good, dry.bad) == (done.good, done.bad)


@pytest.mark.parametrize(("line", "field"), BAD)
def test_a_bad_line_is_named_and_its_neighbours_come_in(tmp_path, line, field):
    book = Book(f"sqlite:///{tmp_path / 'b.sqlite'}")
    lines = [GOOD.format(n=1, m=1), line.format(n=2), GOOD.format(n=3, m=3)]
    done = import_orders(book, write(tmp_path / "o.csv", lines), KNOWN, "Kim")
    assert [(bad.line, bad.field) for bad in done.bad] == [(3, field)]
    assert done.written == 2
    book.close()


def test_a_file_read_twice_counts_once(book, tmp_path):
    lines = [GOOD.format(n=1, m=1), GOOD.replace("{n},", ",").format(m=2)]
    file = write(tmp_path / "o.csv", lines)
    import_orders(book, file, KNOWN, "Kim")
    again = import_orders(book, file, KNOWN, "Kim")
    assert (again.written, again.known, book.head().count) == (0, 2, 2)


def test_a_cell_may_run_over_lines(book, tmp_path):
    line = '1,2024-05-31,M-01,small,,"a long\nstory",,,,,,\n'
    done = import_orders(book, write(tmp_path / "o.csv", [line, GOOD.format(n=2, m=2)]), KNOWN, "K")
    assert (done.written, done.bad) == (2, [])
    assert book.find("order-1").found[0].words == "a long\nstory"


def test_bytes_that_are_no_text_spoil_their_line_only(book, tmp_path):
    file = tmp_path / "o.csv"
    good = GOOD.format(n=1, m=1).encode()
    file.write_bytes(HEAD.encode() + b"9,2024-05-31,M-\xff,small,,x,,,,,,\n" + good)
    done = import_orders(book, file, KNOWN, "Kim")
    assert [(bad.line, bad.field) for bad in done.bad] == [(2, "line")]
    assert done.written == 1


@pytest.mark.parametrize("head", ["", "a,b\n", "date,asset\n", "date,asset,profile,date\n",
                                  "date,asset,profile,patient\n"])  # fmt: skip
def test_a_first_line_without_the_names_is_refused_with_the_names(book, tmp_path, head):
    file = tmp_path / "o.csv"
    file.write_text(head)
    with pytest.raises(LogError) as caught:
        import_orders(book, file, KNOWN, "Kim")
    assert "profile" in caught.value.do


def test_fifty_thousand_lines_with_one_in_a_hundred_bad(book, tmp_path):
    rng, lines, wanted = random.Random(3), [], []
    for number in range(1, 50_001):
        if number % 100 == 50:
            line, field = BAD[rng.randrange(len(BAD))]
            lines.append(line.format(n=number))
            wanted.append((number + 1, field))
        else:
            lines.append(GOOD.format(n=number, m=number % 40))
    file = write(tmp_path / "o.csv", lines)
    done = import_orders(book, file, KNOWN, "Kim")
    assert [(bad.line, bad.field) for bad in done.bad] == wanted
    assert (done.written, len(done.bad)) == (49_500, 500)
    assert book.head().count == 49_500
