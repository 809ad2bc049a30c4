"""Sizes of bought parts, against values of the standards (from memory), and the words about them."""

import pytest

from fitassay.analysis.parts.bought_parts import bought_sizes
from tests.fit_case import case, run


@pytest.mark.parametrize(
    ("nominal", "side", "name", "low", "high"),
    [
        # ISO 2338 pins to m6: +0.002 to +0.008 at 3 mm, +0.006 to +0.015 at 8 mm.
        (3, "peg", "pin", 3.002, 3.008),
        (8, "peg", "pin", 8.006, 8.015),
        # h6 and h9 at 8 mm: 9 and 36 micrometres under.
        (8, "peg", "ground shaft", 7.991, 8.0),
        (8, "peg", "drawn rod", 7.964, 8.0),
        # ISO 492, normal class: the rings of a bearing 8 x 22.
        (8, "hole", "bearing", 7.992, 8.0),
        (22, "peg", "bearing", 21.991, 22.0),
        (10, "peg", "magnet", 9.9, 10.1),
    ],
)
def test_limits(nominal, side, name, low, high):
    (got,) = [b for b in bought_sizes(nominal, side) if b.name == name]
    assert (got.low, got.high) == pytest.approx((low, high), abs=1e-9)


def test_nothing_is_made_up_beyond_the_tables():
    assert [b.name for b in bought_sizes(300, "peg")] == ["magnet"]
    assert bought_sizes(300, "hole") == ()


@pytest.mark.long
def test_a_bought_side_is_told_its_usual_size_and_never_redrawn(tmp_path):
    place = case(tmp_path)
    (place / "joints.csv").write_text(
        "name,shape,peg_mm,hole_mm,bought,way_up,motion,now\n"
        "axle,round,8,8,peg,,turn,\nseat,round,8,8,hole,,press,\nrail,slot,5,5.2,,,slide,\n"
    )
    flat = " ".join(run("diagnose", place)[1].split())
    axle, seat, rail = (flat[flat.index(w) :].split(" mm. ")[0] for w in ("axle,", "seat,", "rail,"))
    assert "draw the hole" in flat[flat.index("axle,") : flat.index("seat,")]
    assert "draw the peg" in flat[flat.index("seat,") : flat.index("rail,")]
    assert "pin (m6) 8.006 to 8.015" in flat and "bearing (ISO 492, normal class) 7.992 to 8.000" in flat
    assert "after the changes below" in rail and "draw the slot" in rail and axle and seat
