"""Check every photo of a folder whose truth is known, and print how far off the answers are.

    python tests/accuracy/photos.py FOLDER --pattern 'dev*' --out worst/

Truth files lie beside the photos as NAME.json. Time is that of reading and checking, over that of one
cv2.imdecode of the same file in the same run, one thread, warm; memory is the process's peak.
"""

from __future__ import annotations

import argparse
import resource
import sys
import time
import traceback
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

# So that the script runs from anywhere, without being installed.
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import cv2
import numpy as np

from accuracy.crops import save_crop
from accuracy.scoring import Row, Score, failed, score
from accuracy.tables import describe, errors_table, found_table, verdict_lines, worst_gaps
from accuracy.truth import Truth, read_truth
from lightgap.check import check
from lightgap.errors import LightgapError
from lightgap.photo import read_photo
from lightgap.plan import Plan, default_tolerance
from lightgap.report import Report

_DECODES = 3


def reference_of(truth: Truth) -> str:
    """The reference that the person would name."""
    if truth.reference == "cards":
        return "cards"
    if truth.reference == "sheet":
        return f"sheet:{truth.raw['reference']['size']}"
    return f"across-flats:{truth.measured_outer_mm}"


def plan_of(truth: Truth) -> Plan:
    """The plan that the person would enter, judged by the default tolerances of its joint style."""
    return replace(truth.plan, tolerance=default_tolerance(truth.plan.joint))


def run(truth: Truth, reference: str) -> tuple[Score, Report | None]:
    """Check one photo; a failure is part of the score."""
    data = truth.photo.read_bytes()
    decode = min(_timed_decode(data) for _ in range(_DECODES))
    started = time.perf_counter()
    try:
        report = check(read_photo(truth.photo), plan_of(truth), reference)
    except LightgapError as error:
        return failed(truth, error.message), None
    except Exception as error:  # a crash is a result too, and the other photos still count
        traceback.print_exc()
        return failed(truth, f"CRASH {type(error).__name__}: {error}"), None
    seconds = time.perf_counter() - started
    return score(truth, report, {"seconds": seconds, "decodes": seconds / decode}), report


def _timed_decode(data: bytes) -> float:
    started = time.perf_counter()
    cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    return time.perf_counter() - started


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--pattern", default="*", help="names of photos, such as 'dev*'")
    parser.add_argument("--auto", action="store_true", help="let the program find the reference by itself")
    parser.add_argument("--out", type=Path, help="folder for the worst ten joints as annotated crops")
    arguments = parser.parse_args()

    cv2.setNumThreads(1)
    truths = [read_truth(path) for path in sorted(arguments.folder.glob(arguments.pattern + ".json"))]
    if not truths:
        sys.exit(f"no truth file matches {arguments.pattern}.json in {arguments.folder}")
    reference: Callable[[Truth], str] = (lambda _: "auto") if arguments.auto else reference_of
    run(truths[0], reference(truths[0]))  # warm: imports and tables are loaded once
    scores = []
    for truth in truths:
        result, _ = run(truth, reference(truth))
        scores.append(result)
        print(".", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)

    rows = [row for item in scores for row in item.rows]
    print(
        found_table(
            scores, lambda item: f"{item.factors['seconds']:>8.2f} s{item.factors['decodes']:>6.0f} decodes"
        )
    )
    print("\n" + errors_table(rows))
    print("\n" + verdict_lines(scores))
    sizes = [100.0 * row.error / row.truth for row in rows if row.quantity == "across_flats_mm" and row.told]
    if sizes:
        print(
            f"across flats: rms {np.sqrt(np.mean(np.square(sizes))):.3f} %, worst {np.abs(sizes).max():.3f} %"
        )
    times = [item.factors["decodes"] for item in scores if item.factors]
    if times:
        print(f"time: {np.median(times):.0f} decodes (median), {max(times):.0f} (most)")
    print(f"peak memory: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")
    print("\nworst joints")
    for place, row in enumerate(worst_gaps(scores), 1):
        print(f"{place:>3}. {describe(row)}")
        if arguments.out:
            _save(arguments.out, place, row, truths, reference)


def _save(out: Path, place: int, row: Row, truths: list[Truth], reference: Callable[[Truth], str]) -> None:
    out.mkdir(parents=True, exist_ok=True)
    truth = next(item for item in truths if item.photo.name == row.photo)
    photo = read_photo(truth.photo)
    report = check(photo, plan_of(truth), reference(truth))
    save_crop(out / f"{place:02d}_{truth.photo.stem}_joint{row.number}.png", photo, truth, report, row)


if __name__ == "__main__":
    main()
