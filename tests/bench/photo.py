"""Time from a 12-megapixel JPEG file to the plane, against OpenCV's imdecode (grey) and marker detection with sub-pixel corners, one
thread, alternating in one run; and the peak memory of measuring 12 and 108 megapixels, upright and turned."""

import io
import pathlib
import re
import statistics
import subprocess
import sys
import tempfile
import time

import cv2
import numpy as np
import piexif
from PIL import Image

from scenes import Scenes
from conftest import PROGRAM, ROOT

count = int(sys.argv[1]) if len(sys.argv) > 1 else 20
cv2.setNumThreads(1)
family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
settings = cv2.aruco.DetectorParameters()
settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
detector = cv2.aruco.ArucoDetector(family, settings)
CLOCK = ROOT / "target" / "release" / "photo-clock"


def milliseconds(work):
    start = time.perf_counter()
    work()
    return 1000 * (time.perf_counter() - start)


def opencv(bytes_, half):
    picture = cv2.imdecode(bytes_, cv2.IMREAD_GRAYSCALE)
    detector.detectMarkers(cv2.resize(picture, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA) if half else picture)


scenes = Scenes()
folder = pathlib.Path(tempfile.mkdtemp())
rows = []
for i in range(count):
    picture, _, _ = scenes.make("plain", 70_000 + i)
    path = folder / f"{i}.jpg"
    path.write_bytes(picture)
    bytes_ = np.frombuffer(picture, np.uint8)
    # Both in a process that has done the same before: the first time costs fresh memory.
    said = subprocess.run([CLOCK, path], capture_output=True, text=True, check=True).stdout
    theirs = [(milliseconds(lambda: cv2.imdecode(bytes_, cv2.IMREAD_GRAYSCALE)),
               milliseconds(lambda: opencv(bytes_, False)), milliseconds(lambda: opencv(bytes_, True))) for _ in range(4)]
    rows.append([*map(float, said.split()), *map(min, zip(*theirs[1:]))])
decode, whole, cv_decode, full, half = (statistics.median(column) for column in zip(*rows))
print(f"{count} pictures of 4000 × 3000, seeds from 70000, best of 3 each, medians in ms")
print(f"decode             ours {decode:6.1f}   OpenCV {cv_decode:6.1f}   ratio {decode / cv_decode:.2f}")
print(f"file to plane      ours {whole:6.1f}   OpenCV at full size {full:6.1f}   ratio {whole / full:.2f}")
print(f"                                  OpenCV at half size {half:6.1f}   ratio {whole / half:.2f}")


def peak_mb(*arguments):
    """The peak of resident memory (VmHWM)."""
    said = subprocess.run(["/usr/bin/time", "-v", PROGRAM, *arguments], capture_output=True, text=True)
    assert "Exit status: 0" in said.stderr, said.stderr
    return int(re.search(r"Maximum resident set size \(kbytes\): (\d+)", said.stderr).group(1)) / 1024


def enlarged(times, orientation):
    """The first picture enlarged, in colour and with a sensor's grain, stored so that this orientation turns it upright."""
    small = cv2.imread(str(folder / "0.jpg"))
    large = cv2.resize(small, None, fx=times, fy=times, interpolation=cv2.INTER_CUBIC) if times > 1 else small
    grain = np.random.default_rng(1).integers(-4, 5, large.shape[:2], dtype=np.int8)
    for rows in np.array_split(np.arange(len(large)), 30):
        large[rows] = np.clip(large[rows].astype(np.int16) + grain[rows, :, None], 0, 255)
    stored = np.rot90(large, {1: 0, 6: 1, 3: 2}[orientation])
    exif = piexif.dump({"0th": {piexif.ImageIFD.Orientation: orientation}, "Exif": {piexif.ExifIFD.FocalLengthIn35mmFilm: 25}})
    path = folder / f"{times}-{orientation}.jpg"
    Image.fromarray(stored).save(path, quality=92, exif=exif)
    return path


base = peak_mb("card", "--json")
print(f"peak memory of `rakelight measure` above the program's base of {base:.0f} MB, JPEG in colour (baseline, 4:2:0)")
for times, most in ((1, 60), (3, 350)):
    for orientation in (1, 3, 6):
        path = enlarged(times, orientation)
        above = peak_mb("measure", path, "--json") - base
        print(
            f"  {12 * times**2:3} megapixels, orientation {orientation}, file of {path.stat().st_size / 2**20:4.0f} MB: {above:4.0f} MB"
            f" (at most {most}){'' if above <= most else '  TOO MUCH'}"
        )
