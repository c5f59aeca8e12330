"""Sheets by four taps and coins by their outline, in pictures painted and warped by OpenCV."""

import json
import tomllib

import cv2
import numpy as np
import piexif
import pytest
from PIL import Image

from conftest import camera_homography, photograph, rakelight, rakelight_json
from test_folder import HEAD, photo, visit
from test_schema import check, plain

SIZE = (2400, 1800)
FOCAL_PX = 2100.0
FOCAL_35_MM = round(FOCAL_PX * 43.27 / np.hypot(*SIZE))
SHEETS = {"id1": (85.60, 53.98), "a5": (210.0, 148.0), "a4": (297.0, 210.0)}


def painted(name):
    """The sheet alone: an ID-1 card has round corners (3.18 mm) and a dark stripe."""
    per_mm = 16 if name == "id1" else 6
    width, height = (round(side * per_mm) for side in SHEETS[name])
    picture = np.full((height, width), 0.55, np.float32)
    if name == "id1":
        picture[5 * per_mm : 17 * per_mm] = 0.05
        radius = 3.18 * per_mm
        y, x = np.mgrid[:height, :width] + 0.5
        dx, dy = np.abs(x - width / 2) - width / 2 + radius, np.abs(y - height / 2) - height / 2 + radius
        picture[(dx > 0) & (dy > 0) & (np.hypot(dx, dy) > radius)] = np.nan
    return picture, per_mm


def take(path, name, seed, focal=True):
    """A photograph of the sheet; gives its true homography and corners."""
    rng = np.random.default_rng(seed)
    width, height = SHEETS[name]
    truth, _ = camera_homography(rng, FOCAL_PX, SIZE, 20, 420 if name == "id1" else 700, (width / 2, height / 2))
    options = {"exif": piexif.dump({"Exif": {piexif.ExifIFD.FocalLengthIn35mmFilm: FOCAL_35_MM}})} if focal else {}
    Image.fromarray(photograph(painted(name), truth, SIZE, seed)).save(path, quality=92, **options)
    corners = cv2.perspectiveTransform(np.array([[[0, 0], [width, 0], [width, height], [0, height]]], float), truth)[0]
    return truth, corners, rng


def scale(kind, numbers):
    return f"{kind}:" + ",".join(f"{n:.2f}" for n in np.ravel(numbers))


@pytest.mark.parametrize("name, seed", [("id1", 1), ("id1", 2), ("a5", 3), ("a4", 4)])
def test_a_sheet_is_snapped_to_its_edges_and_gives_true_lengths(tmp_path, name, seed):
    truth, corners, rng = take(tmp_path / "a.jpg", name, seed)
    # Taps 5 px off, from another corner on.
    taps = np.roll(corners, seed, axis=0) + rng.normal(0, 5, (4, 2))
    ends_mm = np.array([[[10.0, -15.0], [80.0, -15.0]]])
    ends = cv2.perspectiveTransform(ends_mm, truth)[0]
    measured = rakelight_json(
        "measure", tmp_path / "a.jpg", "--scale", scale(name, taps), "--between", scale("", ends)[1:], "--u-click-px", 0.1
    )
    check(measured, "measure")
    assert measured["scale"]["kind"] == name
    found = np.array(measured["scale"]["corners_px"])
    assert max(np.linalg.norm(found - c, axis=1).min() for c in corners) < 1.0
    distance = measured["distances"][0]
    assert distance["length_mm"] == pytest.approx(70, rel=0.002)
    # Paper may differ from its size by 2 mm: the uncertainty allows for it.
    assert distance["u_length_mm"] > (0.3 if name != "id1" else 0.03)
    assert any("Paper" in warning for warning in measured["warnings"]) == (name != "id1")


def test_a_sheet_without_a_focal_length_is_taken_by_its_shape_and_told(tmp_path):
    _, corners, _ = take(tmp_path / "a.jpg", "id1", 5, focal=False)
    measured = rakelight_json("measure", tmp_path / "a.jpg", "--scale", scale("id1", corners))
    assert any("shape alone" in warning for warning in measured["warnings"])


def test_what_is_not_that_sheet_is_refused_with_what_to_do(tmp_path):
    _, corners, _ = take(tmp_path / "a.jpg", "id1", 6)
    for text, words in (
        (scale("a4", corners), "isn't a flat a4 of 297 × 210 mm"),
        (scale("id1", corners[[0, 2, 1, 3]]), "don't go round"),
        (scale("id1", corners[:3]), "four corners"),
        ("coin:1eur,1200,900,100,30,0", "no coin seen from above"),
        ("coin:3eur,1200,900,100,99,0", "1eur, 2eur"),
        ("dollar:1", "known are"),
    ):
        said = rakelight("measure", tmp_path / "a.jpg", "--scale", text, expect=2)
        assert words in said, said
    # A stretch of mud far from the card.
    mud = [[100, 100], [400, 100], [400, 290], [100, 290]]
    assert "tap the corners again" in rakelight("measure", tmp_path / "a.jpg", "--scale", scale("id1", mud), expect=2)


def test_a_coin_gives_the_scale_only(tmp_path):
    take(tmp_path / "a.jpg", "id1", 7)
    # A euro (23.25 mm) of 232.5 px: ten pixels a millimetre.
    arguments = ("measure", tmp_path / "a.jpg", "--scale", "coin:1eur,1200,900,116.25,114,20", "--between", "600,600,600,1200")
    measured = rakelight_json(*arguments)
    check(measured, "measure")
    assert measured["scale"]["kind"] == "coin" and measured["scale"]["tilt_deg"] is None
    assert measured["distances"][0]["length_mm"] == pytest.approx(60)
    assert any("scale only" in warning for warning in measured["warnings"])


def test_a_visits_file_takes_the_same_scales(tmp_path):
    _, corners, _ = take(tmp_path / "card.jpg", "id1", 8)
    take(tmp_path / "coin.jpg", "id1", 9)
    take(tmp_path / "wrong.jpg", "id1", 10)
    at = json.dumps(np.round(corners, 2).tolist())
    coin = 'scale = { coin = { kind = "%s", centre_px = [1200, 900], half_axes_px = [116.25, 114], deg = 20 } }'
    text = HEAD + f"""
[[photo]]
file = "card.jpg"
taken = 2026-10-03T07:41:10+02:00
scale = {{ id1 = {{ corners_px = {at} }} }}
[[photo]]
file = "coin.jpg"
taken = 2026-10-03T07:42:10+02:00
{coin % "1eur"}
landmarks = {{ photos = [{{ file = "coin.jpg", points = {{ a = [600, 600], b = [600, 1200] }} }}], distances = [["a", "b"]] }}
[[photo]]
file = "wrong.jpg"
taken = 2026-10-03T07:43:10+02:00
{coin % "3eur"}
"""
    result = visit(tmp_path, text)
    card, coin = (photo(result, name)["measurement"] for name in ("card.jpg", "coin.jpg"))
    alone = rakelight_json("measure", tmp_path / "card.jpg", "--scale", scale("id1", corners))
    assert card["scale"]["kind"] == "id1" and card["px_to_mm"] == alone["px_to_mm"]
    assert coin["scale"]["kind"] == "coin" and coin["distances"][0]["length_mm"] == pytest.approx(60)
    assert photo(result, "wrong.jpg")["measurement"] is None
    assert any("wrong.jpg" in warning and "1eur, 2eur" in warning for warning in result["warnings"])
    check(plain(tomllib.loads(text.replace("3eur", "2eur"))), "visit_file")


@pytest.mark.parametrize(
    "typed, words",
    [
        ("{ id1 = { corners_px = [[1, 2], [3, 4], [5, 6]] } }", "length 4"),
        ("{ a6 = { corners_px = [] } }", "a6"),
        ("{ coin = { kind = '1eur', centre_px = [1, 2], half_axes_px = [3, 4] } }", "deg"),
    ],
)
def test_a_wrong_scale_in_a_visits_file_is_refused_by_name(tmp_path, typed, words):
    (tmp_path / "visit.toml").write_text(HEAD + f"[[photo]]\nfile = 'a.jpg'\nscale = {typed}\n")
    said = rakelight("visit", tmp_path, "--out", tmp_path / "out", expect=2)
    assert words in said, said
