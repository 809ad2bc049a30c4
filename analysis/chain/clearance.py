"""Clearance of printed pegs in printed holes, in closed form for many pairs and printers at once.

A path drawn round a centre is symmetric about it, so a peg is freest with its centre on the hole's. With h the
support function of the peg's path, H that of the hole's, w the bead widths and u over all directions

    put together   clearance = 2 min over u of (H(u) - h(u)) - w_peg - w_hole
    turning        the same with h(u) replaced by its greatest value

Play shifts a circle quadrant by quadrant. Walked counter-clockwise the quadrant east to north moves -x and +y and so
stands at (+b_x/2, -b_y/2); it begins where x has taken its play up, cos t = 1 - |b_x| / a with a the radius, and from
the reversal until there x stands still. The other quadrants and the other way round follow by mirroring. Scale turns
circles into ellipses and lean shears what play has left.

Play below zero is a compensation set too high, of which there are two manners: it mirrors the play (x runs at twice
its speed until it leads by |b|/2) or jumps there at once. Both leave dents, whose inner corners are met by the peg
before any flank is:

    dent at V      max over u of (V.u - h(u)) takes the place of H(u) - h(u)

Crossed belts run along the diagonals: in a frame turned by 45 degrees, each axis with the play of one belt over
sqrt 2, a circle is drawn as by any other machine, and a lean is a stretch of one diagonal and a shortening of the
other. Walls of a square along x and y are off by half the difference of the belts' plays, by the way they are walked.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fitassay.analysis.chain.backlash import has_belts
from fitassay.analysis.terms import BORE_REFERENCE_MM, SHAPING, Errors, errors_of

# Directions in half a turn; a multiple of 2, so that both axes are among them.
DIRECTIONS = 96
FINER = np.pi / DIRECTIONS * np.arange(-4, 5) / 5
# Pairs times printers times directions at once: arrays of a quarter of a megabyte stay in the processor's cache, and
# are not fetched from the operating system and given back each time.
AT_ONCE = 32_000


@dataclass(frozen=True, kw_only=True)
class Outlines:
    """Pegs or holes as printed, a row per pair and a column per printer.

    Attributes
    ----------
    half : ndarray (pairs, n, 2) [mm]
        Half the path's width in x and y, with crossed belts of circles along the diagonals, before play: semi-axes
        of an ellipse, or half sides.
    play : ndarray (pairs, n, 2) [mm]
        Play along these; below zero over-compensated.
    lean : ndarray (pairs, n) [rad]
        x gained per y.
    bead : ndarray (pairs, n) [mm]
        Bead width.
    ccw : ndarray (pairs, n) of bool
        Walked counter-clockwise, seen from above as put together.
    jumps : ndarray (pairs, n) of bool
        An over-compensation jumps; else it mirrors the play.
    """

    half: np.ndarray
    play: np.ndarray
    lean: np.ndarray
    bead: np.ndarray
    ccw: np.ndarray
    jumps: np.ndarray

    def rows(self, at: slice) -> Outlines:
        """Those of some pairs."""
        return Outlines(**{name: getattr(self, name)[at] for name in self.__dataclass_fields__})


def printed(
    nominal: np.ndarray,
    theta: np.ndarray,
    width: float,
    *,
    inside: bool,
    bore: np.ndarray,
    exact: np.ndarray,
    ccw: np.ndarray,
    jumps: np.ndarray,
    mirrored: bool,
) -> Outlines:
    """Pegs or holes of drawn sizes `nominal` (pairs,) [mm] on printers `theta` (n, terms).

    Parameters
    ----------
    width : float [mm]
        Commanded bead width.
    inside : bool
        True for holes.
    bore : ndarray (pairs,) of bool
        Round, so that it closes.
    exact : ndarray (pairs,) of bool
        Bought: of its drawn size and form.
    ccw, jumps : ndarray (pairs, n) of bool
        As in `Outlines`.
    mirrored : bool
        Put in upside down, so that it leans the other way; `ccw` is as seen then.
    """
    errors = errors_of(np.where(SHAPING, np.atleast_2d(theta), 0.0))
    sign = -1.0 if inside else 1.0
    made = ~exact[:, None]
    half = (nominal[:, None] - sign * width) / 2 + sign * errors.contour * made
    if inside:
        half = half - errors.closure * (made & bore[:, None]) * BORE_REFERENCE_MM / nominal[:, None] / 2
    half = np.maximum(half, 1e-3)
    stretch = 1 + errors.scale[:, :2]
    drawn = Outlines(
        half=half[:, :, None] * np.where(made[:, :, None], stretch, 1.0),
        play=np.where(made[:, :, None], errors.play, 0.0),
        lean=np.where(made, errors.shear, 0.0) * (-1.0 if mirrored else 1.0),
        bead=width + np.where(made, errors.swept, 0.0),
        ccw=ccw,
        jumps=jumps,
    )
    belted = has_belts(errors)
    if not belted.any():
        return drawn
    return _by_belts(drawn, errors, belted, made, mirrored=mirrored, rounds=bore)


def _by_belts(
    o: Outlines, errors: Errors, belted: np.ndarray, made: np.ndarray, *, mirrored: bool, rounds: np.ndarray
) -> Outlines:
    """The outlines with what two crossed belts of printers `belted` (n,) do to them.

    Parameters
    ----------
    made : ndarray (pairs, 1) of bool
        Printed.
    mirrored : bool
        Put in upside down, so that the diagonals exchange.
    rounds : ndarray (pairs,) of bool
        Circles, else squares.
    """
    a, b = errors.belt[:, 0], errors.belt[:, 1]
    lean = np.where(made, errors.shear, 0.0)
    along = np.stack([1 + lean / 2, 1 - lean / 2], axis=2) * o.half
    play = np.where(made[:, :, None], np.stack([a, b], axis=1) * np.sqrt(0.5), 0.0)
    if mirrored:
        along, play = along[..., ::-1], play[..., ::-1]
    # Walked counter-clockwise as printed, walls across x stand in and those across y out by a quarter of a - b.
    side = np.where(o.ccw != mirrored, 1.0, -1.0) * made
    square = o.half - (side * (a - b) / 4)[:, :, None] * np.array([1.0, -1.0])
    here, circle = belted[None, :, None], rounds[:, None, None]
    return replace(
        o,
        half=np.where(here, np.where(circle, along, square), o.half),
        play=np.where(here, np.where(circle, play, 0.0), o.play),
        lean=np.where(belted & rounds[:, None], 0.0, o.lean),
    )


def round_clearance(peg: Outlines, hole: Outlines, rotation: np.ndarray, turning: np.ndarray) -> np.ndarray:
    """Diametral clearance of round pegs, ndarray (pairs, n) [mm]; negative: interference.

    Parameters
    ----------
    peg, hole : Outlines
    rotation : ndarray (pairs,) [rad]
        By which each peg is turned counter-clockwise against how it was printed.
    turning : ndarray (pairs,) of bool
        Tightest over a whole turn instead.
    """
    pairs, n = peg.lean.shape
    step = max(1, AT_ONCE // (n * DIRECTIONS))
    out = np.empty((pairs, n))
    for first in range(0, pairs, step):
        at = slice(first, first + step)
        out[at] = _round_clearance(peg.rows(at), hole.rows(at), rotation[at], turning[at])
    return out


def _round_clearance(peg: Outlines, hole: Outlines, rotation: np.ndarray, turning: np.ndarray) -> np.ndarray:
    angle = np.pi * np.arange(DIRECTIONS) / DIRECTIONS
    # Directions are even in the hole's frame before it leans, so that its flats are among them.
    vx, vy = np.cos(angle), np.sin(angle)
    uy = vy - hole.lean[..., None] * vx
    length = np.sqrt(vx**2 + uy**2)
    ux, uy = vx / length, uy / length
    c, s = np.cos(rotation)[:, None, None], np.sin(rotation)[:, None, None]

    def reached(ux: np.ndarray, uy: np.ndarray) -> np.ndarray:
        px, py = c * ux + s * uy, c * uy - s * ux
        return _support(peg, px, py + peg.lean[..., None] * px)

    reach = reached(ux, uy)
    widest = reach.max(axis=2, keepdims=True)
    reach = np.where(turning[:, None, None], widest, reach)
    gap = _to_walls(hole, vx, vy, length, reach)
    for where, x, y in _dents(hole):
        if where.any():
            x = x + hole.lean * y
            off = np.abs(x[..., None] * ux + y[..., None] * uy) - reach
            # Where the peg's hull is flat its support has a kink, and the best direction lies between two.
            best = angle[off.argmax(axis=2)][..., None] + FINER
            fx, fy = np.cos(best), np.sin(best) - hole.lean[..., None] * np.cos(best)
            size = np.hypot(fx, fy)
            fx, fy = fx / size, fy / size
            near = np.where(turning[:, None, None], widest, reached(fx, fy))
            met = (np.abs(x[..., None] * fx + y[..., None] * fy) - near).max(axis=2)
            gap = np.where(where, np.minimum(gap, met), gap)
    return 2 * gap - peg.bead - hole.bead


def square_clearance(
    peg: Outlines, hole: Outlines, quarter: np.ndarray, late_peg: np.ndarray, late_hole: np.ndarray
) -> np.ndarray:
    """Clearance of square pegs between the hole's flanks, ndarray (pairs, n) [mm]; negative: interference.

    Parameters
    ----------
    peg, hole : Outlines
    quarter : ndarray (pairs,) of int
        Quarter turns by which each peg is turned.
    late_peg, late_hole : ndarray (pairs, n, 2)
        Share of the play that is not taken up on the first flank of a loop, by the axis across that flank: 1 where
        the nozzle comes from the contrary side.
    """
    p = 2 * peg.half - peg.play * (1 - late_peg)
    h = 2 * hole.half - hole.play * (1 - late_hole)
    odd = (quarter % 2 == 1)[:, None]
    g, own = hole.lean, peg.lean
    # Across the hole's flanks: n = (1, -g) and (0, 1); the peg leans in its own frame.
    spans = []
    for nx, ny in ((np.ones_like(g), -g), (np.zeros_like(g), np.ones_like(g))):
        px, py = np.where(odd, ny, nx), np.where(odd, -nx, ny)
        spans.append(np.abs(px) * p[..., 0] + np.abs(py + own * px) * p[..., 1])
    across = (h[..., 0] - spans[0]) / np.hypot(1.0, g)
    return np.minimum(across, h[..., 1] - spans[1]) - peg.bead - hole.bead


def _quadrant(o: Outlines, turn: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Of the first quadrant walked as the counter-clockwise one is, x and y exchanged where `turn` (pairs, n) is 0.

    Returns
    -------
    a, c : ndarray (pairs, n) [mm]
        Semi-axes: of the axis that reverses at the quadrant's beginning, and of the other.
    b, d : ndarray (pairs, n) [mm]
        Their plays.
    """
    a = np.where(turn, o.half[..., 0], o.half[..., 1])
    c = np.where(turn, o.half[..., 1], o.half[..., 0])
    b = np.where(turn, o.play[..., 0], o.play[..., 1])
    d = np.where(turn, o.play[..., 1], o.play[..., 0])
    return a, c, b, d


def _start(a: np.ndarray, b: np.ndarray, jump: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Cosine and sine of the angle at which a quadrant's arc begins, the play taken up."""
    cosine = np.where(jump, 1.0, np.clip(1 - np.abs(b) / a, 0.0, 1.0))
    return cosine, np.sqrt(1 - cosine**2)


@dataclass(frozen=True, kw_only=True)
class _Pieces:
    """Support in given directions of what a quadrant consists of, each with where that piece is met; ndarrays."""

    arc: np.ndarray
    on_arc: np.ndarray
    corner: np.ndarray
    dash: np.ndarray | None
    on_dash: np.ndarray | None
    jump: np.ndarray
    over: np.ndarray
    tip: np.ndarray | None


def _pieces(o: Outlines, vx: np.ndarray, vy: np.ndarray) -> _Pieces:
    """For directions (pairs, n, k) or (k,), by symmetry all brought into the first quadrant.

    `first` quadrants begin at a reversal of x, the others at one of y.
    """
    first = (vx * vy >= 0) == o.ccw[..., None]
    x, y = np.abs(vx), np.abs(vy)
    hx, hy = o.half[..., :1], o.half[..., 1:]
    bx, by = o.play[..., :1], o.play[..., 1:]
    jumps = o.jumps[..., None]
    (cos_x, sin_x), (cos_y, sin_y) = _start(hx, bx, jumps & (bx < 0)), _start(hy, by, jumps & (by < 0))
    px, py = hx * x, hy * y
    shift = bx / 2 * x - by / 2 * y
    squares = px**2 + py**2
    arc = np.sqrt(squares) + np.where(first, shift, -shift)
    on_arc = np.where(first, py * cos_x >= px * sin_x, px * cos_y >= py * sin_y)
    corner = np.where(
        first,
        (hx * cos_x + bx / 2) * x + (hy * sin_x - by / 2) * y,
        (hx * sin_y - bx / 2) * x + (hy * cos_y + by / 2) * y,
    )
    over = np.where(first, bx < 0, by < 0)
    dash = on_dash = tip = None
    if over.any():
        # Twice the speed: an arc of the ellipse with semi-axes 2 a and c, from the reversal to the corner.
        dash = np.sqrt(squares + 3 * np.where(first, px, py) ** 2) - np.where(
            first, (hx + bx / 2) * x + by / 2 * y, bx / 2 * x + (hy + by / 2) * y
        )
        on_dash = np.where(first, py * cos_x <= 2 * px * sin_x, px * cos_y <= 2 * py * sin_y)
        tip = np.where(first, (hx - bx / 2) * x - by / 2 * y, (hy - by / 2) * y - bx / 2 * x)
    return _Pieces(
        arc=arc,
        on_arc=on_arc,
        corner=corner,
        dash=dash,
        on_dash=on_dash,
        jump=jumps & over,
        over=over,
        tip=tip,
    )


def _support(o: Outlines, vx: np.ndarray, vy: np.ndarray) -> np.ndarray:
    """Support function of the path in directions (pairs, n, k), not of unit length [mm]."""
    m = _pieces(o, vx, vy)
    h = np.where(m.on_arc, m.arc, m.corner)
    if m.dash is None or m.on_dash is None or m.tip is None:
        return h
    ahead = np.where(m.jump, m.tip, np.where(m.on_dash, m.dash, m.corner))
    return np.where(m.over, np.maximum(h, ahead), h)


def _to_walls(
    o: Outlines, vx: np.ndarray, vy: np.ndarray, length: np.ndarray, reach: np.ndarray
) -> np.ndarray:
    """Least of H - h over the hole's walls, (pairs, n) [mm], dents left out.

    A wall that comes nearer all the way to a dent has its least distance there, where H - h is less than the
    distance; it counts only where H - h grows towards the dent.
    """
    m = _pieces(o, vx, vy)
    gap = np.where(m.on_arc, m.arc, m.corner) / length - reach
    if m.dash is None or m.on_dash is None:
        return gap.min(axis=2)
    arc = np.where(m.on_arc, m.arc / length - reach, np.inf)
    dash = np.where(m.on_dash & ~m.jump, m.dash / length - reach, np.inf)
    arc = np.where(_less_than_towards(arc, ~o.ccw), arc, np.inf)
    dash = np.where(_less_than_towards(dash, o.ccw), dash, np.inf)
    return np.where(m.over, np.minimum(arc, dash), gap).min(axis=2)


def _less_than_towards(values: np.ndarray, up: np.ndarray) -> np.ndarray:
    """Whether each value is at most the next one, at larger angles where `up` (pairs, n), in the same quadrant."""
    quadrant = np.arange(DIRECTIONS) > DIRECTIONS // 2
    out = []
    for step in (-1, 1):
        beside = np.roll(values, step, axis=2)
        beside = np.where(np.roll(quadrant, step) == quadrant, beside, -np.inf)
        out.append((values <= beside) & np.isfinite(beside))
    return np.where(up[..., None], out[0], out[1])


def _dents(o: Outlines) -> list[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """Inner corners (two a half turn): where there is one, and its x and y before the lean, each (pairs, n) [mm]."""
    out = []
    side = np.where(o.ccw, 1.0, -1.0)
    for turn in (True, False):
        a, c, b, d = _quadrant(o, np.full_like(o.ccw, turn))
        cosine, sine = _start(a, b, o.jumps & (b < 0))
        along, beside = a * cosine + b / 2, c * sine - d / 2
        x, y = (side * along, beside) if turn else (-side * beside, along)
        out.append((b < 0, x, y))
    return out
