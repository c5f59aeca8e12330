"""A year of windows for one place, worked out by the core, beside a year of rise, transit and set by pvlib (its vectorised SPA), turn by turn."""

import pathlib
import statistics
import subprocess
import sys
import time

import pandas as pd
import pvlib

ROOT = pathlib.Path(__file__).resolve().parents[2]
PROGRAM = ROOT / "target" / "release" / "plan-year"
CONSTANTS = ROOT / "fixtures" / "reference" / "tide_noaa_9447130_constituents.csv"


def ours():
    out = subprocess.run([PROGRAM, "1", CONSTANTS], check=True, capture_output=True, text=True).stdout.split()
    return float(out[0]), float(out[2])


def theirs():
    days = pd.date_range("2026-01-01", "2026-12-31", freq="D", tz="UTC")
    start = time.perf_counter()
    pvlib.solarposition.sun_rise_set_transit_spa(days, 51.56, -2.665, delta_t=69.2)
    return 1000 * (time.perf_counter() - start)


rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 30
theirs()
rows = [(*ours(), theirs()) for _ in range(rounds)]
sun, tide, pvlib_ms = (statistics.median(column) for column in zip(*rows))
least = [min(column) for column in zip(*rows)]
print(f"a year of windows of low sun               {sun:7.1f} ms (least {least[0]:.1f}; asked 50)")
print(f"the same with a tide of 37 constituents    {tide:7.1f} ms (least {least[1]:.1f}; asked 50)")
print(f"pvlib: a year of rise, transit and set     {pvlib_ms:7.1f} ms (least {least[2]:.1f})")
print(f"ratios to pvlib: {sun / pvlib_ms:.2f} and {tide / pvlib_ms:.2f}")
