"""German pages: every sentence said, what stays English marked, everything else untouched."""

import ast
import io
import re
from html import unescape
from html.parser import HTMLParser
from pathlib import Path

import pytest
from babel.messages.frontend import CommandLineInterface
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po

from api.form import read_decimal
from api.languages import choose, mark_english
from api.tongue import DOMAIN, LOCALE, NAMES, Tongue
from diagnose.errors import KnowledgeError
from diagnose.kb.load import FOLDER
from diagnose.kb.words import load_words
from diagnose.language import CLOSE, OPEN, speaking
from tests.api.test_forms import FAILED, HOLD, length_of, text_of

ROOT = Path(__file__).resolve().parents[2]
# pages of which docs/languages.md says that they are English
NOT_YET = ("account", "biomed", "drill_", "sign_in")
TEMPLATES = [path for path in sorted((ROOT / "api" / "templates").glob("*.html"))
             if not path.stem.startswith(NOT_YET)]  # fmt: skip
FIELD = re.compile(r"\{\w*\}|%\(\w+\)s")
GERMAN = {"accept-language": "de-DE,de;q=0.9,en;q=0.5", "accept": "text/html"}
OTHERS = [name for name in NAMES if name != "en"]
SHOWN = {"aria-label", "title", "alt", "placeholder", "data-again", "data-stop", "data-mark",
         "data-running", "data-next", "data-read", "data-stopped", "data-marked"}  # fmt: skip


@pytest.fixture(scope="module")
def messages(tmp_path_factory):
    """Every message of ours, collected by the command that docs/languages.md gives."""
    path = tmp_path_factory.mktemp("messages") / "tenhold.pot"
    folders = [str(ROOT / "api"), str(ROOT / "diagnose")]
    options = ["-q", "extract", "-F", str(ROOT / "pyproject.toml"), "-k", "mark", "-k", "count:1,2"]
    CommandLineInterface().run(["pybabel", *options, "-o", str(path), *folders])
    with path.open("rb") as file:
        return {message.id for message in read_po(file) if message.id}


def read_catalogue(name):
    """Return the sentences of a language."""
    path = LOCALE / name / "LC_MESSAGES" / f"{DOMAIN}.po"
    with path.open("rb") as file:
        return read_po(file, locale=name)


def list_said(message):
    """Return what is said for a message, in each of its numbers."""
    return message.string if isinstance(message.string, tuple) else (message.string,)


@pytest.mark.parametrize("name", OTHERS)
def test_every_message_is_said_in_every_language_and_nothing_else(name, messages):
    catalogue = read_catalogue(name)
    have = {message.id for message in catalogue if message.id}
    assert len(messages) > 250
    assert (messages - have, have - messages) == (set(), set())
    silent = [m.id for m in catalogue if m.id and not all(map(str.strip, list_said(m)))]
    assert silent == []
    assert [m.id for m in catalogue if m.id and m.fuzzy] == []


@pytest.mark.parametrize("name", OTHERS)
def test_every_place_to_fill_in_is_kept(name):
    wrong = [
        message.id
        for message in read_catalogue(name)
        if message.id
        for said in list_said(message)
        for asked in [message.id if isinstance(message.id, str) else message.id[1]]
        if sorted(FIELD.findall(said)) != sorted(FIELD.findall(asked))
    ]
    assert wrong == []


@pytest.mark.parametrize("name", OTHERS)
def test_no_sentence_can_break_a_page(name):
    said = [text for message in read_catalogue(name) if message.id for text in list_said(message)]
    assert [text for text in said if set(text) & set('<>&"')] == []


@pytest.mark.parametrize("name", OTHERS)
def test_what_is_shipped_is_what_the_sentences_compile_to(name):
    made = io.BytesIO()
    write_mo(made, read_catalogue(name))
    assert (LOCALE / name / "LC_MESSAGES" / f"{DOMAIN}.mo").read_bytes() == made.getvalue()


class Words(HTMLParser):
    """Collects what a template shows by itself."""

    def __init__(self):
        super().__init__()
        self.found = []

    def handle_data(self, data):
        self.found.append(data)

    def handle_starttag(self, tag, attributes):
        self.found += [value for name, value in attributes if name in SHOWN and value]


def find_unmarked(text):
    """Return the words of a template that no translation reaches."""
    text = re.sub(r"\{%-?\s*trans\b.*?endtrans\s*-?%\}", "", text, flags=re.S)
    quoted = [words for code in re.findall(r"\{\{.*?\}\}|\{%.*?%\}", text, flags=re.S)
              for words in re.findall(r"(?<!_\()\"([A-Z][^\"]*)\"", code)]  # fmt: skip
    words = Words()
    words.feed(re.sub(r"\{\{.*?\}\}|\{%.*?%\}|\{#.*?#\}", "", text, flags=re.S))
    words.close()
    return [each for each in [*quoted, *words.found] if re.search(r"[A-Za-z]{2}", each)]


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda path: path.stem)
def test_no_template_holds_words_that_are_not_marked(path):
    found = find_unmarked(path.read_text("utf-8"))
    assert [each for each in found if each.strip() != "| Tenhold"] == []  # the name is no word


@pytest.mark.parametrize("text", [
    "<p>Bare words</p>", '<p aria-label="Bare">{{ _("Said") }}</p>',
    '{{ pieces.post(path, 1, "Bare") }}', '{{ "Bare" if x else _("Said") }}',
])  # fmt: skip
def test_words_that_are_not_marked_are_found(text):
    assert find_unmarked(text)
    assert not find_unmarked('<p>{{ _("Said") }}{% trans %}Said too{% endtrans %}</p>')


def test_no_module_hides_the_word_for_saying():
    hidden = []
    for path in [*(ROOT / "api").rglob("*.py"), *(ROOT / "diagnose").rglob("*.py")]:
        tree = ast.parse(path.read_text("utf-8"))
        names = [alias.name for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)
                 for alias in node.names]  # fmt: skip
        bound = [node for node in ast.walk(tree)
                 if isinstance(node, ast.Name | ast.arg) and _is_bound(node)]  # fmt: skip
        hidden += [f"{path.name}:{node.lineno}" for node in bound if "_" in names]
    assert hidden == []


def _is_bound(node):
    if isinstance(node, ast.arg):
        return node.arg == "_"
    return node.id == "_" and isinstance(node.ctx, ast.Store)


@pytest.mark.parametrize(("cookie", "header", "name"), [
    ("", "", "en"), ("", "de", "de"), ("", "de-CH, fr;q=0.9", "de"), ("", "en, de;q=0.9", "en"),
    ("", "fr, nl;q=0.5", "en"), ("", "de;q=0, en;q=0.1", "en"), ("en", "de", "en"),
    ("de", "en", "de"), ("../../x", "de", "de"), ("", "de;q=nan", "en"), ("", "de;q=9e9", "en"),
    ("", ";,;;q=,\xff", "en"), ("", "x," * 5000 + "de", "en"), ("", "DE_at, de-AT", "de"),
])  # fmt: skip
def test_the_language_is_the_one_chosen_else_the_one_liked_best(cookie, header, name):
    assert choose(cookie, header) == name


def walk(client, seen):
    """Do a work-up from the failed step to the return, keeping every page; return its path."""

    def look(answer):
        assert answer.status_code == 200, answer.text
        seen.append(answer.text)
        return answer

    def send(path, to="", **form):
        page = look(client.get(path, headers=GERMAN))
        form |= {"length": length_of(page)} if 'name="length"' in page.text else {}
        return look(client.post(path + to, data=form, headers=GERMAN)).url.path

    look(client.get("/machines/small", headers=GERMAN))
    path = send(FAILED, answer="falls_fast", minutes="25")
    send(f"{path}/do/breathing.apl_turn", answer="was_open")
    send(f"{path}/put-right/close@apl_valve")
    send(f"{path}/do/{HOLD}", number="30", unit="cmH2O")
    look(client.get(f"{path}/sheet", headers=GERMAN))
    return path


def list_english(page):
    """Return what is English on a page, far causes apart: the fold of all causes, and the whys.

    Which causes these are moves with every number of the knowledge.
    """
    near = re.sub(r"Alle Ursachen, die noch.*?</ul>|<details class=\"why\">.*?</details>", "", page,
                  flags=re.S)  # fmt: skip
    return re.findall(r'<span lang="en">.*?</span>', near)


def test_a_whole_work_up_leaves_no_word_in_english(client):
    seen = []
    path = walk(client, seen)
    assert len(seen) > 8
    assert [list_english(page) for page in seen] == [[]] * len(seen)
    assert all('<html lang="de">' in page for page in seen)
    end = text_of(client.get(path, headers=GERMAN))
    assert "ZURÜCK ZUR GERÄTEPRÜFUNG" in end and "APL-Ventil offen gelassen" in end
    assert "Nie an einem Gerät, an das ein Patient angeschlossen ist." in end


def test_a_removal_is_unmistakable_and_its_record_stays_english(client):
    page = client.post(FAILED, data={"answer": "falls_slowly"}, headers=GERMAN)
    path = page.url.path
    form = {"length": length_of(page)}
    end = client.post(f"{path}/stop", data=form, headers=GERMAN)
    assert "AUSSER BETRIEB NEHMEN UND MEDIZINTECHNIK RUFEN" in text_of(end)
    tag = text_of(client.get(f"{path}/tag", headers=GERMAN))
    assert "AUSSER BETRIEB" in tag and "Keinen Patienten anschließen" in tag
    name = path.rpartition("/")[2]
    told = client.get(f"/api/work-ups/{name}/handover", headers=GERMAN).json()
    assert told["disposition"]["say"] == "remove from service and call biomed"
    assert told["why"].startswith("The work was stopped before")
    english = text_of(client.get(path, headers={"accept-language": "en"}))
    assert "REMOVE FROM SERVICE AND CALL BIOMED" in english
    from diagnose.journal import list_events, list_records

    (record,) = list_records()[0]
    closed = list_events(record.path)[-1]
    assert closed["disposition"] == "remove from service and call biomed"
    assert closed["reason"] == "The work was stopped before the machine was shown to be safe."


def test_both_languages_say_the_same_numbers(client):
    form = {"answer": "falls_slowly", "minutes": "25"}
    path = client.post(FAILED, data=form, headers=GERMAN).url.path
    pages = [client.get(path, headers={"accept-language": name}).text for name in ("de", "en")]
    widths = [re.findall(r'class="part" width="(\d+)"', page) for page in pages]
    addresses = [re.findall(rf'{path}/[^"]*', page) for page in pages]
    assert widths[0] == widths[1] != []
    assert addresses[0] == addresses[1]


def test_what_is_not_translated_says_that_it_is_english(client):
    path = client.post(FAILED, data={"answer": "falls_slowly"}, headers=GERMAN).url.path
    page = client.get(f"{path}/do/outlet.bulb_supplies_off", headers=GERMAN).text
    assert '<h1><span lang="en">Suction bulb with all gas supplies shut off</span></h1>' in page
    assert "<title>Suction bulb with all gas supplies shut off | Tenhold</title>" in page
    assert 'data-enough="Flat for 10 s or more"' in page
    assert OPEN not in page and CLOSE not in page
    picture = client.get(f"{path}/circuit.svg", headers=GERMAN).text
    assert "Übungsgerät" in picture and not {OPEN, CLOSE, "\xad"} & set(picture)


def test_what_a_person_wrote_is_never_taken_for_a_mark():
    assert mark_english("<p>&lt;title&gt; a > b</p>") == "<p>&lt;title&gt; a > b</p>"


def test_the_language_is_changed_by_a_form_and_leads_back(client):
    page = client.get("/units?back=/fleet", headers={"accept-language": "fr"})
    assert '<span lang="de">Deutsch</span>' in page.text and "Language (Sprache)" in page.text
    form = {"language": "de", "back": "/fleet"}
    answer = client.post("/language", data=form, follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/fleet")
    fleet = client.get("/fleet", headers={"accept-language": "en"})
    assert "<h1>Unsere Geräte</h1>" in fleet.text
    assert fleet.headers["content-language"] == "de"


@pytest.mark.parametrize("name", ["", "fr", "../de", "DE"])
def test_another_language_is_refused(client, name):
    refused = client.post("/language", data={"language": name}, headers=GERMAN)
    assert refused.status_code == 422 and "ist keine dieser Sprachen" in text_of(refused)


def test_programs_are_answered_in_english_whatever_they_ask_for(client):
    for path in ("/api/machines/small/steps", "/api/checks/breathing.hold_30", "/ready"):
        asked = {"accept-language": "de"}
        assert client.get(path, headers=asked).text == client.get(path).text
    client.get("/machines/small", headers=GERMAN)  # the German knowledge is made by now
    assert "Breathing system hold" in client.get("/api/machines/small/steps").text


@pytest.mark.parametrize("path", ["/drills", "/biomed", "/drills/nothing"])
def test_a_page_that_is_not_translated_is_english_throughout(client, path):
    page = client.get(path, headers=GERMAN).text
    assert '<html lang="en">' in page
    assert "Never on a machine connected to a patient." in unescape(page)
    assert "Patient angeschlossen" not in page


def test_a_search_finds_german_words(client):
    found = client.get("/machines/small?search=druckhaltetest", headers=GERMAN)
    assert "Druckhaltetest des Atemsystems" in text_of(found)


@pytest.mark.parametrize(("entered", "read"), [
    ("22,5", "22.5"), ("22.5", "22.5"), ("22", "22"), ("0,125", "0.125"), ("1,2,3", "1,2,3"),
])  # fmt: skip
def test_a_decimal_comma_is_read_as_it_is_meant(entered, read):
    with speaking(Tongue(FOLDER).language("de")):
        assert read_decimal(entered) == read


@pytest.mark.parametrize("entered", ["1.500", "1,500", "12.000", "1.500.000"])
def test_a_number_that_can_be_read_in_two_ways_is_asked_again(client, entered):
    form = {"number": entered, "unit": "cmH2O"}
    refused = client.post(FAILED, data=form, headers=GERMAN)
    assert refused.status_code == 422
    assert "lässt sich auf zwei Arten lesen" in text_of(refused)
    assert f'value="{entered}"' in unescape(refused.text)


def test_broken_texts_of_the_knowledge_cost_only_their_translation(tmp_path):
    words = tmp_path / "words" / "de"
    words.mkdir(parents=True)
    (words / "a.yaml").write_text("texts: [{text: Bag}]\n", "utf-8")
    with pytest.raises(KnowledgeError):
        load_words(tmp_path, "de")
    own = Tongue(tmp_path).language("de")
    assert own.knowledge == {} and own.messages.gettext("failed") == "nicht bestanden"
