"""Relief by lamps on surfaces that numpy knows: a plane, a cap of a sphere and a whole hemisphere on the ground beside the card.

Light and shadow are worked out here from the formulas (Lambert's cosine law; a ray meets a sphere or it doesn't); the pictures are 8-bit
JPEG files, with and without noise. All of it is invented.
"""

import cv2
import numpy as np
import pytest

from conftest import rakelight, rakelight_json
from test_schema import check

SIZE = (1000, 1060)
PER_MM = 5.0
ORIGIN = np.array([14.0, 10.0])  # the card's corner in the picture, mm
TO_PX = np.array([[PER_MM, 0, PER_MM * ORIGIN[0]], [0, PER_MM, PER_MM * ORIGIN[1]], [0, 0, 1]])
MIDDLE = np.array([100.0, 82.0])
MUD = 0.25
AROUND = [(12, 45), (74, 41), (131, 46), (190, 44), (251, 40), (312, 46)]


def places():
    x, y = np.meshgrid(np.arange(SIZE[0]), np.arange(SIZE[1]))
    return np.stack([x, y], axis=-1) / PER_MM - ORIGIN


class Sphere:
    """What stands out of the level ground of a sphere of this radius whose middle lies this far below the ground."""

    def __init__(self, radius, below):
        self.radius, self.below = radius, below
        self.foot = np.sqrt(max(radius**2 - below**2, 0.0))

    def height(self, mm):
        square = self.radius**2 - ((mm - MIDDLE) ** 2).sum(axis=-1)
        return np.maximum(np.sqrt(np.maximum(square, 0)) - self.below, 0)

    def normal(self, mm):
        from_axis = mm - MIDDLE
        square = (from_axis**2).sum(axis=-1)
        up = np.sqrt(np.maximum(self.radius**2 - square, 0))
        ball = np.dstack([from_axis, up]) / max(self.radius, 1e-9)  # level ground is a sphere of no size
        return np.where((square < self.foot**2)[..., None], ball, [0.0, 0.0, 1.0])

    def shadowed(self, mm, light):
        """Level ground from which the ray to the lamp meets the sphere."""
        from_middle = np.dstack([mm - MIDDLE, np.full(mm.shape[:2], self.below)])
        along = from_middle @ light
        beside = (from_middle**2).sum(axis=-1) - along**2
        outside = ((mm - MIDDLE) ** 2).sum(axis=-1) >= self.foot**2
        return outside & (along < 0) & (beside < self.radius**2)


PLANE, CAP, HEMISPHERE = Sphere(0.0, 0.0), Sphere(40.0, 35.0), Sphere(18.0, 0.0)


def direction(lamp):
    azimuth, elevation = np.radians(lamp)
    return np.array([np.cos(azimuth) * np.cos(elevation), np.sin(azimuth) * np.cos(elevation), np.sin(elevation)])


def photograph(card_picture, surface, lamp, noise, rng):
    card, per_mm = card_picture
    light = direction(lamp)
    mm = places()
    # Speckle, as ground has it, by which photographs can be laid over each other.
    speckle = cv2.GaussianBlur(np.random.default_rng(3).normal(0, 1, SIZE[::-1]), (0, 0), 2.0) * 0.25
    facing = np.maximum(surface.normal(mm) @ light, 0) * ~surface.shadowed(mm, light)
    from_card = np.array([[1 / per_mm, 0, 0.5 / per_mm], [0, 1 / per_mm, 0.5 / per_mm], [0, 0, 1]])
    fine = cv2.warpPerspective(
        cv2.GaussianBlur(np.nan_to_num(card, nan=MUD), (0, 0), 1.2),
        TO_PX @ from_card, SIZE, flags=cv2.INTER_LINEAR, borderValue=MUD,
    )
    on_card = cv2.warpPerspective((~np.isnan(card)).astype(np.float32), TO_PX @ from_card, SIZE, flags=cv2.INTER_LINEAR) > 0.5
    picture = np.where(on_card, fine * light[2], MUD * (1 + speckle) * facing)
    picture = picture * 0.35 / (0.5 * light[2])
    picture = (picture + noise * np.sqrt(picture + 0.004) * rng.normal(0, 1, picture.shape)).clip(0, 1)
    encoded = np.where(picture <= 0.0031308, 12.92 * picture, 1.055 * picture ** (1 / 2.4) - 0.055)
    return np.round(encoded * 255).astype(np.uint8)


def take(folder, card_picture, surface, lamps, noise=0.0):
    rng = np.random.default_rng(11)
    files = []
    for k, lamp in enumerate(lamps):
        files.append(folder / f"{k}.jpg")
        cv2.imwrite(str(files[-1]), photograph(card_picture, surface, lamp, noise, rng), [cv2.IMWRITE_JPEG_QUALITY, 100])
    said = [text for azimuth, elevation in lamps for text in ("--lamp", f"{azimuth},{elevation}")]
    return [*files, *said]


def normals_of(folder, document):
    """The normals that the program wrote, and where they are, mm."""
    picture = cv2.imread(str(folder / "normals.png"), cv2.IMREAD_UNCHANGED)[..., ::-1].astype(float)
    known = picture.any(axis=-1)
    left, top, right, bottom = document["relief"]["window_mm"]
    x, y = np.meshgrid(np.arange(picture.shape[1]), np.arange(picture.shape[0]))
    middle = np.array([(left + right) / 2, (top + bottom) / 2])
    mm = (np.stack([x, y], axis=-1) - (np.array(picture.shape[1::-1]) - 1) / 2) / document["relief"]["px_per_mm"] + middle
    return picture / 32767.5 - 1, mm, known


def off_deg(surface, normals, mm, where):
    truth = surface.normal(mm)[where]
    return np.degrees(np.arccos(np.clip((truth * normals[where]).sum(axis=-1), -1, 1)))


def measured(tmp_path, arguments):
    document = rakelight_json("measure", *arguments, "--relief", tmp_path / "view.png", "--normals", tmp_path / "normals.png")
    check(document, "measure")
    assert cv2.imread(str(tmp_path / "view.png")) is not None
    return document, *normals_of(tmp_path, document)


@pytest.mark.parametrize("noise, most_deg", [(0.0, 0.4), (0.008, 1.0)])
@pytest.mark.parametrize("lamps", [3, 6])
def test_the_normals_of_a_cap_are_those_of_the_sphere(tmp_path, card_picture, lamps, noise, most_deg):
    arguments = take(tmp_path, card_picture, CAP, AROUND[:: 6 // lamps], noise)
    document, normals, mm, known = measured(tmp_path, arguments)
    where = known & (np.hypot(*(mm - MIDDLE).T).T < CAP.foot - 1)
    off = off_deg(CAP, normals, mm, where)
    print(f"{lamps} lamps, noise {noise}: median {np.median(off):.2f}°, 95 % {np.quantile(off, 0.95):.2f}°")
    assert np.median(off) < most_deg
    assert document["relief"]["kind"] == "normals" and document["relief"]["share_in_shadow"] < 0.01
    # The cap covers four per cent of the ground; its top stands out by five millimetres.
    truth = CAP.height(mm)[known]
    expected = np.quantile(truth, 0.98) - np.quantile(truth, 0.02)
    assert abs(document["relief"]["depth_range_mm"] - expected) < 0.1 * expected + 0.2


def test_a_whole_hemisphere_is_told_where_three_lamps_light_it(tmp_path, card_picture):
    arguments = take(tmp_path, card_picture, HEMISPHERE, AROUND, 0.004)
    document, normals, mm, known = measured(tmp_path, arguments)
    lit = sum(
        ((HEMISPHERE.normal(mm) @ direction(lamp) > 0.25) & ~HEMISPHERE.shadowed(mm, direction(lamp))).astype(int)
        for lamp in AROUND
    )
    on_it = known & (np.hypot(*(mm - MIDDLE).T).T < HEMISPHERE.radius * np.sin(np.radians(60)))
    off = off_deg(HEMISPHERE, normals, mm, on_it & (lit >= 3))
    print(f"hemisphere to 60°: median {np.median(off):.2f}°, 95 % {np.quantile(off, 0.95):.2f}°")
    assert np.median(off) < 1.0
    assert document["relief"]["share_in_shadow"] > 0


def test_level_ground_is_level(tmp_path, card_picture):
    document, normals, mm, known = measured(tmp_path, take(tmp_path, card_picture, PLANE, AROUND[::2], 0.004))
    off = off_deg(PLANE, normals, mm, known)
    print(f"plane: median {np.median(off):.2f}°; range {document['relief']['depth_range_mm']:.2f} mm")
    assert np.median(off) < 1.0 and document["relief"]["depth_range_mm"] < 0.3


def test_the_lamp_by_a_pegs_shadow_is_the_lamp_that_throws_it(tmp_path, card_picture):
    arguments = take(tmp_path, card_picture, CAP, AROUND[::2])[:3]
    foot = np.array([20.0, 140.0])
    for lamp in AROUND[::2]:
        light = direction(lamp)
        tip = foot - 12.0 * light[:2] / light[2]
        (a, b), (c, d) = (ORIGIN + foot) * PER_MM, (ORIGIN + tip) * PER_MM
        arguments += ["--lamp", f"peg:{a},{b},{c},{d},12"]
    document = rakelight_json("measure", *arguments, "--u-click-px", 1)
    for said, light in zip(AROUND[::2], document["relief"]["lights"]):
        assert abs(light["azimuth_deg"] - said[0]) < 0.1 and abs(light["elevation_deg"] - said[1]) < 0.1
        assert light["u_elevation_deg"] > 0.3


def test_two_photographs_give_shading_and_say_so(tmp_path, card_picture):
    arguments = take(tmp_path, card_picture, CAP, AROUND[:4:3])
    document = rakelight_json("measure", *arguments, "--relief", tmp_path / "view.png")
    check(document, "measure")
    assert document["relief"]["kind"] == "shading" and "depth_range_mm" not in document["relief"]
    assert any("shading view only" in warning for warning in document["warnings"])
    refused = rakelight("measure", *arguments, "--normals", tmp_path / "normals.png", expect=2)
    assert "three or more" in refused


def test_what_gives_no_relief_is_refused_with_what_to_do(tmp_path, card_picture):
    files = take(tmp_path, card_picture, PLANE, AROUND[::2])[:3]
    lamp = lambda *texts: [word for text in texts for word in ("--lamp", text)]
    assert "take three or more" in rakelight("measure", files[0], *lamp("10,20"), expect=2)
    assert "one --lamp for each photograph" in rakelight("measure", *files, *lamp("10,20", "130,20"), expect=2)
    assert "in one line" in rakelight("measure", *files, *lamp("10,20", "190,20", "12,20"), expect=2)
    assert "two numbers are needed" in rakelight("measure", *files, *lamp("10,20", "x", "12,20"), expect=2)
    assert "elevation" in rakelight("measure", *files, *lamp("10,20", "130,95", "250,20"), expect=2)
    assert "150 mm away" in rakelight("measure", *files, *lamp("10,20,50", "130,20", "250,20"), expect=2)
    assert "too short" in rakelight("measure", *files, *lamp("peg:200,500,201,500,20", "130,20", "250,20"), expect=2)
