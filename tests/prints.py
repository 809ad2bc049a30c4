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


def coupon(
    name: str, family: str, size: tuple[float, float, float], plate: int, *features: Feature
) -> Coupon:
    return Coupon(id=name, family=family, file=f"{name}.stl", size_mm=size, plate=plate, features=features)


MANIFEST = Manifest(
    line_width_mm=0.45,
    layer_height_mm=0.2,
    coupons=(
        coupon(
            "boss",
            "stepped-boss",
            (20.0, 20.0, 10.0),
            1,
            feature("x20", 20.0),
            feature("y20", 20.0, direction=90.0),
            feature("x8", 8.0),
        ),
        coupon(
            "comb-x",
            "reversal-comb",
            (40.0, 20.0, 5.0),
            2,
            feature("stem6", 6.0),
            feature("neck6", 6.0, "inside"),
        ),
        coupon("ladder", "fit-ladder", (40.0, 20.0, 5.0), 2, feature("rung1", 8.0, "inside")),
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
