"""A trail from photographs: against SciPy's least squares, and against the ground that OpenCV painted."""

import functools
import itertools
import json
import tomllib

import cv2
import numpy as np
import pytest
from PIL import Image
from scipy.optimize import least_squares

from conftest import camera_homography, photograph, rakelight, rakelight_json
from test_scale import FOCAL_PX, SIZE, save
from test_schema import check, plain


def turn(angle):
    return np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])


# --- SciPy -----------------------------------------------------------------------------------------------------------

U_PX, U_RULER_PX = 1.5, 2.0  # of a mark, and of a ruler's end (the program's default)
U_RULER = 0.5 / 1.732 / 100
U_ASLANT = (1 - np.cos(np.radians(20))) / np.sqrt(3)  # a ruler at an unknown tilt


def ruler_chain(folder, seed):
    """Three photographs by a ruler each, with marks that scatter; their places and covariances as the ruler gives them."""
    rng = np.random.default_rng(seed)
    mud = rng.integers(60, 90, (900, 1200), dtype=np.uint8)
    truth = {f"p{i}": np.array([280.0 * i, 45.0 * (-1) ** i]) for i in range(8)}
    photos, frames = [], []
    for k, seen in enumerate((range(0, 4), range(2, 6), range(4, 8))):
        Image.fromarray(mud).save(folder / f"{k}.png")
        px_per_mm, angle = rng.uniform(0.8, 1.0), rng.uniform(-0.4, 0.4)
        names = [f"p{i}" for i in seen]
        middle = np.mean([truth[name] for name in names], axis=0)
        px = [turn(angle) @ (truth[name] - middle) * px_per_mm + (600, 450) + rng.normal(0, U_PX, 2) for name in names]
        a, b = np.array([100.0, 850.0]), np.array([100.0 + 300 * px_per_mm, 850.0])
        photos.append(
            {
                "file": f"{k}.png",
                "scale": {"ruler": {"from_px": list(a), "to_px": list(b), "length_mm": 300}},
                "prints": [{"id": name, "at_px": list(p)} for name, p in zip(names, px)],
            }
        )
        mm = ((np.array(px) - a) / px_per_mm).ravel()
        u_scale = np.sqrt(2) * U_RULER_PX / (300 * px_per_mm)
        covariance = np.eye(mm.size) * (U_PX / px_per_mm) ** 2 + np.outer(mm, mm) * (u_scale**2 + U_ASLANT**2)
        frames.append((names, mm, covariance))
    (folder / "trail.json").write_text(json.dumps({"photos": photos, "u_px": U_PX}))
    return frames


def by_scipy(frames, ids):
    """Places relative to the first frame and their covariance; unknowns are poses, the scale's own error and the prints."""
    poses = 3 * (len(frames) - 1)
    start = np.zeros(poses + 1 + 2 * len(ids))
    places = {}
    for k, (names, mm, _) in enumerate(frames):
        mm = mm.reshape(-1, 2)
        if k:
            # Orthogonal Procrustes by NumPy's SVD, on what was placed before.
            both = [i for i, name in enumerate(names) if name in places]
            there, here = np.array([places[names[i]] for i in both]), mm[both]
            u, _, vt = np.linalg.svd((there - there.mean(0)).T @ (here - here.mean(0)))
            rotation = u @ np.diag([1, np.linalg.det(u @ vt)]) @ vt
            shift = there.mean(0) - rotation @ here.mean(0)
            start[3 * k - 3 : 3 * k] = np.arctan2(rotation[1, 0], rotation[0, 0]), *shift
            mm = mm @ rotation.T + shift
        places = {**dict(zip(names, mm)), **places}
    start[poses + 1 :] = np.ravel([places[name] for name in ids])
    whiten = [np.linalg.inv(np.linalg.cholesky(covariance)) for _, _, covariance in frames]

    def left_over(unknown):
        error, prints = unknown[poses], unknown[poses + 1 :].reshape(-1, 2)
        parts = [[error / U_RULER]]
        for k, (names, mm, _) in enumerate(frames):
            angle, *shift = unknown[3 * k - 3 : 3 * k] if k else (0, 0, 0)
            seen = (1 + error) * (prints[[ids.index(name) for name in names]] - shift) @ turn(angle)
            parts.append(whiten[k] @ (seen.ravel() - mm))
        return np.concatenate(parts)

    found = least_squares(left_over, start, jac="3-point", x_scale="jac", xtol=1e-15, ftol=1e-15, gtol=1e-12)
    covariance = np.linalg.inv(found.jac.T @ found.jac)[poses + 1 :, poses + 1 :]
    freedom = sum(mm.size for _, mm, _ in frames) - poses - 2 * len(ids)
    return found.x[poses + 1 :], covariance, np.sqrt(2 * found.cost / freedom)


@pytest.mark.parametrize("seed", range(3))
def test_places_and_covariance_are_those_of_scipys_least_squares(tmp_path, seed):
    frames = ruler_chain(tmp_path, seed)
    placed = rakelight_json("trail", tmp_path / "trail.json")["placed"]
    ids = [found["id"] for found in placed["prints"]]
    places, covariance, misfit = by_scipy(frames, ids)
    flip = np.tile([1, -1], len(ids))  # pictures have y down, a plan has y up
    ours = np.array([[found["x_mm"], found["y_mm"]] for found in placed["prints"]]).ravel()
    assert ours == pytest.approx(places * flip, abs=2e-3)
    assert np.array(placed["covariance_mm2"]) == pytest.approx(covariance * np.outer(flip, flip), rel=1e-3, abs=1e-3)
    assert placed["misfit"] == pytest.approx(misfit, rel=1e-4)


# --- painted pictures ------------------------------------------------------------------------------------------------

U_CLICK_PX = 1.0
TRAIL = {f"p{i}": np.array([310.0 * i, 60.0 * (-1) ** i]) for i in range(8)}
SEEN = (range(0, 4), range(2, 6), range(4, 8))


def bent(px, bend):
    """Where a lens shows what a straight one would show at px: off the axis by 1 + bend at half the diagonal."""
    middle = (np.array(SIZE) - 1) / 2
    aside = (px - middle) / (np.hypot(*SIZE) / 2)
    return middle + (px - middle) * (1 + bend * np.sum(aside**2, axis=-1, keepdims=True))


@functools.cache
def straightened(bend):
    """Where each pixel behind a lens comes from."""
    seen = np.stack(np.meshgrid(np.arange(SIZE[0]), np.arange(SIZE[1])), axis=-1).astype(float)
    straight = seen.copy()
    for _ in range(6):
        straight += seen - bent(straight, bend)
    return straight.astype(np.float32)


def painted_trail(folder, card_picture, seed, same_card=(), bend=0.0):
    """Three photographs of a trail, the card beside it and moved along; y down, the animal walks along +x."""
    rng = np.random.default_rng(seed)
    photos = []
    for k, seen in enumerate(SEEN):
        middle = np.mean([TRAIL[f"p{i}"] for i in seen], axis=0)
        lies = 0 if k in same_card else k
        # Between both of its photographs where it lay still.
        x = 690.0 if k in same_card else 620.0 * lies + 380.0
        spin, corner = 0.5 * lies - 0.3, np.array([x, 130.0])
        on_card = lambda mm: turn(-spin) @ (np.asarray(mm) - corner)
        truth, _ = camera_homography(rng, FOCAL_PX, SIZE, 12, 1250, on_card(middle + (0, 40)))
        picture = photograph(card_picture, truth, SIZE, 10 * seed + k)
        if bend:
            picture = cv2.remap(picture, straightened(bend), None, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
        prints = []
        for name in (f"p{i}" for i in seen):
            px = bent(cv2.perspectiveTransform(np.array([[on_card(TRAIL[name])]]), truth)[0, 0], bend)
            assert 0 < px[0] < SIZE[0] and 0 < px[1] < SIZE[1], (k, name, px)
            cv2.ellipse(picture, (np.round(px).astype(int).tolist(), (60, 80), 30), 40, -1, cv2.LINE_AA)
            side = "left" if TRAIL[name][1] < 0 else "right"
            prints.append({"id": name, "at_px": (px + rng.normal(0, U_CLICK_PX, 2)).tolist(), "side": side})
        save(folder / f"{k}.jpg", picture)
        photos.append({"file": f"{k}.jpg", "prints": prints} | ({"card": "A"} if k in same_card else {}))
    document = {"photos": photos, "u_px": U_CLICK_PX}
    check(document, "trail")
    (folder / "trail.json").write_text(json.dumps(document))
    return document


def apart(placed, a, b):
    """A distance and its standard uncertainty."""
    ids = [found["id"] for found in placed["prints"]]
    places = np.array([[found["x_mm"], found["y_mm"]] for found in placed["prints"]])
    i, j = ids.index(a), ids.index(b)
    away = places[j] - places[i]
    slope = np.zeros(2 * len(ids))
    slope[2 * j : 2 * j + 2], slope[2 * i : 2 * i + 2] = away / np.hypot(*away), -away / np.hypot(*away)
    return np.hypot(*away), np.sqrt(slope @ np.array(placed["covariance_mm2"]) @ slope)


@pytest.mark.parametrize("bend", (0.0, 0.03, -0.03))
def test_a_painted_trail_comes_back_within_its_uncertainty(tmp_path, card_picture, bend):
    far, all_pairs = [], []
    for seed in range(5):
        painted_trail(tmp_path, card_picture, seed, bend=bend)
        answer = rakelight_json("trail", tmp_path / "trail.json")
        check(answer, "trail_reading")
        placed = answer["placed"]
        for a, b in itertools.combinations(TRAIL, 2):
            mm, u_mm = apart(placed, a, b)
            off = (mm - np.hypot(*(TRAIL[b] - TRAIL[a]))) / u_mm
            all_pairs.append(off)
            if (a, b) == ("p0", "p7"):
                far.append((off, u_mm))
        # Left is left: walking along the trail, the left prints lie to the left of it (y is up).
        at = {found["id"]: np.array([found["x_mm"], found["y_mm"]]) for found in placed["prints"]}
        along = at["p6"] - at["p0"]
        for found in placed["prints"]:
            to_left = np.cross(np.append(along, 0), np.append(at[found["id"]] - (at["p0"] + at["p1"]) / 2, 0))[2] > 0
            assert to_left == (found["side"] == "left"), found
        stride, u_stride = answer["stride_mm"], answer["u_stride_mm"]
        assert abs(stride - 620) < 3 * u_stride, (seed, stride, u_stride)
    print("bend", bend, "far pair: off in standard uncertainties, and these in mm:", np.round(far, 2).tolist())
    print("all pairs, root mean square:", np.sqrt(np.mean(np.square(all_pairs))))
    assert np.abs(all_pairs).max() < 3.5
    # Neither too sure nor too modest.
    assert 0.3 < np.sqrt(np.mean(np.square(all_pairs))) < 1.4
    assert max(u for _, u in far) < 20


def test_what_is_missing_is_told(tmp_path, card_picture):
    document = painted_trail(tmp_path, card_picture, 0)

    def said(change):
        changed = json.loads(json.dumps(document))
        change(changed)
        (tmp_path / "changed.json").write_text(json.dumps(changed))
        return rakelight("trail", tmp_path / "changed.json", expect=2)

    def keep(photo, *names):
        def change(changed):
            prints = changed["photos"][photo]["prints"]
            changed["photos"][photo]["prints"] = [p for p in prints if p["id"] in names]

        return change

    assert "nothing joins 0.jpg, 1.jpg to 2.jpg" in said(keep(2, "p6", "p7"))
    assert "share print p4 only" in said(keep(2, "p4", "p6", "p7"))
    assert "nowhere.jpg" in said(lambda d: d["photos"][0].update(file="nowhere.jpg"))
    assert "outside the picture" in said(lambda d: d["photos"][0]["prints"][0].update(at_px=[5000, 10]))
    assert 'two prints are called "p0"' in said(lambda d: d["photos"][0]["prints"].append(d["photos"][0]["prints"][0]))
    assert "not both" in said(lambda d: d.update(prints=[]))
    assert "u_px" in said(lambda d: d.update(u_px=0))
    assert "u_pix" in said(lambda d: d.update(u_pix=2))
    # p2 and p3 marked the wrong way round, and p4 where p5 lies.
    mistaken = said(lambda d: d["photos"][1]["prints"][2].update(at_px=d["photos"][1]["prints"][3]["at_px"]))
    assert "0.jpg" in mistaken or "1.jpg" in mistaken
    mud = np.random.default_rng(1).integers(60, 90, SIZE[::-1], dtype=np.uint8)
    save(tmp_path / "mud.jpg", mud)
    no_card = said(lambda d: d["photos"][1].update(file="mud.jpg"))
    assert "mud.jpg" in no_card and "lay the card flat" in no_card


def test_a_visits_trail_may_come_from_its_photographs(tmp_path, card_picture):
    document = painted_trail(tmp_path, card_picture, 1, same_card=(0, 1))
    head = '[visit]\npurpose = "a check"\nstart = 2026-10-03T07:00:00+02:00\npeople = ["A"]\nplace_name = "Nowhere"\n'
    photos = "".join(f'[[photo]]\nfile = "{k}.jpg"\ntaken = 2026-10-03T07:{k}0:00+02:00\n' for k in range(3))

    def entry(photo):
        inner = ", ".join(f'{{ id = "{p["id"]}", at_px = {p["at_px"]}, side = "{p["side"]}" }}' for p in photo["prints"])
        card = f'card = "{photo["card"]}", ' if "card" in photo else ""
        return f'{{ file = "{photo["file"]}", {card}prints = [{inner}] }}'

    def visit(photos_of_trail, out):
        trail = f'[[trail]]\nid = "t1"\nu_px = {U_CLICK_PX}\nphotos = [{", ".join(map(entry, photos_of_trail))}]\n'
        sign = '[[sign]]\nid = "s1"\nkind = "trail"\nplace = [9.0, 53.0]\ntrail = "t1"\n'
        text = head + photos + trail + sign
        check(plain(tomllib.loads(text)), "visit_file")
        (tmp_path / "visit.toml").write_text(text)
        rakelight("visit", tmp_path, "--out", tmp_path / out)
        result = json.loads((tmp_path / out / "visit.json").read_text())
        check(result, "visit")
        return result

    (trail,) = visit(document["photos"], "joined")["trails"]
    check(trail["prints"], "trail")
    assert abs(trail["reading"]["stride_mm"] - 620) < 3 * trail["reading"]["u_stride_mm"]
    # Photographs that nothing joins give no trail; the visit goes on, and says why.
    document["photos"][2]["prints"] = document["photos"][2]["prints"][2:]
    result = visit(document["photos"], "apart")
    assert result["trails"] == [] and len(result["signs"]) == 1
    assert any("nothing joins 0.jpg, 1.jpg to 2.jpg" in warning for warning in result["warnings"])
