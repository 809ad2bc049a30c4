"""Making a set of coupons: drafts of the families wanted, meshes, plates, manifest, files."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from fitassay.coupons.cost import Cost, cost_of, printed_volume
from fitassay.coupons.draft import Draft
from fitassay.coupons.errors import InputError, JobError
from fitassay.coupons.export.manifest import manifest_json
from fitassay.coupons.export.stl import stl_bytes
from fitassay.coupons.export.threemf import Item, threemf_bytes
from fitassay.coupons.families import FAMILIES
from fitassay.coupons.family import Family
from fitassay.coupons.feature import Coupon, Manifest
from fitassay.coupons.files import write_atomic
from fitassay.coupons.job import WALLS, Job, Wall
from fitassay.coupons.machine import Machine
from fitassay.coupons.meshing import solid_of
from fitassay.coupons.plates import place
from fitassay.coupons.rules import Rules
from fitassay.coupons.solid import Solid
from fitassay.coupons.wording import did_you_mean, shown


@dataclass(frozen=True, kw_only=True)
class DrawnSet:
    """A set of coupons as drawn, before any is meshed: enough to say what it would cost and tell.

    Attributes
    ----------
    machine : Machine
    manifest : Manifest
    drafts : mapping of str to Draft
    costs : mapping of str to Cost
        Both by coupon id.
    notes : tuple of str
        What was left out or shrunk and why, for the user.
    """

    machine: Machine
    manifest: Manifest
    drafts: Mapping[str, Draft]
    costs: Mapping[str, Cost]
    notes: tuple[str, ...] = field(default_factory=tuple)


@dataclass(frozen=True, kw_only=True)
class CouponSet(DrawnSet):
    """What one print needs: the set with its solids by coupon id."""

    solids: Mapping[str, Solid]


def build_set(
    machine: Machine,
    *,
    families: tuple[str, ...] | None = None,
    quick: bool = False,
    wall: Wall = "tube",
    rules: Rules | None = None,
    rims: bool = False,
) -> CouponSet:
    """Draw, place and mesh the coupons for a machine; arguments and errors as `draw_set`."""
    drawn = draw_set(machine, families=families, quick=quick, wall=wall, rules=rules, rims=rims)
    return CouponSet(
        machine=machine,
        manifest=drawn.manifest,
        drafts=drawn.drafts,
        costs=drawn.costs,
        notes=drawn.notes,
        solids={name: solid_of(draft.slabs) for name, draft in drawn.drafts.items()},
    )


def draw_set(
    machine: Machine,
    *,
    families: tuple[str, ...] | None = None,
    quick: bool = False,
    wall: Wall = "tube",
    rules: Rules | None = None,
    rims: bool = False,
) -> DrawnSet:
    """Draw and place the coupons for a machine.

    Parameters
    ----------
    machine : Machine
    families : tuple of str, optional
        Families wanted, or single coupons such as ``comb-y``; by default the full set, or the quick set.
    quick : bool
        The smallest set that still separates backlash, bead and offset.
    wall : {"tube", "prism"}
        How the single wall is drawn.
    rules : Rules, optional
        Other room for jaws, gaps and the like.
    rims : bool
        With rims, single layers and a second long size as features, asked for only where they help.

    Raises
    ------
    InputError
        No family, coupon or wall of that name.
    JobError
        The build volume is too small; names the dimension.
    """
    if wall not in WALLS:
        raise InputError(f"the single wall is drawn as {' or '.join(WALLS)} (got {wall!r})", "wall")
    job = Job(machine=machine, rules=rules or Rules(), quick=quick, wall=wall, rims=rims)
    _check_volume(job)
    drafts = _wanted(families, job)
    for family, draft in drafts:
        job.fit(f"coupon {draft.id} ({family.name})", draft.size)
    _check_reach(machine, [draft for _, draft in drafts])
    places = place(
        [d.size[:2] for _, d in drafts], machine.volume_mm[:2], edge=job.rules.edge, gap=job.rules.part_gap
    )
    coupons = tuple(
        Coupon(
            id=draft.id,
            family=family.name,
            file=f"{draft.id}.stl",
            size_mm=draft.size,
            plate=spot.plate,
            origin_on_plate_mm=(spot.x, spot.y),
            single_wall=draft.single_wall,
            features=draft.features,
        )
        for (family, draft), spot in zip(drafts, places, strict=True)
    )
    return DrawnSet(
        machine=machine,
        manifest=Manifest(line_width_mm=job.w, layer_height_mm=job.h, coupons=coupons),
        drafts={draft.id: draft for _, draft in drafts},
        costs={d.id: cost_of(d.plastic_mm3 or printed_volume(d.slabs, machine), machine) for _, d in drafts},
        notes=tuple(dict.fromkeys(note for _, draft in drafts for note in draft.notes)),
    )


def write_set(coupon_set: CouponSet, folder: Path) -> list[Path]:
    """Write STL files, plates and coupons.json into `folder`; the manifest last, when all it names is there.

    Returns
    -------
    list of Path
        The files written.
    """
    folder = Path(folder)
    manifest = coupon_set.manifest
    files: dict[str, bytes | str] = {c.file: stl_bytes(coupon_set.solids[c.id]) for c in manifest.coupons}
    for plate in sorted({c.plate for c in manifest.coupons}):
        items = [
            Item(
                name=c.id, solid=coupon_set.solids[c.id], x=c.origin_on_plate_mm[0], y=c.origin_on_plate_mm[1]
            )
            for c in manifest.coupons
            if c.plate == plate
        ]
        files[f"plate-{plate}.3mf"] = threemf_bytes(items, f"fitassay plate {plate}")
    files["coupons.json"] = manifest_json(manifest)
    for name, data in files.items():
        write_atomic(folder / name, data)
    return [folder / name for name in files]


def _check_volume(job: Job) -> None:
    for axis, have in zip("xy", job.machine.volume_mm[:2], strict=True):
        if have < job.rules.smallest_side:
            raise JobError(
                f"volume.{axis}_mm: the build volume is {have:g} mm in {axis}, the coupons need at least "
                f"{job.rules.smallest_side:g} mm for teeth with room for a caliper's jaws between them; "
                "use a larger volume"
            )


def _check_reach(machine: Machine, drafts: list[Draft]) -> None:
    reach = machine["caliper.range_mm"]
    for draft in drafts:
        for feature in draft.features:
            if feature.nominal_mm > reach:
                raise JobError(
                    f"caliper.range_mm: {feature.id} of coupon {draft.id} is {feature.nominal_mm:g} mm long, the "
                    f"caliper takes {reach:g} mm; use a longer caliper or leave that family out"
                )


def _wanted(names: tuple[str, ...] | None, job: Job) -> list[tuple[Family, Draft]]:
    """Drafts of the families or single coupons of these names, in measuring order."""
    if names is None:
        chosen = [f for f in FAMILIES.values() if (f.quick if job.quick else f.default)]
        return [(f, draft.at_origin()) for f in chosen for draft in f.build(job)]
    if not names:
        raise InputError(f"no family given; choose from {', '.join(FAMILIES)}", "family")
    # What is no family's name may be a coupon's; only drawing tells which coupons there are.
    coupons = {n for n in names if n not in FAMILIES}
    found: list[tuple[Family, Draft]] = []
    seen: set[str] = set()
    for family in FAMILIES.values():
        if family.name in names:
            drafts = family.build(job)
        elif coupons:
            drafts = [draft for draft in _drawable(family, job) if draft.id in coupons]
        else:
            continue
        seen.update(draft.id for draft in drafts)
        found += [(family, draft.at_origin()) for draft in drafts]
    for name in names:
        if name in coupons - seen:
            ids = [draft.id for family in FAMILIES.values() for draft in _drawable(family, job)]
            hint = did_you_mean(name, [*FAMILIES, *ids]) or f"; choose from {', '.join(FAMILIES)}"
            raise InputError(f"no family or coupon is called {shown(name)}{hint}", "--family")
    return found


def _drawable(family: Family, job: Job) -> list[Draft]:
    """The family's drafts; none where the machine is too small for it."""
    try:
        return family.build(job)
    except JobError:
        return []
