"""Points in space from several photographs: against OpenCV (solvePnP, triangulatePoints) on the same corners and marks, and against
a simulation with numpy for the covariance."""

import json

import cv2
import numpy as np
import piexif
import pytest
from PIL import Image

from conftest import photograph, rakelight, rakelight_json
from test_schema import check

SIZE = (2400, 1800)
FOCAL_35_MM = 30
# What "30 mm" may stand for.
FOCAL_PX = 30.3 / 43.27 * np.hypot(*SIZE)
MIDDLE = (np.array(SIZE) - 1) / 2
U_PX = 0.7
# The card's own length is trusted to a check line of 100 mm read within 0.2 mm (rectangle).
U_CARD = 0.2 / np.sqrt(3) / 100
# A hind foot in the card's open quarter, 10 to 16 mm below the card.
PRINT = {
    "toe_1_tip": (70, 52, 10),
    "toe_2_tip": (83, 39, 12),
    "toe_3_tip": (95, 34, 13),
    "toe_4_tip": (107, 38, 12),
    "toe_5_tip": (120, 50, 11),
    "widest_left": (65, 57, 11),
    "widest_right": (125, 57, 12),
    "heel_rear": (95, 119, 16),
}
FREE = {"stone": (60, 140, 2.0), "blade": (130, 100, -3.0)}


def camera(tilt_deg, azimuth_deg, roll_deg=0.0, distance=480.0):
    """A camera that looks at the card's middle from aside: rotation and shift of x_camera = rotation @ x + shift."""
    azimuth = np.radians(azimuth_deg)
    aside = cv2.Rodrigues(np.radians(tilt_deg) * np.array([np.cos(azimuth), np.sin(azimuth), 0.0]))[0]
    rotation = aside @ cv2.Rodrigues(np.radians(roll_deg) * np.array([0.0, 0.0, 1.0]))[0]
    return rotation, np.array([0, 0, distance]) - rotation @ np.array([80.0, 90.0, 0.0])


def see(pose, points):
    seen = np.atleast_2d(points) @ pose[0].T + pose[1]
    return FOCAL_PX * seen[:, :2] / seen[:, 2:] + MIDDLE


def take(folder, card_picture, poses, seed, moved=None, points=PRINT, free=FREE):
    """Photographs of the card with what a person marked in them; `moved` shifts the card in the last one, mm."""
    rng = np.random.default_rng(seed)
    intrinsic = np.array([[FOCAL_PX, 0, MIDDLE[0]], [0, FOCAL_PX, MIDDLE[1]], [0, 0, 1]])
    exif = piexif.dump({"Exif": {piexif.ExifIFD.FocalLengthIn35mmFilm: FOCAL_35_MM}})
    landmarks = {"u_px": U_PX, "photos": [], "prints": [], "distances": [["stone", "blade"]] if free else []}
    files = []
    for i, (rotation, shift) in enumerate(poses):
        name = f"{'abcdef'[i]}.jpg"
        lies = shift + rotation @ np.array([*moved, 0.0]) if moved and i == len(poses) - 1 else shift
        homography = intrinsic @ np.column_stack([rotation[:, 0], rotation[:, 1], lies])
        picture = photograph(card_picture, homography, SIZE, seed + i)
        Image.fromarray(picture).save(folder / name, quality=92, exif=exif)
        marked = lambda known: {k: list(see((rotation, shift), p)[0] + rng.normal(0, U_PX, 2)) for k, p in known.items()}
        if free:
            landmarks["photos"].append({"file": name, "points": marked(free)})
        landmarks["prints"].append({"id": "h1", "foot": "hind", "photo": name, "points": marked(points)})
        files.append(folder / name)
    (folder / "landmarks.json").write_text(json.dumps(landmarks))
    return files, landmarks


def measure(files):
    return rakelight_json("measure", *files, "--landmarks", files[0].parent / "landmarks.json")


@pytest.fixture(scope="module")
def two(tmp_path_factory, card_picture):
    files, landmarks = take(tmp_path_factory.mktemp("two"), card_picture, [camera(-14, 20), camera(16, 25, 70)], 11)
    return measure(files), landmarks


def corners_mm(card, photo):
    known = {marker["id"]: marker["corners_mm"] for marker in card["markers"]}
    flat = np.concatenate([known[i] for i in photo["markers"]])
    return np.column_stack([flat, np.zeros(len(flat))])


def test_lengths_and_depth_are_free_of_parallax(two):
    measured, _ = two
    (hind,) = measured["prints"]
    length = lambda a, b: np.linalg.norm(np.subtract(PRINT[a], PRINT[b]))
    for name, truth in (
        ("width_mm", length("widest_left", "widest_right")),
        ("length_with_heel_mm", length("toe_3_tip", "heel_rear")),
    ):
        assert abs(hind[name] - truth) < 3 * hind["u_" + name], name
        assert hind["u_" + name] < 0.006 * truth
    depth = np.mean([p[2] for p in PRINT.values()])
    assert abs(hind["depth_mm"] - depth) < 3 * hind["u_depth_mm"] and hind["u_depth_mm"] < 0.5
    stone = measured["points_mm"]["stone"]
    for axis, truth in zip("xyz", FREE["stone"]):
        assert abs(stone[axis] - truth) < 3.5 * stone["u_" + axis]
    (distance,) = measured["distances"]
    assert (distance["from"], distance["to"]) == ("stone", "blade")
    assert abs(distance["length_mm"] - np.linalg.norm(np.subtract(FREE["stone"], FREE["blade"]))) < 3 * distance["u_length_mm"]
    assert not measured["warnings"]
    check(measured, "measure")


def test_points_are_those_of_opencvs_poses_and_triangulation(two, card):
    measured, landmarks = two
    projections, seen = [], []
    for photo, marks in zip(measured["photos"], landmarks["photos"]):
        intrinsic = np.array([[photo["focal_px"], 0, MIDDLE[0]], [0, photo["focal_px"], MIDDLE[1]], [0, 0, 1]])
        bend = np.array([photo["k1"], 0, 0, 0])
        _, turn, shift = cv2.solvePnP(
            corners_mm(card, photo), np.array(photo["corners_px"]), intrinsic, bend, flags=cv2.SOLVEPNP_ITERATIVE
        )
        rotation = cv2.Rodrigues(turn)[0]
        # Markers that look larger or smaller than printed are a nuisance that OpenCV doesn't fit: tenths of a millimetre.
        assert np.abs(-rotation.T @ shift.ravel() - photo["camera_mm"]).max() < 1.5
        assert np.abs(rotation - photo["rotation"]).max() < 0.004
        projections.append(np.column_stack([rotation, shift]))
        seen.append(cv2.undistortPoints(np.array(list(marks["points"].values())), intrinsic, bend).reshape(-1, 2).T)
    placed = cv2.triangulatePoints(*projections, *seen)
    placed = (placed[:3] / placed[3]).T
    for name, opencv in zip(landmarks["photos"][0]["points"], placed):
        ours = measured["points_mm"][name]
        for axis, theirs in zip("xyz", opencv):
            assert abs(ours[axis] - theirs) < 0.25, (name, axis)


def test_the_covariance_is_that_of_a_simulation(two, card):
    """2,000 times the same photographs with other noise, each adjusted with numpy alone: the spread is what is stated."""
    measured, landmarks = two
    draws, rng = 2000, np.random.default_rng(3)
    photos = measured["photos"]
    names = list(landmarks["photos"][0]["points"])
    points = np.array([[measured["points_mm"][n][axis] for axis in "xyz"] for n in names])
    corners = [corners_mm(card, photo) for photo in photos]
    outward = np.tile([[-1, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]], (len(photos[0]["markers"]), 1))
    rotations = [np.array(photo["rotation"]) for photo in photos]
    shifts = [-r @ np.array(photo["camera_mm"]) for r, photo in zip(rotations, photos)]
    # Unknowns: turn, shift and growth of each photograph, ln focal length, k1, points.
    size = 7 * 2 + 2 + points.size

    def expected(unknown):
        """What is observed, for each row of unknowns."""
        n = len(unknown)
        placed = points + unknown[:, 16:].reshape(n, -1, 3)
        rows = []
        for i in range(2):
            turn, shift, growth = unknown[:, 7 * i : 7 * i + 3], unknown[:, 7 * i + 3 : 7 * i + 6], unknown[:, 7 * i + 6]
            angle = np.linalg.norm(turn, axis=1)[:, None, None] + 1e-12
            x, y, z = turn.T
            o = np.zeros(n)
            k = np.array([[o, -z, y], [z, o, -x], [-y, x, o]]).transpose(2, 0, 1) / angle
            # Rodrigues
            rotation = (np.eye(3) + np.sin(angle) * k + (1 - np.cos(angle)) * k @ k) @ rotations[i]
            grown = corners[i] + growth[:, None, None] * outward
            world = np.concatenate([grown, placed], axis=1)
            seen = world @ rotation.transpose(0, 2, 1) + (shifts[i] + shift)[:, None, :]
            plane = seen[..., :2] / seen[..., 2:]
            radius2 = (plane**2).sum(-1, keepdims=True)
            focal = photos[i]["focal_px"] * np.exp(unknown[:, 14])[:, None, None]
            bend = photos[i]["k1"] + unknown[:, 15][:, None, None]
            rows.append((focal * (1 + bend * radius2) * plane).reshape(n, -1))
        return np.concatenate([*rows, unknown[:, [6, 13, 14, 15]]], axis=1)

    sigma = np.concatenate(
        [
            *(np.concatenate([np.repeat(photo["u_corners_px"], 2), np.full(2 * len(points), U_PX)]) for photo in photos),
            [0.3, 0.3, 0.02, 0.03],
        ]
    )
    start = np.zeros((1, size))
    observed = expected(start) + rng.normal(0, 1, (draws, len(sigma))) * sigma
    unknown = np.zeros((draws, size))
    for _ in range(4):
        now = expected(unknown)
        slopes = np.empty((draws, len(sigma), size))
        for j in range(size):
            step = np.zeros(size)
            step[j] = 1e-5
            slopes[:, :, j] = (expected(unknown + step) - now) / 1e-5
        weighted = slopes / sigma[:, None]
        normal = weighted.transpose(0, 2, 1) @ weighted
        right = weighted.transpose(0, 2, 1) @ ((observed - now) / sigma)[..., None]
        unknown += np.linalg.solve(normal, right)[..., 0]
    scale = 1 + rng.normal(0, U_CARD, (draws, 1, 1))
    found = (points + unknown[:, 16:].reshape(draws, -1, 3)) * scale
    for name, spread in zip(names, found.std(axis=0)):
        for axis, sd in zip("xyz", spread):
            assert measured["points_mm"][name]["u_" + axis] == pytest.approx(sd, rel=0.05), (name, axis)
    distance = np.linalg.norm(found[:, 0] - found[:, 1], axis=1)
    assert measured["distances"][0]["u_length_mm"] == pytest.approx(distance.std(), rel=0.05)


def test_three_photographs_are_better_than_two(tmp_path, card_picture, two):
    files, _ = take(tmp_path, card_picture, [camera(-14, 20), camera(16, 25, 70), camera(15, 110)], 11)
    three = measure(files)
    assert len(three["photos"]) == 3
    assert three["prints"][0]["u_depth_mm"] < two[0]["prints"][0]["u_depth_mm"]


def test_a_moved_card_is_refused_with_what_to_do(tmp_path, card_picture):
    files, _ = take(tmp_path, card_picture, [camera(-14, 20), camera(16, 25)], 21, moved=(8, 4))
    said = rakelight("measure", *files, "--landmarks", tmp_path / "landmarks.json", "--json", expect=2)
    assert "a.jpg, b.jpg" in said and "the card moved" in said and "lying still" in said


def test_photographs_that_do_not_go_together_are_refused_each_in_its_own_words(tmp_path, card_picture):
    files, landmarks = take(tmp_path, card_picture, [camera(10, 20), camera(11, 20), camera(-15, 20)], 31)

    def refuses(words, changed, which=(0, 2)):
        (tmp_path / "other.json").write_text(json.dumps(changed))
        said = rakelight("measure", *(files[i] for i in which), "--landmarks", tmp_path / "other.json", expect=2)
        assert words in said, said

    refuses("nearly the same side", landmarks, (0, 1))
    refuses("two photographs are called a.jpg", landmarks, (0, 0))
    refuses("no point is marked in two", {})
    refuses("mark the same points in each", landmarks | {"prints": [], "photos": landmarks["photos"][:1]})
    prints = [{k: v for k, v in p.items() if k != "photo"} for p in landmarks["prints"][:1]]
    refuses("which photograph", landmarks | {"prints": prints})
    refuses("ghost", landmarks | {"distances": [["stone", "ghost"]]})
    Image.open(files[2]).save(files[2], quality=92)
    refuses("c.jpg: the photograph doesn't state its focal length", landmarks)


def test_a_point_marked_once_stays_in_the_plane_and_is_told(tmp_path, card_picture):
    files, landmarks = take(tmp_path, card_picture, [camera(-14, 20), camera(16, 25)], 41)
    del landmarks["photos"][1]["points"]["blade"]
    (tmp_path / "landmarks.json").write_text(json.dumps(landmarks))
    measured = measure(files)
    blade, stone = measured["points_mm"]["blade"], measured["points_mm"]["stone"]
    assert blade["z"] is None and blade["u_z"] is None and stone["z"] is not None
    assert any("1 point is marked in one photograph only" in warning for warning in measured["warnings"])
    alone = measure(files[:1])
    assert alone["points_mm"]["stone"]["z"] is None
    assert alone["points_mm"]["blade"]["x"] == pytest.approx(blade["x"], abs=0.3)
    assert "photos" not in alone and "depth_mm" not in alone["prints"][0]


VISIT = """
[visit]
purpose = "a check"
start = 2026-10-03T07:00:00+02:00
people = ["A Tester"]
place_name = "Nowhere"

[[photo]]
file = "a.jpg"
taken = 2026-10-03T07:10:00+02:00
landmarks = "landmarks.json"

[[photo]]
file = "b.jpg"
taken = 2026-10-03T07:11:00+02:00
card_as_in = "a.jpg"
landmarks = "landmarks.json"

[[sign]]
id = "s1"
kind = "print"
photos = ["b.jpg"]
prints = [{ from = "b.jpg#h1" }]
"""


def test_a_visit_measures_photographs_of_one_card_together(tmp_path, card_picture):
    files, _ = take(tmp_path, card_picture, [camera(-14, 20), camera(16, 25, 70)], 11)
    alone = measure(files)
    (tmp_path / "visit.toml").write_text(VISIT)
    rakelight("visit", tmp_path, "--out", tmp_path / "out")
    visit = json.loads((tmp_path / "out" / "visit.json").read_text())
    a, b = visit["photos"]
    assert a["measurement"]["prints"] == alone["prints"] and a["measurement"]["points_mm"] == alone["points_mm"]
    assert b["measurement"] is None
    (evidence,) = visit["signs"][0]["evidence"]["prints"]
    assert evidence["width_mm"] == alone["prints"][0]["width_mm"]


@pytest.mark.parametrize(
    "wrong, words",
    [
        ('card_as_in = "c.jpg"', "has no [[photo]]"),
        ('card_as_in = "b.jpg"', "must name the first photograph"),
        ('card_as_in = "a.jpg"\ndepth_mm = 8.0\nu_depth_mm = 2.0', "leaves depth and floor to a.jpg"),
        ('card_as_in = "a.jpg"\nscale = "card"', "leaves scale and card to a.jpg"),
    ],
)
def test_what_is_wrong_with_photographs_of_one_card_is_said(tmp_path, wrong, words):
    (tmp_path / "visit.toml").write_text(VISIT.replace('card_as_in = "a.jpg"', wrong))
    refused = rakelight("visit", tmp_path, "--out", tmp_path / "out", expect=2)
    assert words in refused
