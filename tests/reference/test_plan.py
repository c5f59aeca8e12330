"""Sun, tide and windows against pvlib, NOAA's predictions, utide, zoneinfo and icalendar (PyPI)."""

import csv
import datetime
import hashlib
import json
import random
import zoneinfo

import icalendar
import jsonschema
import numpy as np
import pandas as pd
import pvlib
import pyproj
import pytest
import shapely
import utide

from conftest import ROOT, rakelight, rakelight_json

REFERENCE = ROOT / "fixtures" / "reference"
UTC = datetime.timezone.utc


def rows(name):
    lines = [line for line in (REFERENCE / name).read_text().splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


def time(text):
    return datetime.datetime.fromisoformat(text)


def check(document, name):
    schema = json.loads((ROOT / "fixtures" / "schema" / f"{name}.schema.json").read_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.Draft202012Validator(schema).validate(document)


def sun(lat, lon, at, *more):
    return rakelight_json("plan", "sun", "--lat", lat, "--lon", lon, "--at", at, *more)


def windows(lat, lon, start, days, *more):
    return rakelight_json("plan", "windows", "--lat", lat, "--lon", lon, "--from", start, "--days", days, *more)


def test_the_example_of_nrels_report():
    """TP-560-34302: 2003-10-17 12:30:30 UTC-7, zenith 50.11162, azimuth 194.34024 degrees."""
    options = ["--pressure-hpa", 820, "--temperature-c", 11, "--elevation-m", 1830.14, "--delta-t-s", 67]
    answer = sun(39.742476, -105.1786, "2003-10-17T12:30:30-07:00", *options)
    check(answer, "plan_sun")
    assert answer["apparent_zenith_deg"] == pytest.approx(50.11162, abs=1e-5)
    assert answer["azimuth_deg"] == pytest.approx(194.34024, abs=1e-5)


def test_the_sun_stands_where_pvlib_has_it():
    dice = random.Random(7)
    for _ in range(60):
        lat, lon = dice.uniform(-89, 89), dice.uniform(-180, 180)
        at = datetime.datetime(2000, 1, 1, tzinfo=UTC) + datetime.timedelta(seconds=dice.randrange(60 * 365 * 86400))
        hpa, celsius, metres = dice.uniform(900, 1040), dice.uniform(-20, 35), dice.uniform(0, 800)
        ours = sun(lat, lon, at.isoformat(), "--pressure-hpa", hpa, "--temperature-c", celsius, "--elevation-m", metres, "--delta-t-s", 69.2)
        theirs = pvlib.solarposition.spa_python(
            pd.DatetimeIndex([at]), lat, lon, altitude=metres, pressure=hpa * 100, temperature=celsius, delta_t=69.2, atmos_refract=0.5667
        ).iloc[0]
        assert ours["zenith_deg"] == pytest.approx(theirs["zenith"], abs=5e-4)
        if ours["zenith_deg"] < 90:
            assert ours["apparent_zenith_deg"] == pytest.approx(theirs["apparent_zenith"], abs=5e-4)
        around = (ours["azimuth_deg"] - theirs["azimuth"] + 180) % 360 - 180
        assert abs(around) * np.sin(np.radians(ours["zenith_deg"])) < 5e-4


@pytest.mark.parametrize("lat, lon, zone", [(51.56, -2.665, "Europe/London"), (37.0, -8.9, "Europe/Lisbon"), (69.65, 18.96, "Europe/Oslo")])
def test_low_sun_is_when_pvlib_has_it_low(lat, lon, zone):
    plan = windows(lat, lon, "2026-03-01", 60, "--time-zone", zone)
    check(plan, "plan_windows")
    times = pd.date_range("2026-03-01T12:00Z", "2026-04-29T12:00Z", freq="3min")
    elevation = pvlib.solarposition.spa_python(times, lat, lon, pressure=101325, temperature=12, delta_t=69.2)["apparent_elevation"]
    inside = np.zeros(len(times), bool)
    for window in plan["windows"]:
        inside |= (times >= window["start"]) & (times <= window["end"])
    low, high = plan["low_sun"]["lowest_deg"], plan["low_sun"]["highest_deg"]
    expected = (elevation.values >= low) & (elevation.values <= high)
    at_a_limit = np.minimum(abs(elevation.values - low), abs(elevation.values - high)) < 0.03
    assert (inside == expected)[~at_a_limit].all()


def test_dates_and_clock_times_are_those_of_the_time_zone():
    """Around the nights on which the clocks change, and where the date is another one than at Greenwich."""
    for zone, lat, lon, start in [("Europe/London", 51.5, 0, "2026-03-28"), ("Europe/Berlin", 53, 9, "2026-10-24"), ("Pacific/Auckland", -43.5, 172.7, "2026-09-26")]:
        plan = windows(lat, lon, start, 3, "--time-zone", zone)
        assert [day["date"] for day in plan["days"]] == [str(datetime.date.fromisoformat(start) + datetime.timedelta(n)) for n in range(3)]
        for window in plan["windows"]:
            local = time(window["start"]).astimezone(zoneinfo.ZoneInfo(zone))
            assert time(window["start_local"]) == local and time(window["start_local"]).utcoffset() == local.utcoffset()
            assert window["date"] == str(local.date())


def tide(*arguments):
    return rakelight_json("plan", "tide", *arguments)


def test_a_week_of_tide_is_the_one_that_noaa_predicts():
    hourly, extremes = rows("tide_noaa_9447130_hourly.csv"), rows("tide_noaa_9447130_extremes.csv")
    constants = REFERENCE / "tide_noaa_9447130_constituents.csv"
    answer = tide("--constituents", constants, "--z0-m", 2.024, "--from", hourly[0]["utc"], "--to", hourly[-1]["utc"], "--step-minutes", 60)
    check(answer, "plan_tide")
    assert len(answer["heights"]) == len(hourly)
    for ours, theirs in zip(answer["heights"], hourly):
        assert time(ours["utc"]) == time(theirs["utc"]).replace(tzinfo=UTC)
        assert ours["height_m"] == pytest.approx(float(theirs["noaa_m_mllw"]), abs=0.002)
    for ours, theirs in zip(answer["extremes"], extremes):
        assert ours["type"] == theirs["type"]
        assert ours["height_m"] == pytest.approx(float(theirs["m_mllw"]), abs=0.002)
        assert abs((time(ours["utc"]) - time(theirs["utc"]).replace(tzinfo=UTC)).total_seconds()) <= 60


def test_constituents_go_as_fast_as_utide_has_them(tmp_path):
    """A file with a speed is refused where that isn't the constituent's; so each of utide's passes."""
    table = utide._ut_constants.ut_constants["const"]
    hour = dict(zip([name.strip() for name in table["name"]], table["freq"] * 360))
    other_names = {"MM": "MM", "RHO": "RHO1", "LAM2": "LDA2", "SIG1": "SIG1", "THE1": "THE1", "MSN2": None, "2MS6": "2MS6"}
    ours = rakelight("plan", "tide", "--constituents", "-", "--from", "2026-01-01", "--to", "2026-01-02", expect=2, input="name,amp_m,phase_gmt_deg\nX,1,0\n")
    names = ours.split("there are: ")[1].strip().split(", ")
    checked = 0
    for name in names:
        speed = hour.get(other_names.get(name, name) or "")
        if speed is None or name == "M1":  # utide's M1 (NO1) is another term
            continue
        checked += 1
        file = tmp_path / f"{name}.csv"
        file.write_text(f"name,amp_m,phase_gmt_deg,speed_deg_h\n{name},1,0,{speed}\n")
        tide("--constituents", file, "--from", "2026-01-01T00:00Z", "--to", "2026-01-02T00:00Z")
        file.write_text(f"name,amp_m,phase_gmt_deg,speed_deg_h\n{name},1,0,{speed + 0.001}\n")
        assert "degrees an hour" in rakelight("plan", "tide", "--constituents", file, "--from", "2026-01-01T00:00Z", "--to", "2026-01-02T00:00Z", expect=2)
    assert checked >= 40


@pytest.fixture
def spring_tide(tmp_path):
    """Two days of an invented tide, low water in the morning and at dusk."""
    file = tmp_path / "tide.csv"
    turns = ["2026-10-03T02:10Z,11.8,H", "2026-10-03T08:40Z,1.4,L", "2026-10-03T14:30Z,12.1,H", "2026-10-03T21:00Z,1.1,L",
             "2026-10-04T02:50Z,11.9,H", "2026-10-04T09:20Z,1.3,L", "2026-10-04T15:10Z,12.0,H", "2026-10-04T21:40Z,1.2,L", "2026-10-05T03:30Z,11.7,H"]
    file.write_text("# invented\nutc,height_m,type\n" + "\n".join(turns) + "\n")
    return file


SEVERN = (51.56, -2.665, "2026-10-03")


def test_a_window_ends_before_the_water_turns_and_leaves_time_for_the_way_back(spring_tide):
    options = ["--tide", spring_tide, "--free-below-m", 4.0, "--time-zone", "Europe/London", "--sun-from-deg", 3, "--sun-to-deg", 40]
    plan = windows(*SEVERN, 2, *options, "--walk-minutes", 20, "--margin-minutes", 30)
    check(plan, "plan_windows")
    assert plan["windows"]
    for window in plan["windows"]:
        shore = window["tide"]
        assert time(shore["free_from"]) <= time(window["start"]) < time(window["end"]) <= time(shore["low_water"]["utc"])
        assert time(window["end"]) <= time(shore["covered_from"]) - datetime.timedelta(minutes=50)
    longer = windows(*SEVERN, 2, *options, "--walk-minutes", 20, "--margin-minutes", 30, "--past-low-water")
    assert any(time(window["end"]) > time(window["tide"]["low_water"]["utc"]) for window in longer["windows"])
    for window in longer["windows"]:
        assert time(window["end"]) <= time(window["tide"]["covered_from"]) - datetime.timedelta(minutes=50)
    assert any("official tide table" in note for note in plan["notes"])


def test_the_water_passes_the_height_of_the_place_when_half_a_cosine_does(spring_tide):
    plan = windows(*SEVERN, 1, "--tide", spring_tide, "--free-below-m", 4.0)
    (shore,) = [free for free in plan["days"][0]["free_shore"] if free["low_water"]["utc"].startswith("2026-10-03T08:40")]
    high, low = time("2026-10-03T02:10+00:00"), time("2026-10-03T08:40+00:00")
    share = np.arccos(1 - 2 * (11.8 - 4.0) / (11.8 - 1.4)) / np.pi
    assert abs(time(shore["free_from"]) - (high + share * (low - high))).total_seconds() <= 1


def test_a_way_back_that_is_longer_than_the_shore_is_free_gives_no_window(spring_tide):
    plan = windows(*SEVERN, 1, "--tide", spring_tide, "--free-below-m", 2.0, "--walk-minutes", 300, "--margin-minutes", 60)
    assert plan["windows"] == [] and plan["days"][0]["none_because"] == "never_free"


def test_days_that_the_table_does_not_have_are_refused(spring_tide):
    told = rakelight("plan", "windows", "--lat", 51.56, "--lon", -2.665, "--from", "2026-10-03", "--days", 5, "--tide", spring_tide, "--free-below-m", 4, expect=2)
    assert "2026-10-06" in told and "2026-10-05T03:30:00Z" in told
    plan = windows(*SEVERN, 3, "--tide", spring_tide, "--free-below-m", 4)
    assert plan["days"][2]["tide_known"] == "partly" and any("2026-10-05" in note for note in plan["notes"])


@pytest.mark.parametrize("arguments, told", [
    (["sun", "--lat", 91, "--lon", 0, "--at", "2026-10-03T07:00Z"], "latitudes run from -90"),
    (["sun", "--lat", 51, "--lon", -2.665, "--at", "2026-02-30T07:00Z"], "no time"),
    (["sun", "--lat", 51, "--lon", -2.665, "--at", "2026-02-20T07:00Z", "--pressure-hpa", -4], "ressure"),
    (["windows", "--lat", 51, "--lon", 0, "--from", "2026-02-30"], "2026-02-30"),
    (["windows", "--lat", 51, "--lon", 0, "--from", "2026-02-20", "--days", 0], "1 to 3700"),
    (["windows", "--lat", 51, "--lon", 0, "--from", "1926-02-20"], "2010 to 2110"),
    (["windows", "--lat", 51, "--lon", 0, "--from", "2026-02-20", "--time-zone", "Europe/Nowhere"], "time zone"),
    (["windows", "--lat", 51, "--lon", 0, "--from", "2026-02-20", "--free-below-m", 2], "official table"),
    (["windows", "--lat", 51, "--lon", 0, "--from", "2026-02-20", "--sun-from-deg", 20, "--sun-to-deg", 5], "lower one first"),
    (["tide", "--from", "2026-02-20T00:00Z", "--to", "2026-02-21T00:00Z"], "official table"),
])
def test_what_cannot_be_is_refused_and_says_why(arguments, told):
    assert told in rakelight("plan", *arguments, expect=2)


def test_a_tide_without_the_height_of_the_place_is_refused(spring_tide):
    assert "--free-below-m" in rakelight("plan", "windows", "--lat", 51.56, "--lon", -2.665, "--from", "2026-10-03", "--tide", spring_tide, expect=2)


def test_the_calendar_holds_every_window(spring_tide, tmp_path):
    file = tmp_path / "walks.ics"
    plan = windows(*SEVERN, 2, "--tide", spring_tide, "--free-below-m", 4.0, "--calendar", file)
    events = icalendar.Calendar.from_ical(file.read_bytes()).walk("VEVENT")
    assert [(event.decoded("dtstart"), event.decoded("dtend")) for event in events] == [(time(w["start"]), time(w["end"])) for w in plan["windows"]]
    assert all("official tide table" in str(event["description"]) for event in events)
    assert len({str(event["uid"]) for event in events}) == len(events)
    assert all(len(line) <= 75 for line in file.read_bytes().split(b"\r\n"))


def test_both_languages_say_the_same(spring_tide):
    german = rakelight("--lang", "de", "plan", "windows", "--lat", 51.56, "--lon", -2.665, "--from", "2026-10-03", "--tide", spring_tide, "--free-below-m", 4)
    assert "Umkehren bis" in german and "plan." not in german


def feature(geometry, **properties):
    return {"type": "Feature", "properties": properties, "geometry": geometry}


def collection(features):
    return json.dumps({"type": "FeatureCollection", "features": features})


def metres(lat, lon):
    """Metres to degrees near a place, good enough for some hundred metres; the check itself is made in UTM."""
    return lambda east, north: [lon + east / (111320 * np.cos(np.radians(lat))), lat + north / 110574]


def test_spots_lie_along_the_stretch_where_shapely_has_them(tmp_path):
    to_utm = pyproj.Transformer.from_crs("EPSG:4326", "EPSG:32632", always_xy=True).transform
    dice = random.Random(11)
    at = metres(53.0, 9.0)
    for _ in range(10):
        line = [at(90 * i, dice.uniform(-60, 60)) for i in range(8)]
        points = [(at(dice.uniform(0, 630), dice.uniform(-90, 90)), dice.choice(["bridge", "weir", "log", "given"])) for _ in range(12)]
        file = tmp_path / "map.geojson"
        file.write_text(collection([feature({"type": "LineString", "coordinates": line}, kind="stretch")] + [
            feature({"type": "Point", "coordinates": point}, kind=kind, name=f"p{n}") for n, (point, kind) in enumerate(points)]))
        answer = rakelight_json("plan", "spots", file)
        check(answer, "plan_spots")
        stretch = shapely.transform(shapely.LineString(line), to_utm, interleaved=False)
        assert answer["length_m"] == pytest.approx(stretch.length, rel=0.005)
        seen = {spot["name"]: spot for spot in answer["spots"]}
        for n, (point, kind) in enumerate(points):
            there = shapely.Point(to_utm(*point))
            if f"p{n}" in seen:
                spot = seen[f"p{n}"]
                assert spot["off_m"] == pytest.approx(stretch.distance(there), rel=0.005, abs=0.3)
                assert spot["along_m"] == pytest.approx(stretch.project(there), rel=0.005, abs=1.5)
            elif any(left["name"] == f"p{n}" for left in answer["left_out"]):
                assert stretch.distance(there) > 59
        told = sum(len(spot["reasons"]) for spot in answer["spots"]) + len(answer["left_out"])
        assert told <= len(points) and [spot["rank"] for spot in answer["spots"]] == list(range(1, len(answer["spots"]) + 1))


def test_a_bridge_and_a_confluence_follow_from_lines_that_meet(tmp_path):
    at = metres(53.0, 9.0)
    file = tmp_path / "map.geojson"
    file.write_text(collection([
        feature({"type": "LineString", "coordinates": [at(0, 0), at(600, 0)]}, kind="stretch"),
        feature({"type": "LineString", "coordinates": [at(200, 80), at(200, -80)]}, kind="way"),
        feature({"type": "LineString", "coordinates": [at(420, 300), at(400, 5)]}, kind="water"),
        feature({"type": "Point", "coordinates": at(405, 3)}, kind="emergent_rock"),
        feature({"type": "Point", "coordinates": at(50, 2)}, kind="raised_ground", name="tussock"),
        feature({"type": "Point", "coordinates": at(50, 150)}, kind="weir", name="mill"),
    ]))
    answer = rakelight_json("plan", "spots", file)
    kinds = [[reason["kind"] for reason in spot["reasons"]] for spot in answer["spots"]]
    assert kinds == [["bridge"], ["emergent_rock", "confluence"], ["raised_ground"]]
    assert [left["name"] for left in answer["left_out"]] == ["mill"]


def test_a_gpx_route_with_waypoints_is_a_map_too(tmp_path):
    file = tmp_path / "map.gpx"
    file.write_text("""<gpx version="1.1" creator="check" xmlns="http://www.topografix.com/GPX/1/1">
      <wpt lat="53.0001" lon="9.004"><name>old weir</name><type>weir</type></wpt><wpt lat="53.0001" lon="9.001"><name>x</name></wpt>
      <rte><rtept lat="53.0" lon="9.0"/><rtept lat="53.0" lon="9.008"/></rte></gpx>""")
    assert [spot["reasons"][0]["kind"] for spot in rakelight_json("plan", "spots", file)["spots"]] == ["weir", "given"]


@pytest.mark.parametrize("features, told", [
    ([], "there is no stretch"),
    ([feature({"type": "LineString", "coordinates": [[9, 53], [9, 53]]})], "two different points"),
    ([feature({"type": "LineString", "coordinates": [[9, 53], [9.1, 53]]})] * 2, "kind = \"stretch\""),
    ([feature({"type": "LineString", "coordinates": [[9, 53], [9.1, 153]]})], "feature 1"),
    ([feature({"type": "LineString", "coordinates": [[9, 53], [9.1, 53]]}), feature({"type": "Point", "coordinates": [9, 53]}, kind="castle")], "castle"),
])
def test_a_map_that_is_none_is_refused(tmp_path, features, told):
    file = tmp_path / "map.geojson"
    file.write_text(collection(features))
    assert told in rakelight("plan", "spots", file, expect=2)


def test_places_are_drawn_as_the_documented_rule_draws_them(tmp_path):
    """Squares by pyproj, lots by hashlib: SHA-256 of the number and the id, the first of each quarter before the second of any."""
    dice = random.Random(5)
    places = [(f"b{n}", dice.uniform(52.9, 53.4), dice.uniform(8.8, 9.6)) for n in range(150)]
    file = tmp_path / "bridges.csv"
    file.write_text("id,lat,lon\n" + "".join(f"{id},{lat},{lon}\n" for id, lat, lon in places))
    answer = rakelight_json("plan", "draw", file, "--number", 20261126)
    check(answer, "plan_draw")
    to_laea = pyproj.Transformer.from_crs("EPSG:4326", "EPSG:3035", always_xy=True).transform
    squares = {}
    for id, lat, lon in places:
        east, north = to_laea(lon, lat)
        quarter = int(east // 5000 % 2 + 2 * (north // 5000 % 2))
        lot = hashlib.sha256(f"20261126|{id}".encode()).digest()
        squares.setdefault(f"10kmE{int(east // 10000)}N{int(north // 10000)}", []).append((lot, quarter, id))
    assert [square["cell"] for square in answer["squares"]] == sorted(squares)
    for square in answer["squares"]:
        turn = {}
        order = []
        for lot, quarter, id in sorted(squares[square["cell"]]):
            order.append((turn.get(quarter, 0), lot, id))
            turn[quarter] = turn.get(quarter, 0) + 1
        ids = [id for _, _, id in sorted(order)]
        assert [place["id"] for place in square["drawn"]] == ids[:4] and square["next"] == ids[4:]
        assert square["missing"] == max(0, 4 - len(ids))


def test_a_season_is_handed_out_walked_and_done(tmp_path):
    """From the draw to what is due, over a store and a visit."""
    bridges = tmp_path / "bridges.csv"
    bridges.write_text("id,name,lat,lon\nb1,Sallow Bridge,53.0,9.0\nb2,Ald Mouth,53.01,9.01\n")
    season = tmp_path / "season.toml"
    rakelight("plan", "draw", bridges, "--number", 1, "--out", season)
    given = '\n[[given]]\nplace = "Sallow Bridge"\npeople = ["Ada"]\nfrom = 2026-10-01\nuntil = 2026-10-31\n'
    given += '\n[[given]]\nplace = "Ald Mouth"\npeople = ["Bo"]\nfrom = 2026-10-01\nuntil = 2026-10-31\n'
    season.write_text(season.read_text() + given)
    visit = tmp_path / "visit"
    visit.mkdir()
    (visit / "visit.toml").write_text('[visit]\npurpose = "otter"\nstart = 2026-10-03T07:00:00Z\nend = 2026-10-03T09:00:00Z\npeople = ["Ada"]\nplace_name = "Sallow Bridge"\n')
    rakelight("visit", visit, "--out", tmp_path / "out")
    store = tmp_path / "out" / "store"
    handed = rakelight_json("plan", "hand-out", season, "--store", store, "--season", "2026-autumn", "--author", "Cy")
    assert handed["new"] == 4
    assert rakelight_json("plan", "hand-out", season, "--store", store, "--season", "2026-autumn", "--author", "Cy")["new"] == 0
    due = rakelight_json("plan", "due", "--store", store, "--season", "2026-autumn", "--on", "2026-11-02")
    check(due, "plan_due")
    assert {task["place"]: task["state"] for task in due["tasks"]} == {"Sallow Bridge": "done", "Ald Mouth": "overdue"}
    assert all(task["may_enter"] == "not_asked" for task in due["tasks"])
    season.write_text(season.read_text().replace(given, given.split("\n\n")[0] + "\n"))
    assert rakelight_json("plan", "hand-out", season, "--store", store, "--season", "2026-autumn", "--author", "Cy")["taken_back"] == 1
    after = rakelight_json("plan", "due", "--store", store, "--season", "2026-autumn", "--on", "2026-11-02")
    assert len(after["tasks"]) == 1 and after["not_given"] == ["Ald Mouth"]
    assert "2026-autumn" in rakelight("plan", "due", "--store", store, "--season", "2025", expect=2)
    assert json.loads(rakelight("store", "verify", store, "--json"))["damage"] == []
