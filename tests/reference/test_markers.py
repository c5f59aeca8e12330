"""The marker family's codes as OpenCV has them: every one of the 587, in all four turns."""

import cv2
import numpy as np
import pytest

from conftest import ROOT

FAMILY = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
CODES = [int(line, 16) for line in (ROOT / "core/data/tag36h11.txt").read_text().split("\n") if line and line[0] != "#"]


def cells(code):
    """The inner cells as the file states them: row by row from the top left, white = 1, most significant bit first."""
    return np.array([code >> (35 - i) & 1 for i in range(36)], np.uint8).reshape(6, 6)


def drawn(code, cell_px=8):
    """The whole marker as our card shows it: a black border of one cell around the cells, on white, a quiet zone of two cells around."""
    inner = np.pad(np.pad(cells(code), 1), 2, constant_values=1)
    return np.kron(inner * 255, np.ones((cell_px, cell_px))).astype(np.uint8)


def test_the_family_is_whole():
    assert len(CODES) == 587 == FAMILY.bytesList.shape[0] and FAMILY.markerSize == 6


@pytest.mark.parametrize("turns", range(4))
def test_every_code_is_opencvs_however_it_is_turned(turns):
    for id_, code in enumerate(CODES):
        # OpenCV keeps each code in all four turns, each next one turned counter-clockwise by a quarter.
        theirs = cv2.aruco.Dictionary.getBitsFromByteList(FAMILY.bytesList[id_ : id_ + 1], 6, turns)
        assert (np.rot90(cells(code), turns) == theirs).all(), id_


def test_every_code_is_drawn_as_opencv_draws_it():
    for id_, code in enumerate(CODES):
        theirs = cv2.aruco.generateImageMarker(FAMILY, id_, 64)
        assert (drawn(code)[16:-16, 16:-16] == theirs).all(), id_


@pytest.mark.parametrize("turns", range(4))
def test_opencvs_detector_reads_every_code_as_we_draw_it_with_the_same_corner_first(turns):
    detector = cv2.aruco.ArucoDetector(FAMILY)
    for id_, code in enumerate(CODES):
        # Counter-clockwise, so that the corner that was top left comes to lie bottom left, bottom right, top right.
        corners, ids, _ = detector.detectMarkers(np.rot90(drawn(code), turns).copy())
        assert ids is not None and ids.ravel().tolist() == [id_]
        first = [(16, 16), (16, 79), (79, 79), (79, 16)][turns]
        assert np.abs(corners[0][0][0] - first).max() < 2, id_
