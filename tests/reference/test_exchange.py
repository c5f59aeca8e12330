"""The whole exchange from the command line: a field worker's store, a base, a checker's laptop, and a memory stick between them."""

import shutil

import pytest

from conftest import rakelight, rakelight_json
from test_schema import check
from test_service import Base


@pytest.fixture(scope="module")
def visited(tmp_path_factory):
    """The store of the demo's visit."""
    out = tmp_path_factory.mktemp("visited")
    rakelight("demo", out)
    return out / "store"


@pytest.fixture()
def field(visited, tmp_path):
    """A field worker's own copy of it; the copy's key is made anew, as a copied store takes a device id of its own."""
    store = tmp_path / "field"
    shutil.copytree(visited, store)
    return store


def exchange(store, with_, *options, expect=0):
    if expect:
        return rakelight("exchange", with_, "--store", store, *options, expect=expect)
    done = rakelight_json("exchange", with_, "--store", store, *options)
    check(done, "exchange")
    return done


def moved(done):
    return [done[key] for key in ("entries_in", "entries_out", "photographs_in", "photographs_out")]


def test_a_base_on_the_network_brings_everyone_the_same(field, tmp_path):
    base, laptop = Base(tmp_path / "base"), tmp_path / "laptop"
    try:
        entries = rakelight_json("store", "verify", field)["entries"]
        # The log was begun by another device: the base has to know it.
        refused = exchange(field, base.invite())["refused"]
        assert {one["reason"] for one in refused} == {"unknown_device"} and len(refused) == entries
        (log,) = {one["device"] for one in refused}
        rakelight("invite", "--store", base.store, "--device", log, "--name", "A. Walker's first phone", "--role", "field_worker")
        assert moved(exchange(field, base.address)) == [0, entries, 0, 8]
        assert moved(exchange(laptop, base.invite("checker"))) == [entries, 0, 8, 0]
        assert moved(exchange(laptop, base.address)) == [0, 0, 0, 0]
        members = rakelight_json("members", "--store", base.store)
        check(members, "members")
        assert sorted(member["role"] for member in members["members"]) == ["checker", "coordinator", "field_worker", "field_worker"]

        # What is erased in one store goes from all of them.
        erased = rakelight("store", "erase", base.store, log[:12], "1", "--why", "asked to")
        assert "coordinator" in erased
        assert moved(exchange(field, base.address))[0] == moved(exchange(laptop, base.address))[0] == 1
        for store in (field, laptop, base.store):
            verified = rakelight_json("store", "verify", store)
            assert (verified["entries"], verified["erased"], verified["damage"]) == (entries + 1, 1, [])

        # A lost phone.
        (own,) = [m["device"] for m in members["members"] if m["role"] == "checker"]
        rakelight("members", "--store", base.store, "--bar", own)
        assert "barred" in exchange(laptop, base.address, expect=2)
    finally:
        base.stop()
    unreachable = exchange(field, base.address, expect=1)
    assert base.address in unreachable and "nothing is lost" in unreachable


def test_a_stick_goes_round_where_there_is_no_network(field, tmp_path):
    stick, laptop = tmp_path / "stick", tmp_path / "laptop"
    assert "stick" in exchange(field, stick, expect=1), "the stick isn't there"
    stick.mkdir()
    entries = rakelight_json("store", "verify", field)["entries"]
    assert moved(exchange(field, stick)) == [0, entries, 0, 8]
    assert moved(exchange(laptop, stick)) == [entries, 0, 8, 0]
    assert moved(exchange(field, stick)) == [0, 0, 0, 0]
    (piece,) = stick.rglob("*.cbor")
    piece.write_bytes(piece.read_bytes()[:-40])
    third = exchange(tmp_path / "third", stick)
    assert moved(third)[0] == 0 and len(third["damaged"]) == 1
    assert moved(exchange(field, stick))[1] == entries
    assert moved(exchange(tmp_path / "third", stick)) == [entries, 0, 8, 0]


def test_an_address_that_was_never_joined_and_a_torn_invitation_are_told(tmp_path):
    assert "rakelight invite" in exchange(tmp_path / "store", "https://127.0.0.1:1", expect=2)
    assert "its code is missing" in exchange(tmp_path / "store", f"rakelight:join?address=https://127.0.0.1:1&certificate={'ab' * 32}", expect=2)
