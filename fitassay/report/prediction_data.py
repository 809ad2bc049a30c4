"""A prediction as data: what `predict --json` answers with."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from fitassay.analysis.parts.fits import HeldGrade
    from fitassay.analysis.parts.pairs import Pair, PairPrediction
    from fitassay.analysis.parts.size_list import Wish
    from fitassay.analysis.parts.sizes import Spread, State


def spread_data(s: Spread) -> dict[str, float]:
    return {
        "mean": s.mean,
        "std_uncertainty": s.u,
        "low": s.low,
        "high": s.high,
        "probability_negative": s.p_negative,
    }


def pegs_to_draw(pairs: list[tuple[Pair, Wish]], state: State) -> list[float | None]:
    """The peg to draw [mm] where a clearance is wished for and the peg is printed."""
    from fitassay.analysis.parts.pairs import pegs_for_clearances

    wishes = {
        i: (pair, wish.clearance)
        for i, (pair, wish) in enumerate(pairs)
        if wish.clearance is not None and not pair.exact_peg
    }
    drawn = pegs_for_clearances(
        tuple(p for p, _ in wishes.values()), tuple(c for _, c in wishes.values()), state
    )
    found = dict(zip(wishes, drawn, strict=True))
    return [found.get(i) for i in range(len(pairs))]


def pair_data(pair: Pair, wish: Wish, got: PairPrediction, peg: float | None, state: State) -> dict[str, Any]:
    data: dict[str, Any] = {
        "name": pair.name,
        "peg_mm": pair.peg,
        "hole_mm": pair.hole,
        "shape": pair.shape,
        "across": pair.across,
        "turns": pair.turns,
        "rotation_deg": math.degrees(pair.rotation),
        "by_caliper_x_mm": spread_data(got.by_caliper[0]),
        "by_caliper_y_mm": spread_data(got.by_caliper[1]),
        "put_together_mm": spread_data(got.sits),
        "turning_mm": spread_data(got.turns) if got.turns else None,
        "contributions_mm": got.contributions_mm,
        "way_up": {None: None, False: "same", True: "flipped"}[pair.flipped],
        "open_questions": list(got.open_questions),
    }
    if peg is not None:
        data["wanted_clearance_mm"] = wish.clearance
        data["peg_to_draw_mm"] = peg
    if wish.fit is not None:
        data["fit"] = fit_data(pair.hole, wish.fit, state, pair.shape)
    return data


def fit_data(nominal: float, fit: Any, state: State, shape: Any) -> dict[str, Any]:
    from fitassay.analysis.parts.fits import draw_for_fit

    got = draw_for_fit(nominal, fit, state, shape)
    return {
        "fit": str(fit),
        "nominal_mm": nominal,
        "hole_limits_mm": list(got.hole_limits),
        "shaft_limits_mm": list(got.shaft_limits),
        "hole_to_draw_mm": got.draw_hole,
        "shaft_to_draw_mm": got.draw_shaft,
        "probability_hole": got.p_hole,
        "probability_shaft": got.p_shaft,
    }


def grade_data(g: HeldGrade) -> dict[str, Any]:
    return {"over_mm": g.over, "to_mm": g.to, "zone_mm": g.width_mm, "grade": g.grade, "set_by": g.worst}
