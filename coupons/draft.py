"""A coupon before it is meshed: slabs of constant outline, and what is measured on them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import shapely
from shapely import affinity

from fitassay.coupons.errors import JobError
from fitassay.coupons.feature import RIM_MM, Feature, Kind
from fitassay.coupons.job import Job
from fitassay.coupons.sections import Ring
from fitassay.coupons.shapes import Outline, flank_middle, inset, snap


@dataclass(frozen=True, kw_only=True)
class Slab:
    """A prism: `outline` (holes included) from z0 to z1 [mm]."""

    outline: Outline
    z0: float
    z1: float

    def __post_init__(self) -> None:
        if not self.z1 > self.z0:
            raise ValueError(f"a slab must have a height (got {self.z0} to {self.z1})")


@dataclass(frozen=True, kw_only=True)
class Draft:
    """One coupon as drawn.

    Attributes
    ----------
    id : str
        Unique in the set, marked on the piece; letters, digits and hyphens.
    slabs : tuple of Slab
        From the bed upwards. Slabs must not overlap; where they touch they share an area.
    features : tuple of Feature
        In measuring order.
    single_wall : bool
        True where the upright wall is to be printed as one bead.
    notes : tuple of str
        What was left out or shrunk, for the user.
    plastic_mm3 : float, optional [mm3]
        What is printed of it where that is less than the solid (a prism of which only the wall is printed).
    """

    id: str
    slabs: tuple[Slab, ...]
    features: tuple[Feature, ...]
    single_wall: bool = False
    notes: tuple[str, ...] = ()
    plastic_mm3: float | None = None

    @property
    def bounds(self) -> tuple[float, float, float, float, float, float]:
        """Lowest and highest x, y, z [mm]: (x0, y0, z0, x1, y1, z1)."""
        box = [s.outline.bounds for s in self.slabs]
        return (
            min(b[0] for b in box),
            min(b[1] for b in box),
            min(s.z0 for s in self.slabs),
            max(b[2] for b in box),
            max(b[3] for b in box),
            max(s.z1 for s in self.slabs),
        )

    @property
    def volume(self) -> float:
        """Of all slabs [mm3]."""
        return sum(slab.outline.area * (slab.z1 - slab.z0) for slab in self.slabs)

    def section(self, z: float) -> tuple[Ring, ...]:
        """Outlines at height z [mm], as a slicer finds them in the meshed coupon; empty where nothing is."""
        return tuple(
            Ring(points=shapely.get_coordinates(ring)[:-1])
            for slab in self.slabs
            if slab.z0 <= z < slab.z1
            for polygon in getattr(slab.outline, "geoms", [slab.outline])
            for ring in (polygon.exterior, *polygon.interiors)
        )

    @property
    def size(self) -> tuple[float, float, float]:
        """Extents in x, y, z [mm]."""
        b = self.bounds
        return round(b[3] - b[0], 6), round(b[4] - b[1], 6), round(b[5] - b[2], 6)

    def at_origin(self) -> Draft:
        """The same with the bounding box's low corner in the origin."""
        x, y, z = self.bounds[:3]

        def point(p: tuple[float, float, float]) -> tuple[float, float, float]:
            return round(p[0] - x, 6), round(p[1] - y, 6), round(p[2] - z, 6)

        return replace(
            self,
            slabs=tuple(
                Slab(
                    outline=snap(affinity.translate(s.outline, -x, -y)),
                    z0=round(s.z0 - z, 6),
                    z1=round(s.z1 - z, 6),
                )
                for s in self.slabs
            ),
            features=tuple(
                replace(f, contact_a_mm=point(f.contact_a_mm), contact_b_mm=point(f.contact_b_mm))
                for f in self.features
            ),
        )


def standing(job: Job, outline: Outline, z1: float) -> list[Slab]:
    """Slabs of a body that stands on the bed, z1 high, with its base edge chamfered at 45 degrees.

    The chamfer is drawn as the layers will print it: one inset outline a layer. Every height is a whole number
    of layers.
    """
    n = max(1, round(job.up(job.rules.chamfer) / job.h))
    slabs = [
        Slab(
            outline=inset(outline, job.rules.chamfer * (1 - (i + 0.5) / n)),
            z0=job.layers(i),
            z1=job.layers(i + 1),
        )
        for i in range(n)
    ]
    return [*slabs, Slab(outline=outline, z0=job.layers(n), z1=z1)]


def engrave(job: Job, slabs: list[Slab], strokes: Outline) -> list[Slab]:
    """Slabs with `strokes` cut into the top of the last one.

    Raises
    ------
    JobError
        The strokes leave the top face, or would cut it through.
    """
    top = slabs[-1]
    depth = job.up(job.rules.mark_depth)
    if not shapely.covers(top.outline, strokes.buffer(job.rules.mark_edge)):
        raise JobError("the mark does not fit on its face; make the coupon larger or its id shorter")
    if top.z1 - top.z0 <= depth + job.h:
        raise JobError("the face under the mark is too thin to engrave")
    z = round(top.z1 - depth, 6)
    return [
        *slabs[:-1],
        Slab(outline=top.outline, z0=top.z0, z1=z),
        Slab(outline=snap(top.outline.difference(strokes)), z0=z, z1=top.z1),
    ]


def across(
    job: Job,
    axis: str,
    *,
    id: str,
    kind: Kind,
    low: float,
    high: float,
    at: float,
    z: float,
    instruction: str,
    nominal: float | None = None,
) -> Feature:
    """A width along `axis` ("x" or "y") from `low` to `high`, taken at the other coordinate `at`, height z [mm].

    Raises
    ------
    JobError
        Inside jaws do not go in.
    """
    if kind == "inside" and high - low < job.rules.inside_opening - 1e-6:
        raise JobError(
            f"inside_opening: {id} is {high - low:g} mm wide, closed inside jaws need {job.rules.inside_opening:g} mm"
        )
    a, b = ((low, at, z), (high, at, z)) if axis == "x" else ((at, low, z), (at, high, z))
    jaw = job.machine["caliper.jaw_flat_mm"] if kind == "inside" else job.rules.outside_jaw
    return Feature(
        id=id,
        kind=kind,
        direction_deg=0.0 if axis == "x" else 90.0,
        nominal_mm=round(high - low if nominal is None else nominal, 6),
        contact_a_mm=a,
        contact_b_mm=b,
        jaw_mm=jaw,
        instruction=instruction,
    )


def notched_both_ways(
    job: Job,
    *,
    name: str,
    kind: Kind,
    size: float,
    low: tuple[float, float],
    z: float,
    jaws: str,
) -> list[Feature]:
    """A square with a seam notch in the corner `low` along x and along y; `jaws` says where they go."""
    at = flank_middle(low[0], size, job.rules.notch), flank_middle(low[1], size, job.rules.notch)
    text = f"{jaws}, clear of its notched corner; the seam belongs in the notch, not on these faces."
    return both_ways(job, name=name, kind=kind, size=size, low=low, at=at, z=z, instruction=text)


def both_ways(
    job: Job,
    *,
    name: str,
    kind: Kind,
    size: float,
    low: tuple[float, float],
    at: tuple[float, float],
    z: float,
    instruction: str,
) -> list[Feature]:
    """The same width along x and along y, from `low`, each taken at the other coordinate of `at` [mm].

    `{faces}` and `{way}` in the instruction become "left and right", "left to right" along x, the like along y.
    """
    return [
        across(
            job,
            axis,
            id=f"{name}-{axis}",
            kind=kind,
            low=start,
            high=start + size,
            at=cross,
            z=z,
            instruction=instruction.format(faces=faces, way=way),
        )
        for axis, start, cross, faces, way in (
            ("x", low[0], at[1], "left and right", "left to right"),
            ("y", low[1], at[0], "front and back", "front to back"),
        )
    ]


def rim_of(job: Job, deep: Feature, top: float, faces: str) -> Feature:
    """The reading over the top of a flank where `deep` is the one with the jaws put down; its top at `top` [mm]."""
    z = job.rim(top)
    (xa, ya, _), (xb, yb, _) = deep.contact_a_mm, deep.contact_b_mm
    return replace(
        deep,
        id=f"{deep.id}-rim",
        kind="rim",
        contact_a_mm=(xa, ya, z),
        contact_b_mm=(xb, yb, z),
        instruction=(
            f"Outside jaws over the {faces}, but only over the top {RIM_MM:g} mm, the tips just below the edge; two "
            "or three times, jaws lifted in between."
        ),
    )
