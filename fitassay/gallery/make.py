"""Remakes the pictures in gallery/: coupons, plates, sheet, report, bench, and the guide's drawings.

    python -m fitassay.gallery [FOLDER]

Sheet and pages need pdftoppm and, through playwright, a chromium; where they are missing the pictures that
are there stay as they are, and the command says so.
"""

from __future__ import annotations

import json
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from fitassay.coupons.files import write_atomic
from fitassay.coupons.machine import Machine

if TYPE_CHECKING:
    from fitassay.case import Print
    from fitassay.coupons.make import CouponSet

WIDTH = 1000
"""Width of coupon and plate pictures [pixels]."""

CHROMIUM_ARGUMENTS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)

# Name, page, window width, height of the cut, colour scheme.
REPORT_SHOTS = (
    ("report.png", 1280, 1560, "light"),
    ("report-dark.png", 1280, 1560, "dark"),
    ("report-narrow.png", 390, 1500, "light"),
)


def coupon_pictures(made: CouponSet) -> dict[str, bytes]:
    """Every coupon and every plate as PNG, by file name."""
    from fitassay.gallery.render import Body, render_png

    pictures = {}
    for coupon in made.manifest.coupons:
        solid = made.solids[coupon.id]
        body = Body(vertices=solid.vertices, faces=solid.faces)
        pictures[f"coupon-{coupon.id}.png"] = render_png([body], width=WIDTH)
    x, y, _ = made.machine.volume_mm
    for plate in sorted({c.plate for c in made.manifest.coupons}):
        bodies = []
        for coupon in made.manifest.coupons:
            if coupon.plate == plate:
                solid = made.solids[coupon.id]
                place = np.array([*coupon.origin_on_plate_mm, 0.0])
                bodies.append(Body(vertices=solid.vertices + place, faces=solid.faces))
        pictures[f"plate-{plate}.png"] = render_png(bodies, width=WIDTH, bed_mm=(x, y))
    return pictures


def sheet_picture(pdf: Path, page: int = 5) -> bytes | None:
    """A page of the measuring sheet as PNG; None without pdftoppm."""
    tool = shutil.which("pdftoppm")
    if tool is None:
        return None
    with tempfile.TemporaryDirectory() as folder:
        target = Path(folder) / "page"
        subprocess.run(
            [
                tool,
                "-r",
                "110",
                "-f",
                str(page),
                "-l",
                str(page),
                "-singlefile",
                "-png",
                str(pdf),
                str(target),
            ],
            check=True,
        )
        return _smaller(target.with_suffix(".png").read_bytes())


def page_pictures(report: Path, case: Path) -> dict[str, bytes] | None:
    """Report and bench page as a browser shows them; None where there is no browser to ask."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        return None
    if chromium is None:
        return None
    pictures = {}
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=chromium, args=list(CHROMIUM_ARGUMENTS))
        for name, width, height, scheme in REPORT_SHOTS:
            page = browser.new_page(viewport={"width": width, "height": height}, color_scheme=_scheme(scheme))
            page.goto(report.resolve().as_uri())
            pictures[name] = _smaller(page.screenshot())
            page.close()
        with _bench(case) as address:
            # One window for both: the address opens the page once, the window keeps its cookie.
            window = browser.new_context()
            for name, width, height in (("bench.png", 1280, 860), ("bench-narrow.png", 390, 844)):
                page = window.new_page()
                page.set_viewport_size({"width": width, "height": height})
                page.goto(address)
                page.wait_for_selector("#plan path, #plan line")
                # The live verdict arrives by itself, some time after the drawing.
                page.locator("#verdict").filter(has_not_text="Nothing read").wait_for(timeout=30_000)
                pictures[name] = _smaller(page.screenshot())
                page.close()
        browser.close()
    return pictures


def _scheme(name: str) -> Any:
    return name


@contextmanager
def _bench(case: Path) -> Iterator[str]:
    """`fitassay bench CASE` running, its address handed on."""
    process = subprocess.Popen(
        [sys.executable, "-m", "fitassay", "bench", str(case), "--json", "--no-open"],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    try:
        assert process.stdout is not None
        text = ""
        while "}" not in text:
            line = process.stdout.readline()
            if not line:
                raise RuntimeError("the bench did not start")
            text += line
        yield json.loads(text)["url"]
    finally:
        process.send_signal(signal.SIGINT)
        try:
            process.wait(timeout=10)
        except subprocess.TimeoutExpired:
            process.kill()


def _smaller(png: bytes) -> bytes:
    """The same picture with at most 128 colours."""
    import io

    from PIL import Image

    image = Image.open(io.BytesIO(png)).convert("RGB")
    buffer = io.BytesIO()
    image.quantize(128, dither=Image.Dither.NONE).save(buffer, format="PNG", optimize=True)
    return buffer.getvalue()


def _case(folder: Path) -> tuple[Path, CouponSet, Print, bytes]:
    """The demonstration's case with its first print diagnosed, and the picture of its loop."""
    from fitassay.analysis.prints.compare import usual_gains
    from fitassay.analysis.terms import INDEX
    from fitassay.case import Case
    from fitassay.commands import demo
    from fitassay.coupons.make import build_set
    from fitassay.report.compare_plot import comparison_svg

    case = Case(path=folder / "loop" / demo.FOLDER)
    machine = Machine(name=demo.NAME)
    first = demo.virtual_print(case, machine, demo.ERRORS, demo.SEED)
    compared = demo.compared_prints(first, demo.mended_print(case, first))
    loop = comparison_svg(compared, usual_gains(machine.line_width_mm), INDEX)
    # The bench page opens the newest print; it is to show the first.
    alone = Case(path=folder / demo.FOLDER)
    target = demo.virtual_print(alone, machine, demo.ERRORS, demo.SEED).target
    return alone.path, build_set(machine), target, loop.encode()


def _half_read(target: Print) -> None:
    """Blank the second half of the readings, so that the bench page is shown at work."""
    lines = target.readings_path.read_text(encoding="utf-8").splitlines()
    rows = []
    for n, line in enumerate(lines):
        coupon, feature, value, _ = [*line.split(","), ""][:4]
        keep = n == 0 or n <= len(lines) // 2
        rows.append(line if keep else f"{coupon},{feature},,")
    write_atomic(target.readings_path, "\n".join(rows) + "\n")


def remake(folder: Path, *, pages: bool = True) -> list[str]:
    """Write all pictures into `folder`.

    Parameters
    ----------
    folder : Path
    pages : bool
        Also those that need a browser or pdftoppm.

    Returns
    -------
    list of str
        What could not be made and why.
    """
    from fitassay.gallery.guide import guide_files

    missing = []
    with tempfile.TemporaryDirectory() as scratch:
        case, made, target, loop = _case(Path(scratch))
        files: dict[str, bytes] = {**coupon_pictures(made), **guide_files(), "loop.svg": loop}
        if pages:
            sheet = sheet_picture(target.sheet_path)
            if sheet is None:
                missing.append("sheet: pdftoppm is not installed")
            else:
                files["sheet.png"] = sheet
            _half_read(target)
            shots = page_pictures(target.report_path, case)
            if shots is None:
                missing.append("report and bench: no chromium with playwright")
            files.update(shots or {})
        for name, data in files.items():
            write_atomic(folder / name, data)
    return missing


def main(arguments: list[str]) -> int:
    """Remake the gallery in the folder given, or in ./gallery."""
    if len(arguments) > 1 or any(a.startswith("-") for a in arguments):
        print("usage: python -m fitassay.gallery [FOLDER]", file=sys.stderr)
        return 2
    folder = Path(arguments[0] if arguments else "gallery")
    for words in remake(folder):
        print(f"not made: {words}", file=sys.stderr)
    print(f"Remade in {folder}")
    return 0
