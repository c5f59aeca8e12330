"""How long the review pages take on a store with many signs: see README.md in this folder."""

import http.client
import json
import re
import ssl
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from urllib.parse import urlencode, urlsplit

ROOT = Path(__file__).parents[2]
PROGRAM = ROOT / "target/release/rakelight"


def run(*arguments):
    done = subprocess.run([PROGRAM, *map(str, arguments)], check=True, capture_output=True, text=True)
    return done.stdout


class Browser:
    """Someone who is logged in, on one connection that stays open, as browsers do it."""

    def __init__(self, address):
        parts = urlsplit(address)
        context = ssl._create_unverified_context()
        self.host = f"{parts.hostname}:{parts.port}"
        self.connection = http.client.HTTPSConnection(parts.hostname, parts.port, context=context)
        self.cookie = ""

    def ask(self, path, fields=None):
        method, body, headers = "GET", None, {"Host": self.host, "Cookie": self.cookie}
        if fields is not None:
            method, body = "POST", urlencode(fields)
            headers["Content-Type"] = "application/x-www-form-urlencoded"
        begun = time.perf_counter()
        self.connection.request(method, path, body, headers)
        answer = self.connection.getresponse()
        body = answer.read()
        took_ms = 1000 * (time.perf_counter() - begun)
        if cookie := answer.headers.get("Set-Cookie"):
            self.cookie = cookie.split(";")[0]
        assert answer.status < 400, (path, answer.status, body[:400])
        return body.decode("utf-8", "replace"), took_ms


def row(name, times, asked):
    print(f"{name:<44} {statistics.median(times):7.1f} {max(times):7.1f} {asked:>8}")


def main():
    signs = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    with tempfile.TemporaryDirectory() as folder:
        demo, store = Path(folder, "demo"), Path(folder, "store")
        run("demo", demo, "--demo-folder", ROOT / "fixtures/demo-visit")
        begun = time.perf_counter()
        subprocess.run([ROOT / "target/release/many-signs", demo / "store", store, str(signs)], check=True)
        print(f"{signs} signs written in {time.perf_counter() - begun:.0f} s, {sum(f.stat().st_size for f in store.rglob('*.sqlite')) >> 20} MB")
        server = subprocess.Popen([PROGRAM, "serve", "--store", store, "--listen", "127.0.0.1:0", "--json"], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        try:
            said = ""
            while not said.rstrip().endswith("}"):
                said += server.stdout.readline()
            address = json.loads(said)["address"]
            link = json.loads(run("invite", "--pages", "--store", store, "--name", "Bo Reed", "--role", "coordinator", "--address", address, "--json"))["link"]
            look(Browser(address), link[len(address):])
            peak = re.search(r"VmHWM:\s+(\d+)", Path(f"/proc/{server.pid}/status").read_text())
            print(f"{'the service at its peak, MB':<44} {int(peak[1]) >> 10:7}")
        finally:
            server.kill()


def look(browser, link):
    browser.ask(link, {})
    _, first = browser.ask("/to-check")
    print(f"{'the list the first time (it is read then), ms':<44} {first:7.0f}")
    print(f"{'ms':<44} {'median':>7} {'longest':>7} {'asked':>8}")
    page, _ = browser.ask("/to-check")
    row("the list's first page", [browser.ask("/to-check")[1] for _ in range(30)], "100")
    row("its page 1,000", [browser.ask("/to-check?from=50000")[1] for _ in range(10)], "")
    paths = re.findall(r'href="(/visits/[^"]*/signs/[^"]*)"', page)[:30]
    pages = [browser.ask(path.replace("&amp;", "&")) for path in paths]
    row("a sign's page", [took for _, took in pages], "150")
    pictures = list(dict.fromkeys(re.findall(r'<img src="(/photographs/[^"]*)"', "".join(page for page, _ in pages))))
    row("its photograph, the first time", [browser.ask(path.replace("&amp;", "&"))[1] for path in pictures], "150")
    row("its photograph, again", [browser.ask(path.replace("&amp;", "&"))[1] for path in pictures], "")
    token = re.search(r'name="token" value="([^"]*)"', pages[0][0])[1]
    checks = [browser.ask(path.split("?")[0].replace("&amp;", "&"), {"token": token, "verdict": "open"})[1] for path in paths]
    row("a check, until it is kept", checks, "")
    row("the list after a check", [after(browser, path, token) for path in paths[:10]], "")
    row("visits", [browser.ask("/visits")[1] for _ in range(10)], "")
    row("places", [browser.ask("/places")[1] for _ in range(10)], "")


def after(browser, path, token):
    browser.ask(path.split("?")[0].replace("&amp;", "&"), {"token": token, "verdict": "open"})
    return browser.ask("/to-check")[1]


main()
