"""Confirmed root causes make the next ranking better: Gamma-Poisson, machine in profile in fleet.

A cause comes at some rate per checkout. The knowledge's rate is what is believed first, worth a few
cases; counts of confirmed cases over the checkouts done move it. Each case counts once: the belief
about a profile starts from what all other profiles showed, that about a machine from its
profile without it. What is proposed changes nothing until a person accepts it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

FLEET = 2.0  # cases that the knowledge's rate is worth; judgement [-]
PROFILE = 4.0  # cases that the fleet's rate is worth for one profile; judgement [-]
MACHINE = 8.0  # cases that a profile's rate is worth for one machine; judgement [-]
FLOOR = 0.2  # of the knowledge's rate: records miss what nobody confirmed; judgement [-]
CEILING = 0.2  # no cause is there more often than at one checkout in five; judgement [-]
CHECKOUTS = 1.0  # a day; guidelines ask for one before the first patient [1/day]
WIDE = 1.2  # a change below this factor is not told [-]


@dataclass(frozen=True)
class Belief:
    """A gamma distribution over a rate per checkout."""

    shape: float
    rate: float  # [checkouts]

    @property
    def mean(self) -> float:
        """The rate to go by [1/checkout]."""
        return self.shape / self.rate

    def interval(self, inside: float = 0.9) -> tuple[float, float]:
        """Return the range that holds the rate with a chance of ``inside`` [1/checkout]."""
        tail = (1 - inside) / 2
        low, high = (gamma_quantile(p, self.shape) / self.rate for p in (tail, 1 - tail))
        return low, high


def begin(mean: float, worth: float) -> Belief:
    """Return the belief that a rate is about ``mean``, worth so many cases.

    >>> begin(0.01, 2.0).mean
    0.01
    """
    return Belief(worth, worth / mean)


def learn(before: Belief, count: float, checkouts: float) -> Belief:
    """Return the belief after so many cases in so many checkouts (conjugate).

    Stock 1 in 100 worth 2 cases, then 6 cases in 200 checkouts: (2 + 6) / (200 + 200).

    >>> learn(begin(0.01, 2.0), 6, 200).mean
    0.02
    """
    return Belief(before.shape + count, before.rate + checkouts)


@dataclass(frozen=True)
class Case:
    """One confirmed root cause."""

    cause: str
    profile: str
    asset: str
    at: float  # [s since 1970]


@dataclass(frozen=True)
class Days:
    """Checkouts done: machine-days of one machine."""

    profile: str
    asset: str
    begins_at: float  # [s since 1970]
    ends_at: float
    days: float


@dataclass(frozen=True)
class Forgetting:
    """Older cases count less: half after every half-life."""

    now: float  # [s since 1970]
    half_life: float | None = None  # [days]; None: nothing is forgotten

    def weigh_case(self, case: Case) -> float:
        """Return how much a case counts [-]."""
        age = max(0.0, self.now - case.at) / 86400
        return 1.0 if self.half_life is None else 2.0 ** (-age / self.half_life)

    def weigh_days(self, own: Days) -> float:
        """Return how many days count [days].

        >>> span = Days("p", "a", 0.0, 10 * 86400.0, 10.0)
        >>> round(Forgetting(10 * 86400.0, 10.0).weigh_days(span), 3)
        7.213
        """
        if self.half_life is None:
            return own.days
        new, old = ((self.now - at) / 86400 for at in (own.ends_at, own.begins_at))
        if old - new < 1e-9:
            return own.days * float(2.0 ** (-max(0.0, new) / self.half_life))
        scale = self.half_life / math.log(2)
        kept = scale * (2.0 ** (-new / self.half_life) - 2.0 ** (-old / self.half_life))
        return float(own.days * kept / (old - new))


@dataclass(frozen=True)
class Evidence:
    """Counts and days, summed where a belief needs them: elsewhere, in the profile, the machine."""

    counts: Mapping[str, tuple[float, float, float]]  # cause -> elsewhere, rest of profile, machine
    days: tuple[float, float, float]  # the same for machine-days


def gather(
    cases: Iterable[Case], days: Iterable[Days], profile: str, asset: str, forgetting: Forgetting
) -> Evidence:
    """Return the evidence about one profile, or about one machine of it if ``asset`` is given."""

    def place(own: Case | Days) -> int:
        if own.profile != profile:
            return 0
        return 2 if asset and own.asset == asset else 1

    counts: dict[str, list[float]] = {}
    for case in cases:
        counts.setdefault(case.cause, [0.0, 0.0, 0.0])[place(case)] += forgetting.weigh_case(case)
    total = [0.0, 0.0, 0.0]
    for own in days:
        total[place(own)] += forgetting.weigh_days(own)
    told = {cause: (n[0], n[1], n[2]) for cause, n in counts.items()}
    return Evidence(told, (total[0], total[1], total[2]))


def pool(
    stock: float, counts: Sequence[float], checkouts: Sequence[float], has_machine: bool
) -> Belief:
    """Return the belief about one cause's rate.

    Parameters
    ----------
    stock : float
        The knowledge's rate [1/checkout].
    counts : sequence of float
        Confirmed cases elsewhere, in the rest of the profile, on the machine [-].
    checkouts : sequence of float
        Checkouts that would have shown it, in the same places [-].
    has_machine : bool
        The belief is about one machine, not about the profile.

    Examples
    --------
    Stock 1 in 1000. Elsewhere 3 cases in 4000: (2 + 3) / (2000 + 4000). The profile 4 in 800:
    (4 + 4) / (4800 + 800). The machine 1 in 100: (8 + 1) / (5600 + 100).

    >>> belief = pool(0.001, (3, 4, 1), (4000, 800, 100), True)
    >>> round(belief.shape), round(belief.rate), round(belief.mean, 6)
    (9, 5700, 0.001579)
    """
    fleet = learn(begin(stock, FLEET), counts[0], checkouts[0])
    profile = learn(begin(fleet.mean, PROFILE), counts[1], checkouts[1])
    if not has_machine:
        return profile
    return learn(begin(profile.mean, MACHINE), counts[2], checkouts[2])


@dataclass(frozen=True)
class Change:
    """What is proposed for one cause."""

    cause: str
    title: str
    stock: float  # [1/checkout]
    learned: float  # [1/checkout]
    low: float  # 9 chances in 10 that the rate lies between
    high: float
    counts: tuple[float, float, float]
    is_held: bool  # at the floor or the ceiling
    status: str  # of the knowledge: draft or reviewed

    @property
    def factor(self) -> float:
        """How many times the stock rate it is."""
        return self.learned / self.stock


@dataclass(frozen=True)
class Known:
    """What the knowledge says of a cause: its rate, and how often a checkout would show it."""

    title: str
    stock: float  # [1/checkout]
    seen: float  # chance that a whole checkout shows it [-]
    status: str


def propose(
    known: Mapping[str, Known], evidence: Evidence, has_machine: bool = False, share: float = 1.0
) -> list[Change]:
    """Return a proposal for every cause, those that change most first.

    Parameters
    ----------
    known : mapping
        Cause id -> what the knowledge says.
    evidence : Evidence
        From ``gather``.
    has_machine : bool
        About one machine, not its profile.
    share : float
        Share of ended work-ups whose root cause was confirmed: only they can count [-].
    """
    changes = []
    for cause, own in known.items():
        if own.stock <= 0:
            continue
        counts = evidence.counts.get(cause, (0.0, 0.0, 0.0))
        checkouts = [days * CHECKOUTS * own.seen * share for days in evidence.days]
        belief = pool(own.stock, counts, checkouts, has_machine)
        held = min(CEILING, max(FLOOR * own.stock, belief.mean))
        low, high = belief.interval()
        changes.append(
            Change(cause, own.title, own.stock, held, low, high, counts, held != belief.mean,
                   own.status)
        )  # fmt: skip
    return sorted(changes, key=lambda each: (-abs(math.log(each.factor)), each.cause))


def tell(changes: Sequence[Change], evidence: Evidence) -> list[str]:
    """Return in plain words what would change, and by how much."""
    elsewhere, rest, own = evidence.days
    total = sum(sum(counts) for counts in evidence.counts.values())
    lines = [
        f"Counted: {total:.3g} confirmed causes in {elsewhere + rest + own:.6g} machine-days "
        f"({elsewhere:.6g} of other profiles, {rest:.6g} of this one, {own:.6g} of this machine)."
    ]
    told = [each for each in changes if not 1 / WIDE < each.factor < WIDE]
    for each in told:
        many = "oftener" if each.factor > 1 else "rarer"
        times = each.factor if each.factor > 1 else 1 / each.factor
        held = "; held there" if each.is_held else ""
        lines.append(
            f"{each.title} ({each.cause}): {times:.2g} times {many}: {per_10000(each.learned)} in "
            f"place of {per_10000(each.stock)} in 10,000 checkouts (9 chances in 10: "
            f"{per_10000(each.low)} to {per_10000(each.high)}); {sum(each.counts):.3g} "
            f"confirmed{held}"
        )
    rest_of = len(changes) - len(told)
    lines.append(f"{rest_of} causes stay within a factor of {WIDE:g}.")
    return lines


def per_10000(rate: float) -> str:
    """Return a rate as cases in ten thousand checkouts.

    >>> per_10000(0.00123)
    '12.3'
    """
    return f"{rate * 1e4:.3g}"


def gamma_quantile(chance: float, shape: float) -> float:
    """Return below which value a gamma variable of rate 1 lies with a chance.

    Parameters
    ----------
    chance : float
        Between 0 and 1 [-].
    shape : float
        Above 0 [-].

    Examples
    --------
    Twice the value is a chi-square quantile of twice the degrees; 95 % of 2 degrees is 5.991:

    >>> round(2 * gamma_quantile(0.95, 1.0), 3)
    5.991
    """
    low, high = 0.0, max(1.0, shape)
    while gamma_below(high, shape) < chance:
        low, high = high, 2 * high
    for _ in range(80):
        middle = (low + high) / 2
        if gamma_below(middle, shape) < chance:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def gamma_below(value: float, shape: float) -> float:
    """Return the chance that a gamma variable of rate 1 is below a value, by its series."""
    if value <= 0:
        return 0.0
    if value > shape + 40 * math.sqrt(shape) + 60:
        return 1.0
    term = total = 1.0 / shape
    place = shape
    while term > total * 1e-15:
        place += 1
        term *= value / place
        total += term
    return min(1.0, total * math.exp(shape * math.log(value) - value - math.lgamma(shape)))
