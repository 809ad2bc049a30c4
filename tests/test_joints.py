"""joints.csv: what the case is judged by, with every problem named by line and column."""

import pytest

from fitassay.analysis.parts.joints import JOINTS, joints_in, read_joints
from fitassay.coupons.errors import InputErrors

GOOD = """name,shape,peg_mm,hole_mm,bought,way_up,motion,now
arm on its peg,round,8.0,8.3,,same,turn,"sticks, mostly"
axle in its bearing,,8,8.0,hole,,press,falls out
foot,square,12.0,12.4,,flipped,,
rail,slot,6.0,6.2,,,slide,
"""


def test_rows_are_read_and_become_pairs():
    arm, axle, foot, rail = read_joints(GOOD.encode(), JOINTS)
    assert (arm.name, arm.motion, arm.way_up, arm.now) == ("arm on its peg", "turn", "same", "sticks, mostly")
    assert arm.pair.turns and arm.pair.flipped is False and (arm.pair.peg, arm.pair.hole) == (8.0, 8.3)
    assert axle.shape == "round" and axle.pair.exact_hole and not axle.pair.exact_peg
    assert axle.pair.flipped is None and not axle.pair.turns
    assert foot.pair.shape == "square" and foot.pair.flipped is True and foot.motion == "slide"
    assert rail.pair is None


def test_semicolons_and_commas(tmp_path):
    (tmp_path / JOINTS).write_text("peg_mm;hole_mm\n8,0;8,3\n", "utf-8")
    (joint,) = joints_in(tmp_path)
    assert (joint.peg_mm, joint.hole_mm, joint.name) == (8.0, 8.3, "joint 1")
    assert joints_in(tmp_path / "none") == ()


@pytest.mark.parametrize(
    "line, column, words",
    [
        ("a,rond,8,8.3,,,,", "shape", "did you mean round"),
        ("a,round,0,8.3,,,,", "peg_mm", "greater than 0"),
        ("a,round,8,8.3,both,,,", "bought", "write peg or hole"),
        ("a,round,8,8.3,,upside,,", "way_up", "same or flipped"),
        ("a,round,8,8.3,,,spin,", "motion", "turn, slide or press"),
        ("a,square,8,8.3,,,turn,", "motion", "only a round peg turns"),
    ],
)
def test_every_problem_is_told(line, column, words):
    text = GOOD.splitlines()[0] + "\nfine,round,8,8.3,,,,\n" + line + "\n"
    with pytest.raises(InputErrors) as told:
        read_joints(text.encode(), JOINTS)
    (problem,) = told.value.problems
    assert f"{JOINTS}, line 3, {column}" in str(problem) and words in str(problem)
