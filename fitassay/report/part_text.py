"""What is foretold of a part's own features: as data, and as lines for the terminal."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from fitassay.coupons.wording import listed
from fitassay.terminal import say, table

if TYPE_CHECKING:
    from pathlib import Path

    from fitassay.analysis.parts.part_facing import Facing
    from fitassay.analysis.parts.part_listing import PartFeature, PartListing
    from fitassay.analysis.parts.sizes import State

BINDS = 0.5
"""A joint that is more likely than not too tight is drawn to the eye."""

REMARK_WORDS = {
    "across-layers": "lies: how far its roof sags is not known",
    "leaning": "leans: what steps of layers do to it is not known",
    "interrupted": "a part of its wall is missing",
    "not-walked": "too small or too thin to say",
}
BY_WORDS = {"place": "", "size": " (taken to go together by size: the files do not lie on each other)"}


def part_data(
    listings: list[PartListing], state: State, joints: tuple[Facing, ...], pictures: list[Path]
) -> dict[str, Any]:
    """The features of one or two parts, and the joints between them."""
    from fitassay.analysis.parts.round_features import RoundFeature

    def feature(listing: PartListing, f: PartFeature) -> dict[str, Any]:
        shape = f.shape
        rounds = isinstance(shape, RoundFeature)
        return {
            "number": f.number,
            "kind": shape.kind,
            "drawn_mm": list(f.sizes_mm),
            "centre_mm": [float(v) for v in listing.place(f)],
            "axis": list(shape.axis) if rounds else [0.0, 0.0, 1.0],
            "length_mm": shape.length_mm if rounds else shape.height_mm,
            "printed": [
                {
                    "direction_deg": math.degrees(angle),
                    "mean_mm": s.mean,
                    "std_uncertainty_mm": s.u,
                    "low_mm": s.low,
                    "high_mm": s.high,
                }
                for angle, s in f.printed
            ],
            "remarks": list(f.remarks),
        }

    return {
        "parts": [
            {
                "name": one.part.name,
                "picture": str(picture),
                "slanted_walls": one.slanted,
                "features": [feature(one, f) for f in one.printed(state)],
            }
            for one, picture in zip(listings, pictures, strict=True)
        ],
        "joints": [
            {
                "hollow": {"part": j.hollow_part, "number": j.hollow.number},
                "filled": {"part": j.filled_part, "number": j.filled.number},
                "found_by": j.by,
                "clearance_mm": {
                    "mean": j.clearance.mean,
                    "std_uncertainty": j.clearance.u,
                    "low": j.clearance.low,
                    "high": j.clearance.high,
                    "probability_negative": j.clearance.p_negative,
                },
            }
            for j in joints
        ],
    }


def show_parts(data: dict[str, Any]) -> None:
    """Each part's features in a table, the joints in a sentence each, and where the pictures lie."""
    for part in data["parts"]:
        say(f"{part['name']}: {_count(len(part['features']), 'feature')}, numbered on {part['picture']}")
        rows = [row for f in part["features"] for row in _rows(f)]
        if rows:
            heads = ("no.", "what", "drawn, mm", "printed (k = 2)", "remark")
            table([(h, i in (0, 2)) for i, h in enumerate(heads)], rows)
        say()
    if slanted := [part["name"] for part in data["parts"] if part["slanted_walls"]]:
        say(
            f"Slanted walls are among the flat ones of {listed(slanted)}. Dovetails and racks are not recognised: "
            "foretell such a joint by its sizes, as in --pair 6,6.3 --shape dovetail."
        )
        say()
    if len(data["parts"]) > 1:
        _show_joints(data)


def _rows(feature: dict[str, Any]) -> list[tuple[str, ...]]:
    remark = "; ".join(REMARK_WORDS[r] for r in feature["remarks"])
    name = (str(feature["number"]), feature["kind"])
    if not feature["printed"]:
        return [(*name, " x ".join(f"{d:.2f}" for d in feature["drawn_mm"]), "", remark)]
    printed = [_size(s) for s in feature["printed"]]
    drawn = feature["drawn_mm"] * (2 if len(feature["drawn_mm"]) < len(feature["printed"]) else 1)
    return [
        (
            *(name if i == 0 else ("", "")),
            f"{d:.2f}",
            size,
            remark if i == 0 else "",
        )
        for i, (d, size) in enumerate(zip(drawn, printed, strict=True))
    ]


def _size(printed: dict[str, float]) -> str:
    from fitassay.analysis.rounding import plus_minus

    length = plus_minus(printed["mean_mm"], printed["std_uncertainty_mm"], "mm", signed=False)
    return f"{direction_words(printed['direction_deg'])} {length}"


def direction_words(degrees: float) -> str:
    """In x, in y, or at an angle from x."""
    turned = round(degrees % 180, 1)
    return {0.0: "x", 180.0: "x", 90.0: "y"}.get(turned, f"at {turned:g} degrees")


def joint_words(p: float) -> str:
    """Whether a joint binds that is too tight with probability `p`; perhaps, under five to one."""
    if abs(p - BINDS) > 1 / 3:
        return "will bind" if p > BINDS else "goes in"
    return "perhaps binds" if p > BINDS else "perhaps goes in"


def _show_joints(data: dict[str, Any]) -> None:
    from fitassay.analysis.rounding import plus_minus, probability

    if not data["joints"]:
        say("No feature of one part goes into one of the other.")
    for joint in data["joints"]:
        clear = joint["clearance_mm"]
        p = clear["probability_negative"]
        hollow, filled = (_named(data, joint[k]) for k in ("hollow", "filled"))
        clearance = plus_minus(clear["mean"], clear["std_uncertainty"], "mm", signed=True)
        say(
            f"{filled} in {hollow}{BY_WORDS[joint['found_by']]}: {joint_words(p)}, clearance "
            f"{clearance} (k = 2), too tight: {probability(p)}"
        )


def _named(data: dict[str, Any], place: dict[str, Any]) -> str:
    part = next(p for p in data["parts"] if p["name"] == place["part"])
    feature = next(f for f in part["features"] if f["number"] == place["number"])
    return f"{feature['kind']} {place['number']} of {place['part']}"


def _count(n: int, word: str) -> str:
    return f"{n} {word}{'' if n == 1 else 's'}"
