"""joints.csv: what the case is judged by, with every problem named by line and column."""

import math

import pytest

from fitassay.analysis.parts.joints import JOINTS, joints_in, read_joints
from fitassay.coupons.errors import InputErrors
from fitassay.reading_dialog.joints import joint_row
from tests.test_cli import run

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
    assert rail.pair.shape == "slot" and rail.pair.across == "" and rail.pair.flipped is None


def test_joints_along_an_edge():
    text = (
        "name,shape,peg_mm,hole_mm,across,angle_deg\n"
        "carriage,dovetail,10,10.4,y,45\nbolt,t-head,12,12.3,,\nkey,key,4,4.2,x,\n"
    )
    carriage, bolt, key = (joint.pair for joint in read_joints(text.encode(), JOINTS))
    assert (carriage.across, math.degrees(carriage.angle)) == ("y", pytest.approx(45.0))
    assert (bolt.shape, bolt.angle, key.across) == ("t-head", None, "x")


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
        ("a,slot,8,8.3,,,turn,", "motion", "only a round peg turns"),
        ("a,slit,8,8.3,,,,", "shape", "did you mean slot"),
        ("a,round,8,8.3,,,,,x,", "across", "along an edge only"),
        ("a,slot,8,8.3,,,,,z,", "across", "write x or y"),
        ("a,slot,8,8.3,,,,,x,60", "angle_deg", "said of a dovetail"),
        ("a,dovetail,8,8.3,,,,,x,6", "angle_deg", "from 30 to under 90"),
        ("a,dovetail,8,8.3,,,,,x,steep", "angle_deg", "steep"),
        ("a,dovetail,8,8.3,,,,,x,0", "angle_deg", "from 30 to under 90"),
    ],
)
def test_every_problem_is_told(line, column, words):
    text = GOOD.splitlines()[0] + ",across,angle_deg\nfine,round,8,8.3,,,,\n" + line + "\n"
    with pytest.raises(InputErrors) as told:
        read_joints(text.encode(), JOINTS)
    (problem,) = told.value.problems
    assert f"{JOINTS}, line 3, {column}" in str(problem) and words in str(problem)


@pytest.mark.parametrize("command", ["diagnose", "predict"])
def test_a_joint_thinner_than_a_bead_is_told_by_its_file(tmp_path, command):
    place = tmp_path / "case"
    for args in (["init", place, "--yes"], ["make", place, "--quick"], ["simulate", place]):
        assert run(*map(str, args))[0] == 0
    (place / "joints.csv").write_text("shape,peg_mm,hole_mm,motion\nslot,0.3,6.3,slide\n")
    code, _, err = run(command, str(place))
    assert (
        code == 2
        and "joints.csv, line 2, peg_mm: a 0.3 mm tongue is thinner than one bead of 0.45 mm"
        in " ".join(err.split())
    )


def test_a_typed_joint_has_one_shape():
    assert joint_row("6 in 6.3 t-slot", 1).startswith("joint 1,t-slot,6,6.3,")
    with pytest.raises(ValueError, match="one shape; write slot or key"):
        joint_row("6 in 6.3 slot key", 1)
