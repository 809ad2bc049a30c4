"""The measuring sheet as a reader of the PDF finds it: scale, places, text, and what it does with bad input."""

from __future__ import annotations

import dataclasses
import hashlib
import io
import itertools
import re
import subprocess
import sys
from functools import cache

import numpy as np
import pdfplumber
import pytest
from shapely import LineString, STRtree, box

from fitassay.coupons.errors import InputError
from fitassay.coupons.feature import Manifest
from fitassay.coupons.machine import Machine
from fitassay.coupons.make import CouponSet, build_set, write_set
from fitassay.coupons.sheet.document import sheet_pdf
from fitassay.coupons.sheet.words import numbered_features, settings_in_force

MM = 25.4 / 72
PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
MARGIN = 14.5
SIZES = (45.0, 100.0, 300.0)
CASES = [
    pytest.param(45.0, "a4", marks=pytest.mark.long),
    (100.0, "a4"),
    pytest.param(100.0, "letter", marks=pytest.mark.long),
    pytest.param(300.0, "letter", marks=pytest.mark.long),
]


@cache
def made(side: float, quick: bool = False, wall: str = "tube") -> CouponSet:
    machine = Machine(
        name="orrery bench", values={"volume.x_mm": side, "volume.y_mm": side, "volume.z_mm": side}
    )
    return build_set(machine, quick=quick, wall=wall)


@cache
def sheet(side: float, paper: str = "a4") -> bytes:
    coupons = made(side)
    return sheet_pdf(coupons.manifest, coupons.solids, coupons.machine, paper=paper)  # type: ignore[arg-type]


def opened(data: bytes) -> pdfplumber.PDF:
    return pdfplumber.open(io.BytesIO(data))


@cache
def pages_of(data: bytes) -> list[pdfplumber.page.Page]:
    """Pages of a sheet, each read once whatever is asked of it."""
    return opened(data).pages


def pages(side: float, paper: str = "a4") -> list[pdfplumber.page.Page]:
    return pages_of(sheet(side, paper))


@cache
def quick_sheet() -> bytes:
    return drawn_with(made(100.0, quick=True))


@cache
def text_of(data: bytes) -> str:
    return "\n".join(page.extract_text() for page in pages_of(data))


def words_of(data: bytes) -> str:
    return " ".join(text_of(data).split())


def drawn_with(coupons: CouponSet, **changes: object) -> bytes:
    machine = dataclasses.replace(coupons.machine, **changes)  # type: ignore[arg-type]
    return sheet_pdf(coupons.manifest, coupons.solids, machine)


@cache
def piece_pages(side: float, paper: str) -> dict[str, tuple[pdfplumber.page.Page, list[float]]]:
    """Page and drawing scales of each coupon, by its id: its part of the page, from its heading to the next."""
    found = {}
    ids = [coupon.id for coupon in made(side).manifest.coupons]
    for page in pages(side, paper):
        headings = page.search(r"Coupon \d+: +(\S+)", return_groups=True)
        heads = [(h["groups"][0], h["top"]) for h in headings if h["chars"][0]["size"] > 10.5]
        # Of two that stand beside each other neither has a part of its own.
        heads = [(name, top) for name, top in heads if sum(abs(top - t) < 1.0 for _, t in heads) == 1]
        for k, (name, top) in enumerate(heads):
            low = heads[k + 1][1] if k + 1 < len(heads) else float(page.height)
            part = page.crop((0, top, float(page.width), low))
            text = part.extract_text()
            if name in ids:
                scales = [int(a) / int(b) for a, b in re.findall(r"scale (\d+):(\d+)", text)]
                found[name] = (part, scales)
    return found


def arrowheads(page: pdfplumber.page.Page) -> list[tuple[np.ndarray, np.ndarray]]:
    """Tip [mm] and direction of each filled arrowhead: a triangle 2.5 mm long."""
    heads = []
    for curve in page.curves:
        points = np.unique(np.array(curve["pts"]) * MM, axis=0)
        if not curve["fill"] or len(points) != 3:
            continue
        for k in range(3):
            base = np.delete(points, k, axis=0)
            way = points[k] - base.mean(axis=0)
            if abs(np.linalg.norm(way) - 2.5) < 0.03 and np.linalg.norm(base[1] - base[0]) < 1.2:
                heads.append((points[k], way / np.linalg.norm(way)))
    return heads


def test_same_bytes_in_another_process() -> None:
    code = (
        "import hashlib; from fitassay.coupons.machine import Machine; from fitassay.coupons.make import build_set;"
        "from fitassay.coupons.sheet.document import sheet_pdf;"
        "s = build_set(Machine(name='orrery bench'), quick=True);"
        "print(hashlib.sha256(sheet_pdf(s.manifest, s.solids, s.machine)).hexdigest())"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert told.stdout.strip() == hashlib.sha256(quick_sheet()).hexdigest()


def test_no_time_of_making() -> None:
    with opened(sheet(100.0)) as pdf:
        assert pdf.metadata["CreationDate"].startswith("D:20000101")


@pytest.mark.parametrize(("side", "paper"), CASES)
def test_page_size_and_margins(side: float, paper: str) -> None:
    wide, high = PAPERS[paper]
    for page in pages(side, paper):
        assert float(page.width) * MM == pytest.approx(wide, abs=0.01)
        assert float(page.height) * MM == pytest.approx(high, abs=0.01)
        for thing in (*page.chars, *page.lines, *page.curves, *page.rects):
            assert thing["x0"] * MM >= MARGIN and thing["x1"] * MM <= wide - MARGIN
            assert thing["top"] * MM >= 9.0 and thing["bottom"] * MM <= high - 9.0


@pytest.mark.parametrize(("side", "paper"), CASES)
def test_no_text_over_text(side: float, paper: str) -> None:
    for page in pages(side, paper):
        chars = [char for char in page.chars if char["text"].strip()]
        boxes = [_core(char) for char in chars]
        pairs = STRtree(boxes).query(boxes, predicate="intersects").T.tolist()
        # The bounding boxes of slanted figures meet those of their own neighbours.
        slanted = {k for k, char in enumerate(chars) if min(abs(m) for m in _turn(char)) > 1e-3}
        over = [(i, j) for i, j in pairs if i < j and not (i in slanted and j in slanted)]
        assert over == []


def _turn(char: dict) -> tuple[float, float]:
    return char["matrix"][0], char["matrix"][1]


def _core(char: dict) -> box:
    """The middle of a character's box, where its ink is."""
    wide, high = char["x1"] - char["x0"], char["bottom"] - char["top"]
    return box(
        char["x0"] + 0.2 * wide,
        char["top"] + 0.25 * high,
        char["x1"] - 0.2 * wide,
        char["bottom"] - 0.25 * high,
    )


@pytest.mark.parametrize(("side", "paper"), CASES)
def test_no_line_through_figures(side: float, paper: str) -> None:
    """Dimension figures and table text are crossed by no line; numbers in circles and jaws have their own."""
    for page in pages(side, paper):
        if "Coupon " not in page.extract_text():
            continue
        chars = [c for c in page.chars if c["text"].strip() and "Bold" not in c["fontname"]]
        tree = STRtree([_core(char) for char in chars])
        lines = [LineString(line["pts"]) for line in page.lines]
        lines += [LineString(c["pts"]) for c in page.curves if all(op[0] in "mlh" for op in c["path"])]
        lines += [box(r["x0"], r["top"], r["x1"], r["bottom"]).exterior for r in page.rects]
        crossed = {int(k) for _, k in tree.query(lines, predicate="intersects").T}
        assert [chars[k]["text"] for k in sorted(crossed)] == []


@pytest.mark.parametrize(("side", "paper"), CASES)
def test_black_and_white(side: float, paper: str) -> None:
    """Greys only, and no text in grey."""
    for page in pages(side, paper):
        for thing in (*page.chars, *page.lines, *page.curves, *page.rects):
            for name in ("stroking_color", "non_stroking_color"):
                colour = thing[name]
                assert colour is None or len(set(np.atleast_1d(colour))) == 1
        assert {float(np.atleast_1d(char["non_stroking_color"])[0]) for char in page.chars} <= {0.0, 1.0}


@pytest.mark.parametrize("paper", ["a4", pytest.param("letter", marks=pytest.mark.long)])
def test_scale_bar_on_every_page(paper: str) -> None:
    for page in pages(100.0, paper):
        foot = float(page.height) - 15.0 / MM
        level = [line for line in page.lines if line["top"] > foot and line["height"] < 0.01]
        assert [(line["x1"] - line["x0"]) * MM for line in level] == [pytest.approx(50.0, abs=0.01)]
        ends = {
            round(line["x0"] * MM, 2) for line in page.lines if line["top"] > foot and line["width"] < 0.01
        }
        assert len(ends) == 6


@pytest.mark.parametrize(("side", "paper"), CASES)
def test_outlines_are_to_scale(side: float, paper: str) -> None:
    """The piece's whole width and depth stand on the paper at the scale that is written there."""
    found = piece_pages(side, paper)
    assert len(found) >= 4
    for coupon in made(side).manifest.coupons:
        if coupon.id not in found or coupon.family in ("single-wall", "height-stair"):
            continue  # their tags and feet widen the box below the measured section
        page, scales = found[coupon.id]
        want = np.array(coupon.size_mm[:2]) * scales[0]
        boxes = [
            np.array([c["x1"] - c["x0"], c["bottom"] - c["top"]]) * MM
            for c in (*page.curves, *page.rects)
            if c["stroke"]
        ]
        assert min(np.abs(size - want).max() for size in boxes) < 0.02, coupon.id


@pytest.mark.parametrize(("side", "paper"), CASES)
def test_every_size_has_its_arrows(side: float, paper: str) -> None:
    """For each feature two arrowheads, apart by the drawn size at the stated scale, along its direction."""
    checked = 0
    coupons = made(side).manifest.coupons
    for name, (page, scales) in piece_pages(side, paper).items():
        heads = arrowheads(page)
        coupon = next(c for c in coupons if c.id == name)
        for feature in coupon.features:
            angle = np.pi / 2 if feature.kind == "height" else np.radians(feature.direction_deg)
            along = np.array([np.cos(angle), -np.sin(angle)])  # the page's y points down
            want = feature.nominal_mm * scales[-1 if feature.kind == "height" else 0]
            pairs = [
                (p, q)
                for (p, u), (q, v) in itertools.combinations(heads, 2)
                if abs(abs((q - p) @ along) - want) < 0.02
                and abs((q - p) @ np.array([-along[1], along[0]])) < 0.02
                and abs(abs(u @ along) - 1) < 1e-3
                and u @ v < -0.999
            ]
            assert pairs, f"{name} {feature.id}"
            checked += 1
    assert checked >= 20


@cache
def table_rows() -> list[list[str]]:
    """The table of readings, as the reader finds it on all pages."""
    return [
        [" ".join((cell or "").split()) for cell in row]
        for page in pages(100.0)
        for table in page.extract_tables()
        for row in table
        if len(row) == 7 and row[0] and row[0].isdigit()
    ]


def test_table_holds_every_feature_in_measuring_order() -> None:
    coupons, rows = made(100.0), table_rows()
    features = [(c.id, f) for c in coupons.manifest.coupons for f in c.features]
    assert [int(row[0]) for row in rows] == list(range(1, len(features) + 1))
    for row, (_, feature) in zip(rows, features, strict=True):
        assert row[1] == feature.id
        assert float(row[3]) == pytest.approx(feature.nominal_mm, abs=0.005)
        # Three blanks to write into.
        assert row[4:] == ["", "", ""]
        first = feature.instruction.split(";")[0].rstrip(".")
        assert first in row[2]


@pytest.mark.long
def test_instructions_are_whole() -> None:
    """What several rows share is said once, with the numbers it holds for; nothing of an instruction is lost."""
    text = words_of(sheet(100.0))
    told = {int(row[0]): row[2] for row in table_rows()}
    coupons = made(100.0).manifest
    for (coupon, feature), number in numbered_features(coupons).items():
        _, found = coupons.feature(coupon, feature)
        _, semicolon, clause = found.instruction.rpartition(";")
        if semicolon:
            notes = re.findall(rf"(\d+) to (\d+): {re.escape(clause.strip())}", text)
            shared = any(int(a) <= number <= int(b) for a, b in notes)
            assert shared or found.instruction == told[number]
        else:
            assert found.instruction == told[number]


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_what_is_set_now_is_told_whole(paper: str) -> None:
    told = " ".join((pages(100.0, paper)[1].extract_text() or "").split())
    assert "\N{HORIZONTAL ELLIPSIS}" not in told
    for meaning, *_ in settings_in_force(Machine()):
        # A row's first line holds what stands beside it, too.
        assert all(word in told for word in meaning.split()), meaning


def list_rows(data: bytes) -> list[tuple[int, str]]:
    """Number and name of each line of the list for the wall, and the pages that it takes."""
    with opened(data) as pdf:
        (page,) = [p for p in pdf.pages if "List for the wall" in p.extract_text()]
        rows = [row for table in page.extract_tables() for row in table]
    # Two columns side by side come as one table, with an empty cell between them or without.
    cells = [[cell for cell in row if cell is not None] for row in rows]
    found = []
    for row in cells:
        for k, cell in enumerate(row[:-1]):
            if cell.isdigit() and " " in row[k + 1]:
                found.append((int(cell), " ".join(row[k + 1].split())))
    return sorted(found)


@pytest.mark.long
@pytest.mark.parametrize("quick", [False, True])
def test_one_page_for_the_wall_lists_every_size_once(quick: bool) -> None:
    coupons = made(100.0, quick)
    wanted = [
        (number, f"{coupon} {feature}")
        for (coupon, feature), number in numbered_features(coupons.manifest).items()
        if (coupon, feature) in {(c.id, f.id) for c, f in coupons.manifest.asked}
    ]
    assert list_rows(drawn_with(coupons)) == wanted


def test_drawings_share_pages() -> None:
    """The combs stand beside each other; two pages of words, five of pieces and a half, a list, the rims."""
    texts = [page.extract_text() for page in pages(100.0)]
    assert len(texts) <= 10
    (combs,) = [text for text in texts if "Coupon 3:" in text]
    assert "Coupon 4:" in combs and "continued" not in "".join(texts)


def test_foot_is_pointed_at_from_the_front() -> None:
    """The foot is measured in the plan; its number stands once more beside the front view, low at its left."""
    numbers = numbered_features(made(100.0).manifest)
    page, _ = piece_pages(100.0, "a4")["stair"]
    foot = str(numbers["stair", "foot"])
    words = [word for word in page.extract_words(extra_attrs=["size"]) if word["text"] == foot]
    black = [w for w in words if 5.5 < w["size"] < 6.5]
    column = str(numbers["stair", "column60"])
    top = min(w["top"] for w in page.extract_words() if w["text"] == column)
    assert len(black) == 1 and black[0]["top"] > top + 50.0 / MM


def test_jaws_are_numbered_at_both_contacts() -> None:
    """White numbers on black, twice for each feature."""
    numbers: list[str] = []
    for page in pages(100.0)[2:]:
        white = [c for c in page.chars if np.atleast_1d(c["non_stroking_color"])[0] == 1.0]
        for _, group in itertools.groupby(white, key=lambda c: round(c["top"], 1) * 1e5 + c["x0"] // 9):
            numbers.append("".join(c["text"] for c in group))
    total = sum(len(c.features) for c in made(100.0).manifest.coupons)
    assert sum(len(n) for n in numbers) == 2 * sum(len(str(k)) for k in range(1, total + 1))


def test_front_page_says_how() -> None:
    coupons = made(100.0)
    text = words_of(sheet(100.0))
    front = pages(100.0)[0]
    for left, right in ((0.0, 128.0), (128.0, 210.0)):
        column = front.crop((left / MM, 0, right / MM, front.height))
        text += " ".join(column.extract_text().split())
    for wanted in (
        "no scaling, no rotation",
        "0.45 mm wide",
        "0.2 mm high",
        "one single loop",
        "Rock each piece on a flat surface",
        "First remove blobs",
        "Close the jaws lightly",
        "Nozzle and bed burn",
        "fumes",
        "manual, local codes and licensed practice",
        "plate-1.3mf",
    ):
        assert wanted in text, wanted
    changed = dataclasses.replace(
        coupons.machine,
        values={
            **coupons.machine.values,
            "settings.flow_percent": 97.25,
            "settings.contour_mm": -0.125,
            "settings.steps_per_mm_y": 81.3,
            "settings.skew_deg": 0.31,
        },
    )
    with opened(sheet_pdf(coupons.manifest, coupons.solids, changed)) as pdf:
        told = " ".join(" ".join(page.extract_text() for page in pdf.pages[:2]).split())
    for wanted in ("97.25 %", "-0.125 mm", "81.3 steps/mm", "0.31°"):
        assert wanted in told, wanted


def test_soft_plastic_is_measured_on_light_only() -> None:
    told = words_of(drawn_with(made(100.0, quick=True), soft=True))
    assert "strip of light" in told and "never squeeze" in told
    assert "never squeeze" not in words_of(quick_sheet())


def test_single_wall_is_told_as_drawn() -> None:
    tube, prism = words_of(quick_sheet()), words_of(drawn_with(made(100.0, quick=True, wall="prism")))
    assert "one single loop" in tube and "no infill" not in tube
    assert "no infill" in prism and "one single loop" not in prism


def test_stl_files_draw_the_same(tmp_path) -> None:
    coupons = made(100.0, quick=True)
    write_set(coupons, tmp_path)
    from_files = sheet_pdf(coupons.manifest, tmp_path, coupons.machine)
    from_solids = quick_sheet()
    assert text_of(from_files) == text_of(from_solids)
    for a, b in zip(pages_of(from_files), pages_of(from_solids), strict=True):
        for kind in ("lines", "curves", "rects"):
            one_of, other_of = (
                np.array([(c["x0"], c["top"], c["x1"], c["bottom"]) for c in getattr(p, kind)])
                for p in (a, b)
            )
            # STL holds single precision, and the order of outlines is the mesh's own.
            assert len(one_of) == len(other_of)
            if not len(one_of):
                continue
            apart = np.abs(one_of[:, None] - other_of[None]).max(axis=2)
            assert max(apart.min(axis=0).max(), apart.min(axis=1).max()) < 0.02


HOSTILE = {
    "markup": "<script>alert(1)</script> **bold** __under__ & \\n {n} %d",
    "right-to-left": "\u202eevil\u202c שלום עולם مرحبا",
    "emoji": "printer 🪐🔭👩‍🚀",
    "long": "orrery " * 1500,
    "one long word": "o" * 10000,
    "control": "a\x00b\x07c\x1b[31m\r\n\tred",
    "stacked marks": "Z" + "\u0301" * 300 + "go",
    "lone surrogate": "a\ud800b",
    "empty": "",
}


@pytest.mark.parametrize(
    "text",
    [
        pytest.param(v, id=k, marks=pytest.mark.long if k in ("one long word", "stacked marks") else ())
        for k, v in HOSTILE.items()
    ],
)
def test_untrusted_text_stays_text(text: str) -> None:
    coupons = made(100.0, quick=True)
    features = tuple(
        dataclasses.replace(f, instruction=f"{text}; {text}", id=f"{text[:200]}{k}")
        for k, f in enumerate(coupons.manifest.coupons[0].features)
    )
    manifest = _only(coupons, family=text, features=features)
    machine = dataclasses.replace(coupons.machine, name=text, material=text)
    data = sheet_pdf(manifest, coupons.solids, machine)
    with opened(data) as pdf:
        for page in pdf.pages:
            for char in page.chars:
                assert MARGIN <= char["x0"] * MM and char["x1"] * MM <= 210.0 - MARGIN
                assert char["bottom"] * MM <= 297.0 - 9.0
        front = pdf.pages[0].extract_text()
    if text.startswith("<script>"):
        assert "<script>alert(1)</script> **bold** __under__ & \\n {n} %d" in " ".join(front.split())
    if text.startswith("printer"):
        assert "printer □" in front


def test_coupon_ids_are_untrusted_too() -> None:
    coupons = made(100.0, quick=True)
    first = dataclasses.replace(coupons.manifest.coupons[0], id="<b>🪐</b>" * 400)
    manifest = dataclasses.replace(coupons.manifest, coupons=(first,))
    solids = {first.id: coupons.solids[coupons.manifest.coupons[0].id]}
    assert "<b>□</b>" in text_of(sheet_pdf(manifest, solids, coupons.machine))


def _only(coupons: CouponSet, **changes: object) -> Manifest:
    coupon = dataclasses.replace(coupons.manifest.coupons[0], **changes)  # type: ignore[arg-type]
    return dataclasses.replace(coupons.manifest, coupons=(coupon,))


def test_bad_input_is_told_in_one_sentence(tmp_path) -> None:
    coupons = made(100.0, quick=True)
    machine, manifest = coupons.machine, coupons.manifest
    with pytest.raises(InputError, match="paper must be one of a4, letter"):
        sheet_pdf(manifest, coupons.solids, machine, paper="a3")  # type: ignore[arg-type]
    with pytest.raises(InputError, match="holds no coupon"):
        sheet_pdf(dataclasses.replace(manifest, coupons=()), coupons.solids, machine)
    with pytest.raises(InputError, match="no solid is given"):
        sheet_pdf(manifest, {}, machine)
    with pytest.raises(InputError, match=r"comb-x\.stl: is missing"):
        sheet_pdf(manifest, tmp_path, machine)
    with pytest.raises(InputError, match="without a folder"):
        sheet_pdf(_only(coupons, file="../comb-x.stl"), tmp_path, machine)
    with pytest.raises(InputError, match="not lie within the machine's build volume"):
        sheet_pdf(_only(coupons, origin_on_plate_mm=(90.0, 0.0)), coupons.solids, machine)
    far = dataclasses.replace(manifest.coupons[0].features[0], contact_b_mm=(1e6, 0.0, 1.0))
    with pytest.raises(InputError, match=r"feature stem6: a contact lies outside"):
        sheet_pdf(_only(coupons, features=(far,)), coupons.solids, machine)


@pytest.mark.parametrize(
    "content",
    [b"", b"solid nothing\nendsolid nothing\n", b"\x00" * 84, b"\xff" * 500, b"solid " + b"x" * 300],
    ids=["empty", "no facet", "none counted", "noise", "text noise"],
)
def test_broken_stl_is_named(tmp_path, content: bytes) -> None:
    coupons = made(100.0, quick=True)
    (tmp_path / "comb-x.stl").write_bytes(content)
    with pytest.raises(InputError, match=r"comb-x\.stl"):
        sheet_pdf(_only(coupons), tmp_path, coupons.machine)


def test_open_mesh_is_named(tmp_path) -> None:
    coupons = made(100.0, quick=True)
    solid = coupons.solids["comb-x"]
    gap = dataclasses.replace(solid, faces=solid.faces[1:])
    with pytest.raises(InputError, match="not watertight"):
        sheet_pdf(_only(coupons), {"comb-x": gap}, coupons.machine)


def test_a_piece_without_features_or_with_one_place_twice_is_drawn() -> None:
    coupons = made(100.0, quick=True)
    feature = coupons.manifest.coupons[0].features[0]
    point = dataclasses.replace(feature, contact_b_mm=feature.contact_a_mm, nominal_mm=0.0)
    for features in ((), (point,)):
        data = sheet_pdf(_only(coupons, features=features), coupons.solids, coupons.machine)
        assert "Coupon 1: comb-x" in text_of(data)


@pytest.mark.parametrize(("side", "paper"), CASES)
def test_rendered_margins_are_white(side: float, paper: str) -> None:
    """Another reader's rendering: no ink within 9 mm of the paper's edge."""
    for page in pages(side, paper):
        grey = np.asarray(page.to_image(resolution=50).original.convert("L"))
        edge = int(9.0 / 25.4 * 50)
        inner = grey[edge:-edge, edge:-edge]
        assert (grey < 250).sum() == (inner < 250).sum() > 100


@pytest.mark.benchmarks
def test_sheet_speed(benchmark) -> None:
    coupons = made(100.0)
    data = benchmark(sheet_pdf, coupons.manifest, coupons.solids, coupons.machine)
    assert data.startswith(b"%PDF")
