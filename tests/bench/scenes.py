"""Pictures of the scale card with their truth, for the benchmarks: painted, warped and blurred by OpenCV, not by our own renderer."""

import io
import pathlib
import sys

import cv2
import numpy as np
import piexif
from PIL import Image

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "reference"))
from conftest import camera_homography, paint_card, rakelight_json  # noqa: E402

KINDS = ["plain", "bent lens", "phone curve", "shadow", "covered", "dark", "bright", "snow", "steep"]


class Scenes:
    """Pictures of one size. `printed` may be the card's true size as a share of what it should be."""

    def __init__(self, size=(4000, 3000), over=2, most_blur_px=3.0, heights_mm=(350, 800)):
        self.card = rakelight_json("card")
        self.painted, self.per_mm = paint_card(self.card)
        self.size, self.over, self.most_blur_px, self.heights_mm = size, over, most_blur_px, heights_mm
        self.focal_px = self.stated_focal_px = 0.72 * size[0]
        if over > 2:
            # Fewer samples a millimetre: averaged down first, so that none of the painted card is skipped.
            self.painted = cv2.resize(self.painted, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
            self.per_mm /= 2

    def make(self, kind, seed, printed=1.0):
        """A picture's JPEG bytes, a function from true millimetres in the card's plane to its pixels, and what it was made with."""
        rng = np.random.default_rng(seed)
        homography, tilt = self._camera(rng, kind)
        homography = homography @ np.diag([printed, printed, 1])
        bend = rng.uniform(-0.06, 0.06) if kind in ("bent lens", "phone curve") else 0.0
        blur_px = rng.uniform(0.5, self.most_blur_px)
        light = self._light(rng, kind, homography, bend, blur_px)
        facts = {"tilt_deg": tilt, "blur_px": blur_px, "k1": bend}
        seen = lambda mm: self._seen(homography, bend, np.array(mm) / printed)  # noqa: E731
        return self._jpeg(develop(light, kind)), seen, facts

    def _camera(self, rng, kind):
        steep = kind == "steep"
        while True:
            low, high = self.heights_mm
            height = rng.uniform(low, high - 100 if steep else high)
            homography, tilt = camera_homography(rng, self.focal_px, self.size, 55 if steep else 40, height, (80, 100))
            corners = np.array([self._seen(homography, 0, mm) for mm in self.card["outline_mm"]])
            inside = (corners > 30).all() and (corners < np.array(self.size) - 30).all()
            if inside and (tilt > 40 or not steep):
                return homography, tilt

    def _seen(self, homography, bend, mm):
        x, y, w = homography @ np.array([*mm, 1])
        centre = (np.array(self.size) - 1) / 2
        straight = (np.array([x / w, y / w]) - centre) / self.focal_px
        return straight * (1 + bend * (straight**2).sum()) * self.focal_px + centre

    def _light(self, rng, kind, homography, bend, blur_px):
        over = self.over
        fine = tuple(over * side for side in self.size)
        ys, xs = np.mgrid[0 : fine[1], 0 : fine[0]].astype(np.float32)
        x, y = (xs - (over - 1) / 2) / over, (ys - (over - 1) / 2) / over
        if bend:
            cx, cy = (np.array(self.size) - 1) / 2
            dx, dy = (x - cx) / self.focal_px, (y - cy) / self.focal_px
            ux, uy = dx.copy(), dy.copy()
            for _ in range(8):
                factor = 1 + bend * (ux * ux + uy * uy)
                ux, uy = dx / factor, dy / factor
            x, y = ux * self.focal_px + cx, uy * self.focal_px + cy
        to_mm = np.linalg.inv(homography)
        w = to_mm[2, 0] * x + to_mm[2, 1] * y + to_mm[2, 2]
        on_card_x = ((to_mm[0, 0] * x + to_mm[0, 1] * y + to_mm[0, 2]) / w * self.per_mm - 0.5).astype(np.float32)
        on_card_y = ((to_mm[1, 0] * x + to_mm[1, 1] * y + to_mm[1, 2]) / w * self.per_mm - 0.5).astype(np.float32)
        card = cv2.remap(self._covered(rng) if kind == "covered" else self.painted, on_card_x, on_card_y, cv2.INTER_LINEAR, borderValue=float("nan"))
        ground = cv2.GaussianBlur(rng.normal(0.15, 0.25, fine[::-1]).astype(np.float32), (0, 0), 2.5).clip(0.02, 0.4)
        if kind == "snow":
            ground = 0.3 * ground + 0.75
        light = np.where(np.isnan(card), ground, card).astype(np.float32)
        if kind == "shadow":
            light *= self._shadow(rng, homography, xs / over, ys / over)
        light = cv2.GaussianBlur(light, (0, 0), blur_px * over)
        light = cv2.resize(light, self.size, interpolation=cv2.INTER_AREA)
        light *= {"dark": rng.uniform(0.06, 0.2), "bright": rng.uniform(1.3, 1.9)}.get(kind, 1.0)
        return (light + rng.normal(0, 0.004, light.shape)).clip(0, 1)

    def _covered(self, rng):
        """One or two of the five markers under mud, partly or wholly."""
        painted = self.painted.copy()
        for i in rng.permutation(len(self.card["markers"]))[: rng.integers(1, 3)]:
            left, top = (np.array(self.card["markers"][i]["corners_mm"][0]) * self.per_mm).astype(int)
            side = int(24 * self.per_mm)
            painted[top : top + int(side * rng.uniform(0.3, 1)), left : left + side] = np.nan
        return painted

    def _shadow(self, rng, homography, x, y):
        """A straight shadow's edge across the card, sharp or soft, five to eight times darker than the sun."""
        edge = self._seen(homography, 0, (rng.uniform(10, 60), rng.uniform(60, 180)))
        turn = rng.uniform(0, 2 * np.pi)
        distance = (x - edge[0]) * np.cos(turn) + (y - edge[1]) * np.sin(turn)
        lit = 1 / (1 + np.exp(-(distance / rng.uniform(1, 8)).clip(-50, 50)))
        dark = rng.uniform(0.12, 0.2)
        return (dark + (1 - dark) * lit).astype(np.float32)

    def _jpeg(self, picture):
        mm = round(self.stated_focal_px * 43.27 / np.hypot(*self.size))
        exif = piexif.dump({"Exif": {piexif.ExifIFD.FocalLengthIn35mmFilm: mm}})
        out = io.BytesIO()
        Image.fromarray(picture).save(out, "JPEG", quality=88, exif=exif)
        return out.getvalue()


def develop(light, kind):
    """Linear light to stored values: the sRGB curve, or a phone-like one with more contrast and sharpening."""
    if kind == "phone curve":
        value = light ** (1 / 2.2)
        value = value - 0.12 * np.sin(2 * np.pi * (value - 0.5)) / (2 * np.pi) * -1
        value = value + 0.6 * (value - cv2.GaussianBlur(value.astype(np.float32), (0, 0), 1.5))
    else:
        value = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.round(value.clip(0, 1) * 255).astype(np.uint8)
