"""A work-up at a terminal of 24 lines of 80: as a person meets it, crash and Ctrl-C included."""

import re

from diagnose.journal import list_unfinished, read_record

HOLD = ("work-up", "--machine", "small", "--failed", "breathing.hold_30", "--passed", "none",
        "--minutes", "30")  # fmt: skip
HOME = "What it may be:"


def begin(terminal, *more):
    own = terminal(*HOLD, *more)
    own.wait_for("ten seconds after 30 cmH2O?")
    own.say("20 cmH2O")
    own.wait_for(HOME)
    return own


def test_the_first_questions_lead_to_the_choices(terminal):
    own = terminal("work-up")
    first = own.wait_for("Which machine?")
    assert "Never on a machine connected to a patient." in first
    own.say("teaching")
    own.wait_for("Which checkout step failed?")
    own.say("hold at 30")
    own.wait_for("ten seconds after 30 cmH2O?")
    own.say("2")
    own.wait_for("Which parts of the checkout before it")
    own.say("1 3-5")
    own.wait_for("In how many minutes")
    own.say("15")
    own.wait_for("since the machine last passed?")
    own.say("wing")
    assert "no part of this machine is called so" in own.wait_for("! ")
    own.say("reservoir bag")
    screen = own.wait_for(HOME)
    assert list_unfinished()[0].work.changed == {"bag"}
    assert "OUT OF SERVICE until it is shown to be safe." in screen
    assert "15 min until it is needed" in screen


def test_the_last_machine_is_remembered(terminal):
    begin(terminal).kill()
    own = terminal("work-up")
    own.wait_for("A work-up was not finished.")
    own.say("1")
    assert "Enter for: Teaching machine" in own.wait_for("Which machine?")


def test_every_screen_fits_24_lines_of_80(terminal):
    own = begin(terminal)
    for key, text in [("1", "s not sure"), ("b", HOME), ("o", "Which check?"), ("b", HOME),
                      ("d", "What was put right?"), ("b", HOME), ("c", "All causes"), ("b", HOME),
                      ("?", "Enter goes on"), ("b", HOME), ("nonsense", "is no choice here"),
                      ("q", "REMOVE FROM SERVICE AND CALL BIOMED")]:  # fmt: skip
        own.say(key)
        found = own.wait_for(text).splitlines()
        assert sum(max(1, -(-len(line) // 80)) for line in found) <= 24, key
        assert max(len(line) for line in found if not line.startswith("Record: ")) <= 80, key


def test_a_number_without_its_unit_is_asked_again(terminal):
    own = terminal(*HOLD)
    own.wait_for("ten seconds after 30 cmH2O?")
    for typed, said in [("20", "or with its unit: 20 cmH2O"), ("20 psi/", "write a quantity"),
                        ("20 mL", "unit of another kind"), ("-400 cmH2O", "Read it again."),
                        ("1", "is a pass")]:  # fmt: skip
        own.say(typed)
        screen = own.wait_for("! ")
        assert said in " ".join(screen.split()), typed
    own.say("2")
    own.wait_for(HOME)


def test_undo_takes_an_answer_back_and_the_record_knows(terminal, state):
    own = begin(terminal)
    own.say("1")
    own.wait_for("s not sure")
    own.say("1")
    own.wait_for("Last:")
    assert len(list_unfinished()[0].work.entries) == 2
    own.say("u")
    assert "Last:" not in own.wait_for(HOME)
    assert len(list_unfinished()[0].work.entries) == 1
    own.say("u")
    own.wait_for("There is nothing to take back.")


def test_an_answer_is_on_the_disk_when_the_next_screen_shows(terminal):
    own = begin(terminal)
    own.say("1")
    own.wait_for("s not sure")
    own.say("s")
    own.wait_for("Last:")
    own.kill()
    (record,) = list_unfinished()
    assert [reading.outcome for reading in record.work.readings] == ["falls_slowly", "not_sure"]


def test_a_killed_work_up_goes_on_where_it_was(terminal):
    own = begin(terminal)
    own.say("1")
    own.wait_for("s not sure")
    own.say("2")
    before = own.wait_for("Last:")
    own.kill()
    again = terminal("work-up")
    again.wait_for("A work-up was not finished. Go on with it?")
    again.say("2")
    last = re.search("Last:.*", before)
    assert last and last.group() in again.wait_for(HOME)


def test_a_work_up_open_in_another_window_is_refused(terminal):
    begin(terminal)
    other = terminal("work-up", "--resume", "last")
    other.wait_for("Enter goes on")
    other.say("")
    assert other.finish() == 5
    assert "another window" in other.screen()


def test_ctrl_c_stops_and_keeps_everything(terminal):
    own = begin(terminal)
    own.interrupt()
    assert own.finish() == 130
    assert "OUT OF SERVICE" in own.screen()
    assert "tenhold work-up --resume last" in own.screen()
    assert len(list_unfinished()) == 1


def test_a_remedy_is_counted_only_when_it_is_done(terminal):
    own = begin(terminal)
    for answer, entries in (("b", 1), ("y", 2)):
        own.say("d")
        own.wait_for("What was put right?")
        own.say("close@apl_valve")
        own.wait_for("y it is done")
        own.say(answer)
        own.wait_for(HOME if answer == "b" else "s not sure")
        assert len(list_unfinished()[0].work.entries) == entries
    own.say("1")
    own.wait_for("held at 30")


def test_stopping_ends_in_removal_and_can_be_taken_back(terminal, state):
    own = begin(terminal)
    own.say("q")
    screen = own.wait_for("REMOVE FROM SERVICE AND CALL BIOMED")
    assert "disposition.person_stopped" in screen
    (path,) = state.glob("*.jsonl")
    assert read_record(path).is_closed
    own.say("u")
    own.wait_for(HOME)
    assert not read_record(path).is_closed
    own.say("q")
    own.wait_for("REMOVE FROM SERVICE AND CALL BIOMED")
    own.say("")
    assert own.finish() == 0
    assert read_record(path).is_closed


def test_too_little_time_says_swap_the_machine_first(terminal):
    own = terminal(*HOLD[:-1], "3", "--reading", "falls_slowly")
    own.wait_for("Enter goes on")
    own.say("")
    assert own.wait_for(HOME).splitlines()[1].startswith("SWAP THE MACHINE NOW")


def test_a_demo_is_played_by_hand_to_its_end(terminal):
    own = terminal("demo", "--seed", "10")
    own.wait_for("Enter goes on")
    own.say("")
    for _ in range(90):  # three screens a test
        screen = own.wait_for(">")
        if "Enter ends" in screen:
            break
        own.say("1" if HOME in screen else "")
    assert "RETURN TO CHECKOUT" in screen or "REMOVE FROM SERVICE" in screen
    own.say("")
    assert own.finish() == 0
    assert "The hidden cause was:" in own.screen()


def test_a_plain_terminal_gets_plain_text(terminal):
    own = terminal(*HOLD, TERM="dumb", PYTHONIOENCODING="ascii")
    own.wait_for("ten seconds after 30 cmH2O?")
    own.say("2")
    screen = own.wait_for(HOME)
    assert screen.isascii()
    assert "\x1b" not in own.seen.replace("\x1b[2J", "")
    assert "#" in screen
