"""Every command, error and knowledge field is written about in README.md or docs/."""

import importlib
import inspect
import re
from types import ModuleType

import pydantic
import typer.main


def list_commands(group: object, path: str) -> list[str]:
    """Return every command below a group, written as it is typed."""
    commands = getattr(group, "commands", None)
    if commands is None:
        return [path]
    return [line for name in commands for line in list_commands(commands[name], f"{path} {name}")]


def find_undocumented(words: list[str], text: str) -> list[str]:
    """Return the words that a text does not hold as whole words.

    >>> find_undocumented(["at", "tenhold rank"], "`tenhold rank --json` ... `hat`")
    ['at']
    """
    return [w for w in words if not re.search(rf"(?<![\w-]){re.escape(w)}(?![\w-])", text)]


def list_fields(module: ModuleType) -> list[str]:
    """Return the names that a knowledge file may use: the fields of every model, by alias."""
    models = [
        model
        for _, model in inspect.getmembers(module, inspect.isclass)
        if issubclass(model, pydantic.BaseModel) and model.__module__ == module.__name__
    ]
    fields = {
        field.alias or name
        for model in models
        for name, field in model.model_fields.items()
        if not name.startswith("_")
    }
    return sorted(fields)


def test_every_command_is_documented(docs_code):
    group = typer.main.get_command(importlib.import_module("api.cli").app)
    commands = list_commands(group, "tenhold")
    assert len(commands) > 1
    assert find_undocumented(commands, docs_code) == []


def test_every_address_for_programs_is_documented(docs_code):
    described = importlib.import_module("api.app").make_app(load_engine()).openapi()
    addresses = [f"{m.upper()} {at}" for at, ways in described["paths"].items() for m in ways]
    assert len(addresses) > 20
    assert find_undocumented(addresses, docs_code) == []


def load_engine() -> object:
    """Return an engine of the knowledge that is shipped; nothing is read yet."""
    folder = importlib.import_module("diagnose.kb.load").FOLDER
    return importlib.import_module("api.engine").Engine(folder)


def test_every_error_is_documented(docs_text):
    errors = importlib.import_module("diagnose.errors")
    names = [
        name
        for name, kind in inspect.getmembers(errors, inspect.isclass)
        if issubclass(kind, errors.DiagnoseError)
    ]
    assert len(names) > 1
    assert find_undocumented(names, docs_text) == []


def test_every_knowledge_field_is_documented_as_code(docs_code):
    fields = list_fields(importlib.import_module("diagnose.kb.schema"))
    assert fields
    assert find_undocumented(fields, docs_code) == []
