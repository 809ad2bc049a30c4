"""What a traced file says, as data: the path's place, the bead, every feature along the real path."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from fitassay.analysis.chain.loops import Loop
from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.gcode.bead_accounts import Account
from fitassay.analysis.gcode.coupon_paths import CouponPaths
from fitassay.analysis.gcode.first_layer import FirstLayer
from fitassay.analysis.gcode.heights import Heights
from fitassay.analysis.gcode.offset import PathPlace
from fitassay.analysis.gcode.slicing import Slicing
from fitassay.analysis.gcode.words import Tally
from fitassay.coupons.feature import Feature
from fitassay.coupons.sections import Slicer

OFFSET_U_MM = 0.005
"""Standard uncertainty of the path's place for what the machine makes of it: rounding of coordinates, chords."""


@dataclass(frozen=True, kw_only=True)
class Bead:
    """Commanded bead.

    Attributes
    ----------
    width : float [mm]
        What the program means: from the distance of walls side by side, else from the filament.
    fed : float [mm]
        Width of a bead with round ends that spends the filament, the median over the outer walls.
    flow : float or None
        Filament against what `width` asks for, 1 at 100 %; None where there is only one wall to tell.
    pitch : float or None [mm]
        Distance of the second wall from the outer one.
    spread : float [mm]
        Half the range that holds 90 % of the outer walls' `fed`.
    profile : float [mm]
        What the machine's profile says.
    by_volume : bool
        True where E counts cubic millimetres.
    inner, inner_flow : float or None
        The second wall's width [mm] and flow; None where there is only one wall.
    by_coupon : dict of str to float [mm]
        `fed` by coupon.
    spread_in_coupon : float [mm]
        `spread` of one coupon's walls, the median over the coupons.
    square : bool
        True where the program counts beads with square ends.
    others : tuple of Account
        Other readings of the same walls and filament that nothing rules out.
    """

    width: float
    fed: float
    flow: float | None
    pitch: float | None
    spread: float
    profile: float
    by_volume: bool
    inner: float | None = None
    inner_flow: float | None = None
    by_coupon: dict[str, float] = field(default_factory=dict)
    spread_in_coupon: float = 0.0
    square: bool = False
    others: tuple[Account, ...] = ()

    @property
    def doubt(self) -> float:
        """How far the path may stand from where `width` puts it, if another account is the true one [mm]."""
        return max((abs(a.width - self.width) / 2 for a in self.others), default=0.0)


@dataclass(frozen=True, kw_only=True)
class TracedFeature:
    """One measured feature along the real path.

    Attributes
    ----------
    coupon : str
    feature : Feature
        As the piece lies on the bed.
    offset_mm : float [mm]
        How far the path stands outward of its ideal place, mean of both contacts; NaN where not seen.
    ideal_gains, gains : tuple of two float
        d reading / d play of either of `axes`, along the ideal path and along the file's.
    axes : tuple of two str
        x and y; where crossed belts move both, belts a and b.
    seam : bool
        True where a seam lies under a jaw.
    traced : bool
        False where the ideal path is still assumed.
    """

    coupon: str
    feature: Feature
    offset_mm: float
    ideal_gains: tuple[float, float]
    gains: tuple[float, float]
    seam: bool
    traced: bool
    axes: tuple[str, str] = ("x", "y")

    @property
    def changed(self) -> bool:
        """True where the real path sees backlash otherwise than the ideal one."""
        return bool(np.abs(np.subtract(self.gains, self.ideal_gains)).max() > 0.05)


@dataclass(frozen=True, kw_only=True)
class Trace:
    """What a sliced file says about the coupons.

    Attributes
    ----------
    file : str
    found : dict of str to CouponPaths
        By coupon id, in the manifest's order.
    missing : tuple of str
        Coupons that are not in the file.
    place : PathPlace or None
        None where only a single wall was found, which a path offset does not reach.
    offset_mm : float or None [mm]
        How far the path stands outward of half a bead inside the outline.
    bead : Bead or None
        None where no outer wall was found.
    layer_height_mm, profile_layer_mm : float [mm]
    first_layer_mm : float [mm]
    speed_mm_s : float [mm/s]
    raised_mm : float [mm]
    layers : int
    features : tuple of TracedFeature
    walk : SetWalk
        Readings of the coupons found, along their real loops, set back by `offset_mm`.
    slicers, loops : dict by coupon id
        What `walk` was made of.
    warnings : tuple of str
    tally : Tally
    heights : Heights
    relative_filament_assumed : bool
        True where E was taken as relative though nothing in the file says so.
    copies : dict of str to tuple of ndarray (2,) [mm]
        Where coupons that are on the plate several times stand, their low corners from front to back.
    filament_mm : float [mm]
        Length of filament in everything that is printed.
    wall_filament_mm : dict of str to float [mm]
        Of single walls by coupon id, their marks and feet left out.
    piece_filament_mm : dict of str to float [mm]
        Of coupons by id, as they come off the bed: marks, feet and filling among it, a skirt around them not.
    slicing : Slicing or None
        What the slicing did.
    first_layer : FirstLayer or None
        None where it was not seen.
    """

    file: str
    found: dict[str, CouponPaths]
    missing: tuple[str, ...]
    place: PathPlace | None
    offset_mm: float | None
    bead: Bead | None
    layer_height_mm: float
    profile_layer_mm: float
    first_layer_mm: float
    speed_mm_s: float
    raised_mm: float
    layers: int
    features: tuple[TracedFeature, ...]
    walk: SetWalk
    slicers: dict[str, Slicer]
    loops: dict[str, dict[float, tuple[Loop, ...]]]
    tally: Tally
    heights: Heights
    relative_filament_assumed: bool = False
    copies: dict[str, tuple[np.ndarray, ...]] = field(default_factory=dict)
    filament_mm: float = 0.0
    wall_filament_mm: dict[str, float] = field(default_factory=dict)
    piece_filament_mm: dict[str, float] = field(default_factory=dict)
    slicing: Slicing | None = None
    first_layer: FirstLayer | None = None
    warnings: tuple[str, ...] = field(default_factory=tuple)

    @property
    def offset_u_mm(self) -> float:
        """Standard uncertainty of `offset_mm` [mm]: of the path's place, and of which bead was meant."""
        own = 0.0 if self.place is None else self.place.u
        return float(np.hypot(own, 0.0 if self.bead is None else self.bead.doubt))
