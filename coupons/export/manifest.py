"""coupons.json: writing the manifest, and reading it back from a file that anyone may have edited."""

from __future__ import annotations

import json
import math
import re
from dataclasses import asdict
from pathlib import Path
from typing import Any

from fitassay.coupons.errors import InputError, InputErrors
from fitassay.coupons.feature import Coupon, Feature, Manifest, Pairs
from fitassay.coupons.files import read_input

SCHEMA = 1


def manifest_json(manifest: Manifest) -> str:
    """The text of coupons.json."""
    data = asdict(manifest)
    data = {"schema": data.pop("schema"), **data}
    for feature in (f for c in data["coupons"] for f in c["features"]):
        if feature["pairs"] is None:
            del feature["pairs"]
        if not feature["cross_check"]:
            del feature["cross_check"]
    return json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def read_manifest(path: Path) -> Manifest:
    """The manifest in `path`.

    Raises
    ------
    InputError, InputErrors
        The file is missing, is no JSON, of another schema version, or fields are missing, of a wrong type, out of
        range or not unique; every problem is named with its field.
    """
    path = Path(path)
    data = _load(path)
    if not isinstance(data, dict):
        raise InputError("must hold one JSON object; make the coupons again", str(path))
    if data.get("schema") != SCHEMA or isinstance(data.get("schema"), bool):
        raise InputError(
            f"schema must be {SCHEMA} (got {json.dumps(data.get('schema'))}); the file belongs to another version, "
            "make the coupons again",
            f"{path}: schema",
        )
    manifest = _checked(path, data)
    problems = [InputError(text, f"{path}: {where}") for where, text in _inconsistencies(manifest)]
    if problems:
        raise InputErrors(problems)
    return manifest


def _load(path: Path) -> Any:
    raw = read_input(path, "manifest", "no such file; run fitassay make first")
    try:
        return json.loads(raw.decode("utf-8-sig"))
    except UnicodeDecodeError:
        raise InputError("is not UTF-8 text; make the coupons again", str(path)) from None
    except json.JSONDecodeError as exc:
        raise InputError(
            f"is not JSON ({exc.msg}); make the coupons again",
            f"{path}: line {exc.lineno}, column {exc.colno}",
        ) from None
    except ValueError:
        number = re.search(rb"\d{4000,}", raw)
        line = raw.count(b"\n", 0, number.start() if number else 0) + 1
        raise InputError(
            "holds a number with thousands of digits; make the coupons again", f"{path}: line {line}"
        ) from None
    except RecursionError:
        raise InputError("is nested too deeply to be a manifest; make the coupons again", str(path)) from None


def _checked(path: Path, data: dict[str, Any]) -> Manifest:
    """The data as a `Manifest`, all type and range problems collected."""
    # Only reading needs pydantic, and it is slow to import.
    from pydantic import ValidationError

    from fitassay.coupons.export.manifest_data import ManifestData

    try:
        found = ManifestData.model_validate(data)
    except ValidationError as exc:
        raise InputErrors(
            [
                InputError(_sentence(problem), f"{path}: {_field(problem['loc'])}")
                for problem in exc.errors(include_url=False, include_context=False)
            ]
        ) from None
    return Manifest(
        line_width_mm=found.line_width_mm,
        layer_height_mm=found.layer_height_mm,
        coupons=tuple(_coupon(c.model_dump()) for c in found.coupons),
    )


def _coupon(data: dict[str, Any]) -> Coupon:
    features = tuple(
        Feature(
            **{
                **f,
                "contact_a_mm": tuple(f["contact_a_mm"]),
                "contact_b_mm": tuple(f["contact_b_mm"]),
                "pairs": Pairs(**{**f["pairs"], "ways": tuple(f["pairs"]["ways"])}) if f["pairs"] else None,
            }
        )
        for f in data.pop("features")
    )
    return Coupon(
        **{
            **data,
            "size_mm": tuple(data["size_mm"]),
            "origin_on_plate_mm": tuple(data["origin_on_plate_mm"]),
            "features": features,
        }
    )


def _field(loc: tuple[int | str, ...]) -> str:
    out = ""
    for part in loc:
        out += f"[{part}]" if isinstance(part, int) else f".{part}" if out else part
    return out


def _sentence(problem: Any) -> str:
    if problem["type"] == "missing":
        return "is missing; make the coupons again"
    got = problem["input"]
    shown = json.dumps(got, default=str)
    shown = shown if len(shown) <= 60 else f"{shown[:57]}..."
    message = problem["msg"]
    return f"{message[:1].lower()}{message[1:]} (got {shown}); make the coupons again"


def _inconsistencies(manifest: Manifest) -> list[tuple[str, str]]:
    """What no type check sees: double names, paths out of the folder, nominals unlike their contacts."""
    problems: list[tuple[str, str]] = []
    for what in ("id", "file"):
        problems += _double([getattr(c, what) for c in manifest.coupons], "coupons", what)
    for i, coupon in enumerate(manifest.coupons):
        if coupon.file in {".", ".."} or any(c in coupon.file for c in "/\\\0"):
            problems.append((f"coupons[{i}].file", f"must be a plain file name (got {coupon.file!r})"))
        problems += _double([f.id for f in coupon.features], f"coupons[{i}].features", "id")
        for j, feature in enumerate(coupon.features):
            if feature.by_eye != (feature.pairs is not None):
                what = "needs its pairs" if feature.by_eye else "is read with a caliper and has no pairs"
                problems.append(
                    (f"coupons[{i}].features[{j}].pairs", f"{feature.kind} {what}; make the coupons again")
                )
            apart = math.dist(feature.contact_a_mm, feature.contact_b_mm)
            if abs(apart - feature.nominal_mm) > 1e-3:
                problems.append(
                    (
                        f"coupons[{i}].features[{j}].nominal_mm",
                        f"must be the distance of its contacts, {apart:.4f} (got {feature.nominal_mm:g})",
                    )
                )
    return problems


def _double(names: list[str], where: str, what: str) -> list[tuple[str, str]]:
    seen: set[str] = set()
    out = []
    for i, name in enumerate(names):
        if name in seen:
            out.append((f"{where}[{i}].{what}", f"{name!r} is there twice; make the coupons again"))
        seen.add(name)
    return out
