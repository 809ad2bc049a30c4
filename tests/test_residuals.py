"""What a corrected part still misses by dimension: against closed forms, and sizes taken on virtual prints."""

from __future__ import annotations

import numpy as np
import pytest

from fitassay.analysis.normal import Normal
from fitassay.analysis.parts.correct import correct
from fitassay.analysis.parts.residuals import Dimensions
from fitassay.analysis.parts.sizes import State
from fitassay.analysis.parts.virtual_print import Sections, printed_region, round_openings
from fitassay.analysis.terms import INDEX
from tests.parts import PARTS, Span, box, drawn, measure, part_of, post
from tests.printers import printer
from tests.test_correct import DOUBT, USUAL, H, W


def known(theta):
    """A printer known as surely as a full set of readings tells it."""
    cov = np.zeros((len(theta), len(theta)))
    for name, sd in DOUBT.items():
        cov[INDEX[name], INDEX[name]] = sd**2
    return State(posterior=Normal(mean=np.array(theta), cov=cov), width=W)


def refined(part, theta):
    state = known(theta)

    def corrected(extra=None):
        return correct(part, theta, W, H, extra=extra)

    return Dimensions(part, state).refine(corrected(), corrected)


def printed(wanted, part, theta, span):
    """A size of the print of `part` [mm], its height by scale as `correct` makes it."""
    low = part.bounds[0, 2]
    z = low + span.z / (1 + theta[INDEX["scale_z"]])
    rings = Sections(part).at(z)
    return measure(printed_region(rings, theta, W, round_openings(Sections(wanted).at(span.z))), span)


def machine(seed):
    rng = np.random.default_rng(seed)
    return printer(**{n: sd * rng.standard_normal() for n, sd in USUAL.items()})


def arm(degrees):
    """A 6 mm arm 40 mm long at an angle, standing alone on the plate, bored at its end."""
    solid = (box(-20, -3, 20, 3, 0, 5) - post(3, 14, 0, -1, 6)).rotate((0, 0, degrees))
    return part_of(solid, f"arm at {degrees}")


def bar():
    """A bar of 200 mm with a bore near either end."""
    return part_of(box(0, 0, 200, 12, 0, 8) - post(8, 20, 6, -1, 9) - post(8, 180, 6, -1, 9), "bar")


MORE = {"arm at 30": lambda: arm(30), "arm at 75": lambda: arm(75), "bar": bar}


def made(name):
    return drawn(name).part if name in PARTS else MORE[name]()


def test_before_is_what_the_closed_forms_say():
    # R = L + 2 p outside and L - 2 p inside; a block with a window.
    part = part_of(box(0, 0, 30, 20, 0, 8) - box(18, 6, 24, 14, -1, 9), "block")
    _, found = refined(part, printer(contour_offset=0.1))
    assert sorted((r.kind, r.nominal_mm, round(r.before_mm, 4)) for r in found) == [
        ("opening", 6.0, -0.2),
        ("opening", 8.0, -0.2),
        ("outline", 20.0, 0.2),
        ("outline", 30.0, 0.2),
    ]


OFTEN = ("bracket", "gear", "plate", "arm at 30")


@pytest.mark.parametrize(
    "name", [n if n in OFTEN else pytest.param(n, marks=pytest.mark.long) for n in (*PARTS, *MORE)]
)
def test_no_dimension_misses_by_more_than_it_is_known_to(name):
    _, found = refined(made(name), machine(5))
    assert found and all(abs(r.left_mm) < r.u_mm for r in found), found
    assert any(abs(r.before_mm) > 2 * r.u_mm for r in found)


SPANS = {
    "bar": (Span(4, 0, 2, 0, 200), Span(4, 1, 100, 0, 12), Span(4, 1, 20, 2, 10), Span(4, 0, 6, 176, 184)),
    "plate": (Span(2, 0, 15, 30, 33.2), Span(2, 1, 48, 6, 12), Span(2, 0, 2, 0, 60)),
}


@pytest.mark.parametrize("name", SPANS)
def test_sizes_taken_on_the_print_agree(name):
    """Sizes between the surfaces of the print, by another code than that which refines."""
    for seed in (5, 6):
        theta, wanted = machine(seed), made(name)
        done, found = refined(wanted, theta)
        for span in SPANS[name]:
            left = printed(wanted, done.part, theta, span) - span.nominal
            like = [r for r in found if abs(r.nominal_mm - span.nominal) < 0.01]
            assert any(abs(left - r.left_mm) < r.uneven_mm + 0.012 for r in like), (span, left, like)
            assert all(abs(left) < 2 * r.u_mm for r in like), (span, left, like)
        assert max(abs(r.left_mm) for r in found) < 0.012


def test_walls_that_a_leaning_frame_with_play_bends_are_told_apart():
    """A slit 22 mm long where x creeps by more than its play: 0.0039 * 22 > 0.063; straight facets cannot follow."""
    _, found = refined(made("plate"), machine(5))
    bent = {round(r.nominal_mm, 2): r.uneven_mm for r in found if r.kind == "opening"}
    assert bent[3.2] > 0.015 > bent[20.0]
    _, found = refined(made("plate"), printer(backlash_x=0.063, backlash_y=0.17))
    assert max(r.uneven_mm for r in found) < 0.01


def test_an_uncorrectable_dimension_is_named():
    """What `correct` leaves alone stays, and is said."""
    part = part_of(box(0, 0, 30, 20, 0, 8), "block")
    theta = printer(contour_offset=0.1)
    untouched = correct(part, printer(), W, H)
    _, found = Dimensions(part, known(theta)).refine(untouched, lambda extra: untouched)
    assert [(round(r.left_mm, 4), r.worth_naming) for r in found] == [(0.2, True)] * 2
