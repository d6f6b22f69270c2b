// Opens pages in Debian's chromium and says, as one line of JSON a page, what a
// test wants to know of them. Usage: node browser.mjs MODULES PAGE...
// MODULES is the node_modules folder that holds playwright-core.
import { createRequire } from "node:module";
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { pathToFileURL } from "node:url";

const [modules, ...pages] = process.argv.slice(2);
const { chromium, errors } = createRequire(join(modules, "x.js"))("playwright-core");
const launch = {
  executablePath: "/usr/bin/chromium",
  headless: true,
  args: [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    // A page that the browser takes for hidden gets no animation frames.
    "--disable-renderer-backgrounding", "--disable-backgrounding-occluded-windows",
  ],
};
class Stuck extends Error {}
const patience = 150_000; // ms for all of a page, which takes some seconds on an idle machine

// drawn counts the canvases of plots that are there to be seen, and those of
// them with at least three colours: ground, frame and something drawn.
const drawn = () => {
  const places = [...document.querySelectorAll(".plot")].filter((p) => p.clientWidth > 0);
  const painted = places.filter((p) => {
    const canvas = p.querySelector("canvas");
    if (!canvas) return false;
    const { data } = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height);
    const colours = new Set();
    for (let i = 0; i < data.length && colours.size < 3; i += 4) colours.add(data.slice(i, i + 4).join());
    return colours.size >= 3;
  });
  return { places: places.length, painted: painted.length };
};

async function look(browser, path) {
  const page = await browser.newPage();
  page.setDefaultTimeout(patience);
  await page.bringToFront();
  const out = { requests: [], errors: [] };
  page.on("request", (r) => out.requests.push(r.url()));
  page.on("console", (m) => { if (m.type() === "error" || m.type() === "warning") out.errors.push(m.text()); });
  page.on("pageerror", (e) => out.errors.push(e.message));
  page.on("dialog", (d) => { out.errors.push("dialog: " + d.message()); d.dismiss(); });

  await page.setViewportSize({ width: 1280, height: 900 });
  await page.goto(pathToFileURL(path).href);
  out.openMS = await page.evaluate(() => performance.getEntriesByType("navigation")[0].loadEventEnd);
  out.text = await page.evaluate(() => document.body.innerText);
  out.pwned = await page.evaluate(() => "pwned" in window);

  // Nothing stands wider than a phone, folded or not.
  out.overflow = [];
  for (const open of [false, true]) {
    await page.evaluate((o) => document.querySelectorAll("details").forEach((d) => { d.open = o; }), open);
    for (const width of [375, 1280]) {
      await page.setViewportSize({ width, height: 800 });
      await page.waitForTimeout(100);
      const wide = await page.evaluate(() => document.documentElement.scrollWidth);
      if (wide > width) out.overflow.push(`${wide} px at ${width} px, ${open ? "un" : ""}folded`);
    }
  }

  // Unfolded, every plot is drawn once it comes into sight.
  await page.evaluate(async () => {
    for (let y = 0; y < document.body.scrollHeight; y += 1200) {
      scrollTo(0, y);
      await new Promise((done) => {
        setTimeout(done, 500); // where no frame comes the plots are missed below
        requestAnimationFrame(() => requestAnimationFrame(done));
      });
    }
  });
  await page.waitForTimeout(200);
  out.plots = await page.evaluate(drawn);

  // The keyboard reaches what is folded and opens it.
  await page.evaluate(() => { document.querySelectorAll("details").forEach((d) => { d.open = false; }); scrollTo(0, 0); });
  out.keyboard = false;
  for (let i = 0; i < 60 && !out.keyboard; i++) {
    await page.keyboard.press("Tab");
    if (await page.evaluate(() => document.activeElement.tagName === "SUMMARY")) {
      out.focusSeen = await page.evaluate(() => getComputedStyle(document.activeElement).outlineStyle !== "none");
      await page.keyboard.press("Enter");
      out.keyboard = await page.evaluate(() => document.activeElement.parentElement.open);
    }
  }

  const pdf = await page.pdf({ format: "A4" });
  out.pdf = pdf.subarray(0, 5).toString();
  out.pdfBytes = pdf.length;
  await page.close();
  return out;
}

// fresh looks at a page in a browser of its own. A browser that got stuck is
// ended with all its processes, whatever it was asked last.
async function fresh(path) {
  const profile = mkdtempSync(join(tmpdir(), "page-"));
  const browser = await chromium.launchPersistentContext(profile, launch);
  let timer;
  const late = new Promise((_, fail) => {
    timer = setTimeout(() => fail(new Stuck(`nothing for ${patience / 1000} s`)), patience);
  });
  try {
    return await Promise.race([look(browser, path), late]);
  } finally {
    clearTimeout(timer);
    await Promise.race([browser.close(), new Promise((done) => setTimeout(done, 5_000))]);
    rmSync(profile, { recursive: true, force: true, maxRetries: 5 });
  }
}

// Now and then the browser itself stops answering its driver, whatever the page
// is. That says nothing of the page: another browser is asked. What a page does
// wrong is in the answer, and judged by the test.
const tries = 3;
for (const path of pages) {
  for (let n = 1; ; n++) {
    try {
      console.log(JSON.stringify(await fresh(path)));
      break;
    } catch (e) {
      const stuck = e instanceof Stuck || e instanceof errors.TimeoutError;
      console.error(`try ${n} of ${tries} with ${path}: ${e.stack}`);
      if (!stuck || n === tries) process.exit(1);
    }
  }
}
process.exit(0); // a stuck browser's pipes would keep us
