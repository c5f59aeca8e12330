"""Picture files of every kind, written by Pillow, OpenCV, piexif and (interlaced PNG) by zlib after the standard: read alike, or refused by
name; and a focal length that doesn't hold for the picture isn't relied on."""

import io
import json
import struct
import zlib

import cv2
import numpy as np
import piexif
import pytest
from PIL import Image, features

from conftest import camera_homography, photograph, rakelight, rakelight_json
from test_folder import gps, photo, visit

SIZE = (1600, 1200)
FOCAL_PX = 1400.0
FOCAL_35_MM = round(FOCAL_PX * 43.27 / np.hypot(*SIZE))
EXIF = {"Exif": {piexif.ExifIFD.FocalLengthIn35mmFilm: FOCAL_35_MM}}
BETWEEN = ("--between", "600,400,1000,800")


@pytest.fixture(scope="module")
def grey(card_picture):
    truth, _ = camera_homography(np.random.default_rng(1), FOCAL_PX, SIZE, 12, 450, (80, 100))
    return photograph(card_picture, truth, SIZE, 1)


def interlaced(picture):
    """A grey PNG in seven passes (W3C PNG, section 8.1), rows unfiltered."""
    chunk = lambda name, content: struct.pack(">I", len(content)) + name + content + struct.pack(">I", zlib.crc32(name + content))
    passes = [(0, 8, 0, 8), (4, 8, 0, 8), (0, 4, 4, 8), (2, 4, 0, 4), (0, 2, 2, 4), (1, 2, 0, 2), (0, 1, 1, 2)]
    rows = [b"\0" + row.tobytes() for x, dx, y, dy in passes for row in picture[y::dy, x::dx]]
    height, width = picture.shape
    header = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 1)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(b"".join(rows))) + chunk(b"IEND", b"")


def with_gamma(png, gamma):
    """The same file with a gAMA chunk behind its header."""
    content = b"gAMA" + struct.pack(">I", round(gamma * 100_000))
    return png[:33] + struct.pack(">I", 4) + content + struct.pack(">I", zlib.crc32(content)) + png[33:]


def written(kind, grey):
    """The grey picture as PNG in many ways."""
    colour = np.repeat(grey[..., None], 3, axis=2)
    fine = grey.astype(np.uint16) * 257
    opencv = lambda picture: cv2.imencode(".png", picture)[1].tobytes()
    light = np.where(grey / 255 <= 0.04045, grey / 255 / 12.92, ((grey / 255 + 0.055) / 1.055) ** 2.4)
    if kind == "interlaced":
        return interlaced(grey)
    if kind == "16 bits":
        return opencv(fine)
    if kind == "16 bits RGB":
        return opencv(np.repeat(fine[..., None], 3, axis=2))
    if kind == "16 bits, linear":
        return with_gamma(opencv(np.round(light * 65535).astype(np.uint16)), 1.0)
    image = {
        "grey": Image.fromarray(grey),
        "RGB": Image.fromarray(colour),
        "palette": Image.fromarray(grey).quantize(256, dither=Image.Dither.NONE) if kind == "palette" else None,
        "RGBA": Image.fromarray(np.dstack([colour, np.full_like(grey, 200)])),
        "grey with alpha": Image.fromarray(np.dstack([grey, np.full_like(grey, 10)]), "LA"),
    }[kind]
    out = io.BytesIO()
    image.save(out, "PNG")
    return out.getvalue()


@pytest.mark.parametrize(
    "kind", ["RGB", "palette", "RGBA", "grey with alpha", "interlaced", "16 bits", "16 bits RGB", "16 bits, linear"]
)
def test_every_way_to_store_a_png_picture_gives_the_same_corners(tmp_path, grey, kind):
    (tmp_path / "grey.png").write_bytes(written("grey", grey))
    (tmp_path / "other.png").write_bytes(written(kind, grey))
    plain, other = (rakelight_json("measure", tmp_path / name, *BETWEEN) for name in ("grey.png", "other.png"))
    off = np.abs(np.array(plain["scale"]["corners_px"]) - other["scale"]["corners_px"]).max()
    # Rounding to 256 values after a curve, or a palette of 256 colours, moves a corner by thousandths of a pixel.
    assert off < (1e-9 if kind in ("RGB", "RGBA", "grey with alpha", "interlaced", "16 bits", "16 bits RGB") else 0.02), off


def test_png_and_jpeg_of_one_picture_agree(tmp_path, grey):
    colour = np.clip(np.stack([grey * 1.15, grey * 1.0, grey * 0.7], axis=2), 0, 255).astype(np.uint8)
    Image.fromarray(colour).save(tmp_path / "a.png", exif=piexif.dump(EXIF))
    Image.fromarray(colour).save(tmp_path / "a.jpg", quality=98, subsampling=0, exif=piexif.dump(EXIF))
    png, jpeg = (rakelight_json("measure", tmp_path / name, *BETWEEN) for name in ("a.png", "a.jpg"))
    assert np.abs(np.array(png["scale"]["corners_px"]) - jpeg["scale"]["corners_px"]).max() < 0.03
    assert png["scale"]["tilt_deg"] == pytest.approx(jpeg["scale"]["tilt_deg"], abs=0.05)
    assert png["distances"][0]["length_mm"] == pytest.approx(jpeg["distances"][0]["length_mm"], rel=2e-4)


def test_orientation_time_and_place_of_a_png_are_read(tmp_path, grey):
    tags = EXIF | {
        "0th": {piexif.ImageIFD.Orientation: 6},
        "Exif": EXIF["Exif"] | {piexif.ExifIFD.DateTimeOriginal: "2026:10:03 07:41:10", piexif.ExifIFD.OffsetTimeOriginal: "+02:00"},
        "GPS": gps(53.9, 8.2),
    }
    Image.fromarray(np.rot90(grey, 1)).save(tmp_path / "a.png", exif=piexif.dump(tags))
    Image.fromarray(grey).save(tmp_path / "upright.png", exif=piexif.dump(EXIF))
    turned, upright = (rakelight_json("measure", tmp_path / name) for name in ("a.png", "upright.png"))
    assert np.abs(np.array(turned["scale"]["corners_px"]) - upright["scale"]["corners_px"]).max() < 1e-3
    assert turned["scale"]["tilt_deg"] == pytest.approx(upright["scale"]["tilt_deg"], abs=1e-3)
    (tmp_path / "upright.png").unlink()
    read = photo(visit(tmp_path), "a.png")
    assert (read["taken"], read["placed_by"]) == ("2026-10-03T05:41:10Z", "camera")
    assert (read["lat"], read["lon"]) == pytest.approx((53.9, 8.2), abs=1e-6)


OTHERS = [
    ("TIFF", "a TIFF picture", "export it as JPEG at full size"),
    ("GIF", "a GIF picture", "export it as JPEG"),
    ("WEBP", "a WebP picture", "export it as JPEG"),
    ("BMP", "a BMP picture", "export it as JPEG"),
    ("PDF", "a PDF", "as the camera wrote it"),
    ("JPEG2000", "a JPEG 2000 picture", "export it as JPEG"),
    ("AVIF", "an AVIF picture", "'most compatible'"),
]


@pytest.mark.parametrize("kind, words, what_to_do", OTHERS, ids=lambda value: value if value.isupper() else "")
def test_other_kinds_of_files_are_refused_by_name_with_what_to_do(tmp_path, kind, words, what_to_do):
    if (kind == "AVIF" and not features.check("avif")) or (kind == "JPEG2000" and not features.check("jpg_2000")):
        pytest.skip(f"this Pillow can't write {kind}")
    Image.new("RGB", (320, 240), (90, 80, 70)).save(tmp_path / "a.jpg", kind)
    said = rakelight("measure", tmp_path / "a.jpg", expect=2)
    assert words in said and what_to_do in said and "a.jpg" in said, said


def test_a_png_that_is_cut_off_damaged_or_too_large_is_refused(tmp_path, grey):
    whole = written("grey", grey)
    huge = bytearray(whole)
    huge[16:24] = struct.pack(">II", 20_000, 6_001)
    damaged = bytearray(whole)
    damaged[len(whole) // 2] ^= 0xFF
    for bytes_, words in (
        (whole[:-5], "the PNG file is cut off"),
        (bytes(huge), "over 120 megapixels"),
        (bytes(damaged), "the PNG file is damaged"),
        (whole.replace(b"\r\n\x1a\n", b"\n\x1a\n", 1), "signature"),
    ):
        (tmp_path / "a.png").write_bytes(bytes_)
        assert words in rakelight("measure", tmp_path / "a.png", expect=2)


def with_tags(path, grey, exif):
    Image.fromarray(grey).save(path, quality=92, exif=piexif.dump({"Exif": EXIF["Exif"] | exif}))


E = piexif.ExifIFD
FULL = {E.PixelXDimension: SIZE[0], E.PixelYDimension: SIZE[1]}
# A 36 × 27 mm frame: 45 mm across the corners.
PITCH = {E.FocalPlaneXResolution: (SIZE[0] * 100, 36 * 100), E.FocalPlaneYResolution: (SIZE[1] * 100, 27 * 100), E.FocalPlaneResolutionUnit: 4}
FOCAL_MM = {E.FocalLength: (round(FOCAL_35_MM * 45 / 43.27 * 1000), 1000)}


@pytest.mark.parametrize(
    "exif",
    [
        FULL,
        {E.PixelXDimension: SIZE[1], E.PixelYDimension: SIZE[0]},
        {E.DigitalZoomRatio: (1, 1)},
        {E.DigitalZoomRatio: (0, 1)},
        {E.DigitalZoomRatio: (1, 0)},
        FULL | PITCH | FOCAL_MM,
        PITCH | {E.FocalLength: (0, 0)},
    ],
    ids=["sides agree", "turned by a program", "no zoom", "zoom not used", "zoom not known", "whole frame", "no focal length in mm"],
)
def test_a_focal_length_without_reason_for_doubt_is_used(tmp_path, grey, exif):
    with_tags(tmp_path / "a.jpg", grey, exif)
    measured = rakelight_json("measure", tmp_path / "a.jpg")
    assert measured["scale"]["tilt_deg"] is not None and measured["scale"]["height_mm"] is not None


DOUBTS = [
    ({E.DigitalZoomRatio: (2, 1)}, "digital zoom (2.0 ×)", "Digitalzoom (2,0 ×)"),
    (FULL | {E.PixelXDimension: 2 * SIZE[0]}, "cropped or made smaller", "beschnitten oder verkleinert"),
    # Cut to the middle by a program that wrote the new sides: the pixels lie as closely, the frame is smaller.
    (FULL | PITCH | {E.FocalLength: (round(FOCAL_35_MM * 60 / 43.27 * 1000), 1000)}, "only a part", "nur einen Teil"),
]


@pytest.mark.parametrize("exif, english, german", DOUBTS, ids=["zoom", "other sides", "part of the frame"])
def test_a_focal_length_that_may_not_hold_is_not_used_and_told(tmp_path, grey, exif, english, german):
    with_tags(tmp_path / "a.jpg", grey, exif)
    with_tags(tmp_path / "b.jpg", grey, {})
    measured = rakelight_json("measure", tmp_path / "a.jpg")
    assert measured["scale"]["tilt_deg"] is None and measured["scale"]["height_mm"] is None
    assert any(english in warning for warning in measured["warnings"]), measured["warnings"]
    said = json.loads(rakelight("measure", tmp_path / "a.jpg", "--lang", "de", "--json"))
    assert any(german in warning for warning in said["warnings"]), said["warnings"]
    # Where a focal length can't be done without, that is an error with the same cause.
    for arguments in (
        ("measure", tmp_path / "a.jpg", "--depth-mm", 10, "--u-depth-mm", 2),
        ("measure", tmp_path / "b.jpg", tmp_path / "a.jpg"),
    ):
        cause = rakelight(*arguments, expect=2)
        assert "focal length may not hold" in cause, cause


def test_a_doubted_focal_length_is_told_for_a_coin_too(tmp_path, grey):
    with_tags(tmp_path / "a.jpg", grey, {E.DigitalZoomRatio: (3, 1)})
    coin = ("--scale", "coin:1eur,800,600,116,114,20")
    assert any("digital zoom" in warning for warning in rakelight_json("measure", tmp_path / "a.jpg", *coin)["warnings"])
    ruler = ("--scale", "ruler:100,100,900,100,100")
    assert not any("digital zoom" in warning for warning in rakelight_json("measure", tmp_path / "a.jpg", *ruler)["warnings"])
