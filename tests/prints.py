"""A small print for tests that need coupons but no plastic: two coupons of the orrery bench, by hand."""

from __future__ import annotations

from pathlib import Path

from fitassay.coupons.export.manifest import manifest_json
from fitassay.coupons.feature import Coupon, Feature, Kind, Manifest
from fitassay.coupons.machine import Machine
from fitassay.coupons.machine_file import machine_toml


def feature(name: str, nominal: float, kind: Kind = "outside", direction: float = 0.0) -> Feature:
    return Feature(
        id=name,
        kind=kind,
        direction_deg=direction,
        nominal_mm=nominal,
        contact_a_mm=(0.0, 1.0, 2.5),
        contact_b_mm=(nominal, 1.0, 2.5),
        jaw_mm=3.0,
        instruction=f"Jaws on {name}.",
    )


MANIFEST = Manifest(
    line_width_mm=0.45,
    layer_height_mm=0.2,
    coupons=(
        Coupon(
            id="boss",
            family="stepped-boss",
            file="boss.stl",
            size_mm=(20.0, 20.0, 10.0),
            features=(feature("x20", 20.0), feature("y20", 20.0, direction=90.0), feature("x8", 8.0)),
        ),
        Coupon(
            id="comb-x",
            family="reversal-comb",
            file="comb-x.stl",
            size_mm=(40.0, 20.0, 5.0),
            plate=2,
            features=(feature("stem6", 6.0), feature("neck6", 6.0, "inside")),
        ),
        Coupon(
            id="ladder",
            family="fit-ladder",
            file="ladder.stl",
            size_mm=(40.0, 20.0, 5.0),
            plate=2,
            features=(feature("rung1", 8.0, "inside"),),
        ),
    ),
)
FEATURES = [(c.id, f.id) for c in MANIFEST.coupons for f in c.features]


def small_case(folder: Path, machine: Machine | None = None) -> Path:
    """A case in `folder` whose print 01 holds `MANIFEST` and no readings file; returns the print's folder."""
    target = folder / "prints" / "01"
    target.mkdir(parents=True)
    (folder / "machine.toml").write_text(machine_toml(machine or Machine(name="orrery bench")), "utf-8")
    (target / "coupons.json").write_text(manifest_json(MANIFEST), "utf-8")
    return target
