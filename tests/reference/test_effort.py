"""How much of a stretch was searched, by a track with noise: against shapely and pyproj (PyPI); absence and freshness as a visit's document has them."""

import datetime
import json
import random

import jsonschema
import numpy as np
import pyproj
import pytest
import shapely

from conftest import ROOT, rakelight

START = datetime.datetime(2026, 10, 14, 7, 0, tzinfo=datetime.timezone.utc)
LAT, LON = 53.0, 9.0


def check(document, name):
    schema = json.loads((ROOT / "fixtures" / "schema" / f"{name}.schema.json").read_text())
    jsonschema.Draft202012Validator(schema).validate(document)


class Plane:
    """An azimuthal plane on WGS84 around the place, by PROJ."""

    def __init__(self, lat=LAT, lon=LON):
        self.to = pyproj.Transformer.from_crs("EPSG:4326", f"+proj=aeqd +lat_0={lat} +lon_0={lon} +ellps=WGS84", always_xy=True)

    def degrees(self, x, y):
        return list(self.to.transform(x, y, direction="INVERSE"))


def gpx(fixes):
    points = "".join(f'<trkpt lat="{lat:.9f}" lon="{lon:.9f}"><time>{time.strftime("%Y-%m-%dT%H:%M:%SZ")}</time></trkpt>' for time, lon, lat in fixes)
    return f'<gpx version="1.1" creator="check" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>{points}</trkseg></trk></gpx>'


def visit(folder, line, fixes=None, head="", conditions="", stretch="", rest=""):
    folder.mkdir(exist_ok=True)
    (folder / "visit.toml").write_text(
        f'[visit]\npurpose = "otter"\nstart = 2026-10-14T07:00:00Z\nend = 2026-10-14T09:00:00Z\npeople = ["A"]\nplace_name = "Nowhere"\n{head}\n'
        f"[conditions]\n{conditions}\n[[stretch]]\nname = \"bank\"\nline = {json.dumps(line)}\n{stretch}\n{rest}"
    )
    if fixes:
        (folder / "track.gpx").write_text(gpx(fixes))
    rakelight("visit", folder, "--out", folder / "out")
    return json.loads((folder / "out" / "visit.json").read_text())


def test_what_was_searched_is_what_shapely_projects(tmp_path):
    """50 walks along winding banks with noise, to and fro, with gaps: the union of the steps by shapely's own projection onto the line."""
    dice = random.Random(3)
    plane = Plane()
    for n in range(50):
        x = np.cumsum([0] + [dice.uniform(50, 90) for _ in range(9)])
        bank = shapely.LineString([(a, dice.uniform(-25, 25)) for a in x])
        # Walk from one place to another, and perhaps back some of the way; perhaps with a long silence.
        first, last = dice.uniform(0, 0.3), dice.uniform(0.6, 1.0)
        turn = dice.uniform(first, last)
        way = np.concatenate([np.arange(first * bank.length, last * bank.length, 12), np.arange(last * bank.length, turn * bank.length, -12)])
        silent_at = dice.randrange(5, len(way) - 5) if n % 3 == 0 else None
        time, fixes, steps, before = START, [], [], None
        for i, along in enumerate(way):
            time += datetime.timedelta(seconds=900 if i == silent_at else 12)
            at = bank.interpolate(along)
            there = shapely.Point(at.x + dice.gauss(0, 3), at.y + dice.gauss(0, 3))
            fixes.append((time, *plane.degrees(there.x, there.y)))
            on_line = bank.project(there)
            if before is not None and i != silent_at:
                steps.append(sorted([before, on_line]))
            before = on_line
        covered = shapely.union_all([shapely.LineString([(a, 0), (b, 0)]) for a, b in steps if b > a]).length
        found = visit(tmp_path / str(n), [plane.degrees(*point) for point in bank.coords], fixes)
        (stretch,) = found["effort"]["stretches"]
        track = stretch["by_track"]
        assert track["length_m"] == pytest.approx(bank.length, rel=1e-4) and stretch["length_m"] == pytest.approx(bank.length, rel=1e-4)
        assert track["covered_m"] == pytest.approx(covered, rel=0.005)
        assert track["repairs"]["silent"] == (silent_at is not None)
        assert abs(track["covered_m"] - (last - first) * bank.length) < 4 * track["u_covered_m"] + (silent_at is not None) * 40


def test_a_track_that_jumps_and_goes_back_in_time_is_repaired_and_that_is_said(tmp_path):
    plane = Plane()
    fixes = [(START + datetime.timedelta(seconds=10 * i), *plane.degrees(10 * i, 0)) for i in range(40)]
    fixes[20] = (fixes[20][0], *plane.degrees(5000, 3000))
    fixes[5], fixes[6] = fixes[6], fixes[5]
    found = visit(tmp_path / "v", [plane.degrees(0, 0), plane.degrees(600, 0)], fixes)
    track = found["effort"]["stretches"][0]["by_track"]
    assert track["repairs"]["jumps"] == 1 and track["covered_m"] == pytest.approx(390, abs=2)


def absence_of(found):
    (finding,) = found["findings"]
    return finding["positive"], finding["absence"]


def test_not_found_is_said_only_with_enough_effort(tmp_path):
    plane = Plane()
    line = [plane.degrees(0, 0), plane.degrees(640, 0)]
    wet = "days_without_rain = 2\nwater_level = \"high\"\nholds_prints_share = 0.1"
    head = 'protocol = "one_bank_600"\nexperience_seasons = 1'
    positive, absence = absence_of(visit(tmp_path / "long", line, head=head, conditions=wet, stretch="searched_m = 620"))
    assert positive is False and absence["enough"] and absence["asked_m"] == 600
    assert {lowers["id"] for lowers in absence["lowers"]} == {"rain", "high_water", "little_ground", "inexperienced"}
    assert all(lowers["source"] for lowers in absence["lowers"])
    positive, absence = absence_of(visit(tmp_path / "short", line, head=head, conditions=wet, stretch="searched_m = 200"))
    assert positive is None and not absence["enough"] and "short" in {lowers["id"] for lowers in absence["lowers"]}
    positive, absence = absence_of(visit(tmp_path / "untold", line, head=head))
    assert positive is None and absence["searched_m"] is None


def test_how_likely_a_miss_is_follows_from_a_detection_with_its_source(tmp_path):
    plane = Plane()
    line = [plane.degrees(0, 0), plane.degrees(640, 0)]
    detection = '[visit.detection.lutra_lutra]\np = 0.534\nsource = "Fusillo, Marcelli & Boitani 2007: Italy, winter"\n'
    found = visit(tmp_path / "a", line, head='protocol = "one_bank_600"\n' + detection, stretch="searched_m = 620")
    missed = absence_of(found)[1]["missed"]
    assert missed["by_one_visit"]["chance"] == pytest.approx(0.466) and missed["visits_until_5_percent"] == 4
    folder = tmp_path / "b"
    folder.mkdir()
    (folder / "visit.toml").write_text((tmp_path / "a" / "visit.toml").read_text().replace("Fusillo, Marcelli & Boitani 2007: Italy, winter", ""))
    assert "source" in rakelight("visit", folder, "--out", tmp_path / "out", expect=2)


def test_a_teams_own_protocol_is_a_file_beside_the_visit(tmp_path):
    plane = Plane()
    line = [plane.degrees(0, 0), plane.degrees(640, 0)]
    own = (ROOT / "core" / "data" / "protocols" / "both_banks_300.toml").read_text().replace('"both_banks_300"', '"ours"', 1).replace("metres = 300", "metres = 150")
    (tmp_path / "v").mkdir()
    (tmp_path / "v" / "ours.toml").write_text(own)
    found = visit(tmp_path / "v", line, head='protocol = "ours.toml"', stretch='searched_m = 300\nbank = "left"', conditions="days_without_rain = 9")
    positive, absence = absence_of(found)
    assert found["visit"]["protocol"] == "ours" and absence["asked_m"] == 300 and positive is False
    assert [lowers["id"] for lowers in absence["lowers"]] == ["one_bank"]


def test_a_sign_that_the_tide_washes_over_is_younger_than_the_last_high_water(tmp_path):
    plane = Plane()
    line = [plane.degrees(0, 0), plane.degrees(640, 0)]
    sign = '[[sign]]\nid = "s1"\nkind = "print"\ntime = 2026-10-14T08:00:00Z\nfreshness = "fresh"\nbelow_high_water = true\n'
    found = visit(tmp_path / "v", line, conditions="last_high_water = 2026-10-14T04:05:00Z", rest=sign)
    assert found["signs"][0]["younger_than_h"] == 4.0
    (tmp_path / "w").mkdir()
    (tmp_path / "w" / "tide.csv").write_text("utc,height_m,type\n2026-10-13T21:50Z,0.4,L\n2026-10-14T04:05Z,3.9,H\n2026-10-14T10:20Z,0.5,L\n2026-10-14T16:30Z,4.0,H\n")
    by_table = visit(tmp_path / "w", line, head='tide_table = "tide.csv"', rest=sign)
    assert by_table["signs"][0]["younger_than_h"] == 4.0
    (tmp_path / "v" / "visit.toml").write_text((tmp_path / "v" / "visit.toml").read_text().replace('"fresh"', '"two days"'))
    assert "fresh, recent, old" in rakelight("visit", tmp_path / "v", "--out", tmp_path / "out", expect=2)


def absence_json(*arguments):
    return json.loads(rakelight("analyse", "absence", *arguments, "--json"))


def test_visits_to_infer_an_absence():
    """N = ln alpha / ln(1 - p), rounded up (Kery 2002), worked out by Python with exact fractions, and the chance that the place is occupied all the same."""
    from fractions import Fraction

    for p in ("0.1", "0.18", "0.2", "0.27", "0.3", "0.4", "0.5", "0.534", "0.6", "0.71", "0.8", "0.9"):
        for alpha in ("0.05", "0.01"):
            visits, missed = 0, Fraction(1)
            while missed > Fraction(alpha):
                visits, missed = visits + 1, missed * (1 - Fraction(p))
            answer = absence_json("--p", p, "--p-source", "a check", "--alpha", alpha, "--psi", "0.7", "--visits", 3)
            check(answer, "analyse_absence")
            assert answer["visits_until"] == visits
            (line,) = answer["places"]
            left = (1 - Fraction(p)) ** 3
            assert line["missed"]["chance"] == pytest.approx(float(left), abs=1e-12)
            occupied = Fraction("0.7") * left / (Fraction("0.3") + Fraction("0.7") * left)
            assert line["occupied"]["chance"] == pytest.approx(float(occupied), abs=1e-12)


def test_the_interval_follows_from_the_detections_uncertainty():
    line = absence_json("--p", 0.4, "--u-p", 0.06, "--p-source", "a check", "--visits", 4)["places"][0]
    logit, u = np.log(0.4 / 0.6), 0.06 / 0.24
    ends = [(1 - 1 / (1 + np.exp(-(logit + sign * 1.96 * u)))) ** 4 for sign in (1, -1)]
    assert line["missed"]["interval_95"] == pytest.approx(ends)


@pytest.mark.parametrize("arguments, told", [
    (["--p", "0", "--p-source", "x"], "above 0"),
    (["--p", "0.5", "--p-source", ""], "source"),
    (["--p", "0.5", "--p-source", "x", "--psi", "1"], "psi"),
    (["--p", "0.5", "--p-source", "x", "--u-p", "-1"], "uncertainty"),
    (["--p", "0.5", "--p-source", "x", "--alpha", "2"], "alpha"),
])
def test_probabilities_that_cannot_be_are_refused(arguments, told):
    assert told in rakelight("analyse", "absence", *arguments, expect=2)


def test_a_store_knows_how_often_a_place_was_searched_in_vain(tmp_path):
    """Two people at one place at one time are one visit; a short search without a find isn't one."""
    plane = Plane()
    line = json.dumps([plane.degrees(0, 0), plane.degrees(640, 0)])
    for n, (day, person, metres) in enumerate([(1, "Ada", 620), (8, "Ada", 620), (8, "Bo", 610), (15, "Ada", 100)]):
        folder = tmp_path / f"v{n}"
        folder.mkdir()
        (folder / "visit.toml").write_text(
            f'[visit]\npurpose = "otter"\nprotocol = "one_bank_600"\nstart = 2026-10-{day:02}T07:00:00Z\nend = 2026-10-{day:02}T09:00:00Z\n'
            f'people = ["{person}"]\nplace_name = "Mill"\n[[stretch]]\nname = "bank"\nline = {line}\nsearched_m = {metres}\n'
        )
        rakelight("visit", folder, "--out", tmp_path / "out")
    answer = absence_json("--p", 0.5, "--p-source", "a check", "--store", tmp_path / "out" / "store", "--maker", "lutra_lutra")
    assert [(line["place"], line["visits"]) for line in answer["places"]] == [("Mill", 2)]
