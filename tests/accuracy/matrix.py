"""The benchmark's matrix: seeded rings whose factors vary independently and evenly.

Every factor's levels are dealt out like cards, so that each level comes up equally often and no two
factors go together by more than chance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from accuracy.look import Bench, Light, Look, Wood
from accuracy.maker import Drawn, View, boards_of, draw_ring, place_camera
from accuracy.phone import Phone
from accuracy.shape import Faults, Filling, usual_faults
from lightgap.plan import JointStyle, Plan

FACTORS: dict[str, Sequence[Any]] = {
    "style": ("closed", "closed", "closed", "spaced", "spaced", "tapered", "resin", "glue"),
    "segments": (6, 8, 12, 12, 16, 18, 24, 36, 48),
    "outline": ("polygon", "polygon", "polygon", "round"),
    "wood": ("oak", "maple", "walnut", "cherry", "ash/padauk", "beech/walnut", "maple/ash"),
    "bench": ("white", "grey", "kraft", "tan", "black", "green"),
    "figure": (0.05, 0.12, 0.2),
    "grain_turn_deg": (0.0, 0.0, 0.0, 30.0, 60.0, 90.0),
    "arris_mm": (0.0, 0.0, 0.05, 0.1, 0.2),
    "height_mm": (0.0, 0.05, 0.15),
    "light": ("soft", "lamp", "low lamp", "shadow"),
    "blur_px": (0.6, 0.8, 1.1),
    "corner_blur": (1.0, 1.4, 2.0),
    "fringe": (0.0, 0.0003, 0.0006),
    "full_well": (20000.0, 6000.0, 2000.0),
    "denoise": (0.0, 0.0, 0.04),
    "sharpen": (0.0, 0.0, 0.5, 1.0),
    "contrast": (0.0, 0.1, 0.2),
    "quality": (95, 88, 75),
    "subsample": (True, True, False),
    "tilt_deg": (0.0, 4.0, 8.0, 15.0, 25.0),
    "k1": (-0.02, 0.0, 0.02),
    "mm_per_px": (0.05, 0.07, 0.1, 0.1, 0.14, 0.2),
    "reference": ("cards:1", "cards:2", "cards:3", "cards:4", "sheet:A4", "none"),
}
"""Levels of every factor; a level that stands twice comes up twice as often."""

LEAST_MEGAPIXELS, MOST_MEGAPIXELS = 1.5, 5.0


@dataclass(frozen=True, eq=False)
class Case:
    """One drawn ring of the matrix; ``factors`` are its levels, as they were used."""

    seed: int
    plan: Plan
    faults: Faults
    look: Look
    view: View
    phone: Phone
    reference: str
    factors: dict[str, Any]

    def draw(self) -> Drawn:
        """Draw the picture."""
        return draw_ring(
            self.plan,
            self.seed,
            faults=self.faults,
            look=self.look,
            view=self.view,
            phone=self.phone,
            reference=self.reference,
            name=f"case{self.seed}",
        )


def cases(seed: int, count: int) -> list[Case]:
    """Deal out the matrix."""
    rng = np.random.default_rng(seed)
    dealt = {name: _deal(levels, count, rng) for name, levels in FACTORS.items()}
    return [
        _case(seed * 100_000 + index, {name: levels[index] for name, levels in dealt.items()}, child)
        for index, child in enumerate(rng.spawn(count))
    ]


def _deal(levels: Sequence[Any], count: int, rng: np.random.Generator) -> list[Any]:
    deck = [level for _ in range(-(-count // len(levels))) for level in levels]
    return [deck[index] for index in rng.permutation(len(deck))[:count]]


def _case(seed: int, factors: dict[str, Any], rng: np.random.Generator) -> Case:
    plan = _plan(factors, rng)
    view = View(
        mm_per_px=factors["mm_per_px"],
        tilt_deg=factors["tilt_deg"],
        tilt_from_deg=float(rng.uniform(0.0, 360.0)),
        roll_deg=float(rng.uniform(0.0, 360.0)),
        f35=float(rng.uniform(24.0, 30.0)),
        k1=factors["k1"],
        off_centre_px=(float(rng.normal(0.0, 8.0)), float(rng.normal(0.0, 8.0))),
    )
    reference = _reference_that_fits(factors["reference"], plan)
    # Pictures of moderate size keep the benchmark quick: every other one keeps its scale and gives up
    # its cards, the others keep their cards and are coarser.
    if seed % 2:
        for fewer in ("cards:1", "none"):
            if _megapixels(plan, view, reference) > MOST_MEGAPIXELS:
                reference = fewer
    size = _megapixels(plan, view, reference)
    stretch = np.sqrt(max(size / MOST_MEGAPIXELS, min(size / LEAST_MEGAPIXELS, 1.0)))
    view = replace(view, mm_per_px=view.mm_per_px * float(stretch))
    factors = factors | {"reference": reference, "mm_per_px": _scale_class(view)}
    return Case(
        seed,
        plan,
        _faults(factors, plan, rng),
        _look(factors, rng),
        view,
        _phone(factors),
        reference,
        factors,
    )


_GLUES = ((0.55, 0.45, 0.25), (0.75, 0.72, 0.60), (0.20, 0.13, 0.07))
_RESINS = ((0.03, 0.09, 0.35), (0.02, 0.02, 0.02), (0.50, 0.38, 0.20), (0.60, 0.60, 0.58))
_SCALES = {"0.05 to 0.065": 0.065, "to 0.09": 0.09, "to 0.12": 0.12, "to 0.16": 0.16, "over 0.16": np.inf}


def _scale_class(view: View) -> str:
    """Where the scale falls, for the table."""
    return next(name for name, limit in _SCALES.items() if view.mm_per_px <= limit)


def _plan(factors: dict[str, Any], rng: np.random.Generator) -> Plan:
    segments = factors["segments"]
    across_flats = float(np.clip(8.0 * segments + rng.uniform(-10.0, 30.0), 90.0, 300.0))
    width = float(np.clip(rng.uniform(0.15, 0.24) * across_flats, 15.0, 40.0))
    # A gap leaves at least three quarters of the inner edge as wood.
    room = 0.25 * np.pi * (across_flats - 2.0 * width) / segments
    gap = float(min(rng.uniform(1.0, 4.0), room))
    style = factors["style"]
    styles: dict[str, tuple[JointStyle, float, float]] = {
        "spaced": ("spaced", gap, 0.0),
        "resin": ("spaced", gap, 0.0),
        "tapered": ("tapered", gap, float(rng.choice([-1.0, 1.0]) * min(1.5, np.degrees(gap / width)))),
    }
    joint, gap_mm, gap_deg = styles.get(style, ("closed", 0.0, 0.0))
    thickness = float(rng.uniform(12.0, 24.0))
    return Plan(
        segments,
        joint,
        round(across_flats, 1),
        round(width, 1),
        round(thickness, 1),
        gap_mm=round(gap_mm, 2),
        gap_deg=round(gap_deg, 2),
        outline=factors["outline"],
    )


def _reference_that_fits(reference: str, plan: Plan) -> str:
    """A ring that does not lie on an A4 sheet gets cards instead."""
    return "cards:2" if reference == "sheet:A4" and 2.0 * plan.joint_radii_mm[1] > 190.0 else reference


def _megapixels(plan: Plan, view: View, reference: str) -> float:
    """About how large the picture gets: the cards may lie a little otherwise."""
    boards, _ = boards_of(reference, plan, view, np.random.default_rng(0))
    projection, _ = place_camera(plan, view, [board.white for board in boards])
    return projection.width * projection.height / 1e6


def _faults(factors: dict[str, Any], plan: Plan, rng: np.random.Generator) -> Faults:
    faults = usual_faults(plan, rng, height_mm=factors["height_mm"])
    count, style = plan.segments, factors["style"]
    gap, fillings, squeezed = faults.gap_mm.copy(), {}, set()
    if plan.joint == "closed":
        gap = np.exp(rng.uniform(np.log(0.02), np.log(0.8), count))
        faults = replace(faults, pitch_deg=faults.pitch_deg + rng.normal(0.0, 0.02, count))
        if rng.uniform() < 0.3:
            squeezed.add(int(rng.integers(count)))
    elif style != "resin" and rng.uniform() < 0.3:
        low, high = plan.joint_radii_mm
        start = rng.uniform(low + 0.1 * (high - low), low + 0.5 * (high - low))
        block = Filling(
            "glue", (start, start + 0.35 * (high - low)), (0.45, 0.33, 0.18), rng.uniform(0.2, 2.0)
        )
        fillings[int(rng.integers(count))] = block
    if style == "glue":
        glued = rng.choice(count, max(2, count // 3), replace=False)
        colour = _GLUES[rng.integers(len(_GLUES))]
        for joint in map(int, glued):
            gap[joint] = rng.uniform(0.15, 0.8)
            fillings[joint] = Filling("glue", None, colour, 0.0, 0.04, rng.uniform(0.5, 1.0))
    elif style == "resin":
        colour = _RESINS[rng.integers(len(_RESINS))]
        sunk = float(rng.choice([0.0, 0.0, 0.2]))
        for joint in range(count):
            gloss = 0.5 * float(rng.uniform() < 0.15)
            fillings[joint] = Filling("resin", None, colour, sunk, 0.06, rng.uniform(0.6, 1.0), gloss)
    # Faces may not cross: the taper is at most what the gap leaves.
    widest = 0.9 * np.degrees(2.0 * gap / plan.width_mm)
    return replace(
        faults,
        gap_mm=gap,
        taper_deg=np.clip(faults.taper_deg, -widest, widest),
        fillings=fillings,
        squeeze_out=frozenset(squeezed),
    )


def _look(factors: dict[str, Any], rng: np.random.Generator) -> Look:
    lamp = float(rng.uniform(0.0, 360.0))
    light = {
        "soft": Light(lamp, 0.4, 0.3, 0.8, 0.05),
        "lamp": Light(lamp, 0.7, 0.6, 0.25, 0.1),
        "low lamp": Light(lamp, 1.6, 0.7, 0.1, 0.2),
        "shadow": Light(lamp, 0.8, 0.6, 0.2, 0.1, shadow_edge_mm=float(rng.uniform(-20.0, 20.0))),
    }[factors["light"]]
    wood = Wood(
        tuple(factors["wood"].split("/")),
        factors["figure"],
        factors["grain_turn_deg"],
        arris_mm=factors["arris_mm"],
    )
    return Look(wood, light, Bench(factors["bench"]))


def _phone(factors: dict[str, Any]) -> Phone:
    return Phone(
        blur_px=factors["blur_px"],
        corner_blur=factors["corner_blur"],
        red_scale=1.0 - factors["fringe"],
        blue_scale=1.0 + factors["fringe"],
        vignette=0.15,
        full_well=factors["full_well"],
        denoise=factors["denoise"],
        sharpen=factors["sharpen"],
        contrast=factors["contrast"],
        quality=factors["quality"],
        subsample=factors["subsample"],
    )
