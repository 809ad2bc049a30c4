"""Plan views: what the virtual printer does to a square with a hole, against closed forms derived here."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from fitassay.analysis.chain.simulate import theta_of
from fitassay.coupons.machine import Machine
from fitassay.coupons.sections import Ring
from fitassay.report.picture import FACTORS, coupon_plans, plan_of, plan_svg
from tests import sets

W = 0.45


def square(side: float, middle: float, opening: bool = False) -> Ring:
    a, b = middle - side / 2, middle + side / 2
    # The seam corner is cut: a loop that starts beside a measured flank would change its gain.
    points = np.array([[a + 2, a], [b, a], [b, b], [a, b], [a, a + 2]])
    return Ring(points=points[::-1] if opening else points)


SHAPE = (square(20.0, 10.0), square(10.0, 10.0, opening=True))


def spans(outline: np.ndarray) -> tuple[float, float]:
    return tuple(np.ptp(outline, axis=0))


@pytest.mark.parametrize(
    ("terms", "outer", "inner"),
    [
        # Widths beyond the drawn 20 and 10 mm, from R = L + s (L -+ w) +- (e + 2p) - b.
        ({}, (0.0, 0.0), (0.0, 0.0)),
        ({"backlash_x": 0.2}, (-0.2, 0.0), (-0.2, 0.0)),
        ({"backlash_y": 0.2}, (0.0, -0.2), (0.0, -0.2)),
        ({"contour_offset": 0.1}, (0.2, 0.2), (-0.2, -0.2)),
        ({"bead_excess": 0.1}, (0.1, 0.1), (-0.1, -0.1)),
        ({"scale_x": 0.005}, (0.005 * (20 - W), 0.0), (0.005 * (10 + W), 0.0)),
    ],
)
@pytest.mark.parametrize("factor", [1, 5])
def test_printed_outline_follows_the_closed_forms(
    terms: dict[str, float], outer: tuple[float, float], inner: tuple[float, float], factor: int
) -> None:
    plan = plan_of(SHAPE, theta_of(terms), W, 2.0, factor)
    outside, inside = sorted(plan.printed, key=lambda o: -np.ptp(o))
    assert spans(outside) == pytest.approx(20.0 + factor * np.array(outer), abs=0.006)
    assert spans(inside) == pytest.approx(10.0 + factor * np.array(inner), abs=0.006)


def test_skew_leans_the_outline() -> None:
    plan = plan_of(SHAPE, theta_of({"skew_xy": 0.01}), W, 2.0, 2)
    outside = max(plan.printed, key=np.ptp)
    straight = np.abs(outside[:, 1] - 10) < 10 - W / 2 + 0.02
    right = outside[(outside[:, 0] > 19.5) & straight]
    low, high = right[np.argmin(right[:, 1])], right[np.argmax(right[:, 1])]
    # x += g y, twice exaggerated.
    assert (high - low)[1] > 15
    assert (high - low)[0] / (high - low)[1] == pytest.approx(0.02, abs=0.0005)


def test_flare_shows_at_the_foot_only() -> None:
    theta = theta_of({"first_layer_flare": 0.1})
    foot = max(plan_of(SHAPE, theta, W, 0.1, 1).printed, key=np.ptp)
    above = max(plan_of(SHAPE, theta, W, 2.0, 1).printed, key=np.ptp)
    assert spans(foot) == pytest.approx((20.2, 20.2), abs=0.006)
    assert spans(above) == pytest.approx((20.0, 20.0), abs=0.006)


def test_exaggeration_grows_as_the_error_shrinks() -> None:
    factors = [plan_of(SHAPE, theta_of({"backlash_x": b}), W, 2.0).factor for b in (0.5, 0.2, 0.05, 0.005)]
    assert factors == sorted(factors)
    assert set(factors) <= set(FACTORS)
    assert factors[0] < factors[-1]
    # Exaggerated play must stay shorter than the moves between flanks, or the picture would lie.
    assert all(f * b <= 1.5 for f, b in zip(factors, (0.5, 0.2, 0.05, 0.005), strict=True))


def test_drawing_holds_its_outline_and_a_true_scale_bar() -> None:
    plan = plan_of(SHAPE, theta_of({"contour_offset": 0.2}), W, 2.0)
    svg = plan_svg(plan, 'a "quoted" <title>')
    x, y, width, height = (float(v) for v in re.search(r'viewBox="([^"]+)"', svg).group(1).split())
    numbers = re.search(r'class="printed" d="([^"]+)"', svg).group(1)
    points = np.array([p.split() for p in re.findall(r"-?[\d.]+ -?[\d.]+", numbers)], dtype=float)
    assert points[:, 0].min() > x and points[:, 0].max() < x + width
    assert points[:, 1].min() > y and points[:, 1].max() < y + height
    bar = float(re.search(r"h([\d.]+)m0", svg).group(1))
    assert f">{bar:g} mm</text>" in svg
    assert "&quot;quoted&quot; &lt;title&gt;" in svg


def test_missing_meshes_cost_only_the_pictures(tmp_path: Path) -> None:
    manifest = sets.coupon_set().manifest
    assert coupon_plans(manifest, tmp_path, theta_of({"backlash_x": 0.1})) == ()
    (tmp_path / manifest.coupons[0].file).write_bytes(b"solid nothing")
    assert coupon_plans(manifest, tmp_path, theta_of({})) == ()


def test_machine_default_bead_is_the_one_drawn() -> None:
    assert Machine().line_width_mm == W


@pytest.mark.parametrize("size", [(8.0, 60.0), (20.0, 60.0), (35.0, 60.0), (60.0, 60.0), (60.0, 8.0)])
def test_the_scale_bar_ends_before_the_arrow_begins(size: tuple[float, float]) -> None:
    x, y = size
    ring = Ring(points=np.array([[0.0, 0.0], [x, 0.0], [x, y], [0.0, y]]))
    svg = plan_svg(plan_of((ring,), theta_of({}), W, 2.0, 1), "plate")
    number, letter = re.search(r'<text x="([\d.]+)"[^>]*font-size="([\d.]+)"[^>]*>\d+ mm<', svg).groups()
    begin = re.findall(r'<path class="thin" d="M([\d.]+) ', svg)[1]
    # "10 mm" in a common sans-serif face is under 3.2 letters' height wide.
    assert float(number) + 3.2 * float(letter) <= float(begin)
