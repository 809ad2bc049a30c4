"""The virtual print: caliper readings of a printer with given errors, through the toolpath chain."""

from __future__ import annotations

import numpy as np

from fitassay.analysis.chain.pairs import pair_value
from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.readings.file import Reading
from fitassay.analysis.readings.pairs import NO_PAIR
from fitassay.analysis.terms import INDEX, TERMS, errors_of
from fitassay.coupons.errors import InputError
from fitassay.coupons.machine import Kinematics
from fitassay.coupons.wording import listed

EYE_MM = 0.01
"""Scatter of an eye that counts a row of pairs (common practice, no source)."""


def theta_of(values: dict[str, float], kinematics: Kinematics | None = None) -> np.ndarray:
    """Term values by name as a vector (terms,); terms not named are zero.

    Raises
    ------
    InputError
        Unknown name, not a finite number, or an error that a machine of that kinematics does not have.
    """
    theta = np.zeros(len(TERMS))
    for name, value in values.items():
        if name not in INDEX:
            raise InputError(f"no error term is called {name}; known: {', '.join(INDEX)}", "simulate")
        if not np.isfinite(value):
            raise InputError(f"{name} must be a finite number (got {value})", "simulate")
        term = TERMS[INDEX[name]]
        if value and kinematics is not None and kinematics not in term.kinematics:
            own = listed((t.name for t in TERMS if kinematics in t.kinematics), "or")
            raise InputError(
                f"a {kinematics} machine has no {term.label}; choose among {own}, or another kinematics in "
                "machine.toml",
                "simulate",
            )
        theta[INDEX[name]] = value
    return theta


def caliper_values(
    exact: np.ndarray, noise_mm: float, resolution_mm: float, rng: np.random.Generator
) -> np.ndarray:
    """What the display shows: normal scatter of one reading, then rounding to the caliper's step [mm]."""
    shown = exact + noise_mm * rng.standard_normal(exact.shape)
    if resolution_mm > 0:
        shown = np.round(np.round(shown / resolution_mm) * resolution_mm, 6)
    return shown


def simulate(
    walk: SetWalk,
    theta: np.ndarray,
    *,
    noise_mm: float = 0.02,
    resolution_mm: float = 0.01,
    seed: int = 0,
    repeats: int = 1,
    references: dict[str, float] | None = None,
    rims: bool = False,
    exact: np.ndarray | None = None,
) -> tuple[Reading, ...]:
    """Readings of one virtual print.

    Parameters
    ----------
    walk : SetWalk
    theta : ndarray (terms,)
        The printer's and the caliper's errors.
    noise_mm : float [mm]
        Standard deviation of one reading.
    resolution_mm : float [mm]
        The caliper's step; 0 for exact values.
    seed : int
    repeats : int
        Readings per feature.
    references : dict of str to float [mm], optional
        Reference pieces to read as well, e.g. ``{"outside:10.000": 10.0}``.
    rims : bool
        Read rims and single layers, too, after all else.
    exact : ndarray (features,) [mm], optional
        What a perfect caliper would read, where something else than the walk prints.
    """
    rng = np.random.default_rng(seed)
    asked = [i for i, f in enumerate(walk.features) if not f.optional]
    more = [i for i, f in enumerate(walk.features) if f.optional and rims]
    keys = [walk.keys[i] for i in (*asked, *more)]
    true = (walk.readings(theta[None])[0] if exact is None else exact)[[*asked, *more]]
    for feature, size in (references or {}).items():
        keys.insert(0, ("reference", feature))
        true = np.insert(true, 0, size + theta[INDEX[f"{feature.partition(':')[0]}_bias"]])
    values = caliper_values(np.repeat(true, repeats), noise_mm, resolution_mm, rng)
    taken = tuple(
        Reading(coupon=c, feature=f, reading_mm=float(v), note="simulated", line=line)
        for line, ((c, f), v) in enumerate(
            zip([k for k in keys for _ in range(repeats)], values, strict=True), start=2
        )
    )
    return taken + _counted(walk, theta, rng, repeats, 2 + len(taken))


def _counted(
    walk: SetWalk, theta: np.ndarray, rng: np.random.Generator, repeats: int, line: int
) -> tuple[Reading, ...]:
    """Rows of pairs as an eye counts them: to halves, closing gaps to whole pairs; none where it is off the row."""
    errors = errors_of(theta)
    counted = []
    for coupon, feature in ((c, f) for c in walk.manifest.coupons for f in c.features if f.pairs):
        pairs = feature.pairs
        assert pairs is not None
        for _ in range(repeats):
            shown = (
                pair_value(feature, errors, walk.manifest.line_width_mm)[0] + EYE_MM * rng.standard_normal()
            )
            exact = float(shown) / pairs.step_mm
            number = np.ceil(exact) if feature.kind == "gap" else np.round(2 * exact) / 2
            number = max(number, pairs.first) if feature.kind == "gap" else number
            seen = pairs.first <= number <= pairs.last
            counted.append(
                Reading(
                    coupon=coupon.id,
                    feature=feature.id,
                    reading_mm=None,
                    note="simulated",
                    line=line + len(counted),
                    fit="" if seen else NO_PAIR[feature.kind],
                    pair=float(number) if seen else None,
                )
            )
    return tuple(counted)
