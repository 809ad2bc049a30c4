"""Where a report comes from: machine, readings, settings, programs and digests of the files."""

from __future__ import annotations

import hashlib
from pathlib import Path

from fitassay.analysis import rounding
from fitassay.analysis.result import Diagnosis
from fitassay.coupons.feature import Manifest
from fitassay.coupons.files import is_there, read_input
from fitassay.coupons.machine import FIGURES, Machine
from fitassay.labels import capital, plain


def versions() -> dict[str, str]:
    """The programs that made the result, by name."""
    import platform
    from importlib import metadata

    found = {}
    for name in ("fitassay", "numpy", "scipy", "shapely", "manifold3d"):
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            found[name] = "not installed as a package"
    return {**found, "Python": platform.python_version()}


def provenance(
    diagnosis: Diagnosis, manifest: Manifest, folder: Path, machine: Machine
) -> list[tuple[str, str]]:
    bead = f"{rounding.exact(manifest.line_width_mm)} mm wide, {rounding.exact(manifest.layer_height_mm)} mm high"
    features = len(manifest.asked)
    rows = [
        ("Machine", plain(machine.name, 200)),
        ("Material", plain(machine.material, 60) + (", soft" if machine.soft else "")),
        ("Bead drawn for", bead),
        ("Coupons", f"{len(manifest.coupons)} with {features} features"),
        ("Readings", f"{sum(f.repeats for f in diagnosis.fits)} on {len(diagnosis.fits)} features"),
    ]
    for figure in FIGURES:
        if figure.section in ("settings", "caliper", "scale"):
            value, unit = rounding.face(machine[figure.key], figure.unit)
            rows.append((capital(figure.label), rounding.with_unit(rounding.exact(value), unit)))
    rows += list(versions().items())
    for name, kind in (("coupons.json", "manifest"), ("readings.csv", "list")):
        path = folder / name
        if is_there(path):
            digest = hashlib.sha256(read_input(path, kind)).hexdigest()
            rows.append((f"{name}, SHA-256", digest[:16]))
    return rows
