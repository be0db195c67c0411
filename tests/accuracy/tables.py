"""The tables that the photo run and the benchmark print."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence

import numpy as np

from accuracy.scoring import Row, Score
from lightgap.judge import Verdict

KINDS = (
    "open",
    "tapered",
    "closed one wood",
    "closed two woods",
    "resin",
    "glue",
    "blocked",
    "squeeze-out",
    "segment",
    "ring",
)
QUANTITIES = (
    "gap_mm",
    "taper_deg",
    "pitch_error_deg",
    "skew_deg",
    "included_angle_deg",
    "mitre_deg",
    "outer_length_mm",
    "radial_offset_mm",
    "twist_deg",
    "across_flats_mm",
)
FAR_MM = 0.05
"""A joint further than this from a limit should seldom be too close to call."""


def errors_table(rows: Sequence[Row]) -> str:
    """Error, bias, worst, and coverage per class, quantity and place."""
    lines = [
        f"{'class':<18}{'quantity':<20}{'place':<9}{'n':>6}{'told':>6}{'below':>6}"
        f"{'rms':>9}{'bias':>9}{'95 %':>9}{'worst':>9}{'within U':>10}{'median U':>10}"
    ]
    for kind in KINDS:
        for quantity in QUANTITIES:
            for place in ("inside", "middle", "outside", "start", "end", None):
                chosen = [
                    row
                    for row in rows
                    if (row.kind, row.quantity, row.place) == (kind, quantity, place)
                    and math.isfinite(row.truth)
                ]
                if chosen:
                    lines.append(f"{kind:<18}{quantity:<20}{place or '':<9}{_figures(chosen)}")
    return "\n".join(lines)


def _figures(rows: Sequence[Row]) -> str:
    told = [row for row in rows if row.told]
    below = sum(math.isfinite(row.below) for row in rows)
    errors = np.array([row.error for row in rows if math.isfinite(row.error)])
    text = f"{len(rows):>6}{len(told):>6}{below:>6}"
    if errors.size:
        rms = float(np.sqrt(np.mean(errors**2)))
        size = np.abs(errors)
        text += f"{rms:>9.4f}{errors.mean():>+9.4f}{np.percentile(size, 95):>9.4f}{size.max():>9.4f}"
    else:
        text += f"{'':>36}"
    if told:
        share = sum(row.covered for row in told) / len(told)
        spans = [row.u95 for row in told if math.isfinite(row.u95)]
        text += f"{100.0 * share:>8.1f} %{np.median(spans):>10.4f}" if spans else f"{100.0 * share:>8.1f} %"
    return text


def verdict_lines(scores: Sequence[Score]) -> str:
    """Wrong verdicts, and how often it is too close to call."""
    rows = [row for score in scores for row in score.rows]
    judged = [row for row in rows if row.verdict is not None and math.isfinite(row.truth)]
    wrong_in = [row for row in judged if row.verdict is Verdict.IN and not row.inside]
    wrong_out = [row for row in judged if row.verdict is Verdict.OUT and row.inside]
    lines = [
        f"values judged {len(judged)}: wrong 'in tolerance' {len(wrong_in)}, "
        f"wrong 'out of tolerance' {len(wrong_out)}, "
        f"not measured {sum(row.verdict is Verdict.UNMEASURED for row in judged)}"
    ]
    lines += [f"  wrong 'in': {describe(row)}" for row in wrong_in[:20]]
    lines += [f"  wrong 'out': {describe(row)}" for row in wrong_out[:20]]
    gaps = _by_joint(row for row in judged if row.quantity == "gap_mm")
    if gaps:
        far = [joint for joint in gaps if min(row.to_limit for row in joint) > FAR_MM]
        lines.append(
            f"joints too close to call by their gap: {_share_close(gaps)}; "
            f"of those over {FAR_MM} mm from a limit: {_share_close(far)}"
        )
    everything = _by_joint(row for row in judged if row.kind not in ("segment", "ring"))
    segments = _by_joint(row for row in judged if row.kind == "segment")
    if everything:
        lines.append(f"joints too close to call by any of their values: {_share_close(everything)}")
    if segments:
        lines.append(f"segments too close to call by any of their values: {_share_close(segments)}")
    return "\n".join(lines)


def _by_joint(rows: Iterable[Row]) -> list[list[Row]]:
    groups: dict[tuple[str, int], list[Row]] = {}
    for row in rows:
        groups.setdefault((row.photo, row.number), []).append(row)
    return list(groups.values())


def _share_close(groups: Sequence[Sequence[Row]]) -> str:
    """Share of groups that are undecided: something close, and nothing out."""
    if not groups:
        return "none"
    close = 0
    for group in groups:
        verdicts = {row.verdict for row in group}
        close += Verdict.CLOSE in verdicts and Verdict.OUT not in verdicts
    return f"{close} of {len(groups)} ({100.0 * close / len(groups):.1f} %)"


def found_table(scores: Sequence[Score], extra: Callable[[Score], str] = lambda _: "") -> str:
    """One line per photo: joints there, found, false, gap rms, or why there is no report."""
    width = max((len(score.photo) for score in scores), default=10) + 2
    lines = [f"{'photo':<{width}}{'there':>6}{'found':>6}{'false':>6}{'gap rms':>9}{'worst':>8}"]
    for score in scores:
        if score.failure is not None:
            lines.append(f"{score.photo:<{width}}{score.joints:>6}     -     -  failed: {score.failure}")
            continue
        errors = np.array(
            [row.error for row in score.rows if row.quantity == "gap_mm" and math.isfinite(row.error)]
        )
        gap = (
            f"{np.sqrt(np.mean(errors**2)):>9.3f}{np.abs(errors).max():>8.3f}" if errors.size else f"{'':>17}"
        )
        lines.append(
            f"{score.photo:<{width}}{score.joints:>6}{score.found:>6}{score.false:>6}{gap}{extra(score)}"
        )
    there = sum(score.joints for score in scores)
    failures = sum(score.failure is not None for score in scores)
    lines.append(
        f"{len(scores)} photos, {failures} failed; joints there {there}, "
        f"found {sum(score.found for score in scores)}, false {sum(score.false for score in scores)}"
    )
    return "\n".join(lines)


def describe(row: Row) -> str:
    """One value in one line."""
    value = f"below {row.below:.3f}" if math.isfinite(row.below) else f"{row.value:.3f} +- {row.u95:.3f}"
    where = f"{row.kind} {row.number} {row.quantity} {row.place or ''}".rstrip()
    limits = f", limits {row.lower:.3f} to {row.upper:.3f}" if row.verdict is not None else ""
    return f"{row.photo}: {where}: {value}, truth {row.truth:.3f}{limits}{', flagged' if row.flagged else ''}"


def worst_gaps(scores: Sequence[Score], count: int = 10) -> list[Row]:
    """The joints whose gap is furthest off, each once, the worst first."""
    rows = [row for score in scores for row in score.rows if row.quantity == "gap_mm"]
    chosen: dict[tuple[str, int], Row] = {}
    for row in sorted((row for row in rows if math.isfinite(row.miss)), key=lambda row: -row.miss):
        chosen.setdefault((row.photo, row.number), row)
    return list(chosen.values())[:count]
