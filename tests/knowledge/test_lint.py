"""A lint finds each kind of problem, says where and what to do, and nothing else."""

import inspect
import re
import shutil
from pathlib import Path

import numpy as np
import pytest

from diagnose import particles
from diagnose.catalogue import list_catalogue
from diagnose.errors import KnowledgeError
from diagnose.kb.lint import LintReport, lint
from diagnose.kb.lint.ambiguity import list_ambiguity
from diagnose.kb.lint.faults import EFFECTS
from diagnose.kb.lint.parts import READS
from diagnose.kb.lint.rules import MARKS
from diagnose.kb.load import load
from diagnose.kb.schema import PARAMETERS
from diagnose.physics.network import build, laws

HERE = Path(__file__).parent
BAD = sorted((HERE / "bad").glob("*.yaml"))
LINE = re.compile(r"^[^:]+\.yaml:[1-9]\d*: [^:]\S*: .+[^.]$")
NUMBERS = ("published", "standard", "guideline", "common_practice", "memory", "judgement",
           "derived", "unsourced")  # fmt: skip


def copy_sound(tmp_path: Path) -> Path:
    """Return a copy of the sound little knowledge folder, to be spoilt."""
    return Path(shutil.copytree(HERE / "sound", tmp_path / "knowledge"))


def read_head(text: str) -> tuple[str, list[str]]:
    """Return where a bad file goes and the lines it must give, from the comments at its top.

    >>> read_head("# puts: a.yaml\\n# finds: a.yaml:3: x:\\n#   y; z\\ntitle: A")
    ('a.yaml', ['a.yaml:3: x: y; z'])
    """
    head = re.match(r"(?:#.*\n)+", text)
    assert head, "a bad file begins with '# puts:' and '# finds:'"
    joined = re.sub(r"\n#   ", " ", head.group())
    (place,) = re.findall(r"^# puts: (.+)$", joined, re.M)
    return place, re.findall(r"^# finds: (.+)$", joined, re.M)


def spoil(tmp_path: Path, files: dict[str, str]) -> LintReport:
    folder = copy_sound(tmp_path)
    for place, text in files.items():
        (folder / place).parent.mkdir(parents=True, exist_ok=True)
        (folder / place).write_text(text, encoding="utf-8")
    return lint(folder)


def change(place: str, old: str, new: str) -> dict[str, str]:
    """Return a file of the sound folder with one thing changed."""
    text = (HERE / "sound" / place).read_text(encoding="utf-8")
    assert old in text
    return {place: text.replace(old, new)}


@pytest.mark.parametrize("bad", BAD, ids=lambda path: path.stem)
def test_bad_file_gives_exactly_its_line(bad, tmp_path):
    text = bad.read_text(encoding="utf-8")
    place, wanted = read_head(text)
    assert wanted, "name the line that is expected"
    assert [str(problem) for problem in spoil(tmp_path, {place: text}).problems] == wanted


@pytest.mark.parametrize("bad", BAD, ids=lambda path: path.stem)
def test_line_can_be_clicked_and_says_what_to_do(bad):
    for line in read_head(bad.read_text(encoding="utf-8"))[1]:
        assert LINE.match(line)


def test_sound_folder_has_no_problem_and_is_counted():
    report = lint(HERE / "sound")
    assert report.problems == ()
    assert report.counts == {
        "causes": 2, "faults": 1, "slips": 1, "checks": 3, "steps": 1, "isolating tests": 2,
        "rules": 3, "sources": 3, "machines": 1, "components": 4,
    }  # fmt: skip


def test_numbers_are_weighed_by_the_kind_of_their_source():
    weighed = lint(HERE / "sound").numbers_by_kind
    numbers, limits = weighed["numbers"], weighed["limits"]
    assert tuple(numbers) == tuple(limits) == NUMBERS
    # bag size, two reliefs, fill pressure, wait, how often; counted by hand in sound/
    assert numbers["published"].count == 6
    assert numbers["judgement"].count == 22
    assert limits["published"].count == 1
    assert sum(share.share for share in numbers.values()) == pytest.approx(1)


def test_number_without_source_is_weighed_as_such(tmp_path):
    files = change(
        "faults/breathing/bag_torn.yaml", "kind: fault", "kind: fault\nintermittent: 5 %"
    )
    assert spoil(tmp_path, files).numbers_by_kind["numbers"]["unsourced"].count == 1


def test_limit_that_is_missing_is_weighed_as_such(tmp_path):
    line = "limit: {say: It holds for ten seconds., source: handbook}\n"
    report = spoil(tmp_path, change("checks/breathing/hold.yaml", line, ""))
    assert report.numbers_by_kind["limits"]["unsourced"].count == 1


def test_case_on_a_machine_without_the_part(tmp_path):
    bare = (
        "title: Bare\nabout: A gauge at a gas inlet.\noptions: {}\n"
        "components: {inlet: inlet, gauge: gauge}\nconnections: [inlet.out - gauge.at]\n"
    )
    files = change("faults/breathing/bag_torn.yaml", "machine: bench", "machine: bare")
    report = spoil(tmp_path, {"machines/bare.yaml": bare, **files})
    wanted = "cases.0.machine: machine 'bare' has no bag; take another machine"
    path = "knowledge/faults/breathing/bag_torn.yaml"
    assert f"{path}:15: {wanted}" in map(str, report.problems)


def test_fault_outside_a_zone(tmp_path):
    text = (HERE / "sound/faults/breathing/bag_torn.yaml").read_text(encoding="utf-8")
    (problem,) = spoil(tmp_path, {"faults/cellar/bag_torn.yaml": text}).problems
    assert str(problem).startswith(
        "knowledge/faults/cellar/bag_torn.yaml:1: file: lies in the folder"
    )


def test_file_that_is_not_text(tmp_path):
    folder = copy_sound(tmp_path)
    (folder / "faults/breathing/noise.yaml").write_bytes(b"title: \xff\xfe")
    assert [str(problem) for problem in lint(folder).problems] == [
        "knowledge/faults/breathing/noise.yaml:1: file: cannot be read: it is not UTF-8 text;"
        " restore the file"
    ]


def test_all_problems_come_at_once(tmp_path):
    files = change("faults/breathing/bag_torn.yaml", "at: wall", "at: wal")
    files |= change("rules/breathing.yaml", "is: [falls]", "is: [fals]")
    files |= change("checks/breathing/bag_look.yaml", "[torch]", "[torsh]")
    assert [problem.path for problem in spoil(tmp_path, files).problems] == [
        "knowledge/checks/breathing/bag_look.yaml",
        "knowledge/faults/breathing/bag_torn.yaml",
        "knowledge/rules/breathing.yaml",
    ]


def test_file_of_bad_form_does_not_make_others_wrong(tmp_path):
    files = change("faults/breathing/bag_torn.yaml", "kind: fault", "kind: nonsense")
    (problem,) = spoil(tmp_path, files).problems
    assert (problem.line, problem.field) == (3, "kind")


@pytest.mark.parametrize("place", sorted(p.relative_to(HERE / "sound").as_posix()
                                         for p in (HERE / "sound").rglob("*.yaml")))  # fmt: skip
def test_lint_survives_the_loss_of_any_line(place, tmp_path):
    lines = (HERE / "sound" / place).read_text(encoding="utf-8").splitlines(keepends=True)
    folder = copy_sound(tmp_path)
    for number in range(len(lines)):
        text = "".join(lines[:number] + lines[number + 1 :])
        (folder / place).write_text(text, encoding="utf-8")
        assert all(LINE.match(str(problem)) for problem in lint(folder).problems)


NEEDED = (
    "sources.yaml",
    "machines/bench.yaml",
    "components/bag.yaml",
    "checks/breathing/hold.yaml",
)


@pytest.mark.parametrize("place", NEEDED)
def test_loss_of_a_file_that_others_name_is_a_problem(place, tmp_path):
    folder = copy_sound(tmp_path)
    (folder / place).unlink()
    assert lint(folder).problems


def test_empty_folder_is_an_error_that_says_what_to_do(tmp_path):
    with pytest.raises(KnowledgeError) as error:
        lint(tmp_path)
    assert error.value.problems[0].what == "holds no knowledge files; reinstall the package"


def test_effects_are_those_that_the_bench_writes():
    writes = {do: writes for do, (_, writes) in EFFECTS.items() if do != "stay"}
    assert writes == particles._WRITES


def flow_parameters(piece_type: str) -> set[str]:
    """Return which parameters change the flow law of an element of a type, by trying each."""
    network = build(list_catalogue(load(), "two_vaporizers_valve").circuit)
    index, piece = next(
        (i, p) for i, p in enumerate(network.pieces) if p.element.type == piece_type
    )
    own = [network.column[piece.component, piece.name, parameter] for parameter in PARAMETERS]
    table = np.ones((len(PARAMETERS) + 1, network.width))
    table[:, own] = 0.5
    for row, column in enumerate(own):
        table[row, column] = 0.25
    found = laws(network, table)[:, index]
    differs = (found != found[:, -1:]).any(axis=0)[:-1]
    return {name for name, is_read in zip(PARAMETERS, differs, strict=True) if is_read}


@pytest.mark.parametrize("piece_type", ["passage", "leak", "valve", "relief"])
def test_parameters_of_an_element_are_those_that_its_flow_law_reads(piece_type):
    assert flow_parameters(piece_type) == set(READS[piece_type])


def test_every_effect_writes_what_its_element_reads():
    for types, writes in EFFECTS.values():
        for kind in types:
            assert set(writes) & set(READS[kind])
        assert set(writes) <= {name for kind in types for name in READS[kind]}


def test_marks_are_those_that_the_engine_sets():
    from diagnose import dispose, rulebase

    text = inspect.getsource(dispose) + inspect.getsource(rulebase)
    assert [mark for mark in MARKS if f'"{mark}"' not in text] == []


def test_ambiguity_names_for_each_machine_its_groups_and_a_check_that_exists(get_kit):
    small = get_kit("small").catalogue
    groups = list_ambiguity(machines=["small"])["small"]
    for group in groups:
        assert len(group.causes) > 1
        assert set(group.causes) <= set(small.cause_index)
        assert group.best_check in small.test_index
        assert 0 <= group.best_difference < 1
