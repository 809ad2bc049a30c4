"""`fitassay trace` as a user has it: what the slicing did, what to set, pictures, copies, two files compared."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
from lxml import etree, html

from fitassay.analysis.gcode.trace_drawing import drawings_of
from fitassay.coupons.export.manifest import read_manifest
from fitassay.coupons.export.stl import read_stl
from fitassay.report.path_svg import picture
from tests.fit_case import quick_case
from tests.pathwriter import Style, write
from tests.test_cli import run
from tests.test_trace import traced

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def case(tmp_path_factory) -> Path:
    return quick_case(tmp_path_factory.mktemp("command"))


@cache
def pieces(folder: Path, ids: tuple[str, ...]):
    manifest = read_manifest(folder / "coupons.json")
    return [(c, read_stl(folder / c.file)) for c in manifest.coupons if c.id in ids]


def sliced(case: Path, name: str, style: Style, ids: tuple[str, ...] = ("comb-x",)) -> str:
    path = case / name
    path.write_text(write(pieces(case / "prints" / "01", ids), replace(style, infill=False)).text)
    return str(path)


def told(out: str) -> str:
    return " ".join(out.split())


def test_what_the_slicing_did_and_what_to_set(case):
    path = sliced(
        case, "a.txt", Style(offset=0.1, walls=3, inner_width=0.55, coast=1.6, inner_speed=60, arcs="I")
    )
    code, out, _ = run("trace", str(case), path)
    assert code == 0
    assert "3 walls side by side, inner walls first" in told(out)
    assert "Outer walls: bead 0.450 mm by the distance to the next wall (0.500 mm), fed for 0.450 mm" in told(
        out
    )
    assert "inner walls 0.550 mm" in told(out)
    assert "outer walls 30 mm/s, inner walls 60 mm/s" in told(out)
    assert "The last 1.6 mm of outer walls are drawn without filament (coasting)" in told(out)
    row = next(line for line in out.splitlines() if line.startswith("outsides"))
    assert re.findall(r"[+-]\d\.\d+", row) == ["+0.100", "+0.200", "-0.100", "-0.200"]
    answer = json.loads(run("trace", str(case), path, "--json")[1])
    assert answer["size_compensation"][0]["add_per_side_mm"] == pytest.approx(-0.1, abs=0.005)
    assert answer["slicing"]["coasting_mm"] == pytest.approx(1.6, abs=0.1)


def test_pictures(case):
    path = sliced(case, "a.txt", Style(split=True))
    earlier = case / "prints" / "01" / "sliced-file" / "comb-y.svg"
    earlier.parent.mkdir(exist_ok=True)
    earlier.write_text("<svg/>")
    out = told(run("trace", str(case), path)[1])
    # What is in no file any more is not left lying beside the others.
    assert not earlier.exists()
    page = case / "prints" / "01" / "sliced-file.html"
    assert "sliced-file.html" in out
    tree = html.fromstring(page.read_text())
    assert len(tree.xpath("//figure")) == 1
    text = tree.text_content()
    assert "What the slicing did" in text and "in several strokes" in text
    # Nothing is fetched from anywhere.
    assert not re.search(r"(?:src|href)=\"(?!#)", page.read_text())
    drawn = etree.fromstring((case / "prints" / "01" / "sliced-file" / "comb-x.svg").read_bytes())
    assert "prefers-color-scheme: dark" in "".join(drawn.itertext(f"{SVG}style"))
    plan = next(g for g in drawn.iter(f"{SVG}g") if g.get("id") == "plan-comb-x")
    marks = [c.get("class") for c in plan.iter(f"{SVG}circle")]
    assert marks.count("seam-mark") == marks.count("joint-mark") == 1
    assert any("0.225 mm inside" in (t.text or "") for t in drawn.iter(f"{SVG}text"))


@pytest.mark.long
@pytest.mark.parametrize(
    ("key", "style", "stands"),
    [
        ("bore", Style(hole_offset=-0.2), ("0.425 mm outside", "the opening, off by \N{MINUS SIGN}0.200 mm")),
        ("bore", Style(seam="random"), ("0.225 mm outside", "the opening, in its place")),
        ("boss", Style(offset=0.225), ("right on", "the outline, off by +0.225 mm")),
        ("boss", Style(walls=3), ("0.225 mm inside", "the outline, in its place")),
        ("comb-y", Style(turn="90", split=True), ("0.225 mm inside", "the outline, in its place")),
    ],
)
def test_words_of_a_picture_can_be_read(tmp_path, key, style, stands):
    trace, _ = traced(tmp_path, replace(style, infill=False), (key,))
    (drawing,) = drawings_of(trace)
    words = list(etree.fromstring(picture(drawing, "a title").encode()).iter(f"{SVG}text"))
    assert set(stands) <= {(text.text or "").replace("\N{NO-BREAK SPACE}", " ") for text in words}
    boxes = []
    for text in words:
        # Letters of the usual faces are no wider than 0.56 of their height on average: 20 where large, else 17.
        size = 20 if "large" in text.get("class") else 17
        wide = 0.56 * size * len(text.text)
        left = float(text.get("x")) - (wide / 2 if text.get("text-anchor") == "middle" else 0)
        assert left >= 0 and left + wide <= 920, text.text
        boxes.append((left, float(text.get("y")) - 0.7 * size, left + wide, float(text.get("y"))))
    for i, (a, b, c, d) in enumerate(boxes):
        for p, q, r, s in boxes[:i]:
            assert min(c, r) <= max(a, p) or min(d, s) <= max(b, q), words[i].text


@pytest.mark.long
def test_one_of_several_copies_is_chosen_and_remembered(case):
    path = sliced(case, "a.txt", Style(twice=("comb-x",)))
    out = told(run("trace", str(case), path)[1])
    assert "Coupon comb-x is on the plate 2 times" in out and "--copy comb-x=2" in out
    first = json.loads(run("trace", str(case), path, "--json")[1])
    other = json.loads(run("trace", str(case), path, "--copy", "comb-x=2", "--json")[1])
    # The writer puts a copy 100 mm behind.
    ys = [a["coupons"][0]["origin_on_bed_mm"][1] for a in (first, other)]
    assert ys[1] - ys[0] == pytest.approx(100, abs=0.01)
    kept = json.loads((case / "prints" / "01" / "trace.json").read_text())
    assert kept["sources"][0]["copies"] == {"comb-x": 2}
    code, _, err = run("trace", str(case), path, "--copy", "comb-x=3")
    assert code == 2 and "there is no number 3" in err
    code, _, err = run("trace", str(case), path, "--copy", "wall=1")
    assert code == 2 and "wall is not in the sliced files" in err
    assert run("trace", str(case), path, "--copy", "comb-x")[0] == 2


@pytest.mark.long
def test_two_files_compared(case):
    old = sliced(case, "old.txt", Style(offset=0.225))
    new = sliced(case, "new.txt", Style(offset=0.0, flow=0.9, walls=3, outer_first=True))
    kept = case / "prints" / "01" / "trace.json"
    kept.unlink(missing_ok=True)
    code, out, _ = run("trace", str(case), new, "--against", old)
    assert code == 0 and not kept.exists()
    # 2 x 0.225 by the path, a tenth of the bead less its round ends by the flow.
    figures = re.search(
        r"Outsides come out ([\d.]+) mm smaller than by the old file \(path (\S+) mm, bead (\S+) mm\)",
        told(out),
    )
    assert figures is not None, out
    assert [float(f) for f in figures.groups()] == pytest.approx([0.491, -0.45, -0.041], abs=0.0015)
    assert len(out.splitlines()) <= 40
    figures = {
        f["what"]: f
        for f in json.loads(run("trace", str(case), new, "--against", old, "--json")[1])["figures"]
    }
    changed = {what for what, figure in figures.items() if figure["changed"]}
    assert {"path outward, outsides", "flow", "bead fed for", "walls", "order"} <= changed
    assert not changed & {"layer", "bead, outer walls", "speed, outer walls", "seams", "direction"}
    same = run("trace", str(case), old, "--against", old)[1]
    assert "Outsides come out as by the old file" in told(same) and "changed" not in same


def test_a_seam_is_told_by_its_own_layer(case):
    path = sliced(case, "a.txt", Style())
    answer = json.loads(run("trace", str(case), path, "--json")[1])
    (coupon,) = answer["coupons"]
    for seam in coupon["seams_mm"]:
        assert seam["height_mm"] == pytest.approx(0.2 * round(seam["height_mm"] / 0.2))
        assert abs(seam["height_mm"] - seam["measured_height_mm"]) < 0.6
        assert seam["on_bed_mm"][0] - seam["x"] == pytest.approx(coupon["origin_on_bed_mm"][0])
