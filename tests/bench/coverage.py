"""Whether 95 % intervals hold the truth: many smaller pictures, one distance each. Nothing was tuned on these seeds."""

import json
import pathlib
import subprocess
import sys
import tempfile

import numpy as np

from scenes import KINDS, Scenes
from conftest import PROGRAM

count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
first_seed = int(sys.argv[2]) if len(sys.argv) > 2 else 70_000
# A card is printed within 0.2 mm of 100 (what is assumed where nobody measured it), or its check line is read within 0.02 mm.
MOST_MISPRINT, U_READING_MM = 0.002, 0.02
WAYS = {
    "marked to 0.5 px, card as it comes": (0.5, False),
    "marked to 0.5 px, check line read": (0.5, True),
    "marked to 0.02 px, card as it comes": (0.02, False),
    "marked to 0.02 px, check line read": (0.02, True),
}

scenes = Scenes(size=(1000, 750), over=3, most_blur_px=1.5, heights_mm=(250, 380))
folder = pathlib.Path(tempfile.mkdtemp())
kinds = [kind for kind in KINDS if kind != "steep"]
sigmas = {way: {kind: [] for kind in kinds} for way in WAYS}
lost = 0
for i in range(count):
    rng = np.random.default_rng(first_seed + i + 1_000_000)
    printed = 1 + rng.uniform(-MOST_MISPRINT, MOST_MISPRINT)
    kind = kinds[i % len(kinds)]
    picture, seen, _ = scenes.make(kind, first_seed + i, printed)
    (folder / "picture.jpg").write_bytes(picture)
    from_mm, turn = rng.uniform((50, 20), (110, 120)), rng.uniform(0, 2 * np.pi)
    true_mm = rng.uniform(30, 90)
    ends = np.concatenate([seen(from_mm), seen(from_mm + true_mm * np.array([np.cos(turn), np.sin(turn)]))])
    reading = 100 * printed + rng.normal(0, U_READING_MM)
    for way, (u_px, is_read) in WAYS.items():
        marks = ends + rng.normal(0, u_px, 4)
        read = ["--check-line-mm", str(reading), "--u-check-line-mm", str(U_READING_MM)] if is_read else []
        said = subprocess.run(
            [PROGRAM, "measure", folder / "picture.jpg", "--json", "--u-click-px", str(u_px), *read,
             "--between", ",".join(f"{v:.5f}" for v in marks)],
            capture_output=True, text=True,
        )
        if said.returncode:
            lost += 1
            continue
        measured = json.loads(said.stdout)["distances"][0]
        sigmas[way][kind].append((measured["length_mm"] - true_mm) / measured["u_length_mm"])

print(f"{count} pictures of {scenes.size[0]} × {scenes.size[1]}, seeds {first_seed}–{first_seed + count - 1}; {lost // len(WAYS)} not measured")
share = lambda s: 100 * np.mean(np.abs(s) < 1.96)  # noqa: E731
for way in WAYS:
    everything = np.concatenate([sigmas[way][kind] for kind in kinds])
    print(f"{way:38} {share(everything):5.1f} % within the 95 % interval; spread {np.std(everything):.2f} u, mean {np.mean(everything):+.2f} u")
    print("   " + ", ".join(f"{kind} {share(sigmas[way][kind]):.0f}" for kind in kinds))
