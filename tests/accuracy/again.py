"""Is a ring known again, and is no other ring taken for it? Measured on drawn pairs.

    python tests/accuracy/again.py --seed 1 --count 60

Each case is three pictures of small rings, measured like any photo: ring A with pencil numbers, ring A after
a repair (other pose, light, bench, phone; sanded; no pencil), and ring B of the same wood and size with the
same pencil numbers, in half of the cases in the very light, pose and place of A's first picture. That makes
one true pair and two of strangers. Three ways to choose the wood: each piece from anywhere; a ring's pieces
one after another from one board; A's and B's pieces in turn from one board, so that each piece's neighbour
on the board lies at the same place in the other ring.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np

from accuracy.look import BENCHES, WOODS, Bench, Light, Look, Stroke, Wood
from accuracy.maker import Drawn, View, draw_ring
from accuracy.phone import Phone
from accuracy.shape import Faults, usual_faults
from lightgap.again.matching import Match, match
from lightgap.again.ring_print import fingerprint, read_print
from lightgap.check import check
from lightgap.errors import LightgapError
from lightgap.plan import Plan

CUTS = ("anywhere", "one board", "in turn")
SANDED_MM = (0.0, 0.1, 0.2, 0.3)
_KERF_MM = 3.0
_SHORT_ENOUGH_MM = 165.0
"""Two rings up to this size come out of one board."""
_DIGITS = ("abcefg", "cf", "acdeg", "acdfg", "bcdf", "abdfg", "abdefg", "acf", "abcdefg", "abcdfg")
_BARS = {
    "a": ((0, 2), (1, 2)),
    "b": ((0, 2), (0, 1)),
    "c": ((1, 2), (1, 1)),
    "d": ((0, 1), (1, 1)),
    "e": ((0, 1), (0, 0)),
    "f": ((1, 1), (1, 0)),
    "g": ((0, 0), (1, 0)),
}
"""A digit's strokes: top, upper left and right, middle, lower left and right, bottom."""


@dataclass(frozen=True, eq=False)
class Taken:
    """One picture's print and its joint 1 by the truth's index; or why it could not be measured."""

    print_bytes: bytes = b""
    first: int = -1
    failure: str | None = None


@dataclass(frozen=True, eq=False)
class Case:
    """Ring A before and after, and ring B."""

    seed: int
    cut: str
    wood: Wood
    plan: Plan
    sanded_mm: float
    smeared: bool
    before: Taken
    after: Taken
    other: Taken

    @property
    def turn(self) -> int:
        """Joint k before is joint k + turn after."""
        return (self.after.first - self.before.first) % self.plan.segments


def make_case(seed: int, sanded_mm: float | None = None) -> Case:
    """Draw and measure the three pictures of one case."""
    rng = np.random.default_rng(seed)
    cut = CUTS[seed % len(CUTS)]
    plan = _plan(cut, rng)
    name = str(rng.choice(sorted(WOODS)))
    wood = Wood((name,), figure=float(rng.uniform(0.04, 0.14)), uneven=0.03, seed=2 * seed)
    woods = _cut(wood, cut, plan)
    sanded = float(rng.choice(SANDED_MM)) if sanded_mm is None else sanded_mm
    smeared = bool(rng.uniform() < 0.5)
    faults = usual_faults(plan, rng)
    place = _Place(rng)
    elsewhere = _Place(rng)
    place_b = place if rng.uniform() < 0.5 else _Place(rng)
    later = _smearing(rng) if smeared else Phone(quality=85)
    before = draw_ring(
        plan,
        10 * seed,
        faults=faults,
        look=replace(place.look, wood=woods[0], pencil=pencil_numbers(plan, place.first_deg, rng)),
        view=place.view,
        first_deg=place.first_deg,
    )
    after = draw_ring(
        plan,
        10 * seed + 1,
        faults=_mended(faults, plan, rng),
        look=replace(elsewhere.look, wood=replace(woods[0], sanded_mm=sanded)),
        view=elsewhere.view,
        phone=later,
        first_deg=elsewhere.first_deg,
    )
    other = draw_ring(
        plan,
        10 * seed + 2,
        faults=usual_faults(plan, rng),
        look=replace(place_b.look, wood=woods[1], pencil=pencil_numbers(plan, place_b.first_deg, rng)),
        view=place_b.view,
        first_deg=place_b.first_deg,
    )
    return Case(seed, cut, woods[0], plan, sanded, smeared, *(_take(item) for item in (before, after, other)))


class _Place:
    """Light, bench, pose and camera of one picture."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.look = _look(rng)
        self.view = _view(rng)
        self.first_deg = float(rng.uniform(0.0, 360.0))


def _plan(cut: str, rng: np.random.Generator) -> Plan:
    segments = int(rng.choice([8, 10, 12, 16, 24]))
    size = float(rng.uniform(130.0, _SHORT_ENOUGH_MM if cut == "in turn" else 260.0))
    width = float(rng.uniform(0.14, 0.2) * size)
    if rng.uniform() < 0.3:
        return Plan(segments, "spaced", round(size, 1), round(width, 1), 18.0, gap_mm=2.5)
    return Plan(segments, "closed", round(size, 1), round(width, 1), 18.0)


def _cut(wood: Wood, cut: str, plan: Plan) -> tuple[Wood, Wood]:
    """The wood of ring A and of ring B."""
    assert wood.seed is not None
    stranger = replace(wood, seed=wood.seed + 1)
    if cut == "anywhere":
        return wood, stranger
    piece = plan.edge_length_mm(plan.outer_mm) + _KERF_MM
    if cut == "one board":
        places = tuple(piece * k for k in range(plan.segments))
        return replace(wood, cut_mm=places), replace(stranger, cut_mm=places)
    both = [piece * k for k in range(2 * plan.segments)]
    return replace(wood, cut_mm=tuple(both[::2])), replace(wood, cut_mm=tuple(both[1::2]))


def _look(rng: np.random.Generator) -> Look:
    light = Light(
        from_deg=float(rng.uniform(0.0, 360.0)),
        slope=float(rng.uniform(0.3, 1.5)),
        share=float(rng.uniform(0.3, 0.7)),
        uneven=float(rng.uniform(0.0, 0.3)),
        shadow_edge_mm=float(rng.uniform(-20.0, 40.0)) if rng.uniform() < 0.15 else None,
    )
    return Look(light=light, bench=Bench(str(rng.choice(sorted(BENCHES)))))


def _view(rng: np.random.Generator) -> View:
    return View(
        mm_per_px=float(rng.uniform(0.18, 0.26)),
        tilt_deg=float(rng.uniform(1.0, 14.0)),
        tilt_from_deg=float(rng.uniform(0.0, 360.0)),
        roll_deg=float(rng.uniform(0.0, 360.0)),
        f35=float(rng.uniform(24.0, 30.0)),
    )


def _smearing(rng: np.random.Generator) -> Phone:
    """A phone that takes grain for noise."""
    return Phone(
        blur_px=float(rng.uniform(0.8, 1.2)),
        vignette=0.2,
        denoise=float(rng.uniform(0.03, 0.1)),
        sharpen=0.6,
        contrast=0.3,
        quality=int(rng.integers(70, 86)),
    )


def pencil_numbers(plan: Plan, first_deg: float, rng: np.random.Generator) -> tuple[Stroke, ...]:
    """Every segment's number in its middle, as a person writes it: never twice at quite the same place."""
    strokes = []
    size = 0.2 * plan.width_mm
    for segment in range(plan.segments):
        angle = np.radians(first_deg + (segment + 0.5) * plan.pitch_deg)
        out = np.array([np.cos(angle), np.sin(angle)])
        along = np.array([out[1], -out[0]])
        middle = (plan.outer_mm - plan.width_mm / 2.0) * out + rng.normal(0.0, 0.7, 2)
        digits = str(segment + 1)
        for place, digit in enumerate(digits):
            corner = middle + (1.4 * (place - len(digits) / 2.0) * along - out) * size
            for bar in _DIGITS[int(digit)]:
                ends = [
                    corner + (x * along + y * out) * size + rng.normal(0.0, 0.2, 2) for x, y in _BARS[bar]
                ]
                a, b = ((float(end[0]), float(end[1])) for end in ends)
                strokes.append(Stroke(a, b, 0.5))
    return tuple(strokes)


def _mended(faults: Faults, plan: Plan, rng: np.random.Generator) -> Faults:
    """Two segments set anew: their joints, and how far out they lie."""
    gap, radial, pitch = faults.gap_mm.copy(), faults.radial_mm.copy(), faults.pitch_deg.copy()
    for segment in rng.choice(plan.segments, 2, replace=False):
        radial[segment] += rng.uniform(-0.25, 0.25)
        pitch[segment] += np.degrees(rng.uniform(-0.25, 0.25) / plan.middle_radius_mm)
        gap[segment] = plan.gap_mm + rng.uniform(0.01, 0.08)
    return replace(faults, gap_mm=gap, radial_mm=radial, pitch_deg=pitch)


def _take(drawn: Drawn) -> Taken:
    try:
        report = check(drawn.photo, drawn.truth.plan)
    except LightgapError as error:
        return Taken(failure=error.message)
    place = np.mean(report.measurement.joints[0].place_px, axis=0)
    nearest = min(drawn.truth.joints, key=lambda joint: float(np.hypot(*(joint.middle_px - place))))
    kept = fingerprint(drawn.photo, report.measurement, report.plan).to_bytes()
    return Taken(kept, int(nearest.raw["index"]))


@dataclass(frozen=True)
class Pair:
    """What was said of one pair of pictures; ``right`` is None for two rings."""

    case: Case
    kind: str
    found: Match | None
    right: bool | None


def pairs_of(case: Case) -> list[Pair]:
    """Compare A before with A after, and B with both; None where a picture could not be measured."""

    def compare(first: Taken, second: Taken) -> Match | None:
        if first.failure or second.failure:
            return None
        return match(read_print(first.print_bytes), read_print(second.print_bytes))

    same = compare(case.before, case.after)
    right = same is not None and (same.turn, same.face_down) == (case.turn, False)
    return [
        Pair(case, "same", same, right),
        Pair(case, "other", compare(case.before, case.other), None),
        Pair(case, "other", compare(case.other, case.after), None),
    ]


def table(pairs: Sequence[Pair]) -> str:
    """What was said, by groups; and how far rings and strangers lie apart."""
    same = [pair for pair in pairs if pair.kind == "same"]
    other = [pair for pair in pairs if pair.kind == "other"]
    lines = [f"{'':<28}{'pairs':>6}{'sure':>6}{'likely':>8}{'not':>6}{'wrong turn':>12}{'not measured':>14}"]

    def row(name: str, group: Sequence[Pair]) -> None:
        said = [pair.found.sureness for pair in group if pair.found]
        wrong = sum(pair.right is not True for pair in group if pair.found and pair.found.sureness == "sure")
        counts = [said.count("sure"), said.count("likely"), said.count("not recognised")]
        lines.append(
            f"{name:<28}{len(group):>6}{counts[0]:>6}{counts[1]:>8}{counts[2]:>6}{wrong:>12}"
            f"{len(group) - len(said):>14}"
        )

    row("the same ring", same)
    groups: list[tuple[str, Callable[[Pair], bool]]] = [
        *((f"  cut: {cut}", lambda pair, cut=cut: pair.case.cut == cut) for cut in CUTS),  # type: ignore[misc]
        *(
            (f"  sanded {depth} mm", lambda pair, depth=depth: pair.case.sanded_mm == depth)  # type: ignore[misc]
            for depth in sorted({pair.case.sanded_mm for pair in pairs})
        ),
        ("  a phone that smears grain", lambda pair: pair.case.smeared),
        ("  closed joints", lambda pair: pair.case.plan.joint == "closed"),
    ]
    for name, belongs in groups:
        row(name, [pair for pair in same if belongs(pair)])
    row("another ring", other)
    for cut in CUTS:
        row(f"  cut: {cut}", [pair for pair in other if pair.case.cut == cut])
    by_grain = [
        [pair.found for pair in group if pair.found and pair.found.told_by == "grain"]
        for group in (same, other)
    ]
    lines += ["", f"{'score over strangers of':<28}{'at least':>10}{'same ring':>12}{'another ring':>14}"]
    for least in (3.0, 4.0, 5.0, 6.0, 8.0, 9.0, 12.0, 16.0, 24.0):
        shares = [np.mean([found.score >= least for found in group]) for group in by_grain]
        lines.append(f"{'':<28}{least:>10.0f}{shares[0]:>11.1%}{shares[1]:>13.1%}")
    scores = [sorted(found.score for found in group) for group in by_grain]
    lines.append(f"lowest of the same ring {scores[0][0]:.1f}, highest of another {scores[1][-1]:.1f}")
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=60)
    parser.add_argument("--processes", type=int, default=2)
    arguments = parser.parse_args()
    seeds = [1000 * arguments.seed + index for index in range(arguments.count)]
    with ProcessPoolExecutor(arguments.processes) as pool:
        cases = list(pool.map(make_case, seeds))
    print(table([pair for case in cases for pair in pairs_of(case)]))


if __name__ == "__main__":
    main()
