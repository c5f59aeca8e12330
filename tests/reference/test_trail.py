"""The sharing out of prints against the best of all ways, found with networkx.

`rakelight trail` says which pattern it fitted (`fitted`). Given that pattern, every way to explain the prints is a path through a
directed graph without circles: a node is a run of prints taken as one cycle, an edge is the step to the next. The longest path
is the best way. The scores are worked out here from the definitions in core/data/patterns.toml and the fitted numbers; nothing
of the core's pruning (gates, the best few ways kept) is in here but a wide gate that keeps the graph small.
"""

import itertools
import json
import math
import subprocess
import tomllib

import networkx
import numpy
import pytest
from conftest import PROGRAM, ROOT

ASSUMED = tomllib.loads((ROOT / "core/data/patterns.toml").read_text())["assumed"]
MISSING, FOREIGN = math.log(ASSUMED["missing"]), math.log(ASSUMED["foreign"])
KEPT = math.log(1 - ASSUMED["missing"]) + math.log(1 - ASSUMED["foreign"])
PLACES = {
    "walk": [(0, 1), (0.5, -1)],
    "two_by_two": [(0, 1), (0.08, -1)],
    "group_of_three": [(0, 1), (0.13, 0), (0.26, -1)],
    "group_of_four": [(0, 1), (0.12, 0.4), (0.24, -0.4), (0.35, -1)],
}
WIDE_GATE = 6.0
MOST_STRIDES = 6


def small_trail(random):
    """Six to eleven prints of a pattern, some missing, one or two of another animal."""
    places = PLACES[random.choice(list(PLACES))]
    stride, half, scatter = random.uniform(40, 110), random.uniform(3, 7), random.uniform(0.6, 1.8)
    prints, at = [], 0.0
    while len(prints) < 9:
        for along, across in places:
            if random.random() > 0.1:
                prints.append((at + along * stride + random.normal(0, scatter), across * half + random.normal(0, scatter)))
        at += stride * random.normal(1, 0.05)
    prints = prints[: random.integers(5, 10)]
    at = prints[-1][0] - prints[0][0]
    for _ in range(random.integers(0, 3)):
        prints.append((random.uniform(0, prints[0][0] + at), random.uniform(-2 * half, 2 * half)))
    return [{"along_cm": float(a), "offset_cm": float(o)} for a, o in prints]


def log_normal(apart, variance):
    return -0.5 * (math.log(2 * math.pi * variance) + apart * apart / variance)


class Runs:
    """All runs of prints that can be one cycle, with their scores."""

    def __init__(self, places, fitted):
        self.places, self.fitted, self.k = places, fitted, len(fitted["places_cm"])
        self.variance = fitted["scatter_cm"] ** 2
        self.foreign = FOREIGN + fitted["ln_anywhere"]
        self.runs = []
        n = len(places)
        for size in range(1, self.k + 1):
            for prints in itertools.combinations(range(n), size):
                if prints[-1] - prints[0] > self.k + 2:
                    continue
                for slots in itertools.permutations(range(self.k), size):
                    self.add(prints, slots)

    def add(self, prints, slots):
        at = numpy.array([self.places[p] for p in prints])
        slot = numpy.array([self.fitted["places_cm"][s] for s in slots])
        middle = (at - slot).mean(axis=0)
        apart = at - slot - middle
        if numpy.abs(apart).max() > WIDE_GATE * self.fitted["scatter_cm"]:
            return
        n = len(prints)
        inside = prints[-1] - prints[0] + 1 - n
        # Normal scatter in two directions about a middle that is itself unknown.
        scatter = -(n - 1) * math.log(2 * math.pi * self.variance) + math.log(n) - (apart**2).sum() / (2 * self.variance)
        self.runs.append((prints, slots, middle, scatter + n * KEPT + inside * self.foreign))

    def step(self, run, following):
        along, across = following[2] - run[2]
        strides = min(max(math.floor(along / self.fitted["stride_cm"] + 0.5), 1), MOST_STRIDES)
        placing = self.variance * (1 / len(run[0]) + 1 / len(following[0]))
        missing = (self.k * strides - len(following[0])) * MISSING
        passed = (following[0][0] - run[0][-1] - 1) * self.foreign
        return (
            missing
            + passed
            + log_normal(along - strides * self.fitted["stride_cm"], strides * self.fitted["stride_sd_cm"] ** 2 + placing)
            + log_normal(across, strides * self.fitted["drift_cm"] ** 2 + placing)
        )

    def best(self):
        n = len(self.places)
        graph = networkx.DiGraph()

        # networkx leaves out what makes a path shorter than nothing, so each print that an edge passes adds the same; every whole path passes all.
        def edge(a, b, score, prints):
            graph.add_edge(a, b, weight=score + 1000 * prints)

        for i, run in enumerate(self.runs):
            first, last = run[0][0], run[0][-1]
            opening = (self.k - min(run[1]) - len(run[0])) * MISSING + self.fitted["ln_anywhere"]
            edge("begin", i, first * self.foreign + opening + run[3], last + 1)
            edge(i, "end", (n - 1 - last) * self.foreign - (self.k - 1 - max(run[1])) * MISSING, n - last)
            for j, following in enumerate(self.runs):
                if following[0][0] > last:
                    edge(i, j, self.step(run, following) + following[3], following[0][-1] - last)
        path = networkx.dag_longest_path(graph, weight="weight")
        score = networkx.path_weight(graph, path, "weight") - 1000 * (n + 1)
        return score, [self.runs[i] for i in path[1:-1]]


def test_the_prints_are_shared_out_as_the_longest_path_through_all_ways_does(tmp_path):
    random = numpy.random.default_rng(20_261)
    compared = 0
    for number in range(400):
        if compared == 200:
            break
        file = tmp_path / f"{number}.json"
        file.write_text(json.dumps({"prints": small_trail(random), "u_position_cm": 0.7}))
        done = subprocess.run([PROGRAM, "trail", file, "--json"], capture_output=True, text=True)
        reading = json.loads(done.stdout) if done.returncode == 0 else {"fitted": None}
        # Some are refused (a lone print far off), some follow no pattern.
        if reading["fitted"] is None:
            continue
        assert not reading["sections"], "so short a trail has no sections"
        order = sorted(reading["prints"], key=lambda p: (p["along_cm"], p["across_cm"]))
        runs = Runs([(p["along_cm"], p["across_cm"]) for p in order], reading["fitted"])
        score, path = runs.best()
        assert reading["fitted"]["ln_likelihood"] == pytest.approx(score, abs=1e-6), number
        own = {order[p]["print"] for run in path for p in run[0]}
        assert own == {p["print"] for p in reading["prints"] if p["belongs"]}, number
        if reading["groups"]:
            assert [sorted(group) for group in reading["groups"]] == [sorted(order[p]["print"] for p in run[0]) for run in path]
        compared += 1
    assert compared == 200
