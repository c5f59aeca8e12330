"""The team of `faults.rs` with its base on PostgreSQL and in a bucket, both started for it."""

import os
import subprocess
import sys

import servers

with servers.postgres() as database, servers.bucket() as environment:
    command = ["cargo", "bench", "--quiet", "-p", "rakelight-checks", "--bench", "faults", "--", "team", database]
    done = subprocess.run([*command, *sys.argv[1:]], env={**os.environ, **environment})
sys.exit(done.returncode)
