"""Who made it is as sure as the program says: against scikit-learn, on findings drawn here from the published ranges.

The findings are drawn here by the model that `core/src/identify/mod.rs` documents, from the files of facts alone."""

import json
import random
import subprocess
import tomllib
from math import exp, hypot, log, sqrt

import numpy as np
from sklearn.discriminant_analysis import LinearDiscriminantAnalysis
from sklearn.metrics import log_loss
from sklearn.naive_bayes import GaussianNB
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler

from conftest import PROGRAM, ROOT

FACTS = ROOT / "core" / "data"
MODEL = tomllib.loads((FACTS / "identification.toml").read_text())
GROUNDS = tomllib.loads((FACTS / "substrates.toml").read_text())
MAKERS = [tomllib.loads(file.read_text()) for file in sorted((FACTS / "species").glob("*.toml"))]
NONE = "none_of_these"
ARRANGEMENTS = ("arc", "row", "paired", "fingers", "cloven", "bird")
FEATURES = ("claws", "webbing", "heel_pad")
UNFOUNDED = ("memory", "assumed")


def ground_of(name, off):
    held, doubt = GROUNDS[name], MODEL["band"]["substrate"]
    return held | {
        "name": name,
        "ln_factor": log(held["size_factor"]) * exp(off(doubt)),
        "u_trail": held["u_trail"] * exp(off(doubt)),
        "u_print": held["u_print"] * exp(off(doubt)),
        "snow": "snow" in name,
    }


def is_many(row):
    return row.get("n", 0) >= MODEL["range"]["known_n"] and {"min_mm", "mean_mm", "max_mm"} <= row.keys()


def log_normal(row, ground, off):
    """Mean and standard deviation of the logarithm, from one published row."""
    rule, band = MODEL["range"], MODEL["band"]
    low, mean, high = (row.get(key) for key in ("min_mm", "mean_mm", "max_mm"))
    if low and high:
        m, span = log(mean or sqrt(low * high)), log(high / low)
        s = span / rule["known_spans_sd"] if is_many(row) else hypot(span / rule["loose_spans_sd"], rule["loose_floor_sd"])
    elif mean:
        m, s = log(mean), rule["single_sd"]
    else:
        m, s = log(low) + rule["one_sided_offset"] if low else log(high) - rule["one_sided_offset"], rule["one_sided_sd"]
    weak, memory = row.get("weak", False), row["status"] in UNFOUNDED
    s *= rule["weak_widens"] if weak else 1
    s *= rule["memory_widens"] if memory else 1
    s *= rule["few_widens"] if "basis" in row or row.get("n") == 1 else 1
    founded = "known_n" if is_many(row) else "weak" if weak or memory else "published"
    m, s = m + off(band[f"{founded}_centre"]), s * exp(off(band[f"{founded}_spread"]))
    snow = "snow" in row.get("substrate", "")
    s = hypot(s, rule["snow_sd"]) if snow != ground["snow"] else s
    return m if snow and ground["snow"] else m + ground["ln_factor"], hypot(s, ground["u_trail"])


def moved(cell, by, extra=0.0):
    return cell and (cell[0] + by, hypot(cell[1], extra))


def weight_of(row):
    weights = MODEL["weights"]
    if row["status"] in UNFOUNDED:
        return weights["memory"]
    return weights["weak" if row.get("weak") else "known_n" if is_many(row) else "published"]


def readings_of(maker, ground, off):
    """Every source's reading of the maker: its weight, the sizes by foot and by width and the two lengths, the four-toed width."""
    rule = MODEL["range"]
    heels, ln_heel, ln_shape = maker["heel_may_print"], log(rule["heel_lengthens"]), log(rule["width_over_length"])
    feet = {"fore": (0,), "hind": (1,), "any": (0, 1), "foot": (0, 1), "middle_toe": (0, 1)}
    sources = {}
    # What a source says of one foot goes before what it says of either.
    for row in sorted(maker["size"], key=lambda row: row["foot"] not in ("fore", "hind")):
        if row["foot"] in ("fore_foot", "hind_foot"):
            continue
        cell = log_normal(row, ground, off)
        if row["source"] not in sources:
            sources[row["source"]] = [weight_of(row) * exp(off(MODEL["band"]["source_weight"])), {}, None]
        if row["foot"] == "fore_4toes":
            sources[row["source"]][2] = cell
            continue
        if row["dimension"] == "width":
            said = {0: cell}
        elif not heels:
            said = {1: cell, 2: cell}
        elif row["dimension"] == "length_unstated":
            said = {1: moved(cell, -ln_heel / 2, ln_heel / 2), 2: moved(cell, ln_heel / 2, ln_heel / 2)}
        else:
            said = {1 if row["dimension"] == "length_without_heel" else 2: cell}
        for foot in feet[row["foot"]]:
            for d, cell in said.items():
                sources[row["source"]][1].setdefault((foot, d), cell)

    def pooled(foot, d):
        said = [(weight, *cells[foot, d]) for weight, cells, _ in sources.values() if (foot, d) in cells]
        if said:
            total = sum(w for w, _, _ in said)
            mean = sum(w * m for w, m, _ in said) / total
            return mean, sqrt(sum(w * (s**2 + (m - mean) ** 2) for w, m, s in said) / total)

    pool = {(foot, d): pooled(foot, d) for foot in (0, 1) for d in (0, 1, 2)}

    def filled(cells, foot):
        width, without, with_heel = (
            cells.get((foot, d)) or pool[foot, d] or moved(pool[1 - foot, d], 0, rule["other_foot_sd"]) for d in (0, 1, 2)
        )
        heel = ln_heel if heels else 0.0
        without = without or moved(with_heel, -heel, rule["loose_floor_sd"]) or moved(width, -ln_shape, rule["shape_sd"])
        return width or moved(without, ln_shape, rule["shape_sd"]), without, with_heel or moved(without, heel, rule["loose_floor_sd"])

    return [(weight, [filled(cells, foot) for foot in (0, 1)], four) for weight, cells, four in sources.values()]


def log_odds(p):
    return log(p / (1 - p))


def chance(log_odds):
    return 1 / (1 + exp(-log_odds))


class KnownMaker:
    """What one maker leaves on this ground, its facts off by so much."""

    correlation = MODEL["trail"]["size_correlation"]

    def __init__(self, maker, ground, off):
        self.name = maker.get("group", maker["id"])
        self.readings = readings_of(maker, ground, off)
        self.feet = [self.foot(maker, name, ground, off) for name in ("fore", "hind")]
        sole = maker.get("hind_foot", {})
        bound = sole.get("bounds_the_sole") and not ground["snow"]
        self.ln_longest = log(sole["max_mm"] * MODEL["range"]["hind_foot_margin"]) if bound else np.inf

    @staticmethod
    def foot(maker, name, ground, off):
        held = next(foot for foot in maker["foot"] if foot["foot"] in (name, "any"))
        sd = MODEL["band"]["chance_assumed" if held["status"] in UNFOUNDED else "chance_published"]
        trail = MODEL["trail"]
        toes = [
            (log_odds(p) + ground["toes"] + off(sd), trail["sure_toe_share"] if p >= trail["sure_toe"] else 1.0)
            for p in held["toe_chances"]
        ]
        features = {key: log_odds(held[key]) + ground[key] + off(sd) for key in FEATURES}
        named = held["arrangement"]
        rest = (1 - sum(named.values())) / (len(ARRANGEMENTS) - len(named))
        return toes, features, [named.get(key, rest) * exp(off(sd)) for key in ARRANGEMENTS]

    def shows(self, rng, foot, clear):
        """Toes, claws, webbing, heel, arrangement of one print, read by people who err."""
        misread = MODEL["misread"]
        toes, features, shares = self.feet[foot]
        seen = sum(rng.random() < chance(at + varies * clear) for at, varies in toes) + (rng.random() < misread["extra_toe"])
        marks = {key: (rng.random() < chance(at + clear)) != (rng.random() < misread["feature"]) for key, at in features.items()}
        is_misread = rng.random() < misread["arrangement"]
        return min(seen, 5), marks, rng.choices(ARRANGEMENTS, None if is_misread else shares)[0]


class Unknown:
    """What none of the known makers leaves."""

    name = NONE
    held = MODEL["none_of_these"]
    correlation, ln_longest = held["size_correlation"], np.inf

    def __init__(self):
        middles = [log(self.held[key]) for key in ("width_mm", "length_without_heel_mm", "length_with_heel_mm")]
        spreads = zip(self.held["size_sd"], self.held["size_weights"])
        self.readings = [(weight, [[(m, s) for m in middles]] * 2, None) for s, weight in spreads]

    def shows(self, rng, foot, clear):
        marks = {key: rng.random() < self.held[key] for key in FEATURES}
        return rng.choices(range(6), self.held["toes_seen"])[0], marks, rng.choice(ARRANGEMENTS)


def sizes_of(rng, maker, ground, feet, toes, with_heel):
    """Width, length and their relative uncertainty, print by print: one animal, seen in one source's way."""
    _, sizes, four_toes = rng.choices(maker.readings, [weight for weight, _, _ in maker.readings])[0]
    z_width = rng.gauss()
    z_length = maker.correlation * z_width + sqrt(1 - maker.correlation**2) * rng.gauss()
    for foot, count, heel in zip(feet, toes, with_heel):
        u = rng.uniform(0.02, 0.06)
        noise = hypot(ground["u_print"], u)
        width = four_toes if four_toes and foot == 0 and count == 4 else sizes[foot][0]
        length = sizes[foot][2 if heel else 1]
        yield rng.gauss(width[0] + width[1] * z_width, noise), rng.gauss(length[0] + length[1] * z_length, noise), u


def trail_of(rng, maker, ground, feet):
    """Prints of one animal, as clear as its trail is."""
    clear = rng.gauss(0, MODEL["trail"]["clearness_sd"])
    toes, marks, arrangements = zip(*(maker.shows(rng, foot, clear) for foot in feet))
    with_heel = [seen["heel_pad"] and rng.random() < 0.5 for seen in marks]

    def can_be(foot, heel, size):
        # No hind print with heel is much longer than the hind foot.
        return not (foot and heel) or rng.random() < chance((maker.ln_longest - size[1]) / MODEL["range"]["hind_foot_sd"])

    while True:
        sizes = list(sizes_of(rng, maker, ground, feet, toes, with_heel))
        if all(map(can_be, feet, with_heel, sizes)):
            break
    for foot, count, seen, arrangement, heel, (ln_width, ln_length, u) in zip(feet, toes, marks, arrangements, with_heel, sizes):
        mm = {"width_mm": exp(ln_width), "length_with_heel_mm" if heel else "length_without_heel_mm": exp(ln_length)}
        yield (
            {"foot": ("fore", "hind")[foot], "toes_seen": count, "arrangement": arrangement}
            | {key: "seen" if there else "absent" for key, there in seen.items()}
            | mm
            | {f"u_{key}": u * value for key, value in mm.items()}
        )


def is_possible(prints):
    """Within what the program takes for a print at all."""
    low, high = (MODEL["limits"][key] for key in ("print_min_mm", "print_max_mm"))
    return all(
        all(low <= p.get(key, low) <= high for key in ("width_mm", "length_without_heel_mm", "length_with_heel_mm"))
        and not (p["toes_seen"] == 5 and p["arrangement"] in ("cloven", "bird"))
        for p in prints
    )


def findings(rng, n, unknown_makers=True, one_foot=False, doubt=0.0):
    """Who made it and the evidence, `n` times; every finding has its own facts, off by `doubt` times their bands."""

    def off(sd):
        return doubt and rng.gauss(0, doubt * sd)

    grounds = [name for name in GROUNDS if name != "unknown"]
    held = MODEL["none_of_these"]["prior"]
    while n:
        ground = ground_of(rng.choice(grounds), off)
        none = held * exp(off(MODEL["band"]["none_prior"]))
        is_unknown = unknown_makers and rng.random() < none / (1 - held + none)
        maker = Unknown() if is_unknown else KnownMaker(rng.choice(MAKERS), ground, off)
        n_prints = rng.randint(1, 4)
        feet = [rng.randrange(2)] * n_prints if one_foot else rng.choices((0, 1), k=n_prints)
        prints = list(trail_of(rng, maker, ground, feet))
        if is_possible(prints):
            yield maker.name, {"substrate": ground["name"], "prints": prints}
            n -= 1


def identified(evidence):
    """The candidates by name, and the program's probabilities, one row a finding."""
    lines = "\n".join(map(json.dumps, evidence))
    done = subprocess.run([PROGRAM.with_name("identify-many")], input=lines, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    rows = [json.loads(line) for line in done.stdout.splitlines()]
    candidates = sorted(rows[0])
    return np.array(candidates), np.array([[row[candidate] for candidate in candidates] for row in rows])


def in_numbers(evidence):
    """A finding as general-purpose classifiers take it: what its prints show on average, nothing missing."""
    prints, ln_heel = evidence["prints"], log(MODEL["range"]["heel_lengthens"])
    hind = prints[0]["foot"] == "hind"
    with_heel = np.mean(["length_with_heel_mm" in p for p in prints])
    width = np.mean([log(p["width_mm"]) for p in prints])
    length = np.mean([log(p.get("length_without_heel_mm") or p["length_with_heel_mm"]) for p in prints]) - with_heel * ln_heel
    return [
        *(hind, with_heel, width, length, hind * width, hind * length, np.mean([p["toes_seen"] for p in prints])),
        *(np.mean([p[key] == "seen" for p in prints]) for key in FEATURES),
        *(np.mean([p["arrangement"] == key for p in prints]) for key in ARRANGEMENTS[1:]),
        *(evidence["substrate"] == name for name in list(GROUNDS)[1:]),
    ]


def rivals(training):
    """General-purpose classifiers trained on these findings: naive Bayes takes features for independent, so with more and less smoothing."""
    makers, evidence = zip(*training)
    numbers = [in_numbers(e) for e in evidence]
    for rival in [*(GaussianNB(var_smoothing=v) for v in (1e-9, 1e-3, 1e-1, 1.0)), LinearDiscriminantAnalysis()]:
        yield make_pipeline(StandardScaler(), rival).fit(numbers, makers)


def floored(p):
    """None below one in a thousand: one wrong certainty would cost a rival more than all the rest."""
    p = p.clip(1e-3)
    return p / p.sum(axis=1, keepdims=True)


def test_a_finding_is_told_at_least_as_well_as_general_purpose_classifiers_tell_it():
    rng = random.Random(1)
    trained = list(rivals(findings(rng, 10_000, unknown_makers=False, one_foot=True)))
    makers, evidence = map(np.array, zip(*findings(rng, 4_000, one_foot=True)))
    candidates, ours = identified(evidence)
    theirs = [rival.predict_proba([in_numbers(e) for e in evidence]) for rival in trained]

    # Unknown makers included: the rivals, who saw none, are told how many there are.
    is_known = candidates != NONE
    unknown = MODEL["none_of_these"]["prior"]
    opened = [floored(np.insert((1 - unknown) * p, np.flatnonzero(~is_known), unknown, axis=1)) for p in theirs]
    best = min(log_loss(makers, p, labels=candidates) for p in opened)
    assert log_loss(makers, ours, labels=candidates) <= best

    # Known makers alone: as the rivals take it for certain that there are no others, so does the program, by the rule of
    # conditional probability.
    known = makers != NONE
    ours = ours[np.ix_(known, is_known)]
    best = min(log_loss(makers[known], floored(p[known]), labels=candidates[is_known]) for p in theirs)
    assert log_loss(makers[known], ours / ours.sum(axis=1, keepdims=True), labels=candidates[is_known]) <= best


def test_of_findings_called_so_likely_so_many_are_it_though_the_assumed_numbers_are_off():
    """Every finding comes of facts of its own, shifted within their bands, as no one knows the true ones."""
    makers, evidence = zip(*findings(random.Random(2), 10_000, doubt=1.0))
    candidates, said = identified(evidence)
    said, true = said.ravel(), (np.array(makers)[:, None] == candidates).ravel()
    bins = (10 * said).astype(int).clip(max=9)
    table = [(np.sum(bins == i), said[bins == i].mean(), true[bins == i].mean()) for i in range(10)]
    # From 700 entries on, chance alone (0.019, one standard deviation at most) stays well within what is allowed.
    assert min(n for n, _, _ in table) >= 700, table
    assert max(abs(called - came_true) for _, called, came_true in table) <= 0.05, table
