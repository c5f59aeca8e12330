"""The camera's preview: the live check of the scale card against cameras that OpenCV projects, and QR codes against OpenCV and zxing."""

import json
import subprocess

import cv2
import numpy as np
import pytest
import zxingcpp

from conftest import PROGRAM, camera_homography, photograph

SIZE = (1280, 960)
PHOTO_WIDTH = 4000
# 26 mm by the 35 mm equivalent, a phone's usual main camera.
FOCAL_PX = 26 / 43.27 * np.hypot(*SIZE)
MIDDLE_MM = (76, 100)


def look(tmp_path, pictures):
    files = [tmp_path / f"{i}.png" for i in range(len(pictures))]
    for file, picture in zip(files, pictures):
        cv2.imwrite(str(file), picture)
    done = subprocess.run([PROGRAM.with_name("preview"), str(PHOTO_WIDTH), *files], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return [json.loads(line) for line in done.stdout.splitlines()]


def px_per_mm(homography, mm):
    """How many pixels a millimetre is at a place of the plane, by differences."""
    around = np.array([[mm, np.add(mm, (0.1, 0)), np.add(mm, (0, 0.1))]], np.float64)
    at, right, down = cv2.perspectiveTransform(around, homography)[0]
    return np.sqrt(abs(np.linalg.det(np.array([right - at, down - at])))) / 0.1


def tilted(deg, height_mm, spin_deg=20):
    """A camera that is tilted by just so much."""
    rotation = cv2.Rodrigues(np.array([np.radians(deg), 0, 0]))[0] @ cv2.Rodrigues(np.array([0, 0, np.radians(spin_deg)]))[0]
    shift = np.array([0, 0, height_mm / np.cos(np.radians(deg))]) - rotation @ np.array([*MIDDLE_MM, 0])
    intrinsic = np.array([[FOCAL_PX, 0, (SIZE[0] - 1) / 2], [0, FOCAL_PX, (SIZE[1] - 1) / 2], [0, 0, 1]])
    return intrinsic @ np.column_stack([rotation[:, 0], rotation[:, 1], shift])


def test_scale_tilt_and_outline_are_those_of_the_camera(tmp_path, card, card_picture):
    rng = np.random.default_rng(4100)
    cameras = [camera_homography(rng, FOCAL_PX, SIZE, 30, rng.uniform(380, 520), MIDDLE_MM) for _ in range(24)]
    seen = look(tmp_path, [photograph(card_picture, h, SIZE, seed, blur=0.6) for seed, (h, _) in enumerate(cameras)])
    for answer, (homography, tilt_deg) in zip(seen, cameras):
        truth = px_per_mm(homography, MIDDLE_MM) * PHOTO_WIDTH / SIZE[0]
        assert answer["px_per_mm_in_photo"] == pytest.approx(truth, rel=0.01)
        assert answer["tilt_deg"] == pytest.approx(tilt_deg, abs=1.5)
        outline = cv2.perspectiveTransform(np.array([card["outline_mm"]], np.float64), homography)[0]
        assert np.abs(np.array(answer["outline_px"]) - outline).max() < 2


def test_edges_are_as_wide_as_the_blur_makes_them(tmp_path, card_picture):
    # A Gaussian of σ, a pixel's area (variance 1/12) and reading between pixels (1/6): 10 to 90 % are 2 · 1.2816 of the whole deviation.
    sigmas = [0.4, 0.7, 1.0, 1.3]
    seen = look(tmp_path, [photograph(card_picture, tilted(3, 420), SIZE, 7, blur=sigma) for sigma in sigmas])
    for sigma, answer in zip(sigmas, seen):
        assert answer["edge_width_px"] == pytest.approx(2.5631 * np.sqrt(sigma**2 + 0.25), rel=0.1), sigma
    assert [answer["sharp"] for answer in seen] == [True, True, True, False]


def test_the_word_is_what_the_scene_asks_for(tmp_path, card_picture):
    def scene(deg=3, height_mm=420, blur=0.6):
        return photograph(card_picture, tilted(deg, height_mm), SIZE, 11, blur=blur)

    half, moved, mud = scene(), scene(), np.full(SIZE[::-1], 90, np.uint8)
    half[:, : SIZE[0] // 2] = 90
    moved = cv2.blur(moved, (9, 1))
    pictures = {"Good": scene(), "TooFar": scene(height_mm=800), "Blurred": scene(blur=1.6), "TooSteep": scene(deg=28)}
    pictures |= {"PartOfCard": half, "NoCard": mud}
    assert [answer["word"] for answer in look(tmp_path, list(pictures.values()))] == list(pictures)
    assert look(tmp_path, [moved])[0]["word"] == "Blurred"


TEXT = f"rakelight:join?address=https://192.168.178.34:8443&certificate={'a7' * 32}&code=7KQ2-M4XW-9RTD"


def qr_scene(code, rng):
    """The code on a screen as a phone sees it: from 3 to 8 px a module, turned, up to 35° aslant, soft and noisy."""
    side_px = rng.uniform(3, 8) * code.shape[0]
    homography, _ = camera_homography(rng, FOCAL_PX, SIZE, 35, FOCAL_PX, (side_px / 2, side_px / 2))
    picture = code.astype(np.float32) * 0.7 + 30
    scale = side_px / code.shape[0]
    from_code = np.array([[scale, 0, scale / 2], [0, scale, scale / 2], [0, 0, 1]])
    fine = np.diag([3.0, 3.0, 1.0])
    over = tuple(3 * s for s in SIZE)
    warped = cv2.warpPerspective(picture, fine @ homography @ from_code, over, flags=cv2.INTER_NEAREST, borderValue=120)
    small = cv2.GaussianBlur(cv2.resize(warped, SIZE, interpolation=cv2.INTER_AREA), (0, 0), 0.6)
    return (small + rng.normal(0, 6, small.shape)).clip(0, 255).astype(np.uint8)


def test_codes_are_read_about_as_often_as_zxing_reads_them_and_never_wrongly(tmp_path):
    rng = np.random.default_rng(4200)
    code = cv2.copyMakeBorder(cv2.QRCodeEncoder.create().encode(TEXT), 4, 4, 4, 4, cv2.BORDER_CONSTANT, value=255)
    scenes = [qr_scene(code, rng) for _ in range(40)]
    ours = [answer["code"] for answer in look(tmp_path, scenes)]
    assert set(ours) <= {TEXT, None}
    zxing = [zxingcpp.read_barcodes(scene, formats=zxingcpp.BarcodeFormat.QRCode) for scene in scenes]
    theirs = sum(any(found.text == TEXT for found in found_) for found_ in zxing)
    print("read:", sum(text == TEXT for text in ours), "by zxing:", theirs, "of", len(scenes))
    assert theirs >= 30 and sum(text == TEXT for text in ours) >= 0.9 * theirs
