"""Grids and rounding against pyproj and mgrs (their values in fixtures/reference) and the published tables; the projections also against pyproj as it runs here."""

import csv
import math
import random

import pyproj
import pytest
from conftest import ROOT, rakelight, rakelight_json
from test_schema import check

REFERENCE = ROOT / "fixtures" / "reference"


def rows(name):
    lines = [line for line in (REFERENCE / name).read_text().splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


def place(lat, lon, *more):
    document = rakelight_json("place", "--lat", lat, "--lon", lon, *more)
    check(document, "place")
    return document


@pytest.mark.parametrize("row", rows("coordinates_pyproj.csv"), ids=lambda row: row["name"])
def test_the_sites_are_those_of_pyproj_and_mgrs(row):
    said = place(row["lat"], row["lon"])
    assert said["utm"]["zone"] == int(row["utm_zone"]) and said["utm"]["hemisphere"] == "N"
    for ours, theirs in [
        (said["utm"]["easting_m"], row["utm_e"]),
        (said["utm"]["northing_m"], row["utm_n"]),
        (said["epsg3035"]["easting_m"], row["laea_e"]),
        (said["epsg3035"]["northing_m"], row["laea_n"]),
    ]:
        assert abs(ours - float(theirs)) < 0.001
    assert [said["cell_1km"], said["cell_10km"], said["cell_100km"]] == [row["cell1km"], row["cell10km"], row["cell100km"]]
    assert said["mgrs"] == row["mgrs5"]


@pytest.mark.parametrize("row", rows("utm_mgrs.csv"), ids=lambda row: row["mgrs"])
def test_wide_and_narrow_zones(row):
    said = place(row["lat"], row["lon"])
    assert (said["utm"]["zone"], said["utm"]["hemisphere"], said["mgrs"]) == (int(row["zone"]), row["hemisphere"], row["mgrs"])
    assert abs(said["utm"]["easting_m"] - float(row["easting_m"])) < 0.001
    assert abs(said["utm"]["northing_m"] - float(row["northing_m"])) < 0.001


def test_the_european_grid_of_its_origin_and_of_the_published_example():
    origin = place(52, 10)
    assert [round(origin["epsg3035"][key], 6) for key in ("easting_m", "northing_m")] == [4321000, 3210000]
    assert (origin["cell_100km"], origin["cell_10km"], origin["cell_1km"]) == ("100kmE43N32", "10kmE432N321", "1kmE4321N3210")
    published = place(50, 5)["epsg3035"]  # IOGP Guidance Note 7-2
    assert abs(published["easting_m"] - 3962799.45) < 0.01 and abs(published["northing_m"] - 2999718.85) < 0.01


def test_random_places_against_pyproj_here():
    draw = random.Random(31)
    to_laea = pyproj.Transformer.from_crs(4258, 3035, always_xy=True)
    for _ in range(40):
        lat, lon = round(draw.uniform(35, 71), 6), round(draw.uniform(-10, 32), 6)
        said = place(lat, lon)
        east, north = to_laea.transform(lon, lat)
        assert abs(said["epsg3035"]["easting_m"] - east) < 0.001 and abs(said["epsg3035"]["northing_m"] - north) < 0.001
        to_utm = pyproj.Transformer.from_crs(4326, 32600 + said["utm"]["zone"], always_xy=True)
        east, north = to_utm.transform(lon, lat)
        assert abs(said["utm"]["easting_m"] - east) < 0.001 and abs(said["utm"]["northing_m"] - north) < 0.001


@pytest.mark.parametrize("row", rows("national_grids_pyproj.csv"), ids=lambda row: f"{row['epsg']} {row['lat']}")
def test_national_grids(row):
    grid = next(grid for grid in place(row["lat"], row["lon"])["national"] if grid["epsg"] == int(row["epsg"]))
    assert abs(grid["easting_m"] - float(row["easting_m"])) < 0.001 and abs(grid["northing_m"] - float(row["northing_m"])) < 0.001
    assert grid["accuracy_m"] > 0


def test_a_british_square_is_where_its_easting_and_northing_say():
    # The letters of the 100 km squares of southern Britain, row by row from the south (as Ordnance Survey's map has them; from memory).
    letters = {(3, 1): "ST", (4, 1): "SU", (5, 1): "TQ", (2, 1): "SS", (3, 2): "SO", (2, 2): "SN", (6, 3): "TG", (1, 0): "SW", (2, 6): "NS", (3, 6): "NT", (3, 10): "HY", (2, 8): "NH"}
    for lat, lon in [(51.56037, -2.66512), (50.95, -1.2), (51.5, -0.12), (52.65757, 1.71792), (50.07, -5.7), (55.95, -3.19), (57.48, -4.22), (58.98, -2.96)]:
        grid = next(grid for grid in place(lat, lon)["national"] if grid["epsg"] == 27700)
        east, north = grid["easting_m"], grid["northing_m"]
        square = letters[int(east // 100000), int(north // 100000)]
        assert grid["square_100m"] == f"{square}{int(east % 100000 // 100):03}{int(north % 100000 // 100):03}"
    assert place(52.225, 5.21)["national"][0]["square_100m"] is None


def test_rounding_is_chapmans_and_its_uncertainty_chapman_and_wieczoreks():
    said = place(51.56037, -2.66512)["generalised"]
    for category, lat, lon in [("2", 51.6, -2.7), ("3", 51.56, -2.67), ("4", 51.560, -2.665)]:
        assert (said[category]["lat"], said[category]["lon"]) == (lat, lon)
    # Their table: the cell's diagonal by latitude. Ours is that of the cell's wider end, so never less, and within half a cell's growth.
    table = {0: (15691, 1570, 157), 30: (14697, 1470, 147), 60: (12461, 1246, 125), 85: (11211, 1121, 112)}
    for lat, diagonals in table.items():
        said = place(lat, 9.0)["generalised"]
        for category, diagonal in zip("234", diagonals):
            assert diagonal - 1 <= said[category]["uncertainty_m"] <= diagonal * 1.001 + 2
    with_radius = place(51.56037, -2.66512, "--radius-m", 10)["generalised"]
    without = place(51.56037, -2.66512)["generalised"]
    grown = 10 * math.sqrt(math.log(0.05) / math.log(0.32))
    assert all(abs(with_radius[c]["uncertainty_m"] - without[c]["uncertainty_m"] - grown) <= 1 for c in "1234")


def test_where_a_grid_ends_there_is_none():
    pole = place(88, 0)
    assert pole["utm"] is None and pole["mgrs"] is None and pole["cell_10km"] is None
    sydney = place(-33.857, 151.215)
    assert sydney["epsg3035"] is None and sydney["cell_1km"] is None and sydney["national"] == []


def test_what_is_no_place_is_refused():
    assert "91" in rakelight("place", "--lat", "91", "--lon", "0", expect=2)
    assert "longitude" in rakelight("place", "--lat", "51", "--lon", "253.9", expect=2)
    assert "no position" in rakelight("place", "--lat", "nan", "--lon", "0", expect=2)
    assert "radius" in rakelight("place", "--lat", "51", "--lon", "0", "--radius-m", "0", expect=2)
    assert "radius" in rakelight("place", "--lat", "51", "--lon", "0", "--radius-m", "-3", expect=2)
