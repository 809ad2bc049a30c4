"""The user's part as a file: STL and 3MF in and out, units, everything that can be wrong with one."""

import io
import re
import struct
import zipfile

import numpy as np
import pytest
import trimesh

from fitassay.analysis.parts.part_file import Part, read_parts, write_parts
from fitassay.coupons.errors import InputError
from fitassay.coupons.solid import merge, open_edges
from tests.fit_case import case, run, run_json
from tests.parts import box, drawn, part_of


def cube():
    return part_of(box(0, 0, 10, 20, 0, 30), "cube")


def written(tmp_path, name="cube.stl", parts=None):
    path = tmp_path / name
    write_parts(path, parts or (cube(),), "cube")
    return path


@pytest.mark.parametrize("ending", [".stl", ".3mf", ".STL"])
def test_round_trip(tmp_path, ending):
    part = drawn("plate").part
    path = written(tmp_path, f"plate{ending}", (part,))
    (back,), _ = read_parts(path)
    assert len(back.vertices) == len(part.vertices) and len(back.faces) == len(part.faces)
    assert back.bounds == pytest.approx(part.bounds, abs=1e-5)
    assert len(open_edges(back.faces, len(back.vertices))) == 0


@pytest.mark.parametrize("name", ["cube.stl", "cube.3mf"])
def test_other_libraries_read_the_same(tmp_path, name):
    # trimesh as the outside reader.
    mesh = trimesh.load_scene(str(written(tmp_path, name))).to_geometry()
    mesh.merge_vertices()
    assert mesh.is_watertight
    assert mesh.volume == pytest.approx(6000)
    assert mesh.extents == pytest.approx([10, 20, 30])


def test_strict_3mf_reader_has_no_complaint(tmp_path):
    lib3mf = pytest.importorskip("lib3mf")
    path = written(tmp_path, "two.3mf", (cube(), drawn("case lid").part))
    wrapper = lib3mf.get_wrapper()
    model = wrapper.CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromFile(str(path))
    assert reader.GetWarningCount() == 0
    assert model.GetBuildItems().Count() == 2


def test_bodies_of_a_package_keep_their_places(tmp_path):
    lid = drawn("case lid").part
    path = written(tmp_path, "two.3mf", (cube(), lid))
    back, notes = read_parts(path)
    assert notes == ()
    assert sorted(p.name for p in back) == ["case lid", "cube"]
    for part in back:
        wanted = lid if part.name == "case lid" else cube()
        assert part.bounds == pytest.approx(wanted.bounds, abs=1e-5)


def test_same_bytes_twice(tmp_path):
    for name in ("a.stl", "a.3mf"):
        first = written(tmp_path, name).read_bytes()
        assert written(tmp_path, name).read_bytes() == first


def test_binary_file_that_begins_with_solid(tmp_path):
    path = written(tmp_path)
    raw = path.read_bytes()
    path.write_bytes(b"solid something".ljust(80, b" ") + raw[80:])
    (part,), _ = read_parts(path)
    assert len(part.faces) == 12


def test_text_file(tmp_path):
    path = tmp_path / "cube.stl"
    path.write_text(trimesh.exchange.stl.export_stl_ascii(trimesh.Trimesh(cube().vertices, cube().faces)))
    (part,), notes = read_parts(path)
    assert len(part.vertices) == 8 and len(part.faces) == 12
    assert "millimetres" in notes[0]


@pytest.mark.parametrize("unit, factor", [("mm", 1), ("cm", 10), ("inch", 25.4), ("m", 1000)])
def test_units_of_an_stl(tmp_path, unit, factor):
    (part,), notes = read_parts(written(tmp_path), unit)
    assert np.ptp(part.bounds, axis=0)[0] == pytest.approx(10 * factor)
    assert notes == ()


def test_3mf_states_its_own_unit(tmp_path):
    path = written(tmp_path, "cube.3mf")
    with zipfile.ZipFile(path) as package:
        files = {n: package.read(n) for n in package.namelist()}
    files["3D/3dmodel.model"] = files["3D/3dmodel.model"].replace(b'"millimeter"', b'"inch"')
    with zipfile.ZipFile(path, "w") as package:
        for name, data in files.items():
            package.writestr(name, data)
    (part,), _ = read_parts(path)
    assert np.ptp(part.bounds, axis=0) == pytest.approx([254, 508, 762])
    with pytest.raises(InputError, match="states its own unit"):
        read_parts(path, "mm")


def test_collapsed_facets_are_dropped(tmp_path):
    path = written(tmp_path)
    raw = path.read_bytes()
    facet = np.zeros(12, "<f4")
    facet[3:] = [0, 0, 0, 0, 0, 0, 10, 0, 0]
    path.write_bytes(raw[:80] + struct.pack("<I", 13) + raw[84:] + facet.tobytes() + b"\0\0")
    (part,), _ = read_parts(path)
    assert len(part.faces) == 12


def _binary(count, facets):
    return b" " * 80 + struct.pack("<I", count) + facets


def _cube_bytes(change=None):
    facets = np.zeros(12, np.dtype([("n", "<f4", 3), ("c", "<f4", (3, 3)), ("s", "<u2")]))
    facets["c"] = cube().vertices[cube().faces]
    if change:
        change(facets)
    return _binary(12, facets.tobytes())


def _zip(name="readme.txt", data=b"x"):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as package:
        package.writestr(name, data)
    return out.getvalue()


def _nan(facets):
    facets["c"][3, 1, 2] = np.nan


def _huge(facets):
    facets["c"] *= 1e6


def _endless(facets):
    facets["c"] *= 1e30


def _tiny(facets):
    facets["c"] *= 0.03937


def _torn(facets):
    facets["c"][0] = facets["c"][1]


def _inside_out(facets):
    facets["c"] = facets["c"][:, ::-1].copy()


BAD = {
    "empty": (b"", "is empty"),
    "short": (b"abc", "is no STL file; export the part as STL or 3MF"),
    "text": (b"# notes about the part\n" * 20, "no whole STL"),
    "cut off": (_cube_bytes()[:-60], "12 facets are announced, 10 are there"),
    "nothing": (_binary(0, b""), "no whole STL"),
    "broken text": (b"solid x\nfacet normal 0 0 1\n outer loop\n vertex a b c\n", "no readable text STL"),
    "not finite": (_cube_bytes(_nan), r"part\.stl, facet 4: .*not finite"),
    "endless": (_cube_bytes(_endless), r"part\.stl, facet 1: .*endlessly large"),
    "huge": (_cube_bytes(_huge), "say which it is"),
    "inches": (
        _cube_bytes(_tiny),
        r"0\.3937 x 0\.7874 x 1\.181.*say which it is \(mm, cm, m, inch, micron\)",
    ),
    "torn": (_cube_bytes(_torn), r"not closed: \d+ edges .* at \("),
    "inside out": (_cube_bytes(_inside_out), "inside out"),
    "zip": (_zip(), "without a 3MF model"),
    "broken zip": (_zip()[:40], "no readable 3MF"),
    "not xml": (_zip("3D/3dmodel.model", b"hello"), "no readable 3MF|holds no mesh"),
}


@pytest.mark.parametrize("kind", BAD)
def test_bad_files_are_told_in_a_sentence(tmp_path, kind):
    raw, words = BAD[kind]
    path = tmp_path / "part.stl"
    path.write_bytes(raw)
    with pytest.raises(InputError, match=words) as caught:
        read_parts(path)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_missing_file_and_folder(tmp_path):
    with pytest.raises(InputError, match="does not exist"):
        read_parts(tmp_path / "none.stl")
    with pytest.raises(InputError, match="cannot be read"):
        read_parts(tmp_path)


def test_unknown_unit_and_ending(tmp_path):
    with pytest.raises(InputError, match="use one of mm, cm"):
        read_parts(written(tmp_path), "furlong")
    with pytest.raises(InputError, match=r"end in \.stl or \.3mf"):
        write_parts(tmp_path / "x.obj", (cube(),), "x")


def test_merge_is_exact():
    points = np.array([[0, 0, 0], [1, 0, 0], [0, 0, 0], [1, 1e-7, 0]], dtype=np.float32)
    distinct, index = merge(points)
    assert len(distinct) == 3
    assert (distinct[index] == points).all()


@pytest.mark.parametrize("ending", [".stl", ".3mf"])
def test_written_parts_face_outwards_and_lie_in_the_positive_octant(tmp_path, ending):
    """A part whose drawing lies left of and below the origin; 3MF core specification 1.4, 2.3.1."""
    (part,), _ = read_parts(written(tmp_path, "cube.stl"))
    moved = Part(vertices=part.vertices - [50.0, 70.0, 20.0], faces=part.faces, name="arm")
    path = tmp_path / f"moved{ending}"
    write_parts(path, (moved,), "arm")
    mesh = trimesh.load_scene(str(path)).to_geometry()
    assert mesh.volume == pytest.approx(6000, rel=1e-5)
    if ending == ".3mf":
        assert mesh.bounds[0].min() >= -1e-6
    else:
        raw = path.read_bytes()
        facets = np.frombuffer(raw, dtype="3<f4, (3,3)<f4, <u2", offset=84)
        a, b, c = np.moveaxis(facets["f1"].astype(float), 1, 0)
        assert (np.einsum("ij,ij->i", np.cross(b - a, c - a), facets["f0"]) > 0).all()


# --- 3MF packages that hold more than bodies ------------------------------------------------------------------

BLOCK = part_of(box(0, 0, 30, 20, 0, 8), "block")


def coloured(path, items, unit="millimeter"):
    """A package with a colour group, metadata and a file of another kind (3MF core and materials extension)."""
    size = {"millimeter": 1.0, "inch": 25.4}[unit]
    vertices = "".join(f'<vertex x="{x}" y="{y}" z="{z}"/>' for x, y, z in (BLOCK.vertices / size).tolist())
    faces = "".join(
        f'<triangle v1="{a}" v2="{b}" v3="{c}" pid="7" p1="{i % 2}"/>'
        for i, (a, b, c) in enumerate(BLOCK.faces.tolist())
    )
    model = (
        f'<?xml version="1.0" encoding="UTF-8"?><model unit="{unit}" '
        'xmlns="http://schemas.microsoft.com/3dmanufacturing/core/2015/02" '
        'xmlns:m="http://schemas.microsoft.com/3dmanufacturing/material/2015/02">'
        '<metadata name="Designer">orrery kit</metadata><resources>'
        '<m:colorgroup id="7"><m:color color="#FF0000FF"/><m:color color="#00FF00FF"/></m:colorgroup>'
        f'<object id="1" type="model" name="arm" pid="7" pindex="0"><!-- <vertex x="1"/> --><mesh>'
        f"<vertices>{vertices}"
        f"</vertices><triangles>{faces}</triangles></mesh></object></resources><build>{items}</build></model>"
    )
    rels = (
        '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="r" '
        'Target="/3D/3dmodel.model" Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/>'
        "</Relationships>"
    )
    with zipfile.ZipFile(path, "w") as out:
        out.writestr("_rels/.rels", rels)
        out.writestr("3D/3dmodel.model", model)
        out.writestr("Metadata/note.txt", "drawn for the long arm")
    return path


def text_without_numbers(path):
    with zipfile.ZipFile(path) as package:
        names = package.namelist()
        model = package.read("3D/3dmodel.model").decode()
    return names, re.sub(r'([xyz])="[^"]*"', r'\1=""', model)


@pytest.mark.parametrize("unit", ["millimeter", pytest.param("inch", marks=pytest.mark.long)])
def test_colours_materials_names_and_metadata_stay(tmp_path, unit):
    turned = f'<item objectid="1" transform="0 1 0 -1 0 0 0 0 1 {50 if unit == "millimeter" else 2} 0 0"/>'
    path, out = coloured(tmp_path / "arm.3mf", turned, unit), tmp_path / "out.3mf"
    run_json("correct", case(tmp_path), path, "-o", out)
    assert text_without_numbers(out) == text_without_numbers(path)
    with zipfile.ZipFile(out) as package:
        assert package.read("Metadata/note.txt") == b"drawn for the long arm"
    # The same as the body alone, laid as it is placed, corrected from an STL.
    ((before,), _), ((after,), _) = read_parts(path), read_parts(out)
    again = tmp_path / "again"
    again.mkdir()
    alone, out_alone = tmp_path / "alone.stl", tmp_path / "alone-out.stl"
    write_parts(alone, (before,), "alone")
    run_json("correct", case(again), alone, "-o", out_alone)
    (expected,), _ = read_parts(out_alone)
    np.testing.assert_allclose(np.ptp(after.bounds, axis=0), np.ptp(expected.bounds, axis=0), atol=2e-4)
    np.testing.assert_allclose(after.bounds, expected.bounds, atol=2e-4)
    assert np.abs(after.bounds - before.bounds).max() > 0.02


def test_an_object_placed_twice_becomes_two_bodies(tmp_path):
    twice = '<item objectid="1"/><item objectid="1" transform="1 0 0 0 1 0 0 0 1 60 0 0"/>'
    path, out = coloured(tmp_path / "arm.3mf", twice), tmp_path / "out.3mf"
    code, _, err = run("correct", case(tmp_path), path, "-o", out)
    assert code == 0 and "placed more than once" in " ".join(err.split())
    parts, _ = read_parts(out)
    assert len(parts) == 2 and parts[1].bounds[0, 0] - parts[0].bounds[0, 0] == pytest.approx(60, abs=0.5)
