"""The card is found and its plane is right: against OpenCV (PyPI opencv-python-headless), which paints, warps and detects."""

import json

import cv2
import numpy as np
import piexif
import pytest
from PIL import Image
from PIL.TiffImagePlugin import IFDRational
from statsmodels.stats.meta_analysis import combine_effects

from conftest import camera_homography, paint_card, photograph, rakelight, rakelight_json

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


def painted_together(standard, small, size_of_second):
    """The standard card and the small one 190 mm to its right, painted; the second one printed too large by this factor."""
    (first, per_mm), (second, _) = standard, paint_card(small)
    second = cv2.resize(second, None, fx=size_of_second, fy=size_of_second, interpolation=cv2.INTER_AREA)
    both = np.full((first.shape[0], int(290 * per_mm)), np.nan, np.float32)
    both[:, : first.shape[1]] = first
    left = int(190 * per_mm)
    both[: second.shape[0], left : left + second.shape[1]] = second
    return both, per_mm


def test_the_small_card_gives_true_lengths_too(tmp_path):
    small = paint_card(rakelight_json("card", "--size", "small"))
    for seed in range(5):
        rng = np.random.default_rng(seed)
        truth, _ = camera_homography(rng, FOCAL_PX, SIZE, 20, rng.uniform(260, 350), (43, 60))
        save(tmp_path / "small.jpg", photograph(small, truth, SIZE, seed))
        ends = np.concatenate([cv2.perspectiveTransform(np.float32([[p]]), truth)[0, 0] for p in ((34, 20), (70, 80))])
        measured = rakelight_json("measure", tmp_path / "small.jpg", "--between", ",".join(map(str, ends)))
        assert measured["scale"]["card"] == "small"
        assert measured["distances"][0]["length_mm"] == pytest.approx(np.hypot(36, 60), rel=1.5e-3)


def test_two_cards_in_one_picture_must_agree(tmp_path, card_picture):
    small = rakelight_json("card", "--size", "small")
    truth, _ = camera_homography(np.random.default_rng(3), FOCAL_PX, SIZE, 10, 460, (140, 100))
    for factor in (1.0, 1.03):
        save(tmp_path / "two.jpg", photograph(painted_together(card_picture, small, factor), truth, SIZE, 3))
        if factor == 1.0:
            assert rakelight_json("measure", tmp_path / "two.jpg")["scale"]["card"] == "standard"
        else:
            said = rakelight("measure", tmp_path / "two.jpg", expect=2)
            assert "disagree by 3.0 %" in said or "disagree by 2.9 %" in said
            assert "check both check lines" in said


def test_a_check_line_corrects_a_card_printed_at_another_size(tmp_path, card_picture):
    truth, _ = camera_homography(np.random.default_rng(8), FOCAL_PX, SIZE, 10, 450, (80, 100))
    save(tmp_path / "card.jpg", photograph(card_picture, truth, SIZE, 8))
    between = ("--between", "1000,600,1400,1200", "--u-click-px", "0.01")
    as_it_comes = rakelight_json("measure", tmp_path / "card.jpg", *between)["distances"][0]
    read = ("--check-line-mm", 96.5, "--u-check-line-mm", 0.05)
    corrected = rakelight_json("measure", tmp_path / "card.jpg", *between, *read)["distances"][0]
    assert corrected["length_mm"] == pytest.approx(0.965 * as_it_comes["length_mm"], rel=1e-6)
    assert corrected["u_length_mm"] < as_it_comes["u_length_mm"]
    said = rakelight("measure", tmp_path / "card.jpg", "--check-line-mm", 9.65, expect=2)
    assert "check line" in said and "millimetres" in said


def test_a_picture_of_a_picture_is_told(tmp_path, card_picture):
    """A tilted picture photographed at a tilt again: no camera of the stated focal length shows a card like that."""
    first, _ = camera_homography(np.random.default_rng(2), FOCAL_PX, SIZE, 12, 460, (80, 100))
    centre = (np.array(SIZE) - 1) / 2
    lean = cv2.Rodrigues(np.radians([0.0, 28.0, 0.0]))[0]
    camera = np.array([[FOCAL_PX, 0, centre[0]], [0, FOCAL_PX, centre[1]], [0, 0, 1]])
    # The first picture as a plane 1.15 focal lengths before a second camera that leans by 28 degrees.
    plane = np.column_stack([lean[:, 0] / FOCAL_PX, lean[:, 1] / FOCAL_PX, [0, 0, 1.15]])
    again = camera @ plane @ np.array([[1, 0, -centre[0]], [0, 1, -centre[1]], [0, 0, 1]])
    for homography, is_odd in ((first, False), (again @ first, True)):
        save(tmp_path / "picture.jpg", photograph(card_picture, homography, SIZE, 2))
        warnings = rakelight_json("measure", tmp_path / "picture.jpg")["warnings"]
        assert any("picture of a picture" in warning for warning in warnings) == is_odd, warnings


@pytest.mark.parametrize("zoom", [1.0, 1.5, 2.0])
def test_a_zoom_that_the_camera_does_not_tell_of_is_told(tmp_path, card_picture, zoom):
    homography, tilt_deg = camera_homography(np.random.default_rng(8), FOCAL_PX * zoom, SIZE, 40, 460 * zoom, (80, 100))
    assert tilt_deg > 10, "looked at from straight above, no focal length shows"
    save(tmp_path / "zoomed.jpg", photograph(card_picture, homography, SIZE, 3))
    warnings = rakelight_json("measure", tmp_path / "zoomed.jpg")["warnings"]
    told = [warning for warning in warnings if "times the focal length" in warning]
    assert [float(w.split("shows ")[1].split(" times")[0]) for w in told] == pytest.approx([zoom] if zoom > 1 else [], rel=0.05)


@pytest.mark.parametrize("deg, short", [(5, 0.0038), (10, 0.0152), (15, 0.0341), (20, 0.0603)])
def test_a_ruler_allows_for_the_tilt_that_gravity_shows(tmp_path, deg, short):
    """1 − cos of the tilt, as a rectangle; half a division over a decimetre for the ruler itself."""
    save(tmp_path / "mud.jpg", np.random.default_rng(1).integers(60, 90, SIZE[::-1], dtype=np.uint8))
    # The camera may have written it itself (CameraElevationAngle, straight down is -90).
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0x9405] = IFDRational(-900 + 10 * deg, 10)
    with Image.open(tmp_path / "mud.jpg") as picture:
        picture.save(tmp_path / "stated.jpg", exif=exif)
    for file, typed in (("mud.jpg", ("--camera-tilt-deg", deg)), ("stated.jpg", ())):
        ruler = ("--scale", "ruler:100,100,1300,100,100", "--u-click-px", 1e-6, *typed)
        measured = rakelight_json("measure", tmp_path / file, *ruler, "--between", "200,300,200,900")
        distance = measured["distances"][0]
        relative = distance["u_length_mm"] / distance["length_mm"]
        assert np.sqrt(3 * relative**2 - 0.005**2) == pytest.approx(short, abs=1e-4)
        assert any(f"at {deg}° of tilt" in warning for warning in measured["warnings"])


def test_prints_of_one_foot_are_combined_as_statsmodels_combines_studies(tmp_path, card_picture):
    """Paule & Mandel's mean (statsmodels: 'iterated') of each print's own uncertainty; what all share is added."""
    truth, _ = camera_homography(np.random.default_rng(6), FOCAL_PX, SIZE, 8, 450, (80, 100))
    save(tmp_path / "prints.jpg", photograph(card_picture, truth, SIZE, 6))
    rng = np.random.default_rng(6)
    prints = [
        {"id": f"h{i}", "foot": "hind", "side": "left", "points": {
            "widest_left": [900 + 20.0 * i, 500], "widest_right": [1150 + 20.0 * i + rng.normal(0, 12), 505]}}
        for i in range(5)
    ]
    (tmp_path / "marks.json").write_text(json.dumps({"u_px": 1.5, "prints": prints}))
    measured = rakelight_json("measure", tmp_path / "prints.jpg", "--landmarks", tmp_path / "marks.json")
    (foot,) = measured["feet"]
    parts = [print["parts"]["width_mm"] for print in measured["prints"]]
    own = np.array([part["click"] ** 2 + part["tilt"] ** 2 for part in parts])
    shared = np.mean([np.sqrt(part["plane"] ** 2 + part["depth"] ** 2 + part["card"] ** 2) for part in parts])
    combined = combine_effects(np.array([print["width_mm"] for print in measured["prints"]]), own, method_re="iterated", atol=1e-12)
    assert foot["width_mm"] == pytest.approx(combined.mean_effect_re, rel=1e-6)
    assert foot["spread_width_mm"] == pytest.approx(np.sqrt(combined.tau2), rel=1e-4)
    assert foot["u_width_mm"] == pytest.approx(np.hypot(combined.sd_eff_w_re, shared), rel=1e-5)


def test_marking_again_gives_the_uncertainty_of_marking(tmp_path, card_picture):
    """Two people mark a print three times each with a spread of 3 px: numpy's pooled standard deviation comes back."""
    truth, _ = camera_homography(np.random.default_rng(6), FOCAL_PX, SIZE, 8, 450, (80, 100))
    save(tmp_path / "print.jpg", photograph(card_picture, truth, SIZE, 6))
    rng = np.random.default_rng(11)
    true = {"widest_left": [900, 500], "widest_right": [1160, 505], "toe_3_tip": [1030, 380], "pad_rear": [1030, 640]}
    rounds = [{name: list(np.array(px) + rng.normal(0, 3, 2)) for name, px in true.items()} for _ in range(6)]
    prints = [{"id": "h1", "round": f"{'AB'[i % 2]} {i // 2}", "points": points} for i, points in enumerate(rounds)]
    (tmp_path / "marks.json").write_text(json.dumps({"prints": prints}))
    measured = rakelight_json("measure", tmp_path / "print.jpg", "--landmarks", tmp_path / "marks.json")
    scatter = np.array([[points[name] for name in true] for points in rounds])
    pooled = np.sqrt(scatter.var(axis=0, ddof=1).mean())
    assert measured["marking"] == {"rounds": 6, "u_one_px": pytest.approx(pooled, rel=1e-9)}
    (print_,) = measured["prints"]
    per_mm = measured["scale"]["px_per_mm_at_centre"]
    assert print_["parts"]["width_mm"]["click"] == pytest.approx(pooled * np.sqrt(2 / 6) / per_mm, rel=0.02)
