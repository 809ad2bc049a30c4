"""The judge of hostile files: a refusal names the file, and the place in it where there is one."""

from __future__ import annotations

import pytest

from tests.fuzz.child import wrong
from tests.own_process import Answer

GOOD = {
    "machine": "case/machine.toml, line 7, column 13: this key is given twice",
    "manifest": "case/coupons.json: coupons[1].features[0].contact_a_mm[2]: is missing",
    "readings": "case/readings.csv, line 3, column feature: no such feature",
    "coupon mesh": "wall.stl: the mesh is not watertight (an edge belongs to one facet only, at (1, 2.5, -3e-05) mm)",
    "part": "part.stl, facet 12: holds coordinates that are not finite",
    "package": "part.3mf, 3D/3dmodel.model, line 115: has a triangle without its numbers",
    "own path's start": "own/start.gcode: has no homing (G28)",
}


@pytest.mark.parametrize("kind", GOOD)
def test_a_sentence_with_its_place_passes(kind):
    assert not wrong(kind, _name(kind), _refused(f"fitassay: {GOOD[kind]}; mend it"))


@pytest.mark.parametrize("kind", GOOD)
@pytest.mark.parametrize("said", ["{name}: is wrong", "is wrong, line 3", "", "{name} line 3: is wrong"])
def test_a_sentence_without_one_does_not(kind, said):
    good = f"fitassay: {GOOD[kind]}"
    bad = "fitassay: " + said.format(name=_name(kind))
    assert wrong(kind, _name(kind), _refused(bad)).startswith("no place named")
    assert wrong(kind, _name(kind), _refused(f"{good}\n{bad}")).startswith("no place named")


@pytest.mark.parametrize("said", ["", "something without the program's name\n"])
def test_a_refusal_without_a_sentence_does_not(said):
    assert wrong("machine", "machine.toml", _refused(said)).startswith("no place named")


def test_what_is_wrong_as_a_whole_has_the_file_as_its_place():
    for kind, text in (("readings", "readings.csv: is UTF-16 text"), ("part", "part.stl: is empty")):
        assert not wrong(kind, _name(kind), _refused(f"fitassay: here/{text}; mend it"))


def _name(kind: str) -> str:
    from pathlib import Path

    from tests.fuzz.kinds import KINDS

    return Path(KINDS[kind].file).name


def _refused(errors: str) -> Answer:
    return Answer(code=2, output="", errors=errors)
