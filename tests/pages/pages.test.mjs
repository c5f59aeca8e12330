// The review pages in a browser (Debian's Chromium), on the invented demo visit: by keyboard alone, without scripts, and looked through by axe-core.
import assert from "node:assert/strict";
import { execFileSync, spawn } from "node:child_process";
import { existsSync, mkdtempSync, readFileSync, rmSync } from "node:fs";
import { createRequire } from "node:module";
import { tmpdir } from "node:os";
import { dirname, join } from "node:path";
import { after, before, test } from "node:test";
import { fileURLToPath } from "node:url";
import { chromium } from "playwright-core";

const HERE = fileURLToPath(new URL(".", import.meta.url));
const PROGRAM = process.env.RAKELIGHT ?? join(HERE, "../../target/release/rakelight");
const AXE = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const PASSWORD = "low sun over mud";
const run = (...args) => execFileSync(PROGRAM, args, { encoding: "utf8", stdio: ["ignore", "pipe", "ignore"] });

let dir, store, server, address, browser;

before(async () => {
  dir = mkdtempSync(join(tmpdir(), "rakelight-pages-"));
  store = join(dir, "store");
  run("demo", dir, "--demo-folder", join(HERE, "../../fixtures/demo-visit"));
  server = spawn(PROGRAM, ["serve", "--store", store, "--listen", "127.0.0.1:0", "--json"], { stdio: ["ignore", "pipe", "ignore"] });
  let said = "";
  for await (const piece of server.stdout) {
    said += piece;
    if (said.includes("}")) break;
  }
  address = JSON.parse(said).address;
  browser = await chromium.launch({ executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium", args: ["--no-sandbox"] });
});

after(async () => {
  await browser?.close();
  server?.kill();
  rmSync(dir, { recursive: true, force: true });
});

/** A browser's window of somebody who has come by a link. What the console says against the pages fails the test. */
const window_of = async (name, role, options = {}, within = browser, base = address) => {
  const link = JSON.parse(run("invite", "--pages", "--store", store, "--name", name, "--role", role, "--address", base, "--json")).link;
  const context = await within.newContext({ ignoreHTTPSErrors: true, viewport: { width: 1280, height: 900 }, locale: "en", ...options });
  const page = await context.newPage();
  const complaints = [];
  page.on("console", (message) => message.type() === "error" && complaints.push(message.text()));
  page.on("pageerror", (error) => complaints.push(String(error)));
  page.complaints = complaints;
  await page.goto(link);
  await page.click("main button");
  await page.waitForURL("**/me?new=1");
  return page;
};

const violations = async (page) => {
  await page.evaluate(AXE);
  const found = await page.evaluate(() => axe.run(document, { resultTypes: ["violations"] }));
  return found.violations.map((one) => `${page.url()}: ${one.id}: ${one.nodes.map((node) => node.html).join(" ").slice(0, 300)}`);
};

test("a checker goes through all signs with the keyboard alone", async () => {
  const page = await window_of("Bo Reed", "checker");
  await page.fill("#password", PASSWORD);
  await page.fill("#again", PASSWORD);
  await page.keyboard.press("Enter");
  await page.waitForURL("**/to-check");
  const signs = await page.locator("tbody tr").count();
  assert.ok(signs >= 5);
  await page.keyboard.press("Enter");
  for (let n = 0; n < signs; n++) {
    await page.waitForSelector("#maker");
    assert.equal(await page.getByText("What the program says", { exact: true }).count(), 0, "the first look is blind");
    await page.waitForFunction(() => [...document.images].every((image) => image.complete && image.naturalWidth > 0));
    const url = page.url();
    if (n === 1) {
      await page.keyboard.press("o");
    } else {
      await page.keyboard.press("m");
      await page.keyboard.type("Eurasian otter");
      await page.keyboard.press("Enter");
    }
    await page.getByText("before seeing anything else").waitFor();
    assert.equal(page.url(), url);
    if (n < signs - 1) {
      await page.keyboard.press("Enter");
      await page.waitForURL((next) => next.href !== url);
    }
  }
  await page.goto(`${address}/to-check?list=done`);
  assert.equal(await page.locator("tbody tr").count(), signs);
  assert.deepEqual(page.complaints, []);
});

test("the measure lies on the photograph, and low light shows the relief", async () => {
  const page = await window_of("Cy Flint", "checker");
  await page.goto(`${address}/visits`);
  await page.click('tbody a:has-text("Quillmark")');
  await page.click('tbody a:has-text("prints-2")');
  const [picture, drawing] = await Promise.all([page.locator(".picture img").boundingBox(), page.locator(".picture svg").boundingBox()]);
  assert.ok(Math.abs(picture.width - drawing.width) < 1 && Math.abs(picture.x - drawing.x) < 1);
  assert.match(await page.locator(".picture svg").textContent(), /\d+\.\d mm ±\d/);
  await page.keyboard.press("r");
  await page.waitForURL("**view=relief");
  await page.waitForFunction(() => [...document.images].every((image) => image.complete && image.naturalWidth > 100));
  await page.keyboard.press("?");
  assert.ok(await page.locator("#keys-help").isVisible());
  assert.deepEqual(page.complaints, []);
});

test("a passkey logs in, until it is taken away, and a foreign one doesn't", async () => {
  // Browsers have passkeys only where they take the certificate, and under a name; the authenticator is Chromium's own virtual one.
  const trusting = await chromium.launch({ executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium", args: ["--no-sandbox", "--ignore-certificate-errors"] });
  try {
    const named = address.replace("127.0.0.1", "localhost");
    const page = await window_of("Gil Sedge", "checker", {}, trusting, named);
    const devices = await page.context().newCDPSession(page);
    await devices.send("WebAuthn.enable");
    const options = { protocol: "ctap2", ctap2Version: "ctap2_1", transport: "internal", hasResidentKey: true, hasUserVerification: true, isUserVerified: true, automaticPresenceSimulation: true };
    const { authenticatorId } = await devices.send("WebAuthn.addVirtualAuthenticator", { options });
    await page.fill("#label", "Field laptop");
    await page.click("text=Make a passkey here");
    await page.locator('td:has-text("Field laptop")').waitFor();
    assert.deepEqual(await violations(page), []);

    const log_in = async () => {
      await page.context().clearCookies();
      await page.goto(`${named}/log-in?next=/samples`);
      assert.deepEqual(await violations(page), []);
      await page.click("text=Log in with a passkey");
    };
    await log_in();
    await page.waitForURL(`${named}/samples`);
    await page.goto(`${named}/me`);
    assert.equal(await page.locator('td:text-is("–")').count(), 0, "when it was last used is shown");

    await page.click('button:has-text("Take away")');
    await page.waitForFunction(() => !document.body.textContent.includes("Field laptop"));
    await log_in();
    await page.getByText("isn’t known here").waitFor();

    // Without any on the device the browser says so, and the page stays.
    await devices.send("WebAuthn.clearCredentials", { authenticatorId });
    await devices.send("WebAuthn.setUserVerified", { authenticatorId, isUserVerified: false });
    await log_in();
    await page.getByRole("alert").waitFor();
    assert.deepEqual(page.complaints.filter((text) => !text.includes("403")), []);

    const plain = await window_of("Hob Rush", "checker");
    await plain.goto(`${address}/me`);
    assert.ok(await plain.getByText("reached by a number here").isVisible());
  } finally {
    await trusting.close();
  }
});

test("form and report come as PDF where the program that makes it is there, and where it isn't that is said", async () => {
  const page = await window_of("Kit Alder", "coordinator");
  for (const path of ["/form?as=pdf", "/report?from=2026-10-01&to=2026-12-31&as=pdf"]) {
    const answer = await page.context().request.get(address + path);
    const [kind, body] = [answer.headers()["content-type"], await answer.body()];
    if (existsSync(join(dirname(PROGRAM), "rakelight-pdf"))) {
      assert.equal(kind, "application/pdf", path);
      assert.equal(body.subarray(0, 5).toString(), "%PDF-");
    } else {
      assert.equal(answer.status(), 422, path);
      assert.match(body.toString(), /rakelight-pdf/);
    }
  }
});

test("all of it works without scripts", async () => {
  const page = await window_of("Dee Holt", "checker", { javaScriptEnabled: false });
  await page.goto(`${address}/visits`);
  await page.click('tbody a:has-text("Quillmark")');
  await page.click('tbody a:has-text("print-4")');
  await page.selectOption("#maker", "lutra_lutra");
  await page.click("button[value=made_by]");
  assert.ok(await page.getByText("What the program says", { exact: true }).isVisible());
  await page.goto(`${address}/places`);
  assert.ok(await page.locator(".schematic").isVisible(), "a drawing stands for the map");
});

test("what was written on paper is typed in, and what is wrong is said without losing it", async () => {
  const page = await window_of("Jo Fen", "field_worker");
  await page.goto(`${address}/type-in`);
  for (const [field, text] of [["place_name", "Sallow Bridge (invented)"], ["date", "2026-11-03"], ["start", "07:40"], ["people", "Jo Fen, Kit Ash"], ["purpose", "otter survey"], ["lat_lon_1", "53.9"], ["width_mm_1", "61,5"]]) await page.fill(`#${field}`, text);
  await page.selectOption("#kind_1", "print");
  await page.selectOption("#substrate_1", "soft_mud");
  await page.click("text=Keep the visit");
  await page.getByRole("alert").waitFor();
  assert.equal(await page.inputValue("#place_name"), "Sallow Bridge (invented)");
  await page.fill("#lat_lon_1", "53.9, 8.2");
  await page.click("text=Keep the visit");
  await page.waitForURL("**/visits/*");
  assert.match(await page.locator("h1").textContent(), /Sallow Bridge \(invented\), 3 November 2026/);
  assert.equal(await page.locator('a:has-text("print-1")').first().isVisible(), true);
  assert.deepEqual(page.complaints.filter((text) => !text.includes("422")), []);
});

test("no page has a violation that axe knows, wide, narrow, or in another language", async () => {
  for (const [name, options] of [["Eve Marl", {}], ["Finn Low", { viewport: { width: 390, height: 844 }, locale: "pl" }]]) {
    const page = await window_of(name, "coordinator", options);
    const visit = await page.goto(`${address}/visits`).then(() => page.locator('tbody a:has-text("Quillmark")').getAttribute("href"));
    const found = [];
    const look = async (path) => {
      assert.equal((await page.goto(address + path)).status() < 400, true, path);
      await page.waitForLoadState("networkidle");
      found.push(...(await violations(page)));
    };
    const sign = (id) => `${visit}/signs/${id}`;
    for (const path of ["/me", "/to-check", "/to-check?list=settled", "/visits", visit, "/places", "/samples", "/people", "/findings", "/agreement", "/export", "/form", "/type-in", sign("prints-2"), `${sign("trail-1")}?view=whole`]) await look(path);
    await page.goto(address + sign("dropping-1"));
    await page.click("button[value=open]");
    await look(sign("dropping-1"));
    await page.goto(address + visit);
    await page.click(`form[action="${visit}/findings"] button`);
    await look(visit);
    await look(`${visit}/summary`);
    await page.goto(`${address}/places`);
    await look(await page.locator("tbody a").first().getAttribute("href"));
    await page.goto(`${address}/people`);
    await page.fill("#name", "Gil Sand");
    await page.click("button[value=phone]");
    found.push(...(await violations(page)));
    await page.goto(`${address}/nowhere-here`);
    assert.deepEqual(found, []);
    assert.deepEqual(page.complaints.filter((text) => !text.includes("404")), []);
    await page.context().close();
  }
});

test("axe would say so if something were wrong", async () => {
  const page = await window_of("Hal Reed", "checker");
  await page.goto(`${address}/visits`);
  await page.evaluate(() => document.querySelector("h1").insertAdjacentHTML("afterend", '<img src="/static/icon.svg"><input>'));
  assert.ok((await violations(page)).length >= 2);
});

test("a page that another site frames or fills stays shut", async () => {
  const page = await window_of("Ivo Marsh", "checker");
  const answer = await page.goto(`${address}/to-check`);
  const policy = answer.headers()["content-security-policy"];
  assert.match(policy, /frame-ancestors 'none'/);
  assert.doesNotMatch(policy, /unsafe/);
  const cookies = await page.context().cookies();
  const session = cookies.find((cookie) => cookie.name === "__Host-rakelight");
  assert.ok(session.secure && session.httpOnly && session.sameSite === "Lax");
  const ran = await page.evaluate(() => {
    document.body.insertAdjacentHTML("beforeend", "<img src=x onerror='window.ran = true'>");
    return new Promise((done) => setTimeout(() => done(Boolean(window.ran)), 300));
  });
  assert.equal(ran, false, "no inline script runs");
});
