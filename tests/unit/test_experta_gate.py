"""The door to experta: what its import leaves behind, and how its agenda keeps order."""

import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from diagnose.experta_gate import ExactAgenda

ROOT = Path(__file__).parents[2]


def run_python(code: str) -> str:
    """Return what ``code`` prints in a fresh interpreter that takes every warning as an error."""
    command = [sys.executable, "-W", "error", "-c", code]
    run = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
    return run.stdout + run.stderr


def activation(name: str, salience: int = 0, **context: str) -> Any:
    rule = SimpleNamespace(__name__=name, salience=salience)
    return Comparable(rule=rule, context=context)


class Comparable(SimpleNamespace):
    def __lt__(self, other: "Comparable") -> bool:
        return bool(self.key < other.key)


def test_import_leaves_collections_and_root_logger_as_they_were() -> None:
    code = (
        "import collections, logging; before = dir(collections); import diagnose.experta_gate;"
        "print(before == dir(collections), logging.getLogger().handlers)"
    )
    assert run_python(code) == "True []\n"


def test_import_keeps_the_handlers_of_the_program() -> None:
    code = (
        "import logging; logging.basicConfig(); before = list(logging.getLogger().handlers);"
        "import diagnose.experta_gate; print(before == logging.getLogger().handlers, len(before))"
    )
    assert run_python(code) == "True 1\n"


def test_a_program_that_logs_everything_is_not_flooded() -> None:
    code = (
        "import logging; logging.basicConfig(level=0);"
        "from diagnose.rules import *;"
        "rule = Rule('a.b', (Condition('mark', 'x'),), (), Conclusion('doubt', ('y',)), 'b', 's');"
        "print(len(RuleBase([rule]).fire([Fact('mark', 'x')])))"
    )
    assert run_python(code) == "1\n"


def test_a_hidden_import_error_of_experta_comes_out() -> None:
    code = (
        "import sys; sys.modules['experta.watchers'] = None\n"
        "try: import diagnose.experta_gate\n"
        "except ImportError as error: print('ImportError', 'experta' in str(error))"
    )
    assert run_python(code) == "ImportError True\n"


@pytest.mark.parametrize("place", range(6))
def test_exactly_the_blocked_activation_is_removed(place: int) -> None:
    names = [f"rule_{n}" for n in range(6)]
    agenda = SimpleNamespace(activations=[])
    strategy = ExactAgenda()
    strategy.update_agenda(agenda, [activation(name, at="here") for name in names], [])
    strategy.update_agenda(agenda, [], [activation(names[place], at="here")])
    left = [waiting.rule.__name__ for waiting in agenda.activations]
    assert left == [name for name in names if name != names[place]]


def test_removing_what_has_fired_already_removes_nothing_else() -> None:
    agenda = SimpleNamespace(activations=[])
    strategy = ExactAgenda()
    waiting = [activation("rule_1", at="a"), activation("rule_1", at="c"), activation("rule_3")]
    strategy.update_agenda(agenda, waiting, [])
    strategy.update_agenda(agenda, [], [activation("rule_1", at="b"), activation("rule_2")])
    assert agenda.activations == waiting


def test_higher_salience_comes_first_whatever_the_name() -> None:
    agenda = SimpleNamespace(activations=[])
    ExactAgenda().update_agenda(agenda, [activation("z", -1), activation("a"), activation("m")], [])
    order = [waiting.rule.__name__ for waiting in reversed(agenda.activations)]
    assert order == ["m", "a", "z"]
