"""What `rakelight facts` shows is what stands in the files, read by Python's own tomllib; another file adds a track maker."""

import json
import tomllib

import pytest

from conftest import ROOT, rakelight, rakelight_json

SPECIES = ROOT / "core" / "data" / "species"


@pytest.mark.parametrize("file", sorted(SPECIES.glob("*.toml")), ids=lambda file: file.stem)
def test_every_published_size_is_shown_as_it_stands_in_its_file(file):
    held = tomllib.loads(file.read_text())
    shown = rakelight_json("facts", held["id"])
    assert shown["scientific_name"] == held["scientific_name"]
    for row, size in zip(held["size"], shown["sizes"], strict=True):
        assert {key: size["range"][key] for key in size["range"] if size["range"][key] is not None} == {
            key: row[key] for key in ("min_mm", "mean_mm", "max_mm") if key in row
        }
        assert (size["source"], size["n"]) == (row["source"], row.get("n"))
        assert row["source"] in rakelight("facts", held["id"])


def test_another_file_adds_a_track_maker_and_one_of_a_known_name_takes_its_place(tmp_path):
    otter = (SPECIES / "lutra_lutra.toml").read_text()
    (tmp_path / "giant.toml").write_text(otter.replace("lutra_lutra", "lutra_gigas").replace("Lutra lutra", "Lutra gigas"))
    (tmp_path / "lutra_lutra.toml").write_text(otter.replace("mean_mm = 53.4", "mean_mm = 54.4"))
    more = ("--facts", tmp_path / "giant.toml", "--facts", tmp_path / "lutra_lutra.toml")
    ids = [maker["maker"] for maker in rakelight_json("facts", *more)["makers"]]
    assert "lutra_gigas" in ids and ids.count("lutra_lutra") == 1
    assert rakelight_json("facts", "lutra_lutra", *more)["sizes"][0]["range"]["mean_mm"] == 54.4
    evidence = {"prints": [{"foot": "hind", "width_mm": 60, "u_width_mm": 2, "toes_seen": 5}]}
    (tmp_path / "evidence.json").write_text(json.dumps(evidence))
    candidates = rakelight_json("identify", tmp_path / "evidence.json", *more)["candidates"]
    assert {"lutra_gigas", "lutra_lutra"} <= {candidate["maker"] for candidate in candidates}


@pytest.mark.parametrize(
    "change, words",
    [
        (("min_mm = 44.9", "min_mm = 84.9"), "must be above zero and rise"),
        (("claws = 0.55", "claws = 1.55"), "isn't a chance between 0 and 1"),
        (("waterside = true", "watterside = true"), "watterside"),
    ],
)
def test_a_broken_file_is_refused_with_line_and_reason(tmp_path, change, words):
    text = (SPECIES / "lutra_lutra.toml").read_text().replace(*change, 1)
    (tmp_path / "broken.toml").write_text(text)
    said = rakelight("facts", "--facts", tmp_path / "broken.toml", expect=2)
    assert "broken.toml, line " in said and words in said, said


def test_an_unknown_track_maker_is_refused_with_the_known_ones():
    assert "lutra_lutra" in rakelight("facts", "unicorn", expect=2)
