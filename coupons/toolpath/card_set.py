"""The reversal card as a set of one coupon: its body, its rows as features, its manifest."""

from __future__ import annotations

import numpy as np
import shapely

from fitassay.coupons.cost import cost_of
from fitassay.coupons.draft import Draft, Slab
from fitassay.coupons.feature import Coupon, Feature, Manifest, Pairs
from fitassay.coupons.machine import Machine
from fitassay.coupons.make import CouponSet
from fitassay.coupons.meshing import solid_of
from fitassay.coupons.plates import place
from fitassay.coupons.rules import Rules
from fitassay.coupons.shapes import Outline, snap
from fitassay.coupons.toolpath.card import FACING_MM, GAP_LENGTH_MM, GAPS, LEAD_MM, STEP_MM, Layout, layout_of
from fitassay.coupons.toolpath.card_strokes import LAYERS, card_layers, gap_zero, low_corner
from fitassay.coupons.toolpath.stroke import PathLayer, Stroke

FAMILY = "reversal-card"
NUMBERS = {
    "x": "above the x rows",
    "y": "left of the y rows",
    "a": "of the rows that rise to the right, belt a's",
    "b": "of the rows that rise to the left, belt b's",
}
"""Where the numbers stand that rows are counted from."""

ID = "card"


def card_set(machine: Machine) -> CouponSet:
    """The card for a machine.

    Raises
    ------
    JobError
        The bed is too small.
    """
    layout = layout_of(machine)
    h = layout.height
    layers = card_layers(layout)
    slabs = tuple(
        Slab(outline=_swept(strokes, layout.width), z0=round(k * h, 6), z1=round((k + 1) * h, 6))
        for k, strokes in enumerate(layers)
    )
    draft = Draft(id=ID, slabs=slabs, features=_features(layout)).at_origin()
    rules = Rules()
    (spot,) = place([draft.size[:2]], machine.volume_mm[:2], edge=rules.edge, gap=rules.part_gap)
    coupon = Coupon(
        id=ID,
        family=FAMILY,
        file=f"{ID}.stl",
        size_mm=draft.size,
        plate=spot.plate,
        origin_on_plate_mm=(spot.x, spot.y),
        features=draft.features,
    )
    notes = ()
    if len(layout.rows) < 4 or layout.last < 14:
        notes = (
            f"reversal-card: {len(layout.rows)} rows an axis, pairs {layout.first} to {layout.last}, are what the "
            "bed has room for",
        )
    return CouponSet(
        machine=machine,
        manifest=Manifest(line_width_mm=layout.width, layer_height_mm=h, coupons=(coupon,)),
        drafts={ID: draft},
        costs={ID: cost_of(draft.volume, machine)},
        notes=notes,
        solids={ID: solid_of(slabs, one_body=False)},
    )


def card_path(machine: Machine, origin: tuple[float, float]) -> list[PathLayer]:
    """The card's layers, its low corner at `origin` [mm] on the bed."""
    layout = layout_of(machine)
    return [
        PathLayer(
            z=round((k + 1) * layout.height, 6),
            height=layout.height,
            strokes=tuple(stroke.moved(origin) for stroke in strokes),
        )
        for k, strokes in enumerate(card_layers(layout))
    ]


def _swept(strokes: list[Stroke], width: float) -> Outline:
    """What the beads cover."""
    beads = [
        shapely.LineString(s.points).buffer(width / 2, cap_style="square", join_style="mitre")
        for s in strokes
    ]
    return snap(shapely.union_all(beads))


def _features(layout: Layout) -> tuple[Feature, ...]:
    rows = [_row(layout, block, k) for block in (0, 1) for k in range(len(layout.rows))]
    return (*rows, _gap(layout))


def _row(layout: Layout, block: int, k: int) -> Feature:
    """Row k below the numbers: contact a is the end of the lower tick of pair 0, b that of the upper one."""
    row = layout.rows[k]
    place_ = (layout.to_x, layout.to_y)[block]
    middle = (len(layout.rows) - k - 0.5) * layout.row
    apart = layout.width + FACING_MM
    u = layout.zero
    a, b = place_(np.array([(u, middle - apart / 2), (u + row.shift, middle + apart / 2)]))
    return Feature(
        id=f"{layout.names[block]}{k + 1}",
        kind="vernier",
        direction_deg=90.0 * block + layout.turn_deg,
        nominal_mm=round(float(np.hypot(apart, row.shift)), 6),
        contact_a_mm=_at(a, layout, 0.5),
        contact_b_mm=_at(b, layout, 0.5),
        jaw_mm=0.0,
        instruction=(
            f"By eye: row {k + 1} from the numbers {NUMBERS[layout.names[block]]}. Number of the pair whose two "
            "ticks lie in one line; 3.5 where pairs 3 and 4 are equally good."
        ),
        pairs=Pairs(
            first=layout.first,
            last=layout.last,
            step_mm=STEP_MM,
            pitch_mm=layout.pitch,
            tick_mm=layout.tick,
            lead_mm=LEAD_MM,
            ways=(-row.upper, row.upper),
            slow=row.slow,
        ),
    )


def _gap(layout: Layout) -> Feature:
    """Contacts in the middle of the two beads of pair 0, its gap closed."""
    u, v = gap_zero(layout), GAP_LENGTH_MM / 2
    w = layout.width
    a, b = layout.to_gaps(np.array([(u - w / 2, v), (u + w / 2, v)]))
    return Feature(
        id="gap",
        kind="gap",
        direction_deg=layout.turn_deg,
        nominal_mm=round(w, 6),
        contact_a_mm=_at(a, layout, LAYERS - 0.5),
        contact_b_mm=_at(b, layout, LAYERS - 0.5),
        jaw_mm=0.0,
        instruction=(
            "By eye, against a lamp: the pairs side by side. Number of the first pair, counted from the left, with "
            f"light between its beads; the first one of all is {GAPS[0]}."
        ),
        pairs=Pairs(
            first=GAPS[0],
            last=GAPS[1],
            step_mm=STEP_MM,
            pitch_mm=layout.gap_pitch,
            tick_mm=GAP_LENGTH_MM,
            lead_mm=LEAD_MM,
            ways=(1, 1),
        ),
    )


def _at(point: np.ndarray, layout: Layout, layers: float) -> tuple[float, float, float]:
    x, y = layout.turn @ point - low_corner(layout)
    return round(float(x), 6), round(float(y), 6), round(layers * layout.height, 6)
