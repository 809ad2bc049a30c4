"""The bench without its page: actions done once, files followed, untrusted text kept harmless."""

from __future__ import annotations

import json
import math
import threading
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.readings.book import ReadingsBook
from fitassay.analysis.terms import INDEX, TERMS
from fitassay.bench.actions import Action, BadRequest, parse_actions
from fitassay.bench.drawing import coupon_drawing
from fitassay.bench.live import PAUSE_S
from fitassay.bench.session import Bench
from fitassay.case import Case
from fitassay.coupons.errors import InputError
from fitassay.coupons.export.manifest import manifest_json
from fitassay.coupons.feature import Coupon, Feature
from tests.benches import copy_case, make_case, manifest_of, pairs_of, print_folder, typed, values_of
from tests.faults import full_disk

TAB = "0123456789abcdef01234567"
OTHER_TAB = "89abcdef0123456789abcdef"


@pytest.fixture(scope="module")
def quick_case(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_case(tmp_path_factory.mktemp("bench") / "orrery")


@pytest.fixture
def case(quick_case: Path, tmp_path: Path) -> Path:
    return copy_case(quick_case, tmp_path / "orrery")


def bench_of(case: Path) -> Bench:
    return Bench(Case.open(case).print())


def read(seq: int, coupon: Coupon, feature: Feature, text: str, **more) -> Action:
    return Action(seq=seq, act="read", coupon=coupon.id, feature=feature.id, text=text, **more)


def test_a_reading_is_on_the_disk_when_the_answer_comes(case: Path) -> None:
    bench = bench_of(case)
    coupon, feature = pairs_of(case)[0]
    value = typed(0, feature)
    (result,) = bench.act(TAB, [read(1, coupon, feature, f"{value}")])
    assert result == {"seq": 1, "outcome": "kept", "note": "", "shown": f"{value:.2f}"}
    assert values_of(case) == {(coupon.id, feature.id): [value]}


def test_an_action_sent_again_is_done_once(case: Path) -> None:
    bench = bench_of(case)
    coupon, feature = pairs_of(case)[0]
    action = read(1, coupon, feature, f"{typed(0, feature)}")
    first = bench.act(TAB, [action])
    assert bench.act(TAB, [action, action]) == first * 2
    assert len(values_of(case)[coupon.id, feature.id]) == 1
    # The same number from another page is another action.
    bench.act(OTHER_TAB, [action])
    assert len(values_of(case)[coupon.id, feature.id]) == 2


def test_a_reading_resent_to_a_restarted_bench_is_kept_once(case: Path) -> None:
    coupon, feature = pairs_of(case)[0]
    value = f"{typed(0, feature)}"
    bench_of(case).act(TAB, [read(1, coupon, feature, value)])
    again = bench_of(case)
    (result,) = again.act(TAB, [read(1, coupon, feature, value, resent=True)])
    assert result["outcome"] == "kept"
    assert len(values_of(case)[coupon.id, feature.id]) == 1
    # A true repeat of the same size, entered when one reading was known, is a second reading.
    again.act(TAB, [read(2, coupon, feature, value, before=1, resent=True)])
    assert len(values_of(case)[coupon.id, feature.id]) == 2


def test_an_implausible_reading_is_asked_about_and_kept_on_a_yes(case: Path) -> None:
    bench = bench_of(case)
    coupon, feature = next(p for p in pairs_of(case) if p[1].nominal_mm > 5)
    wrong = f"{feature.nominal_mm / 10:.3f}"
    (asked,) = bench.act(TAB, [read(1, coupon, feature, wrong)])
    assert asked["outcome"] == "ask"
    assert "was" in asked["note"] and not values_of(case)
    (kept,) = bench.act(TAB, [read(2, coupon, feature, wrong, keep=True)])
    assert kept["outcome"] == "kept"
    assert values_of(case)[coupon.id, feature.id] == [float(wrong)]


def test_a_millimetre_lost_shows_against_like_sizes(case: Path) -> None:
    along_x = [(c, f) for c, f in pairs_of(case) if (f.kind, f.direction_deg) == ("outside", 0.0)][:3]
    with bench_of(case) as bench:
        for n, (c, f) in enumerate(along_x[:2]):
            (kept,) = bench.act(TAB, [read(n + 1, c, f, f"{f.nominal_mm + 0.35:.2f}")])
            assert kept["outcome"] == "kept"
        c, f = along_x[2]
        (asked,) = bench.act(TAB, [read(3, c, f, f"{f.nominal_mm - 0.65:.2f}")])
    assert asked["outcome"] == "ask" and "1 mm less than like sizes" in asked["note"]
    assert asked["suggested"] == f"{f.nominal_mm + 0.35:.2f}"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("abc", "not a number"),
        ("", "no number"),
        ("nan", "not a number"),
        ("1e308", "longer than any caliper"),
        ("1e999", "too large"),
        ("-5", "greater than 0"),
        ("0.8in", "20.32"),
        ("10.02 10.03", "not one number"),
        ("goes", "pegs tried in holes"),
        ("<b>10</b>", "not a number"),
        ("9" * 150, "longer than any caliper"),
    ],
)
def test_what_is_no_reading_is_refused_with_a_sentence(case: Path, text: str, says: str) -> None:
    bench = bench_of(case)
    coupon, feature = pairs_of(case)[0]
    before = (print_folder(case) / "readings.csv").read_bytes()
    (result,) = bench.act(TAB, [read(1, coupon, feature, text, keep=True)])
    assert result["outcome"] == "refused"
    assert says in result["note"]
    assert (print_folder(case) / "readings.csv").read_bytes() == before


def test_decimal_comma_and_unit_are_understood(case: Path) -> None:
    bench = bench_of(case)
    coupon, feature = pairs_of(case)[0]
    text = f"{typed(0, feature):.2f}".replace(".", ",") + " mm"
    assert bench.act(TAB, [read(1, coupon, feature, text)])[0]["outcome"] == "kept"
    assert values_of(case)[coupon.id, feature.id] == [typed(0, feature)]


def test_unknown_features_are_answered_not_written(case: Path) -> None:
    bench = bench_of(case)
    action = Action(seq=1, act="read", coupon="no such", feature="thing", text="10.00")
    assert bench.act(TAB, [action])[0]["outcome"] == "gone"
    assert not values_of(case)


def test_one_reading_is_taken_back_and_no_other(case: Path) -> None:
    bench = bench_of(case)
    coupon, feature = pairs_of(case)[0]
    first, second = f"{typed(0, feature):.2f}", f"{typed(0, feature) + 0.02:.2f}"
    bench.act(TAB, [read(1, coupon, feature, first), read(2, coupon, feature, second, before=1)])
    take = Action(seq=3, act="remove", coupon=coupon.id, feature=feature.id, text=first)
    assert bench.act(TAB, [take])[0]["outcome"] == "kept"
    assert values_of(case)[coupon.id, feature.id] == [float(second)]
    assert bench.act(TAB, [replace(take, seq=4)])[0]["outcome"] == "gone"
    # The row that was emptied is filled before a new one is added.
    bench.act(TAB, [read(5, coupon, feature, first, before=1)])
    assert sorted(values_of(case)[coupon.id, feature.id]) == sorted([float(first), float(second)])


def test_skipped_features_are_told_and_come_back_when_read(case: Path) -> None:
    bench = bench_of(case)
    coupon, feature = pairs_of(case)[2]
    bench.act(TAB, [Action(seq=1, act="skip", coupon=coupon.id, feature=feature.id, text="")])
    assert bench.state()["skipped"] == [2]
    assert bench_of(case).state()["skipped"] == [2]
    bench.act(TAB, [read(2, coupon, feature, f"{typed(2, feature)}")])
    assert bench.state()["skipped"] == []


def test_a_piece_of_known_size_is_a_reference_row(case: Path) -> None:
    bench = bench_of(case)
    piece = Action(seq=1, act="reference", coupon="reference", feature="outside:10,000", text="10,02")
    assert bench.act(TAB, [piece])[0]["outcome"] == "kept"
    assert values_of(case) == {("reference", "outside:10.000"): [10.02]}
    assert bench.state()["references"][0]["text"] == "10.02"
    far = replace(piece, seq=2, text="12.00")
    assert bench.act(TAB, [far])[0]["outcome"] == "refused"
    named = replace(piece, seq=3, feature="round:1")
    assert bench.act(TAB, [named])[0]["outcome"] == "refused"
    assert len(values_of(case)) == 1


def test_two_benches_and_the_terminal_lose_nothing_to_each_other(case: Path) -> None:
    pairs = pairs_of(case)
    benches = [bench_of(case), bench_of(case)]
    book = ReadingsBook(print_folder(case) / "readings.csv", manifest_of(case))
    problems: list[BaseException] = []

    def work(who: int) -> None:
        try:
            for i, (c, f) in enumerate(pairs):
                value = f"{typed(i, f) + 0.01 * who:.2f}"
                if who < 2:
                    benches[who].act(TAB, [read(i + 1, c, f, value)])
                else:
                    book.add(c.id, f.id, value)
        except BaseException as exc:  # told to the test's own thread
            problems.append(exc)

    threads = [threading.Thread(target=work, args=(who,)) for who in range(3)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    assert not problems
    found = values_of(case)
    for i, (c, f) in enumerate(pairs):
        expected = [round(typed(i, f) + 0.01 * who, 2) for who in range(3)]
        assert sorted(found[c.id, f.id]) == pytest.approx(sorted(expected))


def test_what_an_editor_writes_is_followed(case: Path) -> None:
    bench = bench_of(case)
    coupon, feature = pairs_of(case)[0]
    before = bench.state()
    path = print_folder(case) / "readings.csv"
    row = f"{coupon.id},{feature.id},,"
    assert row in path.read_text()
    path.write_text(path.read_text().replace(row, f"{coupon.id},{feature.id},{feature.nominal_mm},by hand"))
    after = bench.state()
    assert after["version"] != before["version"]
    assert after["readings"][0] == [{"text": f"{feature.nominal_mm:.2f}", "note": "by hand"}]
    path.write_text(path.read_text().replace(",by hand", ",by hand\nnonsense,row,12,"))
    broken = bench.state()
    assert "nonsense" in broken["problem"] and "line" in broken["problem"]
    # Good rows are still shown, and readings still go in.
    assert broken["readings"][0]
    second = pairs_of(case)[1]
    assert bench.act(TAB, [read(1, *second, f"{typed(1, second[1])}")])[0]["outcome"] == "kept"
    assert "nonsense,row,12," in path.read_text()


def test_a_full_disk_is_told_and_the_page_goes_on(case: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    bench = bench_of(case)
    coupon, feature = pairs_of(case)[0]

    with monkeypatch.context() as patch:
        patch.setattr("fitassay.coupons.files.os.fsync", full_disk)
        (result,) = bench.act(TAB, [read(1, coupon, feature, f"{typed(0, feature)}")])
    assert result["outcome"] == "refused" and "No space left" in result["note"]
    assert not values_of(case)
    (result,) = bench.act(TAB, [read(2, coupon, feature, f"{typed(0, feature)}")])
    assert result["outcome"] == "kept"


def test_coupons_made_anew_make_a_new_plan(case: Path) -> None:
    bench = bench_of(case)
    plan, state = bench.plan(), bench.state()
    assert state["plan"] == plan["id"]
    manifest = manifest_of(case)
    short = replace(manifest, coupons=manifest.coupons[:1])
    (print_folder(case) / "coupons.json").write_text(manifest_json(short))
    assert bench.state()["plan"] != plan["id"]
    assert bench.plan()["coupons"] == [manifest.coupons[0].id]
    (print_folder(case) / "coupons.json").write_text("{ broken")
    assert "coupons.json" in bench.state()["problem"]
    assert bench.plan()["coupons"] == [manifest.coupons[0].id]


UNTRUSTED = [
    "<script>window.broken = 1</script><img src=x onerror='window.broken = 1'>",
    "\u202edesrever \u2066",
    "x" * 10_000,
    "\N{GEAR}\N{RINGED PLANET}\ufe0f é",
    "line\nbreak\tand\x1b[31mred",
]


@pytest.mark.parametrize("text", UNTRUSTED)
def test_untrusted_text_stays_short_and_harmless(case: Path, text: str) -> None:
    manifest = manifest_of(case)
    first = manifest.coupons[0]
    features = (replace(first.features[0], instruction=text), *first.features[1:])
    changed = replace(manifest, coupons=(replace(first, features=features), *manifest.coupons[1:]))
    folder = print_folder(case)
    (folder / "coupons.json").write_text(manifest_json(changed))
    book = ReadingsBook(folder / "readings.csv", changed)
    book.add(first.id, first.features[0].id, first.features[0].nominal_mm, note=text)
    bench = bench_of(case)
    plan, state = bench.plan(), bench.state()
    for shown in (plan["features"][0]["instruction"], state["readings"][0][0]["note"]):
        assert 0 < len(shown) <= 400
        assert all(c.isprintable() for c in shown)
        assert not set(shown) & set("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
    json.dumps([plan, state], allow_nan=False)


@pytest.mark.parametrize("file", ["../../machine.toml", "/etc/hostname", "..", "missing.stl", "a/b.stl"])
def test_a_manifest_cannot_make_the_page_read_other_files(case: Path, file: str) -> None:
    coupon = replace(manifest_of(case).coupons[0], file=file)
    with pytest.raises(InputError):
        coupon_drawing(coupon, print_folder(case))


def test_drawings_hold_every_feature_with_its_contacts_on_the_outline(tmp_path: Path) -> None:
    import shapely

    case = make_case(
        tmp_path / "full",
        families=(
            "stepped-boss",
            "stepped-bore",
            "reversal-comb",
            "single-wall",
            "corner-plate",
            "height-stair",
        ),
    )
    for coupon in manifest_of(case).coupons:
        data = coupon_drawing(coupon, print_folder(case))
        assert set(data["features"]) == {f.id for f in coupon.features}
        for feature in coupon.features:
            at = data["features"][feature.id]
            view = data["views"][at["view"]]
            path = view["base"] if at["cut"] is None else view["cuts"][at["cut"]]
            rings = [
                shapely.LinearRing([tuple(map(float, p.split(","))) for p in part.rstrip("Z").split()])
                for part in path.split("M")[1:]
            ]
            for point in (at["a"], at["b"]):
                # 5 µm of simplification and the sagitta of a bore's polygon.
                assert min(r.distance(shapely.Point(point)) for r in rings) < 0.01
            distance = math.dist(at["a"], at["b"])
            assert distance == pytest.approx(feature.nominal_mm, abs=1e-3)
            x0, y0, x1, y1 = view["bounds"]
            assert x0 - 1e-6 <= min(at["a"][0], at["b"][0]) and max(at["a"][1], at["b"][1]) <= y1 + 1e-6
            assert at["round"] == feature.id.startswith("bore")


def test_the_verdict_forms_while_readings_come(case: Path) -> None:
    pairs = pairs_of(case)
    manifest = manifest_of(case)
    theta = np.zeros((1, len(TERMS)))
    theta[0, INDEX["backlash_y"]] = 0.3
    sizes = SetWalk.open(manifest, print_folder(case)).readings(theta)[0]
    with bench_of(case) as bench:
        assert bench.state()["verdict"]["state"] == "none"
        before = bench.state()["version"]
        actions = [read(i + 1, c, f, f"{sizes[i]:.2f}") for i, (c, f) in enumerate(pairs)]
        bench.act(TAB, actions)
        assert bench.state()["verdict"]["state"] == "thinking"
        verdict = settled(bench)
        assert bench.state()["version"] != before
        assert verdict["status"] == "dominant"
        assert verdict["telling"] is None and "Enough" in verdict["next"][0]
        assert any("backlash compensation of y" in step.lower() for step in verdict["advice"])
        accused = [r for r in verdict["rivals"] if r["accused"]]
        assert [r["label"] for r in accused] == ["backlash in y"]
        assert "Backlash in y" in verdict["text"]
        json.dumps(verdict, allow_nan=False)
        # With half of them there is a feature that would tell most, and it is one not yet read.
        half = actions[len(actions) // 2 :]
        bench.act(TAB, [replace(a, seq=500 + a.seq, act="remove") for a in half])
        telling = settled(bench)["telling"]
        assert (telling["coupon"], telling["feature"]) in {(a.coupon, a.feature) for a in half}
        # The button says what is next, and nothing beside it says something else.
        assert not any(line.startswith("Next:") for line in bench.state()["verdict"]["next"])
        # With all readings taken back there is nothing to be said any more.
        bench.act(
            TAB,
            [
                Action(seq=1000 + i, act="remove", coupon=c.id, feature=f.id, text=f"{sizes[i]:.2f}")
                for i, (c, f) in enumerate(pairs[: len(pairs) // 2])
            ],
        )
        assert settled(bench)["state"] == "none"


def test_a_missing_mesh_costs_the_verdict_and_the_drawing_only(case: Path) -> None:
    coupon, feature = pairs_of(case)[0]
    (print_folder(case) / coupon.file).unlink()
    with bench_of(case) as bench:
        assert coupon.file in bench.drawing(coupon.id)["missing"]
        assert "missing" in bench.drawing("no such coupon")
        bench.act(TAB, [read(1, coupon, feature, f"{typed(0, feature)}")])
        verdict = settled(bench)
        assert verdict["state"] == "unable" and coupon.file in verdict["text"]
    assert len(values_of(case)) == 1


def settled(bench: Bench) -> dict:
    """The verdict once it has been thought over."""
    waited = threading.Event()
    for _ in range(600):
        verdict = bench.state()["verdict"]
        if verdict["state"] != "thinking":
            return verdict
        waited.wait(PAUSE_S / 2)
    raise AssertionError("no verdict came")


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"\xff\xfe",
        b"[]",
        b"{}",
        b"[" * 100_000,
        b'{"tab": 1, "items": []}',
        b'{"tab": "0123456789abcdef01234567", "items": []}',
        b'{"tab": "0123456789abcdef01234567", "items": [1]}',
        b'{"tab": "0123456789abcdef01234567", "items": [{"seq": true, "act": "read"}]}',
        b'{"tab": "0123456789abcdef01234567", "items": [{"seq": 1.5, "act": "read"}]}',
        b'{"tab": "0123456789abcdef01234567", "items": [{"seq": -1, "act": "read"}]}',
        b'{"tab": "0123456789abcdef01234567", "items": [{"seq": NaN, "act": "read"}]}',
        b'{"tab": "0123456789abcdef01234567", "items": [{"seq": 1, "act": "format"}]}',
        b'{"tab": "0123456789abcdef01234567", "items": [{"seq": 1, "act": ["read"]}]}',
        b'{"tab": "0123456789abcdef01234567", "items": [{"seq": 1, "act": "read", "coupon": []}]}',
        b'{"tab": "0123456789abcdef01234567", "items": [{"seq": 1, "act": "read", "text": "\\ud800"}]}',
        b'{"tab": "0123456789abcdef01234567", "items": [{"seq": 1, "act": "read", "keep": 1}]}',
        b'{"tab": "../../../../etc/passwd", "items": [{"seq": 1, "act": "read"}]}',
    ],
)
def test_requests_that_no_page_makes_are_named(body: bytes) -> None:
    with pytest.raises(BadRequest):
        parse_actions(body)
