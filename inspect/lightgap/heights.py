"""How unequal the heights of a ring's segments are, told by photos from different positions.

A step in height between the two segments of a joint moves their faces apart, or together, by the step times
the lean of the view (`lightgap.faces.site.heights_mm`). Two photos that lean apart so differ in the gap by
the step times what they lean apart: that gives the step, and how unequal the whole ring is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lightgap.faces.site import HEIGHT_STANDARD_MM
from lightgap.mean import HEIGHTS, correlation, number_of, parts_of
from lightgap.measure import Measurement
from lightgap.show.words import joined
from lightgap.values import Below, Measured, Unknown, Value, measured

Array = NDArray[np.float64]

_USUAL_STEP_MM = float(np.sqrt(2.0)) * HEIGHT_STANDARD_MM
"""Standard deviation of the steps that every single photo allows for."""
_ELSE_MM = 0.05
"""Standard uncertainty of a step by what else sets two photos apart: rounded edges seen from two sides, the
camera's place. The steps of drawn rings were off by 0.056 mm rms."""
_FEWEST_JOINTS = 6
"""With fewer a median tells little."""
_LEAST_STEP_MM = 0.15
"""Steps that are surely higher are told: sanding takes them off."""
_MOST_TOLD = 3


@dataclass(frozen=True)
class Steps:
    """Steps in height between neighbouring segments.

    Attributes
    ----------
    segments : int
    ratio : float
        How many times higher than usual they are; at least 1, for a flat ring is not to be proved.
    by_joint : mapping of joint number to Value
        Height of the segment after the joint less that of the one before it, mm; of the joints that photos
        from both sides show.
    """

    segments: int
    ratio: float
    by_joint: dict[int, Value]


def find_steps(measurements: Sequence[Measurement], leans: Array) -> Steps:
    """Find the steps in height from measurements of several photos that count alike.

    The ratio is that of the median over the joints: one joint that a photo got wrong tells nothing of the
    others.

    Parameters
    ----------
    leans : ndarray of 1 and -1, shape (photos, N)
        1 where the camera stood clockwise of the joint.
    """
    by_joint, noises = dict[int, Value](), list[float]()
    for index, row in enumerate(zip(*(each.joints for each in measurements), strict=True)):
        step = _step([joint.gap_middle_mm for joint in row], leans[:, index])
        if step is not None:
            by_joint[row[0].number], noise = step
            noises.append(noise)
    count = len(measurements[0].joints)
    if len(by_joint) < _FEWEST_JOINTS:
        return Steps(count, 1.0, by_joint)
    spread = 1.4826 * float(np.median([abs(step.value) for step in by_joint.values()]))
    variance = spread**2 - float(np.median(noises)) ** 2
    return Steps(count, float(np.sqrt(max(variance / _USUAL_STEP_MM**2, 1.0))), by_joint)


def _step(gaps: Sequence[Measured], leans: Array) -> tuple[Value, float] | None:
    """The step at one joint, by the two photos that lean most apart; and its noise.

    What photos share makes a step surer than if they were independent, but how much they share is only a
    good guess: it serves for the noise, which makes the ring seem flatter, not for the step's own U.
    """
    known = [photo for photo, gap in enumerate(gaps) if not isinstance(gap, Unknown)]
    told = [gap for gap in gaps if not isinstance(gap, Unknown)]
    if len(told) < 2:
        return None
    parts = parts_of(told)
    lean = parts.pop(HEIGHTS, np.zeros(len(told))) * leans[known] / _USUAL_STEP_MM
    low, high = int(np.argmin(lean)), int(np.argmax(lean))
    span = float(lean[high] - lean[low])
    if span <= 0.0:
        return None
    lever = np.zeros(len(told))
    lever[[low, high]] = 1.0 / span, -1.0 / span
    noise = sum(
        float(lever @ (np.outer(part, part) * correlation(name, None, len(told))) @ lever)
        for name, part in parts.items()
    )
    budget = {name: float(np.linalg.norm(lever * part)) for name, part in parts.items()}
    step = float(lever @ np.array([number_of(gap) for gap in told]))
    return measured(step, {**budget, "what else sets photos apart": _ELSE_MM}), float(np.sqrt(noise))


def with_heights(measurement: Measurement, ratio: float) -> Measurement:
    """Let the gaps' budgets allow for steps so many times higher than usual."""
    joints = tuple(
        replace(
            joint,
            gap_inside_mm=_with_heights(joint.gap_inside_mm, ratio),
            gap_middle_mm=_with_heights(joint.gap_middle_mm, ratio),
            gap_outside_mm=_with_heights(joint.gap_outside_mm, ratio),
        )
        for joint in measurement.joints
    )
    return replace(measurement, joints=joints)


def _with_heights(value: Measured, ratio: float) -> Measured:
    if isinstance(value, Unknown):
        return value
    budget = tuple(
        replace(part, standard=part.standard * (ratio if part.name == HEIGHTS else 1.0))
        for part in value.budget
    )
    if isinstance(value, Value):
        return replace(value, budget=budget)
    return Below(number_of(value) + Value(0.0, budget).u95, budget)


def say_steps(steps: Steps) -> list[str]:
    """Say which segments surely stand higher than their neighbours, the highest step first."""
    sure = {
        joint: step for joint, step in steps.by_joint.items() if abs(step.value) - step.u95 > _LEAST_STEP_MM
    }
    if not sure:
        return []
    count = steps.segments
    told = []
    for joint in sorted(sure, key=lambda joint: -abs(sure[joint].value))[:_MOST_TOLD]:
        before, after = (joint - 2) % count + 1, joint
        high, low = (after, before) if sure[joint].value > 0.0 else (before, after)
        height = f"{abs(sure[joint].value):.2f} ± {sure[joint].u95:.2f} mm"
        told.append(f"segment {high} stands {height} above segment {low}")
    more = f", and {len(sure) - _MOST_TOLD} more" if len(sure) > _MOST_TOLD else ""
    return [
        f"The top is not flat: {joined(told)}{more}. From one side such a step looks like a gap, from the "
        "other it hides one: sand the ring flat, then photograph it again."
    ]
