"""See `tests/bench/preview`."""

import json
import pathlib
import subprocess
import sys
import tempfile

import cv2
import numpy as np

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "reference"))
from conftest import PROGRAM, camera_homography, paint_card, photograph, rakelight_json  # noqa: E402

COUNT = int(sys.argv[1]) if len(sys.argv) > 1 else 6
PHOTO, PREVIEW = (4000, 3000), (1280, 960)


def scene(card, kind, size, seed):
    rng = np.random.default_rng(seed)
    focal_px = 26 / 43.27 * np.hypot(*size)
    homography, _ = camera_homography(rng, focal_px, size, 15, rng.uniform(400, 500), (76, 100))
    picture = photograph(card, homography if kind != "none" else homography @ np.diag([1e-6, 1e-6, 1]), size, seed)
    if kind == "half":
        picture[:, : size[0] // 2] = 90
    return picture


def main():
    card = paint_card(rakelight_json("card"))
    print("seeds", 9000, "to", 9000 + COUNT - 1)
    with tempfile.TemporaryDirectory() as folder:
        for kind in ["whole", "half", "none"]:
            times = []
            for seed in range(9000, 9000 + COUNT):
                files = [f"{folder}/{kind}{seed}.{ending}" for ending in ("png", "jpg")]
                for file, size in zip(files, (PREVIEW, PHOTO)):
                    cv2.imwrite(file, scene(card, kind, size, seed))
                done = subprocess.run([PROGRAM.with_name("preview"), "4000", *files], capture_output=True, text=True, check=True)
                small, large = map(json.loads, done.stdout.splitlines())
                times.append((small["card_ms"], small["code_ms"], large["photo_ms"]))
            card_ms, code_ms, photo_ms = np.median(times, axis=0)
            print(
                f"{kind:5}: card {card_ms:6.1f} ms, code {code_ms:6.1f} ms, photograph {photo_ms:6.1f} ms (medians);"
                f" card/photograph {card_ms / photo_ms:.2f}, code/photograph {code_ms / photo_ms:.2f}"
            )


main()
