"""The base as other people's programs meet it: tuspy (tus.io's own client), schemathesis (OpenAPI), `cryptography` (Ed25519), cbor2,
zxing-cpp (QR codes), Python's TLS. All on the loopback."""

import base64
import hashlib
import io
import itertools
import json
import os
import pathlib
import signal
import socket
import ssl
import subprocess
import sys
import threading
import time

import cbor2
import numpy as np
import pytest
import requests
import zxingcpp
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from PIL import Image
from tusclient import client as tus_client

from conftest import PROGRAM, rakelight, rakelight_json

# The certificate is held to its digest where it counts.
pytestmark = pytest.mark.filterwarnings("ignore::urllib3.exceptions.InsecureRequestWarning")
PROBLEM = "application/problem+json"


class Base:
    """A base that runs."""

    def __init__(self, store, *more):
        self.store, self.kept, self.log = store, ("--store", store), store.with_suffix(".log")
        self.start(*self.kept, "--listen", "127.0.0.1:0", *more)

    def start(self, *options, environment={}):
        command = [PROGRAM, "serve", "--json", *options]
        with self.log.open("a") as log:
            environment = {**os.environ, **environment}
            self.process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=log, text=True, env=environment)
        overdue = threading.Timer(60, self.process.kill)
        overdue.start()
        lines = iter(self.process.stdout.readline, "")
        said = "".join(itertools.takewhile(lambda line: line != "}\n", lines)) + "}"
        overdue.cancel()
        assert len(said) > 1, f"the service doesn't start: {self.log.read_text()}"
        self.address, self.certificate = (json.loads(said)[key] for key in ("address", "certificate"))
        host, port = self.address.removeprefix("https://").split(":")
        self.place = (host, int(port))

    def stop(self):
        """Stops it; gives what it logged."""
        self.process.send_signal(signal.SIGTERM)
        returned = self.process.wait(timeout=20)
        assert returned == 0, self.log.read_text()
        return self.log.read_text()

    def invite(self, role="field_worker"):
        return rakelight_json("invite", *self.kept, "--name", "A. Walker", "--role", role)["invitation"]

    def tls(self, version=None):
        """A TLS connection that is held to the certificate's digest by who calls."""
        context = ssl.create_default_context()
        context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
        if version:
            context.minimum_version = context.maximum_version = version
        return context.wrap_socket(socket.create_connection(self.place, timeout=20))


class Pinned(requests.adapters.HTTPAdapter):
    """Speaks to one certificate only; urllib3 compares its SHA-256."""

    def __init__(self, certificate):
        self.certificate = certificate
        super().__init__()

    def init_poolmanager(self, *arguments, **options):
        super().init_poolmanager(*arguments, assert_fingerprint=self.certificate, **options)


class Device:
    """A phone: its key, and after joining its session."""

    def __init__(self, base, seed):
        self.base, self.key = base, Ed25519PrivateKey.from_private_bytes(bytes([seed] * 32))
        self.public = self.key.public_key().public_bytes_raw()
        self.http = requests.Session()
        self.http.verify = self.http.trust_env = False
        self.http.mount("https://", Pinned(base.certificate))
        self.previous, self.number = bytes(32), 0

    def ask(self, method, path, **options):
        return self.http.request(method, self.base.address + path, timeout=20, **options)

    def proof(self):
        challenge = self.ask("GET", "/v1/challenge").json()["challenge"]
        said = b"rakelight session 1\0" + bytes.fromhex(self.base.certificate) + challenge.encode()
        return {
            "protocol": 1,
            "device": self.public.hex(),
            "challenge": challenge,
            "signature": self.key.sign(said).hex(),
        }

    def join(self, invitation):
        parts = dict(part.split("=", 1) for part in invitation.removeprefix("rakelight:join?").split("&"))
        assert (parts["address"], parts["certificate"]) == (self.base.address, self.base.certificate)
        session = self.ask("POST", "/v1/join", json={"code": parts["code"], **self.proof()})
        assert session.status_code == 200, session.text
        self.http.headers["Authorization"] = f"Bearer {session.json()['token']}"
        return session.json()

    def entry(self, subject, kind="photograph_attached", payload=b'{"file":"a.jpg"}'):
        """The next entry of this device's log, as core/src/store/encoding.md has it; it speaks of a photograph where nothing else is said."""
        salt, author = bytes(range(16)), b"A. Walker"
        self.number += 1
        header = cbor2.dumps(
            [
                1,
                self.public,
                self.number,
                1_790_000_000_000 + self.number,
                0,
                kind,
                "visit-1",
                subject,
                hashlib.sha256(salt + author).digest(),
                hashlib.sha256(salt + payload).digest(),
                self.previous,
            ]
        )
        self.previous = hashlib.sha256(header).digest()
        signature = self.key.sign(b"rakelight log head 1\0" + self.previous)
        return cbor2.dumps([header, signature, salt, author, payload])

    def hand_over(self, entries):
        headers = {"Content-Type": "application/cbor-seq", "Repr-Digest": digest_field(entries)}
        return self.ask("POST", "/v1/entries", data=entries, headers=headers)


def digest_field(body):
    """RFC 9530."""
    return f"sha-256=:{base64.b64encode(hashlib.sha256(body).digest()).decode()}:"


def photograph(seed):
    picture = io.BytesIO()
    pixels = np.random.default_rng(seed).integers(0, 255, (240, 320, 3), dtype=np.uint8)
    Image.fromarray(pixels).save(picture, "JPEG", quality=80)
    return picture.getvalue()


def assert_problem(answer, status):
    assert answer.status_code == status, answer.text
    assert answer.headers["Content-Type"] == PROBLEM
    assert answer.headers["Repr-Digest"] == digest_field(answer.content)
    problem = answer.json()
    assert set(problem) == {"type", "title", "status", "detail"} and problem["status"] == status
    return problem


@pytest.fixture
def base(tmp_path):
    base = Base(tmp_path / "store")
    yield base
    if base.process.poll() is None:
        base.stop()


@pytest.mark.parametrize("version", [ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3], ids=lambda version: version.name)
def test_both_versions_of_tls_are_spoken_with_the_certificate_that_the_invitation_names(base, version):
    with base.tls(version) as connection:
        assert connection.version() == version.name.replace("TLSv1_", "TLSv1.")
        certificate = connection.getpeercert(binary_form=True)
    assert hashlib.sha256(certificate).hexdigest() == base.certificate


@pytest.mark.parametrize("version", [ssl.TLSVersion.TLSv1, ssl.TLSVersion.TLSv1_1], ids=lambda version: version.name)
@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_older_versions_are_not(base, version):
    with pytest.raises((ssl.SSLError, ConnectionError)):
        base.tls(version).close()


def test_a_device_joins_and_its_entries_arrive(base):
    device = Device(base, 1)
    session = device.join(base.invite())
    assert session["role"] == "field_worker" and session["seconds"] == 900
    photo = photograph(1)
    accepted = device.hand_over(device.entry(hashlib.sha256(photo).hexdigest()) + device.entry("0" * 64))
    assert accepted.json() == {
        "taken": 2,
        "known": 0,
        "waiting": 0,
        "refused": [],
        "reached": {device.public.hex(): {"number": 2, "digest": device.previous.hex()}},
    }
    assert accepted.headers["Repr-Digest"] == digest_field(accepted.content)
    heads = device.ask("GET", "/v1/heads").json()
    assert heads["logs"][device.public.hex()] == [{"number": 2, "digest": device.previous.hex()}]
    wanted = device.ask("GET", "/v1/photographs/wanted").json()["sha256"]
    assert set(wanted) == {hashlib.sha256(photo).hexdigest(), "0" * 64}
    members = rakelight_json("members", "--store", base.store)["members"]
    assert (device.public.hex(), "A. Walker", False) in [(m["device"], m["name"], m["forked"]) for m in members]
    assert len(members) == 2, "the base itself is the other"


def test_the_base_can_be_neither_barred_nor_demoted(base):
    own = next(m["device"] for m in rakelight_json("members", "--store", base.store)["members"] if m["last_exchange"] is None)
    for change in (["--bar", own], ["--role", f"{own}=field_worker"]):
        assert "the base itself" in rakelight("members", "--store", base.store, *change, expect=2)


def test_bar_and_role_hold_while_the_base_runs(base):
    device = Device(base, 1)
    device.join(base.invite())
    rakelight_json("members", "--store", base.store, "--bar", device.public.hex())
    assert assert_problem(device.ask("GET", "/v1/heads"), 403)["type"] == "urn:rakelight:barred_device"
    rakelight_json("members", "--store", base.store, "--unbar", device.public.hex())
    rakelight_json("members", "--store", base.store, "--role", f"{device.public.hex()}=coordinator")
    session = device.ask("POST", "/v1/session", json=device.proof()).json()
    assert session["role"] == "coordinator" and device.public.hex() in session["trusted"]


def test_tuspy_uploads_and_goes_on_after_a_cut(base, tmp_path):
    device = Device(base, 1)
    device.join(base.invite())
    photo = photograph(2)
    sha256 = hashlib.sha256(photo).hexdigest()
    device.hand_over(device.entry(sha256))
    (tmp_path / "a.jpg").write_bytes(photo)

    tus = tus_client.TusClient(base.address + "/v1/uploads", headers=dict(device.http.headers))
    options = {"chunk_size": 10_000, "verify_tls_cert": False, "metadata": {"sha256": sha256}, "upload_checksum": True}
    uploader = tus.uploader(str(tmp_path / "a.jpg"), **options)
    uploader.upload_chunk()
    assert uploader.offset == 10_000

    # The line breaks off in the middle of a piece: what arrived of it counts.
    piece, arrived = photo[10_000:20_000], 3_000
    head = [
        f"PATCH {uploader.url.removeprefix(base.address)} HTTP/1.1",
        "Host: base",
        f"Authorization: {device.http.headers['Authorization']}",
        "Tus-Resumable: 1.0.0",
        "Upload-Offset: 10000",
        "Content-Type: application/offset+octet-stream",
        f"Content-Length: {len(piece)}",
    ]
    with base.tls() as connection:
        connection.sendall("\r\n".join([*head, "", ""]).encode() + piece[:arrived])
    again = tus.uploader(str(tmp_path / "a.jpg"), url=uploader.url, **options)
    for _ in range(50):
        if again.get_offset() == 13_000:
            break
        time.sleep(0.1)
    assert again.get_offset() == 13_000
    again.offset = 13_000
    again.upload()
    assert device.ask("GET", f"/v1/photographs/{sha256}").content == photo
    part = device.ask("GET", f"/v1/photographs/{sha256}", headers={"Range": "bytes=100-199"})
    assert (part.status_code, part.content) == (206, photo[100:200])
    assert part.headers["Repr-Digest"] == digest_field(photo)
    assert rakelight_json("store", "verify", base.store)["damage"] == []


def test_refusals_are_problems(base):
    device = Device(base, 1)
    assert_problem(device.ask("GET", "/nowhere"), 404)
    assert_problem(device.ask("PUT", "/v1/heads"), 405)
    unauthorized = device.ask("GET", "/v1/heads")
    assert_problem(unauthorized, 401)
    assert unauthorized.headers["WWW-Authenticate"] == "Bearer"
    device.join(base.invite())
    assert_problem(device.ask("POST", "/v1/entries", data=b"x", headers={"Content-Type": "text/plain"}), 415)
    assert_problem(device.ask("POST", "/v1/entries/lacking", json={"logs": {"x": []}, "more": 1}), 422)
    assert_problem(device.ask("GET", "/v1/photographs/..%2f..%2fdevice.key"), 404)
    too_long = {"Content-Type": "application/cbor-seq"}
    assert_problem(device.ask("POST", "/v1/entries", data=bytes(33 << 20), headers=too_long), 413)
    wrong = {"Content-Type": "application/cbor-seq", "Repr-Digest": digest_field(b"something else")}
    assert_problem(device.ask("POST", "/v1/entries", data=b"x", headers=wrong), 422)


def test_a_request_that_is_no_http_or_never_ends_holds_up_nobody(base):
    held = [base.tls() for _ in range(20)]
    for connection in held:
        connection.sendall(b"GET /health HTTP/1.1\r\nHost: ")
    with base.tls() as connection:
        connection.sendall(b"\x16\x03nonsense\r\n\r\n")
        assert connection.recv(1_000).startswith((b"HTTP/1.1 400", b""))
    assert Device(base, 1).ask("GET", "/health").json() == {"status": "ok"}
    for connection in held:
        connection.close()


def test_what_is_logged_names_nobody(base):
    device = Device(base, 1)
    session = device.join(base.invite())
    sha256 = hashlib.sha256(photograph(3)).hexdigest()
    device.hand_over(device.entry(sha256))
    device.ask("GET", f"/v1/photographs/{sha256}")
    log = base.stop()
    assert "GET /v1/photographs/{sha256} 404 " in log and "POST /v1/join 200 " in log, log
    for private in (sha256, device.public.hex(), session["token"], "Walker"):
        assert private not in log


def test_a_stop_lets_what_runs_finish(base):
    device = Device(base, 1)
    device.join(base.invite())
    entries = device.entry("0" * 64)
    head = [
        "POST /v1/entries HTTP/1.1",
        "Host: base",
        f"Authorization: {device.http.headers['Authorization']}",
        "Content-Type: application/cbor-seq",
        f"Content-Length: {len(entries)}",
    ]
    with base.tls() as connection:
        connection.sendall("\r\n".join([*head, "", ""]).encode() + entries[:10])
        time.sleep(0.5)
        base.process.send_signal(signal.SIGTERM)
        time.sleep(0.5)
        connection.sendall(entries[10:])
        assert connection.recv(100).startswith(b"HTTP/1.1 200 OK")
    assert base.process.wait(timeout=20) == 0
    assert rakelight_json("store", "verify", base.store)["entries"] == 1


def test_invitations_are_pictures_too(base, tmp_path):
    picture = tmp_path / "invitation.png"
    arguments = ("--store", base.store, "--name", "B", "--role", "checker", "--png", picture)
    made = rakelight_json("invite", *arguments, "--address", "https://base.example:8443")
    # Now and then the pattern happens to hold a bar code of another kind as well.
    codes = zxingcpp.read_barcodes(Image.open(picture), formats=zxingcpp.BarcodeFormat.QRCode)
    [read] = (code.text for code in codes)
    assert read == made["invitation"] and "address=https://base.example:8443&" in read
    admitted = rakelight_json("invite", *arguments[:-2], "--device", "ab" * 32)
    assert admitted["device"] == "ab" * 32


# tus answers 412 where its version is missing or another.
REJECTED = [400, 401, 403, 404, 405, 409, 412, 413, 415, 416, 422, 429]
SCHEMATHESIS = f"""
[checks.negative_data_rejection]
expected-statuses = {REJECTED}
[checks.missing_required_header]
expected-statuses = {REJECTED}
# Whether what is well written can be taken hangs on signatures and digests, which no generator makes up.
[checks.positive_data_acceptance]
enabled = false
"""
HOOKS = """
import schemathesis

@schemathesis.serializer("application/cbor-seq", "application/offset+octet-stream")
def as_it_is(context, value):
    return value if isinstance(value, bytes) else str(value).encode()
"""


def test_schemathesis_finds_nothing_that_the_description_does_not_say(base, tmp_path):
    device = Device(base, 1)
    device.join(base.invite())
    device.hand_over(device.entry("0" * 64))
    (tmp_path / "schemathesis.toml").write_text(SCHEMATHESIS)
    (tmp_path / "hooks.py").write_text(HOOKS)
    command = [
        pathlib.Path(sys.executable).parent / "schemathesis",
        "run",
        f"{base.address}/openapi.json",
        "--tls-verify=false",
        f"--header=Authorization:{device.http.headers['Authorization']}",
        "--phases=examples,coverage,fuzzing",
        "--max-examples=40",
        "--max-time=60",
        "--seed=1",
        "--request-timeout=10",
        "--generation-database=none",
        "--no-color",
    ]
    environment = {**os.environ, "SCHEMATHESIS_HOOKS": "hooks", "PYTHONPATH": str(tmp_path)}
    done = subprocess.run(command, capture_output=True, text=True, cwd=tmp_path, env=environment, timeout=200)
    assert done.returncode == 0, done.stdout + done.stderr
    assert " 500 " not in base.stop()
