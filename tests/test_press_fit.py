"""Press fits against a textbook's example, and against the ring solved by finite differences."""

from __future__ import annotations

import numpy as np
import pytest

from fitassay.analysis.parts.press_fit import POISSON, press_fit
from fitassay.coupons.errors import InputError
from tests.fit_case import case, run, run_json

PSI = 0.00689476
INCH = 25.4


def test_built_up_cylinder_of_the_textbook() -> None:
    """Timoshenko, Strength of Materials II: a 4, b 6, c 8 in, E 30e6 psi, radial interference 0.005 in: 4050 psi.

    From memory.
    """
    got = press_fit(2 * 0.005 * INCH, 12 * INCH, 16 * INCH, 30e6 * PSI, 1.0, hollow_mm=8 * INCH)
    assert got.pressure_mpa / PSI == pytest.approx(4050, rel=0.001)


def test_ring_and_peg_against_the_equation_of_equilibrium() -> None:
    """u'' + u'/r - u/r^2 = 0 solved by finite differences in the ring; a solid peg shrinks by (1 - nu) p b / E."""
    b, c, modulus, delta = 4.0, 9.0, 2400.0, 0.05
    r = np.linspace(b, c, 801)
    h = r[1] - r[0]
    matrix = np.zeros((3, len(r)))
    matrix[1] = -2 / h**2 - 1 / r**2
    matrix[0, 1:] = 1 / h**2 + 1 / (2 * h * r[:-1])
    matrix[2, :-1] = 1 / h**2 - 1 / (2 * h * r[1:])
    full = np.diag(matrix[1]) + np.diag(matrix[0, 1:], 1) + np.diag(matrix[2, :-1], -1)
    full[0] = 0.0
    full[-1] = 0.0
    plane = modulus / (1 - POISSON**2)
    # Unit pressure at the bore, none outside; sigma_r = plane (u' + nu u / r), one-sided differences of order two.
    full[0, :3] = plane * np.array([-1.5, 2.0, -0.5]) / h
    full[0, 0] += plane * POISSON / b
    full[-1, -3:] = plane * np.array([0.5, -2.0, 1.5]) / h
    full[-1, -1] += plane * POISSON / c
    right = np.zeros(len(r))
    right[0] = -1.0
    widened = np.linalg.solve(full, right)[0]
    pressure = delta / 2 / (widened + (1 - POISSON) * b / modulus)
    got = press_fit(delta, 2 * b, 2 * c, modulus, 40.0)
    assert got.pressure_mpa == pytest.approx(pressure, rel=0.002)
    assert got.strain == pytest.approx(widened * pressure / b, rel=0.002)


def test_nothing_is_pressed_where_there_is_room() -> None:
    got = press_fit(-0.1, 8.0, 16.0, 2400.0, 40.0)
    assert (got.pressure_mpa, got.strain, got.of_yield) == (0.0, 0.0, 0.0)


@pytest.mark.parametrize(("outer", "modulus"), [(8.0, 2400.0), (7.0, 2400.0), (16.0, 0.0)])
def test_impossible_rings_are_refused(outer: float, modulus: float) -> None:
    with pytest.raises(InputError):
        press_fit(0.1, 8.0, outer, modulus, 40.0)


def test_the_command_tells_the_strain_and_promises_no_force(tmp_path) -> None:
    folder = case(tmp_path)
    words = (
        "predict",
        folder,
        "--pair",
        "8.2,8.0",
        "--flipped",
        "--ring",
        "16",
        "--modulus",
        "2400",
        "--yield",
        "40",
    )
    press = run_json(*words)["pairs"][0]["press"]
    assert 0 < press["low"]["strain"] < press["mean"]["strain"] < press["high"]["strain"]
    text = " ".join(run(*words)[1].split())
    assert "stretches the hole by" in text
    assert "no holding force is promised" in text
    code, _, err = run("predict", folder, "--ring", "16")
    assert code == 2
    assert "--pair" in err
