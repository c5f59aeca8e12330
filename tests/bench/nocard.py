"""False cards in pictures without one: mud, sand and snow with markers of other families and numbers, boards, text and stones."""

import pathlib
import subprocess
import sys
import tempfile
from collections import Counter

import cv2
import numpy as np

from scenes import develop
from conftest import PROGRAM

count = int(sys.argv[1]) if len(sys.argv) > 1 else 500
first_seed = int(sys.argv[2]) if len(sys.argv) > 2 else 80_000
SIZE = (1600, 1200)
OTHER_FAMILIES = [
    cv2.aruco.DICT_4X4_50, cv2.aruco.DICT_6X6_1000, cv2.aruco.DICT_ARUCO_ORIGINAL, cv2.aruco.DICT_APRILTAG_16h5,
    cv2.aruco.DICT_APRILTAG_25h9, cv2.aruco.DICT_APRILTAG_36h10, cv2.aruco.DICT_ARUCO_MIP_36h12,
]
OUR_IDS = range(520, 528)


def marker(rng, family, number):
    """A marker with its white edge."""
    side = int(rng.integers(80, 240))
    drawn = cv2.aruco.generateImageMarker(cv2.aruco.getPredefinedDictionary(family), number, side)
    return cv2.copyMakeBorder(drawn, side // 8, side // 8, side // 8, side // 8, cv2.BORDER_CONSTANT, value=255)


def decoy(rng):
    kind = rng.integers(0, 6)
    if kind < 2:
        family = OTHER_FAMILIES[rng.integers(len(OTHER_FAMILIES))]
        return marker(rng, family, int(rng.integers(0, 30)))
    if kind == 2:
        number = int(rng.choice([i for i in range(587) if i not in OUR_IDS]))
        return marker(rng, cv2.aruco.DICT_APRILTAG_36h11, number)
    if kind == 3:
        cell, n = int(rng.integers(10, 40)), int(rng.integers(5, 10))
        board = np.indices((n, n)).sum(axis=0) % 2 * 255
        return np.kron(board, np.ones((cell, cell))).astype(np.uint8)
    if kind == 4:
        page = np.full((300, 420), 255, np.uint8)
        for line in range(6):
            words = "".join(rng.choice(list("abcdefgh ijklmnop"), 22))
            cv2.putText(page, words, (10, 45 + 45 * line), cv2.FONT_HERSHEY_SIMPLEX, 1, 0, 3)
        return page
    # Squares of 8 × 8 cells at random, with a black border: what looks most like a marker and is none.
    cells = rng.integers(0, 2, (8, 8)) * 255
    cells[[0, -1], :] = cells[:, [0, -1]] = 0
    side = int(rng.integers(10, 30))
    return cv2.copyMakeBorder(np.kron(cells, np.ones((side, side))).astype(np.uint8), side, side, side, side, cv2.BORDER_CONSTANT, value=255)


def picture(seed):
    rng = np.random.default_rng(seed)
    ground = cv2.GaussianBlur(rng.normal(0.15, 0.25, SIZE[::-1]).astype(np.float32), (0, 0), rng.uniform(1, 5))
    light = ground * rng.uniform(0.5, 3) + rng.choice([0.1, 0.3, 0.75])
    for _ in range(rng.integers(0, 40)):
        middle = tuple(int(v) for v in rng.integers(0, SIZE))
        axes = tuple(int(v) for v in rng.integers(5, 60, 2))
        cv2.ellipse(light, middle, axes, float(rng.uniform(0, 180)), 0, 360, float(rng.uniform(0.01, 0.8)), -1)
    for _ in range(rng.integers(1, 7)):
        drawn = decoy(rng)
        h, w = drawn.shape
        corners = np.float32([[0, 0], [w, 0], [w, h], [0, h]])
        spin, at = rng.uniform(0, 2 * np.pi), rng.uniform((0, 0), SIZE)
        turn = np.array([[np.cos(spin), -np.sin(spin)], [np.sin(spin), np.cos(spin)]])
        placed = (corners - [w / 2, h / 2]) @ turn.T * rng.uniform(0.6, 1.4) + at + rng.normal(0, 0.06 * w, (4, 2))
        homography = cv2.getPerspectiveTransform(corners, placed.astype(np.float32))
        mask = cv2.warpPerspective(np.ones_like(drawn), homography, SIZE)
        painted = cv2.warpPerspective(np.where(drawn > 127, 0.85, 0.04).astype(np.float32), homography, SIZE)
        light = np.where(mask > 0, painted, light)
    light = cv2.GaussianBlur(light.astype(np.float32), (0, 0), rng.uniform(0.5, 3))
    return develop((light + rng.normal(0, 0.004, light.shape)).clip(0, 1), "plain")


folder = pathlib.Path(tempfile.mkdtemp())
said = Counter()
for seed in range(first_seed, first_seed + count):
    cv2.imwrite(str(folder / "picture.jpg"), picture(seed), [cv2.IMWRITE_JPEG_QUALITY, 88])
    done = subprocess.run([PROGRAM, "measure", folder / "picture.jpg", "--json"], capture_output=True, text=True)
    if done.returncode == 0:
        said["a card"] += 1
        print(f"seed {seed}: a false card")
    else:
        said[done.stderr.split("picture.jpg: ")[-1].split(":")[0].strip()] += 1
print(f"{count} pictures of {SIZE[0]} × {SIZE[1]} without a card, seeds {first_seed}–{first_seed + count - 1}: {said['a card']} false cards")
for words, n in said.most_common():
    print(f"   {n:4} {words}")
