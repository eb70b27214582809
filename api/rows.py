"""What the knowledge says of a step, test, cause, rule or source: one row of a Markdown table."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from api.show import SAFETY
from diagnose.kb.load import KnowledgeBase
from diagnose.kb.schema import Check, Fault, Outcome, RuleShape
from diagnose.language import first_capital

STEP_HEAD = ("checkout step", "what to do", "outcomes", "limit", "min")
TEST_HEAD = ("isolating test", "min", "who", "tools", "what it tells")
CAUSE_HEAD = ("cause", "kind", "hazard", "who mends it and how", "per 10,000", "steps that show it")
RULE_HEAD = ("stops for", "when", "because", "source")


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    r"""Return a table, one line a row; what would end a cell or begin a mark is escaped.

    >>> table(("a", "b"), [("x | y", "1")])
    ['| a | b |', '| --- | --- |', '| x \\| y | 1 |']
    """
    lines = [head, ["---"] * len(head), *([_cell(text) for text in row] for row in rows)]
    return [f"| {' | '.join(line)} |" for line in lines]


def _cell(text: str) -> str:
    return " ".join(text.replace("|", r"\|").split())


def plain(text: str) -> str:
    r"""Return words of the knowledge so that Markdown shows them as they are.

    >>> plain("~5 * 2 <b>")
    '\\~5 \\* 2 &lt;b>'
    """
    for sign in "\\*~`":
        text = text.replace(sign, f"\\{sign}")
    return text.replace("<", "&lt;")


def title_check(base: KnowledgeBase, check: Check) -> str:
    """Return a check's title; one done at each of a kind names the kind.

    >>> from diagnose.kb.load import load
    >>> base = load()
    >>> title_check(base, base.checks["vapour.agent_look"])
    'Agent in vaporizer'
    """
    return first_capital(name_kind(base, check.title, check.each))


def name_kind(base: KnowledgeBase, text: str, kind: str | None) -> str:
    """Return a text with ``{it}`` replaced by the name of a kind of component."""
    return text.replace("{it}", base.components[kind].title.lower()) if kind else text


def step_row(base: KnowledgeBase, name: str, check: Check) -> tuple[str, ...]:
    """Return a checkout step as the cells of a row."""
    limit = f"{plain(check.limit.say)} [{check.limit.source}]" if check.limit else ""
    return (
        _head(base, name, check),
        _say(base, check),
        say_outcomes(check),
        limit,
        f"{check.minutes:g}",
    )


def isolating_row(base: KnowledgeBase, name: str, check: Check) -> tuple[str, ...]:
    """Return an isolating test as the cells of a row."""
    tools = ", ".join(tool.replace("_", " ") for tool in check.tools) or "none"
    asked = plain(name_kind(base, check.reading.ask, check.each))
    aside = ", ".join(_part(base, *each, check.each) for each in check.isolate.items())
    told = f"With {aside}: {asked}" if aside else asked
    return (
        _head(base, name, check),
        f"{check.minutes:g}",
        check.by,
        tools,
        f"{told}<br>{say_outcomes(check)}{_warn(check)}",
    )


def _part(base: KnowledgeBase, part: str, how: str, kind: str | None) -> str:
    name = name_kind(base, part.replace("$it", "{it}"), kind)
    return f"{name} {how}".replace("_", " ")


def _head(base: KnowledgeBase, name: str, check: Check) -> str:
    needs = [need.removesuffix("=yes").replace("_", " ").replace("=", ": ") for need in check.needs]
    only = f"<br>only with {', '.join(needs)}" if needs else ""
    return f"**{plain(title_check(base, check))}** `{name}`{only}"


def _say(base: KnowledgeBase, check: Check) -> str:
    said = (first_capital(name_kind(base, text, check.each)) for text in check.say)
    return plain(" ".join(said)) + _warn(check)


def _warn(check: Check) -> str:
    """Return the cautions of a check, those apart that hold for every check."""
    return "".join(f"<br>Caution: {plain(text)}" for text in check.cautions if text not in SAFETY)


def say_outcomes(check: Check) -> str:
    """Return what can be seen, each with its verdict and its band.

    >>> from diagnose.kb.load import load
    >>> say_outcomes(load().checks["breathing.hold_30"]).split("<br>")[0]
    'pass: Held at 30 (28.5 cmH2O or more)'
    """
    found = check.reading.outcomes.values()
    return "<br>".join(f"{each.means}: {plain(each.title)}{_band(each)}" for each in found)


def _band(outcome: Outcome) -> str:
    """Return the limits of an outcome, if its title does not say them."""
    ends = [end.split()[0] for end in (outcome.least, outcome.most) if end]
    if set(ends) <= set(outcome.title.split()):
        return ""
    if outcome.least and outcome.most:
        return f" ({outcome.least} to {outcome.most})"
    if outcome.least:
        return f" ({outcome.least} or more)"
    return f" (below {outcome.most})" if outcome.most else ""


def cause_row(base: KnowledgeBase, name: str, fault: Fault) -> tuple[str, ...]:
    """Return a fault or slip as the cells of a row."""
    title = first_capital(name_kind(base, fault.title, fault.component))
    remedy = name_kind(base, fault.remedy.say, fault.component)
    often = fault.how_often
    return (
        f"**{plain(title)}** `{name.partition('.')[2]}`",
        fault.kind,
        fault.hazard.replace("_", " "),
        f"{fault.remedy.by}, {fault.remedy.minutes:g} min: {plain(remedy)}",
        f"{often.per_10000:g} [{often.source}]",
        say_steps(base, name, fault),
    )


def say_steps(base: KnowledgeBase, name: str, fault: Fault) -> str:
    """Return the checkout steps that show a cause, the likeliest first; of none, isolating tests.

    >>> from diagnose.kb.load import load
    >>> base = load()
    >>> say_steps(base, "breathing.bag_torn", base.faults["breathing.bag_torn"])
    '`look_over` 25 %, `hold_30`'
    """
    chances: dict[str, float] = {}
    for seen in fault.seen:
        outcome = base.checks[seen.check].reading.outcomes[seen.outcome]
        if outcome.means == "fail":
            chances[seen.check] = chances.get(seen.check, 0.0) + seen.chance
    for case in fault.cases:
        chances.setdefault(case.failed.partition("=")[0].partition("@")[0], 0.0)
    own = f"{name.partition('.')[0]}."
    said: dict[str, list[str]] = {"step": [], "isolating_test": []}
    for check, chance in sorted(chances.items(), key=lambda pair: (-pair[1], pair[0])):
        share = f" {chance * 100:.3g} %" if chance else ""
        said[base.checks[check].kind].append(f"`{check.removeprefix(own)}`{share}")
    only = ", ".join(said["isolating_test"])
    return ", ".join(said["step"]) or f"no step named; isolating tests: {only}"


def rule_row(base: KnowledgeBase, rule: RuleShape) -> tuple[str, ...]:
    """Return a rule that stops use as the cells of a row."""
    when = "; and ".join(_condition(base, each) for each in rule.when)
    unless = "; or ".join(_condition(base, each) for each in rule.unless)
    return (
        str(rule.conclude["stop"]).replace("_", " "),
        f"{when}<br>unless {unless}" if unless else when,
        plain(rule.because),
        rule.source,
    )


def _condition(base: KnowledgeBase, condition: dict[str, object]) -> str:
    values = condition.get("is")
    wanted = [str(value) for value in values] if isinstance(values, list) else []
    check = base.checks.get(str(condition.get("reading")))
    if check is not None:
        seen = [check.reading.outcomes[each].title if each in check.reading.outcomes else each
                for each in wanted]  # fmt: skip
        return plain(f"{title_check(base, check)}: {' or '.join(seen) or 'any answer'}")
    kind, name = next((key, str(value)) for key, value in condition.items() if key != "is")
    if kind == "symptom":
        return f"{name.replace('_', ' ')} ({_why(base, name)})"
    return plain(" ".join([kind, name, *wanted]).replace("_", " "))


def _why(base: KnowledgeBase, symptom: str) -> str:
    """Return the words of the rules that conclude a symptom."""
    rules = [rule for rule in base.rules.values() if rule.conclude.get("symptom") == symptom]
    return plain(" Or: ".join(dict.fromkeys(rule.because for rule in rules)))


def source_line(base: KnowledgeBase, key: str) -> str:
    """Return a source in full: what it is and what was seen of it."""
    source = base.sources[key]
    note = f" Note: {plain(source.note)}" if source.note else ""
    kind = source.kind.replace("_", " ")
    cite = " ".join(plain(source.cite).split())
    return f"- **{key}**: {cite}. Kind: {kind}; seen: {source.seen}.{note}"
