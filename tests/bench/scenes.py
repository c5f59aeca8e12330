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
    def __init__(self, size=(4000, 3000), focal_px=2880.0):
        self.card = rakelight_json("card")
        self.painted, self.per_mm = paint_card(self.card)
        self.size, self.focal_px = size, focal_px

    def make(self, kind, seed):
        """A picture's JPEG bytes, a function from the card's millimetres to its pixels, and what it was made with."""
        rng = np.random.default_rng(seed)
        homography, tilt = self._camera(rng, kind)
        bend = rng.uniform(-0.06, 0.06) if kind in ("bent lens", "phone curve") else 0.0
        blur_px = rng.uniform(0.5, 3.0)
        light = self._light(rng, kind, homography, bend, blur_px)
        facts = {"tilt_deg": tilt, "blur_px": blur_px, "k1": bend}
        return self._jpeg(develop(light, kind)), lambda mm: self._seen(homography, bend, mm), facts

    def _camera(self, rng, kind):
        steep = kind == "steep"
        while True:
            height = rng.uniform(350, 700 if steep else 800)
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
        over = 2
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
        mm = round(self.focal_px * 43.27 / np.hypot(*self.size))
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
