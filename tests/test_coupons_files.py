"""STL, 3MF and coupons.json as others read them."""

from __future__ import annotations

import json
import math
import struct
import zipfile
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
import trimesh

from fitassay.coupons.errors import InputError, JobError
from fitassay.coupons.export.manifest import manifest_json, read_manifest
from fitassay.coupons.export.stl import read_stl, stl_bytes
from fitassay.coupons.export.threemf import Item, threemf_bytes
from fitassay.coupons.feature import Manifest
from fitassay.coupons.make import build_set, write_set
from fitassay.coupons.sections import body_of
from tests.coupon_cases import MACHINES
from tests.sets import coupon_set


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    path = tmp_path_factory.mktemp("set")
    write_set(coupon_set(), path)
    return path


def test_every_file_named_is_written(folder):
    made = coupon_set()
    names = {c.file for c in made.manifest.coupons} | {"coupons.json", "plate-1.3mf", "plate-2.3mf"}
    assert {p.name for p in folder.iterdir()} == names


def test_stl_is_binary_with_unit_normals_and_no_date(folder):
    for path in folder.glob("*.stl"):
        raw = path.read_bytes()
        (count,) = struct.unpack("<I", raw[80:84])
        assert len(raw) == 84 + 50 * count
        assert not raw.lower().startswith(b"solid")
        assert len({p.read_bytes()[:80] for p in folder.glob("*.stl")}) == 1
        record = np.frombuffer(
            raw[84:], dtype=np.dtype([("n", "<f4", 3), ("v", "<f4", (3, 3)), ("a", "<u2")])
        )
        assert np.allclose(np.linalg.norm(record["n"], axis=1), 1, atol=1e-5)
        corners = record["v"].astype(float)
        turned = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        turned /= np.linalg.norm(turned, axis=1)[:, None]
        assert np.sum(turned * record["n"], axis=1).min() > 0.999
        assert not record["a"].any()


def test_stl_read_by_a_second_library_has_the_same_bounds_and_volume(folder):
    made = coupon_set()
    for coupon in made.manifest.coupons:
        mesh = trimesh.load_mesh(folder / coupon.file)
        solid = made.solids[coupon.id]
        assert mesh.is_watertight
        assert mesh.body_count == 1
        assert np.allclose(mesh.bounds, solid.bounds, atol=1e-5)
        assert mesh.volume == pytest.approx(solid.volume, rel=2e-6)


def test_plates_read_by_a_second_library_have_units_names_and_places(folder):
    made = coupon_set()
    for plate in (1, 2):
        scene = trimesh.load(folder / f"plate-{plate}.3mf")
        assert scene.units == "millimeter"
        coupons = [c for c in made.manifest.coupons if c.plate == plate]
        assert set(scene.geometry) == {c.id for c in coupons}
        placed = {scene.graph[node][1]: scene.graph[node][0] for node in scene.graph.nodes_geometry}
        for coupon in coupons:
            assert np.allclose(placed[coupon.id][:3, 3], (*coupon.origin_on_plate_mm, 0))
            assert np.allclose(placed[coupon.id][:3, :3], np.eye(3))
            assert np.allclose(scene.geometry[coupon.id].bounds, made.solids[coupon.id].bounds, atol=1e-6)
            assert scene.geometry[coupon.id].is_watertight


def test_plates_pass_a_strict_reader(folder):
    lib3mf = pytest.importorskip("lib3mf", reason="the strict 3MF reader is not installed here")
    made = coupon_set()
    for plate in (1, 2):
        model = lib3mf.get_wrapper().CreateModel()
        reader = model.QueryReader("3mf")
        reader.SetStrictModeActive(True)
        reader.ReadFromFile(str(folder / f"plate-{plate}.3mf"))
        assert reader.GetWarningCount() == 0
        assert model.GetUnit() == lib3mf.ModelUnit.MilliMeter
        items = model.GetBuildItems()
        names = []
        while items.MoveNext():
            body = items.GetCurrent().GetObjectResource()
            names.append(body.GetName())
            assert model.GetMeshObjectByID(body.GetResourceID()).IsManifoldAndOriented()
        assert names == [c.id for c in made.manifest.coupons if c.plate == plate]


def test_plate_names_are_data_not_markup():
    solid = coupon_set(quick=True).solids["wall"]
    raw = threemf_bytes([Item(name='<peg> & "hole"', solid=solid, x=1, y=2)], title="<Saturn & rings>")
    scene = trimesh.load(trimesh.util.wrap_as_stream(raw), file_type="3mf")
    assert list(scene.geometry) == ['<peg> & "hole"']
    with zipfile.ZipFile(trimesh.util.wrap_as_stream(raw)) as package:
        assert {i.date_time for i in package.infolist()} == {(1980, 1, 1, 0, 0, 0)}


def test_stl_bytes_do_not_depend_on_the_clock(monkeypatch):
    solid = coupon_set(quick=True).solids["wall"]
    first = stl_bytes(solid)
    monkeypatch.setattr("time.time", lambda: 0.0)
    assert stl_bytes(solid) == first


def test_manifest_reads_back_as_it_was(folder):
    assert read_manifest(folder / "coupons.json") == coupon_set().manifest


def test_manifest_holds_the_published_fields(folder):
    data = json.loads((folder / "coupons.json").read_text("utf-8"))
    assert list(data) == ["schema", "line_width_mm", "layer_height_mm", "coupons"]
    assert data["schema"] == 1
    assert set(data["coupons"][0]) == {
        "id", "family", "file", "size_mm", "plate", "origin_on_plate_mm", "single_wall", "features",
    }  # fmt: skip
    assert set(data["coupons"][0]["features"][0]) == {
        "id", "kind", "direction_deg", "nominal_mm", "contact_a_mm", "contact_b_mm", "jaw_mm", "instruction",
    }  # fmt: skip


def test_a_byte_order_mark_and_later_fields_do_no_harm(folder, tmp_path):
    data = json.loads((folder / "coupons.json").read_text("utf-8"))
    data["later"] = 1
    path = tmp_path / "coupons.json"
    path.write_bytes(b"\xef\xbb\xbf" + json.dumps(data).encode())
    assert read_manifest(path) == coupon_set().manifest


def changed(folder, *steps, to=None, drop=False) -> str:
    """The manifest's text with the field at `steps` changed or dropped."""
    data = json.loads((folder / "coupons.json").read_text("utf-8"))
    at = data
    for step in steps[:-1]:
        at = at[step]
    if drop:
        del at[steps[-1]]
    else:
        at[steps[-1]] = to
    return json.dumps(data)


BAD_FIELDS = [
    (("schema",), 2, "schema must be 1"),
    (("schema",), True, "schema must be 1"),
    (("schema",), "1", "schema must be 1"),
    (("line_width_mm",), "0.45", "line_width_mm: input should be a valid number"),
    (("line_width_mm",), -1, "line_width_mm: input should be greater than 0"),
    (("layer_height_mm",), math.nan, "layer_height_mm: input should be"),
    (("layer_height_mm",), 1e308, "layer_height_mm: input should be less than"),
    (("layer_height_mm",), True, "layer_height_mm: input should be a valid number"),
    (("coupons",), [], "coupons: list should have at least 1 item"),
    (("coupons",), {}, "coupons: input should be a valid list"),
    (("coupons", 0, "plate"), 0, "coupons[0].plate"),
    (("coupons", 0, "plate"), 1.5, "coupons[0].plate"),
    (("coupons", 0, "size_mm"), [1, 2], "coupons[0].size_mm"),
    (("coupons", 0, "single_wall"), "no", "coupons[0].single_wall"),
    (("coupons", 0, "file"), "../boss.stl", "coupons[0].file: must be a plain file name"),
    (("coupons", 0, "file"), "/etc/passwd", "coupons[0].file: must be a plain file name"),
    (("coupons", 0, "id"), "bore", "coupons[1].id: 'bore' is there twice"),
    (
        ("coupons", 0, "features", 0, "kind"),
        "round",
        "coupons[0].features[0].kind: input should be 'outside'",
    ),
    (("coupons", 0, "features", 0, "nominal_mm"), 20.0, "nominal_mm: must be the distance of its contacts"),
    (("coupons", 0, "features", 0, "id"), "step22-y", "features[1].id: 'step22-y' is there twice"),
    (("coupons", 0, "features", 0, "contact_a_mm"), [0, 0, None], "coupons[0].features[0].contact_a_mm[2]"),
    (
        ("coupons", 0, "features", 0, "contact_a_mm"),
        [0, 0, math.inf],
        "coupons[0].features[0].contact_a_mm[2]",
    ),
]


@pytest.mark.parametrize(("steps", "to", "says"), BAD_FIELDS)
def test_wrong_fields_are_named(folder, tmp_path, steps, to, says):
    path = tmp_path / "coupons.json"
    path.write_text(changed(folder, *steps, to=to))
    with pytest.raises(InputError) as caught:
        read_manifest(path)
    assert caught.value.exit_code == 2
    for line in str(caught.value).splitlines():
        assert line.startswith(str(path))
        assert len(line) < 400
    assert says in str(caught.value)


@pytest.mark.parametrize(
    "steps", [("schema",), ("coupons",), ("coupons", 1, "features"), ("coupons", 1, "size_mm")]
)
def test_missing_fields_are_named(folder, tmp_path, steps):
    path = tmp_path / "coupons.json"
    path.write_text(changed(folder, *steps, drop=True))
    with pytest.raises(InputError, match=str(steps[-1])):
        read_manifest(path)


def test_all_problems_are_told_at_once(folder, tmp_path):
    data = json.loads(changed(folder, "coupons", 0, "plate", to="one"))
    data["coupons"][2]["features"][1]["jaw_mm"] = -1
    path = tmp_path / "coupons.json"
    path.write_text(json.dumps(data))
    with pytest.raises(InputError) as caught:
        read_manifest(path)
    assert len(str(caught.value).splitlines()) == 2


@pytest.mark.parametrize(
    ("raw", "says"),
    [
        (b"", "is not JSON"),
        (b"{", "line 1, column 2: is not JSON"),
        (b"[1, 2]", "must hold one JSON object"),
        (b"\xff\xfe\x00", "is not UTF-8"),
        (b"PK\x03\x04\x00\x00", "is not JSON"),
        (b"[" * 100_000, "nested too deeply"),
        (b'{\n"schema": ' + b"9" * 5000 + b"}", "line 2: holds a number with thousands of digits"),
    ],
)
def test_files_that_are_no_manifest_are_refused(tmp_path, raw, says):
    path = tmp_path / "coupons.json"
    path.write_bytes(raw)
    with pytest.raises(InputError, match=says):
        read_manifest(path)


def test_a_missing_manifest_says_what_to_run(tmp_path):
    with pytest.raises(InputError, match="run fitassay make first"):
        read_manifest(tmp_path / "coupons.json")
    with pytest.raises(InputError, match="cannot be read"):
        read_manifest(tmp_path)


def test_text_of_any_kind_survives(tmp_path):
    made = coupon_set(quick=True).manifest
    odd = 'Ø 5 ± 0.1 → "x" <b> \U0001fa90 \u202e'
    first = made.coupons[0]
    coupon = replace(first, features=(replace(first.features[0], instruction=odd), *first.features[1:]))
    manifest = Manifest(
        line_width_mm=made.line_width_mm,
        layer_height_mm=made.layer_height_mm,
        coupons=(coupon, *made.coupons[1:]),
    )
    path = tmp_path / "coupons.json"
    path.write_text(manifest_json(manifest), "utf-8")
    assert read_manifest(path) == manifest


def test_a_full_disk_leaves_the_old_manifest(tmp_path, monkeypatch):
    """The disk fills up on the third file: one sentence, and what was there before is whole."""
    write_set(coupon_set(quick=True), tmp_path)
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir()}
    import os

    real, calls = os.fsync, []

    def full(handle):
        calls.append(handle)
        if len(calls) > 2:
            raise OSError(28, "No space left on device")
        real(handle)

    monkeypatch.setattr(os, "fsync", full)
    other = build_set(MACHINES["coarse"], quick=True)
    with pytest.raises(JobError, match="No space left on device"):
        write_set(other, tmp_path)
    monkeypatch.undo()
    after = {p.name: p.read_bytes() for p in tmp_path.iterdir()}
    assert set(after) == set(before), "no half-written file is left"
    assert after["coupons.json"] == before["coupons.json"]


def _model(path) -> tuple[dict[str, tuple[np.ndarray, np.ndarray]], list[tuple[str, np.ndarray]]]:
    """Objects (vertices, triangles) and placed items of a 3MF package, read without any of its libraries."""
    core = "{http://schemas.microsoft.com/3dmanufacturing/core/2015/02}"
    with zipfile.ZipFile(path) as package:
        root = ElementTree.fromstring(package.read("3D/3dmodel.model"))
    objects = {}
    for found in root.iter(f"{core}object"):
        vertices = [[float(v.get(k, "")) for k in "xyz"] for v in found.iter(f"{core}vertex")]
        corners = [[int(t.get(k, "")) for k in ("v1", "v2", "v3")] for t in found.iter(f"{core}triangle")]
        objects[found.get("id", "")] = (np.array(vertices), np.array(corners))
    items = [
        (i.get("objectid", ""), np.array(i.get("transform", "").split(), dtype=float).reshape(4, 3))
        for i in root.iter(f"{core}item")
    ]
    return objects, items


def _volume(corners: np.ndarray) -> float:
    """Enclosed volume by the divergence theorem; negative for a body turned inside out."""
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    return float(np.sum(a * np.cross(b, c)) / 6)


def test_plates_hold_bodies_the_right_way_out_in_the_positive_octant(folder):
    """3MF core specification 1.4: triangles counter-clockwise from outside (4.1.4.2), positive octant (2.3.1)."""
    made = coupon_set()
    for plate in (1, 2):
        objects, items = _model(folder / f"plate-{plate}.3mf")
        volumes = []
        for name, transform in items:
            vertices, triangles = objects[name]
            placed = vertices @ transform[:3] + transform[3]
            assert placed.min() >= -1e-6
            volumes.append(_volume(placed[triangles]))
        wanted = [made.solids[c.id].volume for c in made.manifest.coupons if c.plate == plate]
        assert volumes == pytest.approx(wanted, rel=1e-5)
        assert min(volumes) > 0


def test_stl_facets_face_outwards_and_say_so(folder):
    for coupon in coupon_set().manifest.coupons:
        raw = (folder / coupon.file).read_bytes()
        facets = np.frombuffer(raw, dtype="3<f4, (3,3)<f4, <u2", offset=84)
        corners = facets["f1"].astype(float)
        assert _volume(corners) == pytest.approx(coupon_set().solids[coupon.id].volume, rel=1e-4)
        turned = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        along = np.einsum("ij,ij->i", turned, facets["f0"]) / np.linalg.norm(turned, axis=1)
        assert along == pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize(
    ("off_mm", "taken"), [(0.0008, True), (-0.0008, True), (0.0012, False), (-0.0012, False)]
)
def test_a_nominal_may_miss_its_contacts_by_a_micrometre(tmp_path, off_mm, taken):
    manifest = coupon_set(quick=True).manifest
    coupon, feature = manifest.coupons[0], manifest.coupons[0].features[0]
    off = replace(feature, nominal_mm=feature.nominal_mm + off_mm)
    changed = replace(coupon, features=(off, *coupon.features[1:]))
    path = tmp_path / "coupons.json"
    path.write_text(manifest_json(replace(manifest, coupons=(changed, *manifest.coupons[1:]))))
    if taken:
        assert read_manifest(path).coupons[0].features[0].nominal_mm == off.nominal_mm
    else:
        with pytest.raises(InputError, match="distance of its contacts"):
            read_manifest(path)


def test_bytes_that_are_no_number_are_refused_at_their_facet(tmp_path):
    """A signalling NaN (IEEE 754, 6.2.1) complains when it is widened, before anything looks at it."""
    raw = bytearray(stl_bytes(coupon_set().solids[coupon_set().manifest.coupons[0].id]))
    raw[84 + 2 * 50 + 12 : 84 + 2 * 50 + 16] = bytes.fromhex("0100807f")
    path = tmp_path / "comb.stl"
    path.write_bytes(raw)
    solid = read_stl(path)
    with pytest.raises(InputError, match=r"comb\.stl, facet 3: has coordinates that are no numbers"):
        body_of(solid.vertices, solid.faces, str(path))
