"""Benches for the tests: a small orrery case, and the page served for it in another process."""

from __future__ import annotations

import http.client
import json
import os
import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from urllib.parse import urlsplit

from fitassay.analysis.readings.file import Reading, read_readings
from fitassay.analysis.readings.reading import blank_readings
from fitassay.bench.server import open_bench
from fitassay.bench.session import Bench
from fitassay.case import Case
from fitassay.coupons.export.manifest import read_manifest
from fitassay.coupons.feature import Coupon, Feature, Manifest
from fitassay.coupons.machine import Machine
from fitassay.coupons.machine_file import machine_toml
from fitassay.coupons.make import build_set, write_set

ROOT = Path(__file__).parent.parent


def make_case(folder: Path, machine: Machine | None = None, families: tuple[str, ...] | None = None) -> Path:
    """A case with one print and blank readings; the quick set unless families are named."""
    machine = machine or Machine(name="orrery printer")
    place = folder / "prints" / "01"
    place.mkdir(parents=True)
    (folder / "machine.toml").write_text(machine_toml(machine), encoding="utf-8")
    made = build_set(machine, quick=families is None, families=families)
    write_set(made, place)
    (place / "readings.csv").write_text(blank_readings(made.manifest), encoding="utf-8")
    return folder


def print_folder(case: Path) -> Path:
    return case / "prints" / "01"


def manifest_of(case: Path) -> Manifest:
    return read_manifest(print_folder(case) / "coupons.json")


def pairs_of(case: Path) -> list[tuple[Coupon, Feature]]:
    return [(c, f) for c in manifest_of(case).coupons for f in c.features]


def readings_of(case: Path) -> list[Reading]:
    return list(read_readings(print_folder(case) / "readings.csv", manifest_of(case)))


def values_of(case: Path) -> dict[tuple[str, str], list[float]]:
    """Readings by coupon and feature, in the file's order."""
    found: dict[tuple[str, str], list[float]] = {}
    for r in readings_of(case):
        found.setdefault((r.coupon, r.feature), []).append(r.reading_mm)
    return found


def typed(index: int, feature: Feature) -> float:
    """A plausible reading that differs from feature to feature, two decimals."""
    if feature.kind == "thickness":
        return round(feature.nominal_mm + 0.01 * (index % 7), 2)
    return round(feature.nominal_mm - 0.2 + 0.01 * (index % 37), 2)


def cookie_for(address: str) -> str:
    """The cookie, ``name=value``, that opening the address gives."""
    parts = urlsplit(address)
    connection = http.client.HTTPConnection(parts.hostname or "", parts.port, timeout=20)
    try:
        connection.request("GET", f"/?{parts.query}")
        answer = connection.getresponse()
        assert (answer.status, answer.getheader("Location")) == (303, "/")
        cookie, *attributes = (answer.getheader("Set-Cookie") or "").split("; ")
        assert {"HttpOnly", "SameSite=Strict"} <= set(attributes)
        return cookie
    finally:
        connection.close()


@dataclass
class Served:
    """A running bench: its address, and the process that is behind it."""

    url: str
    process: subprocess.Popen[str]

    @property
    def port(self) -> int:
        port = urlsplit(self.url).port
        assert port
        return port

    @cached_property
    def cookie(self) -> str:
        """What a browser gets in exchange for the address's code."""
        return cookie_for(self.url)

    def kill(self) -> None:
        """As a crash would: no time to tidy up."""
        self.process.kill()
        self.process.wait(timeout=10)


@contextmanager
def served(case: Path, *options: str) -> Iterator[Served]:
    """`fitassay bench CASE` in a process of its own, ended by Ctrl-C if it still runs."""
    process = subprocess.Popen(
        [sys.executable, "-m", "fitassay", "bench", str(case), "--json", *options],
        cwd=ROOT,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout and process.stderr
    try:
        text = ""
        while "}" not in text:
            line = process.stdout.readline()
            if not line:
                raise AssertionError(process.stderr.read())
            text += line
        yield Served(json.loads(text)["url"], process)
        if process.poll() is None:
            process.send_signal(signal.SIGINT)
            errors = process.communicate(timeout=15)[1]
            assert "Traceback" not in errors, errors
            assert process.returncode == 0, errors
    finally:
        if process.poll() is None:
            process.kill()
            process.wait(timeout=10)
        process.stdout.close()
        process.stderr.close()


@contextmanager
def served_here(case: Path, again: Callable[[str], None] = lambda _: None) -> Iterator[str]:
    """The same page served from a thread of this process, which starts sooner; its address."""
    bench = Bench(Case.open(case).print())
    with open_bench(bench, again=again) as opened:
        thread = threading.Thread(target=opened.run)
        thread.start()
        try:
            yield opened.address
        finally:
            opened.server.should_exit = True
            thread.join(timeout=15)
            assert not thread.is_alive()


def copy_case(source: Path, target: Path) -> Path:
    shutil.copytree(source, target)
    return target
