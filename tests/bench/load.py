"""The base under load: 50 devices with a session each, on 50 connections over TLS (wrk, on this machine's loopback only).

What is asked for: the heads; what is lacking where nothing is; a batch of ten entries that the base has already, which is what a device sends whose answer was lost. The base's
log has 50 × 200 entries. `load.py [SECONDS] [postgres]`: kept in a folder, or on a PostgreSQL that is started for it and syncs as it does by itself."""

import contextlib
import pathlib
import re
import subprocess
import sys
import tempfile

import servers
from test_service import Base, Device
from test_service_postgres import Process

DEVICES = 50
SCRIPT = """
local tokens = {{{tokens}}}
local bodies = {{{bodies}}}
local n = 0
request = function()
  n = n % #tokens + 1
  local headers = {{["Authorization"] = "Bearer " .. tokens[n], ["Content-Type"] = "{media_type}"}}
  return wrk.format("{method}", "{path}", headers, bodies[n])
end
"""


def lua(body):
    return '"' + "".join(f"\\{byte:03d}" for byte in body) + '"'


def run(base, folder, name, method, path, tokens, bodies, media_type, seconds):
    script = folder / "script.lua"
    quoted = ",".join(f'"{token}"' for token in tokens)
    script.write_text(SCRIPT.format(tokens=quoted, bodies=",".join(map(lua, bodies)), method=method, path=path, media_type=media_type))
    command = ["wrk", "-t2", f"-c{DEVICES}", f"-d{seconds}s", "--latency", "-s", script, base.address]
    said = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    found = lambda pattern: re.search(pattern, said).group(1)
    a_second, median, p99 = found(r"Requests/sec:\s+([\d.]+)"), found(r"\n\s+50%\s+(\S+)"), found(r"\n\s+99%\s+(\S+)")
    bad = re.search(r"Non-2xx or 3xx responses: (\d+)", said)
    print(f"{name}: {a_second} requests a second, median {median}, p99 {p99}, {bad.group(1) if bad else 0} refused", flush=True)


def main(seconds=10, postgres=None):
    with contextlib.ExitStack() as over:
        folder = pathlib.Path(over.enter_context(tempfile.TemporaryDirectory()))
        unlimited = ("--requests-per-second", "1000000")
        if postgres:
            database = over.enter_context(servers.postgres(synced=True))
            base = Process(database, over.enter_context(servers.bucket()), folder / "base.log", *unlimited)
        else:
            base = Base(folder / "base", *unlimited)
        over.callback(base.stop)
        devices = [Device(base, seed) for seed in range(DEVICES)]
        tokens, last = [], []
        for device in devices:
            tokens.append(device.join(base.invite())["token"])
            for _ in range(20):
                last_batch = b"".join(device.entry(f"{n:064x}") for n in range(10))
                assert device.hand_over(last_batch).status_code == 200
            last.append(last_batch)
        heads = devices[0].ask("GET", "/v1/heads").content
        print(f"{DEVICES} devices, {seconds} s each, {postgres or 'SQLite'}", flush=True)
        run(base, folder, "heads", "GET", "/v1/heads", tokens, [b""] * DEVICES, "application/json", seconds)
        run(base, folder, "nothing lacking", "POST", "/v1/entries/lacking", tokens, [heads] * DEVICES, "application/json", seconds)
        run(base, folder, "ten known entries", "POST", "/v1/entries", tokens, last, "application/cbor-seq", seconds)
        refused = [line for line in base.log.read_text().splitlines() if not re.search(r" 20[04] \d+ ms$", line)]
        print("\n".join(["what was refused:", *sorted(refused)]) if refused else "nothing was refused")


if __name__ == "__main__":
    words = sys.argv[1:]
    main(next((int(word) for word in words if word.isdigit()), 10), "postgres" if "postgres" in words else None)
