// Look at a page in headless Chromium as people do, and print what is wrong with it as JSON.
//   node look.cjs PAGE.html CHROMIUM [FOLDER_FOR_PICTURES]
const fs = require("node:fs");
const os = require("node:os");
const path = require("node:path");
const { pathToFileURL } = require("node:url");
const axe = require.resolve("axe-core/axe.min.js");
const { chromium } = require("playwright-core");

const SIZES = { desk: { width: 1280, height: 900 }, phone: { width: 360, height: 740 } };
const FLAGS = [
  "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
  "--disable-background-networking", "--disable-component-update", "--disable-sync",
];

async function look(browser, address, name, scheme, folder) {
  const context = await browser.newContext({
    viewport: SIZES[name], colorScheme: scheme, bypassCSP: false,
  });
  const page = await context.newPage();
  const seen = { name, scheme, console: [], errors: [], requests: [], dialogs: [] };
  page.on("console", (m) => seen.console.push(`${m.type()}: ${m.text()}`));
  page.on("pageerror", (e) => seen.errors.push(String(e)));
  page.on("request", (r) => seen.requests.push(r.url()));
  page.on("dialog", (d) => { seen.dialogs.push(d.message()); d.dismiss(); });
  await page.goto(address, { waitUntil: "load" });
  await page.waitForTimeout(200);
  seen.requests = seen.requests.filter((url) => url !== address && !url.startsWith("data:"));
  seen.facts = await page.evaluate(() => ({
    title: document.title,
    heading: document.querySelector("h1").textContent,
    scripts: document.scripts.length,
    handlers: [...document.querySelectorAll("*")].filter((e) =>
      [...e.attributes].some((a) => a.name.startsWith("on"))).length,
    harmless: window.hostile === undefined,
    wide: document.documentElement.scrollWidth - document.documentElement.clientWidth,
    unseen: [...document.querySelectorAll("main svg[role=img]")].filter((e) =>
      e.checkVisibility() && e.getBoundingClientRect().height < 20).length,
    pictures: [...document.querySelectorAll("main svg[role=img]")].filter((e) =>
      e.checkVisibility()).length,
    body: getComputedStyle(document.body).backgroundColor,
  }));
  await page.keyboard.press("Tab");
  seen.facts.firstTab = await page.evaluate(() => document.activeElement.textContent.trim());
  await page.evaluate(() => document.activeElement.blur());
  if (folder) {
    await page.screenshot({ path: path.join(folder, `${name}-${scheme}.png`), fullPage: true });
  }
  // axe itself is handed in through the debugger, past the page's own policy.
  await page.evaluate(fs.readFileSync(axe, "utf8"));
  const found = await page.evaluate(() => window.axe.run(document, {
    runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
  }));
  seen.axe = found.violations.map((v) => ({
    id: v.id, impact: v.impact, nodes: v.nodes.slice(0, 3).map((n) => n.html.slice(0, 160)),
  }));
  seen.undecided = found.incomplete.map((v) => `${v.id} (${v.nodes.length})`);
  seen.rules = found.passes.length;
  await context.close();
  return seen;
}

async function print(browser, address, folder) {
  const page = await browser.newPage();
  await page.goto(address);
  const sizes = {};
  for (const format of ["A4", "Letter"]) {
    const file = folder ? { path: path.join(folder, `${format}.pdf`) } : {};
    const pdf = await page.pdf({ format, preferCSSPageSize: false, printBackground: false, ...file });
    sizes[format] = (pdf.toString("latin1").match(/\/Type\s*\/Page\b/g) || []).length;
  }
  await page.close();
  return sizes;
}

(async () => {
  const [file, executablePath, folder] = process.argv.slice(2);
  const profile = fs.mkdtempSync(path.join(os.tmpdir(), "look-"));
  const browser = await chromium.launch({ executablePath, args: FLAGS, headless: true,
    env: { ...process.env, HOME: profile } });
  try {
    const address = pathToFileURL(path.resolve(file)).href;
    const views = [];
    for (const scheme of ["light", "dark"]) {
      for (const name of Object.keys(SIZES)) {
        views.push(await look(browser, address, name, scheme, folder));
      }
    }
    const pages = await print(browser, address, folder);
    console.log(JSON.stringify({ version: browser.version(), views, pages }));
  } finally {
    await browser.close();
    fs.rmSync(profile, { recursive: true, force: true });
  }
})();
