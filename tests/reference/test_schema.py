"""What goes in and what comes out is as fixtures/schema says (jsonschema from PyPI)."""

import json
import tomllib

import jsonschema
import pytest

from conftest import ROOT, rakelight, rakelight_json

DEMO = ROOT / "fixtures" / "demo-visit"


def plain(value):
    """TOML as JSON has it: date-times are texts."""
    if isinstance(value, dict):
        return {key: plain(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return [plain(inner) for inner in value]
    return value.isoformat() if hasattr(value, "isoformat") else value


def check(document, name):
    schema = json.loads((ROOT / "fixtures" / "schema" / f"{name}.schema.json").read_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.Draft202012Validator(schema).validate(document)


def test_the_card(card):
    check(card, "card")


@pytest.mark.parametrize("file", sorted((ROOT / "core" / "data" / "species").glob("*.toml")), ids=lambda file: file.stem)
def test_every_track_makers_file(file):
    check(tomllib.loads(file.read_text()), "track_maker")


def test_a_regions_list_is_taken_and_told_in_an_identification_and_in_a_visit(tmp_path):
    text = 'name = "Lower Ald"\nsource = "invented"\nrare = ["castor_fiber"]\nabsent = ["genetta_genetta"]\n'
    check(tomllib.loads(text), "region")
    (tmp_path / "region.toml").write_text(text)
    evidence = ROOT / "fixtures" / "evidence" / "otter_estuary.json"
    with_list = rakelight_json("identify", evidence, "--region", tmp_path / "region.toml")
    check(with_list, "identification")
    prior = lambda answer, maker: next(c["prior"] for c in answer["candidates"] if c["maker"] == maker)
    assert prior(with_list, "meles_meles") == pytest.approx(100 * prior(with_list, "genetta_genetta"))
    assert "Lower Ald" in with_list["prior"]
    head = '[visit]\npurpose = "a check"\nstart = 2026-10-03T07:00:00+02:00\npeople = ["A"]\nplace_name = "Nowhere"\nregion = "region.toml"\n'
    sign = '[[sign]]\nid = "s1"\nkind = "feeding_remains"\nplace = [9.0, 53.0]\nfeeding_remains = ["gnawed_wood"]\n'
    (tmp_path / "visit.toml").write_text(head + sign)
    check(plain(tomllib.loads(head + sign)), "visit_file")
    rakelight("visit", tmp_path, "--out", tmp_path / "out")
    (found,) = json.loads((tmp_path / "out" / "visit.json").read_text())["signs"]
    assert "Lower Ald" in found["identification"]["prior"] and found["evidence"]["feeding_remains"] == ["gnawed_wood"]
    (tmp_path / "region.toml").write_text(text.replace("genetta_genetta", "unicorn"))
    assert "unicorn" in rakelight("visit", tmp_path, "--out", tmp_path / "out", expect=2)


def test_the_demos_visit_file_and_landmarks():
    check(plain(tomllib.loads((DEMO / "visit.toml").read_text())), "visit_file")
    files = sorted(DEMO.glob("*.landmarks.json"))
    assert files
    for file in files:
        check(json.loads(file.read_text()), "landmarks")


def test_the_demos_results(tmp_path):
    rakelight("demo", tmp_path, "--demo-folder", DEMO)
    result = json.loads((tmp_path / "visit.json").read_text())
    check(result, "visit")
    assert result["findings"] and result["left_out"]
    for photo in result["photos"]:
        if photo["measurement"]:
            check(photo["measurement"], "measure")
    for trail in result["trails"]:
        check(trail["prints"], "trail")
        check(trail["reading"], "trail_reading")
    for sign in result["signs"]:
        if sign["identification"]:
            check(sign["evidence"], "evidence")
            check(sign["identification"], "identification")
    check(rakelight_json("store", "verify", tmp_path / "store"), "store_verify")


@pytest.mark.parametrize("file", sorted((ROOT / "fixtures" / "evidence").glob("*.json")), ids=lambda file: file.stem)
def test_every_example_of_evidence_and_its_answer(file):
    check(json.loads(file.read_text()), "evidence")
    check(rakelight_json("identify", file), "identification")


@pytest.mark.parametrize("file", sorted((ROOT / "fixtures" / "trails").glob("*.json")), ids=lambda file: file.stem)
def test_every_example_of_a_trail_and_its_reading(file):
    check(json.loads(file.read_text()), "trail")
    check(rakelight_json("trail", file), "trail_reading")
    check(rakelight_json("trail", file, "--hip-height-mm", "300", "--compare"), "trail_reading")
