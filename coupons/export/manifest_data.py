"""The fields of coupons.json with their types and ranges."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from fitassay.coupons.feature import Kind

LONGEST_MM = 1e5
MOST = 1000
"""Most features of a coupon, most coupons of a set: far above any print, low enough to stay quick."""

Number = Annotated[float, Field(allow_inf_nan=False, ge=-LONGEST_MM, le=LONGEST_MM)]
Size = Annotated[float, Field(allow_inf_nan=False, gt=0, le=LONGEST_MM)]
Name = Annotated[str, StringConstraints(min_length=1, max_length=200)]
Point = Annotated[list[Number], Field(min_length=3, max_length=3)]


class Strict(BaseModel):
    """Numbers are numbers, texts are texts; fields that a later version may add are let through."""

    model_config = ConfigDict(strict=True, extra="ignore")


class PairsData(Strict):
    """A `coupons.feature.Pairs` as JSON."""

    first: Annotated[int, Field(ge=-MOST, le=MOST)]
    last: Annotated[int, Field(ge=-MOST, le=MOST)]
    step_mm: Size
    pitch_mm: Size
    tick_mm: Size
    lead_mm: Size
    ways: Annotated[list[Literal[-1, 1]], Field(min_length=2, max_length=2)]
    slow: bool = False


class FeatureData(Strict):
    """A `coupons.feature.Feature` as JSON."""

    id: Name
    kind: Kind
    direction_deg: Annotated[float, Field(allow_inf_nan=False, ge=-360, le=360)]
    nominal_mm: Size
    contact_a_mm: Point
    contact_b_mm: Point
    jaw_mm: Annotated[float, Field(allow_inf_nan=False, ge=0, le=LONGEST_MM)]
    instruction: Annotated[str, StringConstraints(max_length=10_000)]
    pairs: PairsData | None = None
    cross_check: bool = False


class CouponData(Strict):
    """A `coupons.feature.Coupon` as JSON."""

    id: Name
    family: Name
    file: Name
    size_mm: Annotated[list[Size], Field(min_length=3, max_length=3)]
    plate: Annotated[int, Field(ge=1, le=MOST)]
    origin_on_plate_mm: Annotated[list[Number], Field(min_length=2, max_length=2)]
    single_wall: bool
    features: Annotated[list[FeatureData], Field(max_length=MOST)]


class ManifestData(Strict):
    """A `coupons.feature.Manifest` as JSON."""

    line_width_mm: Size
    layer_height_mm: Size
    coupons: Annotated[list[CouponData], Field(min_length=1, max_length=MOST)]
