"""Pictures of meshes: the right face in the right pixel, edges where planes change, the same bytes always."""

from __future__ import annotations

import io

import numpy as np
import pytest
import trimesh
from PIL import Image

from fitassay.gallery.render import INK, PAPER, Body, project, rasterise, render_png
from tests import sets


def box(size: tuple[float, float, float], at: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> Body:
    mesh = trimesh.creation.box(extents=size)
    mesh.apply_translation(np.array(size) / 2 + at)
    return Body(vertices=np.array(mesh.vertices), faces=np.array(mesh.faces))


def pixels(png: bytes) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(png)).convert("RGB")).astype(int)


def test_isometric_shows_all_axes_at_one_scale() -> None:
    """Isometric projection: each axis is foreshortened by sqrt(2/3) (ISO 5456-3, from memory)."""
    lengths = np.linalg.norm(project(np.eye(3))[:, :2], axis=1)
    assert lengths == pytest.approx(np.sqrt(2 / 3))
    # x runs to the right and down, y to the right and up, z up.
    x, y, z = project(np.eye(3))[:, :2]
    assert x[0] > 0 > x[1] and y[0] > 0 < y[1]
    assert z == pytest.approx([0, np.sqrt(2 / 3)])


def test_rasteriser_against_intersections_by_a_second_library() -> None:
    """Nearest triangle per pixel against trimesh's line-plane intersections and barycentric coordinates."""
    solid = sets.coupon_set().solids["comb-x"]
    corners = project(solid.vertices[solid.faces])
    low, high = corners.reshape(-1, 3).min(axis=0), corners.reshape(-1, 3).max(axis=0)
    width, height = 45, 30
    scale = np.array([width, height]) / (high - low)[:2]
    screen = corners.copy()
    screen[..., 0] = (corners[..., 0] - low[0]) * scale[0]
    screen[..., 1] = (high[1] - corners[..., 1]) * scale[1]
    face, depth = rasterise(screen, width, height)

    columns, rows = np.meshgrid(np.arange(width) + 0.5, np.arange(height) + 0.5)
    places = np.stack([low[0] + columns / scale[0], high[1] - rows / scale[1]], axis=-1).reshape(-1, 2)
    theirs = np.array([first_hit(corners, place) for place in places])
    ours = depth.ravel()
    hit = np.isfinite(ours)
    assert (hit == (face.ravel() >= 0)).all()
    assert (hit != np.isfinite(theirs)).mean() < 0.004  # lines that graze an edge
    both = hit & np.isfinite(theirs)
    assert both.sum() > 400
    assert (np.abs(ours[both] - theirs[both]) < 1e-6).mean() > 0.995


def first_hit(triangles: np.ndarray, place: np.ndarray) -> float:
    """Where a line along the third axis through `place` first meets a triangle that faces it; else inf.

    Right, up and away are left-handed, so the corners of what is seen turn the positive way round.
    """
    normals, valid = trimesh.triangles.normals(triangles)
    facing = triangles[valid][normals[:, 2] > 1e-9]
    n = len(facing)
    points, crossing = trimesh.intersections.planes_lines(
        facing[:, 0],
        normals[normals[:, 2] > 1e-9],
        np.tile([*place, -1e3], (n, 1)),
        np.tile([0.0, 0.0, 1.0], (n, 1)),
    )
    weights = trimesh.triangles.points_to_barycentric(facing[crossing], points)
    inside = (weights >= -1e-9).all(axis=1)
    return float(points[inside, 2].min()) if inside.any() else np.inf


def test_nearer_body_hides_the_farther_one() -> None:
    alone = pixels(render_png([box((10, 10, 10))], width=300))
    # A second box straight behind along the line of sight changes nothing that is seen.
    behind = box((4, 4, 4), (3 - 30, 3 + 30, 3 - 30))
    together = rasterise_silhouette([box((10, 10, 10)), behind])
    single = rasterise_silhouette([box((10, 10, 10))])
    assert (together == single).all()
    # Hexagon of an isometric cube: half of its box's corners are paper.
    assert 0.4 < (alone != PAPER).any(axis=2).mean() < 0.85


def rasterise_silhouette(bodies: list[Body]) -> np.ndarray:
    corners = np.concatenate([b.vertices[b.faces] for b in bodies])
    screen = project(corners)
    screen[..., 0] = (screen[..., 0] + 20) * 5
    screen[..., 1] = (30 - screen[..., 1]) * 5
    return rasterise(screen, 200, 250)[1]


def test_three_sides_of_a_box_and_its_edges() -> None:
    picture = pixels(render_png([box((20, 20, 20))], width=400))
    colours, counts = np.unique(picture.reshape(-1, 3), axis=0, return_counts=True)
    large = colours[counts > 0.03 * picture.shape[0] * picture.shape[1]]
    sides = [c for c in large if tuple(c) != PAPER]
    assert len(sides) == 3, "top, front and right side each have one flat shade"
    # Nine edges are seen; averaged lines are a little paler than ink.
    dark = (picture.sum(axis=2) < sum(INK) + 200).sum()
    assert dark > 400


def test_raised_marks_show_and_facets_of_a_circle_do_not() -> None:
    plate, raised = box((20, 20, 4)), box((6, 6, 0.4), (7, 7, 4))
    assert ink(render_png([plate, raised], width=400)) > ink(render_png([plate], width=400)) + 100

    def cylinder(sections: int) -> Body:
        mesh = trimesh.creation.cylinder(radius=10, height=8, sections=sections)
        mesh.apply_translation((0, 0, 4))
        return Body(vertices=np.array(mesh.vertices), faces=np.array(mesh.faces))

    smooth, coarse = ink(render_png([cylinder(180)], width=400)), ink(render_png([cylinder(12)], width=400))
    # Twelve sides of 30 degrees show up to six upright edges, 180 sides of 2 degrees none.
    assert coarse > smooth + 100


def ink(png: bytes) -> int:
    return int((pixels(png).sum(axis=2) < 200).sum())


@pytest.mark.long
def test_same_bytes_and_small() -> None:
    solid = sets.coupon_set().solids["comb-x"]
    body = Body(vertices=solid.vertices, faces=solid.faces)
    first = render_png([body], label="comb-x")
    assert first == render_png([body], label="comb-x")
    assert len(first) < 60_000
    assert Image.open(io.BytesIO(first)).size[0] == 1000


def test_tall_things_stay_within_the_page() -> None:
    png = render_png([box((5, 5, 80))], width=400)
    width, height = Image.open(io.BytesIO(png)).size
    assert width <= 400 and height <= 400


def test_bed_is_drawn_around_a_plate() -> None:
    body = box((10, 10, 5), (45, 45, 0))
    with_bed, without = (pixels(render_png([body], bed_mm=bed, width=400)) for bed in ((100.0, 100.0), None))
    # On a bed ten times as wide the same box covers far fewer pixels.
    assert (with_bed != PAPER).any(axis=2).mean() < 0.3 * (without != PAPER).any(axis=2).mean()
