"""Round holes and bosses of a part, found in its mesh.

A cylinder's facets are flat strips whose normals all lie across its axis: wherever two of them meet, the cross
product of their normals is that axis. So the bends between patches vote for axes; strips across one axis that bend
the same way are a chain; the corners of a chain that lie on one circle are a hole or a boss, and its diameter is the
circle's that goes through them, which is the drawn one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from fitassay.analysis.parts.facets import Bend, Facets

# Patches of one round wall turn by no more than this: eight facets a turn [rad].
ROUND_TURN = np.radians(46.0)
# Walls across an axis, and axes that are one [rad].
ACROSS = np.radians(0.5)
# Corners of a drawn circle lie on it within this and this share of the radius [mm].
ON_CIRCLE_MM, ON_CIRCLE = 0.004, 3e-4
# A round wall goes at least this far about its axis: the end of a slot goes half way [rad].
LEAST_SWEEP = np.radians(200.0)
WHOLE_SWEEP = np.radians(330.0)
# Chains that bend by less in all are no corner worth a look: a dome's facets pair up like that [rad].
LEAST_TURN = np.radians(40.0)
# A strip much wider than the others on its circle is a flat cut into it [rad].
WIDE_STRIP, WIDE_SHARE = np.radians(12.0), 3.0
# What is shorter than this along its axis is an edge, and a band of a dome where it also blends in at both ends [mm].
LEAST_LENGTH_MM, DOME_SHARE = 0.4, 0.3
BLENDS = np.radians(35.0)
# Pieces of a bent pipe have radii that differ by no more than this share.
PIPE_SHARE = 0.03
MOST_AXES = 60

RoundKind = Literal["hole", "boss"]


@dataclass(frozen=True, kw_only=True)
class RoundFeature:
    """A round hole or boss.

    Attributes
    ----------
    kind : {"hole", "boss"}
    diameter_mm : float [mm]
        As drawn: of the circle through the mesh's corners.
    centre_mm : tuple of 3 float [mm]
        Middle of its axis, in the part's coordinates.
    axis : tuple of 3 float
        Unit vector.
    length_mm : float [mm]
        Along the axis.
    whole : bool
        False where a part of the wall is missing: a flat, a key way, a slit.
    """

    kind: RoundKind
    diameter_mm: float
    centre_mm: tuple[float, float, float]
    axis: tuple[float, float, float]
    length_mm: float
    whole: bool

    @property
    def upright(self) -> bool:
        """Along z, as the printer builds: a loop in every layer."""
        return abs(self.axis[2]) > np.cos(ACROSS)


def round_features(facets: Facets) -> tuple[tuple[RoundFeature, ...], frozenset[int]]:
    """Round holes and bosses of a closed mesh, largest first; axes in any direction.

    Returns
    -------
    features : tuple of RoundFeature
    curved : frozenset of int
        Patches that belong to round walls of any sweep, fillets and ends of slots too.
    """
    bend = facets.bend
    smooth = np.abs(bend.angle) < ROUND_TURN
    found: list[tuple[RoundFeature, _Arc]] = []
    curved: set[int] = set()
    for axis in _axes(bend, smooth):
        across = np.abs(facets.normal @ axis) < np.sin(ACROSS)
        along = smooth & across[bend.a] & across[bend.b] & (np.abs(bend.axis @ axis) > np.cos(2 * ACROSS))
        frame = _across(axis)
        for side, kind in ((-1.0, "hole"), (1.0, "boss")):
            links = np.flatnonzero(along & (bend.angle * side > 0))
            for chain in _chains(bend, links):
                if np.abs(bend.angle[chain]).sum() < LEAST_TURN:
                    continue
                for run in _arcs(facets, chain, axis, frame):
                    curved.update(run.patches)
                    if run.sweep >= LEAST_SWEEP and _is_wall(facets, run):
                        found.append((run.feature(kind), run))  # type: ignore[arg-type]
    straight = [f for f, _ in _straight(facets, found)]
    return tuple(sorted(straight, key=lambda f: (-f.diameter_mm, f.centre_mm))), frozenset(curved)


def _straight(facets: Facets, found: list[tuple[RoundFeature, _Arc]]) -> list[tuple[RoundFeature, _Arc]]:
    """Without the pieces of bent pipes: walls that go on as others of the same radius and another axis."""
    owner = np.full(facets.count, -1)
    for i, (_, arc) in enumerate(found):
        owner[list(arc.patches)] = i
    a, b = owner[facets.bend.a], owner[facets.bend.b]
    met = (a >= 0) & (b >= 0) & (a != b) & (np.abs(facets.bend.angle) < ROUND_TURN)
    bent: set[int] = set()
    for i, j in set(zip(a[met].tolist(), b[met].tolist(), strict=True)):
        one, two = found[i][1], found[j][1]
        turned = abs(float(one.axis @ two.axis)) < np.cos(ACROSS)
        if turned and abs(one.radius - two.radius) < PIPE_SHARE * one.radius:
            bent |= {i, j}
    return [f for i, f in enumerate(found) if i not in bent]


def _axes(bend: Bend, smooth: np.ndarray) -> list[np.ndarray]:
    """Directions that many bends share, the one with the longest edges first."""
    axis, weight = bend.axis[smooth], bend.length[smooth]
    found: list[np.ndarray] = []
    cells, index = np.unique(np.round(axis, 2), axis=0, return_inverse=True)
    index = index.ravel()
    total = np.bincount(index, weight, len(cells))
    for cell in np.argsort(-total)[: 4 * MOST_AXES]:
        if len(found) == MOST_AXES or total[cell] < 2 * LEAST_LENGTH_MM:
            break
        near = index == cell
        mean = (axis[near] * weight[near, None]).sum(axis=0)
        mean /= np.linalg.norm(mean)
        if any(abs(mean @ other) > np.cos(ACROSS) for other in found):
            continue
        found.append(_sharpened(mean, axis, weight))
    return found


def _sharpened(mean: np.ndarray, axis: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """The mean direction of all bends close to it, whichever cell they fell in."""
    cosine = axis @ mean
    near = np.abs(cosine) > np.cos(ACROSS)
    mean = (axis[near] * (weight[near] * np.sign(cosine[near]))[:, None]).sum(axis=0)
    return mean / np.linalg.norm(mean)


def _chains(bend: Bend, links: np.ndarray) -> list[np.ndarray]:
    """Groups of bends (indices) that hang together."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    if not len(links):
        return []
    patches, ends = np.unique(np.concatenate([bend.a[links], bend.b[links]]), return_inverse=True)
    a, b = np.split(ends, 2)
    n = len(patches)
    group = connected_components(coo_array((np.ones(len(links)), (a, b)), shape=(n, n)), directed=False)[1][a]
    order = np.argsort(group, kind="stable")
    return np.split(links[order], np.flatnonzero(np.diff(group[order])) + 1)


@dataclass(frozen=True, eq=False, kw_only=True)
class _Arc:
    """Patches of one chain whose corners lie on one circle about `axis`."""

    patches: tuple[int, ...]
    axis: np.ndarray
    centre: np.ndarray
    radius: float
    low: float
    high: float
    sweep: float

    def feature(self, kind: RoundKind) -> RoundFeature:
        middle = self.centre + self.axis * (self.low + self.high) / 2
        return RoundFeature(
            kind=kind,
            diameter_mm=2 * self.radius,
            centre_mm=(float(middle[0]), float(middle[1]), float(middle[2])),
            axis=(float(self.axis[0]), float(self.axis[1]), float(self.axis[2])),
            length_mm=self.high - self.low,
            whole=bool(self.sweep >= WHOLE_SWEEP),
        )


def _arcs(facets: Facets, chain: np.ndarray, axis: np.ndarray, frame: np.ndarray) -> list[_Arc]:
    """The circles that the patches of a chain lie on."""
    bend = facets.bend
    corners = {int(p): facets.corners(int(p)) for p in np.unique([bend.a[chain], bend.b[chain]])}
    whole = _arc(facets, chain, corners, axis, frame)
    if whole:
        return [whole]
    found = (_arc(facets, run, corners, axis, frame) for run in _runs(bend, chain, corners, frame))
    return [arc for arc in found if arc]


def _across(axis: np.ndarray) -> np.ndarray:
    """Two unit vectors across an axis and each other, ndarray (2, 3)."""
    helper = np.eye(3)[np.abs(axis).argmin()]
    u = np.cross(axis, helper)
    u /= np.linalg.norm(u)
    return np.array([u, np.cross(axis, u)])


def _arc(
    facets: Facets,
    links: np.ndarray,
    corners: dict[int, np.ndarray],
    axis: np.ndarray,
    frame: np.ndarray,
) -> _Arc | None:
    """The circle through the corners at which patches meet, or None where there is none."""
    bend = facets.bend
    # Where another surface cuts a strip its corners lie on the chord; those of two strips lie on the circle.
    meetings = zip(bend.a[links].tolist(), bend.b[links].tolist(), strict=True)
    joints = np.array([_joint(corners, a, b, frame) for a, b in meetings])
    if len(np.unique(np.round(joints, 4), axis=0)) < 4:
        return None
    middle, radius = fit_circle(joints)
    off = np.abs(np.linalg.norm(joints - middle, axis=1) - radius).max()
    if not off < ON_CIRCLE_MM + ON_CIRCLE * radius:
        return None
    patches = np.unique([bend.a[links], bend.b[links]])
    sideways = np.cross(axis, facets.normal[patches])
    width = np.array([np.ptp(corners[int(p)] @ t) for p, t in zip(patches, sideways, strict=True)])
    angle = 2 * np.arcsin(np.minimum(width / 2 / radius, 1.0))
    strip = angle < max(WIDE_STRIP, WIDE_SHARE * float(np.median(angle)))
    if not strip.all():
        kept = np.isin(bend.a[links], patches[strip]) & np.isin(bend.b[links], patches[strip])
        return _arc(facets, links[kept], corners, axis, frame) if kept.sum() >= 3 else None
    direction = facets.normal[patches] @ frame.T
    along = np.concatenate([corners[int(p)] for p in patches]) @ axis
    return _Arc(
        patches=tuple(map(int, patches)),
        axis=axis,
        centre=middle @ frame,
        radius=radius,
        low=float(along.min()),
        high=float(along.max()),
        sweep=_covered(np.arctan2(direction[:, 1], direction[:, 0]), angle / 2),
    )


def _joint(corners: dict[int, np.ndarray], a: int, b: int, frame: np.ndarray) -> np.ndarray:
    """Where two strips meet, seen along the axis, (2,) [mm]: the middle of the corners that they share."""
    shared = {tuple(c) for c in corners[a]} & {tuple(c) for c in corners[b]}
    return np.array(list(shared)).mean(axis=0) @ frame.T


def _covered(middle: np.ndarray, half: np.ndarray) -> float:
    """The angle that arcs about `middle` cover together [rad]."""
    low = np.mod(middle - half, 2 * np.pi)
    order = np.argsort(low)
    total, end = 0.0, -1.0
    for start, width in zip(low[order], 2 * half[order], strict=True):
        total += max(0.0, start + width - max(end, start))
        end = max(end, start + width)
    # What reaches over a whole turn covers the first arcs again.
    return min(total, 2 * np.pi)


def fit_circle(points: np.ndarray) -> tuple[np.ndarray, float]:
    """Least-squares circle through points (n, 2): centre (2,) and radius, by the algebraic equation."""
    origin = points.mean(axis=0)
    x, y = (points - origin).T
    solution = np.linalg.lstsq(np.column_stack([2 * x, 2 * y, np.ones(len(x))]), x**2 + y**2, rcond=None)[0]
    return origin + solution[:2], float(np.sqrt(max(solution[2] + solution[0] ** 2 + solution[1] ** 2, 0.0)))


def _runs(
    bend: Bend, chain: np.ndarray, corners: dict[int, np.ndarray], frame: np.ndarray
) -> list[np.ndarray]:
    """Bends of a chain joined where three corners in a row ask for the same circle on both sides."""
    circles = {int(link): _bend_circle(bend, int(link), corners, frame) for link in chain}
    at_patch: dict[int, list[int]] = {}
    for link in circles:
        for patch in (int(bend.a[link]), int(bend.b[link])):
            at_patch.setdefault(patch, []).append(link)
    group = {link: link for link in circles}

    def root(link: int) -> int:
        while group[link] != link:
            link = group[link] = group[group[link]]
        return link

    for links in at_patch.values():
        for one in links:
            for two in links:
                (c1, r1), (c2, r2) = circles[one], circles[two]
                if one < two and max(np.linalg.norm(c1 - c2), abs(r1 - r2)) < 0.01 + 0.1 * min(r1, r2):
                    group[root(one)] = root(two)
    runs: dict[int, list[int]] = {}
    for link in circles:
        runs.setdefault(root(link), []).append(link)
    return [np.array(r) for r in runs.values() if len(r) > 2]


def _bend_circle(
    bend: Bend, link: int, corners: dict[int, np.ndarray], frame: np.ndarray
) -> tuple[np.ndarray, float]:
    """The circle through the ends of two strips that meet, seen along the axis."""
    a, b = (corners[int(p)] @ frame.T for p in (bend.a[link], bend.b[link]))
    apart = np.linalg.norm(a[:, None] - b[None], axis=2)
    i, j = np.unravel_index(apart.argmin(), apart.shape)
    joint = (a[i] + b[j]) / 2
    far_a, far_b = (c[np.linalg.norm(c - joint, axis=1).argmax()] for c in (a, b))
    p, q = far_a - joint, far_b - joint
    twice = 2 * (p[0] * q[1] - p[1] * q[0])
    if abs(twice) < 1e-12:
        return joint, np.inf
    off = np.array([q[1] * (p @ p) - p[1] * (q @ q), p[0] * (q @ q) - q[0] * (p @ p)]) / twice
    return joint + off, float(np.linalg.norm(off))


def _is_wall(facets: Facets, arc: _Arc) -> bool:
    """A wall of its own, no edge and no band of a dome or a rounded rim."""
    length = arc.high - arc.low
    if length < LEAST_LENGTH_MM:
        return False
    if length > DOME_SHARE * 2 * arc.radius:
        return True
    bend, own = facets.bend, np.isin(np.arange(facets.count), arc.patches)
    border = own[bend.a] != own[bend.b]
    outer = np.where(own[bend.a], bend.b, bend.a)[border]
    leans = facets.normal[outer] @ arc.axis
    blends = (np.abs(bend.angle[border]) < BLENDS) & (np.abs(leans) > np.sin(ACROSS))
    length_at = bend.length[border]
    return not all(
        (length_at * (blends & (leans * end > 0))).sum() > np.pi * arc.radius for end in (1.0, -1.0)
    )
