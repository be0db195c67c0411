"""Open and filled joints of a ring: both edges, what lies between, the lamp, their budgets."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lightgap.faces.bench_end import fit_bench_end
from lightgap.faces.blur import Response
from lightgap.faces.gap import GapView, view_gap
from lightgap.faces.grain_end import follow_grain, grain_costs
from lightgap.faces.joint import FaceLine, JointFaces, Side
from lightgap.faces.lamp import Lines, WallSight, possible_lines
from lightgap.faces.long_grain import widened
from lightgap.faces.odd import odd_faces
from lightgap.faces.open import EdgeFit, SoughtLine, fit_edge, seek_lines
from lightgap.faces.site import NOISE_FACTOR, Site, heights_mm, taper_deg, uneven_deg, unmeasured
from lightgap.faces.strip import Strip
from lightgap.faces.tinted import fit_tinted_edge, look_beyond, seek_seam
from lightgap.faces.tinted_band import NARROW_PX, fit_tinted_band
from lightgap.faces.which import Choice, JointPlaces, choose_lines
from lightgap.plan import Plan
from lightgap.values import Contribution

Array = NDArray[np.float64]
Edges = tuple[EdgeFit, ...]
Start = tuple[float, float]
"""Where an edge is sought: v = offset, mm, + slope * u."""

_PROCESSING_PX = 0.08
_CLEAR_BLURS, _LEAST_ROOM_PX = 1.5, 2.5
"""How far before the next line an edge's window ends, and how far it reaches at least."""
_SAME_PX, _AGAINST_BENCH = 2.0, 6.0
"""Where the bench's hue ends, and what it says against every other line: it is wrong 1 in 20 times."""
_BLOCKED_MARGIN_MM = 1.5
_DOUBT_MM = 0.04
_LEAST_OPEN_SHARE = 0.15
"""Edges that nearly touch, where the search saw a gap, are no two faces."""
_FARTHEST_MM = 1.5
"""Edges so much farther apart than the search saw them are not this joint's."""
_ALIKE_SHARE = 0.7
"""What a filling does to one edge it does, more or less, to the other too."""
_ROUNDED_STANDARD_MM = 0.02
"""A ring sanded flat has crisp upper edges; handled and dusted with paper they are broken by 0 to 0.05 mm
each (common practice, no source). A third of either lies in the slot's shadow, looks like a sharp edge
further out, and goes into the gap. Edges broken by more show in no profile, but in all gaps alike."""
_ROUNDED_SHARE, _FEWEST_GAPS = 0.8, 4
"""Of what all gaps have over the plan's: it may all be rounded edges. Set on drawn rings, seeds 501 to 503,
for which 0.6 covers 92 % and 1 covers 94 %."""
_ROUNDED_ALONG = 0.25
"""How unevenly along a joint edges that are rounded so much are lit, and so look wider."""
_FILLED_ROUNDED_STANDARD_MM = 0.015


def measure_open(fits: list[OpenFits], plan: Plan, response: Response) -> list[JointFaces]:
    """Let the walls of all open joints tell where a lit strip hides an edge, then finish them."""
    walls = [wall for fit in fits for wall in fit.walls()]
    blur_px = float(np.median([fit.site.blur_px for fit in fits])) if fits else 1.0
    by_wall = possible_lines(walls, blur_px)
    seen = [fit.lit(a, b) for fit, a, b in zip(fits, by_wall[::2], by_wall[1::2], strict=True)]
    lines = [
        lines
        for fit, a, b in zip(seen, by_wall[::2], by_wall[1::2], strict=True)
        for lines in (_in_mm(a, fit.edges_a, 1.0), _in_mm(b, fit.edges_b, -1.0))
    ]
    lines = _with_grain(seen, lines, by_wall, blur_px)
    choices = choose_lines([fit.places for fit in seen], lines, plan.segments)
    moved = [fit.moved(a, b) for fit, a, b in zip(seen, choices[::2], choices[1::2], strict=True)]
    odd = odd_faces([fit.places for fit in moved], plan.segments)
    rounded = float(np.hypot(_ROUNDED_STANDARD_MM, _ROUNDED_SHARE * over_plan_mm(moved, plan)))
    fits = _with_long_grain(moved)
    return [fit.finish(doubt, plan, response, rounded) for fit, doubt in zip(fits, odd, strict=True)]


def _with_long_grain(fits: list[OpenFits]) -> list[OpenFits]:
    edges = [edge for fit in fits for edge in (fit.a, fit.b)]
    covariances = widened([edge.covariance for edge in edges], [edge.by_sections for edge in edges])
    wider = [
        replace(edge, covariance=covariance) for edge, covariance in zip(edges, covariances, strict=True)
    ]
    return [
        replace(fit, edges_a=(a,), edges_b=(b,))
        for fit, a, b in zip(fits, wider[::2], wider[1::2], strict=True)
    ]


def over_plan_mm(fits: list[OpenFits], plan: Plan) -> float:
    """How much wider the ring's open gaps usually look than planned, 0 if they do not.

    One set of spacers makes them all; what all have too much is the spacers', or rounded edges that look so.
    """
    gaps = [fit.places.gap_mm for fit in fits if fit.view.kind == "open"]
    if plan.joint == "closed" or len(gaps) < _FEWEST_GAPS:
        return 0.0
    return max(float(np.median(gaps)) - plan.gap_mm, 0.0)


def _in_mm(strips: Lines, edges: Edges, sign: float) -> Lines:
    """The lines below the surest edge, then the other edges, mm clockwise of it."""
    surest, *others = edges
    shifts = [edge.at_middle_mm - surest.at_middle_mm for edge in others]
    return Lines(
        np.append(sign * strips.shift / surest.px_per_mm, shifts),
        np.append(strips.cost, [strips.cost[0] + edge.against for edge in others]),
    )


def _with_grain(
    fits: list[OpenFits], lines: list[Lines], by_wall: list[Lines], blur_px: float
) -> list[Lines]:
    """Add what the grain has against each line, mm clockwise; where a wall is hidden it shows how it ends."""
    edges = [(edge, sign) for fit in fits for edge, sign in ((fit.a, 1.0), (fit.b, -1.0))]
    shifts = [sign * edge.px_per_mm * line.shift for (edge, sign), line in zip(edges, lines, strict=True)]
    sure = np.array([strips.shift.size == 1 for strips in by_wall])
    costs = grain_costs([edge.grain for edge, _ in edges], sure, blur_px, shifts)
    return [replace(line, cost=line.cost + cost) for line, cost in zip(lines, costs, strict=True)]


def fit_open(
    strip: Strip, site: Site, plan: Plan, slot: dict[Side, SoughtLine] | None = None
) -> JointFaces | OpenFits:
    """Fit both edges of a joint, each alone.

    Parameters
    ----------
    slot : dict, optional
        The edges of a dark slot too narrow to look into, where they have been seen already.
    """
    gap = site.tooth.gap_mm or plan.gap_mm
    taper = float(np.tan(np.radians(0.5 * plan.gap_deg)))
    view = view_gap(strip, site, 0.5 * gap, taper) if slot is None else GapView("open", None)
    if view.hidden_mm is not None:
        low, high = view.hidden_mm[0] - _BLOCKED_MARGIN_MM, view.hidden_mm[1] + _BLOCKED_MARGIN_MM
        strip = strip.part((strip.u < low) | (strip.u > high))
    gap_px = gap * site.px_per_mm
    if view.kind == "resin" and gap_px < NARROW_PX:
        band = fit_tinted_band(strip, gap, site)
        if band is not None:
            return OpenFits(site, view, (band.a,), (band.b,), gap, band.standard_mm)
    starts: dict[Side, Start] = {"a": (-0.5 * gap, -taper), "b": (0.5 * gap, taper)}
    edges: dict[Side, Edges] = {}
    filling_mm = 0.0
    for side, start in starts.items():
        if view.kind == "resin":
            found, unsure_mm = _filled_edges(strip, side, start, site, gap_px)
            filling_mm += _ALIKE_SHARE * unsure_mm
        else:
            lines = seek_lines(strip, start, site.u_range) if slot is None else [slot[side]]
            found = _slot_edges(strip, side, lines, site, gap_px)
        if not found:
            return unmeasured(site, plan, "one of its two edges could not be fitted")
        edges[side] = found
    return OpenFits(site, view, edges["a"], edges["b"], gap, filling_mm)


def _slot_edges(strip: Strip, side: Side, lines: list[SoughtLine], site: Site, gap_px: float) -> Edges:
    """Fit an edge of a slot, which nothing fills, at every line that it could be.

    A line beside the surest counts where its fit came to rest: of those that did not, 4 in 100 lay within
    0.15 mm of the edge, of the others 3 in 4 (drawn rings, seed 303).
    """
    wall_px = site.wall_mm(side, lines[0].offset_mm) * site.px_per_mm
    fits = (
        fit_edge(
            line,
            strip,
            side,
            site.u_range,
            site.blur_px,
            min(gap_px, _room_px(line, lines, side, site)),
            wall_px=wall_px,
        )
        for line in lines
    )
    edges = tuple(fit for fit in fits if fit is not None)
    if not edges:
        return ()
    surest, *others = edges
    edges = (surest, *(edge for edge in others if edge.converged))
    bench = fit_bench_end(strip, side, surest, site, gap_px)
    if bench is not None:
        edges = _with_bench(edges, bench)
    surest, *others = edges
    line = surest.at_middle_mm, surest.slope
    grain = follow_grain(strip, side, line, site.u_range, site.grain_deg)
    return replace(surest, grain=grain), *others


def _with_bench(edges: Edges, bench: EdgeFit) -> Edges:
    """Put the line where the bench's hue ends first, or the line of brightness that lies there."""
    apart_px = [abs(edge.at_middle_mm - bench.at_middle_mm) * edge.px_per_mm for edge in edges]
    nearest = int(np.argmin(apart_px))
    is_there = apart_px[nearest] < _SAME_PX
    first = replace(edges[nearest], against=0.0) if is_there else bench
    others = [edge for index, edge in enumerate(edges) if not (is_there and index == nearest)]
    return first, *(replace(edge, against=edge.against + _AGAINST_BENCH) for edge in others)


def _room_px(line: SoughtLine, lines: list[SoughtLine], side: Side, site: Site) -> float:
    """Twice what is seen of the gap before the next line in it: a fit that sees both takes the stronger."""
    sign = 1.0 if side == "a" else -1.0
    deeper = [sign * (other.offset_mm - line.offset_mm) for other in lines]
    next_px = min((away for away in deeper if away > 0.0), default=np.inf) * site.px_per_mm
    return 2.0 * max(next_px - _CLEAR_BLURS * site.blur_px, _LEAST_ROOM_PX)


def _filled_edges(strip: Strip, side: Side, start: Start, site: Site, gap_px: float) -> tuple[Edges, float]:
    """Fit an edge of resin by its tint where it has one, and tell what the resin leaves unsure of it, mm."""
    beyond = look_beyond(strip, side, start, gap_px)
    if beyond is None:
        return _slot_edges(strip, side, seek_lines(strip, start, site.u_range), site, gap_px), 0.0
    if beyond.is_tinted:
        tinted = fit_tinted_edge(strip, side, beyond, start, site.u_range, site.blur_px, gap_px)
        if tinted is not None:
            return (tinted,), beyond.tint_standard_mm(site.px_per_mm, site.blur_px)
    surest, *_ = seek_lines(strip, start, site.u_range)
    bare = fit_edge(surest, strip, side, site.u_range, site.blur_px, gap_px)
    if bare is None:
        return (), 0.0
    seam = seek_seam(bare, side, site.blur_px)
    return ((bare,), beyond.rim_standard_mm()) if seam is None else ((seam[0],), seam[1])


@dataclass(frozen=True, eq=False)
class OpenFits:
    """Both edges of an open or filled joint, fitted alone, before the lamp and the other joints are known.

    Attributes
    ----------
    edges_a, edges_b : tuple of EdgeFit
        The lines that each face's edge could be, the surest first.
    rough_gap_mm : float
        As the search saw it.
    filling_mm : float
        The gap's standard uncertainty for what fills it.
    """

    site: Site
    view: GapView
    edges_a: Edges
    edges_b: Edges
    rough_gap_mm: float
    filling_mm: float = 0.0

    @property
    def a(self) -> EdgeFit:
        """The surest edge of face a."""
        return self.edges_a[0]

    @property
    def b(self) -> EdgeFit:
        """The surest edge of face b."""
        return self.edges_b[0]

    def walls(self) -> tuple[WallSight, WallSight]:
        """What is seen of the wall below each edge; a filled joint shows none."""
        site = self.site
        gap = self.b.offset_mm - self.a.offset_mm
        sights = []
        sides: tuple[tuple[EdgeFit, Side, float], ...] = ((self.a, "a", -90.0), (self.b, "b", 90.0))
        for fit, side, turn in sides:
            wall_mm = site.wall_mm(side, fit.offset_mm) if self.view.kind == "open" else 0.0
            sights.append(
                WallSight(
                    profile=fit.profile,
                    reach_px=wall_mm * gap / site.frame.height_mm * fit.px_per_mm,
                    wall_px=wall_mm * fit.px_per_mm,
                    normal_deg=site.tooth.direction_deg + turn,
                )
            )
        return sights[0], sights[1]

    def lit(self, a: Lines, b: Lines) -> OpenFits:
        """Take off each edge's misfit what a strip explains: it is weighed as another line."""
        return replace(
            self,
            edges_a=tuple(edge.explained(a.unexplained) for edge in self.edges_a),
            edges_b=tuple(edge.explained(b.unexplained) for edge in self.edges_b),
        )

    def moved(self, a: Choice, b: Choice) -> OpenFits:
        """Put each edge on its line; a shadow in a gap that widens lies the deeper, the wider it is."""
        widening = (self.b.slope - self.a.slope) / self.places.gap_mm
        return replace(
            self,
            edges_a=(_on_line(self.edges_a, a, widening),),
            edges_b=(_on_line(self.edges_b, b, widening),),
        )

    @property
    def places(self) -> JointPlaces:
        """Where both faces lie, at the joint's middle."""
        offsets = np.array([edge.at_middle_mm for edge in (self.a, self.b)])
        return JointPlaces(self.site.tooth.number, *self.site.frame.to_ring(np.zeros(2), offsets))

    def finish(self, odd_mm: Array, plan: Plan, response: Response, rounded_mm: float) -> JointFaces:
        """Gather the joint's uncertainty; ``odd_mm`` (a, b) is `odd_faces`'."""
        site, view, a, b = self.site, self.view, self.a, self.b
        ends = np.array(site.ends_mm)
        gaps = b.offset_mm + b.slope * (ends - b.middle_mm) - a.offset_mm - a.slope * (ends - a.middle_mm)
        seen_mm = self.rough_gap_mm
        if np.min(gaps) < _LEAST_OPEN_SHARE * seen_mm or np.max(gaps) > seen_mm + _FARTHEST_MM:
            return unmeasured(site, plan, "its two edges could not be told from what lies between them")
        covariance = np.zeros((4, 4))
        for index, fit in enumerate((a, b)):
            shift = np.array([[1.0, -fit.middle_mm], [0.0, 1.0]])
            block = NOISE_FACTOR**2 * (shift @ fit.covariance @ shift.T)
            covariance[2 * index : 2 * index + 2, 2 * index : 2 * index + 2] = block
        odd = float(np.hypot(*odd_mm))
        either = float(np.linalg.norm([a.either_mm, b.either_mm, odd]))
        misfit = float(np.hypot(a.misfit_mm, b.misfit_mm))
        processing = _PROCESSING_PX / site.px_per_mm * (1.0 + 2.0 * response.halo_standard)
        # What fills a joint fills the rounding too, and shows it.
        # Shadows and lit strips in a gap that widens lie askew themselves.
        widening = float(np.ptp(gaps) / np.mean(gaps))
        rounded = rounded_mm if view.kind == "open" else _FILLED_ROUNDED_STANDARD_MM
        over = float(np.sqrt(max(rounded**2 - _ROUNDED_STANDARD_MM**2, 0.0)))
        doubts = []
        if odd > 0.0:
            doubts.append(
                "one of its edges may be another line: with it, the segment beside it would not be as long "
                "as the others"
            )
        elif either > _DOUBT_MM:
            doubts.append("one of its edges could be a line beside it: a lit wall's foot, a shadow, or grain")
        blocked = None
        if view.blocked_mm is not None:
            doubts.append("the gap is blocked part of the way; the open part is measured")
            radius = float(np.hypot(*site.tooth.middle_mm))
            blocked = (radius + view.blocked_mm[0], radius + view.blocked_mm[1])
        return JointFaces(
            number=site.tooth.number,
            kind=view.kind,
            middle_mm=site.tooth.middle_mm,
            direction_deg=site.tooth.direction_deg,
            face_a=FaceLine(a.at_middle_mm, a.slope),
            face_b=FaceLine(b.at_middle_mm, b.slope),
            ends_mm=site.ends_mm,
            covariance=covariance,
            gap_budget=(
                Contribution("phone's processing", processing),
                Contribution("other light beside the edges", misfit),
                Contribution("heights of the two segments", heights_mm(site)),
                Contribution("which of two lines is the edge", either),
                Contribution("rounded edges", rounded),
                Contribution("rims and tint of the filling", self.filling_mm),
            ),
            taper_budget=(
                Contribution("phone's processing", uneven_deg(processing, site)),
                Contribution("other light beside the edges", taper_deg((0.5 + widening) * misfit, site)),
                Contribution("which of two lines is the edge", taper_deg((0.3 + widening) * either, site)),
                Contribution("rounded edges", taper_deg(_ROUNDED_ALONG * over, site)),
                Contribution("rims and tint of the filling", uneven_deg(self.filling_mm, site)),
            ),
            blocked_mm=blocked,
            doubts=tuple(doubts),
        )


def _on_line(edges: Edges, choice: Choice, widening: float) -> EdgeFit:
    place = edges[0].at_middle_mm + choice.shift_mm
    nearest = min(edges, key=lambda edge: abs(edge.at_middle_mm - place))
    return nearest.moved(place - nearest.at_middle_mm, widening, choice.standard_mm)
