"""The analyses against published fits and against general-purpose libraries: scipy finds the highest of a likelihood written here on its own,
networkx the largest clique of a graph made here by the documented rule, statsmodels Wilson's interval."""

import csv
import json
import math
import tomllib

import networkx
import numpy as np
import pytest
import scipy.optimize
import scipy.stats
from conftest import ROOT, rakelight, rakelight_json
from statsmodels.stats.proportion import proportion_confint
from test_schema import check

REFERENCE = ROOT / "fixtures" / "reference"
SALAMANDER = REFERENCE / "occupancy_salamander.csv"


def occupancy(*arguments):
    document = rakelight_json("analyse", "occupancy", *arguments)
    check(document, "analyse_occupancy")
    return document


def close(value, expected):
    """Equal to the four decimals in which the reference is given."""
    return np.allclose(value, expected, atol=5.1e-5, rtol=0)


# Salamander and weta: MacKenzie et al. 2006, Occupancy Estimation and Modeling, pp. 99 and 116-122; the fitted values are those that the packages RMark
# and wiqid carry as coming from an independent program, with intervals by the normal approximation on the logit scale.


def test_the_salamander_with_constant_occupancy_and_detection():
    said = occupancy(SALAMANDER)
    assert close([said["psi"], said["se_psi"]], [0.5946, 0.1226]) and close([said["p"], said["se_p"]], [0.2587, 0.0577])
    assert close(said["psi_interval"], [0.3512, 0.7990]) and close(said["p_interval"], [0.1622, 0.3863])
    assert close([said["aic"], said["minus_two_log_likelihood"]], [165.7586, 161.7586])
    assert close([[c["estimate"], c["se"]] for c in said["coefficients"]], [[0.3831, 0.5086], [-1.0526, 0.3009]])
    not_found = [value for value in said["occupied_if_not_found"] if value is not None]
    assert len(not_found) == 21 and close(not_found, 0.2472)
    assert said["found_at"] == 18 and said["detections"] == 30 and close(said["naive"], 0.4615)
    at_85 = occupancy(SALAMANDER, "--level", "0.85")
    assert close(at_85["psi_interval"], [0.4136, 0.7531]) and close(at_85["p_interval"], [0.1846, 0.3499])


def test_the_salamander_with_each_visits_own_detection_and_with_a_trend():
    by_visit = occupancy(SALAMANDER, "--p", "visit")
    assert close(by_visit["psi"], 0.5799) and close(by_visit["p"], [0.1769, 0.1327, 0.3980, 0.3537, 0.2653])
    assert close(by_visit["aic"], 167.7144)
    trend = occupancy(SALAMANDER, "--p", "trend")
    assert close(trend["psi"], 0.5899) and close(trend["p"], [0.1865, 0.2197, 0.2569, 0.2981, 0.3428])
    assert close(trend["aic"], 165.9228)


def test_the_weta_with_missing_visits(tmp_path):
    lines = [line for line in (REFERENCE / "occupancy_weta.csv").read_text().splitlines() if not line.startswith("#")]
    rows = [{key: int(value) for key, value in row.items()} for row in csv.DictReader(lines)]
    histories = [("1" * r["y"] + "0" * (r["n"] - r["y"])).ljust(5, ".") for r in rows for _ in range(r["bushes"])]
    file = tmp_path / "weta.csv"
    file.write_text("history\n" + "\n".join(histories) + "\n")
    said = occupancy(file)
    assert said["visits_made"] == 262 and said["detections"] == 56 and said["found_at"] == 35
    assert close([said["psi"], *said["psi_interval"]], [0.6166, 0.4356, 0.7702])
    assert close([said["p"], *said["p_interval"]], [0.3494, 0.2525, 0.4604])
    assert close([c["estimate"] for c in said["coefficients"]], [0.4751, -0.6218])
    # The reference has 0.3746 for the first; its Hessian is by differences, and ours, 0.37454, is scipy's too (below).
    assert np.allclose([c["se"] for c in said["coefficients"]], [0.3746, 0.2364], atol=1e-4)
    assert close(said["aic"], 265.7872)


def minus_log_likelihood(theta, x, z, found, made):
    """Of histories: found and made are 0 or 1 by place and visit, x by place, z by place and visit."""
    psi = 1 / (1 + np.exp(-x @ theta[: x.shape[1]]))
    p = 1 / (1 + np.exp(-z @ theta[x.shape[1] :]))
    of_visits = np.where(made == 1, np.where(found == 1, p, 1 - p), 1).prod(axis=1)
    return -np.log(psi * of_visits + (1 - psi) * (found.max(axis=1) == 0)).sum()


def design(random, places, visits):
    """Histories with missing visits, a covariate of the place, one of the place for both, one of the visit; scales far apart."""
    width, bank = random.normal(40, 12, places), random.integers(0, 2, places).astype(float)
    rain = random.gamma(2, 5, (places, visits))
    psi = 1 / (1 + np.exp(-(0.3 + random.normal(0, 0.7) * (width - 40) / 12 + random.normal(0, 0.7) * bank)))
    p = 1 / (1 + np.exp(-(random.normal(-0.2, 0.4) + random.normal(0, 0.5) * (rain - 10) / 7 + 0.4 * bank[:, None])))
    occupied = random.random(places) < psi
    found = (occupied[:, None] & (random.random((places, visits)) < p)).astype(int)
    made = (random.random((places, visits)) > 0.15).astype(int)
    return width, bank, rain, found * made, made


def write(path, width, bank, rain, found, made):
    visits = found.shape[1]
    with path.open("w") as file:
        print("history,width,bank," + ",".join(f"rain_{v + 1}" for v in range(visits)), file=file)
        for i in range(len(found)):
            history = "".join("." if not m else str(f) for f, m in zip(found[i], made[i]))
            # What the weather was is only known where somebody was.
            weather = ["" if not m else repr(float(r)) for r, m in zip(rain[i], made[i])]
            print(history, repr(float(width[i])), int(bank[i]), *weather, sep=",", file=file)


@pytest.mark.parametrize("number", range(50))
def test_the_highest_likelihood_is_the_one_that_scipy_finds(number, tmp_path):
    random = np.random.default_rng(41_000 + number)
    places, visits = int(random.integers(80, 200)), int(random.integers(3, 7))
    width, bank, rain, found, made = design(random, places, visits)
    file = tmp_path / "histories.csv"
    write(file, width, bank, rain, found, made)
    said = occupancy(file, "--psi", "width,bank", "--p", "rain,bank")
    ours = np.array([c["estimate"] for c in said["coefficients"]])
    x = np.column_stack([np.ones(places), (width - 40) / 12, bank])
    z = np.stack([np.ones((places, visits)), (rain - 10) / 7, np.repeat(bank[:, None], visits, axis=1)], axis=2)
    best = min(
        (
            scipy.optimize.minimize(minus_log_likelihood, start, (x, z, found, made), "BFGS", options={"gtol": 1e-7, "maxiter": 2000})
            for start in (np.zeros(6), np.array([2, 0, 0, -1, 0, 0.0]), np.array([-1, 0, 0, 0.5, 0, 0]))
        ),
        key=lambda result: result.fun,
    )
    assert said["minus_two_log_likelihood"] / 2 == pytest.approx(best.fun, abs=1e-6), number
    # From the user's scale to that of scipy's rows.
    b0, bw, bb, a0, ar, ab = ours
    scaled = np.array([b0 + 40 * bw, 12 * bw, bb, a0 + 10 * ar, 7 * ar, ab])
    known = [c["se"] is not None for c in said["coefficients"]]
    assert all(known), "these designs have no edges"
    assert np.allclose(scaled, best.x, atol=1e-4, rtol=1e-4), (number, scaled, best.x)
    assert np.allclose(said["psi"], 1 / (1 + np.exp(-x @ best.x[:3])), atol=1e-4)
    # Standard errors by the differences of a numerical Hessian.
    hessian = numerical_hessian(lambda t: minus_log_likelihood(t, x, z, found, made), best.x)
    se = np.sqrt(np.diag(np.linalg.inv(hessian)))
    ours_se = np.array([c["se"] for c in said["coefficients"]])[[1, 2, 4, 5]] * [12, 1, 7, 1]
    assert np.allclose(ours_se, se[[1, 2, 4, 5]], rtol=2e-3)


def numerical_hessian(function, at, step=1e-4):
    k = len(at)
    unit = np.eye(k) * step
    hessian = np.empty((k, k))
    for i in range(k):
        for j in range(k):
            hessian[i, j] = (
                function(at + unit[i] + unit[j]) - function(at + unit[i] - unit[j]) - function(at - unit[i] + unit[j]) + function(at - unit[i] - unit[j])
            ) / (4 * step * step)
    return hessian


def test_the_profiles_ends_lie_where_scipys_likelihood_has_fallen_by_half_the_quantile():
    said = occupancy(SALAMANDER)
    histories = [line for line in SALAMANDER.read_text().splitlines() if line[0] in "01"]
    found = np.array([[int(sign) for sign in history] for history in histories])
    made, x, z = np.ones_like(found), np.ones((39, 1)), np.ones((39, 5, 1))
    fall = scipy.stats.chi2.ppf(0.95, 1) / 2
    for held, ends in enumerate([said["psi_profile_interval"], said["p_profile_interval"]]):
        for end in ends:
            at = math.log(end / (1 - end))
            of_other = lambda other: minus_log_likelihood(np.insert([other], held, at), x, z, found, made)
            lowest = scipy.optimize.minimize_scalar(of_other, bounds=(-10, 10), method="bounded", options={"xatol": 1e-9}).fun
            assert lowest - said["minus_two_log_likelihood"] / 2 == pytest.approx(fall, abs=1e-5)


def test_the_fit_test_is_pearsons_over_all_histories_and_finds_visits_that_depend_on_each_other(tmp_path):
    said = occupancy(SALAMANDER, "--bootstrap", "200", "--seed", "7")["fit_test"]
    histories = [line for line in SALAMANDER.read_text().splitlines() if line[0] in "01"]
    psi, p = 0.594623, 0.258729
    pearson = 0.0
    for number in range(32):
        history = format(number, "05b")
        y = history.count("1")
        expected = 39 * (psi * p**y * (1 - p) ** (5 - y) + (1 - psi) * (y == 0))
        pearson += (histories.count(history) - expected) ** 2 / expected
    assert said["value"] == pytest.approx(pearson, rel=1e-3)
    assert said == occupancy(SALAMANDER, "--bootstrap", "200", "--seed", "7")["fit_test"], "the same seed says the same"
    # At half of the places found always or hardly: no constant detection makes that.
    file = tmp_path / "clumped.csv"
    file.write_text("history\n" + "11111\n" * 30 + "10000\n" * 10 + "00001\n" * 10 + "00000\n" * 50)
    clumped = occupancy(file, "--bootstrap", "200", "--seed", "7")["fit_test"]
    assert clumped["p_value"] < 0.02 and clumped["c_hat"] > 2


def test_the_fit_test_takes_places_with_the_same_visits_together_and_counts_where_visits_are_many(tmp_path):
    random = np.random.default_rng(43_000)
    occupied = random.random(60) < 0.6
    file = tmp_path / "histories.csv"

    def fitted(visits, missing):
        found, made = occupied[:, None] & (random.random((60, visits)) < 0.4), random.random((60, visits)) > missing
        rows = ["".join("." if not m else str(int(f)) for f, m in zip(*both)) for both in zip(found, made)]
        file.write_text("history\n" + "\n".join(rows) + "\n")
        said = occupancy(file, "--bootstrap", "20", "--seed", "1")
        return rows, said["psi"], said["p"], said["fit_test"]

    rows, psi, p, test = fitted(4, 0.2)
    pearson = 0.0
    for pattern in {tuple(sign == "." for sign in row) for row in rows}:
        cohort = [row for row in rows if tuple(sign == "." for sign in row) == pattern]
        n = pattern.count(False)
        for number in range(2**n if n else 0):
            signs = iter(format(number, f"0{n}b"))
            history = "".join("." if missing else next(signs) for missing in pattern)
            y = history.count("1")
            expected = len(cohort) * (psi * p**y * (1 - p) ** (n - y) + (1 - psi) * (y == 0))
            pearson += (cohort.count(history) - expected) ** 2 / expected
    assert test["statistic"] == "pearson_over_histories" and test["value"] == pytest.approx(pearson, rel=1e-9)

    rows, psi, p, test = fitted(12, 0.0)
    expected = 60 * (psi * scipy.stats.binom.pmf(range(13), 12, p) + (1 - psi) * (np.arange(13) == 0))
    counts = np.bincount([row.count("1") for row in rows], minlength=13)
    assert test["statistic"] == "pearson_over_counts"
    assert test["value"] == pytest.approx(((counts - expected) ** 2 / expected).sum(), rel=1e-9)


@pytest.mark.parametrize(
    "rows, psi, p, warning",
    [
        (["111", "111"], 1.0, 1.0, "on every visit"),
        (["000", "000"], None, None, "never found"),
        (["...", "..."], None, None, "No visit counts"),
        (["1", "0", "1"], None, None, "twice"),
    ],
)
def test_histories_that_say_too_little_are_named(rows, psi, p, warning, tmp_path):
    file = tmp_path / "histories.csv"
    file.write_text("history\n" + "\n".join(rows) + "\n")
    said = occupancy(file)
    assert (said["psi"], said["p"], said["se_psi"], said["se_p"]) == (psi, p, None, None)
    assert any(warning in text for text in said["warnings"])


def test_an_estimate_at_the_edge_has_no_interval_by_the_normal_approximation(tmp_path):
    file = tmp_path / "histories.csv"
    file.write_text("history\n" + "101\n011\n110\n100\n001\n" * 8)
    said = occupancy(file)
    assert said["psi"] == 1.0 and said["se_psi"] is None and said["psi_interval"] is None
    assert said["psi_profile_interval"][1] == 1.0 and said["psi_profile_interval"][0] < 1
    # With all places occupied p is a plain share: 8 of 15 visits.
    assert said["p"] == pytest.approx(8 / 15) and said["se_p"] == pytest.approx(math.sqrt(8 / 15 * 7 / 15 / 120), rel=1e-4)
    assert any("edge" in text for text in said["warnings"])


def test_a_covariate_that_parts_found_from_not_found_is_named(tmp_path):
    file = tmp_path / "histories.csv"
    file.write_text("history,bank\n" + "1101,1\n0111,1\n" * 15 + "0000,0\n" * 20)
    said = occupancy(file, "--psi", "bank")
    assert any("bank parts" in text for text in said["warnings"])
    (bank,) = [c for c in said["coefficients"] if c["name"] == "bank"]
    assert bank["se"] is None


@pytest.mark.parametrize(
    "text, arguments, complaints",
    [
        ("history\n010\n01\n", [], ["line 3", "leading zeros"]),
        ("history\n01x\n", [], ["line 2", "'x'"]),
        ("history,bank\n010,1\n011,\n", ["--psi", "bank"], ["line 3", '"bank"']),
        ("history,bank\n010,1\n011,left\n", ["--psi", "bank"], ["line 3", '"left"', "number"]),
        ("history,bank\n" + "010,1\n" * 9, ["--psi", "bank"], ['"bank"', "leave it out"]),
        ("history,a,b\n" + "010,1,2\n011,2,4\n000,3,6\n" * 4, ["--psi", "a,b"], ["a, b", "same story"]),
        ("history,bank\n010,1\n011,2\n", ["--psi", "depth"], ['"depth"', "bank"]),
        ("history\n", [], ["no rows"]),
        ("histories\n010\n", [], ['"history"', "histories"]),
        ("history,history\n010,011\n", [], ["twice"]),
        ("history,rain_1,rain_2\n010,1,2\n", ["--p", "rain"], ["rain_3"]),
        ("history,rain_2,rain_3\n010,1,2\n", ["--p", "rain"], ["rain_1"]),
        ("history,rain_1,rain_2\n01,1,2\n", ["--psi", "rain"], ["--p"]),
        ("history,bank\n010,1,3\n", [], ["line 2", "3 cells"]),
        ("place,history\na,010\na,011\n", [], ["line 3", '"a"']),
        ("history,bank\n010,1\n", ["--psi", "bank,bank"], ["twice"]),
    ],
)
def test_tables_that_cannot_be_used_are_refused_with_what_to_do(text, arguments, complaints, tmp_path):
    file = tmp_path / "histories.csv"
    file.write_text(text)
    refused = rakelight("analyse", "occupancy", file, *arguments, expect=2)
    assert all(complaint.replace("'", '"') in refused.replace("'", '"') for complaint in complaints), refused


# At least how many animals.

FACTS = {name: tomllib.loads((ROOT / "core/data" / f"{name}.toml").read_text()) for name in ("substrates", "analysis")}
SIZES = ["width_mm", "length_without_heel_mm", "length_with_heel_mm"]


def exclusions(rows, range_m):
    """The rule of core/src/analysis/animals/exclusion.rs, written again from its words."""
    signs = {}
    for row in rows:
        signs.setdefault(row["sign"], []).append(row)
    names = list(signs)
    within = FACTS["analysis"]["animals"]["within_animal"]

    def size(prints, foot, dimension):
        ground = FACTS["substrates"][prints[0]["substrate"] or "unknown"]
        seen = [(float(p[dimension]), float(p[f"u_{dimension}"])) for p in prints if p["foot"] == foot and p[dimension] != ""]
        if not seen:
            return None
        mean = np.mean([math.log(mm / ground["size_factor"]) for mm, _ in seen])
        u = np.mean([u / mm for mm, u in seen])
        return mean, u**2 + ground["u_trail"] ** 2 + ground["u_print"] ** 2 / len(seen) + within**2

    tests, edges = [], set()
    for i, a in enumerate(names):
        for b in names[i + 1 :]:
            first, second = signs[a][0], signs[b][0]
            if first["trail"] and first["trail"] == second["trail"]:
                continue
            for foot in ("fore", "hind"):
                for dimension in SIZES:
                    one, other = size(signs[a], foot, dimension), size(signs[b], foot, dimension)
                    if one and other:
                        z = abs(one[0] - other[0]) / math.sqrt(one[1] + other[1])
                        tests.append((2 * scipy.stats.norm.sf(z), (a, b)))
            if range_m and first["fresh_night"] and first["fresh_night"] == second["fresh_night"]:
                places = [(float(s["lat"]), float(s["lon"])) for s in (first, second) if s["lat"] != ""]
                if len(places) == 2 and great_circle_m(*places) > range_m:
                    edges.add((a, b))
    tests.sort()
    for k, (p_value, pair) in enumerate(tests):
        if p_value > FACTS["analysis"]["animals"]["error_rate"] / (len(tests) - k):
            break
        edges.add(pair)
    return names, edges


def great_circle_m(a, b):
    (lat1, lon1), (lat2, lon2) = np.radians(a), np.radians(b)
    h = np.sin((lat2 - lat1) / 2) ** 2 + np.cos(lat1) * np.cos(lat2) * np.sin((lon2 - lon1) / 2) ** 2
    return 2 * 6_371_008.8 * np.arcsin(np.sqrt(h))


def some_signs(random):
    rows = []
    for number in range(int(random.integers(3, 26))):
        foot_mm = random.uniform(35, 85)
        of_sign = {
            "sign": f"s{number}",
            "trail": f"t{random.integers(0, 12)}" if random.random() < 0.3 else "",
            "substrate": str(random.choice(["firm_mud", "wet_sand", "soft_mud", ""])),
            "fresh_night": f"2026-10-{random.integers(3, 5):02}" if random.random() < 0.7 else "",
            "lat": round(random.uniform(53.0, 53.2), 5),
            "lon": round(random.uniform(9.0, 9.3), 5),
        }
        if random.random() < 0.15:
            of_sign |= {"lat": "", "lon": ""}
        for _ in range(int(random.integers(1, 4))):
            row = of_sign | {"foot": str(random.choice(["fore", "hind", "unknown"]))}
            for dimension, share in zip(SIZES, (1, 0.95, 1.4)):
                seen = random.random() < 0.6
                row[dimension] = round(share * foot_mm * random.normal(1, 0.03), 2) if seen else ""
                row[f"u_{dimension}"] = round(random.uniform(0.3, 2), 2) if seen else ""
            rows.append(row)
    return rows


def write_rows(path, rows):
    with path.open("w", newline="") as file:
        writer = csv.DictWriter(file, rows[0].keys())
        writer.writeheader()
        writer.writerows(rows)


def test_the_least_number_of_animals_is_the_largest_clique_that_networkx_finds(tmp_path):
    random = np.random.default_rng(52_026)
    numbers = []
    for graph in range(200):
        rows, file = some_signs(random), tmp_path / "signs.csv"
        write_rows(file, rows)
        range_m = float(random.choice([0, 4_000, 9_000, 15_000]))
        given = ["--night-range-m", range_m, "--night-range-source", "invented for the check"] if range_m else []
        said = rakelight_json("analyse", "animals", file, *given)
        if graph < 20:
            check(said, "analyse_animals")
        names, edges = exclusions(rows, range_m)
        assert {tuple(pair) for pair in said["excluding_pairs"]} == edges, graph
        exclusive = networkx.Graph(edges)
        exclusive.add_nodes_from(names)
        largest, size = networkx.max_weight_clique(exclusive, weight=None)
        assert said["exact"] and said["at_least"] == size, graph
        assert all(exclusive.has_edge(a, b) for i, a in enumerate(said["set"]) for b in said["set"][i + 1 :])
        assert len(said["reasons"]) == size * (size - 1) // 2
        numbers.append(size)
    assert max(numbers) >= 6 and min(numbers) <= 2, "the graphs differ"


def test_a_range_of_a_night_is_refused_without_its_source(tmp_path):
    file = tmp_path / "signs.csv"
    file.write_text("sign,foot,width_mm,u_width_mm\na,hind,60,1\n")
    assert "--night-range-source" in rakelight("analyse", "animals", file, "--night-range-m", 9000, expect=2)
    assert "source" in rakelight("analyse", "animals", file, "--night-range-m", 9000, "--night-range-source", " ", expect=2)
    said = rakelight_json("analyse", "animals", file)
    assert said["at_least"] == 1 and any("never an estimate" in note for note in said["notes"])


# Contents.


def test_contents_as_the_example_has_them_and_wilsons_interval_as_statsmodels(tmp_path):
    file = tmp_path / "contents.csv"
    file.write_text("contents\nfish_bones\nfish_scales;fish_bones;crayfish\namphibian\nfish_scales\n")
    said = rakelight_json("analyse", "contents", file)
    check(said, "analyse_contents")
    of = {item["item"]: item for item in said["items"]}
    assert {name: item["fo_percent"] for name, item in of.items()} == {"fish": 75, "crayfish": 25, "amphibian": 25}
    assert {name: item["rf_percent"] for name, item in of.items()} == pytest.approx({"fish": 60, "crayfish": 20, "amphibian": 20})
    for item in said["items"]:
        low, high = proportion_confint(item["spraints"], 4, method="wilson")
        assert item["fo_interval_percent"] == pytest.approx([100 * low, 100 * high])


def test_a_spraint_in_which_nothing_can_be_told_counts_among_the_spraints_only(tmp_path):
    file = tmp_path / "contents.csv"
    file.write_text("contents,where\nfish_bones,a\nnothing_identifiable,a\n,b\n")
    said = rakelight_json("analyse", "contents", file)
    check(said, "analyse_contents")
    assert (said["spraints"], said["not_examined"], said["nothing_identifiable"]) == (2, 1, 1)
    (fish,) = said["items"]
    assert (fish["fo_percent"], fish["rf_percent"]) == (50, 100)
    for wrong, complaint in (("contents\nfish\n", "fish_bones"), ("contents\ncrab nothing_identifiable\n", "either")):
        file.write_text(wrong)
        refused = rakelight("analyse", "contents", file, expect=2)
        assert "line 2" in refused and complaint in refused


# Change.


def seasons(tmp_path, *shares):
    random = np.random.default_rng(61_000)
    given = []
    for number, share in enumerate(shares):
        occupied = random.random(120) < share
        found = occupied[:, None] & (random.random((120, 4)) < 0.5)
        rows = ["place,history"] + [f"p{i + 20 * number},{''.join('01'[int(f)] for f in found[i])}" for i in range(120)]
        file = tmp_path / f"season{number}.csv"
        file.write_text("\n".join(rows) + "\n")
        given += ["--season", f"{2020 + number}={file}"]
    return given


def test_a_change_is_told_from_chance_and_common_places_are_named(tmp_path):
    said = rakelight_json("analyse", "change", *seasons(tmp_path, 0.8, 0.4, 0.42))
    check(said, "analyse_change")
    fell, stayed = said["steps"]
    assert fell["beyond_chance"] and fell["psi_difference"] < -0.2 and not stayed["beyond_chance"]
    assert len(fell["common"]["places"]) == 100 and fell["common"]["places"][0] == "p20"
    common = fell["common"]
    assert common["found_in_both"] + len(common["gained"]) + len(common["lost"]) + common["found_in_neither"] == 100
    for step, (a, b) in zip(said["steps"], zip(said["seasons"], said["seasons"][1:])):
        assert step["psi_difference"] == pytest.approx(b["psi"] - a["psi"])
        (a_low, a_high), (b_low, b_high) = a["psi_profile_interval"], b["psi_profile_interval"]
        low = step["psi_difference"] - math.hypot(b["psi"] - b_low, a_high - a["psi"])
        assert step["psi_difference_interval"][0] == pytest.approx(low)
    assert any("no index" in note for note in said["notes"])
    assert "twice" in rakelight("analyse", "change", "--season", f"a={SALAMANDER}", expect=2)


def test_plots_are_drawn_as_svg_and_png(tmp_path):
    rakelight("analyse", "occupancy", SALAMANDER, "--p", "visit", "--plot", tmp_path / "plot.svg")
    svg = (tmp_path / "plot.svg").read_text()
    assert "0.58 (" in svg and "visit 5" in svg and "#F4B400" in svg
    rakelight("analyse", "change", *seasons(tmp_path, 0.8, 0.4), "--plot", tmp_path / "plot.png", "--lang", "de")
    assert (tmp_path / "plot.png").read_bytes().startswith(b"\x89PNG")
    assert ".svg or .png" in rakelight("analyse", "occupancy", SALAMANDER, "--plot", tmp_path / "plot.gif", expect=2)


# From a store: the invented demo visit, and visits written here.


@pytest.fixture(scope="module")
def demo_store(tmp_path_factory):
    out = tmp_path_factory.mktemp("demo")
    rakelight("demo", out, "--demo-folder", ROOT / "fixtures" / "demo-visit")
    return out / "store"


def test_the_demos_store_is_read_by_every_analysis(demo_store):
    of = ["--store", demo_store, "--maker", "lutra_lutra"]
    said = rakelight_json("analyse", "occupancy", *of)
    check(said, "analyse_occupancy")
    assert [place["history"] for place in said["histories"]] == ["1"] and said["psi"] == 1.0
    animals = rakelight_json("analyse", "animals", *of)
    check(animals, "analyse_animals")
    assert animals["at_least"] == 1 and animals["signs"] >= 1
    contents = rakelight_json("analyse", "contents", *of)
    check(contents, "analyse_contents")
    assert [(item["item"], item["spraints"]) for item in contents["items"]] == [("fish", contents["spraints"])]
    nobody = rakelight_json("analyse", "occupancy", *of, "--from", "2030-01-01")
    assert nobody["places"] == 0 and nobody["psi"] is None
    check(nobody, "analyse_occupancy")
    wrong = rakelight("analyse", "occupancy", "--store", demo_store, "--maker", "unicorn", expect=2)
    assert "unicorn" in wrong and "lutra_lutra" in wrong


def visit(tmp_path, store, place, day, found, searched=True, closed=True, targets='["lutra_lutra"]'):
    """One visit in a store of its own folder, with a checked dropping where it was found."""
    folder = tmp_path / f"{place}-{day}"
    folder.mkdir()
    end = f"end = {day}T10:00:00+02:00\n" if closed else ""
    sign = '[[sign]]\nid = "d1"\nkind = "dropping"\nplace = [53.0, 9.0]\nsetting = { near_water = true }\ndroppings = [{ contents = ["fish_bones", "crayfish"], smell = "sweet_fishy", form = "shapeless", prominent_spot = true, checked = true }]\n'
    (folder / "visit.toml").write_text(
        f'[visit]\npurpose = "a check"\ntargets = {targets}\nstart = {day}T08:00:00+02:00\n{end}people = ["A"]\nplace_name = "{place}"\n'
        + ('[[stretch]]\nname = "bank"\nline = [[9.0, 53.0], [9.004, 53.0]]\nsearched_m = 260\n' if searched else "")
        + (sign if found else "")
    )
    rakelight("visit", folder, "--out", store)


def test_visits_of_a_store_become_histories_by_place_and_those_that_do_not_count_are_named(tmp_path):
    store = tmp_path / "out"
    visit(tmp_path, store, "Mill", "2026-10-05", False)
    visit(tmp_path, store, "Mill", "2026-10-12", True)
    visit(tmp_path, store, "Ford", "2026-10-06", True)
    visit(tmp_path, store, "Ford", "2026-10-13", True)
    visit(tmp_path, store, "Ford", "2026-10-20", False, searched=False)
    visit(tmp_path, store, "Weir", "2026-10-07", False)
    visit(tmp_path, store, "Weir", "2026-10-14", True, closed=False)
    visit(tmp_path, store, "Weir", "2026-10-21", False, targets='["castor_fiber"]')
    visit(tmp_path, store, "Weir", "2027-10-21", True)
    of = ["--store", store / "store", "--maker", "Lutra lutra"]
    said = rakelight_json("analyse", "occupancy", *of, "--to", "2026-12-31")
    check(said, "analyse_occupancy")
    assert {p["place"]: p["history"] for p in said["histories"]} == {"Ford": "11", "Mill": "01", "Weir": "0."}
    assert sorted((p["place"], p["why"]) for p in said["passed_over"]) == [
        ("Ford", "nothing_searched"), ("Weir", "not_closed"), ("Weir", "not_looked_for"),
    ]
    contents = rakelight_json("analyse", "contents", *of)
    assert contents["spraints"] == 5 and {item["item"] for item in contents["items"]} == {"fish", "crayfish"}
    change = ["analyse", "change", *of, "--season", "2026=2026-10-01..2026-12-31"]
    said = rakelight_json(*change, "--season", "2027=2027-10-01..2027-12-31")
    check(said, "analyse_change")
    assert said["steps"][0]["common"]["gained"] == ["Weir"] and said["steps"][0]["psi_difference"] is None
    assert "no month in common" in rakelight(*change, "--season", "2027=2027-01-01..2027-03-31", expect=2)
    assert said["seasons"][0]["months"] == [10]
