"""A trace as JSON, the answer of `trace --json`."""

from __future__ import annotations

from typing import Any

import numpy as np

from fitassay.analysis.gcode.trace_data import Trace
from fitassay.analysis.gcode.trace_words import direction_text, order_text, walls_of


def trace_json(trace: Trace) -> dict[str, Any]:
    """The answer of `trace --json`; what was not seen is null."""
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
            "std_uncertainty_mm": place.u,
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
        },
        "layer_height_mm": trace.layer_height_mm,
        "first_layer_mm": trace.first_layer_mm,
        "raised_mm": trace.raised_mm,
        "heights": {
            "scale": 1 + trace.heights.scale,
            "offset_mm": trace.heights.offset,
            "tops_mm": trace.heights.tops,
        },
        "filament_mm": {
            "in_all": trace.filament_mm,
            "single_walls": trace.wall_filament_mm,
            "pieces": trace.piece_filament_mm,
        },
        "copies": trace.copies,
        "speed_mm_s": _number(trace.speed_mm_s),
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


def _coupon_json(key: str, paths) -> dict[str, Any]:
    place = paths.place
    return {
        "id": key,
        "placement": place.turn.text or "as drawn",
        "mirrored": place.turn.mirrored,
        "axes_exchanged": place.turn.quarter,
        "origin_on_bed_mm": [float(v) for v in place.shift],
        "share_matched": place.share,
        "single_wall": paths.wall or None,
        "seams_mm": [
            {
                "height_mm": o.height,
                "layer_z_mm": o.path.z,
                "x": float(o.seam[0]),
                "y": float(o.seam[1]),
                "line": o.path.line,
                "gap_mm": o.path.gap,
                "scarf_mm": o.path.scarf,
                "strokes": 1 + len(o.path.joints),
            }
            for o in paths.outer
        ],
    }


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
