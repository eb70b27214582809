"""Published cases as data: read, entered at a machine, judged, and shown as a page."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import yaml

from diagnose.model import RETURN, Assessment, Remedied, WorkUp
from diagnose.readings import read_answer
from diagnose.session import Kit, diagnose

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
PAGE = ROOT / "docs" / "published_cases.md"
FULLEST = "two_vaporizers_valve"
FIRST_FILES = ("breathing.yaml", "machine.yaml")  # dosing, vapour, outlet, breathing
FILES = (*FIRST_FILES, "supply.yaml", "ventilator.yaml", "monitoring.yaml")
PRESETS = ("presets.yaml",)
FIRST_THREE, FIRST = 0.85, 0.60  # of the zones built first; the project's own requirement [-]
ALL_FIRST_THREE, ALL_FIRST = 0.90, 0.70  # of the whole list; the same [-]
OBSERVED = {"reported", "in_use_equivalent"}
TABLE_HEAD = (
    "| case | what was wrong | entered | true part | place of component | of cause | first cause "
    "listed | place of cause with the isolating acts | stop rule | disposition |",
    "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
)
NO_PART = ("nothing_wrong", "something_else")  # causes that stand in no component

KitOf = Callable[[str], Kit]
Case = dict[str, Any]


@dataclass(frozen=True)
class Answer:
    """What the program said about one case."""

    place: int  # of the first listed cause in a true part, from 1; a large number for none
    by_pair: bool  # that cause was two at once
    component_place: int  # of the true component of the list, chances summed over each
    strict_place: int  # the same, with 'nothing wrong' and 'something else' counted
    lead: str  # the first cause, in words
    lead_chance: float
    is_stop: bool  # a rule ended the matter at once
    say: str


@dataclass(frozen=True)
class Result:
    """One case with its answer, on the readings alone and with the report's isolating acts."""

    case: Case
    answer: Answer
    isolated: Answer | None


def read_file(name: str) -> Any:
    return yaml.load((HERE / "cases" / name).read_text("utf-8"), Loader=yaml.BaseLoader)


def read_cases(names: Sequence[str] = FILES) -> list[Case]:
    return sorted((c for name in names for c in read_file(name)), key=lambda c: c["id"])


def pick(results: Sequence[Result], names: Sequence[str]) -> list[Result]:
    """Return the results of the cases in some of the files."""
    ids = {case["id"] for case in read_cases(names)}
    return [r for r in results if r.case["id"] in ids]


def enter(kit: Kit, case: Case, more: Sequence[str] = ()) -> WorkUp:
    """Return the work-up of a case: its readings and remedies in order, then further readings."""
    rows = [*case["readings"], *({"read": text} for text in more)]
    work = WorkUp(kit.catalogue.circuit.machine_id, rows[0]["read"].partition("=")[0])
    for row in rows:
        if "done" in row:
            work = work.add(Remedied(*row["done"].split()))
        else:
            test, _, outcome = row["read"].partition("=")
            work = work.add(read_answer(kit.catalogue, test, outcome))
    return work


def find_parts(kit: Kit, ids: Sequence[str]) -> tuple[str, ...]:
    """Return the components that a listed cause, or a pair of causes, stands in."""
    index = kit.catalogue.cause_index
    return tuple(x if x in NO_PART else kit.catalogue.causes[index[x] - 1].component for x in ids)


def find_place(parts: Iterable[tuple[str, ...]], true: set[str]) -> int:
    """Return the place, from 1, of the first entry that names a true part.

    >>> find_place([("bag",), ("absorber", "bag")], {"absorber"}), find_place([("bag",)], {"apl"})
    (2, 999)
    """
    return next((n for n, names in enumerate(parts, 1) if true.intersection(names)), 999)


@lru_cache
def read_groups() -> dict[str, str]:
    """Return the component of the list for each kind of component; two names may mean one."""
    return {kind: min(kinds) for kinds in read_file("groups.yaml").values() for kind in kinds}


def find_groups(kit: Kit, parts: Iterable[str]) -> set[str]:
    """Return the components of the list that parts of a machine belong to."""
    kinds = kit.catalogue.circuit.machine.components
    return {read_groups().get(kinds.get(part, part), kinds.get(part, part)) for part in parts}


def judge(kit: Kit, told: Assessment, case: Case) -> Answer:
    """Return where the true part, and the true component of the list, came out."""
    parts = [find_parts(kit, cause.ids) for cause in told.ranking]
    sums: Counter[str] = Counter()
    for names, cause in zip(parts, told.ranking, strict=True):
        sums.update({name: cause.chance for name in find_groups(kit, names)})
    ordered = [(name,) for name, _ in sums.most_common()]
    component = {min(read_file("groups.yaml")[case["component"]])}
    place = find_place(parts, set(case["parts"]))
    return Answer(
        place=place,
        by_pair=place <= len(parts) and len(parts[place - 1]) > 1,
        component_place=find_place([x for x in ordered if x[0] not in NO_PART], component),
        strict_place=find_place(ordered, component),
        lead=told.ranking[0].title,
        lead_chance=told.ranking[0].chance,
        is_stop=any(said.kind == "stop" for said in told.said),
        say=told.disposition.say,
    )


def solve(get_kit: KitOf, case: Case) -> Result:
    """Return what the program says about a case."""
    kit, more = get_kit(case.get("machine", FULLEST)), case.get("isolated", [])
    answer = judge(kit, diagnose(kit, enter(kit, case)), case)
    isolated = judge(kit, diagnose(kit, enter(kit, case, more)), case) if more else None
    return Result(case, answer, isolated)


def share(answers: Iterable[int], most: int) -> float:
    places = list(answers)
    return sum(place <= most for place in places) / len(places)


def show_place(answer: Answer | None) -> str:
    if answer is None:
        return ""
    place = str(answer.place) if answer.place <= 9 else "beyond 9"
    return place + (", in a pair" if answer.by_pair else "")


def show(result: Result) -> str:
    """Return the line of a case for the terminal."""
    answer = result.answer
    places = f"{answer.component_place:4} {show_place(answer):16}"
    return f"{result.case['id']} {places}{answer.lead} {answer.lead_chance:.0%}; {answer.say}"


def render_row(result: Result) -> str:
    case, answer = result.case, result.answer
    rows = [f"`{r['read']}`" if "read" in r else f"done: {r['done']}" for r in case["readings"]]
    return " | ".join(
        [
            f"| {case['id']}",
            case["fault"],
            "<br>".join(rows),
            ", ".join(case["parts"]),
            str(answer.component_place),
            show_place(answer),
            f"{answer.lead} ({answer.lead_chance:.0%})",
            show_place(result.isolated),
            "yes" if answer.is_stop else "no",
            f"{answer.say} |",
        ]
    )


def render_source(case: Case) -> str:
    source = [case["source"][k] for k in ("authors", "title", "journal", "year", "pages")
              if k in case["source"]]  # fmt: skip
    note = f" Note: {case['note']}" if "note" in case else ""
    safe = f" Safe action: {case['safe_action']}" if "safe_action" in case else ""
    return f"- {case['id']}: {'. '.join(source)}.{safe}{note}"


def render_summary(results: Sequence[Result]) -> list[str]:
    """Return the shares in words, one line each."""
    led = [r.isolated or r.answer for r in results]
    lines = [
        ("Component", [r.answer.component_place for r in results]),
        ("The same, 'nothing wrong' and 'something else' counted as components",
         [r.answer.strict_place for r in results]),
        ("Component, with the isolating acts the reports tell of",
         [a.component_place for a in led]),
        ("Cause, as the program lists them", [r.answer.place for r in results]),
        ("Cause, with the isolating acts", [a.place for a in led]),
    ]  # fmt: skip
    stops = sum(r.answer.is_stop for r in results)
    returned = sum(a.say == RETURN for r in results for a in (r.answer, r.isolated) if a)
    return [
        *(
            f"- {what}: first {share(own, 1):.0%}, first three {share(own, 3):.0%} of {len(own)}"
            for what, own in lines
        ),
        f"- A rule ends the matter at once in {stops}; '{RETURN}' in {returned}",
    ]


def render_figures(results: Sequence[Result]) -> list[str]:
    """Return the figures of the zones built first and those of the whole list, apart."""
    first = pick(results, FIRST_FILES)
    left_out = [999] * len(read_file("elsewhere.yaml"))
    places = [r.answer.component_place for r in results] + left_out
    return [
        f"Zones dosing, vapour, outlet and breathing ({len(first)} cases):",
        "",
        *render_summary(first),
        "",
        f"All zones ({len(results)} cases, the {len(first)} above among them):",
        "",
        *render_summary(results),
        f"- Component, the {len(left_out)} cases that could not be entered counted as missed: "
        f"first {share(places, 1):.0%}, first three {share(places, 3):.0%} of {len(places)}",
    ]


def render(results: Sequence[Result], presets: Sequence[Result]) -> str:
    """Return the page about the published cases."""
    others = read_file("elsewhere.yaml").items()
    lines = [
        "# Published cases",
        "",
        "Written by `tests/published/test_cases.py`; run it as a script after knowledge changes.",
        "Each case of the open list is entered as its failed step and what the report says beside",
        "it; what a compiler inferred is not entered. Part of the knowledge was written by people",
        "who had read these reports, so this is no measure of unseen cases. Component: the true",
        "component as the list of cases names it (`cases/groups.yaml` says which of ours it is),",
        "among all by the chances of their causes. Cause: where the first cause in a true part",
        "stands in the list the program shows, 'nothing wrong' and 'something else' counted.",
        "",
        *render_figures(results),
        "",
        *TABLE_HEAD,
        *map(render_row, results),
        "",
        "## Faults preset in studies",
        "",
        "Faults that studies of checkout and failure set on a machine or a bench, entered as the",
        "step at which they show. They are no incidents and are in none of the figures above.",
        "",
        *TABLE_HEAD,
        *map(render_row, presets),
        "",
        "## Sources",
        "",
        *(render_source(r.case) for r in (*results, *presets)),
        "",
        "## Cases of the list that no check can express",
        "",
        *(f"- {name}: {other['zone']}; {other['why']}" for name, other in others),
        "",
    ]
    return "\n".join(lines)
