"""Faults and slips fit the parts they sit in, the checks that show them and their own cases."""

from __future__ import annotations

import datetime
import itertools
import re
from collections.abc import Iterator

from diagnose.catalogue import Catalogue, belongs
from diagnose.circuit import joined
from diagnose.errors import ReadingError, UnitError
from diagnose.kb.atoms import ZONES
from diagnose.kb.lint.desk import Desk, no_such, note_braces
from diagnose.kb.lint.parts import READS
from diagnose.kb.reader import Where
from diagnose.kb.schema import PARAMETERS, Case, Check, Component, Effect, Fault, Severity
from diagnose.readings import read_answer, verdict
from diagnose.units import to_si

#: what an effect does -> the types of element it may change, and the parameters it may write
EFFECTS = {
    "leak": (("leak",), ("bore", "seep")),
    "block": (("passage", "valve", "relief", "inlet", "pump", "regulator", "leak"), ("open",)),
    "unseat": (("valve", "relief"), ("seep", "bore", "open")),
    "feed": (("feed",), ("flow",)),
    "misread": (("gauge", "cell"), ("gain", "offset", "bias", "top")),
    "empty": (("cylinder",), ("fill",)),
    "shift": (("regulator",), ("keeps",)),
    "stay": ((), ()),
}
#: fields of a check on which its answers depend; a problem there is noted there only
CALLS = ("file", "each", "needs", "isolate", "procedure", "reading")
AGAIN = re.compile(r"\brepeat", re.IGNORECASE)
SEVERITIES = ("bore", "seep", "open", "flow", "gain", "offset", "bias", "fill", "top",
              "keeps")  # fmt: skip


def lint_faults(desk: Desk) -> None:
    """Note what is wrong with faults and slips."""
    kinds = desk.names("components")
    for name, fault in desk.base.faults.items():
        if name.partition(".")[0] not in ZONES or name.count(".") != 1:
            what = f"lies in the folder of no zone; move it to faults/<zone>: {', '.join(ZONES)}"
            desk.note("faults", name, (), what)
        if fault.component not in kinds:
            what = no_such(fault.component, "kind of component", kinds)
            desk.note("faults", name, ("component",), what)
        elif fault.component in desk.base.components:
            component = desk.base.components[fault.component]
            for number, effect in enumerate(fault.effect):
                _lint_effect(desk, name, component, ("effect", number), effect)
            _lint_seen(desk, name, fault)
        _lint_review(desk, name, fault)
        _lint_remedy(desk, name, fault)
        _lint_numbers(desk, name, fault)
        _lint_look_alikes(desk, name, fault)
        for number, case in enumerate(fault.cases):
            _lint_case(desk, name, fault, number, case)
        for where, text in _texts(fault):
            note_braces(desk, "faults", name, where, text, it=True)


def _lint_remedy(desk: Desk, name: str, fault: Fault) -> None:
    """Note a remedy that says what the program says after each of a user's: to repeat the step."""
    if fault.remedy.by == "user" and AGAIN.search(fault.remedy.say):
        what = "the failed step is repeated after every remedy; say only what puts the cause right"
        desk.note("faults", name, ("remedy", "say"), what)


def _texts(fault: Fault) -> Iterator[tuple[Where, str]]:
    yield ("title",), fault.title
    yield ("about",), fault.about
    yield ("remedy", "say"), fault.remedy.say


def _lint_effect(desk: Desk, name: str, component: Component, where: Where, effect: Effect) -> None:
    types, writes = EFFECTS[effect.do]
    if effect.part is not None:
        _lint_part(desk, name, where, effect)
    elif effect.do == "stay":
        if effect.position not in component.positions:
            what = no_such(str(effect.position), "position of this component", component.positions)
            desk.note("faults", name, (*where, "position"), what)
    elif effect.at not in component.elements:
        what = no_such(str(effect.at), "element of this component", component.elements)
        desk.note("faults", name, (*where, "at"), what)
    elif component.elements[str(effect.at)].type not in types:
        kind = component.elements[str(effect.at)].type
        what = f"'{effect.at}' is a {kind}; '{effect.do}' changes a {' or '.join(types)}"
        desk.note("faults", name, (*where, "at"), what)
    element = component.elements.get(str(effect.at))
    for parameter in SEVERITIES:
        severity = getattr(effect, parameter)
        has = element is None or element.type not in types or parameter in READS[element.type]
        if severity is not None and (parameter not in writes or not has):
            what = f"'{effect.do}' does not write it; remove it"
            desk.note("faults", name, (*where, parameter), what)
        elif severity is not None:
            _lint_severity(desk, name, (*where, parameter), parameter, severity)


def _lint_part(desk: Desk, name: str, where: Where, effect: Effect) -> None:
    """Note another part that is left in a position, where a machine lacks it or the position."""
    part = str(effect.part)
    if effect.do != "stay":
        what = "only 'stay' reaches another component; remove it"
        desk.note("faults", name, (*where, "part"), what)
        return
    kind = desk.base.faults[name].component
    for circuit in desk.circuits:
        if not circuit.of_kind(kind):
            continue
        if part not in circuit.kinds:
            what = no_such(part, f"component of machine '{circuit.machine_id}'", circuit.kinds)
            desk.note("faults", name, (*where, "part"), what)
            return
        known = circuit.kinds[part].positions
        if effect.position not in known:
            what = no_such(str(effect.position), f"position of '{part}'", known)
            desk.note("faults", name, (*where, "position"), what)
            return


def _lint_severity(desk: Desk, name: str, where: Where, parameter: str, severity: Severity) -> None:
    ends = []
    for number, text in enumerate(severity.range):
        try:
            ends.append(to_si(text, PARAMETERS[parameter]))
        except UnitError as error:
            desk.note("faults", name, (*where, "range", number), str(error))
    if len(ends) < 2:
        return
    low, high = ends
    if low >= high:
        what = f"{severity.range[0]} is not below {severity.range[1]}; write the lower end first"
    elif severity.spread == "log_uniform" and low <= 0:
        what = "'log_uniform' needs ends above zero; write 'spread: uniform' or mend the range"
    elif parameter in ("open", "fill") and not 0 <= low < high <= 1:
        way = {"open": "open", "fill": "filled"}[parameter]
        what = f"a share {way} lies between 0 % and 100 %; mend the range"
    else:
        return
    desk.note("faults", name, (*where, "range"), what)


def _lint_seen(desk: Desk, name: str, fault: Fault) -> None:
    checks = desk.names("checks")
    for number, seen in enumerate(fault.seen):
        where = ("seen", number)
        if seen.check not in checks:
            desk.note("faults", name, (*where, "check"), no_such(seen.check, "check", checks))
            continue
        if seen.at and desk.all_wired:
            wired = desk.catalogues.values()
            places = sorted({it for c in wired for it in c.circuit.of_kind(fault.component)})
            if seen.at not in places:
                what = no_such(seen.at, f"{fault.component} of any machine", places)
                desk.note("faults", name, (*where, "at"), what)
        check = desk.base.checks.get(seen.check)
        if check is None:
            continue
        outcome = check.reading.outcomes.get(seen.outcome)
        if outcome is None:
            what = no_such(seen.outcome, f"outcome of '{seen.check}'", check.reading.outcomes)
            desk.note("faults", name, (*where, "outcome"), what)
        elif check.procedure and fault.effect and outcome.is_band and _is_felt(desk, fault, check):
            what = f"'{seen.check}' has a procedure, the physics tells what it reads; remove this"
            desk.note("faults", name, (*where, "check"), what)
        elif not _is_shown(desk, fault, seen.check):
            what = f"no machine has '{seen.check}' at a {fault.component}; remove it or mend 'each'"
            desk.note("faults", name, (*where, "check"), what)
    _lint_sums(desk, name, fault)
    if not fault.effect and not fault.seen:
        desk.note("faults", name, (), "nothing shows it; give it an 'effect' or something 'seen'")


def _is_felt(desk: Desk, fault: Fault, check: Check) -> bool:
    """Tell whether on some machine a check can feel what a fault changes; else it may be stated."""
    for circuit, it in desk.places(check):
        spaces = joined(circuit, check, it)
        at = {effect.at for effect in fault.effect}
        for own in circuit.of_kind(fault.component):
            touched = [p for p in circuit.pieces if p.component == own and p.name in at]
            moved = {e.part or own for e in fault.effect if e.do == "stay"}
            touched += [p for p in circuit.pieces if p.component in moved]
            if any(piece.before in spaces or piece.after in spaces for piece in touched):
                return True
    return False


def _lint_sums(desk: Desk, name: str, fault: Fault) -> None:
    """Note chances that sum to more than 100 % at a check, for one component or for any."""
    for check in dict.fromkeys(seen.check for seen in fault.seen):
        own = {number: seen for number, seen in enumerate(fault.seen) if seen.check == check}
        total = max(
            sum(seen.chance for seen in own.values() if seen.at in (None, place))
            for place in {seen.at for seen in own.values()}
        )
        if total > 1 + 1e-6 and check in desk.base.checks:
            what = f"the chances at '{check}' sum to {total:.0%}; at most 100 %"
            desk.note("faults", name, ("seen", max(own), "chance"), what)


def _is_shown(desk: Desk, fault: Fault, check: str) -> bool:
    """Tell whether some machine asks a check at a place where this fault can be."""
    if not desk.all_wired or desk.has_problem("checks", check, CALLS):
        return True  # nobody can tell yet
    return any(
        belongs(component, test.it)
        for catalogue in desk.catalogues.values()
        for component in catalogue.circuit.of_kind(fault.component)
        for test in catalogue.tests
        if test.check_id == check
    )


def _lint_review(desk: Desk, name: str, fault: Fault) -> None:
    if fault.status == "reviewed" and not fault.reviewed_by:
        desk.note("faults", name, ("status",), "'reviewed' needs 'reviewed_by'; a person signs")
    if fault.status == "reviewed" or fault.reviewed_on:
        try:
            datetime.date.fromisoformat(fault.reviewed_on)
        except ValueError:
            where = "reviewed_on" if fault.reviewed_on else "status"
            what = "'reviewed' needs 'reviewed_on' with a date such as 2025-11-30; add it"
            desk.note("faults", name, (where,), what)


def _lint_numbers(desk: Desk, name: str, fault: Fault) -> None:
    if not 0 < fault.how_often.per_10000 < 10000:
        what = "must lie above 0 and below 10000; mend it"
        desk.note("faults", name, ("how_often", "per_10000"), what)
    if not fault.how_often.basis.strip():
        what = "has no 'basis'; say in words where the number comes from"
        desk.note("faults", name, ("how_often",), what)
    if not 0 < fault.remedy.minutes < 10000:
        desk.note("faults", name, ("remedy", "minutes"), "must be more than 0; mend it")
    if not 0 < fault.remedy.botched < 1:
        what = "must lie above 0 % and below 100 %; leave it out if nothing is known"
        desk.note("faults", name, ("remedy", "botched"), what)
    if not 0 < fault.intermittent <= 1:
        what = "must lie above 0 % and at most 100 %; leave it out if it always shows"
        desk.note("faults", name, ("intermittent",), what)


def _lint_look_alikes(desk: Desk, name: str, fault: Fault) -> None:
    faults = desk.names("faults")
    for number, other in enumerate(fault.look_alikes):
        where = ("look_alikes", number)
        if other == name:
            desk.note("faults", name, where, "nothing is its own look-alike; remove it")
        elif other not in faults:
            what = no_such(other, "fault or slip that is in use", faults)
            desk.note("faults", name, where, what)
    for first, second in itertools.combinations(fault.look_alikes, 2):
        if first == second:
            desk.note("faults", name, ("look_alikes",), f"'{first}' stands twice; keep one")
    wanted = 1 + len(set(fault.look_alikes))
    if fault.status != "retired" and len(fault.cases) < wanted:
        what = f"holds {len(fault.cases)}; give one for it and one for each look-alike: {wanted}"
        desk.note("faults", name, ("cases",), what)


def _lint_case(desk: Desk, name: str, fault: Fault, number: int, case: Case) -> None:
    where: Where = ("cases", number)
    machines = desk.names("machines")
    if case.machine not in machines:
        what = no_such(case.machine, "machine", machines)
        desk.note("faults", name, (*where, "machine"), what)
    if case.machine not in desk.catalogues:
        return
    catalogue = desk.catalogues[case.machine]
    places = catalogue.circuit.of_kind(fault.component)
    if fault.component not in desk.names("components"):
        pass  # noted once, at the component
    elif not places:
        what = f"machine '{case.machine}' has no {fault.component}; take another machine"
        desk.note("faults", name, (*where, "machine"), what)
    elif case.at and case.at not in places:
        what = no_such(case.at, f"{fault.component} in machine '{case.machine}'", places)
        desk.note("faults", name, (*where, "at"), what)
    elif not case.at and len(places) > 1:
        what = f"there are several; add 'at' with one of: {', '.join(places)}"
        desk.note("faults", name, where, what)
    _lint_answers(desk, name, catalogue, where, case)


def _lint_answers(desk: Desk, name: str, catalogue: Catalogue, where: Where, case: Case) -> None:
    test, equals, answer = case.failed.partition("=")
    if not equals:
        what = f"'{case.failed}' gives no answer; write 'check=outcome'"
        desk.note("faults", name, (*where, "failed"), what)
    elif _lint_answer(desk, name, catalogue, (*where, "failed"), test, answer):
        own = catalogue.tests[catalogue.test_index[test]]
        if verdict(own, read_answer(catalogue, test, answer)) != "fail":
            what = f"'{answer}' at '{test}' does not fail; begin with a reading that fails"
            desk.note("faults", name, (*where, "failed"), what)
    for given, text in case.given.items():
        _lint_answer(desk, name, catalogue, (*where, "given", given), given, text)


def _lint_answer(
    desk: Desk, name: str, catalogue: Catalogue, where: Where, test: str, answer: str
) -> bool:
    check = test.partition("@")[0]
    known = check in desk.names("checks")
    if known and (check not in desk.base.checks or desk.has_problem("checks", check, CALLS)):
        return False
    if test not in catalogue.test_index:
        owner = f"check of machine '{catalogue.circuit.machine_id}'"
        desk.note("faults", name, where, no_such(test, owner, catalogue.test_index))
        return False
    try:
        read_answer(catalogue, test, answer)
    except ReadingError as error:
        what = f"'{answer}' is no answer to '{test}'; write one of: {', '.join(error.allowed)}"
        desk.note("faults", name, where, what)
        return False
    except UnitError as error:
        desk.note("faults", name, where, str(error))
        return False
    return True
