"""A trace as JSON, the answer of `trace --json`."""

from __future__ import annotations

from typing import Any

import numpy as np

from fitassay.analysis.gcode.slicing_words import changes_of, slicing_sentences
from fitassay.analysis.gcode.trace_data import Trace
from fitassay.analysis.gcode.trace_words import direction_text, order_text, walls_of


def trace_json(trace: Trace) -> dict[str, Any]:
    """The answer of `trace --json`; what was not seen is null.

    A seam's x, y and height_mm (of its layer's top) count from the coupon's low corner as it lies on the bed,
    on_bed_mm from the machine's origin; measured_height_mm is the coupon's height for whose sake the layer was read.
    """
    place = trace.place
    return {
        "schema": 1,
        "file": trace.file,
        "lines": trace.tally.lines,
        "layers": trace.layers,
        "path": None
        if place is None
        else {
            "offset_mm": trace.offset_mm,
            "std_uncertainty_mm": trace.offset_u_mm,
            "spread_mm": place.spread,
            "by_axis": {
                axis: {
                    "offset_mm": _number(mean + (trace.offset_mm or 0.0) - place.offset),
                    "spread_mm": _number(spread),
                }
                for axis, (mean, spread) in zip("xy", place.axes, strict=True)
            },
            "openings_mm": place.opening,
            "bores_mm": {f"{d:g}": v for d, v in sorted(place.bores.items())},
            "scale": {"x": 1 + float(place.scale[0]), "y": 1 + float(place.scale[1])},
        },
        "bead": None
        if trace.bead is None
        else {
            "width_mm": trace.bead.width,
            "fed_width_mm": trace.bead.fed,
            "flow": trace.bead.flow,
            "pitch_mm": trace.bead.pitch,
            "spread_mm": trace.bead.spread,
            "profile_mm": trace.bead.profile,
            "fed_by_volume": trace.bead.by_volume,
            "inner_width_mm": trace.bead.inner,
            "inner_flow": trace.bead.inner_flow,
            "fed_width_by_coupon_mm": trace.bead.by_coupon,
            "square_ends": trace.bead.square,
            "other_accounts": [
                {"width_mm": a.width, "flow": a.flow, "inner_width_mm": a.inner, "square_ends": a.square}
                for a in trace.bead.others
            ],
        },
        "layer_height_mm": trace.layer_height_mm,
        "first_layer_mm": trace.first_layer_mm,
        "raised_mm": trace.raised_mm,
        "heights": {
            "scale": 1 + trace.heights.scale,
            "offset_mm": trace.heights.offset,
            "rounding_mm": trace.heights.rounding,
            "tops_mm": trace.heights.tops,
        },
        "filament_mm": {
            "in_all": trace.filament_mm,
            "single_walls": trace.wall_filament_mm,
            "pieces": trace.piece_filament_mm,
        },
        "copies": {k: [[float(v) for v in c] for c in corners] for k, corners in trace.copies.items()},
        "speed_mm_s": _number(trace.speed_mm_s),
        "slicing": _slicing_json(trace),
        "size_compensation": [
            {
                "around": c.what,
                "path_outward_mm": c.stands_mm,
                "size_error_mm": c.size_mm,
                "add_per_side_mm": c.per_side_mm,
                "add_in_all_mm": c.in_all_mm,
            }
            for c in changes_of(trace)
        ],
        "walls": walls_of(trace),
        "order": order_text(trace),
        "direction": direction_text(trace),
        "coupons": [_coupon_json(key, paths) for key, paths in trace.found.items()],
        "missing": list(trace.missing),
        "features": [
            {
                "coupon": f.coupon,
                "feature": f.feature.id,
                "direction_deg": f.feature.direction_deg,
                "offset_mm": _number(f.offset_mm),
                "backlash_gain": dict(zip(f.axes, f.gains, strict=True)),
                "ideal_backlash_gain": dict(zip(f.axes, f.ideal_gains, strict=True)),
                "seam_under_jaw": f.seam,
                "traced": f.traced,
            }
            for f in trace.features
        ],
        "changing_words": [
            {"line": c.line, "words": c.text, "obeyed": c.what.obeyed}
            for c in trace.tally.changes
            if not c.idle
        ],
        "unknown_words": dict(trace.tally.unknown.most_common()),
        "warnings": list(trace.warnings),
    }


def _slicing_json(trace: Trace) -> dict[str, Any]:
    """What the slicing did: figures, and the sentences of the terminal."""
    slicing, first = trace.slicing, trace.first_layer
    figures: dict[str, Any] = {"sentences": list(slicing_sentences(trace))}
    if slicing is not None:
        figures |= {
            "speeds_mm_s": slicing.speeds,
            "seams": slicing.seam or None,
            "largest_gap_mm": slicing.gap,
            "coasting_mm": slicing.coasting,
            "scarf_mm": slicing.scarf,
            "wipe_mm": slicing.wipe,
            "strokes": slicing.strokes,
            "arcs": slicing.arcs,
            "segment_mm": _number(slicing.segment_mm),
            "decimals": slicing.decimals,
        }
    if first is not None:
        figures["first_layer"] = {
            "thickness_mm": first.thickness,
            "path_outward_mm": first.outward,
            "fed_width_mm": first.bead,
        }
    return figures


def _coupon_json(key: str, paths) -> dict[str, Any]:
    place = paths.place
    return {
        "id": key,
        "placement": place.turn.text or "as drawn",
        "mirrored": place.turn.mirrored,
        "axes_exchanged": place.turn.quarter,
        "skewed_rad": place.shear,
        "origin_on_bed_mm": [float(v) for v in place.shift],
        "share_matched": place.share,
        "single_wall": paths.wall or None,
        "seams_mm": [
            {
                "measured_height_mm": o.height,
                "height_mm": o.path.z - place.raised,
                "x": float(o.seam[0]),
                "y": float(o.seam[1]),
                "on_bed_mm": [float(v) for v in o.seam + place.shift] + [o.path.z],
                "line": o.path.line,
                "gap_mm": o.path.gap,
                "scarf_mm": o.path.scarf,
                "strokes": 1 + len(o.path.strokes),
            }
            for o in paths.outer
        ],
    }


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
