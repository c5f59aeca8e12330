"""Photographs and tracks written by other libraries (Pillow, piexif, gpxpy from PyPI) are read right, and the store that comes
out of a visit is opened by SQLite's own program."""

import datetime as dt
import io
import json
import shutil
import sqlite3
import subprocess

import gpxpy.gpx
import numpy as np
import piexif
import pytest
from PIL import Image

from conftest import ROOT, rakelight

DEMO = ROOT / "fixtures" / "demo-visit"

UTC = dt.timezone.utc
START = dt.datetime(2026, 10, 3, 5, 0, tzinfo=UTC)
HEAD = """
[visit]
purpose = "a check"
start = 2026-10-03T07:00:00+02:00
end = 2026-10-03T09:00:00+02:00
people = ["A Tester"]
place_name = "Nowhere"
"""


def rational(value, per=1_000_000):
    return (round(value * per), per)


def degrees(value):
    whole = int(abs(value))
    minutes = (abs(value) - whole) * 60
    return [(whole, 1), (int(minutes), 1), rational((minutes - int(minutes)) * 60)]


def gps(lat, lon, radius_m=None):
    tags = {
        piexif.GPSIFD.GPSLatitudeRef: "N" if lat >= 0 else "S",
        piexif.GPSIFD.GPSLatitude: degrees(lat),
        piexif.GPSIFD.GPSLongitudeRef: "E" if lon >= 0 else "W",
        piexif.GPSIFD.GPSLongitude: degrees(lon),
    }
    if radius_m:
        tags[piexif.GPSIFD.GPSHPositioningError] = rational(radius_m)
    return tags


def jpeg(path, local="2026:10:03 07:41:10", offset=None, gps_tags=None, exif=True, seed=0):
    """A picture of nothing with the EXIF that piexif writes."""
    pixels = np.random.default_rng(seed).integers(0, 255, (240, 320, 3), dtype=np.uint8)
    tags = {piexif.ExifIFD.DateTimeOriginal: local} if local else {}
    if offset:
        tags[piexif.ExifIFD.OffsetTimeOriginal] = offset
    options = {"exif": piexif.dump({"Exif": tags, "GPS": gps_tags or {}})} if exif else {}
    Image.fromarray(pixels).save(path, quality=80, **options)


def visit(folder, toml=HEAD):
    (folder / "visit.toml").write_text(toml)
    rakelight("visit", folder, "--out", folder / "out")
    return json.loads((folder / "out" / "visit.json").read_text())


def photo(result, name):
    return next(p for p in result["photos"] if p["file"] == name)


@pytest.mark.parametrize("lat, lon", [(51.56037, -2.66512), (-33.9, 18.4), (53.9, 8.2), (0.0001, -0.0001)])
def test_positions_of_piexif_are_read(tmp_path, lat, lon):
    jpeg(tmp_path / "a.jpg", offset="+02:00", gps_tags=gps(lat, lon))
    read = photo(visit(tmp_path), "a.jpg")
    assert (read["lat"], read["lon"]) == pytest.approx((lat, lon), abs=1e-8)
    assert read["placed_by"] == "camera"


@pytest.mark.parametrize(
    "offset, gps_time, taken, clock",
    [
        ("+02:00", None, "2026-10-03T05:41:10Z", "camera"),
        ("-03:30", None, "2026-10-03T11:11:10Z", "camera"),
        (None, "05:41:02", "2026-10-03T05:41:10Z", "satellites"),
        (None, None, "2026-10-03T07:41:10Z", "assumed_utc"),
    ],
)
def test_times_are_told_from_what_the_camera_wrote(tmp_path, offset, gps_time, taken, clock):
    tags = gps(53.9, 8.2)
    if gps_time:
        tags[piexif.GPSIFD.GPSDateStamp] = "2026:10:03"
        tags[piexif.GPSIFD.GPSTimeStamp] = [(int(part), 1) for part in gps_time.split(":")]
    jpeg(tmp_path / "a.jpg", offset=offset, gps_tags=tags)
    read = photo(visit(tmp_path), "a.jpg")
    assert (read["taken"], read["clock"]) == (taken, clock)


def walk(path, minutes=40):
    """A walk to the north, a point a minute, as gpxpy writes it."""
    track = gpxpy.gpx.GPX()
    segment = gpxpy.gpx.GPXTrackSegment()
    for minute in range(minutes + 1):
        time = START + dt.timedelta(minutes=minute)
        segment.points.append(gpxpy.gpx.GPXTrackPoint(53.90 + 0.0005 * minute, 8.2, elevation=1.0, time=time))
    track.tracks.append(gpxpy.gpx.GPXTrack(name="walk"))
    track.tracks[0].segments.append(segment)
    path.write_text(track.to_xml(version="1.1"))
    return gpxpy.parse(path.read_text())


def test_a_photograph_without_position_takes_it_from_the_track_by_time(tmp_path):
    track = walk(tmp_path / "walk.gpx")
    # The camera's clock is an hour slow and knows no offset: 04:20:30 UTC by its own belief.
    jpeg(tmp_path / "a.jpg", local="2026:10:03 04:20:30")
    result = visit(tmp_path, HEAD + "clock_offset_s = 3600\n")
    read = photo(result, "a.jpg")
    assert (read["taken"], read["clock"], read["placed_by"]) == ("2026-10-03T05:20:30Z", "corrected", "track")
    before, after = (track.tracks[0].segments[0].points[i] for i in (20, 21))
    assert read["lat"] == pytest.approx((before.latitude + after.latitude) / 2, abs=1e-7)
    assert result["effort"]["walked_m"] == pytest.approx(track.length_2d(), rel=2e-3)


def test_a_photograph_of_a_clock_sets_the_folders_clock_right(tmp_path):
    walk(tmp_path / "walk.gpx")
    jpeg(tmp_path / "a.jpg", local="2026:10:03 04:20:30")
    jpeg(tmp_path / "clock.jpg", local="2026:10:03 03:58:00", seed=1)
    clock = 'clock_photo = { file = "clock.jpg", shows = 2026-10-03T06:58:00+02:00 }\n'
    assert photo(visit(tmp_path, HEAD + clock), "a.jpg")["taken"] == "2026-10-03T05:20:30Z"


def test_each_bad_file_is_left_out_with_its_own_reason_and_the_rest_goes_on(tmp_path):
    jpeg(tmp_path / "good.jpg", offset="+02:00")
    whole = (tmp_path / "good.jpg").read_bytes()
    (tmp_path / "empty.jpg").write_bytes(b"")
    (tmp_path / "cut.jpg").write_bytes(whole[: len(whole) // 2])
    (tmp_path / "text.jpg").write_text("not a picture")
    (tmp_path / "twin.jpg").write_bytes(whole)
    jpeg(tmp_path / "bare.jpg", exif=False, seed=2)
    jpeg(tmp_path / "timeless.jpg", local=None, gps_tags=gps(53.9, 8.2), seed=3)
    Image.new("RGB", (1, 1)).save(tmp_path / "dot.jpg")
    Image.new("RGB", (400, 300)).save(tmp_path / "drawing.gif")
    Image.new("CMYK", (400, 300)).save(tmp_path / "printing.jpg")
    # 121 megapixels by its header alone.
    huge = bytearray(whole)
    at = huge.find(b"\xff\xc0")
    huge[at + 5 : at + 9] = (11000).to_bytes(2, "big") * 2
    (tmp_path / "huge.jpg").write_bytes(huge)
    result = visit(tmp_path)
    reasons = {left["file"]: left["reason"] for left in result["left_out"]}
    expected = {
        "empty.jpg": "empty",
        "cut.jpg": "cut off",
        "text.jpg": "not a JPEG or PNG file but a text",
        "twin.jpg": "same photograph as good.jpg",
        "bare.jpg": "no EXIF",
        "timeless.jpg": "states no time",
        "dot.jpg": "1 × 1 pixels are too few",
        "drawing.gif": "a GIF picture",
        "printing.jpg": "CMYK",
        "huge.jpg": "over 120 megapixels",
    }
    assert reasons.keys() == expected.keys()
    for name, words in expected.items():
        assert words in reasons[name], (name, reasons[name])
    assert len(set(reasons.values())) == len(reasons)
    assert [p["file"] for p in result["photos"]] == ["good.jpg"]


def test_damaged_exif_gives_what_can_be_read(tmp_path):
    jpeg(tmp_path / "a.jpg", offset="+02:00", gps_tags=gps(53.9, 8.2))
    bytes_ = bytearray((tmp_path / "a.jpg").read_bytes())
    at = bytes_.find(b"2026:10:03 07:41:10")
    # The GPS block, which lies behind the time, is overwritten with nonsense.
    end = at + 40
    bytes_[end : end + 60] = b"\xee" * 60
    (tmp_path / "a.jpg").write_bytes(bytes_)
    read = photo(visit(tmp_path), "a.jpg")
    assert read["taken"].startswith("2026-10-03T")


def test_the_same_folder_twice_adds_nothing_and_sqlite_opens_the_store(tmp_path):
    walk(tmp_path / "walk.gpx")
    jpeg(tmp_path / "a.jpg", offset="+02:00")
    first = visit(tmp_path)
    store = tmp_path / "out" / "store"
    before = rakelight("store", "verify", store, "--json")
    assert visit(tmp_path) == first
    after = rakelight("store", "verify", store, "--json")
    assert json.loads(after) == json.loads(before) and json.loads(after)["damage"] == []
    assert json.loads(after)["photographs"] == 1

    database = sqlite3.connect(store / "store.sqlite")
    assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    said = subprocess.run(
        ["sqlite3", store / "store.sqlite", "PRAGMA integrity_check; SELECT count(*) FROM entries"], capture_output=True, text=True
    )
    assert said.stdout.split() == ["ok", str(json.loads(after)["entries"])]


def test_a_damaged_photograph_in_the_store_is_noticed(tmp_path):
    jpeg(tmp_path / "a.jpg", offset="+02:00")
    visit(tmp_path)
    stored = next((tmp_path / "out" / "store" / "photos").rglob("*.jpg"))
    bytes_ = bytearray(stored.read_bytes())
    bytes_[1000] ^= 1
    stored.chmod(0o644)
    stored.write_bytes(bytes_)
    verified = json.loads(rakelight("store", "verify", tmp_path / "out" / "store", "--json"))
    assert len(verified["damage"]) == 1 and stored.stem in json.dumps(verified["damage"])


@pytest.mark.parametrize(
    "toml, words",
    [
        ("", "missing field `visit`"),
        (HEAD + "weather = 'fine'\n", "weather"),
        (HEAD.replace("09:00:00", "06:00:00"), "end lies before start"),
        (HEAD + "sensitivity_category = 7\n", "1 (extreme) to 4 (low)"),
        (HEAD + "[[sign]]\nid = 's'\nkind = 'trail'\ntrail = 't9'\n", 't9'),
        (HEAD + "[[photo]]\nfile = 'a.jpg'\ncard = '7'\n", "no [[card]] has that number"),
        (HEAD + 2 * "[[card]]\nnumber = '7'\ncheck_line_mm = 99\n", "two [[card]] are called \"7\""),
        (HEAD + "[[stretch]]\nname = 's'\nline = [[8.2, 253.9], [8.2, 53.9]]\n", "latitude 253.9"),
        (HEAD + "[[stretch]]\nname = 's'\nline = [[8.2, 53.9]]\n", "at least two points"),
        (HEAD + "[[sign]]\nid = 's'\nkind = 'print'\nprints = [{ widht_mm = 60 }]\n", "widht_mm"),
    ],
)
def test_a_wrong_visit_file_is_refused_by_name(tmp_path, toml, words):
    (tmp_path / "visit.toml").write_text(toml)
    said = rakelight("visit", tmp_path, "--out", tmp_path / "out", expect=2)
    assert words in said, said
    assert not (tmp_path / "out").exists()


def test_a_folder_without_visit_file_says_what_to_do(tmp_path):
    assert "has no visit.toml" in rakelight("visit", tmp_path, "--out", tmp_path / "out", expect=2)


def test_a_cards_check_line_is_kept_by_its_number(tmp_path):
    """The demo's card, were it printed at 97 %: every length shrinks alike, in the photographs that name that card."""
    visit = (DEMO / "visit.toml").read_text()
    folder = tmp_path / "visit"
    shutil.copytree(DEMO, folder)
    cards = "".join(f"[[card]]\nnumber = '{n}'\ncheck_line_mm = {mm}\nu_check_line_mm = 0.05\n\n" for n, mm in ((1, 100), (2, 97)))
    measured = {}
    for number in "12":
        head, photos = visit.split("[[photo]]", 1)
        text = head + cards + "[[photo]]" + photos
        (folder / "visit.toml").write_text(text.replace("landmarks = ", f"card = '{number}'\nlandmarks = "))
        rakelight("visit", folder, "--out", tmp_path / number)
        photos = json.loads((tmp_path / number / "visit.json").read_text())["photos"]
        measured[number] = [p["measurement"] for p in photos if p["measurement"] and p["measurement"]["scale"]["kind"] == "card"]
    assert measured["1"]
    for true, small in zip(measured["1"], measured["2"]):
        assert small["scale"]["check_line_mm"] == 97
        for one, other in zip(true["prints"], small["prints"]):
            assert other["width_mm"] == pytest.approx(0.97 * one["width_mm"], rel=2e-3)
