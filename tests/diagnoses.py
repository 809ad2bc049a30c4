"""Diagnoses made by hand, so that the faces can be tested apart from the estimator."""

from __future__ import annotations

import numpy as np

from fitassay.analysis.normal import Normal
from fitassay.analysis.notes import Note
from fitassay.analysis.result import (
    Advice,
    Confounded,
    Diagnosis,
    NextPrint,
    ReadingFit,
    Status,
    Suspect,
    TermEstimate,
    Verdict,
)
from fitassay.analysis.terms import INDEX, TERMS

FEATURES = (
    "boss 14, outside in x",
    "boss 14, outside in y",
    "window 10, inside in x",
    "window 10, inside in y",
    "bore 8, inside in x",
    "bore 8, inside in y",
    "stair, height 12",
)

# What a straight-flanked size gains per unit of each term, by the closed forms: kind, axis, nominal.
_SHAPES = (
    ("outside", 0, 14.0),
    ("outside", 1, 14.0),
    ("inside", 0, 10.0),
    ("inside", 1, 10.0),
    ("bore", 0, 8.0),
    ("bore", 1, 8.0),
    ("height", 2, 12.0),
)


def gains() -> np.ndarray:
    """Closed-form gains of the reference features, ndarray (features, terms)."""
    a = np.zeros((len(_SHAPES), len(TERMS)))
    for row, (kind, axis, nominal) in enumerate(_SHAPES):
        a[row, INDEX[f"scale_{'xyz'[axis]}"]] = nominal
        if kind == "height":
            a[row, INDEX["layer_datum"]] = 1.0
            continue
        a[row, INDEX[f"backlash_{'xy'[axis]}"]] = -1.0
        side = 1.0 if kind == "outside" else -1.0
        a[row, INDEX["bead_excess"]] = side
        a[row, INDEX["contour_offset"]] = 2 * side
        if kind == "bore":
            a[row, INDEX["bore_closure"]] = -3.0 / nominal
    return a


def make(
    status: Status = "dominant",
    *,
    text: str = "",
    note: str = "",
    coupon: str = "boss",
    suspects: bool = True,
    seed: int = 5,
) -> Diagnosis:
    """A diagnosis of a printer with 0.24 mm of backlash in y and a path 0.04 mm outside its place."""
    rng = np.random.default_rng(seed)
    mean = np.zeros(len(TERMS))
    truth = {
        "backlash_y": 0.24, "contour_offset": 0.04, "bead_excess": 0.03, "scale_x": 0.0011, "backlash_x": 0.012,
        "scale_y": -0.0004, "scale_z": 0.0003, "skew_xy": 0.0021, "bore_closure": 0.11, "layer_datum": 0.06,
        "first_layer_flare": 0.05, "outside_bias": 0.004, "inside_bias": -0.01, "corner_form": 0.05,
    }  # fmt: skip
    for name, value in truth.items():
        mean[INDEX[name]] = value
    prior = np.array([t.prior_sd or 0.012 for t in TERMS])
    sd = prior * 0.06
    sd[INDEX["first_layer_flare"]] = prior[INDEX["first_layer_flare"]] * 0.95
    correlation = np.eye(len(TERMS))
    i, j = INDEX["bead_excess"], INDEX["contour_offset"]
    correlation[i, j] = correlation[j, i] = -0.93
    covariance = correlation * np.outer(sd, sd)
    a = gains()
    contributions = a * mean
    squared = (contributions**2).sum(axis=0)
    squared[[k for k, t in enumerate(TERMS) if t.kind != "printer"]] = 0.0
    shares = {
        t.name: float(s / squared.sum()) for t, s in zip(TERMS, squared, strict=True) if t.kind == "printer"
    }
    words = {
        "dominant": "Backlash in y spoils the fit: the axis loses 0.240 ± 0.017 mm whenever it turns round.",
        "leading": "Backlash in y probably spoils the fit most.",
        "undetermined": "These readings cannot say whether bead width or path offset spoils the fit.",
        "within-noise": "No error is larger than what this caliper can see.",
        "sum-known": "Bead width or uneven layers: together +0.120 ± 0.050 mm (k = 2).",
        "unexplained": "The readings do not fit the model; look at the ones named below before changing anything.",
    }
    fits = []
    ideal = np.array([s[2] for s in _SHAPES])
    predicted = ideal + contributions.sum(axis=1)
    for label, shape, base, value in zip(FEATURES, _SHAPES, ideal, predicted, strict=True):
        residual = rng.normal(0.0, 0.012)
        fits.append(
            ReadingFit(
                coupon=coupon, feature=label.partition(",")[0].replace(" ", "") + "-" + label[-1],
                kind="inside" if shape[0] == "bore" else shape[0], direction_deg=90.0 * (shape[1] % 2),
                reading_mm=float(value + residual), std_uncertainty_mm=0.012, nominal_mm=float(base),
                ideal_mm=float(base), predicted_mm=float(value), repeats=3, z_score=residual / 0.012,
            )
        )  # fmt: skip
    suspect = ()
    if suspects:
        fits.append(
            ReadingFit(
                coupon=coupon, feature="step20-y", kind="outside", direction_deg=90.0, reading_mm=2.04,
                std_uncertainty_mm=0.02, nominal_mm=20.0, ideal_mm=20.0, predicted_mm=20.07, repeats=1,
                z_score=-700.0, suspect=True,
            )
        )  # fmt: skip
        suspect = (
            Suspect(
                coupon=coupon, feature="step20-y", reading_mm=2.04, expected_mm=20.07, likely_mm=20.4,
                reason="the decimal point seems to have slipped one place",
            ),
        )  # fmt: skip
    accused = "backlash_y" if status in ("dominant", "leading") else ""
    return Diagnosis(
        terms=tuple(
            TermEstimate(
                name=t.name, label=t.label, unit=t.unit, estimate=float(m), std_uncertainty=float(s),
                informed=float(1 - s / p), prior_sd=float(p), kind=t.kind,
            )
            for t, m, s, p in zip(TERMS, mean, sd, prior, strict=True)
        ),
        posterior=Normal(mean=mean, cov=covariance),
        verdict=Verdict(
            status=status, term=accused, probability=0.983 if accused else 0.52, text=text or words[status],
            contenders=() if accused else ("bead_excess", "contour_offset"),
        ),
        shares=shares,
        probabilities={n: (0.983 if n == "backlash_y" else 0.017 / 10) for n in shares},
        reference_features=FEATURES,
        contributions_mm=contributions,
        contributions_u_mm=np.abs(a) * sd,
        fits=tuple(fits),
        confounded=(
            Confounded(
                terms=("bead_excess", "contour_offset"),
                alike=Note("confounded", {"terms": ("bead_excess", "contour_offset")}),
                combination={"bead_excess": 1.0, "contour_offset": 2.0}, value=0.11, std_uncertainty=0.011,
                unit="mm", remedy=Note(
                    "confounded-one-setting",
                    {
                        "setting": "settings.contour_mm", "now": 0.0, "new": -0.055, "u_new": 0.0055,
                        "wall_open": True, "length_open": False,
                    },
                ),
            ),
        ),
        suspects=suspect,
        advice=(
            Advice(
                setting="settings.backlash_y_mm", from_value=0.0, to_value=0.24, std_uncertainty=0.0085, unit="mm",
                why="the y axis turns round late", term="backlash_y",
            ),
            Advice(
                setting="settings.contour_mm", from_value=0.0, to_value=-0.04, std_uncertainty=0.005, unit="mm",
                why="the path stands outside its place", term="contour_offset",
            ),
            Advice(
                setting="tighten the y belt", from_value=None, to_value=None, std_uncertainty=0.0, unit="",
                why="mechanics first", term="backlash_y",
            ),
        ),
        next=(
            NextPrint(
                coupon="wall", feature="", gain=0.74, minutes=6.0,
                text="Print and measure the single wall: it sees the bead alone.",
            ),
        ),
        chi2=9.31, dof=8, p_value=0.317,
        expected_misfit_before_mm=0.2313, expected_misfit_after_mm=0.0274,
        notes=(
            Note("not-measured", {"terms": ["first_layer_flare"]}),
            Note("file-path", {"file": note or "orrery-base.txt"}),
        ),
        extra={
            "together": (
                {"terms": ["bead_excess", "uneven_layers"], "estimate": 0.12, "std_uncertainty": 0.025, "unit": "mm"},
                {"terms": ["contour_offset", "push_out"], "estimate": 0.0, "std_uncertainty": 0.012, "unit": "mm"},
            )
        },
    )  # fmt: skip
