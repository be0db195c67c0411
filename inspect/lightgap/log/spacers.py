"""How consistent the gaps of spaced and tapered joints are, and whether their spread is real.

The gaps of one ring share what the photo adds to all of them alike (its scale, the phone's processing):
that shifts their mean and hides nothing of their spread. So the spread is tested against the rest of
each gap's uncertainty alone, and the shared part is carried whole in the uncertainty of the mean.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import chdtrc

from lightgap.errors import LogError
from lightgap.reference.found import CARDS_LIE, THICKNESS
from lightgap.report import Report
from lightgap.show.figures import Units, figure, plain
from lightgap.show.words import counted, joined
from lightgap.values import Contribution, Value

Place = Literal["inside", "middle", "outside"]

SHARED = frozenset(
    {"scale", CARDS_LIE, THICKNESS, "phone's processing", "slot darkness", "blur", "rounded edges"}
)
"""Names of contributions that are alike in every gap of one photo."""

CONFIDENCE = 0.95
"""A spread is called real when chance alone would make it so large in less than one case in twenty."""

D2 = 2.0 / math.sqrt(math.pi)
"""Mean range of two values from one normal distribution, in standard deviations: 1.128."""


@dataclass(frozen=True)
class Limits:
    """Individuals chart: where single values lie when nothing but chance is at work.

    The limits are mean +- 3 x mean moving range / d2 (NIST/SEMATECH e-Handbook of Statistical Methods,
    6.3.2.2). In a ring the last value stands beside the first, and neighbours share a segment, so that
    limits from a dozen joints are an indication, no more.
    """

    mean: float
    lower: float
    upper: float
    beyond: tuple[int, ...]
    """Places, from 0, of the values beyond the limits."""


@dataclass(frozen=True)
class Spread:
    """Several lengths that should be equal.

    Attributes
    ----------
    labels : tuple of str
        What each value belongs to: "joint 3", "ring 2".
    values : tuple of Value
    left_out : tuple of str
        What had no value.
    nominal_mm : float
        What they should be: the spacer.
    mean : Value
    spread_mm : Value
        Sample standard deviation s; its own standard uncertainty from n values is s / sqrt(2 (n - 1))
        (JCGM 100:2008, E.4.3, note).
    own_mm : Value
        What of the spread measuring does not explain, as a standard deviation: the square root of the
        sample variance less the mean squared uncertainty; 0 when measuring explains it all.
    chi_square : float
        Sum of squared deviations from the weighted mean, each over its squared uncertainty.
    chance : float
        Probability that measuring alone makes chi-square so large, with n - 1 degrees of freedom.
    limits : Limits
    """

    labels: tuple[str, ...]
    values: tuple[Value, ...]
    left_out: tuple[str, ...]
    nominal_mm: float
    mean: Value
    spread_mm: Value
    own_mm: Value
    chi_square: float
    chance: float
    limits: Limits

    @property
    def beyond_measuring(self) -> bool:
        """Whether the spread is more than the measurement's own, at `CONFIDENCE`."""
        return self.chance < 1.0 - CONFIDENCE

    @property
    def worst(self) -> int:
        """Place, from 0, of the value furthest from nominal."""
        return int(np.argmax([abs(value.value - self.nominal_mm) for value in self.values]))

    @property
    def off_nominal(self) -> Value:
        """The mean less nominal."""
        return Value(self.mean.value - self.nominal_mm, self.mean.budget)

    @property
    def off_is_real(self) -> bool:
        """Whether the mean differs from nominal by more than its U."""
        return abs(self.off_nominal.value) > self.mean.u95


def ring_spread(report: Report, place: Place = "middle", spacer: Value | None = None) -> Spread:
    """Return the spread of one ring's gaps at one station.

    Parameters
    ----------
    spacer : Value, optional
        The spacer's thickness as measured by hand, mm; the plan's gap, as exact, unless given.

    Raises
    ------
    LogError
        If the joints are closed, or fewer than two gaps were measured.
    """
    plan = report.plan
    if plan.joint == "closed":
        raise LogError("A ring with closed joints has no spacer.", "Choose a spaced or tapered ring.")
    inner, outer = plan.joint_radii_mm
    half = math.tan(math.radians(plan.gap_deg) / 2.0) * (outer - inner)
    nominal = plan.gap_mm + {"inside": -half, "middle": 0.0, "outside": half}[place]
    gaps = {f"joint {joint.number}": getattr(joint, f"gap_{place}_mm") for joint in report.measurement.joints}
    found = {label: gap for label, gap in gaps.items() if isinstance(gap, Value)}
    left_out = tuple(label for label in gaps if label not in found)
    return spread(tuple(found), tuple(found.values()), nominal, spacer, left_out)


def build_spread(rings: Sequence[tuple[str, Spread]], spacer: Value | None = None) -> Spread:
    """Return the spread of the rings' mean gaps over a build, each ring with its own photo.

    The photos are taken as independent. What one phone does to all photos alike then counts as
    measuring's own spread: a real difference may be missed for it, none is made up.

    Parameters
    ----------
    rings : sequence of (name, Spread)
        Rings made with the same spacer, the lowest first.

    Raises
    ------
    LogError
        If there are fewer than two rings, or they were not made with the same spacer.
    """
    nominals = {spread.nominal_mm for _, spread in rings}
    if len(nominals) > 1:
        raise LogError(
            "These rings were planned with different gaps.", "Compare rings that were made with one spacer."
        )
    whole = tuple(
        Value(ring.mean.value, (Contribution("the ring's mean", ring.mean.standard),)) for _, ring in rings
    )
    nominal = nominals.pop() if nominals else 0.0
    return spread(tuple(name for name, _ in rings), whole, nominal, spacer)


def spread(
    labels: tuple[str, ...],
    values: tuple[Value, ...],
    nominal_mm: float,
    spacer: Value | None = None,
    left_out: tuple[str, ...] = (),
) -> Spread:
    """Return how lengths that should be equal are spread, and whether measuring explains it.

    Raises
    ------
    LogError
        If there are fewer than two.
    """
    if len(values) < 2:
        raise LogError(
            "A spread needs at least two measured gaps.", "Measure a ring in which more joints can be seen."
        )
    lengths = np.array([value.value for value in values])
    standard = np.array([_standard(value, shared=False) for value in values])
    # A value without any uncertainty would take all the weight: the least believable is a micrometre.
    weights = np.maximum(standard, 1e-3) ** -2.0
    centre = float(np.sum(weights * lengths) / np.sum(weights))
    chi_square = float(np.sum(weights * (lengths - centre) ** 2))
    deviation = float(np.std(lengths, ddof=1))
    few = deviation / math.sqrt(2.0 * (len(values) - 1))
    own = math.sqrt(max(deviation**2 - float(np.mean(standard**2)), 0.0))
    budget = [
        Contribution("measuring each", float(np.sqrt(np.sum(standard**2))) / len(values)),
        Contribution("shared by all", float(np.mean([_standard(value, shared=True) for value in values]))),
    ]
    if spacer is not None:
        nominal_mm = spacer.value
        budget.append(Contribution("the spacer", spacer.standard))
    return Spread(
        labels=labels,
        values=values,
        left_out=left_out,
        nominal_mm=nominal_mm,
        mean=Value(float(np.mean(lengths)), tuple(budget)),
        spread_mm=Value(deviation, (Contribution("few values", few),)),
        own_mm=Value(own, (Contribution("few values", few * deviation / own if own else few),)),
        chi_square=chi_square,
        chance=float(chdtrc(len(values) - 1, chi_square)),
        limits=individuals(lengths.tolist()),
    )


def individuals(values: Sequence[float]) -> Limits:
    """Return the individuals chart's limits for values in their order.

    Examples
    --------
    >>> round(individuals([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]).upper, 1)
    55.8
    """
    series = np.asarray(values, dtype=float)
    mean = float(np.mean(series))
    reach = 3.0 * float(np.mean(np.abs(np.diff(series)))) / D2
    beyond = tuple(int(place) for place in np.flatnonzero(np.abs(series - mean) > reach))
    return Limits(mean, mean - reach, mean + reach, beyond)


def say(spread: Spread, units: Units = "mm") -> tuple[str, ...]:
    """Say in plain sentences what a spread means."""
    whole = figure(spread.mean, "gap_mm", units)
    nominal = plain(spread.nominal_mm, "gap_mm", units)
    off = figure(Value(abs(spread.off_nominal.value), spread.mean.budget), "gap_mm", units)
    more = "wider" if spread.off_nominal.value > 0.0 else "narrower"
    against = f"{off} {more} than" if spread.off_is_real else "not to be told from"
    worst = spread.worst
    said = [
        f"Mean of {counted(len(spread.values), 'gap')}: {whole}, {against} the spacer of {nominal}.",
        f"Worst: {spread.labels[worst]}, {figure(spread.values[worst], 'gap_mm', units)}.",
    ]
    if spread.beyond_measuring:
        own = figure(spread.own_mm, "gap_mm", units)
        odds = f"measuring alone does that in {_percent(spread.chance)} of cases"
        said.append(f"They differ among themselves, standard deviation {own}: {odds}.")
    else:
        whole = figure(spread.spread_mm, "gap_mm", units)
        said.append(
            f"They differ by no more than measuring explains: standard deviation {whole}, tested at "
            f"{CONFIDENCE:.0%} confidence."
        )
    if spread.limits.beyond:
        outside = joined([spread.labels[place] for place in spread.limits.beyond])
        said.append(f"Out of line with the rest: {outside}.")
    if spread.left_out:
        said.append(f"Left out, not measured: {joined(spread.left_out)}.")
    return tuple(said)


def say_build(rings: Sequence[tuple[str, Report]], units: Units = "mm") -> tuple[str, ...]:
    """Say how consistent the gaps of a build are, at mid-length: each ring's, then all rings' together.

    Parameters
    ----------
    rings : sequence of (name, Report)
        Rings with closed joints, and those in which too little was measured, are passed over.
    """
    said: list[str] = []
    alike: dict[float, list[tuple[str, Spread]]] = {}
    for name, report in rings:
        measured = [joint.gap_middle_mm for joint in report.measurement.joints]
        if report.plan.joint == "closed" or sum(isinstance(gap, Value) for gap in measured) < 2:
            continue
        spread = ring_spread(report)
        alike.setdefault(spread.nominal_mm, []).append((name, spread))
        said.append(f"{name[:1].upper()}{name[1:]}. {' '.join(say(spread, units))}")
    for group in alike.values():
        if len(group) > 1:
            said.append(
                f"{joined([name for name, _ in group])} together, by their means. "
                f"{' '.join(say(build_spread(group), units))}"
            )
    return tuple(said)


def _standard(value: Value, *, shared: bool) -> float:
    parts = [part.standard for part in value.budget if (part.name in SHARED) is shared]
    return math.sqrt(sum(part**2 for part in parts))


def _percent(chance: float) -> str:
    return "less than 0.1 %" if chance < 0.001 else f"{100.0 * chance:.1f} %"
