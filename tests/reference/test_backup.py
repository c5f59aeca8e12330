"""Backups by the `age` and `tar` programs of Debian: they open ours, and we restore what they made."""

import contextlib
import json
import os
import re
import shutil
import sqlite3
import subprocess

import pytest

from conftest import ROOT, rakelight, rakelight_json
from test_schema import check

TOML = """[visit]
purpose = "a check"
start = 2026-10-03T07:00:00+02:00
people = ["A"]
place_name = "Nowhere (invented)"

[[photo]]
file = "IMG_0108.jpg"
shows = "print"

[[sign]]
id = "s1"
kind = "dropping"
note = "on the raised stone"
"""


def run(*arguments, **options):
    return subprocess.run([*map(str, arguments)], check=True, capture_output=True, **options).stdout


@pytest.fixture
def store(tmp_path):
    """A store with one visit, a photograph, and a key file such as the base's service keeps."""
    folder = tmp_path / "visit"
    folder.mkdir()
    (folder / "visit.toml").write_text(TOML)
    shutil.copy(ROOT / "fixtures" / "demo-visit" / "IMG_0108.jpg", folder)
    rakelight("visit", folder, "--out", tmp_path / "out")
    store = tmp_path / "out" / "store"
    (store / "service").mkdir()
    (store / "service" / "tls.key").write_text("a key\n")
    return store


@pytest.fixture
def key(tmp_path):
    """An identity file of `age-keygen`, and its recipient."""
    identity = tmp_path / "key.txt"
    run("age-keygen", "-o", identity)
    return identity, re.search(r"age1\w+", identity.read_text()).group()


def records(store):
    with contextlib.closing(sqlite3.connect(store / "store.sqlite")) as database:
        return database.execute("SELECT hex(device), number, kind, subject, payload FROM entries ORDER BY 1, 2").fetchall()


def files(folder):
    return sorted(str(file.relative_to(folder)) for file in folder.rglob("*") if file.is_file())


def test_age_and_tar_open_a_backup(store, key, tmp_path):
    identity, recipient = key
    other = tmp_path / "other.txt"
    run("age-keygen", "-o", other)
    second = re.search(r"age1\w+", other.read_text()).group()
    made = rakelight_json("store", "backup", store, tmp_path / "store.age", "--to", recipient, "--to", second)
    check(made, "store_backup")
    assert made["photographs"] == 1 and made["bytes"] == (tmp_path / "store.age").stat().st_size
    for file in (identity, other):
        archive = run("age", "-d", "-i", file, tmp_path / "store.age")
        listed = run("tar", "t", input=archive).decode().split()
        assert [re.sub(r"[0-9a-f]{2}/[0-9a-f]{64}", "…", name) for name in listed] == ["store.sqlite", "photos/….jpg", "service/tls.key"]
    by_hand = tmp_path / "by-hand"
    by_hand.mkdir()
    run("tar", "x", "-C", by_hand, input=archive)
    assert records(by_hand) == records(store)
    assert rakelight_json("store", "verify", by_hand)["damage"] == []
    assert not list(store.glob("*.part")), "no copy in the open is left"


def test_what_age_and_tar_made_is_restored(store, key, tmp_path):
    identity, recipient = key
    archive = run("tar", "c", "--exclude", "device.key", "-C", store, ".")
    (tmp_path / "theirs.age").write_bytes(run("age", "-r", recipient, input=archive))
    again = tmp_path / "again"
    verified = rakelight_json("store", "restore", tmp_path / "theirs.age", again, "--identity", identity)
    check(verified, "store_verify")
    assert verified["damage"] == [] and verified["photographs"] == 1
    assert records(again) == records(store)
    assert files(again) == [name for name in files(store) if name != "device.key"]
    for format in ("pax", "ustar"):
        archive = run("tar", "c", "--format", format, "-C", store, "store.sqlite", "photos", "service")
        (tmp_path / f"{format}.age").write_bytes(run("age", "-r", recipient, input=archive))
        rakelight("store", "restore", tmp_path / f"{format}.age", tmp_path / format, "--identity", identity)
        assert records(tmp_path / format) == records(store)
    with_key = run("age", "-r", recipient, input=run("tar", "c", "-C", store, "."))
    (tmp_path / "with-key.age").write_bytes(with_key)
    said = rakelight("store", "restore", tmp_path / "with-key.age", tmp_path / "third", "--identity", identity, expect=2)
    assert "device.key" in said and not list(tmp_path.glob("third*"))


def test_a_passphrase_comes_from_a_file_or_the_environment(store, tmp_path):
    (tmp_path / "words").write_text("low sun on wet mud\n")
    backup, words = tmp_path / "store.age", ["--passphrase-file", tmp_path / "words"]
    rakelight("store", "backup", store, backup, *words)
    assert backup.read_bytes().startswith(b"age-encryption.org/v1\n-> scrypt ")
    said = rakelight("store", "restore", backup, tmp_path / "no-key", expect=2)
    assert "--passphrase-file" in said and "RAKELIGHT_PASSPHRASE" in said
    wrong = {**os.environ, "RAKELIGHT_PASSPHRASE": "low sun on wet sand"}
    assert "passphrase" in rakelight("store", "restore", backup, tmp_path / "wrong", expect=2, env=wrong)
    right = {**os.environ, "RAKELIGHT_PASSPHRASE": "low sun on wet mud"}
    rakelight("store", "restore", backup, tmp_path / "right", env=right)
    assert records(tmp_path / "right") == records(store)
    assert "isn't empty" in rakelight("store", "restore", backup, store, *words, expect=2)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["out", "right", "store.age", "visit", "words"]


def test_an_entry_is_erased_and_the_command_says_what_remains(store):
    device, number, *_ = next(row for row in records(store) if row[2] == "sign_noted")
    said = rakelight("store", "erase", store, device[:8].lower(), number, "--why", "asked for by a person", "--by", "B")
    for expected in (device.lower(), "sign_noted s1", "header stays", "backups", "photograph is erased with it"):
        assert expected in said, said
    rows = {row[1]: row for row in records(store)}
    assert rows[number][4] is None
    last = rows[max(rows)]
    assert last[2] == "withdrawal" and json.loads(last[4])["erased"] == [[device.lower(), number]]
    assert b"raised stone" not in b"".join(file.read_bytes() for file in store.iterdir() if file.is_file())
    again = rakelight_json("store", "erase", store, device, number, "--why", "twice")
    check(again, "store_erase")
    assert not again["erased"] and again["entries"][0]["subject"] == "s1"
    assert "at least its first 8" in rakelight("store", "erase", store, device[:7], number, "--why", "x", expect=2)
    assert "no entry 99" in rakelight("store", "erase", store, device, 99, "--why", "x", expect=2)
    assert "no device" in rakelight("store", "erase", store, "0" * 8, 1, "--why", "x", expect=2)
    rebuilt = rakelight_json("store", "rebuild", store)
    assert rebuilt == {"entries": len(rows)} and rakelight_json("store", "verify", store)["damage"] == []
