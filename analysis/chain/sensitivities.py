"""The readings of a whole set of coupons as a function of the printer's errors, and their sensitivities.

The same functions, fed with one printer's errors, are the virtual print; differentiated, they are the
sensitivity coefficients (GUM 5.1.3) of every reading.
"""

from __future__ import annotations

from collections.abc import Mapping
from copy import copy
from dataclasses import replace
from functools import cached_property
from pathlib import Path

import numpy as np

from fitassay.analysis.chain.loops import Loop
from fitassay.analysis.chain.span import CouponWalk
from fitassay.analysis.controls import ConstantHoles
from fitassay.analysis.terms import PLAYS, TERMS, errors_of
from fitassay.coupons.export.stl import read_coupon
from fitassay.coupons.feature import Manifest
from fitassay.coupons.machine import Machine
from fitassay.coupons.sections import Sliceable, Slicer


class SetWalk:
    """The readings of a whole manifest as a function of the printer's errors.

    Attributes
    ----------
    manifest : Manifest
    keys : tuple of (coupon id, feature id)
        Column order.
    features : tuple of Feature
    round : tuple of bool
        True for features on round openings.
    surplus : ndarray (features,) [mm]
        What a constant hole compensation adds to round openings beyond what the terms tell.
    jumps : bool
        A backlash compensation set too high jumps at the reversal; else it mirrors the play.
    """

    jumps = False

    def __init__(
        self,
        manifest: Manifest,
        slicers: Mapping[str, Sliceable],
        loops: Mapping[str, dict[float, tuple[Loop, ...]]] | None = None,
        machine: Machine | None = None,
    ) -> None:
        """Place all features; `slicers` and the optional real `loops` by coupon id.

        Of `machine` only what it adds to round openings beyond what the terms tell counts.
        """
        self.manifest = manifest
        # Rows read by eye are no caliper's: see `chain.pairs`.
        coupons = [
            replace(c, features=tuple(f for f in c.features if not f.by_eye)) for c in manifest.coupons
        ]
        self.walks = tuple(
            CouponWalk(
                c, slicers[c.id], manifest.line_width_mm, (loops or {}).get(c.id), manifest.layer_height_mm
            )
            for c in coupons
        )
        self.keys = tuple((c.id, f.id) for c in coupons for f in c.features)
        self.features = tuple(f for c in coupons for f in c.features)
        self.round = tuple(w.is_round(f) for w in self.walks for f in w.coupon.features)
        holes = ConstantHoles() if machine is None else ConstantHoles.of(machine)
        surplus = [
            holes.surplus(f.nominal_mm) if bore else 0.0
            for f, bore in zip(self.features, self.round, strict=True)
        ]
        self.surplus = np.array(surplus, dtype=float)

    @classmethod
    def open(
        cls,
        manifest: Manifest,
        folder: Path,
        loops: Mapping[str, dict[float, tuple[Loop, ...]]] | None = None,
        machine: Machine | None = None,
    ) -> SetWalk:
        """With the meshes that lie beside the manifest in `folder`."""
        slicers = {c.id: Slicer(read_coupon(c, folder), c.file) for c in manifest.coupons}
        return cls(manifest, slicers, loops, machine)

    def readings(self, theta: np.ndarray) -> np.ndarray:
        """Noise-free readings (n, features) [mm] of printers with terms `theta` (n, terms)."""
        errors = errors_of(theta)
        errors.jumps = self.jumps
        return np.concatenate([walk.readings(errors) for walk in self.walks], axis=1) + self.surplus

    def jumping(self) -> SetWalk:
        """The same set on printers whose compensations jump; only those that are set too high differ."""
        other = copy(self)
        other.__dict__.pop("_linear_at_ideal", None)
        other.jumps = True
        return other

    def linearise(self, theta: np.ndarray | None = None) -> tuple[np.ndarray, np.ndarray]:
        """Readings and their derivatives about one printer.

        Parameters
        ----------
        theta : ndarray (terms,), optional
            Where; default the perfect printer.

        Returns
        -------
        base : ndarray (features,) [mm]
        gains : ndarray (features, terms)
            d reading / d term, by forward differences with each term's own step: play is one-sided at zero (a jaw
            with a flat does not see the first micrometres of it in a bore), all else is smooth. Where compensations
            jump, play is meant that is compensated too much.
        """
        if theta is None:
            return self._linear_at_ideal
        return self._linear_at(np.asarray(theta, dtype=float))

    @cached_property
    def _linear_at_ideal(self) -> tuple[np.ndarray, np.ndarray]:
        """About the perfect printer, which every reading of a print is first held against; nobody may change it."""
        base, gains = self._linear_at(np.zeros(len(TERMS)))
        base.flags.writeable = gains.flags.writeable = False
        return base, gains

    def _linear_at(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        steps = np.array([t.step for t in TERMS])
        if self.jumps:
            steps[list(PLAYS)] *= -1
        values = self.readings(np.concatenate([theta[None], theta + np.diag(steps)]))
        return values[0], ((values[1:] - values[0]) / steps[:, None]).T
