"""Lost motion, the one place where it lives: from a commanded loop to the path that the nozzle really takes."""

from __future__ import annotations

import numpy as np

from fitassay.analysis.chain.loops import Loop
from fitassay.analysis.terms import Errors

BELTS = np.array([[1.0, 1.0], [1.0, -1.0]])
"""Travel of two crossed belts: a = x + y, b = x - y; and back, x = (a + b) / 2, y = (a - b) / 2."""

STILL_MM = 1e-9
"""An axis that moves by less stands still [mm]."""


def lost_motion(
    path: np.ndarray, play: np.ndarray, only: np.ndarray | None = None, *, jumps: bool = False
) -> tuple[np.ndarray, np.ndarray]:
    """Where two axes with play really go: x and y, or two belts.

    Per axis w_k = max(u_k - r, min(u_k + r, w_{k-1})) with r = |b|/2 (play operator of Krasnosel'skii and
    Pokrovskii; the textbook form is from memory). Negative b, a backlash compensation set too high, mirrors the
    result about the command, or leads by |b|/2 from each reversal on, at once. Both kinks of every move, where each
    axis takes up its play, become vertices.

    Parameters
    ----------
    path : ndarray (n, m, 2) [mm]
        Commanded vertices.
    play : ndarray (n, 2) [mm]
        Total play b of either axis.
    only : ndarray of int, optional
        Moves wanted; default all.
    jumps : bool
        What negative b does.

    Returns
    -------
    vertices : ndarray (n, m or wanted, 2) [mm]
        Positions at the commanded vertices, or where the moves wanted begin.
    moves : ndarray (n, wanted, 4, 2) [mm]
        Each move as three straight pieces.
    """
    r = np.abs(play) / 2
    sign = np.where(play < 0, -1.0, 1.0)
    # The recursion runs along the path for all printers at once; path-first arrays keep it in step with memory.
    along = np.ascontiguousarray(path.transpose(1, 0, 2))
    upper, lower = along + r, along - r
    w = np.empty_like(along)
    w[0] = along[0]
    for k in range(1, len(along)):
        np.minimum(upper[k], w[k - 1], out=w[k])
        np.maximum(lower[k], w[k], out=w[k])
    w = w.transpose(1, 0, 2)
    first = np.arange(path.shape[1] - 1) if only is None else only
    start, w_start = path[:, first], w[:, first]
    du = path[:, first + 1] - start
    with np.errstate(divide="ignore", invalid="ignore"):
        t = (w_start + np.sign(du) * r[:, None] - start) / du
    t = np.clip(np.where(np.abs(du) > 1e-12, t, 0.0), 0.0, 1.0)
    kinks = np.stack([t.min(axis=2), t.max(axis=2)], axis=2)[..., None]
    u_kink = start[:, :, None] + kinks * du[:, :, None]
    w_kink = np.maximum(u_kink - r[:, None, None], np.minimum(u_kink + r[:, None, None], w_start[:, :, None]))

    def signed(u: np.ndarray, v: np.ndarray, s: np.ndarray) -> np.ndarray:
        return np.where(s < 0, 2 * u - v, v)

    kinked = signed(u_kink, w_kink, sign[:, None, None])
    begin = signed(start, w_start, sign[:, None])
    end = signed(path[:, first + 1], w[:, first + 1], sign[:, None])
    moves = np.concatenate([begin[:, :, None], kinked, end[:, :, None]], axis=2)
    vertices = signed(path, w, sign[:, None]) if only is None else begin
    if jumps and (play < 0).any():
        ahead, ran = _running_ahead(path, r)
        ahead = ahead if only is None else ahead[:, first]
        vertices = np.where(play[:, None] < 0, ahead, vertices)
        moves = np.where(play[:, None, None] < 0, ran[:, first], moves)
    return vertices, moves


def _running_ahead(path: np.ndarray, r: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Vertices and moves, as `lost_motion` has them, of axes that lead by `r` (n, 2) [mm] whichever way they go.

    An axis that stands still keeps its side.
    """
    du = np.diff(path, axis=1)
    way = np.where(np.abs(du) > STILL_MM, np.sign(du), 0.0)
    last = np.maximum.accumulate(np.where(way != 0, np.arange(way.shape[1])[:, None], 0), axis=1)
    lead = np.take_along_axis(way, last, axis=1) * r[:, None]
    before = np.concatenate([np.zeros_like(lead[:, :1]), lead], axis=1)
    vertices = path + before
    start, end = path[:, :-1] + lead, path[:, 1:] + lead
    return vertices, np.stack([vertices[:, :-1], start, start, end], axis=2)


def printed_path(
    loop: Loop, errors: Errors, flared: bool = False, only: np.ndarray | None = None
) -> np.ndarray:
    """The path that the nozzle really takes along one loop.

    Parameters
    ----------
    loop : Loop, m vertices
    errors : Errors for n printers
    flared : bool
        True in the lowest layers.
    only : ndarray of int, optional
        Moves wanted; default all.

    Returns
    -------
    ndarray (n, m or wanted, 4, 2) [mm]
        Every move from vertex i to i + 1 (closing the loop) as three straight pieces.
    """
    shift = errors.contour + (errors.flare if flared else 0.0)
    path = loop.points + shift[:, None, None] * loop.outward + errors.closure[:, None, None] * loop.closing
    lap = np.concatenate([path, path[:, :1]], axis=1)
    # Without a file the loop follows its own previous layer, so its flanks are reached by its own moves.
    lead = path if loop.lead_in is None else np.broadcast_to(loop.lead_in, (errors.n, *loop.lead_in.shape))
    wanted = np.arange(len(loop.points)) if only is None else only
    begins = [0, *(s.first for s in loop.strokes)]
    stops = [*begins[1:], len(loop.points)]
    leads = [lead, *(np.broadcast_to(s.lead_in, (errors.n, *s.lead_in.shape)) for s in loop.strokes)]
    backward = [False, *(s.backward for s in loop.strokes)]
    moves = np.empty((errors.n, len(wanted), 4, 2))
    for begin, stop, lead, back in zip(begins, stops, leads, backward, strict=True):
        inside = (wanted >= begin) & (wanted < stop)
        if inside.any():
            moves[:, inside] = _stroke(lead, lap[:, begin : stop + 1], errors, wanted[inside] - begin, back)
    moves[..., 0] += errors.shear[:, None, None] * moves[..., 1]
    return moves


def _stroke(lead: np.ndarray, path: np.ndarray, errors: Errors, wanted: np.ndarray, back: bool) -> np.ndarray:
    """Moves (n, wanted, 4, 2) of a stroke along `path` (n, m, 2), drawn backward where `back`, behind its lead."""
    drawn = path[:, ::-1] if back else path
    full = np.concatenate([lead, drawn], axis=1) * (1 + errors.scale[:, None, :2])
    order = path.shape[1] - 2 - wanted if back else wanted
    moves = with_play(full, errors, order + lead.shape[1])
    return moves[:, :, ::-1] if back else moves


def has_belts(errors: Errors) -> np.ndarray:
    """Printers (n,) of bool with play in crossed belts; one has it there or in x and y, and the larger counts."""
    return np.abs(errors.belt).max(axis=1) > np.abs(errors.play).max(axis=1)


def with_play(path: np.ndarray, errors: Errors, only: np.ndarray) -> np.ndarray:
    """Moves (n, wanted, 4, 2) of `path` (n, m, 2), play taken up where it is: in x and y, or in the belts."""
    belted = has_belts(errors)
    if not belted.any():
        return lost_motion(path, errors.play, only, jumps=errors.jumps)[1]
    moves = np.empty((errors.n, len(only), 4, 2))
    moves[~belted] = lost_motion(path[~belted], errors.play[~belted], only, jumps=errors.jumps)[1]
    travel = lost_motion(path[belted] @ BELTS.T, errors.belt[belted], only, jumps=errors.jumps)[1]
    moves[belted] = travel @ BELTS / 2
    return moves
