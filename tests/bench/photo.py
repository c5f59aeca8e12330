"""Time from a 12-megapixel JPEG file to the plane, against OpenCV's imdecode (grey) and marker detection with sub-pixel corners, one
thread, alternating in one run; and the peak memory of one measurement."""

import pathlib
import re
import statistics
import subprocess
import sys
import tempfile
import time

import cv2
import numpy as np

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
    both = []
    for _ in range(3):
        said = subprocess.run([CLOCK, path], capture_output=True, text=True, check=True).stdout
        decode, whole = map(float, said.split())
        both.append((decode, whole, milliseconds(lambda: cv2.imdecode(bytes_, cv2.IMREAD_GRAYSCALE)),
                     milliseconds(lambda: opencv(bytes_, False)), milliseconds(lambda: opencv(bytes_, True))))
    rows.append([min(column) for column in zip(*both)])
decode, whole, cv_decode, full, half = (statistics.median(column) for column in zip(*rows))
print(f"{count} pictures of 4000 × 3000, seeds from 70000, best of 3 each, medians in ms")
print(f"decode             ours {decode:6.1f}   OpenCV {cv_decode:6.1f}   ratio {decode / cv_decode:.2f}")
print(f"file to plane      ours {whole:6.1f}   OpenCV at full size {full:6.1f}   ratio {whole / full:.2f}")
print(f"                                  OpenCV at half size {half:6.1f}   ratio {whole / half:.2f}")


def peak_kb(*arguments):
    said = subprocess.run(["/usr/bin/time", "-v", PROGRAM, *arguments], capture_output=True, text=True)
    return int(re.search(r"Maximum resident set size \(kbytes\): (\d+)", said.stderr).group(1))


base = peak_kb("card", "--json")
print(f"memory: 12 megapixels {(peak_kb('measure', folder / '0.jpg', '--json') - base) / 1024:.0f} MB above the program's base of {base / 1024:.0f} MB")
