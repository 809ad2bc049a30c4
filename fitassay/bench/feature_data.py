"""A feature as the page lists it, plain data."""

from __future__ import annotations

from typing import Any

from fitassay.analysis.readings.reading import is_trial
from fitassay.coupons.feature import RIM_MM, Coupon, Feature
from fitassay.labels import plain

LONGEST_SHOWN = 400

KIND_WORDS = {
    "outside": "outside jaws",
    "inside": "inside jaws",
    "thickness": "outside jaws over one wall",
    "height": "height",
    "diagonal": "outside jaws on two corners",
    "rim": f"outside jaws over the top {RIM_MM:g} mm only",
    "vernier": "by eye, the pair that lines up",
    "gap": "by eye, the first pair with light between",
}
TRIAL_WORDS = "a peg tried by hand"
EDGE_WORDS = "knife edges along one layer of the wall"


def words_of(coupon: Coupon, feature: Feature) -> str:
    """How a feature is read, in a few words."""
    if is_trial(coupon, feature):
        return TRIAL_WORDS
    return EDGE_WORDS if feature.edge else KIND_WORDS[feature.kind]


def feature_data(number: int, coupon: Coupon, feature: Feature) -> dict[str, Any]:
    """One feature as the page lists it."""
    return {
        "number": number,
        "coupon": coupon.id,
        "feature": feature.id,
        "kind": feature.kind,
        "words": words_of(coupon, feature),
        "nominal": feature.nominal_mm,
        "pairs": f"pairs {feature.pairs.first} to {feature.pairs.last}" if feature.pairs else "",
        "jaw": 2 * feature.pairs.tick_mm if feature.pairs else feature.jaw_mm,
        "instruction": plain(feature.instruction, LONGEST_SHOWN),
        "trial": is_trial(coupon, feature),
        "optional": feature.optional,
    }
