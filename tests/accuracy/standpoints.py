"""What several photos from different standpoints gain over one, on drawn rings of unequal height.

    python tests/accuracy/standpoints.py --seed 1 --count 4 --height 0.15

Each case is one ring, drawn from three standpoints and measured like any photos. One row for each photo and
each way to combine them: errors of gaps (rms, mm), median U, how often the truth lies within U, values too
close to call, wrong "in tolerance"; then the steps in height, beside those that were drawn.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np

from accuracy.maker import View, draw_ring
from accuracy.scoring import Row, score
from accuracy.shape import usual_faults
from accuracy.truth import Truth
from lightgap.asked import Asked
from lightgap.judge import Verdict
from lightgap.plan import Plan, default_tolerance
from lightgap.report import Report
from lightgap.shots import take
from lightgap.together import Shot, combine

VIEWS = (View(tilt_deg=6.0, tilt_from_deg=20.0), View(tilt_deg=9.0, tilt_from_deg=140.0))
VIEWS += (View(tilt_deg=11.0, tilt_from_deg=260.0),)
WAYS = ((0,), (1,), (2,), (0, 1), (1, 2), (0, 1, 2))

Case = list[tuple[Shot, Truth]]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=4)
    parser.add_argument("--height", type=float, default=0.15, help="of the segments' tops, mm, rms")
    parser.add_argument("--joint", choices=("closed", "spaced"), default="closed")
    options = parser.parse_args()
    plan = Plan(12, options.joint, 160.0, 30.0, 18.0, gap_mm=3.0 if options.joint == "spaced" else 0.0)
    plan = replace(plan, tolerance=default_tolerance(plan.joint))
    cases = [drawn(plan, options.seed + number, options.height) for number in range(options.count)]
    for way in WAYS:
        rows = [row for case in cases for row in score(case[way[0]][1], combined(case, way)).rows]
        print(f"{'+'.join(str(place + 1) for place in way):6} {told(rows)}")
    for case in cases:
        print([note for note in combined(case, WAYS[-1]).notes if "contradict" in note or "flat" in note])


def drawn(plan: Plan, seed: int, height_mm: float) -> Case:
    """Draw one ring from each standpoint and measure it there."""
    faults = usual_faults(plan, np.random.default_rng(seed), height_mm=height_mm)
    case = []
    for view in VIEWS:
        picture = draw_ring(plan, seed, faults=faults, view=view, reference="cards:3", first_deg=10.0)
        case.append((take(picture.photo, Asked(plan)), replace(picture.truth, plan=plan)))
    return case


def combined(case: Case, way: Sequence[int]) -> Report:
    return combine([case[place][0] for place in way]).report


def told(rows: Sequence[Row]) -> str:
    gaps = [row for row in rows if row.quantity == "gap_mm" and row.told]
    known = [row for row in gaps if np.isfinite(row.value)]
    error = np.sqrt(np.mean([row.error**2 for row in known]))
    wide = np.median([row.u95 for row in known])
    covered = np.mean([row.covered for row in gaps])
    close = sum(row.verdict is Verdict.CLOSE for row in gaps)
    wrong = sum(row.verdict is Verdict.IN and not row.inside for row in gaps)
    return (
        f"rms {error:.4f}  U {wide:.3f}  within U {covered:.3f}  of {len(gaps)}  close {close}  wrong {wrong}"
    )


if __name__ == "__main__":
    main()
