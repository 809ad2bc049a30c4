"""A user's part drawn wrong on purpose, so that this printer makes it right: each vertex moved, no facet changed.

The print follows from the drawing by the chain of `terms`; its inverse, from the wanted surface back to
the drawing, is applied to every vertex of a wall:

    wanted surface  ->  inwards by (w + e)/2        the middle of the bead that leaves it
                    ->  x - g y                     without the shear
                    ->  + b/2 (last move)           ahead of the play, per axis
                    ->  / (1 + s)                   without the scale
                    ->  outwards by w/2 - p         the outline whose path stands there
                    ->  into the wall by closing    round bores only

Heights change by scale alone. Walls that lean are moved level by level, as layers are; faces that lie nearly flat
keep their place, since layer steps and not the path shape them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fitassay.analysis.chain.backlash import has_belts
from fitassay.analysis.controls import NO_CONSTANT, ConstantHoles
from fitassay.analysis.parts.diagonals import TURN, along_diagonals
from fitassay.analysis.parts.part_file import Part
from fitassay.analysis.parts.walls import Walls, unit_normals, walk_walls
from fitassay.analysis.terms import BORE_REFERENCE_MM, Errors, errors_of
from fitassay.coupons.errors import InputError

# Leaning faces move in full down to a slope of 30 degrees and not at all under 12 (sine of the slope).
FLAT_SINE, STEEP_SINE = 0.2, 0.5
# No corner moves farther than this many times the move of its walls.
MITRE_LIMIT = 6.0
# A wall that moves an axis by more than this many times its play stands right all along; shorter ones at their
# ends. The mean error of the one is b (b / travel) / 2, of the other b travel / (travel + b) / 2: even at 1.6.
OWN_TRAVEL = 1.6
# How much a corner follows the path's order instead of the mitre of its walls, which runs away where they are
# almost parallel.
SMOOTH = 0.02
# Where walls of one corner ask for different distances (relative variance over APART), by how much the corner goes
# with their mean.
MEAN_PULL, APART = 0.05, 0.01
# What a bore closes by and what is drawn go with each other; the difference falls to a tenth or less each round.
CLOSING_ROUNDS = 4
# Walls reached from different ways at different heights are worth a note from this play and area on.
VISIBLE_PLAY_MM, MIXED_AREA_MM2 = 0.02, 20.0


@dataclass(frozen=True, kw_only=True)
class Correction:
    """A corrected part.

    Attributes
    ----------
    part : Part
        The part to print.
    displacement : ndarray (n, 3) [mm]
        By which each vertex moved.
    bores : int
        Round openings found, one a cut height.
    notes : tuple of str
    """

    part: Part
    displacement: np.ndarray
    bores: int
    notes: tuple[str, ...] = ()

    @property
    def largest(self) -> tuple[float, tuple[float, float, float]]:
        """Largest displacement [mm] and where on the wanted part it is [mm]."""
        size = np.linalg.norm(self.displacement, axis=1)
        i = int(size.argmax())
        x, y, z = self.part.vertices[i] - self.displacement[i]
        return float(size[i]), (float(x), float(y), float(z))


def correct(
    part: Part,
    theta: np.ndarray,
    width: float,
    layer: float,
    *,
    pivot: np.ndarray | None = None,
    extra: np.ndarray | None = None,
    holes: ConstantHoles = NO_CONSTANT,
    jumps: bool = False,
) -> Correction:
    """Pre-compensate a part.

    Parameters
    ----------
    part : Part
        Wanted surface, in the printer's axes.
    theta : ndarray (terms,)
        The printer's errors; instrument and form terms, layer datum and first-layer flare are left out.
    width, layer : float [mm]
        Commanded bead width and layer height.
    pivot : ndarray (3,), optional [mm]
        What stays in place under scale and shear; default the middle of the part's base.
    extra : ndarray (facets,), optional [mm]
        By which walls are moved outwards besides, because a virtual print asked for it.
    holes : ConstantHoles, optional
        What a constant hole compensation does to round bores beside the errors.
    jumps : bool
        A backlash compensation set too high jumps at the reversal; else it mirrors the play.

    Raises
    ------
    InputError
        The mesh is not closed, or a scale is so far off that the part would be another one.
    """
    if not has_belts(errors_of(theta))[0]:
        return _correct(part, theta, width, layer, pivot, ("x", "y"), extra, holes, jumps)
    pivot = base_middle(part.bounds) if pivot is None else pivot
    turned = _with(part, part.vertices @ TURN.T)
    seen = along_diagonals(theta)
    done = _correct(turned, seen, width, layer, TURN @ pivot, ("belt a", "belt b"), extra, holes, jumps)
    moved = part.vertices + done.displacement @ TURN
    return replace(done, part=_with(part, moved), displacement=moved - part.vertices)


def _correct(
    part: Part,
    theta: np.ndarray,
    width: float,
    layer: float,
    pivot: np.ndarray | None,
    axes: tuple[str, str],
    extra: np.ndarray | None,
    holes: ConstantHoles,
    jumps: bool,
) -> Correction:
    """`correct` where x and y are the axes with play, called `axes`."""
    errors = errors_of(theta)
    scale = 1 + errors.scale[0]
    if (scale < 0.5).any():
        raise InputError(
            f"a scale error of {scale.min() - 1:+.0%} cannot be corrected in a part; mend the printer"
        )
    pivot = base_middle(part.bounds) if pivot is None else pivot
    # The axes move as the sheared frame asks: a wall along y needs x too where the frame leans.
    lean = part.vertices - np.outer(part.vertices[:, 1] - pivot[1], [errors.shear[0], 0.0, 0.0])
    play = errors.play[0]
    walls = walk_walls(_with(part, lean), layer, play, jumps=jumps)
    walls = replace(walls, normal=unit_normals(part))
    frame = _Frame.of(part, walls)
    outward = frame.solve(np.ones(len(part.faces)))
    closing = _closing(part, frame, walls, errors, holes)
    flat = part.vertices[:, :2] - outward * (width + errors.swept[0]) / 2
    flat[:, 0] -= errors.shear[0] * (flat[:, 1] - pivot[1])
    flat += _play_shift(part, frame, walls, play, jumps)
    flat = pivot[:2] + (flat - pivot[:2]) / scale[:2]
    flat += outward * (width / 2 - errors.contour[0]) + closing
    if extra is not None and extra.any():
        flat += frame.solve(extra)
    z = pivot[2] + (part.vertices[:, 2] - pivot[2]) / scale[2]
    moved = np.column_stack([flat, z])
    return Correction(
        part=_with(part, moved),
        displacement=moved - part.vertices,
        bores=walls.bores,
        notes=_mixed_note(part, walls, play, axes),
    )


def scaled_alone(part: Part, theta: np.ndarray, width: float) -> Part:
    """The part scaled so that its overall sizes print right and nothing else: the usual makeshift.

    Overall sizes are outlines, L + s (L - w) + e + 2 p - b; of crossed belts x loses half of a's play and gains half
    of b's, and y the other way round.
    """
    errors = errors_of(theta)
    pivot = base_middle(part.bounds)
    length = np.ptp(part.bounds, axis=0)
    factor = np.ones(3)
    outward = float(errors.swept[0] + 2 * errors.contour[0])
    apart = (errors.belt[0, 0] - errors.belt[0, 1]) / 2
    lost = errors.play[0] + np.array([apart, -apart])
    for i in range(2):
        printed = length[i] + errors.scale[0, i] * (length[i] - width) + outward - lost[i]
        factor[i] = length[i] / printed
    factor[2] = 1 / (1 + errors.scale[0, 2])
    return _with(part, pivot + (part.vertices - pivot) * factor)


def base_middle(bounds: np.ndarray) -> np.ndarray:
    """Middle of the base of a box given by its lowest and highest corner (2, 3), ndarray (3,) [mm]."""
    return np.array([*bounds[:, :2].mean(axis=0), bounds[0, 2]])


def _with(part: Part, vertices: np.ndarray) -> Part:
    return replace(part, vertices=vertices)


@dataclass(frozen=True, kw_only=True)
class _Frame:
    """The walls that meet in each vertex, as a weighted least-squares problem for its move in the plane.

    Attributes
    ----------
    vertex, face : ndarray (c,) of int
        One entry a corner of a wall facet.
    weight : ndarray (c,)
        The corner's angle, so that a wall counts alike however it is cut into facets.
    horizontal : ndarray (m, 2)
        Unit normals of the facets in the plane.
    matrix : ndarray (n, 2, 2)
        Sum of w n n' at each vertex.
    strength : ndarray (m,)
        How much of its move a facet asks for: 1 on walls, 0 on flat faces.
    """

    vertex: np.ndarray
    face: np.ndarray
    weight: np.ndarray
    horizontal: np.ndarray
    matrix: np.ndarray
    strength: np.ndarray

    @classmethod
    def of(cls, part: Part, walls: Walls) -> _Frame:
        sine = np.linalg.norm(walls.normal[:, :2], axis=1)
        use = sine > FLAT_SINE
        horizontal = np.where(use[:, None], walls.normal[:, :2] / np.where(use, sine, 1.0)[:, None], 0.0)
        face = np.repeat(np.flatnonzero(use), 3)
        vertex = part.faces[use].ravel()
        weight = _corner_angles(part)[use].ravel()
        n = len(part.vertices)
        h = horizontal[face]
        matrix = np.empty((n, 2, 2))
        for i, j in ((0, 0), (0, 1), (1, 1)):
            matrix[:, i, j] = np.bincount(vertex, weights=weight * h[:, i] * h[:, j], minlength=n)
        matrix[:, 1, 0] = matrix[:, 0, 1]
        strength = np.clip((sine - FLAT_SINE) / (STEEP_SINE - FLAT_SINE), 0.0, 1.0)
        return cls(
            vertex=vertex, face=face, weight=weight, horizontal=horizontal, matrix=matrix, strength=strength
        )

    def right(self, distance: np.ndarray) -> np.ndarray:
        """Sum of w d n at each vertex, ndarray (n, 2), for a distance d along the normal of each facet (m,)."""
        asked = self.weight * (distance * self.strength)[self.face]
        h = self.horizontal[self.face] * asked[:, None]
        return self.gather(h)

    def gather(self, values: np.ndarray) -> np.ndarray:
        """Sum of corner values (c, 2) at each vertex, ndarray (n, 2)."""
        n = len(self.matrix)
        return np.column_stack([np.bincount(self.vertex, weights=values[:, i], minlength=n) for i in (0, 1)])

    def solve(self, distance: np.ndarray) -> np.ndarray:
        """Moves (n, 2) that shift each facet by its distance (m,) along its normal: mitres at corners.

        Walls that are almost one plane leave the move along them undetermined; it is then the least one. Where
        such walls ask for different distances no move serves both, and the vertex takes a mean of them.
        """
        n = len(self.matrix)
        asked = (distance * self.strength)[self.face]
        total = np.maximum(np.bincount(self.vertex, weights=self.weight, minlength=n), 1e-12)
        mean = np.bincount(self.vertex, weights=self.weight * asked, minlength=n) / total
        square = np.bincount(self.vertex, weights=self.weight * asked**2, minlength=n) / total
        normal = self.gather(self.horizontal[self.face] * self.weight[:, None]) / total[:, None]
        length = np.sum(normal**2, axis=1)
        middle = normal * (mean / np.maximum(length, 1 / MITRE_LIMIT**2))[:, None]
        apart = np.maximum(square - mean**2, 0.0) / np.maximum(square, 1e-24)
        trace = np.trace(self.matrix, axis1=1, axis2=2)
        pull = trace * (1e-6 + MEAN_PULL * np.minimum(apart / APART, 1.0)) + (trace == 0)
        soft = self.matrix + pull[:, None, None] * np.eye(2)
        right = self.right(distance) + pull[:, None] * middle
        move = np.linalg.solve(soft, right[..., None])[..., 0]
        size = np.linalg.norm(move, axis=1)
        limit = MITRE_LIMIT * np.abs(distance).max()
        return move * (np.minimum(size, limit) / np.where(size > 0, size, 1.0))[:, None]


def _corner_angles(part: Part) -> np.ndarray:
    """Angle of each facet at each of its corners, ndarray (m, 3) [rad]."""
    p = part.vertices[part.faces]
    ahead = np.roll(p, -1, axis=1) - p
    back = np.roll(p, 1, axis=1) - p
    cross = np.linalg.norm(np.cross(ahead, back), axis=2)
    return np.arctan2(cross, np.sum(ahead * back, axis=2))


def _closing(part: Part, frame: _Frame, walls: Walls, errors: Errors, holes: ConstantHoles) -> np.ndarray:
    """Moves (n, 2) that open round bores by what they will close, less what a constant compensation opens.

    The closing goes with the diameter that is drawn, D' = D + 2 p + e + k 3 mm / D, not with the wanted one.
    """
    closure = float(errors.closure[0])
    if not walls.bores or (closure == 0 and holes.constant_mm == 0):
        return np.zeros((len(part.vertices), 2))
    bore = walls.closing > 0
    wanted = 1.5 / np.where(bore, walls.closing, 1.0)
    outward, drawn, closes = 2 * errors.contour[0] + errors.swept[0], wanted, np.zeros_like(wanted)
    for _ in range(CLOSING_ROUNDS):
        closes = closure * BORE_REFERENCE_MM / drawn - holes.surplus(drawn)
        drawn = np.maximum(wanted + outward + closes, 0.5 * wanted)
    depth = np.clip(closes / 2, -wanted / 8, wanted / 8)
    return frame.solve(np.where(bore, -depth, 0.0))


def _play_shift(part: Part, frame: _Frame, walls: Walls, play: np.ndarray, jumps: bool) -> np.ndarray:
    """Moves (n, 2) that put the command ahead of the play: +b/2 along each axis' last move.

    A wall that moves an axis by many times its play takes the play up at once and asks for its whole length to
    stand right: n.v = n.(b/2 last move) at both ends; two such walls fix their corner. A wall that hardly moves
    the axis, and each facet of a smooth curve, asks so at its end only; its beginning goes with the facet that is
    drawn before it, and the play is taken up on the way. The wall then stands off by up to b t / (b + t), t its
    travel; half of that is taken off at its beginning, so that the error lies on both sides. Of a compensation set
    too high, where that jumps at the reversal, every facet asks for its whole length.
    """
    if not play.any():
        return np.zeros((len(part.vertices), 2))
    shift = walls.lead * play / 2 * frame.strength[:, None]
    normal = frame.horizontal[frame.face]
    ahead = _ahead(part, frame)
    arriving = _arrival(frame, shift, ahead)
    travel, size = walls.travel[frame.face], np.abs(play) * np.where(play < 0, 2, 1)
    own = (ahead > 0)[:, None] | (travel > OWN_TRAVEL * size) | (jumps & (play < 0))
    # A play compensated too much is given back gradually: the two ends of a short wall suffice.
    part_way = np.where(play < 0, 0.0, travel / np.maximum(travel + size, 1e-12) / 2)
    asked = arriving[frame.vertex]
    asked = asked + np.where(own, 1.0, part_way) * (shift[frame.face] - asked)
    along = np.sum(normal * asked, axis=1)
    trace = np.trace(frame.matrix, axis1=1, axis2=2)
    pull = SMOOTH * trace + (trace == 0)
    matrix = frame.matrix + pull[:, None, None] * np.eye(2)
    right = frame.gather(normal * (frame.weight * along)[:, None]) + pull[:, None] * arriving
    move = np.linalg.solve(matrix, right[..., None])[..., 0]
    limit = np.abs(play)
    return np.clip(move, -limit, limit)


def _ahead(part: Part, frame: _Frame) -> np.ndarray:
    """How far each corner lies ahead of its facet's middle, the path walking it material left, (c,) [mm]."""
    normal = frame.horizontal[frame.face]
    along = np.column_stack([-normal[:, 1], normal[:, 0]])
    middle = part.vertices[part.faces][:, :, :2].mean(axis=1)
    return np.sum((part.vertices[frame.vertex, :2] - middle[frame.face]) * along, axis=1)


def _arrival(frame: _Frame, shift: np.ndarray, ahead: np.ndarray) -> np.ndarray:
    """Shift (n, 2) of the facets by whose end each vertex is reached."""
    weight = frame.weight * np.maximum(ahead, 0.0)
    n = len(frame.matrix)
    total = np.bincount(frame.vertex, weights=weight, minlength=n)
    summed = frame.gather(weight[:, None] * shift[frame.face])
    return summed / np.where(total > 0, total, 1.0)[:, None]


def _mixed_note(part: Part, walls: Walls, play: np.ndarray, axes: tuple[str, str]) -> tuple[str, ...]:
    """Says where one flat facet is reached from different ways at different heights."""
    a, b, c = np.moveaxis(part.vertices[part.faces], 1, 0)
    area = np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2
    notes = []
    for axis, name in enumerate(axes):
        mixed = np.flatnonzero(walls.mixed[:, axis] & (np.abs(walls.normal[:, axis]) > 0.7))
        if abs(play[axis]) < VISIBLE_PLAY_MM or area[mixed].sum() < MIXED_AREA_MM2:
            continue
        place = part.vertices[part.faces[mixed[np.argmax(area[mixed])]]].mean(axis=0)
        x, y, z = place if axes == ("x", "y") else place @ TURN
        notes.append(
            f"{area[mixed].sum():.0f} mm2 of wall are reached by {name} from different ways at different heights "
            f"(largest at {x:.1f}, {y:.1f}, {z:.1f} mm) and got the mean of both."
        )
    return tuple(notes)
