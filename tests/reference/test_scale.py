"""The card is found and its plane is right: against OpenCV (PyPI opencv-python-headless), which paints, warps and detects."""

import cv2
import numpy as np
import piexif
import pytest
from PIL import Image

from conftest import camera_homography, photograph, rakelight, rakelight_json

SIZE = (2400, 1800)
FOCAL_PX = 2100.0
FOCAL_35_MM = round(FOCAL_PX * 43.27 / np.hypot(*SIZE))


def save(path, picture):
    exif = piexif.dump({"Exif": {piexif.ExifIFD.FocalLengthIn35mmFilm: FOCAL_35_MM}})
    Image.fromarray(picture).save(path, quality=92, exif=exif)


def distance_mm(homography, a, b):
    to_mm = np.linalg.inv(homography)
    points = np.array([[*a, 1], [*b, 1]]) @ to_mm.T
    points = points[:, :2] / points[:, 2:]
    return np.hypot(*(points[0] - points[1]))


@pytest.mark.parametrize("seed", range(10))
def test_ten_random_planes_are_those_of_opencv(tmp_path, card, card_picture, seed):
    rng = np.random.default_rng(seed)
    truth, tilt = camera_homography(rng, FOCAL_PX, SIZE, 20, rng.uniform(380, 520), (80, 100))
    picture = photograph(card_picture, truth, SIZE, seed)
    save(tmp_path / "plane.jpg", picture)
    a, b = (900.0, 700.0), (1500.0, 1100.0)
    measured = rakelight_json("measure", tmp_path / "plane.jpg", "--between", f"{a[0]},{a[1]},{b[0]},{b[1]}")

    # The truth that the picture was made by.
    true_mm = distance_mm(truth, a, b)
    distance = measured["distances"][0]
    assert abs(distance["length_mm"] / true_mm - 1) < 0.001
    assert measured["scale"]["tilt_deg"] == pytest.approx(tilt, abs=1.0)

    # OpenCV's own markers and homography from the same file agree within what its corners are worth.
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    corners, ids, _ = cv2.aruco.ArucoDetector(family, settings).detectMarkers(cv2.imread(str(tmp_path / "plane.jpg"), 0))
    known = {marker["id"]: marker["corners_mm"] for marker in card["markers"]}
    ours = dict(zip(known, np.array(measured["scale"]["corners_px"]).reshape(-1, 4, 2)))
    assert {int(i) for i in ids.ravel()} == set(known)
    for marker, found in zip(ids.ravel(), corners):
        # The same corner comes first, and lies where OpenCV sees it.
        assert np.abs(ours[int(marker)] - found[0]).max() < 2.5
    opencv, _ = cv2.findHomography(
        np.concatenate([known[int(i)] for i in ids.ravel()]), np.concatenate([c[0] for c in corners])
    )
    assert abs(distance["length_mm"] / distance_mm(opencv, a, b) - 1) < 0.004


def test_px_to_mm_gives_the_distances_that_are_stated(tmp_path, card_picture):
    truth, _ = camera_homography(np.random.default_rng(77), FOCAL_PX, SIZE, 15, 450, (80, 100))
    save(tmp_path / "plane.jpg", photograph(card_picture, truth, SIZE, 77))
    measured = rakelight_json("measure", tmp_path / "plane.jpg", "--between", "1000,600,1400,1200")
    to_mm = np.array(measured["px_to_mm"])
    # The matrix knows nothing of the lens, the stated distance does: they agree within what a lens that bends nothing leaves.
    by_matrix = distance_mm(np.linalg.inv(to_mm), (1000, 600), (1400, 1200))
    assert by_matrix == pytest.approx(measured["distances"][0]["length_mm"], rel=3e-4)
    assert by_matrix == pytest.approx(distance_mm(truth, (1000, 600), (1400, 1200)), rel=5e-4)


def test_orientation_is_applied_before_anything_is_measured(tmp_path, card_picture):
    truth, _ = camera_homography(np.random.default_rng(5), FOCAL_PX, SIZE, 10, 450, (80, 100))
    upright = photograph(card_picture, truth, SIZE, 5)
    save(tmp_path / "upright.jpg", upright)
    # EXIF 6: the stored picture must be turned clockwise by 90 degrees to stand upright.
    stored = np.rot90(upright, 1)
    exif = piexif.dump({"0th": {piexif.ImageIFD.Orientation: 6}, "Exif": {piexif.ExifIFD.FocalLengthIn35mmFilm: FOCAL_35_MM}})
    Image.fromarray(stored).save(tmp_path / "stored.jpg", quality=92, exif=exif)
    between = ("--between", "1000,600,1400,1200")
    one, other = (rakelight_json("measure", tmp_path / name, *between) for name in ("upright.jpg", "stored.jpg"))
    assert (other["photo"]["width_px"], other["photo"]["height_px"]) == SIZE
    assert other["distances"][0]["length_mm"] == pytest.approx(one["distances"][0]["length_mm"], rel=2e-4)


def test_a_picture_without_a_card_is_bad_input_and_says_what_to_do(tmp_path):
    mud = np.random.default_rng(1).integers(60, 90, SIZE[::-1], dtype=np.uint8)
    save(tmp_path / "mud.jpg", mud)
    said = rakelight("measure", tmp_path / "mud.jpg", expect=2)
    assert "mud.jpg" in said and "lay the card flat beside the print" in said


def test_the_printed_card_is_what_its_data_says(tmp_path, card):
    """OpenCV finds the markers of the printed sheet where `rakelight card --json` has them, at true size."""
    dpi = 300
    for paper, size_mm in (("a4", (210, 297)), ("letter", (215.9, 279.4))):
        rakelight("card", "--out", tmp_path / "card.png", "--paper", paper, "--dpi", dpi)
        with Image.open(tmp_path / "card.png") as sheet:
            assert sheet.info["dpi"] == pytest.approx((dpi, dpi), abs=0.1)
            assert np.array(sheet.size) / dpi * 25.4 == pytest.approx(size_mm, abs=0.1)
        family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
        found, ids, _ = cv2.aruco.ArucoDetector(family).detectMarkers(cv2.imread(str(tmp_path / "card.png"), 0))
        seen = {int(i): c[0] / dpi * 25.4 for i, c in zip(ids.ravel(), found)}
        known = {marker["id"]: np.array(marker["corners_mm"]) for marker in card["markers"]}
        assert seen.keys() == known.keys()
        shift = np.mean([seen[i] - known[i] for i in known], axis=(0, 1))
        for i in known:
            assert np.abs(seen[i] - known[i] - shift).max() < 0.1
