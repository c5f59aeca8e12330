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
