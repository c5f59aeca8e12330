"""The base on PostgreSQL (Debian's, started for these tests in a temporary folder) with photographs in a bucket (moto, which answers as S3
does), as three processes behind one address. All on the loopback."""

import base64
import concurrent.futures
import hashlib
import json
import os
import random
import shutil
import socket
import sqlite3
import subprocess
import threading
import time

import boto3
import pytest
import requests

import servers
from conftest import PROGRAM, ROOT, rakelight, rakelight_json
from test_service import Base, Device, assert_problem, digest_field, photograph

pytestmark = pytest.mark.filterwarnings("ignore::urllib3.exceptions.InsecureRequestWarning")
BUCKET = "s3://otters/team"


@pytest.fixture(scope="module")
def cluster():
    with servers.postgres() as address:
        yield address


@pytest.fixture(scope="module")
def bucket():
    with servers.bucket() as environment:
        yield environment


class Process(Base):
    """One process of the base."""

    def __init__(self, database, environment, log, *more):
        self.kept, self.log, self.environment = ("--database", database), log, environment
        self.more = ("--photos", BUCKET, *more)
        self.start_at("127.0.0.1:0")

    def start_at(self, listen):
        self.start(*self.kept, *self.more, "--listen", listen, environment=self.environment)

    def kill(self):
        self.process.kill()
        self.process.wait()

    def start_again(self):
        self.start_at("%s:%d" % self.place)


class Front:
    """What stands before the processes: each connection goes to one that takes it, by chance."""

    def __init__(self, processes, seed):
        self.processes, self.chance = processes, random.Random(seed)
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.address = "https://127.0.0.1:%d" % self.listener.getsockname()[1]
        threading.Thread(target=self.serve, daemon=True).start()

    def serve(self):
        while True:
            try:
                client, _ = self.listener.accept()
            except OSError:
                return
            for process in self.chance.sample(self.processes, len(self.processes)):
                try:
                    server = socket.create_connection(process.place, timeout=5)
                except OSError:
                    continue
                server.settimeout(None)
                for pair in ((client, server), (server, client)):
                    threading.Thread(target=self.carry, args=pair, daemon=True).start()
                break
            else:
                client.close()

    @staticmethod
    def carry(source, target):
        try:
            while piece := source.recv(1 << 16):
                target.sendall(piece)
        except OSError:
            pass
        for end in (source, target):
            try:
                end.shutdown(socket.SHUT_RDWR)
            except OSError:
                pass


class Team:
    """Three processes, and what stands before them. To devices it is a base like any other."""

    def __init__(self, cluster, bucket, folder):
        name = f"team{random.randrange(1 << 48)}"
        subprocess.run(["psql", "-q", "-d", cluster, "-c", f"CREATE DATABASE {name}"], check=True)
        self.database = cluster.removesuffix("postgres") + name
        with concurrent.futures.ThreadPoolExecutor() as at_once:
            start = [at_once.submit(Process, self.database, bucket, folder / f"{i}.log") for i in range(3)]
            self.processes = [started.result() for started in start]
        self.front = Front(self.processes, seed=1)
        self.address, self.certificate = self.front.address, self.processes[0].certificate

    def invite(self, role="field_worker", address=None):
        who = ("--name", "A. Walker", "--role", role, "--address", address or self.address)
        return rakelight_json("invite", "--database", self.database, *who)["invitation"]

    def ask(self, sql):
        told = subprocess.run(["psql", "-At", "-d", self.database, "-c", sql], check=True, capture_output=True, text=True)
        return told.stdout.strip()

    def member(self, seed):
        device = Device(self, seed)
        device.join(self.invite())
        return device

    def at(self, device, process):
        """The same device, with the same session, at one process."""
        there = Device(self.processes[process], 1)
        there.http.headers.update(device.http.headers)
        return there

    def stop(self):
        self.front.listener.close()
        return [process.stop() for process in self.processes if process.process.poll() is None]


@pytest.fixture
def team(cluster, bucket, tmp_path):
    team = Team(cluster, bucket, tmp_path)
    yield team
    team.stop()


def rows(store, table):
    with sqlite3.connect(store / "store.sqlite") as connection:
        return set(connection.execute(f"SELECT * FROM {table}"))


def exchange(store, team, tries=12):
    """Until it succeeds: a connection that was cut is nothing that a person has to look at."""
    for _ in range(tries):
        with_whom = team.address if (store / "bases.json").exists() else team.invite()
        command = [PROGRAM, "exchange", with_whom, "--store", store, "--json"]
        done = subprocess.run(command, capture_output=True, text=True, timeout=60)
        if done.returncode == 0:
            return json.loads(done.stdout)
        time.sleep(0.1)
    raise AssertionError(done.stderr)


def test_what_comes_in_ends_as_in_a_folders_store(cluster):
    """The Rust tests beside the code, which need a database."""
    # With the features that tests/run builds with: with others the core would be compiled once more.
    features = ["--workspace", "--features", "rakelight-bindings/cli"]
    command = ["cargo", "test", "--release", "--quiet", *features, "--bin", "rakelight", "--", "postgres", "--ignored"]
    environment = {**os.environ, "RAKELIGHT_TEST_DATABASE": cluster}
    done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, timeout=280)
    assert done.returncode == 0 and "0 passed" not in done.stdout, done.stdout + done.stderr


def test_three_processes_are_one_base(team):
    assert len({process.certificate for process in team.processes}) == 1
    challenges = [Device(process, 1).ask("GET", "/v1/challenge").json() for process in team.processes]
    assert len({challenge["base"] for challenge in challenges}) == 1


def test_a_session_is_good_at_every_process_and_after_a_restart(team):
    device = team.member(1)
    assert [team.at(device, i).ask("GET", "/v1/heads").status_code for i in range(3)] == [200] * 3
    team.processes[1].stop()
    team.processes[1].start_again()
    assert team.at(device, 1).ask("GET", "/v1/heads").status_code == 200


def test_a_barred_device_is_refused_by_all(team):
    device = team.member(1)
    name = device.public.hex()
    members = rakelight_json("members", "--database", team.database, "--bar", name)["members"]
    assert [member["device"] for member in members if member["barred"]] == [name]
    for i in range(3):
        assert_problem(team.at(device, i).ask("GET", "/v1/heads"), 403)
    rakelight_json("members", "--database", team.database, "--unbar", name, "--role", f"{name}=checker")
    assert [team.at(device, i).ask("GET", "/v1/heads").status_code for i in range(3)] == [200] * 3


def test_an_upload_goes_on_at_another_process(team):
    device = team.member(1)
    photo = photograph(1)
    sha256 = hashlib.sha256(photo).hexdigest()
    device.hand_over(device.entry(sha256))
    named = {"Upload-Length": str(len(photo)), "Upload-Metadata": f"sha256 {b64(sha256)}"}
    tus = {"Tus-Resumable": "1.0.0"}
    begun = team.at(device, 0).ask("POST", "/v1/uploads", headers={**tus, **named})
    assert begun.status_code == 201
    path = begun.headers["Location"]
    cuts = [0, 1, 5_000, 9_000, len(photo)]
    for i, (start, end) in enumerate(zip(cuts, cuts[1:])):
        there = team.at(device, i % 3)
        assert there.ask("HEAD", path, headers=tus).headers["Upload-Offset"] == str(start)
        piece = {**tus, "Content-Type": "application/offset+octet-stream", "Upload-Offset": str(start)}
        sent = there.ask("PATCH", path, headers=piece, data=photo[start:end])
        assert (sent.status_code, sent.headers["Upload-Offset"]) == (204, str(end))
        assert_problem(there.ask("PATCH", path, headers=piece, data=b"x"), 409)
        if i == 1:
            team.processes[1].kill()
            team.processes[1].start_again()
    for i in range(3):
        there = team.at(device, i)
        whole = there.ask("GET", f"/v1/photographs/{sha256}")
        assert whole.content == photo and whole.headers["Repr-Digest"] == digest_field(photo)
        assert whole.headers["Content-Type"] == "image/jpeg"
        part = there.ask("GET", f"/v1/photographs/{sha256}", headers={"Range": "bytes=100-199"})
        assert (part.status_code, part.content) == (206, photo[100:200])
        assert there.ask("GET", "/v1/photographs/wanted").json()["sha256"] == []
    wrong = "ab" * 32
    device.hand_over(device.entry(wrong))
    named = {"Upload-Length": "3", "Upload-Metadata": f"sha256 {b64(wrong)}"}
    path = device.ask("POST", "/v1/uploads", headers={**tus, **named}).headers["Location"]
    piece = {**tus, "Content-Type": "application/offset+octet-stream", "Upload-Offset": "0"}
    assert_problem(device.ask("PATCH", path, headers=piece, data=b"abc"), 460)
    assert device.ask("HEAD", path, headers=tus).status_code == 404


def b64(text):
    return base64.b64encode(text.encode()).decode()


def test_all_stores_end_equal_though_a_process_is_killed_in_the_middle(team, tmp_path):
    stores = [tmp_path / f"store{i}" for i in range(5)]
    for store in stores[:3]:
        rakelight("visit", ROOT / "fixtures" / "demo-visit", "--out", tmp_path / f"out-{store.name}")
        shutil.move(tmp_path / f"out-{store.name}" / "store", store)
    devices = [team.member(seed) for seed in range(1, 5)]

    def hand_over(device):
        for _ in range(20):
            entries = device.entry("0" * 64) + device.entry("h1")
            for _ in range(20):
                try:
                    if device.hand_over(entries).status_code == 200:
                        break
                except requests.RequestException:
                    pass
                time.sleep(0.05)
            else:
                raise AssertionError("no process takes it")

    with concurrent.futures.ThreadPoolExecutor(16) as at_once:
        work = [at_once.submit(exchange, store, team) for store in stores]
        work += [at_once.submit(hand_over, device) for device in devices]
        for i in (0, 1, 2):
            time.sleep(0.7)
            team.processes[i].kill()
            time.sleep(0.3)
            team.processes[i].start_again()
        for done in work:
            done.result(timeout=60)
    for _ in range(2):
        for store in stores:
            assert exchange(store, team)["refused"] == []
    # Three programs with a visit of their own, four devices with forty entries each.
    heads = [rows(store, "heads") for store in stores]
    assert len(heads[0]) == 7 and all(other == heads[0] for other in heads)
    photographs = [rows(store, "photographs") for store in stores]
    assert len(photographs[0]) == 8 and all(other == photographs[0] for other in photographs)
    for store in stores:
        verified = rakelight_json("store", "verify", store)
        assert verified["damage"] == [] and verified["entries"] == int(team.ask("SELECT count(*) FROM entries"))
    assert team.ask("SELECT count(*) FROM waiting") == "0"
    heads_there = devices[0].ask("GET", "/v1/heads").json()["logs"]
    assert {name: [tip["number"] for tip in tips] for name, tips in heads_there.items()} == {
        device.hex(): [number] for device, number, _ in heads[0]
    }


def test_what_a_coordinator_erases_is_gone_there_and_everywhere(team, tmp_path):
    theirs, coordinators = tmp_path / "theirs", tmp_path / "coordinators"
    rakelight("visit", ROOT / "fixtures" / "demo-visit", "--out", tmp_path / "out")
    shutil.move(tmp_path / "out" / "store", theirs)
    exchange(theirs, team)
    rakelight_json("exchange", team.invite("coordinator"), "--store", coordinators)
    [device, number, _] = next(iter(rows(coordinators, "heads")))
    rakelight("store", "erase", coordinators, device.hex(), str(number), "--why", "a person asked")
    exchange(coordinators, team)
    erased = f"SELECT salt IS NULL FROM entries WHERE device = '\\x{device.hex()}' AND number = {number}"
    assert team.ask(erased) == "t"
    exchange(theirs, team)
    assert rakelight_json("store", "verify", theirs)["erased"] == 1


def test_a_photograph_goes_from_the_bucket_with_the_entry_that_spoke_of_it(team, bucket):
    device = team.member(1)
    photo = photograph(2)
    sha256 = hashlib.sha256(photo).hexdigest()
    device.hand_over(device.entry(sha256))
    tus = {"Tus-Resumable": "1.0.0"}
    named = {"Upload-Length": str(len(photo)), "Upload-Metadata": f"sha256 {b64(sha256)}"}
    path = device.ask("POST", "/v1/uploads", headers={**tus, **named}).headers["Location"]
    piece = {**tus, "Content-Type": "application/offset+octet-stream", "Upload-Offset": "0"}
    assert device.ask("PATCH", path, headers=piece, data=photo).status_code == 204
    s3 = boto3.client(
        "s3",
        endpoint_url=bucket["AWS_ENDPOINT_URL"],
        region_name=bucket["AWS_REGION"],
        aws_access_key_id=bucket["AWS_ACCESS_KEY_ID"],
        aws_secret_access_key=bucket["AWS_SECRET_ACCESS_KEY"],
    )
    held = {"Bucket": "otters", "Prefix": f"team/{sha256[:2]}/{sha256}"}
    [kept] = s3.list_objects_v2(**held)["Contents"]
    assert kept["Key"].endswith(".jpg") and kept["Size"] == len(photo)
    assert s3.list_objects_v2(Bucket="otters", Prefix="team/arriving/" + path.rsplit("/", 1)[1])["KeyCount"] == 0
    payload = json.dumps({"erased": [[device.public.hex(), 1]]}).encode()
    assert device.hand_over(device.entry("w", "withdrawal", payload)).json()["taken"] == 1
    assert device.ask("GET", f"/v1/photographs/{sha256}").status_code == 404
    assert device.ask("GET", "/v1/photographs/wanted").json()["sha256"] == []
    assert s3.list_objects_v2(**held)["KeyCount"] == 0


def test_what_is_wrong_with_the_place_is_said(cluster, bucket, tmp_path):
    serve = ("serve", "--listen", "127.0.0.1:0")
    nobody = f"postgres://rakelight@127.0.0.1:{servers.free_port()}/none"
    assert "check that it runs" in rakelight(*serve, "--database", nobody, "--photos", tmp_path, expect=1)
    assert "postgres://" in rakelight(*serve, "--database", "mysql://x", "--photos", tmp_path, expect=2)
    assert "s3://bucket" in rakelight(*serve, "--database", cluster, "--photos", "ftp://x", expect=2)
    missing = rakelight(*serve, "--database", cluster, "--photos", "s3://none/x", expect=1, env={**os.environ, **bucket})
    assert "s3://none/x" in missing and "AWS_ENDPOINT_URL" in missing
    assert "--photos" in rakelight(*serve, "--database", cluster, expect=2)
    assert "--photos" in rakelight(*serve, "--store", tmp_path, "--photos", tmp_path, expect=2)
