"""Predicted sizes, clearances, fits against an independent geometric print (shapely) and forms derived here."""

import math

import numpy as np
import pytest

from fitassay.analysis.chain.mating import USUAL, PathHabits, Ways, clearances, ways_of
from fitassay.analysis.chain.sizes import Size, size_gains
from fitassay.analysis.normal import Normal
from fitassay.analysis.parts import pairs as pairs_module
from fitassay.analysis.parts.fits import draw_for_fit, held_grades, within
from fitassay.analysis.parts.iso286 import parse_fit
from fitassay.analysis.parts.pairs import (
    Pair,
    joints_of,
    peg_for_clearance,
    pegs_for_clearances,
    predict_pair,
    predict_pairs,
)
from fitassay.analysis.parts.size_list import read_part_list
from fitassay.analysis.parts.sizes import State, nominal_for_size, predict_size, size_contributions
from fitassay.analysis.terms import INDEX, NAMES, TERMS
from fitassay.coupons.errors import InputError
from tests.posteriors import posterior
from tests.printed_pairs import WIDTH, PrintedPair, geometric_clearance, path_of, square_clearance
from tests.printers import printer


def state(theta, sd=0.0, scatter=0.0, habits=USUAL):
    return State(
        posterior=Normal(mean=theta, cov=np.eye(len(NAMES)) * sd**2),
        width=WIDTH,
        scatter_mm=scatter,
        habits=habits,
    )


def clearance(pair, theta, ways=None, turning=False):
    """Of one printer."""
    return clearances(joints_of((pair,), turning=turning), ways or Ways(), theta[None], WIDTH)[0, 0]


PRINTERS = {
    "perfect": {},
    "even play": {"backlash_x": 0.1, "backlash_y": 0.1},
    "play in x": {"backlash_x": 0.2},
    "play in y": {"backlash_y": 0.15, "backlash_x": 0.02},
    "over-compensated": {"backlash_x": -0.1, "backlash_y": -0.05},
    "fat": {"bead_excess": 0.06, "contour_offset": 0.05},
    "leaning": {"skew_xy": 0.02, "scale_x": 0.004, "scale_y": -0.003},
    "all": {
        "backlash_x": 0.12,
        "backlash_y": 0.05,
        "bead_excess": -0.03,
        "contour_offset": 0.04,
        "skew_xy": -0.01,
        "bore_closure": 0.15,
        "scale_x": 0.003,
    },
}


@pytest.mark.parametrize("name", PRINTERS)
@pytest.mark.parametrize("rotation_deg", [0.0, 17.0, 45.0, 90.0, 135.0, 250.0])
def test_round_clearance_is_the_gap_of_the_printed_outlines(name, rotation_deg):
    theta = printer(**PRINTERS[name])
    rotation = math.radians(rotation_deg)
    pair = Pair(peg=8.0, hole=8.4, rotation=rotation)
    assert clearance(pair, theta) == pytest.approx(geometric_clearance(pair, theta, rotation), abs=0.002)


TURNED = [n if n == "all" else pytest.param(n, marks=pytest.mark.long) for n in PRINTERS]


@pytest.mark.parametrize("name", TURNED)
def test_turning_clearance_is_the_least_over_all_angles(name):
    theta = printer(**PRINTERS[name])
    pair = Pair(peg=8.0, hole=8.4, turns=True)
    gaps = {a: geometric_clearance(pair, theta, a) for a in np.linspace(0, 2 * np.pi, 31)}
    # 12 degree steps, then 2 degree ones about the three narrowest.
    about = [a + np.radians(d) for a in sorted(gaps, key=gaps.__getitem__)[:3] for d in (-6, -4, -2, 2, 4, 6)]
    least = min(*gaps.values(), *(geometric_clearance(pair, theta, a) for a in about))
    got = clearance(pair, theta, turning=True)
    # A search over steps can only find more room than there is.
    assert got == pytest.approx(least, abs=0.006)
    assert got <= least + 0.001


WAYS = {
    "flipped": {"flipped": True},
    "holes walked like outlines": {"holes_ccw": True},
    "flipped, holes walked like outlines": {"flipped": True, "holes_ccw": True},
    "jumping": {"jumps": True},
    "flipped, jumping": {"flipped": True, "jumps": True},
}


@pytest.mark.parametrize("name", ["play in x", "over-compensated", "all"])
@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("rotation_deg", [0.0, 33.0])
def test_round_clearance_in_every_way(name, way, rotation_deg):
    theta, rotation = printer(**PRINTERS[name]), math.radians(rotation_deg)
    how = WAYS[way]
    true = PrintedPair(8.0, 8.7, theta, **how)
    ways = Ways(
        flipped=how.get("flipped", False),
        holes_alike=how.get("holes_ccw", False),
        jumps=how.get("jumps", False),
    )
    pair = Pair(peg=8.0, hole=8.7, rotation=rotation)
    # 720 points a turn leave a jump open over half a degree.
    assert clearance(pair, theta, ways) == pytest.approx(true.sits(rotation), abs=0.004)
    assert clearance(pair, theta, ways, turning=True) == pytest.approx(true.turns(), abs=0.004)


@pytest.mark.parametrize("corner", range(4))
@pytest.mark.parametrize("arrival", [(1, 1), (1, -1), (-1, 1), (-1, -1)])
def test_square_flank_reached_from_the_contrary_side(corner, arrival):
    # Loops begin at a corner after a travel: the first flank stands where the nozzle came from.
    theta = printer(backlash_x=0.12, backlash_y=0.2)
    true = square_clearance(12.0, 12.6, theta, (corner, arrival), (0, None))
    found = {
        late: clearance(Pair(peg=12.0, hole=12.6, shape="square"), theta, Ways(late_peg=late))
        for late in ("", "x", "y")
    }
    assert min(abs(v - true) for v in found.values()) < 1e-6
    assert found == pytest.approx({"": 0.6, "x": 0.48, "y": 0.4})


def test_way_up_that_is_not_known_widens():
    theta = printer(backlash_x=0.15, backlash_y=0.15)
    made = {
        up: predict_pair(Pair(peg=8, hole=8.3, flipped=up), state(theta, sd=0.005))
        for up in (False, True, None)
    }
    assert made[True].sits.mean - made[False].sits.mean > 0.1
    assert made[None].sits.low < made[False].sits.mean < made[True].sits.mean < made[None].sits.high
    assert made[None].open_questions == ("way_up",) and made[False].open_questions == ()
    unknown = predict_pair(Pair(peg=8, hole=8.3, flipped=False), state(theta, sd=0.005, habits=PathHabits()))
    assert unknown.open_questions == ("direction",)
    assert (unknown.sits.low, unknown.sits.high) == pytest.approx(
        (made[None].sits.low, made[None].sits.high), abs=0.03
    )


@pytest.mark.parametrize(("play", "asked"), [(0.021, ("seam",)), (0.019, ())])
def test_what_makes_two_hundredths_of_difference_is_asked(play, asked):
    """A flank reached from the contrary side stands off by the whole play, the clearance with it."""
    pair = Pair(peg=12.0, hole=12.6, shape="square")
    habits = PathHabits(holes_alike=False, own_approach=None)
    theta = printer(backlash_x=play, backlash_y=play)
    assert predict_pair(pair, state(theta, sd=1e-5, habits=habits)).open_questions == asked


def test_where_a_square_loop_begins_is_asked():
    pair = Pair(peg=12.0, hole=12.6, shape="square")
    theta = printer(backlash_x=0.12, backlash_y=0.2)
    for known, asked in ((True, ()), (None, ("seam",))):
        habits = PathHabits(holes_alike=False, own_approach=known)
        assert predict_pair(pair, state(theta, sd=0.005, habits=habits)).open_questions == asked
    # Without play it makes no difference.
    nothing = state(printer(), sd=0.005, habits=PathHabits(holes_alike=False, own_approach=None))
    assert predict_pair(pair, nothing).open_questions == ()


def test_a_list_names_its_pairs_by_peg_and_hole(tmp_path):
    path = tmp_path / "list.csv"
    path.write_text(
        "name,kind,shape,nominal_mm,mate,wanted,turns,rotation_deg,way_up\n"
        "arm peg,outside,round,8.0,arm hole,,yes,,\narm hole,inside,round,8.2,,0.2,,30,flipped\n"
        "foot,inside,square,12.4,exact12.0,,,,same\naxle,outside,round,5.0,exact: 5.1,H11/c11,,90,\n",
        "utf-8",
    )
    got = read_part_list(path, 0.45)
    (arm, wish), (foot, none), (axle, fit) = got.pairs
    assert (arm.name, arm.peg, arm.hole, arm.turns, arm.flipped) == (
        "arm peg in arm hole",
        8.0,
        8.2,
        True,
        True,
    )
    assert arm.rotation == pytest.approx(math.pi / 6) and wish.clearance == 0.2
    assert (foot.name, foot.peg, foot.hole, foot.shape) == ("foot with an exact part", 12.0, 12.4, "square")
    assert (foot.exact_peg, foot.exact_hole, foot.rotation, foot.flipped) == (True, False, 0.0, False)
    assert none.clearance is None and none.fit is None
    assert (axle.peg, axle.hole, axle.exact_peg, axle.exact_hole) == (5.0, 5.1, False, True)
    assert axle.rotation == pytest.approx(math.pi / 2) and str(fit.fit) == "H11/c11" and not axle.turns
    assert [(n, s.side, s.axis) for n, s in got.sizes][:2] == [
        ("arm peg", "outside", "x"),
        ("arm peg", "outside", "y"),
    ]


def test_manner_of_over_compensation_is_asked_only_where_it_matters():
    under = state(printer(backlash_x=0.1, backlash_y=0.1), sd=0.005, habits=PathHabits(holes_alike=False))
    assert predict_pair(Pair(peg=8, hole=8.3, turns=True), under).open_questions == ()
    over = state(printer(backlash_x=-0.1, backlash_y=-0.1), sd=0.005, habits=PathHabits(holes_alike=False))
    assert predict_pair(Pair(peg=8, hole=8.3, turns=True), over).open_questions == ("manner",)


def test_chances_of_the_ways_are_one():
    for shape in ("round", "square"):
        for flipped in (None, False, True):
            for habits in (PathHabits(), USUAL):
                for over in (False, True):
                    ways = ways_of(shape, flipped, habits, over=over)
                    assert sum(w.weight for w in ways) == pytest.approx(1.0)


def test_bought_hole_has_its_own_size():
    # A bearing's bore or a ring is exact: the peg's errors alone count.
    theta = printer(contour_offset=0.05, bore_closure=0.3, backlash_x=0.1, backlash_y=0.1)
    got = predict_pair(Pair(peg=8.0, hole=8.5, exact_hole=True, flipped=False), state(theta))
    # The peg is 0.1 larger all round, and its play shows where it stands out: in the quadrants.
    loss = 2 * (math.hypot(3.775 + 0.05, 0.0) - 3.775) + 2 * max(
        math.hypot(3.825 * math.cos(a) + 0.05, 3.825 * math.sin(a) - 0.05) - 3.825
        for a in np.linspace(math.acos(1 - 0.1 / 3.825), 1.5, 199)
    )
    assert got.sits.mean == pytest.approx(0.5 - loss, abs=0.002)
    assert [s.mean for s in got.by_caliper] == pytest.approx([0.5 - 0.1 + 0.1] * 2, abs=1e-9)


def test_contributions_add_up():
    theta = printer(**PRINTERS["all"], scale_y=-0.004)
    for pair in (
        Pair(peg=8.0, hole=8.6, flipped=False),
        Pair(peg=8.0, hole=8.6, turns=True),
        Pair(peg=8.0, hole=8.6, shape="square"),
    ):
        got = predict_pair(pair, state(theta, sd=1e-7))
        # Contributions under half a micrometre are left out.
        assert sum(got.contributions_mm.values()) == pytest.approx(got.counts.mean - 0.6, abs=0.002)


def test_many_pairs_are_as_one_by_one():
    rng = np.random.default_rng(3)
    known = state(printer(**PRINTERS["all"]), sd=0.01, habits=PathHabits())
    pairs = tuple(
        Pair(peg=d, hole=d + c, turns=bool(i % 2), flipped=(None, True)[i % 3 == 0])
        for i, (d, c) in enumerate(zip(rng.uniform(4, 30, 240), rng.uniform(0.2, 0.6, 240), strict=True))
    )
    together = predict_pairs(pairs, known)
    assert [p.pair for p in together] == list(pairs)
    for i in range(0, 240, 24):
        alone = predict_pair(pairs[i], known)
        for a, b in ((alone.sits, together[i].sits), (alone.counts, together[i].counts)):
            assert (a.mean, a.low, a.high) == pytest.approx((b.mean, b.low, b.high), abs=0.002)


@pytest.mark.parametrize("rotation_deg", [0, 90, 180, 270])
@pytest.mark.parametrize("name", ["perfect", "even play", "leaning", "all"])
def test_square_clearance(name, rotation_deg):
    theta = printer(**PRINTERS[name])
    rotation = math.radians(rotation_deg)
    pair = Pair(peg=12.0, hole=12.6, shape="square", rotation=rotation)
    # A square moves sideways in x and y by itself: the gap that shapely finds about the middle is the smaller.
    assert clearance(pair, theta) == pytest.approx(geometric_clearance(pair, theta, rotation), abs=0.002)


def test_middle_is_the_freest_place():
    theta = printer(**PRINTERS["all"])
    pair = Pair(peg=8.0, hole=8.4)
    best = max(
        geometric_clearance(pair, theta, 0.3, (dx, dy))
        for dx in np.linspace(-0.02, 0.02, 5)
        for dy in np.linspace(-0.02, 0.02, 5)
    )
    assert best == pytest.approx(geometric_clearance(pair, theta, 0.3), abs=1e-6)


def test_even_play_cancels_for_the_caliper_but_not_for_a_turning_peg():
    # Both sizes shrink alike in x and y, so a caliper sees the drawn clearance; the peg's full diagonals meet
    # the hole's flats when it turns, which costs b/2 on each side of the diameter, twice over.
    theta = printer(backlash_x=0.1, backlash_y=0.1)
    got = predict_pair(Pair(peg=8.0, hole=8.2, flipped=False, turns=True), state(theta))
    assert [s.mean for s in got.by_caliper] == pytest.approx([0.2, 0.2], abs=1e-9)
    assert got.turns.mean == pytest.approx(0.2 - 0.1 - 2 * (math.hypot(3.725, 0.8171) - 3.775), abs=0.003)
    assert got.turns.mean <= got.sits.mean


def test_bead_and_offset_count_on_both_sides_of_both_parts():
    # Each side of each part moves by e/2 + p: four times in a diametral clearance.
    got = predict_pair(Pair(peg=8.0, hole=8.5), state(printer(bead_excess=0.04, contour_offset=0.03)))
    assert got.sits.mean == pytest.approx(0.5 - 4 * (0.02 + 0.03), abs=0.001)
    assert got.contributions_mm["contour_offset"] == pytest.approx(-0.12, abs=0.001)
    assert got.contributions_mm["bead_excess"] == pytest.approx(-0.08, abs=0.001)
    assert list(got.contributions_mm) == ["contour_offset", "bead_excess"]


@pytest.mark.parametrize("axis", ["x", "y"])
@pytest.mark.parametrize("kind", [("round", "out"), ("round", "in"), ("square", "out"), ("square", "in")])
def test_size_is_the_extent_of_the_print(axis, kind):
    theta = printer(**{**PRINTERS["all"], "skew_xy": 0.0})
    points = path_of(kind, 9.0, theta)
    inside = kind[1] == "in"
    extent = np.ptp(points[:, "xy".index(axis)]) + (-1 if inside else 1) * (WIDTH - 0.03)
    size = Size(side="inside" if inside else "outside", axis=axis, nominal=9.0, shape=kind[0])
    # Second-order products of terms (scale times offset) are below a micrometre.
    assert predict_size(size, state(theta)).mean == pytest.approx(extent, abs=0.001)


def test_95_percent_of_a_normal_size_lie_within_1_96():
    """Two-sided 95 % of a normal distribution: 1.960 standard uncertainties (JCGM 100, table G.1)."""
    size = Size(side="outside", axis="x", nominal=10)
    got = predict_size(size, state(printer(), scatter=0.02))
    assert (got.low, got.high) == pytest.approx((10 - 1.960 * 0.02, 10 + 1.960 * 0.02), abs=2e-5)
    # The zone about the nominal that holds as much: twice that.
    assert [g.width_mm for g in held_grades(state(printer(), scatter=0.02), low=5, high=20)] == (
        pytest.approx([2 * 1.960 * 0.02] * 4, abs=2e-5)
    )


def test_instrument_terms_do_not_shape_parts():
    theta = printer(outside_bias=0.5, inside_bias=-0.5, corner_form=0.3)
    for size in (Size(side="outside", axis="x", nominal=10), Size(side="inside", axis="y", nominal=10)):
        assert predict_size(size, state(theta)).mean == 10
    assert predict_pair(Pair(peg=8, hole=8.2), state(theta)).sits.mean == pytest.approx(0.2, abs=0.001)


def test_heights_and_their_contributions():
    got = predict_size(
        Size(side="height", axis="z", nominal=40), state(printer(scale_z=0.002, layer_datum=-0.1))
    )
    assert got.mean == pytest.approx(39.98)
    parts = size_contributions(
        Size(side="height", axis="z", nominal=40), state(printer(scale_z=0.002, layer_datum=-0.1))
    )
    assert parts == {"layer_datum": pytest.approx(-0.1), "scale_z": pytest.approx(0.08)}


def test_size_uncertainty_is_propagated_with_correlations():
    # e and p known only as e + 2p: each is uncertain by decimetres, the size is not (JCGM 100 5.2.2).
    covariance = np.zeros((len(NAMES),) * 2)
    i, j = INDEX["bead_excess"], INDEX["contour_offset"]
    covariance[i, i], covariance[j, j], covariance[i, j] = 0.04, 0.01, -0.02
    covariance[j, i] = -0.02
    known = State(posterior=Normal(mean=printer(), cov=covariance), width=WIDTH, scatter_mm=0.01)
    assert predict_size(Size(side="outside", axis="x", nominal=10), known).u == pytest.approx(0.01, rel=1e-6)


def test_the_same_pair_many_times_is_the_pair():
    theta = printer(**PRINTERS["all"])
    one = Pair(peg=8.0, hole=8.5, exact_peg=True)
    alone = predict_pair(one, state(theta, sd=0.01)).sits
    others = tuple(Pair(peg=6.0 + 0.1 * k, hole=6.5 + 0.1 * k, exact_peg=True) for k in range(30))
    many = predict_pairs((one, *others, one, one), state(theta, sd=0.01))
    for k in (0, -2, -1):
        assert many[k].sits.mean == pytest.approx(alone.mean, abs=2e-3)
        assert many[k].sits == many[0].sits


def test_exact_partner():
    theta = printer(contour_offset=0.05)
    bought = predict_pair(Pair(peg=8.0, hole=8.5, exact_peg=True), state(theta))
    assert bought.sits.mean == pytest.approx(0.5 - 0.1, abs=0.001)
    assert bought.by_caliper[0].mean == pytest.approx(0.4, abs=1e-9)


def test_probability_of_interference():
    got = predict_pair(Pair(peg=8.0, hole=8.0, shape="square"), state(printer(), sd=0.0, scatter=0.02))
    # Two parts with normal scatter of 0.02 each about zero clearance.
    assert got.sits.p_negative == pytest.approx(0.5, abs=0.01)
    assert got.sits.u == pytest.approx(0.02 * math.sqrt(2), rel=0.01)
    assert got.sits.high == pytest.approx(1.959964 * 0.02 * math.sqrt(2), rel=0.002)


# --- what to draw -------------------------------------------------------------------------------------------


def test_nominal_for_size_prints_as_wanted():
    theta = printer(**PRINTERS["all"])
    for side in ("outside", "inside"):
        drawn = nominal_for_size(side, 8.0, state(theta))
        printed = [
            predict_size(Size(side=side, axis=a, nominal=drawn, shape="round"), state(theta)).mean
            for a in "xy"
        ]
        assert np.mean(printed) == pytest.approx(8.0, abs=1e-9)


@pytest.mark.parametrize("turns", [False, True])
def test_peg_for_clearance_gives_that_clearance(turns):
    theta = printer(**PRINTERS["all"])
    pair = Pair(peg=8.0, hole=8.2, turns=turns)
    drawn = peg_for_clearance(pair, 0.15, state(theta))
    got = predict_pair(Pair(peg=drawn, hole=8.2, turns=turns), state(theta))
    assert got.counts.mean == pytest.approx(0.15, abs=0.001)


def test_pegs_of_many_pairs_are_those_of_each_pair(monkeypatch):
    """And worked out together: the effort does not grow with their number."""
    pairs = tuple(
        Pair(
            peg=4 + 0.05 * i, hole=4.2 + 0.05 * i, shape="square" if i % 5 == 0 else "round", turns=i % 5 == 1
        )
        for i in range(300)
    )
    known, wanted = state(printer(**PRINTERS["all"])), tuple(0.1 + 0.001 * i for i in range(300))
    calls: list[int] = []
    walked = pairs_module.clearances
    monkeypatch.setattr(pairs_module, "clearances", lambda *a: calls.append(1) or walked(*a))
    drawn = pegs_for_clearances(pairs, wanted, known)
    assert len(calls) < 100
    for i in range(0, 300, 23):
        assert drawn[i] == pytest.approx(peg_for_clearance(pairs[i], wanted[i], known), abs=1e-3)


def test_draw_for_a_fit():
    # A printer whose sizes are 0.1 off and scatter by 0.01: drawn right, it holds H11/c11 (0.09 wide) at 8 mm.
    got = draw_for_fit(8.0, parse_fit("H11/c11"), state(printer(contour_offset=0.05), scatter=0.01), "square")
    assert got.hole_limits == pytest.approx((8.0, 8.09))
    assert got.shaft_limits == pytest.approx((7.83, 7.92))
    assert got.draw_hole == pytest.approx(8.045 + 0.1)
    assert got.draw_shaft == pytest.approx(7.875 - 0.1)
    # P(|N(0,1)| < 4.5) for both of x and y.
    assert got.p_hole == pytest.approx(1.0, abs=1e-4) and got.p_shaft == pytest.approx(1.0, abs=1e-4)
    assert (
        within("outside", 7.875, got.shaft_limits, state(printer(contour_offset=0.05), scatter=0.01)) < 1e-6
    )


def test_neither_drift_nor_scatter_takes_a_grade_back():
    """Walls read 0.025 mm out per side to 0.01: w = 2 (0.05 + 1.96 x 2 x 0.01), whatever vague prints say since."""

    def grade(*prints):
        as_read = tuple(_path_only(offset, sd) for offset, sd in prints)
        got = State(posterior=as_read[-1], width=0.45, as_read=as_read[:-1])
        return held_grades(got, low=20, high=25)[0].width_mm

    assert grade((0.025, 0.01), (0.025, 0.04)) == pytest.approx(2 * (0.05 + 1.959964 * 0.02))
    assert grade((0.025, 0.01), (0.03, 0.012)) == pytest.approx(2 * (0.05 + 1.959964 * 0.02))
    assert grade((0.03, 0.012), (0.025, 0.01)) == pytest.approx(2 * (0.05 + 1.959964 * 0.02))
    # Sizes that are seen to be worse do, whatever was held before.
    assert grade((0.025, 0.01), (0.06, 0.01)) == pytest.approx(2 * (0.12 + 1.959964 * 0.02))


def _path_only(offset, sd):
    """Only the path stands out, and that alone is in doubt."""
    cov = np.zeros((len(NAMES), len(NAMES)))
    cov[INDEX["contour_offset"], INDEX["contour_offset"]] = sd**2
    return Normal(mean=printer(contour_offset=offset), cov=cov)


def test_held_grades():
    # All sizes 0.05 too large outside and too small inside: a zone 0.1 wide about the nominal.
    got = held_grades(state(printer(contour_offset=0.025)), low=1, high=50)
    assert [(g.over, g.to) for g in got] == [(0, 3), (3, 6), (6, 10), (10, 18), (18, 30), (30, 50)]
    assert [g.width_mm for g in got] == pytest.approx([0.1] * 6)
    # ISO 286-1, the first grade of at least 0.1 mm: IT12 is 0.1, 0.12 and 0.15; IT11 0.11 and 0.13; IT10 0.1.
    assert [g.grade for g in got] == [12, 12, 12, 11, 11, 10]
    assert [g.grade for g in held_grades(state(printer(contour_offset=0.025)), mended=True)][0] == 1


@pytest.mark.parametrize(
    "make, word",
    [
        (lambda: Pair(peg=-1, hole=2), "greater than 0"),
        (lambda: Pair(peg=1, hole=float("nan")), "greater than 0"),
        (lambda: Pair(peg=8, hole=9, shape="square", turns=True), "only a round peg turns"),
        (lambda: Pair(peg=8, hole=9, exact_peg=True, exact_hole=True), "one side"),
        (lambda: Size(side="height", axis="x", nominal=3), "heights are along z"),
        (lambda: predict_pair(Pair(peg=0.3, hole=1), state(printer())), "thinner than one bead"),
        (
            lambda: predict_pair(Pair(peg=8, hole=9, shape="square", rotation=0.5), state(printer())),
            "quarter turns",
        ),
    ],
)
def test_bad_requests(make, word):
    with pytest.raises(InputError, match=word):
        make()


# --- coverage on virtual printers -----------------------------------------------------------------------------


def measured_state(theta, rng, noise=0.02, habits=USUAL):
    """The posterior after reading a plain set of sizes of printer `theta` with a noisy caliper."""
    rows = []
    for axis in ("x", "y"):
        for nominal in (8, 14, 22, 60):
            rows.append(size_gains(Size(side="outside", axis=axis, nominal=nominal), WIDTH))
        for nominal in (6, 10, 16):
            rows.append(size_gains(Size(side="inside", axis=axis, nominal=nominal), WIDTH))
        for nominal in (5, 8, 14):
            rows.append(size_gains(Size(side="inside", axis=axis, nominal=nominal, shape="round"), WIDTH))
        stem = size_gains(Size(side="outside", axis=axis, nominal=10), WIDTH)
        stem[INDEX[f"backlash_{axis}"]] = 1.0
        rows += [stem, stem]
    wall = np.zeros(len(NAMES))
    wall[INDEX["bead_excess"]] = 1.0
    diagonal = np.zeros(len(NAMES))
    diagonal[INDEX["skew_xy"]] = 60.0
    rows += [wall] * 4 + [diagonal] * 2
    gains = np.array(rows)
    prior = PRIOR
    y = gains @ theta + noise * rng.standard_normal(len(gains))
    post = posterior(gains, y, np.full(len(gains), noise), prior)
    return State(posterior=Normal(mean=post.mean, cov=post.cov), width=WIDTH, habits=habits)


# Belts play on machines with crossed belts alone.
ELSEWHERE = ("scale_xy", "backlash_a", "backlash_b")
PRIOR = np.array([1e-9 if t.name in ELSEWHERE else t.prior_sd or 0.02 for t in TERMS])

USUAL_WAY = {"flipped": False}
KINDS = {
    "as printed": USUAL_WAY,
    "flipped": {"flipped": True},
    "way up unknown": {"flipped": None},
    "holes walked like outlines": {"flipped": False, "holes_ccw": True},
    "direction unknown": {"flipped": False, "holes_ccw": None},
    "over-compensated, mirrored": {"flipped": False, "over": True, "jumps": False},
    "over-compensated, jumping": {"flipped": False, "over": True, "jumps": True},
    "over-compensated, either": {"flipped": False, "over": True, "jumps": None},
    "bought shaft": {"flipped": False, "bought": True},
    "square": {"square": True},
    "square, seam at a corner": {"square": True, "seam": True},
}


def one_pair(rng, kind):
    """A pair on a printer of that kind, printed: its prediction, its true clearance, and whether it turns."""
    theta = PRIOR * 0.7 * rng.standard_normal(len(NAMES))
    play = [INDEX["backlash_x"], INDEX["backlash_y"]]
    theta[play] = np.abs(theta[play]) * (-0.5 if kind.get("over") else 1.0)
    size = rng.uniform(4, 20)

    def either(name):
        known = kind.get(name, False)
        return bool(rng.integers(2)) if known is None else known

    if kind.get("square"):
        pair = Pair(peg=size, hole=size + rng.uniform(0.2, 1.2), shape="square")
        seams = [(0, None), (0, None)]
        if kind.get("seam"):
            # Where the nozzle comes from is anybody's guess.
            seams = [(int(rng.integers(4)), tuple(rng.choice([-1, 1], 2))) for _ in range(2)]
        habits = PathHabits(holes_alike=False, own_approach=None if kind.get("seam") else True)
        got = predict_pair(pair, measured_state(theta, rng, habits=habits))
        return got, square_clearance(pair.peg, pair.hole, theta, *seams)
    turns = bool(rng.integers(2))
    rotation = rng.uniform(0, 2 * np.pi)
    pair = Pair(
        peg=size,
        hole=size + rng.uniform(0.2, 1.4),
        rotation=rotation,
        flipped=kind["flipped"],
        turns=turns,
        exact_peg=bool(kind.get("bought")),
    )
    habits = PathHabits(
        holes_alike=kind.get("holes_ccw", False), own_approach=True, jumps=kind.get("jumps", False)
    )
    true = PrintedPair(
        pair.peg,
        pair.hole,
        theta,
        flipped=either("flipped"),
        holes_ccw=either("holes_ccw"),
        jumps=either("jumps"),
        bought=bool(kind.get("bought")),
    )
    got = predict_pair(pair, measured_state(theta, rng, habits=habits))
    return got, true.turns() if turns else true.sits(rotation)


def coverage(count, seed, kind):
    """Share of hits of the 95 % interval, and of right ones among the answers that are 95 % sure."""
    rng = np.random.default_rng(seed)
    hits = sure = right = 0
    for _ in range(count):
        got, true = one_pair(rng, kind)
        hits += got.counts.low <= true <= got.counts.high
        p = got.counts.p_negative
        if max(p, 1 - p) >= 0.95:
            sure += 1
            right += (p > 0.5) == (true < 0)
    return hits / count, right / max(sure, 1)


@pytest.mark.long
@pytest.mark.parametrize("kind", KINDS)
def test_intervals_cover_and_sure_answers_are_right(kind):
    hits, right = coverage(60, 5, KINDS[kind])
    # Of 60 true 95 % intervals 51 or fewer hit with probability 0.003 (binomial).
    assert hits > 51.5 / 60
    assert right >= 0.95


@pytest.mark.calibration
@pytest.mark.parametrize("kind", KINDS)
def test_intervals_cover_on_a_thousand_pairs_of_every_kind(kind):
    hits, right = coverage(1000, 6, KINDS[kind])
    print(f"{kind}: 95 % intervals cover {100 * hits:.1f} %, sure answers right in {100 * right:.1f} %")
    # A true 95 % leaves 0.93 to 0.975 with probability 0.002 (binomial, 1000).
    assert 0.93 <= hits <= 0.975
    assert right >= 0.98


def test_within_asks_of_x_and_y_at_once():
    # x prints right, y 0.2 too large: x alone would be within, both never are.
    known = state(printer(scale_y=0.02), scatter=0.01)
    assert within("outside", 10.0, (9.95, 10.05), known, "square") < 1e-6
    assert within("outside", 10.0, (9.95, 10.05), state(printer(), scatter=0.01), "square") > 0.999
    # Each of two independent sizes is within one standard deviation with 0.6827.
    alone = within("outside", 10.0, (9.99, 10.01), state(printer(), scatter=0.01), "square")
    assert alone == pytest.approx(0.6827**2, abs=0.001)


@pytest.mark.parametrize("nominal", [4.0, 5.3, 12.0, 61.0])
@pytest.mark.parametrize("shape", ["round", "square"])
@pytest.mark.parametrize("side", ["outside", "inside"])
def test_gains_of_any_size_are_the_closed_forms(side, shape, nominal):
    # L + s (L - w) + e + 2 p - b outside; L + s (L + w) - e - 2 p - b - k 3 / L inside a bore (derived here).
    row = size_gains(Size(side=side, axis="x", nominal=nominal, shape=shape), WIDTH)
    sign = 1 if side == "outside" else -1
    wanted = {
        "scale_x": nominal - sign * WIDTH,
        "backlash_x": -1.0,
        "bead_excess": sign,
        "contour_offset": 2 * sign,
        "bore_closure": -3 / nominal if (side, shape) == ("inside", "round") else 0.0,
    }
    for name, value in wanted.items():
        assert row[INDEX[name]] == pytest.approx(value, abs=1e-3)
