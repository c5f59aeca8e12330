"""What the checks against general-purpose libraries share: the program, and the scale card as a picture."""

import json
import pathlib
import subprocess

import cv2
import numpy as np
import pytest

ROOT = pathlib.Path(__file__).resolve().parents[2]
PROGRAM = ROOT / "target" / "release" / "rakelight"


def rakelight(*arguments, expect=0, **options):
    """Runs the program; gives its standard output, or its standard error where it is expected to fail."""
    done = subprocess.run([PROGRAM, *map(str, arguments)], capture_output=True, text=True, **options)
    assert done.returncode == expect, done.stderr
    return done.stdout if expect == 0 else done.stderr


def rakelight_json(*arguments):
    return json.loads(rakelight(*arguments, "--json"))


@pytest.fixture(scope="session")
def card():
    """The card as data."""
    return rakelight_json("card")


def paint_card(card, per_mm=16):
    """The card painted by OpenCV from its data alone, in linear light (0-1), and its pixels a millimetre."""
    outline = np.array(card["outline_mm"])
    width, height = outline.max(axis=0)
    picture = np.full((int(height * per_mm), int(width * per_mm)), np.nan, np.float32)
    cv2.fillPoly(picture, [np.round(outline * per_mm).astype(np.int32)], card["ground_grey"])
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    for marker in card["markers"]:
        corners = np.array(marker["corners_mm"])
        side = int(round((corners[1] - corners[0])[0] * per_mm))
        x, y = np.round(corners[0] * per_mm).astype(int)
        drawn = cv2.aruco.generateImageMarker(family, marker["id"], side)
        picture[y : y + side, x : x + side] = np.where(drawn > 127, 0.85, 0.04)
    return picture, per_mm


@pytest.fixture(scope="session")
def card_picture(card):
    return paint_card(card)


def photograph(card_picture, homography, size, seed, blur=0.8, noise=0.004):
    """The card on mud as a camera sees it whose plane-to-picture homography (mm to px) is given; 8-bit sRGB grey."""
    picture, per_mm = card_picture
    over = 2
    # Pixel centres are whole numbers: of the painted card's pixels and of the picture's.
    from_card = np.array([[1 / per_mm, 0, 0.5 / per_mm], [0, 1 / per_mm, 0.5 / per_mm], [0, 0, 1]])
    to_fine = np.array([[over, 0, (over - 1) / 2], [0, over, (over - 1) / 2], [0, 0, 1]])
    fine = tuple(over * s for s in size)
    # Averaged down first, so that the warp doesn't skip pixels of the painted card.
    warped = cv2.warpPerspective(
        picture, to_fine @ homography @ from_card, fine, flags=cv2.INTER_LINEAR, borderValue=float("nan")
    )
    rng = np.random.default_rng(seed)
    mud = cv2.GaussianBlur(rng.normal(0.15, 0.25, fine[::-1]).astype(np.float32), (0, 0), 2.5).clip(0.02, 0.4)
    light = np.where(np.isnan(warped), mud, warped)
    light = cv2.GaussianBlur(light, (0, 0), blur * over)
    light = cv2.resize(light, size, interpolation=cv2.INTER_AREA)
    light = (light + rng.normal(0, noise, light.shape)).clip(0, 1)
    encoded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.round(encoded * 255).astype(np.uint8)


def camera_homography(rng, focal_px, size, most_tilt_deg, height_mm, middle_mm):
    """A random camera that looks at a point of the plane, as a homography from millimetres to pixels."""
    tilt, turn, spin = np.radians(rng.uniform(0, most_tilt_deg)), rng.uniform(0, 2 * np.pi), rng.uniform(0, 2 * np.pi)
    axis = np.array([np.cos(turn), np.sin(turn), 0]) * tilt
    rotation = cv2.Rodrigues(axis)[0] @ cv2.Rodrigues(np.array([0.0, 0.0, spin]))[0]
    distance = height_mm / np.cos(tilt)
    shift = np.array([0, 0, distance]) - rotation @ np.array([*middle_mm, 0])
    intrinsic = np.array([[focal_px, 0, (size[0] - 1) / 2], [0, focal_px, (size[1] - 1) / 2], [0, 0, 1]])
    return intrinsic @ np.column_stack([rotation[:, 0], rotation[:, 1], shift]), np.degrees(tilt)
