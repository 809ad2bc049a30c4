"""3MF packages from anywhere: placed as the specification has it, refused before they fill a memory."""

from __future__ import annotations

import subprocess
import sys
import zipfile
from pathlib import Path

import numpy as np
import pytest
import trimesh

from fitassay.analysis.parts.part_file import read_parts
from fitassay.analysis.parts.threemf_reader import read_bodies
from fitassay.analysis.parts.threemf_rewrite import rewritten
from fitassay.coupons.errors import InputError

CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
PRODUCTION = "http://schemas.microsoft.com/3dmanufacturing/production/2015/06"
RELS = (
    '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="r" '
    'Target="/3D/3dmodel.model" Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/>'
    "</Relationships>"
)
CORNERS = [(0, 0, 0), (3, 0, 0), (0, 4, 0), (0, 0, 5)]
TRIANGLES = [(0, 2, 1), (0, 1, 3), (0, 3, 2), (1, 2, 3)]


def mesh_xml(corners=CORNERS, triangles=TRIANGLES) -> str:
    vertices = "".join(f'<vertex x="{x}" y="{y}" z="{z}"/>' for x, y, z in corners)
    faces = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in triangles)
    return f"<mesh><vertices>{vertices}</vertices><triangles>{faces}</triangles></mesh>"


def object_xml(number: int, inside: str, name: str = "") -> str:
    named = f' name="{name}"' if name else ""
    return f'<object id="{number}" type="model"{named}>{inside}</object>'


def model(objects: str, items: str, unit: str = "millimeter", head: str = "") -> str:
    return (
        f'<?xml version="1.0"?>{head}<model unit="{unit}" xmlns="{CORE}" xmlns:p="{PRODUCTION}">'
        f"<resources>{objects}</resources><build>{items}</build></model>"
    )


def package(path: Path, main: str, **others: str) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as out:
        out.writestr("_rels/.rels", RELS)
        out.writestr("3D/3dmodel.model", main)
        for name, text in others.items():
            out.writestr(f"3D/{name}.model", text)
    return path


def test_units_names_and_places(tmp_path):
    path = package(
        tmp_path / "a.3mf",
        model(
            object_xml(1, mesh_xml(), "arm peg"),
            '<item objectid="1"/><item objectid="1" transform="1 0 0 0 1 0 0 0 1 10 20 30"/>',
            unit="inch",
        ),
    )
    (first, second), _ = read_parts(path)
    assert first.name == "arm peg"
    assert first.bounds.tolist() == pytest.approx(np.array([[0, 0, 0], [3, 4, 5]]) * 25.4)
    assert second.bounds.tolist() == pytest.approx((np.array([[0, 0, 0], [3, 4, 5]]) + [10, 20, 30]) * 25.4)


def test_the_package_says_which_model_it_begins_with(tmp_path):
    """3MF core 2.1: the start part is the target of the relationship of that type, whatever else is there."""
    picture = (
        '<Relationship Id="p" Target="/3D/3dmodel.model" Type="http://schemas.openxmlformats.org/thumbnail"/>'
    )
    rels = RELS.replace("/3D/3dmodel.model", "/3D/second.model").replace(
        "<Relationship ", picture + "<Relationship ", 1
    )
    path = tmp_path / "a.3mf"
    with zipfile.ZipFile(path, "w") as out:
        out.writestr("_rels/.rels", rels)
        for name, word in (("3dmodel", "first"), ("second", "second")):
            out.writestr(f"3D/{name}.model", model(object_xml(1, mesh_xml(), word), '<item objectid="1"/>'))
    assert [body.name for body in read_bodies(path)] == ["second"]


def test_components_are_placed_as_a_general_mesh_library_places_them(tmp_path):
    """trimesh reads the same package; both are compared by volume, bounds and centre of mass."""
    turn = "0 1 0 -1 0 0 0 0 1 7 0 0"
    path = package(
        tmp_path / "a.3mf",
        model(
            object_xml(1, mesh_xml())
            + object_xml(2, f'<components><component objectid="1" transform="{turn}"/></components>')
            + object_xml(
                3, '<components><component objectid="2" transform="1 0 0 0 1 0 0 0 2 0 5 0"/></components>'
            ),
            '<item objectid="3" transform="1 0 0 0 0 1 0 -1 0 1 2 3"/>',
        ),
    )
    (body,) = read_bodies(path)
    ours = trimesh.Trimesh(body.vertices, body.faces)
    theirs = trimesh.load_scene(str(path), file_type="3mf").to_mesh()
    assert ours.volume == pytest.approx(theirs.volume) == pytest.approx(20.0)
    np.testing.assert_allclose(ours.bounds, theirs.bounds, atol=1e-9)
    np.testing.assert_allclose(ours.center_mass, theirs.center_mass, atol=1e-9)


def test_a_mirrored_body_stays_right_side_out(tmp_path):
    path = package(
        tmp_path / "a.3mf",
        model(object_xml(1, mesh_xml()), '<item objectid="1" transform="-1 0 0 0 1 0 0 0 1 0 0 0"/>'),
    )
    ((part,), _) = read_parts(path)
    assert trimesh.Trimesh(part.vertices, part.faces).volume == pytest.approx(10.0)


def test_objects_in_another_model_part_are_found(tmp_path):
    path = package(
        tmp_path / "a.3mf",
        model(
            object_xml(1, '<components><component objectid="5" p:path="/3D/other.model"/></components>'),
            '<item objectid="1"/>',
        ),
        other=model(object_xml(5, mesh_xml(), "lid"), ""),
    )
    (body,) = read_bodies(path)
    assert body.name == "lid"
    assert body.vertices.max(axis=0).tolist() == [3, 4, 5]


def nested(levels: int, times: int) -> str:
    objects = object_xml(1, mesh_xml())
    for n in range(2, levels + 2):
        objects += object_xml(
            n, "<components>" + f'<component objectid="{n - 1}"/>' * times + "</components>"
        )
    return model(objects, f'<item objectid="{levels + 1}"/>')


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            model(object_xml(1, mesh_xml(triangles=[*TRIANGLES, (0, 1, 4)])), '<item objectid="1"/>'),
            "vertex 4 where",
        ),
        (
            model(object_xml(1, mesh_xml(triangles=[*TRIANGLES, (0, 1, -1)])), '<item objectid="1"/>'),
            "vertex -1 wh",
        ),
        (
            model(object_xml(1, '<mesh><vertices><vertex x="1" y="2"/></vertices></mesh>'), ""),
            "vertex without its",
        ),
        (model(object_xml(1, mesh_xml(corners=[("a", 0, 0)] * 4)), ""), "vertex without its numbers"),
        (
            model(object_xml(1, mesh_xml()), '<item objectid="1" transform="1 0 0"/>'),
            "item without its numbers",
        ),
        (model(object_xml(1, mesh_xml()), '<item objectid="9"/>'), "builds object '9', which is not in it"),
        (model(object_xml(1, mesh_xml()), ""), "holds no mesh to be built"),
        (
            model(object_xml(1, mesh_xml()), '<item objectid="1"/>', unit="cubit"),
            "unit 'cubit' that 3MF does not",
        ),
        (model("", "")[:-9], "is no readable 3MF file"),
        ("", "is no readable 3MF file"),
        (nested(9, 10), "more than 2,000 bodies"),
        (nested(40, 1), "lie too deep"),
        (
            model(
                object_xml(1, '<components><component objectid="1"/></components>'), '<item objectid="1"/>'
            ),
            "hold themselves",
        ),
        (
            model(
                object_xml(1, '<components><component objectid="1" p:path="/3D/no.model"/></components>'), ""
            ),
            "names a model part 3d/no.model that is not in it",
        ),
        (
            model("<object/>", "", head='<!DOCTYPE m [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;">]>'),
            "document type declaration",
        ),
    ],
)
def test_what_is_wrong_is_said_with_its_file(tmp_path, text, message):
    path = package(tmp_path / "a.3mf", text)
    with pytest.raises(InputError) as told:
        read_bodies(path)
    assert message in str(told.value)
    assert str(told.value).startswith(str(path))
    assert "\n" not in str(told.value)


def test_an_encoding_that_nobody_knows_is_said(tmp_path):
    path = tmp_path / "a.3mf"
    with zipfile.ZipFile(path, "w") as out:
        out.writestr("_rels/.rels", '<?xml version="1.0" encoding="UTF1.2.3"?>' + RELS)
        out.writestr("3D/3dmodel.model", model("", ""))
    with pytest.raises(InputError, match=r"a\.3mf.*is no readable 3MF file \(unknown encoding"):
        read_bodies(path)


@pytest.mark.parametrize("damage", [slice(0, 200), slice(40, None)])
def test_a_damaged_archive_is_said(tmp_path, damage):
    path = package(tmp_path / "a.3mf", model(object_xml(1, mesh_xml()), '<item objectid="1"/>'))
    path.write_bytes(path.read_bytes()[damage])
    with pytest.raises(InputError, match=r"a\.3mf: is no readable 3MF file"):
        read_bodies(path)


@pytest.mark.long
@pytest.mark.skipif(sys.platform != "linux", reason="limits of the process as Linux has them")
def test_an_archive_that_unpacks_to_a_memory_full_is_refused_within_little(tmp_path):
    """250 MB of vertices from some hundred kB."""
    path = tmp_path / "bomb.3mf"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as out:
        out.writestr("_rels/.rels", RELS)
        with out.open("3D/3dmodel.model", "w") as stream:
            head, tail = model("\0", "").split("\0")
            stream.write((head + '<object id="1"><mesh><vertices>').encode())
            block = b'<vertex x="1.0" y="2.0" z="3.0"/>' * 10_000
            for _ in range(760):
                stream.write(block)
            stream.write(("</vertices></mesh></object>" + tail).encode())
    assert path.stat().st_size < 2_000_000
    code = (
        "import re, sys; from pathlib import Path\n"
        "from fitassay.analysis.parts.threemf_reader import read_bodies\n"
        "try:\n    read_bodies(Path(sys.argv[1]))\n"
        "except ValueError as exc:\n    print(exc)\n"
        # The kernel's own high water mark: that of getrusage counts what the parent had when it forked.
        "print(int(re.search(r'VmHWM:\\s*(\\d+)', Path('/proc/self/status').read_text())[1]) // 1024)\n"
    )
    run = subprocess.run(
        [sys.executable, "-c", code, str(path)], capture_output=True, text=True, timeout=120, check=True
    )
    message, peak = run.stdout.splitlines()
    assert "too large for a part; export it coarser" in message
    assert int(peak) < 400


@pytest.mark.long
def test_half_a_million_triangles_are_read(tmp_path):
    ball = trimesh.creation.icosphere(subdivisions=7)
    many = trimesh.util.concatenate([ball, ball.copy().apply_translation([3, 0, 0])])
    assert len(many.faces) == 655_360
    path = package(
        tmp_path / "a.3mf",
        model(
            object_xml(1, mesh_xml(np.round(many.vertices, 6).tolist(), many.faces.tolist())),
            '<item objectid="1"/>',
        ),
    )
    (body,) = read_bodies(path)
    assert len(body.faces) == 655_360
    assert trimesh.Trimesh(body.vertices, body.faces).volume == pytest.approx(many.volume, rel=1e-6)


@pytest.mark.parametrize("old, new", [(b"about the part", b"about tha part"), (b"PK\x03\x04", b"PK\x03\x05")])
def test_damage_in_a_file_that_no_body_needs_is_said_when_the_package_is_written_again(tmp_path, old, new):
    path = tmp_path / "part.3mf"
    with zipfile.ZipFile(path, "w") as out:
        out.writestr("_rels/.rels", RELS)
        out.writestr("3D/3dmodel.model", model(object_xml(1, mesh_xml()), '<item objectid="1"/>'))
        out.writestr("notes.txt", "about the part")
    parts, _ = read_parts(path)
    assert rewritten(path, parts)
    before, _, after = path.read_bytes().rpartition(old)
    path.write_bytes(before + new + after)
    with pytest.raises(InputError, match=r"part\.3mf: is no readable 3MF file"):
        rewritten(path, read_parts(path)[0])
