"""Time of an occupancy fit of 10,000 places with three covariates beside scipy's, turn by turn: the same likelihood there vectorised, with its
gradient, by BFGS and L-BFGS-B. Then the time of 1,000 refits of 200 places, as the fit test makes them."""

import subprocess
import time

import numpy as np
import scipy.optimize
from scipy.special import expit, log_expit

from conftest import ROOT

CLOCK = ROOT / "target" / "release" / "occupancy-clock"
FOLDER = ROOT / "target" / "bench"
SEED, ROUNDS = 71_000, 7


def minus_log_likelihood(theta, x, z, found, made):
    """With its gradient."""
    kx = x.shape[1]
    eta, zeta = x @ theta[:kx], z @ theta[kx:]
    psi, p = expit(eta), expit(zeta)
    there = log_expit(eta) + (found * log_expit(zeta) + (made - found) * log_expit(-zeta)).sum(axis=1)
    seen = found.any(axis=1)
    log = np.where(seen, there, np.logaddexp(there, log_expit(-eta)))
    w = np.where(seen, 1.0, np.exp(there - log))
    gradient = np.concatenate([x.T @ (w - psi), np.tensordot(w[:, None] * (found - made * p), z, 2)])
    return -log.sum(), -gradient


def design(places, visits):
    random = np.random.default_rng(SEED)
    width, bank, rain = random.normal(0, 1, places), random.integers(0, 2, places).astype(float), random.normal(0, 1, (places, visits))
    occupied = random.random(places) < expit(0.2 + 0.6 * width - 0.5 * bank)
    found = (occupied[:, None] & (random.random((places, visits)) < expit(-0.3 + 0.5 * rain))).astype(float)
    made = (random.random((places, visits)) > 0.1).astype(float)
    return width, bank, rain, found * made, made


def write(name, width, bank, rain, found, made):
    FOLDER.mkdir(parents=True, exist_ok=True)
    path = FOLDER / name
    with path.open("w") as file:
        print("history,width,bank," + ",".join(f"rain_{v + 1}" for v in range(found.shape[1])), file=file)
        for i in range(len(found)):
            history = "".join("." if not m else "01"[int(f)] for f, m in zip(found[i], made[i]))
            print(history, float(width[i]), bank[i], *map(float, rain[i]), sep=",", file=file)
    return path


def clock(*arguments):
    return [float(v) for v in subprocess.run([CLOCK, *map(str, arguments)], capture_output=True, text=True, check=True).stdout.split()]


def theirs(method, *arrays):
    start = time.perf_counter()
    k = arrays[0].shape[1] + arrays[1].shape[2]
    best = scipy.optimize.minimize(minus_log_likelihood, np.zeros(k), arrays, method, jac=True)
    return 1e3 * (time.perf_counter() - start), best.fun


width, bank, rain, found, made = large = design(10_000, 5)
file = write("occupancy.csv", *large)
x = np.column_stack([np.ones(len(width)), width, bank])
z = np.stack([np.ones_like(rain), rain], axis=2)
times = {"ours": [], "BFGS": [], "L-BFGS-B": []}
optimum = {}
for _ in range(ROUNDS):
    ms, optimum["ours"] = clock(file, "width,bank", "rain")
    times["ours"].append(ms)
    for method in ("BFGS", "L-BFGS-B"):
        ms, optimum[method] = theirs(method, x, z, found, made)
        times[method].append(ms)
medians = {name: np.median(values) for name, values in times.items()}
print(f"10,000 places, 5 visits, 3 covariates, seed {SEED}, medians of {ROUNDS} rounds in turn")
for name, ms in medians.items():
    print(f"{name:9} {ms:7.1f} ms   -ln L {optimum[name]:.6f}")
for method in ("BFGS", "L-BFGS-B"):
    print(f"ratio to scipy's {method} {medians['ours'] / medians[method]:.3f} (aim: 0.2). Ours makes the rows and the warnings too")

small = write("occupancy_200.csv", *design(200, 5))
for psi, p in (("", ""), ("width,bank", "rain")):
    ms, _ = clock(small, psi, p, 1000)
    print(f"1,000 refits of 200 places, occupancy by [{psi}], detection by [{p}]: {ms / 1e3:.2f} s (at most 5)")
