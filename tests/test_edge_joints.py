"""Joints along edges: what is foretold of them against outlines printed and put together by plain geometry."""

import numpy as np
import pytest

from fitassay.analysis.chain.mating import USUAL, PathHabits
from fitassay.analysis.chain.profiles import profile_clearance, profile_width
from fitassay.analysis.chain.shapes import PROFILES
from fitassay.analysis.parts.pairs import Pair, hole_for_clearance, predict_pair
from fitassay.analysis.terms import INDEX
from fitassay.coupons.errors import InputError
from tests.printed_edges import play_of, tongue_of
from tests.printed_pairs import WIDTH
from tests.printers import printer
from tests.test_predict import PRIOR, measured_state
from tests.test_predict import state as known

LIKELY = {
    "sound": {},
    "play": {"backlash_x": 0.2, "backlash_y": 0.1},
    "thick, leaning": {"bead_excess": 0.08, "contour_offset": -0.05, "skew_xy": 0.006},
    "all": {
        "backlash_x": 0.12,
        "backlash_y": 0.25,
        "bead_excess": 0.05,
        "contour_offset": 0.04,
        "scale_x": 0.004,
        "scale_y": -0.003,
        "skew_xy": -0.004,
    },
    "over-compensated": {"backlash_x": -0.15, "backlash_y": -0.1},
}
WAYS = {
    "as printed": {},
    "across y": {"across": "y"},
    "upside down": {"flipped": True},
    "bought tongue": {"exact": (True, False)},
    "bought slot": {"exact": (False, True)},
}


@pytest.mark.parametrize("kind", PROFILES)
@pytest.mark.parametrize(
    "printed",
    [p if p in ("all", "over-compensated") else pytest.param(p, marks=pytest.mark.long) for p in LIKELY],
)
def test_play_is_that_of_the_printed_outlines(kind, printed):
    theta = printer(**LIKELY[printed])
    for name, how in WAYS.items():
        foretold = profile_clearance(kind, 6.0, 6.7, theta[None], WIDTH, **how)[0]
        off = foretold - play_of(kind, 6.0, 6.7, theta, **how)
        if kind in ("dovetail", "rack"):
            # Slanted flanks are foretold with the roundings of their beads, however much the axes lost.
            assert abs(off) < 0.018, name
            continue
        # Ends of the flanks, over which two leaning sides differ further, are cut off by the printed outlines.
        assert (
            -0.015 - 3.2 * abs(theta[INDEX["skew_xy"]]) < off < 0.015 + 3.2 * abs(theta[INDEX["skew_xy"]])
        ), name


@pytest.mark.parametrize("angle", [45.0, 75.0])
def test_dovetails_of_other_angles(angle):
    theta = printer(**LIKELY["all"])
    foretold = profile_clearance("dovetail", 8.0, 8.8, theta[None], WIDTH, angle=np.radians(angle))[0]
    assert foretold == pytest.approx(play_of("dovetail", 8.0, 8.8, theta, angle=angle), abs=0.012)


def test_a_dovetail_that_leans_lies_on_both_its_shoulders():
    """Upside down a leaning frame counts double; the body turns until it lies flat, whichever way it lies."""
    for across in "xy":
        theta = printer(skew_xy=0.015, backlash_x=0.3, backlash_y=0.4, contour_offset=-0.05)
        how = {"flipped": True, "across": across}
        foretold = profile_clearance("dovetail", 13.0, 13.6, theta[None], WIDTH, **how)[0]
        assert foretold == pytest.approx(play_of("dovetail", 13.0, 13.6, theta, **how), abs=0.02)


@pytest.mark.parametrize(
    ("kind", "inside", "gain"),
    # Textbook cases of lost motion, derived here from the sign of the last move before each flank.
    [
        ("slot", False, 0.0),
        ("slot", True, 0.0),
        ("key", False, -1.0),
        ("tab", True, -1.0),
        ("t-slot", False, 1.0),
        ("t-slot", True, 1.0),
        ("t-head", False, -1.0),
        ("t-head", True, -1.0),
        ("dovetail", False, 0.0),
        ("rack", True, 0.0),
    ],
)
@pytest.mark.parametrize("axis", ["x", "y"])
def test_gains_of_play(kind, inside, gain, axis):
    width = profile_width(kind, 6.0, inside, printer(**{f"backlash_{axis}": 0.2})[None], WIDTH, axis)[0]
    assert width == pytest.approx(6.0 + 0.2 * gain, abs=1e-9)


@pytest.mark.parametrize(("flank", "which"), [("x", 0), ("y", 1)])
@pytest.mark.parametrize("kind", ["slot", "key", "t-slot"])
def test_flank_reached_from_the_contrary_side(kind, flank, which):
    """A seam at the foot of a flank, the nozzle coming from where the loop would not have come."""
    theta = printer(backlash_x=0.2, backlash_y=0.1)
    right = tongue_of(kind, 6.0)[0]
    # In printed_edges' order: outer corner, right half, left half; a key has no outer corner.
    corner = {"slot": (1, 3), "key": (1, 3), "t-slot": (1, 7)}[kind][which]
    last = {"slot": -1, "key": (1, -1)[which], "t-slot": (-1, 1)[which]}[kind]
    foretold = profile_clearance(kind, 6.0, 6.7, theta[None], WIDTH, late=(flank, ""))[0]
    true = play_of(kind, 6.0, 6.7, theta, seams=((corner, (-last, 1)), None))
    assert right[0] == 3.0 and foretold == pytest.approx(true, abs=0.02)


def test_what_is_not_known_is_asked_and_widens():
    theta = printer(backlash_x=0.3)
    blank = predict_pair(Pair(peg=6.0, hole=6.4, shape="key"), known(theta, sd=1e-3))
    assert blank.open_questions == ("across",)
    told = predict_pair(Pair(peg=6.0, hole=6.4, shape="key", across="x"), known(theta, sd=1e-3))
    assert told.open_questions == () and told.counts.u < 0.2 * blank.counts.u
    # 0.4 drawn, and the key loses all the play that its slot does not.
    assert told.counts.mean == pytest.approx(0.7, abs=0.01)
    leaning = predict_pair(
        Pair(peg=6.0, hole=6.4, shape="slot", across="x"), known(printer(skew_xy=0.01), sd=1e-4)
    )
    assert leaning.open_questions == ("way_up",)
    seams = PathHabits(holes_alike=False, own_approach=None, jumps=False)
    open_seam = predict_pair(
        Pair(peg=6.0, hole=6.4, shape="slot", across="x"), known(theta, sd=1e-3, habits=seams)
    )
    assert open_seam.open_questions == ("seam",) and open_seam.counts.u > 0.05


def test_what_to_draw_gives_that_play():
    state = known(printer(backlash_x=0.2, bead_excess=0.1), sd=1e-3)
    pair = Pair(peg=8.0, hole=8.2, shape="dovetail", across="x", flipped=False)
    hole = hole_for_clearance(pair, 0.25, state)
    got = play_of("dovetail", 8.0, hole, printer(backlash_x=0.2, bead_excess=0.1))
    assert got == pytest.approx(0.25, abs=0.02)


@pytest.mark.parametrize(
    ("how", "words"),
    [
        ({"shape": "slot", "turns": True}, "only a round peg turns"),
        ({"shape": "slot", "rotation": 1.0}, "leave the rotation out"),
        ({"shape": "slot", "angle": 1.0}, "said of a dovetail"),
        ({"shape": "dovetail", "angle": 0.2}, "from 30 to under 90"),
        ({"shape": "star"}, "round, square, slot"),
    ],
)
def test_contradictions_are_refused(how, words):
    with pytest.raises(InputError, match=words):
        Pair(peg=6.0, hole=6.4, **how)


@pytest.mark.parametrize(("kind", "size"), [("slot", 0.4), ("rack", 0.5), ("t-slot", 0.45)])
def test_a_tongue_thinner_than_a_bead_is_refused(kind, size):
    with pytest.raises(InputError, match="thinner than one bead"):
        profile_clearance(kind, size, 6.0, np.zeros((1, len(PRIOR))), WIDTH)


def coverage(kind, count, seed):
    """Share of 95 % intervals that hold the printed play, and of right ones among the answers that are 95 % sure."""
    rng = np.random.default_rng(seed)
    hits = sure = right = 0
    for _ in range(count):
        theta = PRIOR * 0.7 * rng.standard_normal(len(PRIOR))
        for axis in "xy":
            theta[INDEX[f"backlash_{axis}"]] = abs(theta[INDEX[f"backlash_{axis}"]])
        size = rng.uniform(4, 14)
        across, flipped = rng.choice(["x", "y"]), bool(rng.integers(2))
        told = bool(rng.integers(2))
        exact = [(False, False), (True, False), (False, True)][rng.integers(3)]
        pair = Pair(
            peg=size,
            hole=size + rng.uniform(0.1, 0.9),
            shape=kind,
            across=across if told else "",
            flipped=flipped if told else None,
            exact_peg=exact[0],
            exact_hole=exact[1],
        )
        got = predict_pair(pair, measured_state(theta, rng, habits=USUAL)).counts
        true = play_of(kind, pair.peg, pair.hole, theta, exact=exact, flipped=flipped, across=across)
        hits += got.low <= true <= got.high
        if max(got.p_negative, 1 - got.p_negative) >= 0.95:
            sure += 1
            right += (got.p_negative > 0.5) == (true < 0)
    return hits / count, right / max(sure, 1)


@pytest.mark.long
@pytest.mark.parametrize("kind", PROFILES)
def test_intervals_cover_and_sure_answers_are_right(kind):
    hits, right = coverage(kind, 60, 5)
    # Of 60 true 95 % intervals 51 or fewer hit with probability 0.003 (binomial).
    assert hits > 51.5 / 60
    assert right >= 0.95


@pytest.mark.calibration
@pytest.mark.parametrize("kind", PROFILES)
def test_intervals_cover_on_a_thousand_joints_of_every_kind(kind):
    hits, right = coverage(kind, 1000, 6)
    print(f"{kind}: 95 % intervals cover {100 * hits:.1f} %, sure answers right in {100 * right:.1f} %")
    # A true 95 % leaves 0.93 to 0.975 with probability 0.002 (binomial, 1000).
    assert 0.93 <= hits <= 0.975
    assert right >= 0.98


def test_the_yardsticks_rack_is_as_deep_as_its_module_says():
    # ISO 53: tooth and gap are half a pitch of pi modules at the pitch line, contact is two modules deep.
    root, tip = tongue_of("rack", 4.0)
    assert tip[1] == pytest.approx(2 * 8.0 / np.pi) and root[0] + tip[0] == pytest.approx(4.0)
