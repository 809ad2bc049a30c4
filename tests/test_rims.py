"""Rims and single layers: where they are, that blank ones disturb nothing, how they are asked for and entered."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.chain.uneven_surface import layers_under
from fitassay.analysis.diagnosis.evidence import reading_minutes, worth_reading
from fitassay.analysis.readings.file import ReadingsBook, read_readings
from fitassay.analysis.terms import INDEX
from fitassay.analysis.validation.effect import Recipe
from fitassay.analysis.validation.listed_effects import EFFECTS
from fitassay.analysis.validation.rough_printer import RoughPrinters
from fitassay.bench.actions import Action
from fitassay.bench.session import Bench
from fitassay.case import Case
from fitassay.cli import cli
from fitassay.coupons.export.manifest import read_manifest
from fitassay.coupons.machine import Machine
from fitassay.coupons.make import build_set
from fitassay.coupons.sections import Slicer
from tests.pathwriter import Style, write
from tests.test_cli import run as run_text

FAMILIES = ("stepped-boss", "single-wall")
UNEVEN = INDEX["uneven_layers"]


def run(*args: object) -> tuple[int, str, str]:
    return run_text(*map(str, args))


@pytest.fixture(scope="module")
def rims() -> SetWalk:
    made = build_set(Machine(), families=FAMILIES, rims=True)
    return SetWalk(made.manifest, {name: Slicer(solid, name) for name, solid in made.solids.items()})


def test_rims_are_the_top_of_the_same_flanks(rims):
    """Two layers of 0.2 mm; the jaws' room and the place on the flank are those of the deep reading."""
    seen = 0
    for coupon in rims.manifest.coupons:
        for f in coupon.features:
            deep = coupon.beneath(f)
            if f.kind != "rim":
                continue
            seen += 1
            assert f.id == f"{deep.id}-rim" and f.nominal_mm == deep.nominal_mm and f.jaw_mm == deep.jaw_mm
            assert f.contact_a_mm[:2] == deep.contact_a_mm[:2] and f.contact_b_mm[:2] == deep.contact_b_mm[:2]
            # Its jaws hold from 0.4 mm under the top to the top: there is no material above it at this flank.
            top = f.contact_height - 0.1 + 0.4
            assert top > deep.contact_height + 1.5
            steps = {round(g.contact_height + 0.3, 6) for g in coupon.features if g.kind == "rim"}
            assert round(top, 6) in steps and coupon.size_mm[2] in steps
    assert seen == 10


def test_the_quick_set_stays_at_fourteen_and_the_api_asks_for_no_rims():
    made = build_set(Machine(), quick=True)
    assert sum(len(c.features) for c in made.manifest.coupons) == 14
    assert not build_set(Machine(), families=FAMILIES).manifest.optional


def test_layers_and_gains(rims):
    """Table of control-chart factors (from memory): d2(2)/d2(15) = 1.128/3.472; one layer sees none of it."""
    layer = rims.manifest.layer_height_mm
    layers = {key: layers_under(f, layer) for key, f in zip(rims.keys, rims.features, strict=True)}
    gains = dict(zip(rims.keys, rims.linearise()[1][:, UNEVEN], strict=True))
    assert layers["boss", "step14-x-rim"] == layers["wall", "wall-left-rim"] == 2
    assert layers["wall", "layer-front"] == 1
    assert gains["boss", "step14-x-rim"] == pytest.approx(1.128 / 3.472, abs=2e-4)
    assert gains["wall", "layer-front"] == 0


def test_the_printer_s_errors_are_seen_alike_on_rim_and_flank(rims):
    """Walked: what differs is the uneven surface alone."""
    where = {key: i for i, key in enumerate(rims.keys)}
    theta = np.zeros((1, rims.linearise()[1].shape[1]))
    theta[0, :6] = (0.003, -0.002, 0.0, 0.2, 0.1, 0.08)
    read = rims.readings(theta)[0]
    for coupon in rims.manifest.coupons:
        for f in coupon.features:
            i, j = where[coupon.id, f.id], where[coupon.id, coupon.beneath(f).id]
            assert read[i] == pytest.approx(read[j], abs=1e-9)


def test_rims_of_an_uneven_print_read_less(rims):
    """Layers that shift by 0.02 mm: mean of deep less rim is 0.02 (d2(15) - d2(2)) = 0.047 mm (from memory)."""
    jitter = EFFECTS["jitter"]
    recipe = Recipe(name="jitter", text="", effects=(jitter,))
    n = 1500
    printers = RoughPrinters(
        rims, np.zeros((n, rims.linearise()[1].shape[1])), recipe, np.random.default_rng(4)
    )
    read = printers.printed(np.random.default_rng(5))
    where = {key: i for i, key in enumerate(rims.keys)}
    deep = read[:, where["boss", "step14-x"]] - 14.0
    rim = read[:, where["boss", "step14-x-rim"]] - 14.0
    one = read[:, where["wall", "layer-front"]] - 0.45
    # Drawn sizes are even between 0.01 and 0.04 mm; standard errors below 0.002.
    assert np.mean(rim) / np.mean(deep) == pytest.approx(1.128 / 3.472, abs=0.02)
    assert np.abs(one).max() < 1e-9


def test_cost(rims):
    minutes = {f.id: reading_minutes(f) for f in rims.features}
    assert minutes["step14-x"] < minutes["step14-x-rim"] < minutes["layer-front"]


def test_a_rim_that_would_be_a_repeat_only_is_not_asked_for(rims):
    gains = rims.linearise()[1].copy()
    gains[:, UNEVEN] = 0.0
    deep = [i for i, f in enumerate(rims.features) if not f.optional]
    alike = np.array(
        [gains[rims.keys.index((c.id, c.beneath(f).id))] for c in rims.manifest.coupons for f in c.features]
    )
    assert list(worth_reading(rims, alike)) == deep
    apart = np.column_stack([alike, rims.linearise()[1][:, UNEVEN]])
    assert len(worth_reading(rims, apart)) == len(rims.features)


def case(tmp_path: Path, *families: str) -> Path:
    path = tmp_path / "orrery"
    assert run("init", path, "--yes")[0] == 0
    options = [word for name in families or FAMILIES for word in ("--family", name)]
    assert run("make", path, *options)[0] == 0
    return path


def diagnosed(path: Path) -> dict:
    code, out, err = run("diagnose", path, "--json")
    assert code == 0, err
    return json.loads(out)


def test_blank_rims_disturb_nothing(tmp_path):
    path = case(tmp_path)
    file, manifest = path / "prints/01/readings.csv", read_manifest(path / "prints/01/coupons.json")
    rows = list(csv.DictReader(file.read_text().splitlines()))
    # What is asked of everyone comes first.
    assert [r["feature"] for r in rows][-1] == "layer-front" and rows[0]["feature"] == "step22-x"
    assert sum("rim" in r["feature"] for r in rows) == 10
    assert run("simulate", path, "--seed", 3)[0] == 0
    assert not [r for r in read_readings(file, manifest) if "rim" in r.feature]
    book = ReadingsBook(file, manifest)
    assert not book.remaining() and len(book.order) == 10 and len(book.optional) == 11
    with_blanks = diagnosed(path)
    file.write_text(file.read_text() + "boss,step14-x-rim,,\nwall,layer-front,,later\n")
    assert diagnosed(path)["terms"] == with_blanks["terms"]
    code, out, _ = run("enter", path)
    assert code == 0 and "10 read" in out


def test_simulated_and_judged(tmp_path):
    path = case(tmp_path)
    assert run("simulate", path, "--rims", "--seed", 3, "--repeats", 2)[0] == 0
    file, manifest = path / "prints/01/readings.csv", read_manifest(path / "prints/01/coupons.json")
    readings = read_readings(file, manifest)
    assert len(readings) == 2 * 21 and readings[-1].feature == "layer-front"
    told = diagnosed(path)
    assert not told["suspect_readings"]
    assert told["terms"]["bead_excess"]["estimate"] == pytest.approx(0, abs=0.1)


@pytest.mark.long
def test_a_sliced_file_is_found_as_without_rims_and_they_follow_its_path(tmp_path):
    path = case(tmp_path)
    folder = path / "prints/01"
    manifest = read_manifest(folder / "coupons.json")
    from fitassay.coupons.export.stl import read_stl

    plate = path / "plate.txt"
    sliced = [(c, read_stl(folder / c.file)) for c in manifest.coupons if c.id in ("boss", "bore", "wall")]
    plate.write_text(write(sliced, Style(offset=0.1)).text)
    code, out, err = run("trace", path, plate, "--json")
    assert code == 0, err
    told = json.loads(out)
    assert told["path"]["offset_mm"] == pytest.approx(0.1, abs=0.005)
    assert not any("rim" in json.dumps(f) for f in told["features"])
    assert (
        run("simulate", path, "--rims", "--weighed", "--trace", plate, "--bead-excess", 0.03, "--seed", 5)[0]
        == 0
    )
    readings = read_readings(folder / "readings.csv", manifest)
    masses = {r.feature: r.reading_mm for r in readings if r.coupon == "weighed"}
    assert set(masses) == {"filament_g:1000", "wall_g"}
    after = diagnosed(path)
    # 0.03 mm of bead are 0.03/0.4071 = 7.4 % of feed.
    assert after["weighed"]["feed_percent"] == pytest.approx(107.4, abs=4)


def test_masses_are_not_made_up_without_a_file(tmp_path):
    path = case(tmp_path)
    code, _, err = run("simulate", path, "--weighed")
    assert code == 2 and "fitassay trace" in err


def test_entering_rims(tmp_path):
    path = case(tmp_path)
    done = CliRunner().invoke(cli, ["enter", str(path), "--rims"], input="22.02\ns\n14.03 14.01\nq\n")
    assert done.exit_code == 0
    said = " ".join(done.stdout.split())
    assert "over the top 0.4 mm only" in said and "2 of 11 read" in said
    book = ReadingsBook(path / "prints/01/readings.csv", read_manifest(path / "prints/01/coupons.json"))
    assert book.values("boss", "step14-x-rim") == (14.03, 14.01)
    assert len(book.remaining()) == 10
    code, _, err = run("enter", path, "--rims", "--guided")
    assert code == 2 and "--rims" in err


def test_entering_rims_where_there_are_none(tmp_path):
    path = case(tmp_path, "corner-plate")
    assert "no rims" in run("enter", path, "--rims")[1]


def test_the_scale_is_offered_where_the_bead_is_in_doubt(rims):
    """Nothing is read and only the bead is doubted: weighing tells of it more than one reading does."""
    from fitassay.analysis.chain.extrusion import extrusion_row
    from fitassay.analysis.diagnosis.evidence import WEIGHING_MINUTES, weighing_offer
    from fitassay.analysis.diagnosis.ranking import Standing, rank_readings
    from fitassay.analysis.estimation.observations import single_reading_sd
    from fitassay.analysis.estimation.priors import prior
    from fitassay.analysis.estimation.weighed import Commanded, filament_as_set
    from fitassay.analysis.readings.weighings import Weighing
    from fitassay.analysis.terms import BEAD, TERMS

    machine = Machine()
    asked = Commanded(pieces={"wall": 113.0}, walls=frozenset({"wall"}))
    row = extrusion_row(rims)
    offer = weighing_offer({}, asked, row, filament_as_set(machine), None, machine)
    assert offer is not None and offer.minutes == WEIGHING_MINUTES
    assert (offer.coupon, offer.feature) == ("weighed", "wall_g")
    # As `test_weighed.test_by_hand`: mass, filament and a diameter nobody measured, 0.017 mm or so.
    assert 0.014 < offer.u < 0.022
    doubt = np.eye(len(TERMS))[BEAD]
    standing = Standing(
        posterior=prior(machine), doubt=doubt, measured=frozenset(), u=single_reading_sd(machine)
    )
    found = {(n.coupon, n.feature): n for n in rank_readings(rims, standing, offers=(offer,))}
    weighed = found["weighed", "wall_g"]
    assert weighed.gain == max(n.gain for n in found.values() if "boss" in n.coupon or n.coupon == "weighed")
    assert "weigh wall and a metre of filament" in weighed.text
    both = {Weighing("filament", length_mm=1000): np.ones(1), Weighing("piece", coupon="wall"): np.ones(1)}
    assert weighing_offer(both, asked, row, filament_as_set(machine), None, machine) is None
    assert (
        weighing_offer({}, Commanded(pieces={"boss": 99.0}), row, filament_as_set(machine), None, machine)
        is None
    )


TAB = "0123456789abcdef01234567"


def test_the_page_lists_rims_last_and_counts_without_them(tmp_path):
    path = case(tmp_path)
    bench = Bench(Case.open(path).print())
    features = bench.plan()["features"]
    assert [f["optional"] for f in features] == [False] * 10 + [True] * 11
    assert features[10]["number"] == 11 and "0.4 mm" in features[10]["words"]
    assert "knife edges" in features[-1]["words"]
    read = Action(seq=1, act="read", coupon="boss", feature="step22-x-rim", text="22.03")
    assert bench.act(TAB, [read])[0]["outcome"] == "kept"
    assert bench.state()["readings"][10][0]["text"] == "22.03"


def test_the_page_takes_masses_and_refuses_what_is_none(tmp_path):
    path = case(tmp_path)
    bench = Bench(Case.open(path).print())
    assert bench.plan()["scale"] == {"traced": False, "pieces": ["wall"]}

    def weigh(seq: int, feature: str, text: str, **more) -> dict:
        return bench.act(
            TAB, [Action(seq=seq, act="weigh", coupon="weighed", feature=feature, text=text, **more)]
        )[0]

    assert weigh(1, "filament_g:1000", "2,98 g") == {
        "seq": 1,
        "outcome": "kept",
        "note": "2.98 g for 1000 mm of filament kept.",
        "shown": "",
    }
    assert weigh(2, "filament_g:1000", "2.98", resent=True)["outcome"] == "kept"
    for seq, feature, text, told in (
        (3, "filament_g:1000", "298", "too heavy"),
        (4, "filament_g:5", "0.01", "too little"),
        (5, "boss_g", "4 mm", "not in grams"),
        (6, "nut_g", "4", "nothing that is weighed"),
    ):
        refused = weigh(seq, feature, text)
        assert refused["outcome"] == "refused" and told in refused["note"].lower()
    assert weigh(7, "wall_g", "0.35")["note"] == "0.35 g for wall kept."
    assert [(r["coupon"], r["feature"], r["text"]) for r in bench.state()["references"]] == [
        ("weighed", "filament_g:1000", "2.98"),
        ("weighed", "wall_g", "0.35"),
    ]
    away = Action(seq=8, act="remove", coupon="weighed", feature="wall_g", text="0.35")
    assert "0.35 g of weighed wall_g is taken back" in bench.act(TAB, [away])[0]["note"]
    assert len(bench.state()["references"]) == 1
