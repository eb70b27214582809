"""Accounts on both databases, and their commands."""

import json

import pytest
import sqlalchemy as sa
from typer.testing import CliRunner

from api.cli import app
from diagnose.errors import AccountError
from diagnose.logbook.accounts import SESSION, Accounts, is_any_there
from diagnose.logbook.book import Book
from diagnose.logbook.tables import accounts, sessions, tokens

WORDS = "correct horse battery"


@pytest.fixture
def own(book):
    found = Accounts(book.engine)
    found.add("Kim Ö.", "technician", WORDS)
    return found


def test_whoever_has_the_password_is_let_in_however_the_name_is_written(own):
    assert own.check(" kim  ö. ", WORDS).role == "technician"
    assert own.check("Kim Ö.", WORDS.upper()) is None
    assert own.check("Kim Ö.", WORDS + "x" * 1000) is None


def test_no_secret_stands_in_the_database(own):
    secrets = [WORDS, own.open_session("Kim Ö.", "x"), own.make_token("Kim Ö.", "ward")]
    with own.engine.connect() as connection:
        kept = [str(row) for table in (accounts, sessions, tokens)
                for row in connection.execute(sa.select(table))]  # fmt: skip
    assert len(kept) == 3
    assert [each for each in secrets if each in " ".join(kept)] == []
    assert "$argon2id$" in kept[0]


def test_a_session_ends_after_a_shift(own):
    secret = own.open_session("Kim Ö.", "x")
    now = own.clock()
    own.clock = lambda: now + SESSION - 60
    assert own.find_session(secret).name == "Kim Ö."
    own.clock = lambda: now + SESSION + 60
    assert own.find_session(secret) is None


def test_a_token_has_no_other_role_than_its_account_but_for_admin(own):
    with pytest.raises(AccountError) as caught:
        own.make_token("Kim Ö.", "big", "admin")
    assert caught.value.where == "role"
    own.add("Ada", "admin", WORDS)
    who = own.find_token(own.make_token("Ada", "monitor", "technician"))
    assert (who.name, who.role, who.token) == ("Ada", "technician", "monitor")


def test_a_disabled_account_keeps_its_lines_and_loses_all_else(own):
    session, token = own.open_session("Kim Ö.", "x"), own.make_token("Kim Ö.", "ward")
    own.set_disabled("Kim Ö.", True)
    own.set_disabled("Kim Ö.", False)
    assert own.find_session(session) is None
    assert own.find_token(token) is None
    assert [each.result for each in own.list_sign_ins()] == [
        "enabled", "disabled", "token made: ward (technician)", "signed in",
        "account made: technician",
    ]  # fmt: skip


@pytest.mark.parametrize(("name", "role", "password", "where"), [
    ("kim ö.", "biomed", WORDS, "name"),
    ("", "biomed", WORDS, "name"),
    ("x" * 41, "biomed", WORDS, "name"),
    ("'; --", "biomed", WORDS, "name"),
    ("K\u202eim", "biomed", WORDS, "name"),
    ("Lee", "chief", WORDS, "role"),
    ("Lee", "biomed", "short", "password"),
    ("Lee", "biomed", "x" * 201, "password"),
    ("Lee of ward three", "biomed", "lee of  ward three", "password"),
])  # fmt: skip
def test_what_is_no_account_is_refused_and_nothing_is_written(own, name, role, password, where):
    with pytest.raises(AccountError) as caught:
        own.add(name, role, password)
    assert caught.value.where == where
    assert [each.name for each in own.each()] == ["Kim Ö."]


def test_no_session_is_opened_by_a_password_changed_meanwhile(own):
    who = own.check("Kim Ö.", WORDS)
    own.set_password("Kim Ö.", "another few words")
    with pytest.raises(AccountError):
        own.open_session("Kim Ö.", "x", kept=who.kept)
    own.set_disabled("Kim Ö.", True)
    with pytest.raises(AccountError):
        own.open_session("Kim Ö.", "x")


def test_a_digest_of_an_older_kind_is_made_anew_at_the_next_sign_in(own):
    from argon2 import PasswordHasher

    old = PasswordHasher(time_cost=1, memory_cost=1024, parallelism=1).hash(WORDS)
    with own.engine.execution_options(writes=True).begin() as connection:
        connection.execute(sa.update(accounts).values(password=old))
    who = own.check("Kim Ö.", WORDS)
    assert "m=65536,t=3,p=4" in who.kept
    assert own.find_session(own.open_session("Kim Ö.", "x", kept=who.kept)).name == "Kim Ö."


@pytest.mark.parametrize("name", ["Kim\x00", "' OR '1'='1", "%", "\ud800"])
def test_a_strange_name_reaches_no_database(own, name):
    assert own.check(name, WORDS) is None
    own.note(name, "x", "refused")
    assert own.list_sign_ins(1)[0].account == ""


def test_making_the_lists_again_leaves_accounts_alone(own, book):
    book.rebuild()
    assert own.check("Kim Ö.", WORDS)


def test_looking_for_accounts_makes_nothing(url, state):
    assert is_any_there(url) is False
    assert is_any_there() is False
    assert not state.exists()
    book = Book(url)
    assert is_any_there(url) is False
    Accounts(book.engine).add("Kim", "admin", WORDS)
    assert is_any_there(url) is True
    book.close()


def call(*arguments, text=""):
    done = CliRunner().invoke(app, ["accounts", *arguments], input=text)
    return done.exit_code, done.output


def test_the_commands_make_change_and_end_an_account(state):
    assert call("list")[1].startswith("No account. The first:")
    assert call("add", "Kim", "--role", "admin", text=f"{WORDS}\n")[0] == 0
    code, token = call("token", "Kim", "--label", "monitor", "--role", "technician")
    assert (code, token.startswith("tenhold-")) == (0, True)
    told = json.loads(call("list", "--json")[1])
    shown = [(own["name"], own["role"], own["disabled"]) for own in told]
    assert shown == [("Kim", "admin", False)]
    assert [own["label"] for own in told[0]["tokens"]] == ["monitor"]
    assert call("revoke", "Kim", "--label", "monitor")[1] == "Kim: 1 ended.\n"
    assert call("password", "Kim", text="another few words\n")[0] == 0
    assert call("role", "Kim", "biomed")[0] == 0
    assert call("disable", "Kim")[0] == 0
    assert "Kim: biomed, disabled" in call("list")[1]
    shown = call("audit")[1]
    assert len(shown.splitlines()) == 6
    assert WORDS not in shown
    assert token.strip() not in shown


@pytest.mark.parametrize(("arguments", "text", "said"), [
    (["add", "Kim", "--role", "chief"], "", "allowed: technician, trainer, biomed, keeper, admin"),
    (["add", "Kim"], "short\n", "password: has 5 characters; give 12 to 200"),
    (["role", "Kim", "biomed"], "", "'Kim' has no account; 'tenhold accounts list' shows them"),
])  # fmt: skip
def test_a_command_that_cannot_be_done_says_why(state, arguments, text, said):
    code, output = call(*arguments, text=text)
    assert code == 3
    assert said in output
