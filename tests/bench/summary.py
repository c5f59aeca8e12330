"""How long the landowner's page takes as HTML and as PDF, whole processes turn by turn, beside a process that does nothing and Chromium's print of the same page."""

import pathlib
import shutil
import statistics
import subprocess
import sys
import tempfile
import time

from conftest import PROGRAM
from test_summary import DEMO, visit_toml


def seconds(*command):
    begin = time.perf_counter()
    subprocess.run(command, check=True, capture_output=True)
    return time.perf_counter() - begin


def main(rounds):
    with tempfile.TemporaryDirectory() as folder:
        folder = pathlib.Path(folder)
        subprocess.run([PROGRAM, "demo", folder / "demo", "--demo-folder", DEMO], check=True, capture_output=True)
        (folder / "many-folder").mkdir()
        (folder / "many-folder" / "visit.toml").write_text(visit_toml(signs=2000))
        subprocess.run([PROGRAM, "visit", folder / "many-folder", "--out", folder / "many"], check=True, capture_output=True)
        browser = shutil.which("chromium")
        for name in ("demo", "many"):
            page, pdf = folder / f"{name}.html", folder / f"{name}.pdf"
            summary = [PROGRAM, "summary", "--store", folder / name / "store", "--out"]
            kinds = {"nothing": [PROGRAM, "--version"], "HTML": [*summary, page], "PDF": [*summary, pdf]}
            if browser:
                kinds["Chromium's PDF"] = [browser, "--headless", "--no-sandbox", "--disable-gpu", f"--print-to-pdf={folder / 'c.pdf'}", page.as_uri()]
            times = {kind: [] for kind in kinds}
            for _ in range(rounds):
                for kind, command in kinds.items():
                    times[kind].append(seconds(*command))
            median = {kind: statistics.median(of) for kind, of in times.items()}
            print(f"{name}: " + ", ".join(f"{kind} {1000 * of:.0f} ms" for kind, of in median.items()))
            print(f"  PDF / HTML {median['PDF'] / median['HTML']:.1f}", end="")
            print(f", PDF / Chromium's {median['PDF'] / median[kind]:.2f}" if (kind := "Chromium's PDF") in median else "")


main(int(sys.argv[1]) if len(sys.argv) > 1 else 9)
