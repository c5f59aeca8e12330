"""Programs that checks and benchmarks start beside the base: Debian's PostgreSQL, and moto, which answers as S3 does. Both on the loopback, both gone
with everything in them afterwards."""

import contextlib
import os
import pathlib
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time

import requests


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def until(works, patience_s=60):
    """Waits for a program that starts."""
    end = time.monotonic() + patience_s
    while not works():
        assert time.monotonic() < end, "it doesn't start"
        time.sleep(0.1)


@contextlib.contextmanager
def postgres(*, synced=False):
    """A PostgreSQL of our own; gives its address. It doesn't run as root. What is to be timed is `synced` to the disk."""
    installed = sorted(pathlib.Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    assert installed, "apt-get install postgresql"
    programs, port = installed[-1].parent, free_port()
    user = {"user": "nobody"} if os.getuid() == 0 else {}
    folder = pathlib.Path(tempfile.mkdtemp(prefix="rakelight-postgres-"))
    if user:
        shutil.chown(folder, "nobody")
    data = folder / "data"
    quiet = {"stdout": subprocess.DEVNULL, "stderr": (folder / "log").open("w"), "cwd": folder, **user}
    make = [programs / "initdb", "-D", data, "-U", "rakelight", "-A", "trust", "--no-sync", "--no-locale", "-E", "UTF8"]
    subprocess.run(make, check=True, timeout=60, **quiet)
    options = ["-p", str(port), "-h", "127.0.0.1", "-k", folder, "-c", f"fsync={'on' if synced else 'off'}"]
    server = subprocess.Popen([programs / "postgres", "-D", data, *options], **quiet)
    address = f"postgres://rakelight@127.0.0.1:{port}/postgres"
    try:
        until(lambda: subprocess.run([programs / "pg_isready", "-q", "-d", address]).returncode == 0)
        yield address
    finally:
        server.send_signal(signal.SIGINT)  # "fast": ends the connections
        try:
            server.wait(timeout=20)
        finally:
            server.kill()
            shutil.rmtree(folder)


@contextlib.contextmanager
def bucket():
    """The bucket `otters` of what stands in for S3; gives the environment that leads there."""
    port = free_port()
    moto = pathlib.Path(sys.executable).parent / "moto_server"
    endpoint = f"http://127.0.0.1:{port}"
    environment = {
        "AWS_ENDPOINT_URL": endpoint,
        "AWS_ALLOW_HTTP": "true",
        "AWS_REGION": "us-east-1",
        "AWS_ACCESS_KEY_ID": "nobody",
        "AWS_SECRET_ACCESS_KEY": "nothing",
    }
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    server = subprocess.Popen([moto, "-H", "127.0.0.1", "-p", str(port)], **quiet)

    def made():
        try:
            return requests.put(f"{endpoint}/otters", timeout=5).ok
        except requests.ConnectionError:
            return False

    try:
        until(made)
        yield environment
    finally:
        server.kill()
        server.wait()
