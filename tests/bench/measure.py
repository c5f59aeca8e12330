"""How often the card is found and how true distances in its plane are. Nothing was tuned on these seeds."""

import json
import pathlib
import subprocess
import sys
import tempfile

import numpy as np

from scenes import KINDS, Scenes
from conftest import PROGRAM

count = int(sys.argv[1]) if len(sys.argv) > 1 else 12
first_seed = int(sys.argv[2]) if len(sys.argv) > 2 else 50_000
FROM_MM, TO_MM = (90, 40), (130, 120)
TRUE_MM = np.hypot(40, 80)

scenes = Scenes()
folder = pathlib.Path(tempfile.mkdtemp())
print(f"{count} pictures of {scenes.size[0]} × {scenes.size[1]} a kind, seeds from {first_seed}; distance of {TRUE_MM:.1f} mm beside the card")
print(f"{'kind':12} {'found':>9} {'whole':>6} {'median %':>9} {'p95 %':>8} {'max %':>8} {'in 95 %':>8} {'odd':>4}")
everything = []
for number, kind in enumerate(KINDS):
    errors, inside, whole, odd = [], 0, 0, 0
    for seed in range(first_seed + 1000 * number, first_seed + 1000 * number + count):
        picture, seen, _ = scenes.make(kind, seed)
        (folder / "picture.jpg").write_bytes(picture)
        # The ends are marked as well as a careful hand does, with a known spread.
        click = np.random.default_rng(seed).normal(0, 0.3, 4)
        ends = np.concatenate([seen(FROM_MM), seen(TO_MM)])
        between = lambda points: ",".join(f"{v:.4f}" for v in points)
        said = subprocess.run(
            [PROGRAM, "measure", folder / "picture.jpg", "--json", "--u-click-px", "0.3",
             "--between", between(ends), "--between", between(ends + click)],
            capture_output=True, text=True,
        )
        if said.returncode:
            continue
        measured = json.loads(said.stdout)
        exact, clicked = measured["distances"]
        errors.append(abs(exact["length_mm"] / TRUE_MM - 1) * 100)
        inside += abs(clicked["length_mm"] - TRUE_MM) < 1.96 * clicked["u_length_mm"]
        whole += len(measured["scale"]["corners_px"]) == 20
        odd += any("picture of a picture" in warning for warning in measured["warnings"])
    everything += errors if kind != "covered" else []
    if errors:
        print(f"{kind:12} {len(errors):>4}/{count:<4} {whole:>6} {np.median(errors):>9.4f} {np.percentile(errors, 95):>8.4f} {max(errors):>8.4f} {100 * inside / len(errors):>7.0f}% {odd:>4}", flush=True)
    else:
        print(f"{kind:12}    0/{count}", flush=True)
print(f"all but 'covered': median {np.median(everything):.4f} %, 95th percentile {np.percentile(everything, 95):.4f} %, of {len(everything)}")

# Digital zoom that the EXIF doesn't tell of: the stated focal length is too short by the factor.
for factor in (1.5, 2.0):
    zoomed = Scenes()
    for low, high in ((0, 10), (10, 40)):
        warned = made = 0
        seed = first_seed + 50_000
        while made < count and seed < first_seed + 50_000 + 20 * count:
            seed += 1
            zoomed.stated_focal_px = zoomed.focal_px / factor
            rng = np.random.default_rng(seed)
            if not low <= zoomed._camera(rng, "plain")[1] < high:
                continue
            (folder / "picture.jpg").write_bytes(zoomed.make("plain", seed)[0])
            said = subprocess.run([PROGRAM, "measure", folder / "picture.jpg", "--json"], capture_output=True, text=True)
            made += 1
            warned += "picture of a picture" in said.stdout
        print(f"untold digital zoom of {factor}, tilt {low}-{high}°: warned of in {warned} of {made}")
