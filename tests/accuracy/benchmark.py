"""Draw a few hundred rings of known shape, check them, and print error, bias and coverage by factor.

    python tests/accuracy/benchmark.py --seed 1 --count 300 --out worst/

Tune on one seed, report on another. ``--factor tilt_deg`` prints the breakdown by that factor alone
(may be given again), ``--only 17`` runs a single case of the same matrix.
"""

from __future__ import annotations

import argparse
import math
import os
import sys
import time
import traceback
from collections import Counter
from collections.abc import Sequence
from multiprocessing import Pool
from pathlib import Path

# One thread per process: the work is shared out by picture.
os.environ["OMP_NUM_THREADS"] = "1"
os.environ["OPENBLAS_NUM_THREADS"] = "1"
# So that the script runs from anywhere, without being installed.
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import cv2
import numpy as np

from accuracy.bound import gap_bound_mm
from accuracy.crops import save_crop
from accuracy.matrix import FACTORS, Case, cases
from accuracy.photos import plan_of, reference_of
from accuracy.scoring import Row, Score, failed, score
from accuracy.tables import describe, errors_table, verdict_lines, worst_gaps
from lightgap.check import check
from lightgap.errors import LightgapError
from lightgap.judge import Verdict

_OPEN = ("open", "tapered")
_CLOSED = ("closed one wood", "closed two woods")
_FILLED = ("resin", "glue")


def run(case: Case) -> tuple[Score, dict[tuple[int, str, str | None], float]]:
    """Draw and check one case; return its score, and the bound of each gap and taper."""
    cv2.setNumThreads(1)
    drawn = case.draw()
    truth = drawn.truth
    factors = case.factors | {"seed": case.seed}
    started = time.perf_counter()
    try:
        report = check(drawn.photo, plan_of(truth), reference_of(truth))
    except LightgapError as error:
        return failed(truth, error.message, factors), {}
    except Exception as error:  # a crash is a result too, and the other cases still count
        traceback.print_exc()
        return failed(truth, f"CRASH {type(error).__name__}: {error}", factors), {}
    result = score(truth, report, factors | {"seconds": time.perf_counter() - started})
    bounds = {
        (row.number, row.quantity, row.place): gap_bound_mm(truth, row)
        for row in result.rows
        if row.quantity in ("gap_mm", "taper_deg")
    }
    return result, bounds


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--factor", action="append", choices=list(FACTORS), help="break down by this alone")
    parser.add_argument(
        "--only", type=int, action="append", help="index of a case to run alone (again for more)"
    )
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--out", type=Path, help="folder for the worst ten joints as crops, and their photos")
    arguments = parser.parse_args()

    matrix = cases(arguments.seed, arguments.count)
    if arguments.only:
        matrix = [matrix[index] for index in arguments.only]
    started = time.perf_counter()
    scores: list[Score] = []
    bounds: dict[tuple[str, int, str, str | None], float] = {}
    with Pool(arguments.processes) as pool:
        for done, (result, limits) in enumerate(pool.imap_unordered(run, matrix), 1):
            scores.append(result)
            bounds |= {(result.photo, *key): limit for key, limit in limits.items()}
            print(f"\r{done} of {len(matrix)}", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    scores.sort(key=lambda item: item.photo)
    minutes = (time.perf_counter() - started) / 60.0

    rows = [row for item in scores for row in item.rows]
    print(
        f"seed {arguments.seed}, {len(scores)} rings, {minutes:.1f} minutes, {arguments.processes} processes"
    )
    print(summary(scores))
    print("\n" + errors_table(rows))
    print("\n" + verdict_lines(scores))
    print("\n" + bound_table(rows, bounds))
    for factor in arguments.factor or FACTORS:
        print("\n" + factor_table(scores, factor))
    print("\nworst joints")
    for place, row in enumerate(worst_gaps(scores), 1):
        print(f"{place:>3}. {describe(row)}")
        if arguments.out:
            _save(arguments.out, place, row, matrix)


def summary(scores: Sequence[Score]) -> str:
    """Joints found and false, and what went wrong how often."""
    there = sum(item.joints for item in scores)
    lines = [
        f"joints there {there}, found {sum(item.found for item in scores)}, "
        f"false {sum(item.false for item in scores)}, "
        f"rings without a report {sum(item.failure is not None for item in scores)}"
    ]
    for message, count in Counter(item.failure for item in scores if item.failure).most_common():
        indices = [item.factors["seed"] % 100_000 for item in scores if item.failure == message]
        lines.append(f"  {count:>3} x {message} (cases {', '.join(map(str, indices[:12]))})")
    return "\n".join(lines)


def bound_table(rows: Sequence[Row], bounds: dict[tuple[str, int, str, str | None], float]) -> str:
    """Error over the Cramér-Rao bound, per class."""
    lines = ["error over the Cramér-Rao bound of the same blur, contrast, noise and length"]
    lines.append(
        f"{'class':<18}{'quantity':<12}{'place':<9}{'n':>6}"
        f"{'median bound':>14}{'usual ratio':>13}{'rms ratio':>11}"
    )
    for kind in (*_OPEN, *_CLOSED, *_FILLED):
        for quantity, place in (
            ("gap_mm", "inside"),
            ("gap_mm", "middle"),
            ("gap_mm", "outside"),
            ("taper_deg", None),
        ):
            pairs = [
                (row.error, bounds[row.photo, row.number, row.quantity, row.place])
                for row in rows
                if (row.kind, row.quantity, row.place) == (kind, quantity, place) and math.isfinite(row.error)
            ]
            if pairs:
                ratio = np.array([abs(error) / bound for error, bound in pairs])
                median = float(np.median([bound for _, bound in pairs]))
                lines.append(
                    f"{kind:<18}{quantity:<12}{place or '':<9}{len(pairs):>6}{median:>14.5f}"
                    f"{np.median(ratio) / 0.6745:>13.1f}{np.sqrt(np.mean(ratio**2)):>11.1f}"
                )
    return "\n".join(lines)


def factor_table(scores: Sequence[Score], factor: str) -> str:
    """Gap error, bias and coverage of open, closed and filled joints by the levels of one factor."""
    levels = sorted({item.factors[factor] for item in scores}, key=lambda level: (str(type(level)), level))
    head = f"{factor:<16}{'rings':>6}{'failed':>7}{'missed':>7}{'false':>6}"
    for name in ("open", "closed", "filled"):
        head += f" |{name + ' rms':>11}{'bias':>9}{'in U':>8}"
    lines = [head + " | taper rms   wrong in"]
    for level in levels:
        chosen = [item for item in scores if item.factors[factor] == level]
        rows = [row for item in chosen for row in item.rows]
        missed = sum(item.joints - item.found for item in chosen if item.failure is None)
        text = (
            f"{level!s:<16}{len(chosen):>6}{sum(item.failure is not None for item in chosen):>7}{missed:>7}"
        )
        text += f"{sum(item.false for item in chosen):>6}"
        for kinds in (_OPEN, _CLOSED, _FILLED):
            text += " |" + _cell([row for row in rows if row.kind in kinds and row.quantity == "gap_mm"])
        tapers = [row.error for row in rows if row.quantity == "taper_deg" and math.isfinite(row.error)]
        text += f" |{np.sqrt(np.mean(np.square(tapers))):>10.4f}" if tapers else f" |{'':>10}"
        lines.append(text + f"{sum(row.verdict is Verdict.IN and not row.inside for row in rows):>11}")
    return "\n".join(lines)


def _cell(rows: Sequence[Row]) -> str:
    errors = np.array([row.error for row in rows if math.isfinite(row.error)])
    told = [row for row in rows if row.told]
    if not errors.size:
        return f"{'':>28}"
    covered = 100.0 * sum(row.covered for row in told) / len(told)
    return f"{np.sqrt(np.mean(errors**2)):>11.4f}{errors.mean():>+9.4f}{covered:>6.1f} %"


def _save(out: Path, place: int, row: Row, matrix: Sequence[Case]) -> None:
    out.mkdir(parents=True, exist_ok=True)
    case = next(case for case in matrix if row.photo.startswith(f"case{case.seed}."))
    drawn = case.draw()
    report = check(drawn.photo, plan_of(drawn.truth), reference_of(drawn.truth))
    drawn.save(out)
    save_crop(
        out / f"{place:02d}_case{case.seed}_joint{row.number}.png", drawn.photo, drawn.truth, report, row
    )


if __name__ == "__main__":
    main()
