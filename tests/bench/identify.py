"""Time of an identification of ten prints against all track makers, without the band and whole with it, beside scikit-learn's
predict_proba of the same finding: Gaussian naive Bayes with as many classes, one finding a call."""

import json
import subprocess
import time

import numpy as np
from sklearn.naive_bayes import GaussianNB

from conftest import ROOT

MANY = ROOT / "target" / "release" / "identify-many"
FINDINGS, PRINTS, MAKERS = 20, 10, 34
rng = np.random.default_rng(90_000)
SIZES = {"width_mm": (58, 4), "length_without_heel_mm": (56, 4), "length_with_heel_mm": (80, 5)}


def print_of(foot):
    """An otter's print, more or less."""
    sizes = {key: round(rng.normal(*size), 1) for key, size in SIZES.items()}
    seen = {key: str(rng.choice(["seen", "absent"])) for key in ("claws", "webbing")} | {"heel_pad": "seen"}
    return {"foot": foot, "toes_seen": int(rng.integers(4, 6)), "arrangement": "arc", **seen, **sizes, **{f"u_{k}": 1.5 for k in sizes}}


def numbers(finding):
    """The same for scikit-learn: means over the prints."""
    rows = [[p[k] for k in SIZES] + [p["toes_seen"]] + [p[k] == "seen" for k in ("claws", "webbing", "heel_pad")] for p in finding["prints"]]
    return np.mean(rows, axis=0)[None]


def microseconds(bayes, row):
    start = time.perf_counter()
    bayes.predict_proba(row)
    return 1e6 * (time.perf_counter() - start)


bayes = GaussianNB().fit(rng.normal(size=(10_000, 7)), rng.integers(0, MAKERS, 10_000))
print(f"{FINDINGS} findings of {PRINTS} prints, seed 90000, best of 5 each, medians")
for feet in ("hind", "unknown"):
    findings = [{"substrate": "firm_mud", "prints": [print_of(feet) for _ in range(PRINTS)]} for _ in range(FINDINGS)]
    lines = "\n".join(map(json.dumps, findings)) + "\n"
    said = subprocess.run([MANY, "clock"], input=lines, capture_output=True, text=True, check=True).stdout
    plain, whole = np.median([list(map(float, line.split())) for line in said.splitlines()], axis=0)
    theirs = np.median([min(microseconds(bayes, numbers(finding)) for _ in range(5)) for finding in findings])
    print(f"feet {feet:8} without the band {plain:6.1f} µs (at most 200)   whole, with the band {whole / 1e3:5.1f} ms (at most 50)   "
          f"scikit-learn {theirs:6.1f} µs   ratio without the band {plain / theirs:.2f}")
