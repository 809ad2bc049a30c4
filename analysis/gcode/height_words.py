"""What deserves a warning about the layers of a file: their height, and how high they build the coupons."""

from __future__ import annotations

from fitassay.analysis.gcode.trace_data import Trace
from fitassay.coupons.feature import Manifest

LAYER_WARNING = 0.03
LAYERS_DIFFER = 0.2
Z_SCALE_WARNING = 0.002


def thinnest_and_thickest(trace: Trace) -> tuple[float, float]:
    """Thickness of the layers where coupons are measured [mm]."""
    steps = [o.path.thickness for p in trace.found.values() for o in p.outer] or [trace.layer_height_mm]
    return min(steps), max(steps)


def layers_differ(trace: Trace) -> bool:
    """Whether the layers where coupons are measured are of several thicknesses."""
    low, high = thinnest_and_thickest(trace)
    return high > (1 + LAYERS_DIFFER) * low


def height_remarks(trace: Trace, manifest: Manifest) -> list[str]:
    """Sentences; none where nothing is strange."""
    said = []
    h, profile = trace.layer_height_mm, trace.profile_layer_mm
    if layers_differ(trace):
        low, high = thinnest_and_thickest(trace)
        said.append(
            f"Layers are {low:.3f} to {high:.3f} mm high where measured: slice all with {profile:g} mm."
        )
    elif abs(h / profile - 1) > LAYER_WARNING:
        said.append(
            f"Layers are {h:.3f} mm high, the coupons were made for {profile:g} mm: slice with {profile:g} mm."
        )
    said += _heights(trace, manifest)
    return said


def _heights(trace: Trace, manifest: Manifest) -> list[str]:
    """Raft, lifted or stretched heights, and coupons that end too early."""
    said = []
    heights, h = trace.heights, trace.profile_layer_mm
    thick = max(h, trace.layer_height_mm)
    if trace.raised_mm and heights.under:
        said.append(
            f"The coupons stand on a raft of {trace.raised_mm:.2f} mm: heights and feet cannot be measured; slice "
            "without it."
        )
    elif abs(heights.offset) > h / 10:
        way = "higher" if heights.offset > 0 else "lower"
        said.append(
            f"The coupons' tops lie {abs(heights.offset):.2f} mm {way} than drawn and nothing is printed under them "
            f"(first layer at {trace.first_layer_mm:.2f} mm): a height offset or another first layer is set "
            "in the slicing program, and heights will be read with it."
        )
    if heights.rounding > h / 10:
        low, high = thinnest_and_thickest(trace)
        then = f"{low:.2f} to {high:.2f}" if layers_differ(trace) else f"{trace.layer_height_mm:.2f}"
        said.append(
            f"The drawn heights are no whole numbers of this file's layers (the first {trace.first_layer_mm:.2f} mm, "
            f"then {then} mm): tops come out up to {heights.rounding:.2f} mm off for that "
            f"alone, so read no heights on them; slice with {h:g} mm, the first layer too."
        )
    if abs(heights.scale) > Z_SCALE_WARNING:
        said.append(
            f"Heights are enlarged by {100 * heights.scale:+.2f} % against the drawing: slice at 100 %, or heights "
            "read on the stair will be compared with sizes that were not printed."
        )
    for coupon in manifest.coupons:
        top = heights.tops.get(coupon.id)
        if top is not None and top < 0.98 * coupon.size_mm[2] + heights.offset - 1.5 * thick:
            early = "" if trace.tally.ended else "; the file ends early"
            said.append(
                f"Coupon {coupon.id} ends at {top:.1f} of {coupon.size_mm[2]:.1f} mm{early}: slice it again, what "
                "stands higher cannot be measured."
            )
    return said
